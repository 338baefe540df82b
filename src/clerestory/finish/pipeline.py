"""One view, one picture: from a source and a recipe to files, with a record of what was done."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import ASSUMED_EQUIVALENT, Camera
from clerestory.camera.crop import FINENESS, Crop, crop_inside, largest_crop
from clerestory.camera.optics import diffraction_sigma
from clerestory.camera.rectification import Rectification
from clerestory.develop import white_balance as white
from clerestory.develop.colour import LUMINANCE, encode
from clerestory.develop.denoise import Quality
from clerestory.develop.glare import Glare, find_glare, scattered, without_glare
from clerestory.finish import source as light
from clerestory.finish import tone
from clerestory.finish.recipe import Aspect, Recipe, Touch
from clerestory.finish.resample import resample
from clerestory.finish.sharpen import sharpen
from clerestory.finish.source import Multipliers, Source
from clerestory.finish.square_up import Swing, square_up
from clerestory.finish.take_out import Other, TakenOut, taken_out
from clerestory.finish.touch import evened, evens, lights, lit, removals
from clerestory.merge.result import Stitched
from clerestory.merge.surface import Surface
from clerestory.run.bands import both
from clerestory.vertical.find import find_vertical
from clerestory.vertical.focal import estimate_focal
from clerestory.vertical.plumb import default_plumb
from clerestory.vertical.result import Vertical

F32 = NDArray[np.float32]

ASPECT_RATIOS: dict[str, float | None] = {"4:3": 4 / 3, "3:2": 3 / 2, "16:9": 16 / 9, "1:1": 1.0, "free": None}
FOCAL_TRUSTED = 1.15  # widest ratio of the 95 % range of an estimated focal length that is still acted on


def quiet(_: str) -> None:
    """A stage callback that says nothing."""


@dataclass(frozen=True)
class Seen:
    """What a first look at a source found: the half-size picture, its colour, its vertical and its light. `half` is
    less the `glare` that was taken out of it, of a joined view as it was joined and since; None where there is no
    telling: of rendered pictures."""

    source: Source
    half: F32
    multipliers: Multipliers
    camera: Camera
    focal_known: bool
    vertical: Vertical
    settings: tone.ToneSettings
    noise: tone.WorkingNoise | None
    swing: Swing | None = None
    mixed: F32 | None = None
    remarks: tuple[str, ...] = ()
    glare: Glare | None = None


@dataclass(frozen=True)
class Picture:
    """One finished picture in memory: display-linear working RGB and how it came about. `brighter`: what a screen
    with more light than white would show, 1 at white, where that was asked for. `taken_out`: what came of marks that
    were to be taken out."""

    rgb: F32
    aspect: str
    crop: Crop
    rectification: Rectification
    brighter: F32 | None = None
    taken_out: tuple[TakenOut, ...] = ()


@dataclass
class Account:
    """What was done to a view, in the units of the surface; written beside the pictures as JSON."""

    view: str
    kind: str = "single"
    pick: str = ""
    frames: list[str] = field(default_factory=list)
    verdict: str = ""
    lean_before: dict[str, float] = field(default_factory=dict)
    lean_bound: float = 0.0
    up: list[float] = field(default_factory=list)
    plumb: float = 0.0
    swing: float = 0.0
    camera: dict[str, Any] = field(default_factory=dict)
    tone: dict[str, float] = field(default_factory=dict)
    veiling_glare: float | None = None
    multipliers: list[float] = field(default_factory=list)
    clipped: dict[str, float] = field(default_factory=dict)
    noise_stops: float | None = None
    noise: dict[str, list[float]] = field(default_factory=dict)
    exposed: dict[str, float] = field(default_factory=dict)
    lens: str = ""
    aspects: dict[str, dict[str, Any]] = field(default_factory=dict)
    merge: dict[str, Any] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    recipe: str = ""

    def as_dict(self) -> dict[str, Any]:
        """Plain data for JSON."""
        return asdict(self)


def _multipliers(source: Source, half: F32, recipe: Recipe) -> tuple[Multipliers, tuple[str, ...]]:
    """White balance: the recipe's, the camera's own, or an estimate on the stone."""
    if source.mosaic is None:
        return (1.0, 1.0, 1.0), ()
    matrix = source.mosaic.colours
    if recipe.colour_temperature is not None and matrix is not None:
        return white.multipliers_for(recipe.colour_temperature, recipe.green_magenta or 0.0, matrix), ()
    if source.mosaic.as_shot is not None:
        return source.mosaic.as_shot, ()
    message = "the file has no usable white balance: it was estimated from the stone"
    return white.estimate(half, xyz_to_camera=matrix, as_shot=source.mosaic.daylight), (message,)


def _camera(source: Source, luma: F32) -> tuple[Camera, bool, tuple[str, ...]]:
    camera = light.camera_of(source)
    if camera is not None:
        return camera, True, ()
    width, height = light.size_of(source)
    found = estimate_focal(luma, light.distortion_of(source))
    to_mm = math.hypot(36, 24) / math.hypot(*luma.shape)
    known = found.high < FOCAL_TRUSTED * found.low
    equivalent = found.focal * to_mm if known else ASSUMED_EQUIVALENT
    how = (
        f"estimated from the building's lines as {equivalent:.1f} mm equivalent "
        f"({found.low * to_mm:.1f} to {found.high * to_mm:.1f})"
        if known
        else f"assumed to be {equivalent:.0f} mm equivalent, so nothing is straightened unless you ask"
    )
    message = f"no focal length in {source.info.path.name}: {how}"
    return Camera.equivalent(width, height, equivalent, light.distortion_of(source)), known, (message,)


def luma_of(half: F32) -> F32:
    """Luminance, float32 H x W, of working RGB, H x W x 3, up to raw saturation.

    What was rebuilt above that is no evidence of where an edge lies.
    """
    out: F32 = cv2.transform(np.minimum(half, np.float32(1)), LUMINANCE.astype(np.float32)[None])
    return out


def look(source: Source, recipe: Recipe, on_stage: Callable[[str], None] = quiet) -> Seen:
    """A first look at half size: white balance, vertical, tone."""
    on_stage("half size")
    half_camera_rgb = light.half_size(source)
    multipliers, message = _multipliers(source, half_camera_rgb, recipe)
    mixed = mixed_light_of(source, half_camera_rgb, multipliers, recipe.mixed_light or 0.0)
    half = light.balanced_half(half_camera_rgb, source, multipliers, mixed)
    noise = light.shown_noise(source, multipliers)
    luma = luma_of(half)
    camera, known, guessed = _camera(source, luma)
    on_stage("verticals and tone")
    grid = camera.scaled(0.5).on_grid(half.shape[1], half.shape[0])
    (vertical, swing), (settings, glare) = both(
        lambda: _upright(source, luma, grid, noise, recipe), lambda: _lit(source, half, noise, recipe)
    )
    said = (*message, *guessed)
    return Seen(source, half, multipliers, camera, known, vertical, settings, noise, swing, mixed, said, glare)


def _upright(
    source: Source, luma: F32, grid: Camera, noise: tone.WorkingNoise | None, recipe: Recipe
) -> tuple[Vertical, Swing | None]:
    """The vertical of a source whose luminance is `luma` (H x W), seen by `grid`, and the swing on offer."""
    if source.stitched is not None:
        return _as_stitched(source.stitched), None
    vertical = _found_vertical(source, luma, grid, noise, recipe)
    return vertical, _swing_offered(source, luma, grid, vertical, recipe)


def _lit(
    source: Source, half: F32, noise: tone.WorkingNoise | None, recipe: Recipe
) -> tuple[tone.ToneSettings, Glare | None]:
    """How light is placed in a half-size picture (`half`, H x W x 3), and its glare, which is taken out of it."""
    glare = glare_of(source, half, recipe.veiling_glare)
    less_glare(half, source, glare)
    return asked(tone.judge(half, noise, light.is_monochrome(source)), recipe), glare


def glare_of(source: Source, half: F32, percent: float | None) -> Glare | None:
    """The veiling glare of a source's half-size picture (`half`, H x W x 3): as the recipe asks, `percent`, or as the
    picture tells, or told as its frames were joined; None where its light is not linear."""
    if source.stitched is not None and (told := source.stitched.glare) is not None:
        return told if percent is None else replace(told, share=percent / 100)
    if source.mosaic is None:
        return None
    if percent is not None:
        return Glare(percent / 100, scattered(half))
    return find_glare(half)


def less_glare(rgb: F32, source: Source, glare: Glare | None) -> F32:
    """A source's light at any size (H x W x 3), changed in place, less a glare; of a joined view what was taken out
    of its frames is gone already, and is put back where it was more."""
    still = _still_there(source, glare)
    beside = _beside(rgb) if still is not None and still.share < 0 else None
    without_glare(rgb, still)
    if beside is not None:
        rgb[beside] = 0
    return rgb


def _still_there(source: Source, glare: Glare | None) -> Glare | None:
    """What of a glare a source's light still has; its share is below 0 where more was taken out of joined frames."""
    if glare is None or source.stitched is None or source.stitched.glare is None:
        return glare
    return replace(glare, share=glare.share - source.stitched.glare.share)


