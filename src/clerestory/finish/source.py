"""The linear light of one view, before anything is decided about how it is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.noise import NoiseModel
from clerestory.develop import learned
from clerestory.develop.colour import to_working, working_from_camera, xyz_from_rgb
from clerestory.develop.defects import open_corrected
from clerestory.develop.demosaic import demosaiced, signal_of, small_of, turned
from clerestory.develop.denoise import Quality, denoise_mosaic
from clerestory.develop.forms import balanced_of_form, neutral_highlights
from clerestory.develop.highlights import reconstruct_highlights
from clerestory.finish.tone import WorkingNoise, working_noise
from clerestory.merge.result import Stitched
from clerestory.raw.clipping import clipping_of
from clerestory.raw.frame import open_frame
from clerestory.raw.lens import LensCorrection, lens_correction
from clerestory.raw.own import Noted, noted_in
from clerestory.raw.read import FrameInfo, Mosaic, read_info, read_rendered

F32 = NDArray[np.float32]
Multipliers = tuple[float, float, float]


@dataclass(frozen=True)
class Source:
    """One view's recorded light: a mosaic (from one frame or from a merge of several), or a rendered picture.

    Exactly one of `mosaic` and `rendered` (working RGB, H x W x 3) is set. `stitched` is the stitched view that
    `rendered` came from, in working RGB with it: straight already, with an outline of its own. `record`: what a merge
    did, in plain numbers.
    `noise` is that of the mosaic as it now is, after any merge, `excess` as of `merge.Merged`. `mask`: where a merge
    took what is seen from another frame.
    `remarks` are sentences for the report. `view_frames`: all frames of the view, `frames` those in this light.
    """

    info: FrameInfo
    lens: LensCorrection
    mosaic: Mosaic | None = None
    rendered: F32 | None = None
    noise: NoiseModel | None = None
    frames: tuple[Path, ...] = ()
    remarks: tuple[str, ...] = ()
    stitched: Stitched | None = None
    mask: NDArray[np.uint8] | None = None
    excess: F32 | None = None
    record: dict[str, Any] = field(default_factory=dict)
    view_frames: tuple[Path, ...] = ()


def working_of_srgb(linear: F32) -> F32:
    """Linear sRGB, H x W x 3, in working colour."""
    to_rec2020 = (np.linalg.inv(xyz_from_rgb("rec2020")) @ xyz_from_rgb("srgb")).astype(np.float32)
    return np.asarray(linear @ to_rec2020.T, np.float32)


def read_source(path: Path, info: FrameInfo | None = None) -> Source:
    """One frame as a source: its mosaic and fitted noise, or its rendered picture with a word on what is lost.

    `info`: what sorting read of it, so that its tags are not read again.
    """
    info = read_info(path) if info is None else info
    lens = lens_correction(info)
    if not info.is_raw:
        linear, losses = read_rendered(path)
        return Source(info, lens, rendered=working_of_srgb(linear), frames=(path,), remarks=(*info.remarks, *losses))
    if path.suffix.lower() == ".dng" and (noted := noted_in(path)) is not None:
        return _as_noted(path, info, lens, noted)
    opened = open_corrected(path, info)
    remarks = (*info.remarks, *opened.mosaic.remarks, *said_lost(opened.mosaic))
    return Source(info, lens, mosaic=opened.mosaic, noise=opened.noise, frames=(path,), remarks=remarks)


def _as_noted(path: Path, info: FrameInfo, lens: LensCorrection, noted: Noted) -> Source:
    """A DNG that this program wrote: corrected and merged already, its noise as it was then."""
    mosaic = open_frame(path, info).mosaic
    frames = f"{noted.frames} frames" if noted.frames > 1 else "one frame"
    remarks = (*info.remarks, *mosaic.remarks, *said_lost(mosaic), f"the file holds the light of {frames}, as merged")
    return Source(info, lens, mosaic=mosaic, noise=noted.noise, excess=noted.excess, frames=(path,), remarks=remarks)


def is_monochrome(source: Source) -> bool:
    """Whether a view's light is of a sensor without filters."""
    if source.stitched is not None:
        return source.stitched.monochrome
    return source.mosaic is not None and source.mosaic.form == "mono"


