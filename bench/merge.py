"""Every figure of the merges against a modelled church whose truth is known.

python bench/merge.py [--width 1944] [--seed 1] [--full] [--only align,burst,edge,bracket,clear,join,speed]

Frames are simulated at the pixel pitch of a 20-megapixel sensor 17.3 mm wide (3.3 um), cut to --width where smaller,
so that blur and aliasing are those of real frames. --full takes whole 5248 x 3936 frames for all parts.
"""

from __future__ import annotations

import argparse
import math
import multiprocessing
import resource
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import rawpy

from clerestory.camera.camera import Camera
from clerestory.camera.exposure import raw_fraction
from clerestory.camera.lens import Vignetting
from clerestory.camera.pose import Pose
from clerestory.develop.demosaic import demosaic, signal_of, small
from clerestory.merge import combine
from clerestory.merge.align import Motion, align, guide_of
from clerestory.merge.bracket import Step, merge_bracket
from clerestory.merge.burst import merge_burst
from clerestory.merge.clear import merge_clear
from clerestory.merge.resample import channel_gains, laid, own
from clerestory.raw.group import View
from clerestory.raw.read import Mosaic, read_info
from clerestory.simulate import blur
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church, Rendered, Scene, Visitor
from clerestory.simulate.shoot import Shot, SimulatedFrame, focus_blur, shoot, write_frame

CFA = np.array([[0, 1], [3, 2]], np.int8)
FULL = 5248
LENS = Lens()
SENSOR = (17.3, 13.0)
Row = tuple[str, str, str]


def quiet(_: str) -> None:
    """Says nothing."""


def body_of(width: int) -> SimulatedCamera:
    """A body of the bench's pixel pitch, `width` pixels wide."""
    height = round(width * 3 / 16) * 4
    return SimulatedCamera(width=width, height=height, sensor_mm=(SENSOR[0] * width / FULL, SENSOR[1] * width / FULL))


def mosaic_of(frame: SimulatedFrame, body: SimulatedCamera) -> Mosaic:
    """A simulated frame as a mosaic, without going through a file."""
    r, g, b = body.neutral
    balance = (g / r, 1.0, g / b)
    flat = np.full(4, float(body.black)), np.full(4, float(body.white))
    return Mosaic(frame.raw, CFA, *flat, balance, balance, np.array(body.xyz_to_camera))


def light_of(frame: SimulatedFrame, shot: Shot, body: SimulatedCamera) -> Any:
    """The frame without noise or clipping: raw units above black, float32 H x W."""
    level = raw_fraction(1.0, shot.f_number, shot.seconds, shot.iso)
    return body.range * blur.through_lens(
        frame.rendered.radiance, frame.rendered.depth, np.array(frame.truth["shake_path_px"]), shot.f_number,
        body.pixel_mm, focus_blur(shot, body.pixel_mm), body.rec2020_to_camera * level, LENS.vignetting,
        LENS.distortion.centre,
    )  # fmt: skip


def camera_of(body: SimulatedCamera) -> Camera:
    """The lens as the file tells it."""
    return replace(body.intrinsics(12.0, LENS), vignetting=Vignetting(LENS.vignetting))


@dataclass
class Frames:
    """Simulated frames of one view: shots, frames, the light of the first, and the same without visitors."""

    body: SimulatedCamera
    shots: list[Shot]
    frames: list[SimulatedFrame]
    light: Any
    clean: Any

    @property
    def mosaics(self) -> list[Mosaic]:
        """As mosaics."""
        return [mosaic_of(f, self.body) for f in self.frames]

    def noise(self) -> Any:
        """The camera's true noise model at the first frame's ISO."""
        return self.body.noise_model(self.shots[0].iso)


def taken(scene: Scene, body: SimulatedCamera, shots: Sequence[Shot], seed: int) -> Frames:
    """Take the shots; truth is kept for the first."""
    frames = [shoot(scene, shot, body, LENS, seed=seed * 1000 + k) for k, shot in enumerate(shots)]
    light = light_of(frames[0], shots[0], body)
    clean = light
    if shots[0].visitors:
        empty = replace(shots[0], visitors=())
        clean = light_of(shoot(scene, empty, body, LENS, seed=seed * 1000), empty, body)
    return Frames(body, list(shots), frames, light, clean)


def held(body: SimulatedCamera, rng: np.random.Generator, first: bool, reach: float, moved: float) -> Pose:
    """A hand-held pose: up to `reach` of the frame away, up to `moved` metres aside."""
    j = np.zeros(6) if first else rng.uniform(-1, 1, 6)
    turn = reach * body.width / body.intrinsics(12.0).focal
    x, y, z = j[3:] * moved
    return Pose(j[0] * turn, 0.06 + 0.75 * j[1] * turn, 0.01 + 0.012 * j[2], (0.4 + x, 6.0 + y, 1.6 + z))


PASSING = (
    Visitor(-0.5, 14, heading=math.pi / 2, speed=1.1),
    Visitor(-0.6, 17, heading=-1.4, speed=0.9, coat=(0.3, 0.28, 0.25)),
    Visitor(0.1, 24, heading=0.3, speed=0.6, coat=(0.05, 0.1, 0.3)),
)


