"""Visits made up for the tests."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import numpy as np

from clerestory.plan.model import Visit, parse_visit


def example_text() -> str:
    return files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")


def example() -> Visit:
    return parse_visit(example_text(), Path("visit.toml"))


def large_text(views: int = 40, windows: int = 8, seed: int = 1) -> str:
    """The example's house and kit with many views and windows put in at random."""
    rng = np.random.default_rng(seed)
    head = example_text().split("# ---- windows")[0]
    middle = (
        example_text().split("# ---- where one may stand")[1].split("# ---- the views wanted")[0].split("\n", 1)[1]
    )
    out = [head]
    for k in range(windows):
        wall = ("south", "north")[k % 2]
        out.append(
            f'[[window]]\nname = "window {k}"\nroom = "nave"\nwall = "{wall}"\nalong_m = {rng.uniform(3, 43):.2f}\n'
            f"width_m = {rng.uniform(1.5, 3):.2f}\nsill_m = 9\nhead_m = {rng.uniform(14, 18):.2f}\n"
        )
    out.append(middle)
    for k in range(views):
        on = ("east", "north", "south", "west", "free", "vault")[k % 6]
        x, y, z = {
            "east": (rng.uniform(-4, 4), 69.0, rng.uniform(3, 12)),
            "west": (rng.uniform(-3, 3), 0.0, rng.uniform(4, 14)),
            "north": (-6.5, rng.uniform(6, 40), rng.uniform(3, 12)),
            "south": (6.5, rng.uniform(6, 40), rng.uniform(3, 12)),
            "free": (rng.uniform(-5, 5), rng.uniform(28, 60), rng.uniform(2, 16)),
            "vault": (0.0, rng.uniform(15, 40), 20.5),
        }[on]
        light = 'light = "sun"\nwindows = ["window 0", "window 2"]\n' if k % 5 == 0 else ""
        glass = f"glass_cd_m2 = {rng.uniform(80, 900):.0f}\n" if k % 3 == 0 else ""
        out.append(
            f'[[view]]\nname = "view {k}"\nroom = "nave"\ncentre_m = [{x:.2f}, {y:.2f}, {z:.2f}]\n'
            f'width_m = {rng.uniform(0.5, 9):.2f}\nheight_m = {rng.uniform(0.5, 9):.2f}\non = "{on}"\n'
            f'aspect = "{("4:3", "3:4", "free", "1:1")[k % 4]}"\nstone_cd_m2 = {rng.uniform(0.5, 12):.2f}\n'
            f"minutes = {rng.integers(3, 9)}\n{light}{glass}"
        )
    return "\n".join(out)
