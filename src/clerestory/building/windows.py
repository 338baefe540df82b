"""When direct sun passes a window, where its patch falls, and how strong it is against the sky's light.

A window is a rectangle through a wall of some thickness; the sun is a point; a room is an empty box, so piers and
arcades that stand in the beam are not known here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building, Hall, Window
from clerestory.building.sky import ClearSky, clear_sky, on_wall
from clerestory.building.sun import Observer, SunPosition, crossings, sun_position

Array = NDArray[np.float64]
Interval = tuple[float, float]


def day_span(day: date, zone: ZoneInfo) -> Interval:
    """UTC seconds of a day's two local midnights (23 or 25 hours apart when summer time starts or ends)."""
    start = datetime(day.year, day.month, day.day, tzinfo=zone)
    following = day + timedelta(days=1)
    return start.timestamp(), datetime(following.year, following.month, following.day, tzinfo=zone).timestamp()


@dataclass(frozen=True)
class SunTrack:
    """The sun over a run of times (UTC seconds, ascending) as one building sees it."""

    seconds: Array
    sun: SunPosition
    building: Building

    @classmethod
    def over(cls, span: Interval, step: float, observer: Observer, building: Building) -> SunTrack:
        """The sun every `step` seconds over `span`, both ends included."""
        count = math.ceil((span[1] - span[0]) / step)
        times: Array = span[0] + np.arange(count + 1, dtype=np.float64) * step
        return cls(times, sun_position(times, observer), building)

    @cached_property
    def vectors(self) -> Array:
        """Unit vectors (n, 3) towards the sun in building axes."""
        return self.building.to_building(self.sun.vector)

    @cached_property
    def clearance(self) -> Array:
        """Apparent altitude less the skyline's, degrees: above 0 the sun reaches the building."""
        return self.sun.apparent - self.building.skyline.altitude(self.sun.azimuth)

    @cached_property
    def sky(self) -> ClearSky:
        """Clear-sky irradiance at these times."""
        return clear_sky(self.sun.apparent)

    def margin(self, window: Window) -> Array:
        """A value above 0 exactly while some direct sun passes the opening, continuous in time."""
        normal = self.building.normal(window)
        facing = self.vectors @ normal
        aside = np.abs(self.vectors @ np.array([-normal[1], normal[0], 0.0]))
        rise = np.abs(self.vectors[:, 2])
        width = window.width * facing - window.wall * aside
        height = (window.head - window.sill) * facing - window.wall * rise
        out: Array = np.minimum(np.minimum(width, height), np.minimum(facing, np.radians(self.clearance)))
        return out

    def passes(self, window: Window) -> list[Interval]:
        """Intervals (UTC seconds) in which direct sun passes the opening."""
        margin = self.margin(window)
        rises, falls = crossings(self.seconds, margin)
        if margin[0] > 0:
            rises.insert(0, float(self.seconds[0]))
        if margin[-1] > 0:
            falls.append(float(self.seconds[-1]))
        return list(zip(rises, falls, strict=True))

    def share(self, window: Window) -> Array:
        """Share of the opening (0 to 1) that the beam still fills after the wall's thickness has shaded it."""
        normal = self.building.normal(window)
        facing = np.maximum(self.vectors @ normal, 1e-9)
        aside = np.abs(self.vectors @ np.array([-normal[1], normal[0], 0.0])) / facing
        rise = np.abs(self.vectors[:, 2]) / facing
        across = np.clip(1 - window.wall * aside / window.width, 0, 1)
        up = np.clip(1 - window.wall * rise / (window.head - window.sill), 0, 1)
        out: Array = across * up * (self.margin(window) > 0)
        return out

    def illuminance(self, window: Window) -> tuple[Array, Array]:
        """Direct (shaded by wall and skyline) and diffuse lux on the outside of the window under a clear sky."""
        facing = self.vectors @ self.building.normal(window)
        direct, diffuse = on_wall(self.sky, self.sun.apparent, facing)
        return direct * self.share(window), diffuse


@dataclass(frozen=True)
class Patch:
    """Sunlight on one face of a room: `face` is floor, north, south, east or west; corners (n, 3) in metres."""

    face: str
    corners: Array

    @property
    def area(self) -> float:
        """Square metres."""
        p = self.corners - self.corners[0]
        return float(np.linalg.norm(np.cross(p[1:-1], p[2:]).sum(axis=0)) / 2)

    @property
    def centre(self) -> tuple[float, float, float]:
        """Mean of the corners, metres."""
        x, y, z = self.corners.mean(axis=0)
        return float(x), float(y), float(z)


