"""Frames placed in a building of known rooms: how far off, and how far off they were said to be.

    python bench/placing.py [FRAMES] [WIDTH] [FIRST SEED] [untold]

Each frame is of the worked example's rooms, or of those of a church in numbers, as the plan's own simulator shows
them: from anywhere in a room, in any direction, tilted and rolled as hands hold, with noise. Wanted: in the median
the point within 5 % of the room's length and the direction within 1 degree; wrong by more than twice what was said in
under 5 %. It is told which wall the frame looks towards, as one remembers, unless `untold`. Frames that show too
little of any window are counted apart.
"""

from __future__ import annotations

import math
import sys
import time
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building, Hall
from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.plan.model import parse_visit
from clerestory.plan.placed import Placed, place_frame
from clerestory.simulate.rooms import Rooms
from clerestory.vertical.find import from_edges
from clerestory.vertical.segments import find_segments

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "plan"))

from test_church import CRUCIFORM, HEAD
from visits import example

_ONE_AISLE = (
    '[church]\ntype = "cruciform"\nlength = "52 m"\nwidth = 9\nheight = 15\naisles = "south"\nquire = "14 m"\n'
    "transept = false\naxis_deg = 90\n"
)


TOLD = "untold" not in sys.argv


def buildings() -> list[Building]:
    """The worked example's, a cruciform church and one with a single aisle."""
    visits = [example(), parse_visit(HEAD + CRUCIFORM, Path("v.toml")),
              parse_visit(HEAD + _ONE_AISLE, Path("v.toml"))]  # fmt: skip
    return [v.building for v in visits]


def frame_of(seed: int, building: Building, width: int) -> tuple[NDArray[np.float32], Camera, Pose, Hall]:
    """A frame's luminance, its camera, and the truth."""
    rng = np.random.Generator(np.random.Philox(seed + 500))
    long = [h for h in building.halls if "transept" not in h.name]
    hall = long[int(rng.integers(len(long)))]
    (x0, x1), (y0, y1), _ = hall.bounds
    x = rng.uniform(x0 + 0.15 * (x1 - x0), x1 - 0.15 * (x1 - x0))
    y = rng.uniform(y0 + 0.08 * (y1 - y0), y1 - 0.08 * (y1 - y0))
    portrait = rng.random() < 0.4
    w, h = (width * 2 // 3, width) if portrait else (width, width * 2 // 3)
    camera = Camera.of(w, h, rng.uniform(17, 35), 24.0 if portrait else 36.0)
    yaw = rng.choice([0, 90, 180, 270]) + rng.normal(0, 18)
    pose = Pose(math.radians(yaw), math.radians(rng.uniform(0, 18)), math.radians(rng.normal(0, 1.2)),
                (x, y, rng.normal(1.6, 0.08)))  # fmt: skip
    turn, high = rng.uniform(0, 2 * math.pi), rng.uniform(0.3, 0.9)
    sun = (math.cos(turn) * math.cos(high), math.sin(turn) * math.cos(high), math.sin(high))
    seen = Rooms(building, 1.0, 40.0, sun if rng.random() < 0.5 else None).render(camera, pose).radiance
    luma = np.minimum(np.asarray(seen) @ np.array([0.2627, 0.678, 0.0593], np.float32), 6.0)
    noisy = luma + rng.normal(0, 1, luma.shape) * np.sqrt(0.0004 * luma + 0.00002)
    return noisy.astype(np.float32), camera, pose, hall


def one(seed: int, building: Building, width: int) -> tuple[Placed | None, float, float, float, float]:
    """A frame placed; metres and degrees off, the room's length, seconds."""
    luma, camera, pose, hall = frame_of(seed, building, width)
    segments = find_segments(luma, camera, (0.0004, 0.0045))
    begun = time.perf_counter()
    walls = {"east": 0, "south": 90, "west": 180, "north": 270}
    near = min(walls, key=lambda w: abs((math.degrees(pose.yaw) - walls[w] + 180) % 360 - 180))
    vertical = from_edges(segments, None)
    placed = place_frame(luma, segments, vertical, camera, building, near if TOLD else None)  # type: ignore[arg-type]
    took = time.perf_counter() - begun
    if placed is None:
        return None, 0.0, 0.0, hall.length, took
    off = math.hypot(placed.at[0] - pose.position[0], placed.at[1] - pose.position[1])
    turn = abs((placed.direction - math.degrees(pose.yaw) + 180) % 360 - 180)
    return placed, off, turn, hall.length, took


def main() -> None:
    """Print the table."""
    frames = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    width = int(sys.argv[2]) if len(sys.argv) > 2 else 840
    begin = int(sys.argv[3]) if len(sys.argv) > 3 else 0
    houses = buildings()
    rows = []
    seed, not_placed = begin, 0
    while len(rows) < frames:
        placed, off, turn, length, took = one(seed, houses[seed % len(houses)], width)
        seed += 1
        if placed is None:
            not_placed += 1
            continue
        wrong = off > 2 * placed.off_m or turn > 2 * placed.turn_off_deg
        rows.append((off / length, turn, wrong, placed.sure, placed.off_m / length, took))
        words = f"off {off:6.2f} m said {placed.off_m:6.2f}   turned {turn:6.2f}° said {placed.turn_off_deg:6.2f}"
        rest = f"{'sure' if placed.sure else 'unsure'}{'  WRONG' if wrong else ''}"
        print(f"{seed - 1:4}  {words}   {rest} {placed.explained:.2f}  {took:.2f} s", flush=True)
    data = np.array(rows, float)
    off, turn, _, _, said, _ = np.median(data, axis=0)
    print(f"{len(rows)} placed, {not_placed} show too little")
    print(f"median off {100 * off:.2f} % of the room's length, {turn:.2f}° (wanted 5 %, 1°)")
    print(f"wrong by more than twice what was said: {100 * data[:, 2].mean():.1f} % (wanted under 5)")
    print(f"sure {100 * data[:, 3].mean():.0f} %; said, in the median, {100 * said:.1f} % of the length")


if __name__ == "__main__":
    main()
