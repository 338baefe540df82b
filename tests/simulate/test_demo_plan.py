"""The demo's plan against its frames and its church: one day, one body, one building."""

from __future__ import annotations

import math
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from clerestory.building.windows import SunTrack
from clerestory.camera.pose import Pose
from clerestory.plan.framing import aim, frame
from clerestory.plan.model import Visit, parse_visit
from clerestory.simulate.demo_plan import ahead, axis_for, demo_plan
from clerestory.simulate.scene import Church
from clerestory.simulate.visit import DemoView, demo_of, demo_views

CHURCH, BODY, LENS = demo_of()
F = CHURCH.form


@pytest.fixture(scope="module")
def taken() -> list[DemoView]:
    return demo_views(CHURCH, BODY)


@pytest.fixture(scope="module")
def visit(taken: list[DemoView]) -> Visit:
    return parse_visit(demo_plan(CHURCH, BODY, LENS, taken), Path("visit.toml"))


def test_plan_and_frames_are_of_one_day_body_and_church(visit: Visit, taken: list[DemoView]) -> None:
    times = [shot.time for view in taken for shot in view.shots]
    assert {time.date() for time in times} == {visit.visit.date}
    assert visit.visit.arrive < min(times).time() and max(times).time() < visit.visit.leave
    assert f"{visit.place.name}, {visit.place.town}" == CHURCH.name
    (body,), (lens,) = visit.body, visit.lens
    assert (body.name, body.pixels, body.sensor_mm) == (BODY.model, (BODY.width, BODY.height), BODY.sensor_mm)
    assert body.noise(400, BODY.range).gain[0] == pytest.approx(BODY.gain(400))
    assert (lens.name, lens.focal_range) == (LENS.name, LENS.focal_mm)
    assert all(lens.focal_range[0] <= shot.focal_mm <= lens.focal_range[1] for view in taken for shot in view.shots)
    assert [view.name for view in visit.view] == [view.name for view in taken]


@pytest.mark.parametrize(
    ("yaw", "pitch", "place"),
    [
        (180, 0, (2.6, 12.0, 2.0)),
        (0, 0, (2.55, 20.0, 5.5)),
        (0, -90, (0.0, 12.0, 1.6)),
        (0, 90, (0.3, F.bay * 2.25, 1.6)),
        (90, 0, (F.half + F.wall + F.aisle / 2, F.bay * 2, 1.6)),
        (-90, 0, (-(F.half + F.wall + F.aisle / 2), F.bay * 3, 1.6)),
        (0, 90, (F.half + F.wall + F.aisle / 2 + 0.2, F.bay * 2.25, 1.6)),
    ],
)
def test_planned_rooms_have_the_walls_the_camera_sees(
    yaw: float, pitch: float, place: tuple[float, float, float], visit: Visit
) -> None:
    """Depths rendered on the axis: west and east wall, floor and crown of the nave, walls and crown of the aisles."""
    pose = Pose(math.radians(yaw), math.radians(pitch), 0.0, place)
    seen = CHURCH.render(BODY.intrinsics(84).scaled(9 / BODY.width), pose).depth
    distance, side = ahead(F, pose)
    assert np.median(seen) == pytest.approx(distance, abs=0.35), side  # vault ribs and recesses stand out so far
    room = next(r for r in visit.room if r.name == ("nave" if abs(place[0]) < F.half else
                                                    "south aisle" if place[0] > 0 else "north aisle"))  # fmt: skip
    if side == "vault":
        assert room.height_m == pytest.approx(distance + place[2], abs=0.001)


def test_sun_of_the_plan_is_the_sun_in_the_frames(visit: Visit, taken: list[DemoView]) -> None:
    zone = ZoneInfo(visit.place.time_zone)
    first, last = (v.shots[-1].time.replace(tzinfo=zone).timestamp() for v in (taken[0], taken[-1]))
    track = SunTrack.over(((first + last) / 2,) * 2, 1, visit.observer, visit.building)
    assert math.degrees(math.acos(track.vectors[0] @ [F.sun_x, F.sun_y, F.sun_z])) < 1.5
    assert 60 < axis_for(Church(2)) < 120


def test_planned_views_are_framed_much_as_they_are_taken(visit: Visit, taken: list[DemoView]) -> None:
    for view, demo in zip(visit.view, taken, strict=True):
        shot = demo.shots[len(demo.shots) // 2]
        station = next(s for s in visit.station if s.name in view.stations)
        aimed = aim(view, station, BODY.height / BODY.width)
        assert aimed is not None
        framing = frame(aimed, visit.body[0], visit.lens[0])
        assert framing.fits, view.name
        if view.on != "vault":
            assert framing.focal == pytest.approx(shot.focal_mm, rel=0.25), view.name
