"""Seconds and peak memory of one 20-megapixel frame, stage by stage, as ratios to LibRaw's AHD in the same process.

python bench/finish.py [FRAME.dng]: without a frame, one is simulated.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections import defaultdict
from pathlib import Path

import rawpy

from clerestory.finish import light, write
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe


def reference(path: Path) -> float:
    """Best of three: LibRaw's own decode and AHD postprocess, 16 bits."""
    times = []
    for _ in range(3):
        start = time.perf_counter()
        with rawpy.imread(str(path)) as raw:
            raw.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD, output_bps=16, use_camera_wb=True)
        times.append(time.perf_counter() - start)
    return min(times)


def once(path: Path) -> dict[str, float]:
    """One frame from file to JPEG; seconds by stage."""
    spent: dict[str, float] = defaultdict(float)
    state = [time.perf_counter(), "read, fit noise"]

    def stage(name: str) -> None:
        now = time.perf_counter()
        spent[str(state[1])] += now - float(state[0])
        state[:] = [now, name]

    source = light.read_source(path)
    seen = look(source, Recipe(), stage)
    (picture,) = pictures(seen, Recipe(), [None], stage=stage)
    stage("write JPEG")
    height, width = picture.rgb.shape[:2]
    write.with_metadata(write.encoded(picture.rgb, "jpeg"), path, write.Caption(), write.Record(), (width, height))
    stage("end")
    return spent


def simulated(folder: Path) -> Path:
    """One simulated 20-megapixel frame."""
    from clerestory.simulate.visit import bench_frame

    return bench_frame(folder)


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(sys.argv[1]) if len(sys.argv) > 1 else simulated(Path(folder))
        once(path)  # kernels compiled and cached
        runs = [once(path) for _ in range(3)]
        best = min(runs, key=lambda run: sum(run.values()))
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024**2
        ahd = reference(path)
    print(f"{'stage':<18}{'seconds':>9}{'x AHD':>8}")
    for name, seconds in best.items():
        print(f"{name:<18}{seconds:>9.2f}{seconds / ahd:>8.2f}")
    total = sum(best.values())
    print(f"{'all':<18}{total:>9.2f}{total / ahd:>8.2f}   (target: at most 4)")
    print(f"LibRaw decode and AHD: {ahd:.2f} s; peak memory {peak:.2f} GB (target: at most 2.0)")


if __name__ == "__main__":
    main()