def burst_shots(body: SimulatedCamera, seed: int, n: int, iso: float, visitors: tuple[Visitor, ...]) -> list[Shot]:
    """A burst by hand, a quarter of a second between frames."""
    rng = np.random.default_rng(seed)
    base = Shot(focal_mm=12, f_number=5.6, seconds=12 / iso, iso=iso, focus_m=None, shake_px=0.3)
    return [
        replace(base, pose=held(body, rng, k == 0, 0.05, 0.004), visitors=visitors, clock=0.25 * k,
                time=base.time + timedelta(seconds=0.25 * k))
        for k in range(n)
    ]  # fmt: skip


def true_places(view: Frames, k: int, points: Any) -> Any:
    """Where pixels (n, 2) of the first frame lie in frame k, by depth and pose."""
    camera = camera_of(view.body)
    at = points.astype(int)
    depth = view.frames[0].rendered.depth[at[:, 1], at[:, 0]]
    a, b = view.shots[0].pose, view.shots[k].pose
    world = (camera.unproject(points) * depth[:, None]) @ a.rotation + np.array(a.position)
    return camera.project((world - np.array(b.position)) @ b.rotation.T)


def motions(view: Frames) -> list[Motion]:
    """Every frame laid on the first."""
    noise, mosaics = view.noise(), view.mosaics
    guide = guide_of(mosaics[0], noise)
    return [align(guide, guide_of(m, noise), camera_of(view.body)) for m in mosaics[1:]]


def bench_align(body: SimulatedCamera, seed: int) -> list[Row]:
    """Error of alignment on static stone at ISO 400 and 6400."""
    rows = []
    for iso in (400.0, 6400.0):
        view = taken(Church(seed), body, burst_shots(body, seed, 3, iso, ()), seed)
        y, x = np.mgrid[24 : body.height - 24 : 29, 24 : body.width - 24 : 29]
        points = np.stack([x.ravel(), y.ravel()], axis=-1).astype(float)
        errors = []
        for k, motion in enumerate(motions(view), 1):
            truth = true_places(view, k, points)
            inside = ((truth > 8) & (truth < [body.width - 8, body.height - 8])).all(axis=1)
            errors.append(np.linalg.norm(motion.at(points) - truth, axis=1)[inside])
        e = np.concatenate(errors)
        rows.append((f"align, ISO {iso:.0f}: median error", f"{np.median(e):.3f} px", "0.1"))
        rows.append((f"align, ISO {iso:.0f}: 80th percentile", f"{np.percentile(e, 80):.3f} px", ""))
    return rows


