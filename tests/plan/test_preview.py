"""The picture of a view: the planned rooms as the simulator sees them, against patches worked out from windows."""

from __future__ import annotations

import math
from datetime import date

import numpy as np
import pytest
from visits import example

from clerestory.building.windows import SunTrack, day_span, patches
from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.plan.preview import rooms_of, seen_frame, seen_picture, straightened, sun_shares
from clerestory.plan.reckoning import compute
from clerestory.simulate.rooms import SUNLIGHT, Rooms


@pytest.mark.parametrize(
    ("yaw", "pitch", "metres"),
    # Floor, vault, north wall, through the quire to its east wall, west wall, through the south aisle to its wall.
    [(0, -90, 1.6), (0, 90, 19.4), (-90, 0, 6.5), (0, 0, 50), (180, 0, 20), (90, -3, 12.5)],
)
def test_rays_end_on_walls_of_the_room_or_of_the_next(yaw: float, pitch: float, metres: float) -> None:
    pose = Pose(math.radians(yaw), math.radians(pitch), 0.0, (0.0, 20.0, 1.6))
    _, depth = Rooms(example().building).look(Camera(3, 3, 3000, 1, 1), pose)
    assert depth[1, 1] == pytest.approx(metres / math.cos(math.radians(pitch) if yaw == 90 else 0), abs=1e-4)


@pytest.mark.parametrize("hour", [9, 11, 14, 16])
def test_sunlight_in_the_rooms_is_where_the_patches_are(hour: int) -> None:
    visit = example()
    building, hall = visit.building, visit.building.hall("nave")
    span = day_span(date(2027, 4, 20), visit.zone)
    track = SunTrack.over((span[0] + hour * 3600, span[0] + hour * 3600), 1, visit.observer, building)
    sun = track.vectors[0]
    # The whole floor from just below the middle of the vault, ten pixels a metre.
    rooms = Rooms(building, sun=(float(sun[0]), float(sun[1]), float(sun[2])))
    down = Pose(0.0, -math.pi / 2, 0.0, (0.0, 23.0, 20.9))
    planes, _ = rooms.look(Camera(130, 460, 209, 64.5, 229.5), down)
    windows = [w for w in building.windows if w.hall == "nave"]
    area = sum(p.area for w in windows for p in patches(w, hall, building, sun) if p.face == "floor")
    found = float((planes[..., SUNLIGHT] > 0.3).sum()) * 0.01
    # Sun through the quire's and the aisle's windows may reach the nave too: never less than the nave's own.
    assert found >= area * 0.93 - 0.15
    if hour >= 14:
        assert found == pytest.approx(area, rel=0.1, abs=0.3)


def test_views_that_want_sun_are_given_the_hour_it_is_in_the_picture() -> None:
    plan = compute(example())
    building = plan.visit.building
    for name in ("aisle in sunlight", "sun on the north arcade"):
        view, sun = plan.view(name), plan.day.inside[name]
        stop = next(s for s in plan.timetable.stops if s.view == name)
        towards = plan.sun_vector((stop.start + stop.end) / 2)
        assert towards is not None and stop.light
        share = sun_shares(building, view.framing, view.aim.eye, towards[None])[0]
        assert share >= 0.4 * sun.shares.max() > 0
        shown = [seen_picture(rooms_of(view.view, building, s), view.framing, view.aim.eye) for s in (None, towards)]
        assert shown[1].mean() > shown[0].mean() and shown[1].shape == shown[0].shape


def test_straightened_preview_is_what_an_upright_camera_would_see() -> None:
    plan = compute(example())
    view = plan.view("sun on the north arcade")
    assert view.framing.tilt > 10
    rooms = rooms_of(view.view, plan.visit.building, None)
    frame = seen_frame(rooms, view.framing, view.body, view.aim.eye)
    turned = straightened(frame, view.framing, view.body, view.framing.rectangle).astype(float)
    direct = seen_picture(rooms, view.framing, view.aim.eye).astype(float)
    assert turned.shape == direct.shape and min(direct.shape[:2]) > 200
    # The middle of the stone differs a little between frame and picture, and with it the brightness of all.
    assert np.corrcoef(turned.ravel(), direct.ravel())[0, 1] > 0.98
    assert np.corrcoef(np.roll(turned, 2, axis=0).ravel(), direct.ravel())[0, 1] < 0.95
