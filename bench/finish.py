"""Seconds and peak memory of one 20-megapixel frame, stage by stage, as ratios to LibRaw's AHD in the same process.

python bench/finish.py [FRAME.dng]: without a frame, one is simulated.
"""

from __future__ import annotations

import math
import resource
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import rawpy

from clerestory.camera.pose import Pose
from clerestory.finish import source as light
from clerestory.finish import write
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
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


def simulated(folder: Path) -> Path:
    """One simulated 20-megapixel frame of the modelled church, leaning, at ISO 800."""
    pose = Pose(math.radians(3), math.radians(10), math.radians(1.5), (0.3, 4.0, 1.6))
    shot = Shot(pose, iso=800, seconds=1 / 60)
    path = folder / "frame.dng"
    write_frame(shoot(Church(1), shot, seed=3), path)
    return path


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        if len(sys.argv) > 1:
            path = Path(sys.argv[1])
        else:  # in a process of its own, so that its memory does not count
            path = Path(folder) / "frame.dng"
            with ProcessPoolExecutor(1) as apart:
                apart.submit(simulated, Path(folder)).result()
        once(path)  # kernels compiled and cached
        runs, times = [], []
        for _ in range(3):
            runs.append(once(path))
            times.append(reference(path))
        best = min(runs, key=lambda run: sum(clock for clock, _ in run.values()))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        ahd, ahd_work = (min(pair[k] for pair in times) for k in (0, 1))
    print(f"{'stage':<18}{'seconds':>9}{'x AHD':>8}{'processor seconds':>20}")
    for name, (clock, work) in best.items():
        print(f"{name:<18}{clock:>9.2f}{clock / ahd:>8.2f}{work:>20.2f}")
    total, worked = (sum(pair[k] for pair in best.values()) for k in (0, 1))
    print(f"{'all':<18}{total:>9.2f}{total / ahd:>8.2f}{worked:>20.2f}   (target: at most 4 x AHD)")
    share = f"{ahd_work:.2f} s of the processor, of which the whole takes {worked / ahd_work:.2f} times"
    print(
        f"LibRaw AHD postprocess: {ahd:.2f} s by the clock, {share}; peak memory {peak:.2f} GB (target: at most 2.0)"
    )


if __name__ == "__main__":
    main()
