"""Hands learned from simulated frames: how far t0 and slope are off the simulator's own, and the noise by ISO.

    python bench/learn.py [--frames 300] [--seed 1] [--t0 1.0] [--slope 0.6]

Frames are the middle 864 x 648 pixels of 5248 x 3936, at the full frame's pixel pitch, movement and focal length on
36 x 24 mm, so that they are quick to make and judged as the whole would be. Twelve views, 24 to 150 mm, five
shutter times two stops to either side of t0, moved by the simulator's hands; sorted and learned from as any visit.
Limit: t0 within 0.15 stops from 300 frames.
"""

from __future__ import annotations

import argparse
import math
import sys
import tempfile
import time
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np

from clerestory.camera.optics import equivalent_focal
from clerestory.camera.pose import Pose
from clerestory.camera.steadiness import Hands
from clerestory.learn import Learned, learn
from clerestory.raw.sort import sort_folder
from clerestory.simulate import blur
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from clerestory.simulate.visit import demo_views, metered

WHOLE, CROP = SimulatedCamera(), 6
STEPS = (-2.0, -1.0, 0.0, 1.0, 2.0)
# A view of the demo, and the focal length in mm.
VIEWS = ((0, 12), (1, 30), (2, 75), (3, 12), (4, 14), (5, 14), (6, 15), (2, 50), (3, 17), (4, 25), (6, 25), (5, 20))
LENS = Lens(stabiliser_stops=1.0)


def body() -> SimulatedCamera:
    """The middle of the whole camera's sensor."""
    size = (WHOLE.sensor_mm[0] / CROP, WHOLE.sensor_mm[1] / CROP)
    return replace(WHOLE, width=WHOLE.width // CROP, height=WHOLE.height // CROP, sensor_mm=size)


def moved(pose: Pose, rng: np.random.Generator, focal: float) -> Pose:
    """Where the camera points in the next frame: some pixels off."""
    yaw, pitch, roll = np.radians(rng.normal(0, 0.06 * 12 / focal, 3))
    return replace(pose, yaw=pose.yaw + yaw, pitch=pose.pitch + pitch, roll=pose.roll + roll)


def photograph(folder: Path, count: int, hands: Hands, seed: int) -> None:
    """All the frames."""
    church, camera = Church(seed), body()
    rng = np.random.default_rng(seed)
    limit = blur.sharp_limit(WHOLE.width, WHOLE.height)
    views = [v.shots[0] for v in demo_views(church, WHOLE, seed)]
    for number in range(count):
        view, focal = VIEWS[number * len(VIEWS) // count]
        later = timedelta(hours=number * len(VIEWS) // count, seconds=8 * number)
        equivalent = equivalent_focal(focal, WHOLE.sensor_mm)
        middle = hands.t0(equivalent, LENS.stabiliser_stops)
        start = replace(views[view], focal_mm=float(focal), f_number=5.6, focus_m=None, visitors=())
        base = metered(church, replace(start, seconds=min(middle, 1.0)), WHOLE, -1.0)
        step = STEPS[number % len(STEPS)]
        shot: Shot = replace(
            base,
            pose=moved(base.pose, rng, focal),
            seconds=middle * 2.0**step,
            iso=base.iso * base.seconds / middle / 2.0**step,
            shake_px=blur.shake_extent(rng, hands, middle * 2.0**step, equivalent, LENS.stabiliser_stops, limit),
            time=base.time + later,
        )
        frame = shoot(church, shot, camera, LENS, seed * 100_000 + number)
        frame.meta = replace(frame.meta, equivalent_mm=equivalent)
        write_frame(frame, folder / f"L{number:04d}.dng", folder.parent)


def told(found: Learned, hands: Hands) -> float:
    """Print what was learned against the truth; how far t0 is off, stops."""
    fit = found.fit
    assert fit is not None
    truth = hands.t0_stops + LENS.stabiliser_stops
    off = fit.hands.t0_stops - truth
    print(f"{fit.frames} frames judged, {fit.sharp} sharp, {found.alone} alone")
    print(f"t0: {fit.hands.t0_stops:.3f} stops, truth {truth:.3f}: off {off:+.3f}, standard error {fit.t0_error:.3f}")
    print(f"slope: {fit.hands.slope:.3f}, truth {hands.slope:.3f}")
    gains, reads = [], []
    sure = [n for n in found.noise if n.iso >= 100]
    for noise in sure:
        real = WHOLE.noise_model(noise.iso)
        gains += [math.log(a / b) for a, b in zip(noise.model.gain, real.gain, strict=True)]
        reads += [math.log(a / b) for a, b in zip(noise.model.read, real.read, strict=True)]
    print(f"noise: {len(sure)} settings of ISO from 100 up; median off: gain {100 * np.median(np.abs(gains)):.1f} %, "
          f"read {100 * np.median(np.abs(reads)):.1f} %")  # fmt: skip
    return off


def main() -> None:
    """Print the table; exit status 1 when t0 is off by more than 0.15 stops."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--frames", type=int, default=300)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--t0", type=float, default=1.0)
    asked.add_argument("--slope", type=float, default=0.6)
    given = asked.parse_args()
    hands = Hands(given.t0, given.slope)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "frames"
        folder.mkdir()
        start = time.perf_counter()
        photograph(folder, given.frames, hands, given.seed)
        print(f"photographed in {time.perf_counter() - start:.0f} s", flush=True)
        found = sort_folder(folder)
        print(f"{len(found.views)} views: {', '.join(f'{v.kind} {len(v.frames)}' for v in found.views)}", flush=True)
        off = told(learn([found]), hands)
    sys.exit(abs(off) > 0.15)


if __name__ == "__main__":
    main()