def clip(polygon: Array, axis: int, limit: float, sign: float) -> Array:
    """The part (m, 3) of a polygon (n, 3) where sign * (coordinate - limit) >= 0; empty where there is none.

    `axis`: which coordinate, 0 to 2. Sutherland & Hodgman (1974).
    """
    if len(polygon) == 0:
        return polygon
    side = sign * (polygon[:, axis] - limit)
    kept: list[Array] = []
    for k in range(len(polygon)):
        j = k - 1
        if (side[k] >= 0) != (side[j] >= 0):
            t = side[j] / (side[j] - side[k])
            kept.append(polygon[j] + t * (polygon[k] - polygon[j]))
        if side[k] >= 0:
            kept.append(polygon[k])
    return np.array(kept)


def _beam(window: Window, normal: Array, sun: Array) -> Array | None:
    """Corners (4, 3) on the inner wall face of the beam that passes the opening, or None."""
    facing = float(sun @ normal)
    if facing <= 0:
        return None
    along = np.array([-normal[1], normal[0], 0.0])
    shift, rise = window.wall * float(sun @ along) / facing, window.wall * float(sun[2]) / facing
    half = window.width / 2
    u0, u1 = max(-half, -half - shift), min(half, half - shift)
    v0, v1 = max(window.sill, window.sill - rise), min(window.head, window.head - rise)
    if u1 <= u0 or v1 <= v0:
        return None
    base = np.array([window.centre[0], window.centre[1], 0.0])
    return np.array([base + u * along + [0, 0, v] for u, v in ((u0, v0), (u1, v0), (u1, v1), (u0, v1))])


def patches(window: Window, hall: Hall, building: Building, sun: Array) -> list[Patch]:
    """Where the sun through a window falls in a room, for a unit vector `sun` (3,) towards it in building axes.

    One patch for each wall or floor it reaches; a vault is not counted. Empty where no sun passes.
    """
    corners = _beam(window, building.normal(window), sun)
    if corners is None or sun[2] <= 0:
        return []
    names = (("north", "south"), ("west", "east"), ("floor", "vault"))
    found = []
    for axis in range(3):
        side = 1 if sun[axis] < 0 else 0
        if abs(sun[axis]) < 1e-9 or names[axis][side] == "vault":
            continue
        plane = hall.bounds[axis][side]
        reach = (corners[:, axis] - plane) / sun[axis]
        if (reach < -1e-9).all():
            continue
        polygon = corners - reach[:, None] * sun
        for other in range(3):
            if other != axis:
                polygon = clip(clip(polygon, other, hall.bounds[other][0], 1), other, hall.bounds[other][1], -1)
        if len(polygon) >= 3:
            patch = Patch(names[axis][side], polygon)
            if patch.area > 1e-4:
                found.append(patch)
    return found


@dataclass(frozen=True)
class Calendar:
    """A year of one window: direct and diffuse lux, arrays (days, slots of the local clock); `minutes` to a slot."""

    window: str
    year: int
    minutes: int
    direct: Array
    diffuse: Array

    @property
    def hours_of_sun(self) -> Array:
        """Hours of direct sun on each day of the year under clear skies."""
        out: Array = (self.direct > 0).sum(axis=1) * (self.minutes / 60)
        return out


def local_slots(seconds: Array, zone: ZoneInfo, year: int, minutes: int) -> tuple[Array, Array]:
    """Day of year (n,) from 0 and slot of the day (n,), by the local clock, of UTC seconds (n,); summer time counted.

    `minutes`: length of a slot. `seconds` ascend.
    """
    hours = np.arange(np.floor(seconds[0] / 3600), np.floor(seconds[-1] / 3600) + 1)
    offsets = np.array([_offset(h * 3600, zone) for h in hours])
    local = seconds + offsets[(np.floor(seconds / 3600) - hours[0]).astype(int)]
    origin = (date(year, 1, 1) - date(1970, 1, 1)).days * 86400
    day = np.floor((local - origin) / 86400)
    slot = np.floor(((local - origin) % 86400) / (60 * minutes))
    return day, slot


def _offset(seconds: float, zone: ZoneInfo) -> float:
    shift = datetime.fromtimestamp(seconds, zone).utcoffset()
    return shift.total_seconds() if shift is not None else 0.0


def calendars(building: Building, observer: Observer, zone: ZoneInfo, year: int, minutes: int = 10) -> list[Calendar]:
    """A year's light on every window, sampled every `minutes`; the skipped hour in spring stays dark."""
    span = day_span(date(year, 1, 1), zone)[0], day_span(date(year, 12, 31), zone)[1] - 60 * minutes
    track = SunTrack.over(span, 60 * minutes, observer, building)
    day, slot = (a.astype(int) for a in local_slots(track.seconds, zone, year, minutes))
    days = (date(year + 1, 1, 1) - date(year, 1, 1)).days
    out = []
    for window in building.windows:
        direct, diffuse = np.zeros((2, days, 24 * 60 // minutes))
        direct[day, slot], diffuse[day, slot] = track.illuminance(window)
        out.append(Calendar(window.name, year, minutes, direct, diffuse))
    return out
