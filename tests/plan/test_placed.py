"""Frames placed in a building by their edges, against where the simulator took them."""

from __future__ import annotations

import math
from typing import cast

import numpy as np
import pytest
from visits import example

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.plan.model import Wall
from clerestory.plan.placed import Placed, place_frame
from clerestory.simulate.rooms import Rooms
from clerestory.vertical.find import from_edges
from clerestory.vertical.segments import find_segments

# Where it is taken, degrees from the axis, tilt up, which wall it looks at.
SPOTS: list[tuple[tuple[float, float], float, float, Wall]] = [
    ((0.8, 6.0), 4.0, 9.0, "east"),
    ((-1.2, 40.0), 176.0, 11.0, "west"),
    ((2.0, 30.0), -6.0, 9.0, "east"),
]


def taken(spot: tuple[float, float], yaw: float, tilt: float, seed: int) -> tuple[np.ndarray, Camera]:
    rng = np.random.default_rng(seed)
    camera = Camera.of(720, 480, 20.0, 36.0)
    pose = Pose(math.radians(yaw), math.radians(tilt), math.radians(rng.normal(0, 1)), (*spot, 1.62))
    seen = np.asarray(Rooms(example().building, 1.0, 40.0).render(camera, pose).radiance)
    luma = np.minimum(seen.mean(axis=2), 6.0)
    return (luma + rng.normal(0, 1, luma.shape) * np.sqrt(0.0004 * luma)).astype(np.float32), camera


def placed(luma: np.ndarray, camera: Camera, towards: Wall) -> Placed | None:
    segments = find_segments(luma, camera, (0.0004, 0.0045))
    return place_frame(luma, segments, from_edges(segments, None), camera, example().building, towards)


@pytest.mark.parametrize("number", range(len(SPOTS)))
def test_a_frame_with_windows_in_it_is_placed(number: int) -> None:
    spot, yaw, tilt, wall = SPOTS[number]
    found = cast(Placed, placed(*taken(spot, yaw, tilt, (4, 0, 3)[number]), wall))
    off = math.hypot(found.at[0] - spot[0], found.at[1] - spot[1])
    turned = abs((found.direction - yaw + 180) % 360 - 180)
    assert off < 0.05 * 46 and turned < 1
    assert off <= 2 * found.off_m and turned <= 2 * found.turn_off_deg


def test_a_bare_wall_is_not_placed() -> None:
    luma, camera = taken((-3.0, 20.0), 270.0, 0.0, 9)
    found = placed(luma, camera, "north")
    assert found is None or (not found.sure and found.off_m > 5)
