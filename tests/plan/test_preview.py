"""The small picture of a view: sunlight in it against the patches worked out from the windows."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from visits import example

from clerestory.place.windows import SunTrack, day_span, patches
from clerestory.plan import compute
from clerestory.plan.preview import Hits, preview, sun_shares, sunlit, trace


def test_rays_end_on_walls_of_the_room_or_of_the_next() -> None:
    building = example().building
    ways = np.array([[0, 0, -1.0], [0, 0, 1], [-1, 0, 0], [0, 1, 0], [0, -1, 0], [1, 0, -0.05]])
    hits = trace(building, np.tile([0.0, 20, 1.6], (6, 1)), ways)
    # Floor, vault, north wall, through the quire to its east wall, west wall, through the south aisle to its wall.
    found = [
        hits.points[0, 2],
        hits.points[1, 2],
        hits.points[2, 0],
        hits.points[3, 1],
        hits.points[4, 1],
        hits.points[5, 0],
    ]
    assert found == pytest.approx([0, 21, -6.5, 70, 0, 12.5], abs=1e-6)
    assert np.allclose(np.abs(hits.normals).sum(axis=1), 1)


@pytest.mark.parametrize("hour", [9, 11, 14, 16])
def test_sunlight_in_the_rooms_is_where_the_patches_are(hour: int) -> None:
    visit = example()
    building, hall = visit.building, visit.building.hall("nave")
    span = day_span(date(2027, 4, 20), visit.zone)
    track = SunTrack.over((span[0] + hour * 3600, span[0] + hour * 3600), 1, visit.observer, building)
    sun = track.vectors[0]
    x, y = np.meshgrid(np.arange(-6.45, 6.5, 0.1), np.arange(0.05, 46, 0.1))
    points = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=-1)
    lit = sunlit(building, Hits(points, np.tile([0, 0, 1.0], (len(points), 1))), sun)
    windows = [w for w in building.windows if w.hall == "nave"]
    area = sum(p.area for w in windows for p in patches(w, hall, building, sun) if p.face == "floor")
    found = float(lit.sum()) * 0.01
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
        axes, rectangle = view.framing.picture_axes, view.framing.rectangle
        share = sun_shares(building, view.aim.eye, axes, rectangle, towards[None])[0]
        assert share >= 0.4 * sun.shares.max() > 0
        plain, bright = (preview(building, view.aim.eye, axes, rectangle, s, 90) for s in (None, towards))
        assert bright.mean() > plain.mean() and bright.shape == plain.shape
