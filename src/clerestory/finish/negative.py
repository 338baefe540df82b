"""A view's light as a linear DNG (ISO 12234-4; DNG specification 1.4): what other programs go on from.

As a mosaic where it still is one (a frame, a merged burst or bracket, a cleared view), with the camera's own colour
matrix, its noise and its lens; as linear colour where not (a joined view), or where it is wanted straightened. What
the recipe asks of light and colour is not put in: it goes along as text, in XMP.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory import __version__
from clerestory.camera.lens import Vignetting
from clerestory.develop.colour import xyz_from_rgb
from clerestory.errors import UserError
from clerestory.files.store import write_atomic
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
from clerestory.finish.folder import jobs_of
from clerestory.finish.history import Step, history_of
from clerestory.finish.job import Done, Order
from clerestory.finish.pipeline import Seen, Straight, developed, look, straightened
from clerestory.finish.recipe import Aspect, Recipe
from clerestory.finish.source import Source
from clerestory.finish.sources import source_of
from clerestory.finish.write import Record, xmp_packet
from clerestory.raw.dng import CFA, D65, LINEAR_RAW, level_entries, opcode_list
from clerestory.raw.group import View
from clerestory.raw.own import Noted, packed
from clerestory.raw.profile import Profile, kelvin_of
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.run.progress import OnProgress, counted
from clerestory.visit.about import About, read_abouts
from clerestory.visit.journal import Journal

DOUBLE = 12  # TIFF 6.0
FULL = 65535


@dataclass(frozen=True)
class _Values:
    """What is written: whole numbers, H x W or H x W x 3, and the tags that say what they are."""

    pixels: NDArray[np.uint16]
    entries: list[Entry]


def negatives_of(
    folder: Path, views: Sequence[View], upright: bool, on_progress: OnProgress
) -> tuple[list[Path], list[tuple[str, str]]]:
    """Write the light of a visit's views beside its pictures; the files, and what failed with the reason.

    One view's failure costs that view alone.
    """
    abouts, written, failures = read_abouts(folder / "about.toml"), [], []
    journal = Journal(folder, to_write=False)
    one_more = counted(on_progress, "Writing DNG", len(views))
    for item in jobs_of(views, folder, Order(), abouts):
        if isinstance(item, Done):
            failures.append((item.view, item.reason))
            one_more(item)
            continue
        path = folder / "pictures" / f"{item.view.name}{'_upright' if upright else ''}.dng"
        path.parent.mkdir(exist_ok=True)
        try:
            done = history_of(journal.steps_of(f"recipes/{item.view.name}.toml"), item.view.name)
            write_negative(item.view, item.recipe, path, item.about, upright, item.order.aspects[0], done)
        except UserError as problem:
            failures.append((item.view.name, str(problem)))
        else:
            written.append(path)
        one_more(item)
    return written, failures


def write_negative(
    view: View,
    recipe: Recipe,
    path: Path,
    about: About,
    upright: bool = False,
    aspect: Aspect | None = None,
    done: Sequence[Step] = (),
) -> None:
    """Write a view's light as a DNG, whole or not at all; `done` is the history of its recipe.

    `upright`: straightened and cropped as the recipe asks, noise taken out, as linear colour. Raises UserError where
    the view has no raw light, or light that this form cannot carry.
    """
    seen = look(source_of(view), recipe)
    source = seen.source
    if source.mosaic is None and source.stitched is None:
        raise UserError(f"{view.name}: its frames are no raw files, and a DNG holds raw light; ask for TIFF instead.")
    if upright or source.mosaic is None:
        linear = developed(replace(seen, glare=None), recipe)
        straight = straightened(seen, linear, recipe, aspect if upright else "free")
        values, info = _of_colour(straight), _as_held(source.info, seen, straight)
    else:
        values, info = _of_mosaic(view, source, seen), source.info
    said = [*source.remarks, *seen.remarks, seen.vertical.reasons, *map(str, done)]
    record = Record({"View": view.name, "Frames": " ".join(p.name for p in view.frames), "Merge": view.kind,
                     "Recipe": recipe.toml() or "all left to the tool", "History": "; ".join(said)})  # fmt: skip
    packet = xmp_packet(about, record)
    write_atomic(path, _file(values, info, [(700, BYTE, len(packet), packet)]))


# --- what the values are --------------------------------------------------------------------------------------------


def _of_mosaic(view: View, source: Source, seen: Seen) -> _Values:
    mosaic = source.mosaic
    assert mosaic is not None
    if mosaic.shading is not None:
        raise UserError(f"{view.name}: its frames ask for a gain map, which a DNG written here cannot carry on yet; "
                        "ask for it upright, in which the map is applied.")  # fmt: skip
    pixels = mosaic.raw if mosaic.whole is None else mosaic.whole
    entries = [*_layout(mosaic), *_levels(mosaic)]
    if mosaic.form != "mono":
        entries += _colour(mosaic.colours, seen.multipliers)
    if source.noise is not None:
        entries.append(_noise_profile(source, mosaic))
        private = packed(Noted(source.noise, source.excess, len(source.frames)))
        entries.append((50740, BYTE, len(private), private))
    codes = opcode_list(source.lens.distortion, _terms(source.lens.vignetting))
    if source.lens.distortion is not None or source.lens.vignetting is not None:
        entries.append((51022, UNDEFINED, len(codes), codes))
    if mosaic.pixel_aspect != 1.0:
        entries.append(rationals(50718, RATIONAL, max(mosaic.pixel_aspect, 1.0), max(1 / mosaic.pixel_aspect, 1.0)))
    return _Values(pixels, entries)


def _terms(fall_off: Vignetting | None) -> tuple[float, float, float, float, float] | None:
    return None if fall_off is None else fall_off.k


def _layout(mosaic: Mosaic) -> list[Entry]:
    """Photometric interpretation and filters."""
    if mosaic.form in ("mono", "linear"):
        return [numbers(262, SHORT, LINEAR_RAW)]
    cell = np.array([0, 1, 2, 1])[mosaic.cfa] if mosaic.form == "bayer" else mosaic.pattern
    assert cell is not None
    return [numbers(262, SHORT, CFA), numbers(33421, SHORT, *cell.shape),
            numbers(33422, BYTE, *(int(v) for v in cell.ravel()))]  # fmt: skip


def _levels(mosaic: Mosaic) -> list[Entry]:
    """Black and white levels."""
    if mosaic.form == "bayer":
        black = [float(mosaic.black[c]) for c in mosaic.cfa.ravel()]
        return [numbers(50713, SHORT, 2, 2), rationals(50714, RATIONAL, *black),
                numbers(50717, LONG, round(float(mosaic.white.min())))]  # fmt: skip
    samples = 3 if mosaic.form == "linear" else 1
    black = [float(v) for v in mosaic.black[[0, 1, 2][:samples]]]
    return [rationals(50714, RATIONAL, *black),
            numbers(50717, LONG, *[round(float(mosaic.white.min()))] * samples)]  # fmt: skip


def _colour(
    xyz_to_camera: NDArray[np.floating] | Profile | None, multipliers: tuple[float, float, float]
) -> list[Entry]:
    """Neutral and matrix; of a profile the matrix for the light that the neutral tells of."""
    neutral = [multipliers[1] / m for m in multipliers]
    if isinstance(xyz_to_camera, Profile):
        xyz_to_camera = xyz_to_camera.to_camera(kelvin_of(xyz_to_camera.white_of(np.array(neutral))))
    out = [rationals(50728, RATIONAL, *neutral)]
    if xyz_to_camera is not None:
        matrix = [round(float(v), 6) for v in np.asarray(xyz_to_camera).ravel()]
        out += [rationals(50721, SRATIONAL, *matrix), numbers(50778, SHORT, D65)]
    return out


def _noise_profile(source: Source, mosaic: Mosaic) -> Entry:
    """NoiseProfile (DNG 1.4): variance = S x + O of each colour, x between black and white from 0 to 1."""
    assert source.noise is not None
    span = np.asarray(mosaic.white - mosaic.black, float)
    gains, reads = np.asarray(source.noise.gain), np.asarray(source.noise.read)
    slope, floor = gains / span[[0, 1, 3, 2]], (reads / span[[0, 1, 3, 2]]) ** 2
    if mosaic.form == "mono":
        terms = [float(slope.mean()), float(floor.mean())]
    else:
        slope = np.array([slope[0], (slope[1] + slope[2]) / 2, slope[3]])
        floor = np.array([floor[0], (floor[1] + floor[2]) / 2, floor[3]])
        terms = [float(v) for pair in zip(slope, floor, strict=True) for v in pair]
    return 51041, DOUBLE, len(terms), struct.pack(f"<{len(terms)}d", *terms)


def _of_colour(straight: Straight) -> _Values:
    """Linear Rec. 2020 as the camera's own colour: its matrix from XYZ is known exactly, its white is D65."""
    peak = max(float(straight.rgb.max()), 1.0)
    pixels = np.empty(straight.rgb.shape, np.uint16)
    for row in range(0, len(pixels), 256):
        part = np.clip(straight.rgb[row : row + 256] * np.float32(FULL / peak), 0, FULL)
        pixels[row : row + 256] = np.rint(part).astype(np.uint16)
    matrix = np.linalg.inv(xyz_from_rgb("rec2020"))
    return _Values(pixels, [
        numbers(262, SHORT, LINEAR_RAW), numbers(50714, SHORT, 0, 0, 0), numbers(50717, LONG, *[FULL] * 3),
        *_colour(matrix, (1.0, 1.0, 1.0)), rationals(50730, SRATIONAL, round(float(np.log2(peak)), 4)),
    ])  # fmt: skip


