"""The building: where it stands, which way it points, its rooms as boxes, its windows as rectangles.

Building axes are those of `camera.geometry`: x to the right of the building's axis, y along it, z up, metres, from
the middle of the west wall at floor level. "East" of a wall means towards the altar (liturgical east), whatever the
compass says; compass azimuths are clockwise from true north in degrees.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError

Array = NDArray[np.float64]

WALL_TURN = {"east": 0.0, "south": 90.0, "west": 180.0, "north": 270.0}  # clockwise from the axis, altar end first
EARTH_A, EARTH_F = 6378137.0, 1 / 298.257223563  # WGS 84 ellipsoid (NIMA TR8350.2)
LARGEST = 1 << 24  # bytes read of a footprint; the outline of a church is some thousands


@dataclass(frozen=True)
class Hall:
    """A room taken as a box: `west_end` is the middle of its west wall (x, y), metres.

    `off`: by how much length, width and height may be off, metres, 95 times in 100.
    """

    name: str
    length: float
    width: float
    height: float
    west_end: tuple[float, float] = (0.0, 0.0)
    off: tuple[float, float, float] = (0.0, 0.0, 0.0)

    @property
    def bounds(self) -> tuple[tuple[float, float], tuple[float, float], tuple[float, float]]:
        """(x0, x1), (y0, y1), (z0, z1) in metres."""
        x, y = self.west_end
        return (x - self.width / 2, x + self.width / 2), (y, y + self.length), (0.0, self.height)

    def holds(self, x: float, y: float) -> bool:
        """Whether a point of the floor lies in this room."""
        (x0, x1), (y0, y1), _ = self.bounds
        return x0 <= x <= x1 and y0 <= y <= y1


@dataclass(frozen=True)
class WindowOff:
    """By how much the measures of a window may be off, metres, 95 times in 100."""

    along: float = 0.0
    width: float = 0.0
    sill: float = 0.0
    head: float = 0.0
    wall: float = 0.0


@dataclass(frozen=True)
class Window:
    """A rectangular opening. `faces` is the compass azimuth of the outward normal, `centre` its middle on the inner

    wall face (x, y), `sill` and `head` heights above the floor, `wall` the thickness that shades it, metres.
    """

    name: str
    hall: str
    faces: float
    centre: tuple[float, float]
    width: float
    sill: float
    head: float
    wall: float = 0.0
    off: WindowOff = WindowOff()


@dataclass(frozen=True)
class Skyline:
    """What stands in the sun's way: altitude in degrees by compass azimuth, straight between the given points."""

    azimuths: tuple[float, ...] = ()
    altitudes: tuple[float, ...] = ()

    def altitude(self, azimuth: Array) -> Array:
        """Lowest clear altitude (...), degrees, at azimuths (...), degrees from true north; 0 where nothing is given.

        Straight between the points given, round the compass.
        """
        if not self.azimuths:
            return np.zeros_like(azimuth)
        order = np.argsort(self.azimuths)
        out: Array = np.interp(azimuth, np.array(self.azimuths)[order], np.array(self.altitudes)[order], period=360)
        return np.maximum(out, 0.0)


@dataclass(frozen=True)
class Building:
    """Axis (compass azimuth looking from the west door to the altar), rooms, windows and skyline.

    `axis_off`: degrees by which the axis may be off, 95 times in 100.
    """

    axis: float
    halls: tuple[Hall, ...] = ()
    windows: tuple[Window, ...] = ()
    skyline: Skyline = field(default_factory=Skyline)
    axis_off: float = 0.0

    def hall(self, name: str) -> Hall:
        """The room of this name; ValueError if there is none."""
        for hall in self.halls:
            if hall.name == name:
                return hall
        raise ValueError(f"no room is called {name!r}")

    def to_building(self, vectors: Array) -> Array:
        """East, north, up vectors (..., 3) turned into building axes."""
        a = math.radians(self.axis)
        turn = np.array([[math.cos(a), -math.sin(a), 0], [math.sin(a), math.cos(a), 0], [0, 0, 1.0]])
        out: Array = vectors @ turn.T
        return out

    def normal(self, window: Window) -> Array:
        """Outward normal of a window in building axes, unit length."""
        a = math.radians(window.faces - self.axis)
        return np.array([math.sin(a), math.cos(a), 0.0])