def _beside(rgb: F32) -> NDArray[np.bool_]:
    """Where no frame of a joined view shows anything (mask, H x W): there is no light at all."""
    return np.asarray(cv2.inRange(rgb, (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)) > 0)


def mixed_light_of(source: Source, half: F32, multipliers: Multipliers, share: float) -> F32 | None:
    """Map, h x w x 3, that takes a share (0 to 1) of mixed light's other colour out; None for none.

    `half`: half-size camera RGB, H x W x 3, before white balance.
    """
    if share == 0 or source.mosaic is None:
        return None
    return white.mixed_light(half, multipliers, source.mosaic.colours, amount=share)


def _swing_offered(source: Source, luma: F32, grid: Camera, vertical: Vertical, recipe: Recipe) -> Swing | None:
    """The swing that would square up a near-symmetrical view, where it is worth offering; the eye decides."""
    if vertical.verdict != "sure" or recipe.swing is not None:
        return None
    plumb = default_plumb(vertical) if recipe.plumb is None else recipe.plumb
    swing = square_up(luma, grid, vertical, plumb=plumb)
    return swing if swing is not None and swing.offered else None


def _as_stitched(stitched: Stitched) -> Vertical:
    """A joined view is straight already, as far as its own vertical was believed."""
    bound = stitched.up_bound
    known = bound is not None
    straight = "straightened as it was stitched, accurate to"
    message = f"{straight} ±{bound:.2f}°" if known else "stitched as held: no vertical was found in its frames"
    return Vertical(
        stitched.up_verdict, stitched.up, 0.0, 0.0, ((0.0, 0.0), (0.0, 0.0)), bound or 90.0, (), 0, message
    )