def _binned(error: Any, mask: Any, n: int = 4) -> Any:
    """Means of n x n pixels of one colour wholly inside a mask: what is left of noise after looking from afar."""
    out = []
    for r in range(2):
        for c in range(2):
            p, m = error[r::2, c::2], mask[r::2, c::2]
            h, w = (k // n * n for k in p.shape)
            shape = (h // n, n, w // n, n)
            full = m[:h, :w].reshape(shape).all(axis=(1, 3))
            out.append(p[:h, :w].reshape(shape).mean(axis=(1, 3))[full])
    return np.concatenate(out)


def _grown(mask: Any, pixels: int) -> Any:
    return cv2.dilate(mask.astype(np.uint8), np.ones((2 * pixels + 1, 2 * pixels + 1), np.uint8)) > 0


def _gain_db(before: Any, after: Any) -> float:
    return 20 * math.log10(float(np.median(np.abs(before)) / np.median(np.abs(after))))


def bench_burst(body: SimulatedCamera, seed: int) -> list[Row]:
    """Noise and ghosts of a burst of 8 at ISO 1600."""
    view = taken(Church(seed), body, burst_shots(body, seed, 8, 1600.0, PASSING), seed)
    mosaics, noise = view.mosaics, view.noise()
    merged = merge_burst(mosaics[0], [partial(lambda m: m, m) for m in mosaics[1:]], noise, camera_of(body), quiet)
    finer = (merged.mosaic.white[0] - merged.mosaic.black[0]) / body.range
    out = (merged.mosaic.raw.astype(np.float32) - np.float32(merged.mosaic.black[0])) / np.float32(finer)
    single = view.frames[0].raw.astype(np.float32) - body.black
    here = view.frames[0].rendered.visitors
    moved = motions(view)
    passed = np.zeros(here.shape, bool)
    for k, motion in enumerate(moved, 1):
        passed |= _seen_there(view.frames[k].rendered.visitors, motion, here.shape)
    away = _stone(view) & _covered(view, moved) & ~_grown(here, 12)
    still = away & ~_grown(passed, 24)
    before, after = single - view.clean, out - view.clean
    count = _at_pixels(merged.record["frames_behind_a_place"] / merged.excess, here.shape)
    ghost = _ghost(view, out, passed & away, seed)
    _save("burst", single, out)
    return [
        ("burst of 8: gain on textured stone, against truth", f"{_gain_db(before[still], after[still]):.2f} dB", ""),
        ("burst: frames behind such stone, mean", f"{count[still].mean():.2f}", "8"),
        ("burst: noise told / found against truth", f"{_told_noise(merged, view, still, out, finer):.2f}", "1"),
        ("burst: ghost, share of the visitors' contrast", f"{ghost * 100:.2f} %", "1"),
    ]  # fmt: skip


def _at_pixels(blocks: Any, shape: tuple[int, int]) -> Any:
    """A value per 2 x 2 block at every pixel."""
    return np.repeat(np.repeat(blocks, 2, axis=0), 2, axis=1)[: shape[0], : shape[1]]


def _stone(view: Frames) -> Any:
    """Away from glass and its surroundings."""
    return ~_grown(view.clean > 0.7 * view.body.range, 12)


def _covered(view: Frames, moved: Sequence[Motion]) -> Any:
    """Seen by every frame."""
    shape = view.clean.shape
    ones = np.ones(shape, np.uint8)
    out = np.ones(shape, bool)
    for motion in moved:
        out &= _warped(ones, motion, shape) > 0
    return cv2.erode(out.astype(np.uint8), np.ones((25, 25), np.uint8)) > 0


def _warped(image: Any, motion: Motion, shape: tuple[int, int]) -> Any:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32)
    at = [cv2.remap(np.ascontiguousarray(motion.nodes[..., k]), x / 32, y / 32, cv2.INTER_LINEAR) for k in range(2)]
    return cv2.remap(image, at[0], at[1], cv2.INTER_NEAREST, borderMode=cv2.BORDER_CONSTANT)


def _seen_there(visitors: Any, motion: Motion, shape: tuple[int, int]) -> Any:
    return _warped(visitors.astype(np.uint8), motion, shape) > 0


def _told_noise(merged: Any, view: Frames, where: Any, out: Any, finer: float) -> float:
    """Standard deviation by the merged model over that found, greens of middling light."""
    green = np.zeros(where.shape, bool)
    green[0::2, 1::2] = True
    level = float(np.median(view.clean[where & green]))
    near = where & green & (view.clean > 0.8 * level) & (view.clean < 1.25 * level)
    found = 1.4826 * float(np.median(np.abs(out - view.clean)[near]))
    return float(np.sqrt(merged.noise.variance(np.array(level * finer), 1))) / finer / found


def _ghost(view: Frames, out: Any, where: Any, seed: int) -> float:
    """How much of any frame's visitors is left where the first frame saw stone, as a share of their contrast.

    Against the merge of the same frames without visitors; the difference is projected on what each frame's visitors
    changed, so that noise averages out over the figure. The largest share of any frame.
    """
    reads = [mosaic_of(shoot(Church(seed), replace(s, visitors=()), view.body, LENS, seed=seed * 1000 + k), view.body)
             for k, s in enumerate(view.shots[1:], 1)]  # fmt: skip
    merged = merge_burst(view.mosaics[0], [partial(lambda m: m, m) for m in reads], view.noise(),
                         camera_of(view.body), quiet)  # fmt: skip
    finer = (merged.mosaic.white[0] - merged.mosaic.black[0]) / view.body.range
    alone = (merged.mosaic.raw.astype(np.float32) - np.float32(merged.mosaic.black[0])) / np.float32(finer)
    gains = np.tile(channel_gains(merged.mosaic)[CFA], (out.shape[0] // 2, out.shape[1] // 2))
    left = (out - alone) * gains
    guide, shares = guide_of(view.mosaics[0], view.noise()), []
    for k, empty in enumerate(reads, 1):
        motion = align(guide, guide_of(empty, view.noise()), camera_of(view.body))
        figure = laid(view.mosaics[k], motion) - laid(empty, motion)
        there = where & _seen_there(view.frames[k].rendered.visitors, motion, where.shape)
        if there.sum() > 500:
            shares.append(abs(float((left * figure)[there].sum() / (figure**2)[there].sum())))
    return max(shares, default=math.nan)


PICTURES: Path | None = None
DETAIL = False


def _save(name: str, *planes: Any) -> None:
    """Pictures side by side, greens as seen, for looking at."""
    if PICTURES is None:
        return
    shown = [np.clip(np.sqrt(np.clip(p[0::2, 1::2], 0, None) / 600) * 255, 0, 255).astype(np.uint8) for p in planes]
    cv2.imwrite(str(PICTURES / f"{name}.png"), np.hstack(shown))


@dataclass(frozen=True)
class EdgeWall:
    """A grey wall 12 m away with slanted edges, as in ISO 12233: tilted squares, brightness 1 to 4.

    A view of a pure pattern fits itself one square further on: `square`, metres, must be wider than the hand's shake.
    """

    square: float
    tilt: float = math.radians(5.0)

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """Nine samples a pixel."""
        y, x = np.mgrid[: camera.height, : camera.width].astype(float)
        light = np.zeros(x.shape)
        for dy in (-1 / 3, 0, 1 / 3):
            for dx in (-1 / 3, 0, 1 / 3):
                rays = camera.unproject(np.stack([x + dx, y + dy], axis=-1)) @ pose.rotation
                along = 12.0 / rays[..., 1]
                u, v = rays[..., 0] * along + pose.position[0], rays[..., 2] * along + pose.position[2]
                light += 10.0 + 30.0 * self._dark(u, v)
        radiance = np.repeat((light / 9)[..., None], 3, axis=2).astype(np.float32)
        return Rendered(radiance, np.full(x.shape, 12.0, np.float32), np.zeros(x.shape, bool))

    def _dark(self, u: Any, v: Any) -> Any:
        c, s = math.cos(self.tilt), math.sin(self.tilt)
        a, b = (c * u + s * v) / self.square, (c * v - s * u) / self.square
        return ((np.floor(a) + np.floor(b)) % 2 == 0).astype(float)


def _rise(green: Any, wall: EdgeWall, camera: Camera, pose: Pose) -> float:
    """10 to 90 % rise of the upright slanted edges, pixels, by binning in quarters of a pixel (ISO 12233)."""
    h, w = green.shape
    y, x = np.mgrid[:h, :w].astype(float)
    rays = camera.unproject(np.stack([x, y], axis=-1)) @ pose.rotation
    along = 12.0 / rays[..., 1]
    u, v = rays[..., 0] * along + pose.position[0] - 0, rays[..., 2] * along + pose.position[2]
    c, s = math.cos(wall.tilt), math.sin(wall.tilt)
    a, b = (c * u + s * v) / wall.square, (c * v - s * u) / wall.square
    scale = float(np.median(np.hypot(*np.gradient(a))))
    distance = (a - np.round(a)) / scale
    up = np.where((np.round(a) + np.floor(b)) % 2 == 0, 1, -1)
    middle = (np.abs(b - np.floor(b) - 0.5) < 0.3) & (np.abs(distance) < 8)
    margin = np.zeros((h, w), bool)
    margin[h // 4 : -h // 4, w // 4 : -w // 4] = True
    use = middle & margin
    d, g = (distance * up)[use], green[use]
    bins = np.round(d * 4).astype(int) + 32
    profile = np.bincount(bins, g, 65) / np.maximum(np.bincount(bins, minlength=65), 1)
    low, high = profile[2:14].mean(), profile[51:63].mean()
    share = (profile - low) / (high - low)
    at = np.arange(65) / 4
    cross = [at[k] + (t - share[k]) / (share[k + 1] - share[k]) / 4 for t in (0.1, 0.9)
             for k in [int(np.flatnonzero(share > t)[0]) - 1]]  # fmt: skip
    return float(cross[1] - cross[0])


def bench_edge(body: SimulatedCamera, seed: int) -> list[Row]:
    """Edge response of a burst of 8 after LibRaw's AHD, against one frame."""
    wall = EdgeWall(square=1.6 * body.width / FULL)
    view = taken(wall, body, burst_shots(body, seed, 8, 1600.0, ()), seed)
    mosaics = view.mosaics
    reads = [partial(lambda m: m, m) for m in mosaics[1:]]
    merged = merge_burst(mosaics[0], reads, view.noise(), camera_of(body), quiet)
    rises = []
    for mosaic in (mosaics[0], merged.mosaic):
        assert mosaic.as_shot is not None
        green = demosaic(signal_of(mosaic), mosaic, mosaic.as_shot).counts[..., 1].astype(float)
        rises.append(_rise(green, wall, camera_of(body), view.shots[0].pose))
    finer = (merged.mosaic.white[0] - merged.mosaic.black[0]) / body.range
    out = (merged.mosaic.raw.astype(np.float32) - np.float32(merged.mosaic.black[0])) / np.float32(finer)
    single = view.frames[0].raw.astype(np.float32) - body.black
    even = _covered(view, motions(view))
    for r in range(2):
        for c in range(2):
            even[r::2, c::2] &= cv2.erode(_even(view.clean[r::2, c::2], 0.02).astype(np.uint8), np.ones((5, 5))) > 0
    before, after = (single - view.clean), (out - view.clean)
    small_before, small_after = _binned(before, even), _binned(after, even)
    return [
        ("burst of 8, ISO 1600: SNR gain, even stone", f"{_gain_db(before[even], after[even]):.2f} dB", "8.5"),
        ("burst of 8, ISO 1600: the same, 8 x 8 pixel means", f"{_gain_db(small_before, small_after):.2f} dB", "8.5"),
        ("burst of 8: edge rise 10-90 %, one frame", f"{rises[0]:.3f} px", ""),
        ("burst of 8: edge rise, merged / one", f"{rises[1] / rises[0]:.3f}", "1.03"),
    ]  # fmt: skip


@dataclass(frozen=True)
class Wedge:
    """A grey step wedge at infinity: `steps` strips, each half as bright as the one before; a little texture."""

    top: float
    steps: int = 15

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """One sample a pixel; strips lie across the frame from left to right."""
        y, x = np.mgrid[: camera.height, : camera.width].astype(float)
        rays = camera.unproject(np.stack([x, y], axis=-1)) @ pose.rotation
        u, v = rays[..., 0] / rays[..., 1], rays[..., 2] / rays[..., 1]
        reach = 0.9 * camera.width / camera.focal / self.steps
        wave = 0.35 * np.sin(v * 37) + 0.2 * np.sin(v * 61 + 1)
        strip = np.clip(np.floor(u / reach + self.steps / 2 + wave), 0, self.steps - 1)
        grain = 1 + 0.06 * np.sin(u * 900 + 9 * np.sin(v * 40)) * np.sin(v * 700 + 9 * np.sin(u * 31))
        radiance = np.repeat((self.top * 2.0**-strip * grain)[..., None], 3, axis=2).astype(np.float32)
        return Rendered(radiance, np.full(x.shape, 1e4, np.float32), np.zeros(x.shape, bool))


def bench_bracket(body: SimulatedCamera, seed: int) -> list[Row]:
    """Radiance and signal-to-noise of 3 exposures 2 stops apart, against OpenCV's merges of the same frames."""
    rng = np.random.default_rng(seed)
    base = Shot(focal_mm=12, f_number=5.6, seconds=1 / 50, iso=400, focus_m=None, shake_px=0.3)
    exposures = (1.0, 0.25, 4.0)
    hand = [replace(base, pose=held(body, rng, k == 0, 0.01, 0.002), seconds=base.seconds * e, visitors=PASSING,
                    clock=0.4 * k) for k, e in enumerate(exposures)]  # fmt: skip
    view = taken(Church(seed), body, hand, seed)
    out = _bracketed(view, exposures)
    moved = _grown(view.frames[0].rendered.visitors, 12)
    for k, motion in enumerate(motions_of_bracket(view, exposures), 1):
        moved |= _grown(_seen_there(view.frames[k].rendered.visitors, motion, moved.shape), 24)
    worst, span = _radiance(view, out, ~moved, 4.0 * body.range)
    _save("bracket", out, view.frames[0].raw.astype(np.float32) - body.black)
    rows = [("bracket, church: radiance, worst level", f"{worst * 100:.2f} % of {span:.0f}", "2")]
    wedge = Wedge(3.4 / raw_fraction(1.0, base.f_number, base.seconds, base.iso))
    shots = [replace(shot, visitors=()) for shot in hand]
    view = taken(wedge, body, shots, seed)
    out = _bracketed(view, exposures)
    worst, span = _radiance(view, out, np.ones(out.shape, bool), 4.0 * body.range)
    rows += [("bracket, wedge by hand: radiance, worst of the levels", f"{worst * 100:.2f} %", "2"),
             ("bracket, wedge by hand: stops those levels span", f"{span:.0f}", "14")]  # fmt: skip
    return rows + _against_opencv(wedge, body, base, exposures, seed)


def motions_of_bracket(view: Frames, exposures: Sequence[float]) -> list[Motion]:
    """Frames of a bracket laid on its first."""
    noise, mosaics = view.noise(), view.mosaics
    guide = guide_of(mosaics[0], noise)
    pairs = zip(mosaics[1:], exposures[1:], strict=True)
    return [align(guide, guide_of(m, noise, e), camera_of(view.body)) for m, e in pairs]


def _bracketed(view: Frames, exposures: Sequence[float]) -> Any:
    """The merged bracket in raw units of its first frame above black."""
    mosaics, noise = view.mosaics, view.noise()
    steps = [Step(partial(lambda m: m, m), e, noise) for m, e in zip(mosaics[1:], exposures[1:], strict=True)]
    merged = merge_bracket(mosaics[0], steps, noise, camera_of(view.body), quiet)
    darkest = min([1.0, *merged.record["exposures"].values()])
    finer = (merged.mosaic.white[0] - merged.mosaic.black[0]) / (view.body.range / darkest)
    return (merged.mosaic.raw.astype(np.float32) - np.float32(merged.mosaic.black[0])) / np.float32(finer)


def _levels(light: Any, where: Any, top: float) -> list[tuple[int, Any]]:
    """Masks of half-stop-centred levels below the greatest light a bracket holds."""
    out = []
    for stop in range(0, -17, -1):
        high = top * 2.0 ** (stop - 0.2)
        mask = where & (light < high) & (light >= high / 2)
        if mask.sum() >= 400:
            out.append((stop, mask))
    return out


def _even(light: Any, share: float = 0.15) -> Any:
    """Where the light hardly changes over a few pixels of one colour."""
    mean = cv2.blur(light, (5, 5))
    spread = np.sqrt(np.maximum(cv2.blur(light * light, (5, 5)) - mean * mean, 0))
    return spread < share * mean


def _radiance(view: Frames, out: Any, where: Any, top: float) -> tuple[float, float]:
    """The worst mean error of the levels, and how many stops they span."""
    errors, stops = [], []
    for r, c in ((0, 1), (1, 0)):
        light, found, ok = view.clean[r::2, c::2], out[r::2, c::2], where[r::2, c::2]
        for stop, mask in _levels(light, ok & _even(light), top):
            errors.append(abs(float(found[mask].mean() / light[mask].mean()) - 1))
            if DETAIL:
                print(f"radiance {stop}: {errors[-1] * 100:.2f} % of {mask.sum()}")
            stops.append(stop)
    return max(errors), max(stops) - min(stops) + 1


def _encoded(linear: Any) -> Any:
    """Linear 0 to 1 as 8-bit sRGB (IEC 61966-2-1)."""
    v = np.clip(linear, 0, 1)
    srgb = np.where(v <= 0.0031308, v * 12.92, 1.055 * v ** (1 / 2.4) - 0.055)
    return np.round(srgb * 255).astype(np.uint8)


def _response() -> Any:
    """The inverse of that encoding, as OpenCV's merges take a response: 256 x 1 x 3."""
    x = np.arange(256) / 255
    linear = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4)
    return np.repeat(np.maximum(linear, 1e-5)[:, None, None], 3, axis=2).astype(np.float32)


def _incremental(found: Any, light: Any) -> float:
    """Signal to noise at one level as ISO 15739 has it (from memory): light times incremental gain over noise.

    Each merge is so granted its own scale at every level, but earns nothing by mixing in what is clipped: that has no
    noise and no gain either.
    """
    gain, foot = np.polyfit(light, found, 1)
    return float(np.mean(light) * gain / np.std(found - gain * light - foot))


def _against_opencv(
    wedge: Wedge, body: SimulatedCamera, base: Shot, exposures: Sequence[float], seed: int
) -> list[Row]:
    """On frames that need no alignment, with the true response given: error at every level, ours over theirs."""
    pose = held(body, np.random.default_rng(seed), True, 0, 0)
    shots = [replace(base, pose=pose, seconds=base.seconds * e) for e in exposures]
    view = taken(wedge, body, shots, seed + 1)
    ours = _bracketed(view, exposures)
    mosaics = view.mosaics
    span = float(body.range)
    # Their weights are means over the channels: on a grey scene red and blue would tell of a clipped green, which on
    # coloured glass they cannot. So all three channels are the green that is compared.
    pictures = [np.repeat(_encoded(small(signal_of(m), m)[..., 1:2]), 3, axis=2) for m in mosaics]
    times = np.array(exposures, np.float32)
    truth = small(view.clean, mosaics[0])[..., 1]
    where = _even(truth)
    where[:8], where[-8:], where[:, :8], where[:, -8:] = False, False, False, False
    mine = 0.5 * (ours[0::2, 1::2] + ours[1::2, 0::2]) / span
    rows = []
    for name, merge in (("Debevec", cv2.createMergeDebevec()), ("Robertson", cv2.createMergeRobertson())):
        theirs = merge.process(pictures, times, _response())[..., 1]
        theirs = theirs * float(np.median(truth[where]) / np.median(theirs[where]))
        gains = []
        for _, mask in _levels(truth, where & (theirs > 0), 4.0):
            a, b = (_incremental(x[mask], truth[mask]) for x in (mine, theirs))
            gains.append((20 * math.log10(max(a, 1e-9) / max(b, 1e-9)), float(truth[mask].mean())))
        worst = min(g for g, _ in gains)
        if DETAIL:
            print(name, " ".join(f"{math.log2(mean):.1f}:{g:.2f}" for g, mean in gains))
        rows.append((f"bracket: SNR above OpenCV's {name}, least of {len(gains)} levels", f"{worst:.2f} dB", "0"))
    return rows


def clear_shots(body: SimulatedCamera, seed: int, n: int) -> list[Shot]:
    """Frames two seconds apart of a church with people walking, one who stands for half of them."""
    rng = np.random.default_rng(seed)
    crowd = (
        Visitor(-2.5, 13, heading=math.pi / 2, speed=0.55),
        Visitor(1.8, 16, heading=-1.4, speed=0.5, coat=(0.3, 0.28, 0.25)),
        Visitor(0.2, 19, heading=0.2, speed=0.8, coat=(0.05, 0.1, 0.3)),
    )
    base = Shot(focal_mm=12, f_number=5.6, seconds=1 / 40, iso=800, focus_m=None, shake_px=0.3)
    out = []
    for k in range(n):
        stands = (Visitor(-0.9, 16.0, coat=(0.02, 0.2, 0.05)),) if k < n // 2 else ()
        out.append(replace(base, pose=held(body, rng, k == 0, 0.03, 0.004), visitors=crowd + stands, clock=2.0 * k))
    return out


def bench_clear(body: SimulatedCamera, seed: int) -> list[Row]:
    """Six frames with visitors passing."""
    view = taken(Church(seed), body, clear_shots(body, seed, 6), seed)
    mosaics, noise = view.mosaics, view.noise()
    done = merge_clear(mosaics[0], [partial(lambda m: m, m) for m in mosaics[1:]], noise, camera_of(body), quiet)
    finer = (done.mosaic.white[0] - done.mosaic.black[0]) / body.range
    out = (done.mosaic.raw.astype(np.float32) - np.float32(done.mosaic.black[0])) / np.float32(finer)
    single = view.frames[0].raw.astype(np.float32) - body.black
    median, seen = _median(view)
    here = view.frames[0].rendered.visitors
    enough = (seen >= len(mosaics) / 2) & _stone(view)
    rows = _gone(view, out, here & enough)
    anyone = (seen < len(mosaics)) & enough
    plain = _plain_median(view)
    perfect = np.sqrt(noise.variance(view.clean, 1) / np.maximum(seen, 1) / np.maximum(view.clean, 5))
    limit = np.sqrt(np.mean(perfect[anyone] ** 2)) / _rms(view, median, anyone)
    for message, measure, least in (
        ("", _rms, f"({limit:.2f} perfect)"),
        (", 8 x 8 pixel means", _rms_of_means, "0.5"),
    ):
        for by, middle in (("us", median), ("general tools", plain)):
            share = measure(view, out, anyone) / measure(view, middle, anyone)
            target = least if by == "us" else "0.5"
            rows.append((f"clear: residual over a median's, aligned by {by}{message}", f"{share:.2f}", target))
    still = ~_grown(seen < len(mosaics), 24) & _stone(view)
    rows.append(("clear: residual over one frame's noise, elsewhere",
                 f"{_rms(view, out, still) / _rms(view, single, still):.2f}", "1"))  # fmt: skip
    rows.append(("clear: pixels replaced / in doubt",
                 f"{done.record['replaced_pixels']} / {done.record['in_doubt_pixels']}", ""))  # fmt: skip
    _save("clear", single, out, median)
    return rows


def _rms(view: Frames, found: Any, where: Any) -> float:
    """Error over the square root of the light: even for photon noise."""
    return float(np.sqrt(np.mean((found - view.clean)[where] ** 2 / np.maximum(view.clean[where], 5))))


def _rms_of_means(view: Frames, found: Any, where: Any) -> float:
    """The same of means over 8 x 8 pixels, in which noise is averaged out: what is left of visitors and of shifts."""
    weighed = (found - view.clean) / np.sqrt(np.maximum(view.clean, 5))
    return float(np.sqrt(np.mean(_binned(weighed, where) ** 2)))


def _plain_median(view: Frames) -> Any:
    """The per-pixel median as general tools make it, raw units of the first: OpenCV's edge-aware demosaicing, the
    homography that maximises the enhanced correlation (Evangelidis and Psarakis 2008), cubic interpolation."""
    body, layers, small_first = view.body, [], None
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 200, 1e-6)
    for frame in view.frames:
        colour = cv2.cvtColor(
            np.clip(frame.raw - body.black + 512, 0, 65535).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB_EA
        )
        factor = 1296 / colour.shape[1]
        shown = np.sqrt(np.maximum(colour[..., 1].astype(np.float32) - 512, 0))
        little = cv2.resize(shown, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
        if small_first is None:
            small_first = little
            layers.append(colour)
            continue
        warp = np.eye(3, dtype=np.float32)
        _, warp = cv2.findTransformECC(small_first, little, warp, cv2.MOTION_HOMOGRAPHY, criteria, None, 5)
        grow = np.array([[factor, 0, (factor - 1) / 2], [0, factor, (factor - 1) / 2], [0, 0, 1]])
        whole = np.linalg.inv(grow) @ warp @ grow
        size = colour.shape[1::-1]
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        layers.append(cv2.warpPerspective(colour, whole, size, flags=flags, borderMode=cv2.BORDER_REPLICATE))
    middle = np.median(np.stack(layers), axis=0)
    out = np.empty(view.clean.shape, np.float32)
    for row in range(2):
        for column in range(2):
            c = int(CFA[row, column])
            out[row::2, column::2] = middle[row::2, column::2, 1 if c == 3 else c]
    return out - 512


def _median(view: Frames) -> tuple[Any, Any]:
    """The per-pixel median of frames aligned and laid as we do, raw units of the first; how many saw stone there."""
    mosaics = view.mosaics
    layers, seen = [own(mosaics[0])], (~view.frames[0].rendered.visitors).astype(int)
    for k, motion in enumerate(motions(view), 1):
        values = laid(mosaics[k], motion, view.noise())
        layers.append(np.where(values < -1e6, layers[0], values))
        shown = _warped(np.ones(seen.shape, np.uint8), motion, seen.shape) > 0
        seen += shown & ~_seen_there(view.frames[k].rendered.visitors, motion, seen.shape)
    gains = np.tile(channel_gains(mosaics[0])[CFA], (seen.shape[0] // 2, seen.shape[1] // 2))
    return np.median(np.stack(layers), axis=0) / gains, seen


def _gone(view: Frames, out: Any, need: Any) -> list[Row]:
    """Share of visitor pixels gone: less than a quarter of what the visitor changed is left, over 6 x 6 pixels."""

    def smooth(error: Any) -> Any:
        planes = [cv2.blur(error[r::2, c::2], (3, 3)) for r in range(2) for c in range(2)]
        return np.abs(np.stack(planes)).mean(axis=0)

    changed, left = smooth(view.light - view.clean), smooth(out - view.clean)
    level = cv2.blur(view.clean[0::2, 1::2], (3, 3))
    counts = need[::2, ::2] & (changed > 0.2 * level)
    share = float((left < 0.25 * changed)[counts].mean()) if counts.any() else math.nan
    return [("clear: visitors' pixels gone where half the frames saw stone", f"{share * 100:.2f} %", "99")]


def bench_join(width: int, seed: int, folder: Path) -> list[Row]:
    """Four frames at 24 mm equivalent, 16 degrees apart, to about 120 degrees. The whole sensor at `width` pixels."""
    body = SimulatedCamera(width=width, height=round(width * 3 / 16) * 4)
    rng = np.random.default_rng(seed)
    poses, paths = [], []
    for k in range(4):
        a, b, c = rng.normal(0, 1, 3)
        pose = Pose(math.radians(-24 + 16 * k + 0.5 * a), math.radians(6 + b), math.radians(0.8 * c), (0.3, 9.0, 1.6))
        shot = Shot(pose=pose, seconds=1 / 30, iso=400, focus_m=None, shake_px=0.3)
        shot = replace(shot, time=shot.time + timedelta(seconds=3 * k))
        paths.append(folder / f"wide{k}.dng")
        write_frame(shoot(Church(seed + 2), shot, body, LENS, seed=k), paths[-1])
        poses.append(pose)
    start = time.perf_counter()
    view = View("w", "panorama", tuple(paths), paths[2], "")
    merged = combine(view, [read_info(p) for p in paths])
    spent = time.perf_counter() - start
    turns = [np.array(r) for r in merged.record["rotations"]]
    leans = [float((r @ [0, -1, 0]) @ p.up) for r, p in zip(turns, poses, strict=True)]
    lean = math.degrees(math.acos(min(1.0, min(leans))))
    if PICTURES is not None and merged.stitched is not None:
        shown = np.clip(merged.stitched.rgb[..., ::-1] * 4, 0, 1) ** (1 / 2.2) * 255
        cv2.imwrite(str(PICTURES / "join.png"), shown.astype(np.uint8))
    return [
        ("join: degrees across", f"{merged.record['degrees_across']:.0f}", "120"),
        ("join: misregistration of neighbours, most", f"{_misplaced(body, turns, poses):.2f} px", "1"),
        ("join: lean", f"{lean:.3f} deg", "0.1"),
        ("join: seconds", f"{spent:.1f}", ""),
    ]


def _misplaced(body: SimulatedCamera, turns: Sequence[Any], poses: Sequence[Pose]) -> float:
    """How far, pixels, a neighbour puts what a frame sees from where it truly is, anywhere in the overlap."""
    camera = camera_of(body)
    y, x = np.mgrid[8 : body.height - 8 : 60j, 8 : body.width - 8 : 80j]
    points = np.stack([x.ravel(), y.ravel()], axis=-1)
    rays = camera.unproject(points)
    worst = 0.0
    for k in range(len(turns) - 1):
        truth = camera.project(rays @ (poses[k + 1].rotation @ poses[k].rotation.T).T)
        found = camera.project(rays @ (turns[k + 1] @ turns[k].T).T)
        inside = ((truth > 0) & (truth < [body.width - 1, body.height - 1])).all(axis=1)
        worst = max(worst, float(np.linalg.norm(found - truth, axis=1)[inside].max()))
    return worst


def bench_speed(seed: int, folder: Path) -> list[Row]:
    """Files to merged mosaic: a burst of 8 x 20 megapixels, against LibRaw's AHD in one process, and clearing."""
    from hands import bench_clearing

    body = SimulatedCamera()
    paths = []
    for k, shot in enumerate(burst_shots(body, seed, 8, 1600.0, ())):
        paths.append(folder / f"speed{k}.dng")
        if not paths[-1].exists():
            write_frame(shoot(Church(seed), shot, body, LENS, seed=k), paths[-1])
    # In a process of its own: rendering the frames takes more memory than merging them.
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        spent, reference, before, peak = pool.apply(_timed, (paths,))
    return [
        ("speed: burst of 8 x 20 MP over one AHD", f"{spent / reference:.1f}", "10"),
        ("speed: seconds, and those of one AHD", f"{spent:.1f}, {reference:.2f}", ""),
        ("memory: peak of the process", f"{peak:.2f} GB (before: {before:.2f})", "4"),
        *bench_clearing(),
    ]


def _timed(paths: list[Path]) -> tuple[float, float, float, float]:
    """Seconds of the merge and of AHD, the best of two rounds; memory in GB before and at most."""
    infos = [read_info(p) for p in paths]
    view = View("s", "burst", tuple(paths), paths[0], "")
    combine(replace(view, frames=tuple(paths[:2])), infos[:2])  # kernels compiled and cached
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
    spent, reference = [], []
    for _ in range(2):
        reference.append(_ahd(paths[0]))
        start = time.perf_counter()
        combine(view, infos)
        spent.append(time.perf_counter() - start)
        reference.append(_ahd(paths[0]))
    return min(spent), min(reference), before, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2


def _ahd(path: Path) -> float:
    start = time.perf_counter()
    with rawpy.imread(str(path)) as raw:
        raw.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD, output_bps=16, use_camera_wb=True)
    return time.perf_counter() - start


def main() -> None:
    """Print the table."""
    global PICTURES, DETAIL
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--width", type=int, default=1944)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--full", action="store_true")
    parser.add_argument("--only", default="align,burst,edge,bracket,clear,join")
    parser.add_argument("--pictures", type=Path, help="a folder to write pictures to, for looking at")
    parser.add_argument("--detail", action="store_true", help="say each level of the comparison with OpenCV")
    parser.add_argument("--hands", action="store_true", help="only clearing, on halls taken by swaying hands")
    message = parser.parse_args()
    if message.hands:
        from hands import bench_hands

        for what, found, target in bench_hands(folder=message.pictures):
            print(f"{what:<76}{found:>28}{target:>16}", flush=True)
        return
    PICTURES, DETAIL = message.pictures, message.detail
    width = FULL if message.full else message.width
    body = body_of(width)
    wanted = message.only.split(",") + (["speed"] if message.full else [])
    print(f"{width} x {body.height} pixels, seed {message.seed}\n{'what':<76}{'found':>16}{'target':>16}", flush=True)
    with tempfile.TemporaryDirectory() as folder:
        parts: dict[str, Callable[[], list[Row]]] = {
            "align": partial(bench_align, body, message.seed),
            "burst": partial(bench_burst, body, message.seed),
            "edge": partial(bench_edge, body, message.seed),
            "bracket": partial(bench_bracket, body, message.seed),
            "clear": partial(bench_clear, body, message.seed),
            "join": partial(bench_join, width, message.seed, Path(folder)),
            "speed": partial(bench_speed, message.seed, Path(folder)),
        }
        for name in dict.fromkeys(wanted):
            for what, found, target in parts[name]():
                print(f"{what:<76}{found:>16}{target:>16}", flush=True)


if __name__ == "__main__":
    main()