def said_lost(mosaic: Mosaic) -> tuple[str, ...]:
    """What clipping cost, in a sentence; nothing when it cost nothing worth saying."""
    message = clipping_of(mosaic).message
    return (message,) if message else ()


def camera_of(source: Source) -> Camera | None:
    """The camera of the frame as held (after the file's orientation), None without a focal length."""
    if source.stitched is not None:
        return source.stitched.camera
    camera = source.info.intrinsics
    if camera is None:
        return None
    return replace(camera, distortion=source.lens.distortion).oriented(source.info.orientation)


def size_of(source: Source) -> tuple[int, int]:
    """Width and height in square pixels after the file's orientation."""
    if source.rendered is not None:
        height, width = source.rendered.shape[:2]
    else:
        width, height = source.info.square_size
    return (height, width) if source.info.orientation in (6, 8) else (width, height)


def distortion_of(source: Source) -> Distortion | None:
    """The lens's distortion in the axes of the frame as held."""
    lens = source.lens.distortion
    return None if lens is None else lens.oriented(source.info.orientation)


def half_size(source: Source) -> F32:
    """Half-size camera RGB (no white balance, 1.0 at raw saturation), square pixels, as recorded (not turned)."""
    if source.mosaic is None:
        assert source.rendered is not None
        out: F32 = cv2.resize(source.rendered, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        return out
    image = small_of(source.mosaic)
    width, height = source.info.square_size
    if source.info.pixel_aspect != 1.0:
        image = cv2.resize(image, (width // 2, height // 2), interpolation=cv2.INTER_LINEAR)
    return image


def under_mixed_light(values: F32, mixed: F32 | None) -> F32:
    """Camera RGB, H x W x 3, multiplied in place by a small map, h x w x 3, from `white_balance.mixed_light`.

    Both as recorded or both as held; the map is enlarged bilinearly.
    """
    if mixed is None:
        return values
    height, width = values.shape[:2]
    wide = cv2.resize(mixed, (width, mixed.shape[0]), interpolation=cv2.INTER_LINEAR)
    at = np.clip((np.arange(height) + 0.5) * len(mixed) / height - 0.5, 0, len(mixed) - 1)
    above = np.minimum(at.astype(int), len(mixed) - 2)
    share = (at - above).astype(np.float32)
    for row in range(height):
        values[row] *= wide[above[row]] * (1 - share[row]) + wide[above[row] + 1] * share[row]
    return values


def balanced_half(image: F32, source: Source, multipliers: Multipliers, mixed: F32 | None = None) -> F32:
    """Half-size camera RGB, H x W x 3, to half-size working RGB, clipped places rebuilt, turned as held.

    `mixed`: the map against mixed light, h x w x 3, as recorded (not turned).
    """
    if source.mosaic is None:
        return turned(image, source.info.orientation)
    gains = np.asarray(multipliers, np.float32) / np.float32(min(multipliers))
    rebuild = reconstruct_highlights if source.mosaic.form == "bayer" else neutral_highlights
    flat = image.reshape(len(image), -1)  # in long rows: numpy is slow at three values at a time
    balanced = (flat * np.tile(gains, image.shape[1])).reshape(image.shape)
    working = under_mixed_light(under_mixed_light(rebuild(balanced, gains), mixed), source.mosaic.shading)
    colours, fall_off = source.mosaic.colours, source.lens.vignetting
    return turned(to_working(working, colours, fall_off, multipliers), source.info.orientation)


def shown_noise(source: Source, multipliers: Multipliers) -> WorkingNoise | None:
    """The noise of the working picture's luminance."""
    if source.mosaic is None or source.noise is None:
        return None
    span = float(np.mean(source.mosaic.white - source.mosaic.black))
    least = min(multipliers)
    gains = (multipliers[0] / least, multipliers[1] / least, multipliers[2] / least)
    return working_noise(source.noise, span, gains, working_from_camera(source.mosaic.colours, multipliers))


def by_network(source: Source, denoise: float, quality: Quality) -> bool:
    """Whether the network makes this view's light: asked for, and one frame of a mosaic that it knows."""
    return quality == "better" and denoise > 0 and not _why_not(source)


def _why_not(source: Source) -> str:
    if source.mosaic is None:
        return "the frame is no raw"
    if source.noise is None:
        return "its noise could not be fitted"
    if len(source.frames) != 1 or source.excess is not None:
        return "it was taught single frames, and this view is of several"
    if not learned.fits(source.mosaic):
        return "the sensor's colours are laid out otherwise"
    return "" if learned.usable() else "the package onnxruntime is not installed"


def said_of_network(source: Source, quality: Quality) -> tuple[str, ...]:
    """A sentence where the network was asked for and could not serve."""
    reason = _why_not(source) if quality == "better" else ""
    return (f"noise was taken out without the network: {reason}",) if reason else ()


def full_size(
    source: Source,
    multipliers: Multipliers,
    denoise: float,
    quality: Quality,
    on_stage: Callable[[str], None],
    mixed: F32 | None = None,
) -> F32:
    """Working RGB of the whole frame, float32 H x W x 3, turned as held, noise taken out.

    `mixed`: the map against mixed light, as recorded (not turned).
    """
    if source.mosaic is None:
        assert source.rendered is not None
        return turned(source.rendered, source.info.orientation)
    on_stage("denoise")
    mosaic, held = source.mosaic, source.info.orientation
    if mosaic.form != "bayer":
        values = turned(balanced_of_form(mosaic, source.noise, multipliers, denoise, quality, source.excess), held)
    elif by_network(source, denoise, quality):
        values, gains = _by_network(source, multipliers, denoise, on_stage)
        values = turned(reconstruct_highlights(values, gains), held)
    else:
        values, gains = _balanced(source, multipliers, denoise, quality, on_stage, held)
        values = reconstruct_highlights(values, gains)
    on_stage("colour")
    for gain in (mixed, mosaic.shading):
        values = under_mixed_light(values, None if gain is None else turned(gain, held))
    fall_off = source.lens.vignetting
    return to_working(values, mosaic.colours, fall_off and fall_off.oriented(held), multipliers)


def _by_network(
    source: Source, multipliers: Multipliers, denoise: float, on_stage: Callable[[str], None]
) -> tuple[F32, NDArray[np.float64]]:
    """White-balanced camera RGB by the network, H x W x 3, and where its channels saturate; what `on_stage` raises
    between two tiles stops the work."""
    assert source.mosaic is not None and source.noise is not None
    told = max(denoise, 1.0)
    out = learned.light_of(source.mosaic, source.noise, multipliers, told, lambda _: on_stage("denoise"))
    if denoise < 1:
        plain, _ = _balanced(source, multipliers, 0.0, "fast", on_stage)
        cv2.addWeighted(out, denoise, plain, 1 - denoise, 0, dst=out)
    return out, np.asarray(multipliers) / min(multipliers)


def _balanced(
    source: Source,
    multipliers: Multipliers,
    denoise: float,
    quality: Quality,
    on_stage: Callable[[str], None],
    orientation: int = 1,
) -> tuple[F32, NDArray[np.float64]]:
    """White-balanced camera RGB, H x W x 3, noise taken out of the mosaic, turned as `orientation` (EXIF) asks; and
    where its channels saturate."""
    assert source.mosaic is not None
    if source.noise is not None and denoise > 0:
        signal = denoise_mosaic(source.mosaic, source.noise, denoise, quality, source.excess)
    else:
        signal = signal_of(source.mosaic)
    on_stage("demosaic")
    return demosaiced(signal, source.mosaic, multipliers, orientation)