def _found_vertical(
    source: Source, luma: F32, grid: Camera, noise: tone.WorkingNoise | None, recipe: Recipe
) -> Vertical:
    return find_vertical(
        luma,
        grid,
        noise=(noise.slope, math.sqrt(noise.floor)) if noise else None,
        level=source.info.held_level,
        drawn=recipe.lines_kept,
    )


def asked(settings: tone.ToneSettings, recipe: Recipe) -> tone.ToneSettings:
    """The tool's settings with the recipe's put over them. The recipe's exposure is added to the tool's."""
    changes = {
        name: value
        for name in ("window_hold", "shade_lift", "local_contrast", "toning")
        if (value := getattr(recipe, name)) is not None
    }
    out = replace(settings, **changes)
    return replace(out, exposure=out.exposure + (recipe.exposure or 0.0))


def rectification_of(seen: Seen, recipe: Recipe) -> Rectification:
    """How this view is straightened: not at all when its vertical is not sure and nobody asked for it."""
    swing = math.radians(recipe.swing or 0.0)
    if seen.source.stitched is not None:
        return Rectification(plumb=0.0, swing=0.0)
    pitch, roll = seen.vertical.pitch, seen.vertical.roll
    trusted = seen.vertical.verdict == "sure" and seen.focal_known
    if recipe.plumb is not None:
        plumb = recipe.plumb
    elif recipe.lines_kept:
        plumb = 1.0
    else:
        plumb = default_plumb(seen.vertical) if trusted else 0.0
    return Rectification(pitch, roll, plumb, swing)


