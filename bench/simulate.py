"""Seconds for one simulated frame, stage by stage, as ratios to LibRaw's AHD postprocess in the same process.

    python bench/simulate.py [--width 5248]

Wall and processor seconds: on a busy machine the second tells more (two idle cores take about half of it).
"""

from __future__ import annotations

import argparse
import math
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import rawpy

from clerestory.camera.pose import Pose
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church, Visitor
from clerestory.simulate.shoot import Shot, SimulatedFrame, shoot, write_frame


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor seconds."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


def ahd(path: Path) -> None:
    with rawpy.imread(str(path)) as raw:
        raw.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--width", type=int, default=5248)
    width = parser.parse_args().width
    body, church = SimulatedCamera(width=width, height=width * 3 // 4), Church(1)
    station = (0.1, 2.5, 1.6)
    people = (Visitor(0.4, 8.0, 0.2, 0.9), Visitor(-0.5, 12.0, 3.0, 0.8))
    shots = {
        "nave": Shot(Pose(pitch=0.15, position=station), seconds=1 / 15, iso=800),
        "nave, visitors": Shot(Pose(pitch=0.1, position=station), seconds=1 / 15, iso=800, visitors=people),
        "vault": Shot(Pose(pitch=math.pi / 2 - 0.01, position=(0, 20, 1.6)), seconds=1 / 15, iso=800),
        "shaken 12 px": Shot(Pose(pitch=0.15, position=station), seconds=1 / 2, iso=100, shake_px=12.0),
    }
    shoot(church, shots["nave"], SimulatedCamera(width=96, height=72))  # compiles
    with tempfile.TemporaryDirectory() as folder:
        path, rows = Path(folder) / "A.dng", []
        kept: list[SimulatedFrame] = []
        for name, shot in shots.items():
            kept.clear()
            seconds = timed(lambda shot=shot: kept.append(shoot(church, shot, body, Lens(), 1)))  # type: ignore[misc]
            rows.append((f"shoot: {name}", seconds))
        rows.append(("write DNG and truth", timed(lambda: write_frame(kept[0], path))))
        reference = min(timed(lambda: ahd(path)) for _ in range(3))
    print(f"{body.width} x {body.height}; AHD postprocess {reference[0]:.2f} s wall, {reference[1]:.2f} s processor")
    print(f"{'':24}{'wall s':>9}{'/ AHD':>8}{'cpu s':>9}")
    for name, (wall, cpu) in rows:
        print(f"{name:24}{wall:9.2f}{wall / reference[0]:8.1f}{cpu:9.2f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.2f} GB")


if __name__ == "__main__":
    main()