def _as_held(info: FrameInfo, seen: Seen, straight: Straight) -> FrameInfo:
    """What is true of a straightened picture: its own size and angle of view, no lens and no turning left to undo."""
    height, width = straight.rgb.shape[:2]
    equivalent = seen.camera.focal * np.hypot(36, 24) / np.hypot(width, height)
    return replace(info, width=width, height=height, orientation=1, sensor_mm=None, pixel_aspect=1.0, distortion=None,
                   vignetting=None, level=None, equivalent_mm=float(equivalent))  # fmt: skip


# --- the file -------------------------------------------------------------------------------------------------------


def _exif(info: FrameInfo, width: int, height: int) -> list[Entry]:
    """EXIF 2.32, as far as the frame told."""
    centimetre = 3
    out: list[Entry] = [(0x9000, UNDEFINED, 4, b"0232")]
    for tag, value in ((0x829A, info.seconds), (0x829D, info.f_number), (0x920A, info.focal_mm)):
        if value:
            out.append(rationals(tag, RATIONAL, value))
    if info.iso:
        out.append(numbers(0x8827, SHORT, min(round(info.iso), FULL)))
    if info.time is not None:
        when = info.time.strftime("%Y:%m:%d %H:%M:%S")
        out += [text(0x9003, when), text(0x9004, when), text(0x9291, f"{info.time.microsecond // 1000:03d}")]
    if info.sensor_mm is not None:
        out += [rationals(0xA20E, RATIONAL, width / info.sensor_mm[0] * 10),
                rationals(0xA20F, RATIONAL, height / info.sensor_mm[1] * 10),
                numbers(0xA210, SHORT, centimetre)]  # fmt: skip
    if info.equivalent_mm:
        out.append(numbers(0xA405, SHORT, max(1, round(info.equivalent_mm))))
    out += level_entries(info.level)
    out += [text(tag, words) for tag, words in ((0xA431, info.serial), (0xA434, info.lens)) if words]
    return out


def _file(values: _Values, info: FrameInfo, more: list[Entry]) -> bytes:
    pixels = np.ascontiguousarray(values.pixels, "<u2")
    height, width = pixels.shape[:2]
    samples = pixels.shape[2] if pixels.ndim == 3 else 1
    make, model = info.make or "unknown", info.model or "unknown"
    main = [
        *one_strip(width, height, samples), text(271, make), text(272, model), numbers(274, SHORT, info.orientation),
        text(305, f"Clerestory {__version__}"),
        numbers(50706, BYTE, 1, 4, 0, 0), numbers(50707, BYTE, 1, 4, 0, 0),
        text(50708, model if model.startswith(make) else f"{make} {model}"),
        numbers(50829, LONG, 0, 0, height, width), *values.entries, *more,
    ]  # fmt: skip
    return with_exif(main, _exif(info, width, height)) + pixels.tobytes()
