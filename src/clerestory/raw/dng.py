"""Raw DNG files in one pass: plain TIFF tags, an EXIF block and the lens's own corrections (DNG 1.4)."""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.lens import Distortion
from clerestory.files.store import atomic
from clerestory.files.tiff import (
    BYTE,
    LONG,
    RATIONAL,
    SHORT,
    SRATIONAL,
    UNDEFINED,
    Entry,
    numbers,
    one_strip,
    rationals,
    text,
    with_exif,
)

WARP_RECTILINEAR, FIX_VIGNETTE_RADIAL = 1, 3
D65 = 21  # EXIF LightSource
CFA, LINEAR_RAW = 32803, 34892  # PhotometricInterpretation


@dataclass(frozen=True)
class DngMeta:
    """What a frame says of itself. `level`: pitch and roll in degrees, None when the body has no level sensor.

    `pattern`: the colour filters' cell, 0 red, 1 green, 2 blue; None for a sensor without filters. It does not matter
    where three values are written for each pixel. `illuminant`: the light of
    `xyz_to_camera`, as EXIF's LightSource; `more`: tags besides, of the main directory.
    """

    make: str
    model: str
    serial: str
    lens: str
    time: datetime
    seconds: float
    f_number: float
    iso: float
    focal_mm: float
    equivalent_mm: float
    black: int
    white: int
    xyz_to_camera: Sequence[Sequence[float]]
    as_shot_neutral: tuple[float, float, float]
    sensor_mm: tuple[float, float]
    distortion: Distortion | None = None
    vignetting: tuple[float, float, float, float, float] | None = None
    focus_m: float | None = None
    level: tuple[float, float] | None = None
    orientation: int = 1
    pattern: Sequence[Sequence[int]] | None = ((0, 1), (1, 2))
    illuminant: int = D65
    more: Sequence[Entry] = ()


def _exposure_time(seconds: float) -> Entry:
    f = Fraction(seconds).limit_denominator(100_000)
    return 0x829A, RATIONAL, 1, struct.pack("<2I", f.numerator, f.denominator)


def _opcode(number: int, body: bytes) -> bytes:
    # Identifier, DNG version 1.3.0.0 that knows it, flags (1: may be skipped), length. Always big-endian.
    return struct.pack(">IIII", number, 0x01030000, 1, len(body)) + body


def opcode_list(distortion: Distortion | None, vignetting: Sequence[float] | None) -> bytes:
    """OpcodeList3: WarpRectilinear (id 1) for one plane set, FixVignetteRadial (id 3); big-endian."""
    codes = []
    centre = distortion.centre if distortion else (0.5, 0.5)
    if vignetting is not None:
        codes.append(_opcode(FIX_VIGNETTE_RADIAL, struct.pack(">7d", *vignetting, *centre)))
    if distortion is not None:
        terms = (*distortion.radial, *distortion.tangential)
        codes.append(_opcode(WARP_RECTILINEAR, struct.pack(">I8d", 1, *terms, *centre)))
    return struct.pack(">I", len(codes)) + b"".join(codes)


def _exif(meta: DngMeta, width: int, height: int) -> list[Entry]:
    centimetre = 3
    when = meta.time.strftime("%Y:%m:%d %H:%M:%S")
    subsec = f"{meta.time.microsecond // 1000:03d}"
    entries = [
        _exposure_time(meta.seconds),
        rationals(0x829D, RATIONAL, meta.f_number),
        numbers(0x8827, SHORT, min(round(meta.iso), 65535)),
        (0x9000, UNDEFINED, 4, b"0231"),
        text(0x9003, when),
        text(0x9004, when),
        text(0x9291, subsec),
        text(0x9292, subsec),
        rationals(0x920A, RATIONAL, meta.focal_mm),
        rationals(0xA20E, RATIONAL, round(width / meta.sensor_mm[0] * 10, 3)),  # focal plane resolution
        rationals(0xA20F, RATIONAL, round(height / meta.sensor_mm[1] * 10, 3)),
        numbers(0xA210, SHORT, centimetre),
        numbers(0xA405, SHORT, round(meta.equivalent_mm)),
        text(0xA431, meta.serial),
        text(0xA434, meta.lens),
    ]
    if meta.focus_m is not None:
        entries.append(rationals(0x9206, RATIONAL, meta.focus_m))
    return [*entries, *level_entries(meta.level)]


