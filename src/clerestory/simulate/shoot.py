"""One shot: a scene, a body, a lens and hands in; a raw frame and the truth about it out."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.exposure import raw_fraction
from clerestory.camera.optics import equivalent_focal
from clerestory.camera.pose import Pose
from clerestory.camera.steadiness import Hands
from clerestory.files.store import atomic, write_atomic
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.simulate import blur, sensor
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import LUMINANCE, Rendered, Scene, Visitor

LEVEL, SHAKE, PHOTONS = 1, 2, 3  # streams of one seed


@dataclass(frozen=True)
class Shot:
    """How one frame is taken.

    `focus_m`: distance in focus; None: everything in focus. `shake_px`: twice the RMS radius of the shake; None:
    drawn from `hands`. `visitors` walk: `clock` is the time in seconds on which they are placed.
    """

    pose: Pose = field(default=Pose())
    focal_mm: float = 12.0
    f_number: float = 5.6
    seconds: float = 1 / 30
    iso: float = 400.0
    focus_m: float | None = 12.0
    time: datetime = datetime(2027, 4, 20, 15)
    hands: Hands = field(default=Hands())
    shake_px: float | None = None
    visitors: tuple[Visitor, ...] = ()
    clock: float = 0.0
    orientation: int = 1


@dataclass
class SimulatedFrame:
    """A raw frame (uint16 H x W behind the body's filters, or H x W x 3 of a linear one), what its file says, and the
    truth: `truth` as JSON takes it, `rendered` as an ideal sensor would have had it (distorted by the lens, before
    vignetting and blur).
    """

    raw: NDArray[np.uint16]
    meta: DngMeta
    truth: dict[str, Any]
    rendered: Rendered = field(repr=False)


def focus_blur(shot: Shot, pixel_mm: float) -> tuple[float, float]:
    """Distance in focus and the blur disc in pixels of a point at infinity (see `camera.optics.defocus_blur`)."""
    if shot.focus_m is None:
        return 1.0, 0.0
    f = shot.focal_mm / 1000
    return shot.focus_m, f * f / (shot.f_number * (shot.focus_m - f)) * 1000 / pixel_mm


def _generator(seed: int, stream: int) -> np.random.Generator:
    return np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, stream])))


def _meta(shot: Shot, body: SimulatedCamera, lens: Lens, seed: int) -> DngMeta:
    level = None
    if body.level_error is not None:
        error = _generator(seed, LEVEL).normal(0, body.level_error, 2)
        level = (math.degrees(shot.pose.pitch) + error[0], math.degrees(shot.pose.roll) + error[1])
    return DngMeta(
        make=body.maker,
        model=body.model,
        serial=body.serial,
        lens=lens.name,
        time=shot.time,
        seconds=shot.seconds,
        f_number=shot.f_number,
        iso=shot.iso,
        focal_mm=shot.focal_mm,
        equivalent_mm=equivalent_focal(shot.focal_mm, body.sensor_mm),
        black=body.black,
        white=body.white,
        xyz_to_camera=body.xyz_to_camera,
        as_shot_neutral=body.neutral,
        sensor_mm=body.sensor_mm,
        distortion=lens.distortion,
        vignetting=lens.vignetting,
        focus_m=shot.focus_m,
        level=level,
        orientation=shot.orientation,
        pattern=body.pattern,
    )


def _truth(
    shot: Shot, body: SimulatedCamera, lens: Lens, seed: int, path: NDArray[np.float64], extent: float
) -> dict[str, Any]:
    pose, camera = shot.pose, body.intrinsics(shot.focal_mm, lens)
    noise = body.noise_model(shot.iso)
    limit = blur.sharp_limit(body.width, body.height)
    return {
        "seed": seed,
        "time": shot.time.isoformat(),
        "pose": {
            "yaw_deg": math.degrees(pose.yaw),
            "pitch_deg": math.degrees(pose.pitch),
            "roll_deg": math.degrees(pose.roll),
            "position_m": list(pose.position),
        },
        "up": [float(v) for v in pose.up],
        "intrinsics": asdict(camera),
        "vignetting": list(lens.vignetting),
        "veiling_glare": lens.glare,
        "focal_mm": shot.focal_mm,
        "f_number": shot.f_number,
        "seconds": shot.seconds,
        "iso": shot.iso,
        "focus_m": shot.focus_m,
        "shake_px": extent,
        "sharp_limit_px": limit,
        "sharp": extent <= limit,
        "shake_path_px": np.round(path, 3).tolist(),
        "camera": asdict(body),
        "noise": {"gain": list(noise.gain), "read": list(noise.read)},
        "raw_fraction_per_cd_m2": raw_fraction(1.0, shot.f_number, shot.seconds, shot.iso),
    }


def _seen(rendered: Rendered, raw: NDArray[np.uint16], body: SimulatedCamera) -> dict[str, Any]:
    luminance = rendered.radiance[::8, ::8] @ LUMINANCE
    levels = np.percentile(luminance, [1, 10, 50, 90, 99])
    return {
        "luminance_cd_m2": {str(p): float(v) for p, v in zip((1, 10, 50, 90, 99), levels, strict=True)},
        "visitor_share": float(rendered.visitors.mean()),
        "clipped_share": float((raw >= body.white).mean()),
    }


def _recorded(
    seen: Callable[[NDArray[np.float64]], NDArray[np.float32]], body: SimulatedCamera, iso: float, seed: int
) -> NDArray[np.uint16]:
    """Raw values of what the body's filters let through; without filters, of luminance."""
    photons = np.random.SeedSequence([seed, PHOTONS])
    colours = body.rec2020_to_camera
    if body.filters == "bayer":
        return sensor.expose(seen(colours), body, iso, photons)
    if body.filters == "mono":
        return sensor.expose(seen(np.repeat(LUMINANCE[None], 3, axis=0)), body, iso, photons)
    planes = [seen(np.repeat(colours[k : k + 1], 3, axis=0)) for k in range(3)]
    if body.filters == "linear":
        each = [sensor.expose(plane, body, iso, own) for plane, own in zip(planes, photons.spawn(3), strict=True)]
        return np.stack(each, axis=-1)
    signal = planes[1].copy()
    for (row, column), colour in np.ndenumerate(np.array(body.pattern)):
        signal[row::6, column::6] = planes[colour][row::6, column::6]
    return sensor.expose(signal, body, iso, photons)


def shoot(
    scene: Scene,
    shot: Shot,
    body: SimulatedCamera = SimulatedCamera(),
    lens: Lens = Lens(),
    seed: int = 0,
    reflectance: bool = False,
) -> SimulatedFrame:
    """Photograph a scene. The same arguments give the same bytes, on any number of threads.

    Rays leave through the lens's own distortion, so nothing is resampled; blur, camera colour and mosaic come in one
    pass; a neutral of luminance L reaches `camera.exposure.raw_fraction(L, ...)` of saturation in green on the axis.
    """
    camera = body.intrinsics(shot.focal_mm, lens)
    people = {"visitors": shot.visitors, "seconds": shot.clock, "exposure": shot.seconds}
    rendered = scene.render(camera, shot.pose, reflectance=reflectance, **people)  # type: ignore[arg-type]
    rng = _generator(seed, SHAKE)
    extent = shot.shake_px
    if extent is None:
        limit = blur.sharp_limit(body.width, body.height)
        equivalent = equivalent_focal(shot.focal_mm, body.sensor_mm)
        extent = blur.shake_extent(rng, shot.hands, shot.seconds, equivalent, lens.stabiliser_stops, limit)
    path = blur.shake_path(rng, extent)
    level = raw_fraction(1.0, shot.f_number, shot.seconds, shot.iso)

    def seen(matrix: NDArray[np.float64]) -> NDArray[np.float32]:
        """What falls on the pixels through filters of these three colours (rows, RGGB)."""
        signal = blur.through_lens(
            rendered.radiance,
            rendered.depth,
            path,
            shot.f_number,
            body.pixel_mm,
            focus_blur(shot, body.pixel_mm),
            matrix * level,
            lens.vignetting,
            lens.distortion.centre,
        )
        return blur.veiled(signal, lens.glare) if lens.glare > 0 else signal

    raw = _recorded(seen, body, shot.iso, seed)
    truth = _truth(shot, body, lens, seed, path, extent) | _seen(rendered, raw, body)
    return SimulatedFrame(raw, _meta(shot, body, lens, seed), truth, rendered)


def write_frame(frame: SimulatedFrame, path: Path, truth: Path | None = None, arrays: bool = False) -> None:
    """Write `path` (a .dng) and its truth, NAME.truth.json, beside it or in the folder `truth`.

    `arrays` adds NAME.truth.npz: `radiance` float16 H x W x 3, `depth` float16 and `visitors` bool H x W.
    """
    write_dng(path, frame.raw, frame.meta)
    folder = truth or path.parent
    write_atomic(folder / f"{path.stem}.truth.json", json.dumps(frame.truth, indent=1) + "\n")
    if arrays or frame.rendered.reflectance is not None:
        seen = frame.rendered
        fields: dict[str, Any] = {"visitors": seen.visitors, "depth": seen.depth.astype(np.float16)}
        fields["radiance"] = np.minimum(seen.radiance, 60000).astype(np.float16)
        if seen.reflectance is not None:
            fields["reflectance"] = seen.reflectance.astype(np.float16)
        with atomic(folder / f"{path.stem}.truth.npz") as file:
            np.savez(file, **fields)


def bracket(shot: Shot, stops: Sequence[float]) -> list[Shot]:
    """The same shot at other exposure times, a third of a second apart."""
    return [
        replace(shot, seconds=shot.seconds * 2.0**s, time=shot.time + timedelta(seconds=0.33 * i))
        for i, s in enumerate(stops)
    ]