def crop_of(
    seen: Seen, rectification: Rectification, aspect: Aspect | None, recipe: Recipe, fineness: float = FINENESS
) -> Crop:
    """The rectangle of the asked aspect (None: the frame's own) inside the straightened frame, to so many pixels."""
    camera, stitched = seen.camera, seen.source.stitched
    ratio = ASPECT_RATIOS[aspect or "free"]
    if aspect is None and stitched is None:
        ratio = camera.width / camera.height
    elif ratio is not None and camera.height > camera.width:
        ratio = 1 / ratio
    keep = None
    if recipe.crop is not None:
        x, y = recipe.crop
        keep = ((camera.width - 1) * (1 + x) / 2, (camera.height - 1) * (1 + y) / 2)
    if stitched is not None:
        # What counts is how much of the church it shows: upwards, a straightened picture enlarges everything.
        flat = Surface(stitched.camera, stitched.compression).equal_area
        return crop_inside(stitched.outline, ratio, keep, flat, recipe.crop_size or 1.0, fineness)
    return largest_crop(camera, rectification, ratio, keep, recipe.crop_size or 1.0, fineness)


def size_in_pixels(crop: Crop, long_edge: int | None = None) -> tuple[int, int]:
    """Width and height of a picture of a room at the frame's own fineness, or with a longest edge."""
    scale = min(1.0, long_edge / max(crop.width, crop.height)) if long_edge else 1.0
    return max(16, math.floor(crop.width * scale)), max(16, math.floor(crop.height * scale))


LOW_NOISE = 0.004  # display-linear standard deviation in the shade that the quick noise reduction is enough for


def effort(seen: Seen, quality: Quality) -> Quality:
    """How hard to work on noise: the quick way where the picture as it will be shown has little of it."""
    if quality != "fast" or seen.noise is None:
        return quality
    gain = 2.0 ** (seen.settings.exposure + seen.settings.shade_lift)
    return "quick" if seen.noise.deviation(0.02 / gain) * gain < LOW_NOISE else "fast"


def developed(seen: Seen, recipe: Recipe, quality: Quality = "fast", on_stage: Callable[[str], None] = quiet) -> F32:
    """The whole frame at full size, scene-linear: what no geometry and no tone has touched yet."""
    denoise = 1.0 if recipe.denoise is None else recipe.denoise
    full = light.full_size(seen.source, seen.multipliers, denoise, effort(seen, quality), on_stage, seen.mixed)
    still = _still_there(seen.source, seen.glare)
    if still is None or still.share == 0:
        return full
    own = full.copy() if seen.source.mosaic is None else full  # a joined view's light is its source's
    return less_glare(own, seen.source, seen.glare)


def mended(
    seen: Seen, full: F32, recipe: Recipe, quality: Quality = "fast", half: bool = False
) -> tuple[F32, tuple[TakenOut, ...]]:
    """A developed frame (`full`, H x W x 3), changed in place: marks taken out, walls evened, as the recipe's touches
    ask; and what came of the marks. `half`: it is of half size, and so are the other frames then."""
    told: tuple[TakenOut, ...] = ()
    if mends(recipe) and seen.source.mosaic is None:
        full = full.copy()  # a rendered picture is the source's own
    if removals(recipe.touches):
        _, told = taken_out(full, recipe.touches, _others(seen, quality, half))
    return evened(full, recipe.touches), told


def mends(recipe: Recipe) -> tuple[Touch, ...]:
    """The touches that `mended` would carry out."""
    return (*removals(recipe.touches), *evens(recipe.touches))


def _others(seen: Seen, quality: Quality, half: bool) -> list[Other]:
    """The other frames of a view, to look behind things with; none of a view that was joined."""
    source = seen.source
    if source.stitched is not None:
        return []
    paths = [p for p in source.view_frames if source.frames != (p,)]
    return [Other(p.name, partial(_light_of, p, seen, quality, half)) for p in paths]


def _light_of(path: Path, seen: Seen, quality: Quality, half: bool) -> F32:
    """One frame in the white balance of a view."""
    source = light.read_source(path)
    if half:
        out = light.balanced_half(light.half_size(source), source, seen.multipliers, seen.mixed)
    else:
        out = light.full_size(source, seen.multipliers, 1.0, effort(seen, quality), quiet, seen.mixed)
    share = seen.glare.share if seen.glare is not None else 0.0
    return without_glare(out, Glare(share, scattered(out))) if share > 0 else out


@dataclass(frozen=True)
class Straight:
    """A view straightened and cropped, still scene-linear (`rgb`, H x W x 3): tone comes last."""

    rgb: F32
    aspect: str
    crop: Crop
    rectification: Rectification