def level_entries(level: tuple[float, float] | None) -> list[Entry]:
    """A camera's own level, pitch and roll in degrees, as `raw.tags` reads it; nothing where there is none."""
    if level is None:
        return []
    # CameraElevationAngle, EXIF 2.31. EXIF has no tag for roll: it goes into the user comment as text.
    note = b"ASCII\0\0\0" + f"level roll {level[1]:+.2f}".encode()
    return [rationals(0x9405, SRATIONAL, round(level[0], 2)), (0x9286, UNDEFINED, len(note), note)]


def _colours(meta: DngMeta, samples: int) -> list[Entry]:
    """What the values are: behind filters (CFA), or linear raw, of one channel or of three (DNG 1.4, chapter 2)."""
    matrix = [float(v) for row in meta.xyz_to_camera for v in row]
    colour = [
        rationals(50721, SRATIONAL, *matrix),
        rationals(50728, RATIONAL, *meta.as_shot_neutral),
        numbers(50778, SHORT, meta.illuminant),
    ]
    if samples == 1 and meta.pattern is not None:
        cell = [int(c) for row in meta.pattern for c in row]
        filters = [
            numbers(262, SHORT, CFA),
            numbers(33421, SHORT, len(meta.pattern), len(meta.pattern[0])),
            numbers(33422, BYTE, *cell),
        ]
        if len(cell) == 4:
            return [*filters, numbers(50713, SHORT, 2, 2), numbers(50714, SHORT, *[meta.black] * 4), *colour]
        return [*filters, numbers(50714, SHORT, meta.black), *colour]
    levels = numbers(50714, SHORT, *[meta.black] * samples)
    return [numbers(262, SHORT, LINEAR_RAW), levels, *(colour if samples == 3 else [])]


def _main(meta: DngMeta, width: int, height: int, samples: int) -> list[Entry]:
    model = meta.model if meta.model.startswith(meta.make) else f"{meta.make} {meta.model}"
    return [
        *one_strip(width, height, samples),
        text(271, meta.make),
        text(272, meta.model),
        numbers(274, SHORT, meta.orientation),
        text(305, "clerestory simulate"),
        text(306, meta.time.strftime("%Y:%m:%d %H:%M:%S")),
        numbers(50706, BYTE, 1, 4, 0, 0),
        numbers(50707, BYTE, 1, 3, 0, 0),
        text(50708, model),
        numbers(50717, SHORT, *[meta.white] * samples),
        numbers(50829, LONG, 0, 0, height, width),
        *_colours(meta, samples),
        *meta.more,
    ]


def header(meta: DngMeta, width: int, height: int, samples: int = 1) -> bytes:
    """Everything before the pixels, little-endian; the pixels, of `samples` values each, follow at once."""
    main = _main(meta, width, height, samples)
    codes = opcode_list(meta.distortion, meta.vignetting)
    if meta.distortion is not None or meta.vignetting is not None:
        main.append((51022, UNDEFINED, len(codes), codes))
    return with_exif(main, _exif(meta, width, height))


def write_dng(path: Path, raw: NDArray[np.uint16], meta: DngMeta) -> None:
    """Write raw values as a DNG, whole or not at all: H x W behind `meta.pattern` (or without filters), or H x W x 3,
    red, green and blue at every pixel."""
    height, width = raw.shape[:2]
    with atomic(path) as file:
        file.write(header(meta, width, height, raw.shape[2] if raw.ndim == 3 else 1))
        file.write(np.ascontiguousarray(raw, dtype="<u2").data)
