"""Looking at one 20-megapixel raw: seconds, and as a ratio to LibRaw's AHD of the same file in the same process.

    python bench/frames.py [RAW]

Limits: 0.4 of an AHD (0.4 s where that takes 1.06 s). Also: sharpness and edge blur against known blur and ISO.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

from clerestory.raw.dng import DngMeta, write_dng
from clerestory.raw.inspect import inspect_mosaic
from clerestory.raw.overlap import changed_share, overlap_of, rotation_between
from clerestory.raw.read import read_info, read_mosaic


def light(height: int, width: int, stone: int) -> NDArray[np.float64]:
    """Hard-edged stones of `stone` pixels, over four stops, 1 = saturation."""
    rng = np.random.default_rng(5)
    levels = rng.uniform(-2, 2, (height // stone + 1, width // stone + 1))
    return 0.1 * np.exp2(np.kron(levels, np.ones((stone, stone)))[:height, :width])


def photographed(path: Path, scene: NDArray[np.float64], iso: float) -> Path:
    """The scene as a 12-bit raw: photon and read noise (EMVA 1288), one electron 0.25 units at ISO 200."""
    rng = np.random.default_rng(int(iso))
    gain, read = iso / 800, 1 + iso / 400
    raw = rng.poisson(scene * 4031 / gain) * gain + 64 + rng.normal(0, read, scene.shape)
    meta = DngMeta(
        "Fennimark", "Alder", "17", "Fennimark 13-37 mm", datetime(2031, 6, 1, 10), 1 / 50, 4.0, iso, 12.0, 24.0,
        64, 4095, [[0.8, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]], (0.5, 1.0, 0.6), (17.3, 13.0),
    )  # fmt: skip
    write_dng(path, np.clip(np.rint(raw), 0, 4095).astype(np.uint16), meta)
    return path


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, seconds."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def demosaiced(path: Path) -> None:
    """LibRaw's AHD, as the reference of the machine's speed."""
    with rawpy.imread(str(path)) as handle:
        handle.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD, output_bps=16, no_auto_bright=True)


def speed(path: Path) -> None:
    """The table of seconds and ratios."""
    info, mosaic = read_info(path), read_mosaic(path)
    seen = inspect_mosaic(info, mosaic)
    camera = info.intrinsics
    assert camera is not None
    reference = best_of(3, lambda: demosaiced(path))
    print(f"{mosaic.raw.shape[1]} x {mosaic.raw.shape[0]}; AHD {reference:.2f} s; ratios to it:")
    rows: dict[str, Callable[[], object]] = {
        "read_info": lambda: read_info(path),
        "read_mosaic": lambda: read_mosaic(path),
        "inspect": lambda: inspect_mosaic(info, mosaic),
        "overlap of two looks": lambda: overlap_of(seen.look, seen.look),
        "changes between two": lambda: changed_share(seen.look, seen.look),
        "turn between two": lambda: rotation_between(seen.look, seen.look, camera),
    }
    for name, work in rows.items():
        seconds = best_of(5, work)
        print(f"{name:>22} {seconds:7.3f} s {seconds / reference:6.3f}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory, AHD included {peak:.0f} MB")


def truth(folder: Path) -> None:
    """Sharpness and edge blur against what was put in."""
    print("blur put in, raw px ", *(f"{b:>12}" for b in (0, 1, 2, 4, 8)))
    scene = light(900, 1200, 50)
    for iso in (200, 800, 3200, 6400):
        cells = []
        for blur in (0, 1, 2, 4, 8):
            blurred = cv2.GaussianBlur(scene, (0, 0), blur) if blur else scene
            path = photographed(folder / "t.dng", blurred, iso)
            seen = inspect_mosaic(read_info(path), read_mosaic(path))
            cells.append(f"{seen.sharpness:.2f} / {seen.edge_blur or 0:.2f}")
        print(f"ISO {iso:<6} sharp/edge", *(f"{c:>12}" for c in cells))


def main() -> None:
    """Print both tables."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = Path(sys.argv[1]) if len(sys.argv) > 1 else photographed(folder / "f.dng", light(3936, 5248, 60), 800)
        speed(path)
        truth(folder)


if __name__ == "__main__":
    main()
