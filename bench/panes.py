"""Clipped panes: what is rebuilt of glass that the sensor lost, against the same light where nothing clips.

Frames of the modelled church and of open panoramas are exposed through the simulator's sensor as brightly as wanted,
so that the truth about every clipped pixel is known. Read by light.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.exposure import raw_fraction
from clerestory.camera.pose import Pose
from clerestory.develop.colour import XYZ_FROM_WORKING, balanced_values, encode, to_space, to_working
from clerestory.develop.demosaic import demosaic
from clerestory.develop.denoise import denoise_mosaic
from clerestory.finish import tone
from clerestory.raw.read import Mosaic
from clerestory.simulate import blur, sensor
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.panorama import load_panorama, panorama_view
from clerestory.simulate.scene import LUMINANCE
from clerestory.simulate.shoot import focus_blur
from clerestory.simulate.visit import demo_of, demo_views

F32 = NDArray[np.float32]
OUT = Path(__file__).parent / "out"
BODY = SimulatedCamera(width=2624, height=1968)
D65 = np.array([0.3127 / 0.3290, 1.0, 0.3583 / 0.3290])
COLOURED = 10.0  # CIELAB chroma of the truth from which its hue counts
PANORAMAS = {"thatch_chapel_1k.hdr": 0, "old_hall_1k.exr": 140}  # yaw in degrees


@dataclass(frozen=True)
class Case:
    """`light`: noise-free mosaic, share of saturation, unclipped, at the exposure of the frame."""

    name: str
    light: F32


def church_light(name: str) -> F32:
    """Noise-free mosaic of a view of the demo visit at its own exposure, kept on disk."""
    kept = OUT / f"panes_{name}.npy"
    if not kept.exists():
        OUT.mkdir(exist_ok=True)
        church, body, lens = demo_of((BODY.width, BODY.height))
        shot = next(v for v in demo_views(church, body) if v.name == name).shots[0]
        seen = church.render(body.intrinsics(shot.focal_mm, lens), shot.pose)
        level = raw_fraction(1.0, shot.f_number, shot.seconds, shot.iso)
        path = blur.shake_path(np.random.default_rng(1), 0.6)
        matrix, focus = body.rec2020_to_camera * level, focus_blur(shot, body.pixel_mm)
        where = (lens.vignetting, lens.distortion.centre)
        light = blur.through_lens(
            seen.radiance, seen.depth, path, shot.f_number, body.pixel_mm, focus, matrix, *where
        )
        np.save(kept, light.astype(np.float32))
    return np.load(kept)


def mosaic_of(raw: NDArray[np.uint16]) -> Mosaic:
    """A frame of the body's raw numbers."""
    r, _, b = BODY.neutral
    balance = (1 / r, 1.0, 1 / b)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    black, full = np.full(4, float(BODY.black)), np.full(4, float(BODY.white))
    return Mosaic(raw, cfa, black, full, balance, balance, np.array(BODY.xyz_to_camera))


def developed(signal: NDArray[np.floating], mosaic: Mosaic) -> tuple[F32, NDArray[np.float64]]:
    """Balanced camera RGB of a mosaic above black, and where its channels saturate."""
    assert mosaic.as_shot is not None
    balanced = demosaic(signal, mosaic, mosaic.as_shot)
    return balanced_values(balanced), balanced.multipliers


@dataclass(frozen=True)
class Frame:
    """Balanced camera RGB as the sensor clipped it, the same without clipping or noise, and the saturation."""

    seen: F32
    truth: F32
    ceiling: NDArray[np.float64]


def frame_of(light: F32) -> Frame:
    mosaic = mosaic_of(sensor.expose(light, BODY, 200.0, np.random.SeedSequence([5, 3])))
    seen, ceiling = developed(denoise_mosaic(mosaic, BODY.noise_model(200.0), 1.0, "quick"), mosaic)
    down = np.float32(0.9 / max(float(light.max()), 1.0))
    truth, _ = developed(light * down * np.float32(BODY.range), mosaic)
    return Frame(seen, truth / down, ceiling)


def lab_of(rgb: F32) -> F32:
    """CIELAB of balanced camera RGB, white at twice green's saturation; not cut off above it."""
    working = to_working(np.ascontiguousarray(rgb) * np.float32(0.5), np.array(BODY.xyz_to_camera))
    xyz = np.maximum(working @ XYZ_FROM_WORKING.astype(np.float32).T / D65.astype(np.float32), 0)
    f = np.where(xyz > 0.008856, np.cbrt(xyz), 7.787 * xyz + np.float32(16 / 116))
    return np.dstack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])])


def _hue(lab: F32) -> F32:
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1])).astype(np.float32)


