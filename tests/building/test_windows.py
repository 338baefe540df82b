"""Sun through windows against rays traced one by one, and the clear sky against an independent library."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pvlib
import pytest

from clerestory.building.model import (
    WALL_TURN,
    Building,
    Hall,
    Skyline,
    Window,
    axis_from_ends,
    read_footprint,
    wall_place,
)
from clerestory.building.sky import clear_sky
from clerestory.building.sun import Observer, sun_position
from clerestory.building.windows import SunTrack, calendars, day_span, patches
from clerestory.errors import UserError

ZONE = ZoneInfo("Europe/London")
OBSERVER = Observer(51.6, -2.4, 40)
NAVE = Hall("nave", 42, 14, 19)


def window(axis: float, wall: str, along: float, width: float = 2.4, sill: float = 8, head: float = 14) -> Window:
    faces = (axis + WALL_TURN[wall]) % 360
    return Window(f"{wall} {along}", "nave", faces, wall_place(NAVE, wall, along), width, sill, head, 0.9)


def building(axis: float = 78.0) -> Building:
    spots = [("south", 8.0), ("south", 30.0), ("north", 12.0), ("east", 0.0), ("west", 1.0)]
    skyline = Skyline((100, 140, 180, 240, 300), (6, 14, 5, 11, 3))
    return Building(axis, (NAVE,), tuple(window(axis, w, a) for w, a in spots), skyline)


def traced(place: Building, opening: Window, seconds: np.ndarray) -> np.ndarray:
    """Whether any of a lattice of rays from the inner opening towards the sun leaves through the outer one."""
    sun = sun_position(seconds, OBSERVER)
    turn = np.radians(sun.azimuth - place.axis)
    h = np.radians(sun.apparent)
    rays = np.stack([np.sin(turn) * np.cos(h), np.cos(turn) * np.cos(h), np.sin(h)], axis=-1)
    n = np.radians(opening.faces - place.axis)
    normal, side = np.array([np.sin(n), np.cos(n), 0]), np.array([np.cos(n), -np.sin(n), 0])
    u, v = np.meshgrid(np.linspace(-0.5, 0.5, 41) * opening.width, np.linspace(opening.sill, opening.head, 41))
    lit = np.zeros(len(seconds), bool)
    for k, ray in enumerate(rays):
        clear = sun.apparent[k] > max(float(place.skyline.altitude(sun.azimuth[k : k + 1])[0]), 0)
        out = ray @ normal
        if clear and out > 0:
            step = opening.wall / out
            uu, vv = u + step * (ray @ side), v + step * ray[2]
            lit[k] = ((abs(uu) <= opening.width / 2) & (vv >= opening.sill) & (vv <= opening.head)).any()
    return lit


@pytest.mark.parametrize("day", [date(2027, 6, 21), date(2027, 12, 21), date(2027, 3, 28)])
def test_sun_times_against_traced_rays(day: date) -> None:
    place, span = building(), day_span(day, ZONE)
    coarse = SunTrack.over(span, 300, OBSERVER, place)
    found = 0
    for opening in place.windows:
        for start, end in coarse.passes(opening):
            found += 1
            for edge, inside in ((start, 1), (end, -1)):
                lit = traced(place, opening, edge + inside * np.array([-30.0, 30.0]))
                assert list(lit) == [False, True], (opening.name, day)
        times = np.arange(*span, 600.0)
        known = np.zeros(len(times), bool)
        for start, end in coarse.passes(opening):
            known |= (times >= start) & (times <= end)
        near = np.zeros(len(times), bool)
        for edge in (t for interval in coarse.passes(opening) for t in interval):
            near |= np.abs(times - edge) < 30
        assert (traced(place, opening, times) == known)[~near].all()
    assert found >= 2


def test_patch_lies_where_rays_land() -> None:
    place = building()
    opening = place.windows[0]
    days = [SunTrack.over(day_span(date(2027, m, 18), ZONE), 900, OBSERVER, place) for m in (4, 12)]
    rng = np.random.default_rng(3)
    seen = set()
    for sun in np.vstack([track.vectors[track.share(opening) > 0.2] for track in days]):
        found = {p.face: p for p in patches(opening, NAVE, place, sun)}
        seen |= set(found)
        # Rays from random points of the opening, those shaded by the wall left out, followed to floor or wall.
        u, v = rng.uniform(-1.2, 1.2, 4000), rng.uniform(8, 14, 4000)
        ok = (np.abs(u + 0.9 * sun[1] / sun[0]) <= 1.2) & (v + 0.9 * sun[2] / sun[0] <= 14)
        points = np.stack([np.full(4000, 7.0), 8.0 + u, v], axis=-1)[ok]
        to = {"floor": points[:, 2] / sun[2], "north": (points[:, 0] + 7) / sun[0]}
        to["west" if sun[1] > 0 else "east"] = (points[:, 1] - (0 if sun[1] > 0 else 42)) / sun[1]
        first = np.argmin(np.stack(list(to.values())), axis=0)
        for index, face in enumerate(to):
            share = float((first == index).mean())
            if share > 0.02:
                landed = (points - to[face][:, None] * sun)[first == index]
                assert np.allclose(landed.mean(axis=0), _centroid(found[face].corners), atol=0.6)
    assert {"floor", "north"} <= seen


def _centroid(corners: np.ndarray) -> np.ndarray:
    triangles = [(corners[0], corners[k], corners[k + 1]) for k in range(1, len(corners) - 1)]
    areas = np.array([np.linalg.norm(np.cross(b - a, c - a)) for a, b, c in triangles])
    middles = np.array([(a + b + c) / 3 for a, b, c in triangles])
    return (areas[:, None] * middles).sum(axis=0) / areas.sum()


def test_clear_sky_against_pvlib() -> None:
    """The model of Bird and Hulstrom as pvlib has it, written from the same report by others."""
    altitude = np.array([2.0, 10, 25, 45, 70, 90])
    zenith = 90 - altitude
    mass = 1 / (np.cos(np.radians(zenith)) + 0.15 * (93.885 - zenith) ** -1.25)
    ours = clear_sky(altitude, pressure=950)
    theirs = pvlib.clearsky.bird(zenith, mass, 0.15, 0.1, 1.5, 0.3, 95000, 1361.0, 0.84, 0.2)
    assert np.allclose(ours.beam, theirs["dni"], rtol=0.01)
    assert np.allclose(ours.diffuse, theirs["dhi"], rtol=0.02)


def test_calendar_counts_clock_hours() -> None:
    place = building(90.0)
    year = calendars(place, OBSERVER, ZONE, 2027)
    south = year[0]
    assert south.direct.shape == (365, 144)
    noon = np.argmax(south.direct, axis=1) / 6
    assert noon[20] == pytest.approx(12.3, abs=0.8)
    assert noon[180] == pytest.approx(13.3, abs=0.8)  # an hour later by the clock in summer
    north = year[2]
    assert north.hours_of_sun[355] == 0


def test_axis_from_ends_and_footprint(tmp_path: Path) -> None:
    azimuth, length = axis_from_ends((51.0, -2.0), (51.0, -1.999))
    assert azimuth == pytest.approx(90, abs=0.01) and length == pytest.approx(70.2, abs=0.1)
    # A cross-shaped outline, 60 m by 30 m, turned 20 degrees north of east.
    south = np.array([[0, -5], [35, -5], [35, -15], [45, -15], [45, -5], [60, -5]])
    shape = np.vstack([south, south[::-1] * [1, -1], south[:1]])
    a = np.radians(20)
    turned = shape @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]])
    degrees = turned / [111320 * np.cos(np.radians(51)), 111240] + [-2, 51]
    path = tmp_path / "outline.geojson"
    path.write_text(
        f'{{"type": "Feature", "geometry": {{"type": "Polygon", "coordinates": [{degrees.tolist()}]}}}}',
        encoding="utf-8",
    )
    outline = read_footprint(path)
    assert outline.axis == pytest.approx(70, abs=0.2)
    assert outline.length == pytest.approx(60, abs=0.3) and outline.width == pytest.approx(30, abs=0.3)
    path.write_text('{"type": "FeatureCollection", "features": []}', encoding="utf-8")
    with pytest.raises(UserError, match="no polygon"):
        read_footprint(path)
    for text in ("[" * 100_000, '{"type": "Polygon", "coordinates": [[[1], [2, 3], [1, 2], [1, 2]]]}', "[1, 2]",
                 '{"type": "Polygon", "coordinates": [[[1e300, 5], [2, 3], [1, 2], [1, 2]]]}',
                 '{"type": "Polygon", "coordinates": {"a": 1}}', '{"features": 3}'):  # fmt: skip
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UserError, match="give axis_deg instead"):
            read_footprint(path)