def straightened(
    seen: Seen, full: F32, recipe: Recipe, aspect: Aspect | None, long_edge: int | None = None, spent: bool = False
) -> Straight:
    """A room of a developed frame (`full`, H x W x 3), in one resampling. `spent`: `full` is not needed any more."""
    rectification = rectification_of(seen, recipe)
    crop = crop_of(seen, rectification, aspect, recipe)
    rgb = _resampled(seen, full, rectification, crop, size_in_pixels(crop, long_edge), spent)
    return Straight(rgb, aspect or "own", crop, rectification)


def laid(
    seen: Seen, full: F32, recipe: Recipe, aspect: Aspect | None, long_edge: int | None = None, spent: bool = False
) -> tuple[Straight, tone.Layers | None]:
    """A room of a developed and mended frame (`full`, H x W x 3) with places lighter or darker. `spent`: `full` is
    not needed any more; else it is left as it is.

    With them, the layers of the light without: what is darkened by hand must not be taken for a darker window, which
    would be shown lighter again.
    """
    touched = bool(lights(recipe.touches))
    straight = straightened(seen, full, recipe, aspect, long_edge, spent and not touched)
    if not touched:
        return straight, None
    layers = tone.layers_of(straight.rgb)
    own = full if spent and seen.source.mosaic is not None else full.copy()
    return straightened(seen, lit(own, recipe.touches), recipe, aspect, long_edge, spent=True), layers


def shown(seen: Seen, straight: Straight, layers: tone.Layers | None = None, in_place: bool = False) -> Picture:
    """The finished picture of a straightened view, toned and sharpened. `layers`: of its pixels, where known."""
    rgb = tone.apply(straight.rgb, seen.settings, seen.noise, in_place=in_place, layers=layers)
    sharpen(rgb, rgb.shape[1] / straight.crop.width, in_place=True, diffraction=diffraction_of(seen))
    return Picture(rgb, straight.aspect, straight.crop, straight.rectification)


def pictures(
    seen: Seen,
    recipe: Recipe,
    aspects: Sequence[Aspect | None],
    quality: Quality = "fast",
    long_edge: int | None = None,
    on_stage: Callable[[str], None] = quiet,
) -> list[Picture]:
    """The finished pictures of one view, one for each aspect, display-linear."""
    full, told = mended(seen, developed(seen, recipe, quality, on_stage), recipe, quality)
    out = []
    for aspect in aspects:
        on_stage("resample")
        straight, layers = laid(seen, full, recipe, aspect, long_edge, spent=len(aspects) == 1)
        if len(aspects) == 1:
            del full
        on_stage("tone")
        out.append(replace(shown(seen, straight, layers, in_place=True), taken_out=told))
    return out


def diffraction_of(seen: Seen) -> float:
    """Diffraction's blur (standard deviation) in pixels of the frame; 0 where the file does not tell of the lens."""
    info = seen.source.info
    if info.f_number is None or info.focal_mm is None or not seen.focal_known:
        return 0.0
    return diffraction_sigma(info.f_number) * seen.camera.focal / info.focal_mm


def _resampled(
    seen: Seen, full: F32, rectification: Rectification, crop: Crop, size: tuple[int, int], spent: bool
) -> F32:
    height, width = full.shape[:2]
    grid = (width / seen.camera.width, height / seen.camera.height)
    return resample(
        full,
        seen.camera,
        rectification.homography(seen.camera),
        crop,
        size,
        stretch=grid,
        spent=spent and seen.source.mosaic is not None,
    )


def hazy(rgb: F32, seen: Seen) -> F32:
    """A reduced half-size picture, H x W x 3, with the glare that was taken out of it."""
    if seen.glare is None:
        return rgb
    out = rgb + seen.glare.haze(rgb.shape)
    if seen.source.stitched is not None:
        out[_beside(rgb)] = 0
    return out


def before(seen: Seen, long_edge: int = 1600) -> NDArray[np.uint8]:
    """The frame as shot, uint8 sRGB: same brightness, nothing held, lifted or straightened."""
    factor = min(1.0, long_edge / max(seen.half.shape[:2]))
    view = cv2.resize(seen.half, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    plain = np.clip(hazy(view, seen) * np.float32(2.0**seen.settings.exposure), 0, 1)
    return encode(plain, "srgb", 8).astype(np.uint8)
