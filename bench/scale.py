"""The catalogue at archive size: seconds to open, to query and to write, from 1,000 to 100,000 frames.

    python bench/scale.py [--most 100000]

Limits: open under 1 s, each query under 50 ms, cost per frame flat (largest over smallest below 2).
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from clerestory.visit.catalogue import Catalogue, FrameRow, ViewRow

START = datetime(2031, 4, 1, 9)


def rows(count: int) -> tuple[list[FrameRow], list[ViewRow]]:
    """Invented frames of many days, four to a view."""
    rng = np.random.default_rng(3)
    sharp = rng.uniform(0.3, 1.8, count)
    frames = [
        FrameRow(
            f"{(START + timedelta(seconds=40 * i)):%Y%m%d-%H%M%S}_P{i:06d}.dng", f"{i:064x}", 20_000_000, i,
            time=(START + timedelta(seconds=40 * i)).isoformat(), make="Fennimark", model="Fennimark Alder",
            lens=("Fennimark 13-37 mm", "Fennimark 41-133 mm", "Fennimark 9 mm")[i % 11 % 3], focal_mm=12.0,
            f_number=4.0, seconds=0.02, iso=800.0, width=5248, height=3936, sharpness=float(sharp[i]),
            brightness=-3.0, clipped=0.01, view=f"view-{i // 4:06d}",
        )
        for i in range(count)
    ]  # fmt: skip
    parts = ("nave", "quire", "north transept", "rose window", "vault", "misericord")
    views = [
        ViewRow(
            f"view-{v:06d}", "burst", frames[v * 4].name, "sharpest", title=f"The {parts[v % 6]}", place="Wendmoor"
        )
        for v in range(count // 4)
    ]
    return frames, views


def best_of(times: int, work: Callable[[], object]) -> float:
    """Shortest of several runs, seconds."""
    found = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        found.append(time.perf_counter() - start)
    return min(found)


def measure(count: int, folder: Path) -> dict[str, float]:
    """All figures at one size, seconds."""
    path = folder / f"{count}.sqlite"
    frames, views = rows(count)
    with Catalogue(path) as catalogue:
        write = best_of(1, lambda: catalogue.replace_all(frames, views))
    out = {"rebuild per frame, us": write / count * 1e6}

    def opened() -> None:
        with Catalogue(path) as catalogue:
            catalogue.count()

    out["open, ms"] = best_of(3, opened) * 1e3
    middle = START + timedelta(seconds=40 * (count // 2))
    with Catalogue(path) as catalogue:
        out["put one frame, ms"] = best_of(5, lambda: catalogue.put_frames([frames[count // 2]])) * 1e3
        for name, query in {
            "view, ms": lambda: catalogue.find(view=f"view-{count // 8:06d}"),
            "lens, ms": lambda: catalogue.find(lens="Fennimark 9 mm"),
            "sharpness, ms": lambda: catalogue.find(sharper_than=1.2),
            "date, ms": lambda: catalogue.find(after=middle, before=middle + timedelta(days=1)),
            "lens, date, sharp, ms": lambda: catalogue.find(lens="Fennimark 9 mm", after=middle, sharper_than=1.0),
            "words, ms": lambda: catalogue.find(words="misericord"),
            "two words, ms": lambda: catalogue.find(words="rose fennimark"),
        }.items():
            out[name] = best_of(3, query) * 1e3
    return out


def main() -> None:
    """Print the table."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--most", type=int, default=100_000)
    sizes = [n for n in (1_000, 10_000, 100_000, 1_000_000) if n <= asked.parse_args().most]
    with tempfile.TemporaryDirectory() as folder:
        found = [measure(n, Path(folder)) for n in sizes]
    print(f"{'frames':>24}" + "".join(f"{n:>12,}" for n in sizes))
    for name in found[0]:
        print(f"{name:>24}" + "".join(f"{f[name]:12.2f}" for f in found))
    cost = [f["rebuild per frame, us"] for f in found]
    print(f"cost per frame, largest over smallest: {max(cost) / min(cost):.2f}")


if __name__ == "__main__":
    main()
