"""Seconds and peak memory of one frame, stage by stage, as ratios to LibRaw's AHD.

python bench/finish.py [FRAME.dng] [--width 11648] [--iso 800] [--runs 3]: without a frame, one of 20 megapixels is
simulated, or one as wide as asked, 3/4 as high.
"""

from __future__ import annotations

import argparse
import math
import resource
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import rawpy

from clerestory.camera.pose import Pose
from clerestory.finish import source as light
from clerestory.finish import write
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
from clerestory.raw.dng import write_dng
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from clerestory.visit.about import About


def reference(path: Path) -> tuple[float, float]:
    """Seconds of LibRaw's own AHD postprocess of the file, 16 bits, by the clock and of the processor."""
    with rawpy.imread(str(path)) as raw:
        start, work = time.perf_counter(), time.process_time()
        raw.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD, output_bps=16, use_camera_wb=True)
        return time.perf_counter() - start, time.process_time() - work


def once(path: Path) -> dict[str, tuple[float, float]]:
    """One frame from file to JPEG; seconds by the clock and of the processor, by stage."""
    spent: dict[str, tuple[float, float]] = {}
    name, clock, work = "read, fit noise", time.perf_counter(), time.process_time()

    def stage(following: str) -> None:
        nonlocal name, clock, work
        before = spent.get(name, (0.0, 0.0))
        now, done = time.perf_counter(), time.process_time()
        spent[name] = before[0] + now - clock, before[1] + done - work
        name, clock, work = following, now, done

    source = light.read_source(path)
    seen = look(source, Recipe(), stage)
    (picture,) = pictures(seen, Recipe(), [None], on_stage=stage)
    stage("write JPEG")
    height, width = picture.rgb.shape[:2]
    write.with_metadata(write.encoded(picture.rgb, "jpeg"), path, About(), write.Record(), (width, height))
    stage("end")
    return spent


def simulated(path: Path, width: int | None, iso: float = 800) -> None:
    """One simulated frame of the modelled church, leaning: of 20 megapixels, or enlarged to a width."""
    pose = Pose(math.radians(3), math.radians(10), math.radians(1.5), (0.3, 4.0, 1.6))
    shot = Shot(pose, iso=iso, seconds=800 / 60 / iso)
    if width is None:
        write_frame(shoot(Church(1), shot, seed=3), path)
        return
    times = -(-width // 3000)
    body = SimulatedCamera(width=width // times // 4 * 4, height=width // times // 4 * 3)
    plain = replace(body, filters="linear", full_well=2.55e8, read_electrons=0.0, read_units=0.0)
    light = shoot(Church(1), shot, plain, seed=3)
    noise, rng = body.noise_model(shot.iso), np.random.default_rng(4)
    raw = np.empty((body.height * times, body.width * times), np.uint16)
    for row in range(0, body.height, 64):
        part = light.raw[max(row - 4, 0) : row + 68].astype(np.float32)
        large = cv2.resize(part, None, fx=times, fy=times, interpolation=cv2.INTER_LINEAR)
        begin = (row - max(row - 4, 0)) * times
        large = large[begin : begin + 64 * times]
        signal = large[..., 1].copy()
        signal[::2, ::2], signal[1::2, 1::2] = large[::2, ::2, 0], large[1::2, 1::2, 2]
        signal -= body.black
        spread = np.sqrt(np.maximum(signal, 0) * noise.gain[0] + noise.read[0] ** 2)
        signal += spread * rng.standard_normal(signal.shape, np.float32) + body.black
        raw[row * times : row * times + len(signal)] = np.clip(np.rint(signal), 0, body.white)
    write_dng(path, raw, replace(light.meta, pattern=body.pattern))


def measured(path: Path, runs: int) -> tuple[dict[str, tuple[float, float]], float]:
    """The best of some runs, and the peak of memory in GB."""
    once(path)  # kernels compiled and cached
    made = [once(path) for _ in range(runs)]
    best = min(made, key=lambda run: sum(clock for clock, _ in run.values()))
    return best, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("frame", type=Path, nargs="?")
    parser.add_argument("--width", type=int)
    parser.add_argument("--iso", type=float, default=800)
    parser.add_argument("--runs", type=int, default=3)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = asked.frame or Path(folder) / "frame.dng"
        # Each in a process of its own, so that its memory does not count.
        if asked.frame is None:
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
                apart.submit(simulated, path, asked.width, asked.iso).result()
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
            best, peak = apart.submit(measured, path, asked.runs).result()
        with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as apart:
            times = [apart.submit(reference, path).result() for _ in range(asked.runs)]
        with rawpy.imread(str(path)) as raw:
            pixels = raw.sizes.width * raw.sizes.height
        ahd, ahd_work = (min(pair[k] for pair in times) for k in (0, 1))
    print(f"{'stage':<18}{'seconds':>9}{'x AHD':>8}{'processor seconds':>20}")
    for name, (clock, work) in best.items():
        print(f"{name:<18}{clock:>9.2f}{clock / ahd:>8.2f}{work:>20.2f}")
    total, worked = (sum(pair[k] for pair in best.values()) for k in (0, 1))
    print(f"{'all':<18}{total:>9.2f}{total / ahd:>8.2f}{worked:>20.2f}   (target: at most 2.5 x AHD)")
    share = f"{ahd_work:.2f} s of the processor, of which the whole takes {worked / ahd_work:.2f} times"
    print(
        f"LibRaw AHD postprocess: {ahd:.2f} s by the clock, {share}; peak memory {peak:.2f} GB (target: at most "
        f"{0.8 if pixels < 5e7 else 2.5}); {pixels / 1e6:.0f} megapixels"
    )


if __name__ == "__main__":
    main()
