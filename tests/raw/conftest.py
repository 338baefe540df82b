"""Small raw files made on the spot, by nothing but the TIFF, EXIF and DNG specifications."""

from __future__ import annotations

import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}


def _pack(kind: int, values: Any) -> bytes:
    if kind == 2:
        return str(values).encode() + b"\0"
    if kind in (1, 7):
        return bytes(values)
    form = {3: "H", 4: "I"}.get(kind)
    if form:
        return struct.pack(f"<{len(values)}{form}", *values)
    parts = [round(v * 10000) if kind == 10 else round(v * 1_000_000) for v in values]
    return b"".join(struct.pack("<iI" if kind == 10 else "<II", p, 10000 if kind == 10 else 1_000_000) for p in parts)


def _directory(entries: list[tuple[int, int, Any]], place: int) -> bytes:
    """One image file directory at `place`, its long values right behind it."""
    entries = sorted(entries)
    after = place + 2 + 12 * len(entries) + 4
    head, tail = struct.pack("<H", len(entries)), b""
    for tag, kind, values in entries:
        data = _pack(kind, values)
        count = len(data) // SIZES[kind]
        if len(data) <= 4:
            head += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
        else:
            head += struct.pack("<HHII", tag, kind, count, after + len(tail))
            tail += data + b"\0" * (len(data) % 2)
    return head + b"\0\0\0\0" + tail


def opcode_list(*codes: tuple[int, bytes]) -> bytes:
    """A DNG opcode list, big-endian (DNG 1.4, chapter 7)."""
    return struct.pack(">I", len(codes)) + b"".join(
        struct.pack(">IIII", kind, 0x01030000, 1, len(body)) + body for kind, body in codes
    )


def dng_bytes(raw: NDArray[np.uint16], **say: Any) -> bytes:
    """A Bayer DNG of these raw values. `say` overrides: when, seconds, iso, focal, pattern, black, white, ...

    `extra`: further tags, (number, TIFF type, values).
    """
    h, w = raw.shape
    photo = [
        (33434, 5, [say.get("seconds", 0.02)]),
        (33437, 5, [say.get("f_number", 4.0)]),
        (34855, 3, [say.get("iso", 400)]),
        (36867, 2, say.get("when", "2031:06:01 10:00:00")),
        (37386, 5, [say.get("focal", 12.0)]),
        (41486, 5, [say.get("plane", w / 17.3 * 10)]),
        (41488, 3, [3]),
    ]
    main = [
        (254, 4, [0]),
        (256, 4, [w]),
        (257, 4, [h]),
        (258, 3, [16]),
        (259, 3, [1]),
        (262, 3, [32803]),
        (271, 2, "Fennimark"),
        (272, 2, "Fennimark Alder"),
        (274, 3, [say.get("orientation", 1)]),
        (277, 3, [1]),
        (278, 4, [h]),
        (279, 4, [raw.nbytes]),
        (33421, 3, [2, 2]),
        (33422, 1, say.get("pattern", [0, 1, 1, 2])),
        (50706, 1, [1, 4, 0, 0]),
        (50707, 1, [1, 1, 0, 0]),
        (50708, 2, "Fennimark Alder"),
        (50713, 3, [2, 2]),
        (50714, 5, say.get("black", [64.0] * 4)),
        (50717, 4, [say.get("white", 4095)]),
        (50721, 10, say.get("matrix", [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6])),
        (50728, 5, say.get("neutral", [0.5, 1.0, 0.625])),
        (50778, 3, [21]),
        (50829, 4, say.get("active", [0, 0, h, w])),
    ]
    if "opcodes" in say:
        main.append((51022, 7, say["opcodes"]))
    main += say.get("extra", [])
    main += [(34665, 4, [0]), (273, 4, [0])]
    length = len(_directory(main, 8))
    exif_at = 8 + length
    data_at = exif_at + len(_directory(photo, exif_at))
    main[-2:] = [(34665, 4, [exif_at]), (273, 4, [data_at])]
    return b"II*\0\x08\0\0\0" + _directory(main, 8) + _directory(photo, exif_at) + raw.astype("<u2").tobytes()


def make_scene(seed: int, h: int, w: int) -> NDArray[np.float64]:
    """Edges and texture with the 1/f spectrum of photographs, 0 to 1, H x W."""
    rng = np.random.default_rng(seed)
    fy, fx = np.fft.fftfreq(h)[:, None], np.fft.rfftfreq(w)[None]
    f = np.hypot(fx, fy)
    f[0, 0] = 1
    field = np.fft.irfft2(np.fft.rfft2(rng.standard_normal((h, w))) / f, (h, w))
    field = np.sign(field) * 0.3 + 0.35 * field / field.std()
    return np.clip(0.12 * np.exp2(1.4 * field), 0.002, 0.9)


def make_photograph(
    light: NDArray[np.float64], seed: int = 0, gain: float = 0.5, read: float = 2.0, white: int = 4095
) -> NDArray[np.uint16]:
    """A 12-bit raw of `light` (1 = saturation): photon and read noise (EMVA 1288), black at 64, clipped."""
    rng = np.random.default_rng(seed)
    signal = rng.poisson(np.maximum(light, 0) * (white - 64) / gain) * gain
    return np.clip(np.rint(signal + 64 + rng.normal(0, read, light.shape)), 0, white).astype(np.uint16)


@pytest.fixture
def scene() -> Callable[..., NDArray[np.float64]]:
    """Makes a scene: `scene(seed, height, width)`."""
    return make_scene


@pytest.fixture
def photograph() -> Callable[..., NDArray[np.uint16]]:
    """Photographs a scene: `photograph(light, seed=, gain=, read=, white=)`."""
    return make_photograph


@pytest.fixture
def write_dng(tmp_path: Path) -> Callable[..., Path]:
    """Writes a DNG under tmp_path and gives its path."""

    def write(name: str, raw: NDArray[np.uint16], **say: Any) -> Path:
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(dng_bytes(raw, **say))
        return path

    return write