def wall_place(hall: Hall, wall: str, along: float) -> tuple[float, float]:
    """Point (x, y) on a room's wall: metres from its west end, or for an end wall metres right of its middle."""
    (x0, x1), (y0, y1), _ = hall.bounds
    middle = (x0 + x1) / 2
    return {
        "north": (x0, y0 + along),
        "south": (x1, y0 + along),
        "west": (middle + along, y0),
        "east": (middle + along, y1),
    }[wall]


def _local(latitude: float) -> tuple[float, float]:
    """Metres to a degree of latitude and of longitude at a latitude, on the WGS 84 ellipsoid."""
    e2 = EARTH_F * (2 - EARTH_F)
    s = math.sin(math.radians(latitude))
    w = math.sqrt(1 - e2 * s * s)
    north = EARTH_A * (1 - e2) / w**3
    east = EARTH_A / w * math.cos(math.radians(latitude))
    return math.radians(1) * north, math.radians(1) * east


def axis_from_ends(west: tuple[float, float], east: tuple[float, float]) -> tuple[float, float]:
    """Axis azimuth in degrees and length in metres from the two ends (latitude, longitude in degrees)."""
    north, across = _local((west[0] + east[0]) / 2)
    dn, de = (east[0] - west[0]) * north, (east[1] - west[1]) * across
    if math.hypot(dn, de) < 1:
        raise ValueError("the two ends are less than a metre apart")
    return math.degrees(math.atan2(de, dn)) % 360, math.hypot(dn, de)


@dataclass(frozen=True)
class Footprint:
    """What an outline on the map says: middle, axis azimuth (the way nearer east), length and width in metres."""

    latitude: float
    longitude: float
    axis: float
    length: float
    width: float


def read_footprint(path: Path) -> Footprint:
    """Axis and size from the outline in a GeoJSON file (RFC 7946): the first polygon's outer ring.

    The axis is the direction that most of the walls' length lies along, right angles counted as the same.
    """
    try:
        with path.open("rb") as file:
            document = json.loads(file.read(LARGEST))
        ring = _first_ring(document)
        points = np.array([p[:2] for p in ring or ()], float)
    except (OSError, ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError) as error:
        raise UserError(f"{path}: cannot read this footprint as GeoJSON ({error}); give axis_deg instead") from error
    if points.ndim != 2 or points.shape[0] < 4 or points.shape[1] != 2:
        raise UserError(f"{path}: holds no polygon; give axis_deg instead, or an outline exported as GeoJSON")
    if not (np.abs(points) <= [180, 90]).all():
        raise UserError(f"{path}: its polygon is not in degrees of longitude and latitude; give axis_deg instead")
    longitude, latitude = points.mean(axis=0)
    north, across = _local(float(latitude))
    xy = (points - [longitude, latitude]) * [across, north]
    edges = np.diff(xy, axis=0)
    turns = np.arctan2(edges[:, 1], edges[:, 0])
    weight = np.hypot(edges[:, 0], edges[:, 1])
    base = float(np.angle(np.sum(weight * np.exp(4j * turns)))) / 4
    sizes = [np.ptp(xy @ [math.cos(base + k), math.sin(base + k)]) for k in (0, math.pi / 2)]
    along = base + (math.pi / 2 if sizes[1] > sizes[0] else 0.0)
    azimuth = (90 - math.degrees(along)) % 180
    return Footprint(float(latitude), float(longitude), azimuth, float(max(sizes)), float(min(sizes)))


def _first_ring(node: object) -> list[list[float]] | None:
    """Outer ring of the first polygon anywhere in a GeoJSON document."""
    if not isinstance(node, dict):
        return None
    kind, coordinates = node.get("type"), node.get("coordinates")
    if kind == "Polygon" and coordinates:
        return list(coordinates[0])
    if kind == "MultiPolygon" and coordinates:
        return list(coordinates[0][0])
    for child in [node.get("geometry"), *node.get("features", []), *node.get("geometries", [])]:
        ring = _first_ring(child)
        if ring is not None:
            return ring
    return None
