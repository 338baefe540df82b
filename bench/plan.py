"""Seconds to plan a visit of 40 views and 8 windows with a year of sun, against one plain year of sun positions."""

from __future__ import annotations

import sys
import tempfile
import time
from itertools import pairwise
from pathlib import Path

import numpy as np

from clerestory.building.sun import Observer, sun_position
from clerestory.plan.run import make

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "plan"))

from visits import large_text


def timed(toml: Path, out: Path) -> list[tuple[str, float]]:
    """Plan once; when each part began."""
    marks: list[tuple[str, float]] = []
    make(toml, out, lambda words, _share: marks.append((words, time.perf_counter())))
    return marks


def main() -> None:
    """Print the best of three runs, and the ratio to the reference."""
    with tempfile.TemporaryDirectory() as folder:
        toml = Path(folder) / "visit.toml"
        toml.write_text(large_text(), encoding="utf-8")
        parts: dict[str, float] = {}
        best = float("inf")
        for _ in range(3):
            start = time.perf_counter()
            marks = timed(toml, Path(folder) / "out")
            spent = time.perf_counter() - start
            if spent < best:
                best = spent
                edges = [*marks, ("end", start + spent)]
                parts = {}
                for (name, begun), (_, ended) in pairwise(edges):
                    key = "views" if name.startswith("view:") else name
                    parts[key] = parts.get(key, 0.0) + ended - begun
        start = time.perf_counter()
        sun_position(np.arange(0, 365 * 86400, 600.0), Observer(54.3, -1.2))
        reference = time.perf_counter() - start
    for name, seconds in parts.items():
        print(f"{name:24}{seconds:8.3f} s")
    print(f"{'whole plan':24}{best:8.3f} s   (40 views, 8 windows, a year of sun; wanted: below 3 s)")
    print(f"{'a year of sun alone':24}{reference:8.3f} s   ratio {best / reference:.1f}")


if __name__ == "__main__":
    main()