def _apart(a: F32, b: F32) -> F32:
    return np.abs((a - b + 180) % 360 - 180)


def _chroma(lab: F32) -> F32:
    return np.hypot(lab[..., 1], lab[..., 2])


def judged(frame: Frame, rebuilt: F32, farthest: float = 1.5) -> dict[str, float]:
    """What became of clipped panes: medians of hue error (degrees) and of chroma over the truth's; and the rest."""
    share = frame.truth / frame.ceiling
    lost = (share > 1.0).sum(axis=2)
    within = share.max(axis=2) < 2**farthest
    truth, now = lab_of(frame.truth), lab_of(rebuilt)
    hues, chroma = (_hue(truth), _hue(now)), (_chroma(truth), _chroma(now))
    coloured = chroma[0] > COLOURED
    out: dict[str, float] = {}
    for count, name in ((1, "one"), (2, "two")):
        these = within & coloured & (lost == count)
        out[f"{name}_pixels"] = float(these.sum())
        out[f"{name}_hue"] = float(np.median(_apart(hues[1], hues[0])[these])) if these.any() else math.nan
        out[f"{name}_chroma"] = (
            float(np.median((chroma[1] / np.maximum(chroma[0], COLOURED))[these])) if these.any() else math.nan
        )
    pane = within & coloured & (lost > 0) & (lost < 3)
    out["hue"] = float(np.median(_apart(hues[1], hues[0])[pane])) if pane.any() else math.nan
    off: list[list[float]] = [[], []]
    for axis in (0, 1):
        ahead = [np.roll(v, -1, axis) for v in hues]
        same = _apart(ahead[0], hues[0])
        # What is rebuilt as white has no hue that could differ.
        shown = pane & (chroma[1] > COLOURED / 2)
        pairs = shown & np.roll(shown, -1, axis) & (lost == np.roll(lost, -1, axis)) & (same < 20)
        for side in (0, 1):
            off[side].append(float(_apart(ahead[side], hues[side])[pairs].mean()) if pairs.any() else math.nan)
    out["neighbours"] = sum(off[1]) / sum(off[0])
    whole = cv2.erode((share.min(axis=2) > 1.02).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    out["whole_chroma"] = float(np.mean(np.maximum(chroma[1] - chroma[0], 0)[whole])) if whole.any() else 0.0
    return out


def magenta(rebuilt: F32, truth: F32) -> float:
    """Share of the finished picture's bright pixels (L* > 80) that are magenta (a* > 6, b* < 2), the truth's not."""
    matrix = np.array(BODY.xyz_to_camera)
    working = to_working(rebuilt.copy(), matrix)
    look = tone.judge(np.ascontiguousarray(working[::2, ::2]))
    shown = encode(tone.apply(working, look), "srgb", 8).astype(np.float32) / 255
    lab = cv2.cvtColor(shown, cv2.COLOR_RGB2Lab)
    own = lab_of(truth)
    bright = lab[..., 0] > 80
    wrong = bright & (lab[..., 1] > 6) & (lab[..., 2] < 2) & ~((own[..., 1] > 6) & (own[..., 2] < 2))
    return float(wrong.sum() / max(bright.sum(), 1))


def panorama_light(path: Path, yaw: float) -> F32:
    """Noise-free mosaic of a view of a panorama, the wall as a meter has it, its windows 1 to 3 stops too bright."""
    width, height = 1200, 900
    camera = Camera(width, height, width * 24 / 36, (width - 1) / 2, (height - 1) / 2)
    seen = panorama_view(load_panorama(path), camera, Pose(math.radians(yaw), math.radians(10), 0.0))
    working = np.maximum(seen @ np.linalg.inv(to_space("srgb")).astype(np.float32).T, 0)
    working *= 0.18 / max(float(np.median(working @ LUMINANCE)), 1e-9)
    rgb = np.minimum(working @ BODY.rec2020_to_camera.T, 12).astype(np.float32)
    light = np.empty((height, width), np.float32)
    for row in range(2):
        for column in range(2):
            light[row::2, column::2] = rgb[row::2, column::2, row + column]
    return np.maximum(light, 0)


def cases(data: Path) -> Iterator[Case]:
    """Two views of the modelled church, the second at three exposures, and one view each of two panoramas."""
    yield Case("church, nave", church_light("nave"))
    for stops in (0.0, 1.0, 1.6):
        yield Case(f"church, rose {stops:+.1f}", church_light("rose") * np.float32(2**stops))
    for name, yaw in PANORAMAS.items():
        if (data / "panoramas" / name).exists():
            yield Case(name.split("_1k")[0], panorama_light(data / "panoramas" / name, yaw))
