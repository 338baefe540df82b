"""A small picture of what a view should show: the modelled rooms by window light, with the sun's patches at an hour.

Rooms are empty boxes open to one another where they touch, so piers, vaults and furniture are missing: it shows where
walls, windows and sunlight will lie in the picture, not what they look like.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.place.building import Building, Hall, Window

Array = NDArray[np.float64]
F32 = NDArray[np.float32]
Pixels = NDArray[np.uint8]

_STONE = np.array([0.66, 0.61, 0.53], np.float32)
_GLASS = np.array([0.80, 0.89, 1.0], np.float32)
_SUN = np.array([1.0, 0.92, 0.74], np.float32)
_NUDGE = 0.02  # metres beyond a wall at which the next room is looked for
_MOST_ROOMS = 6  # rooms a ray may cross


@dataclass(frozen=True)
class Hits:
    """Where rays leave the rooms: points (n, 3) and inward normals (n, 3) of the walls met."""

    points: F32
    normals: F32


def trace(building: Building, origins: NDArray[np.floating], directions: NDArray[np.floating]) -> Hits:
    """Follow rays (n, 3) from points inside the rooms to the wall, floor or vault they meet."""
    # Axis by axis: numpy is slow along an axis of three.
    place = np.array(origins.T, np.float32, order="C")
    way = np.array(directions.T, np.float32, order="C")
    way[np.abs(way) < 1e-9] = 1e-9
    normals = np.zeros_like(place)
    active = np.arange(place.shape[1])
    for _ in range(_MOST_ROOMS):
        ahead = place[:, active] + way[:, active] * _NUDGE
        room = np.full(len(active), -1)
        for number, hall in enumerate(building.halls):
            inside = np.ones(len(active), bool)
            for axis, (low, high) in enumerate(hall.bounds):
                inside &= (ahead[axis] >= low) & (ahead[axis] <= high)
            room[inside & (room < 0)] = number
        for number, hall in enumerate(building.halls):
            _cross(hall, active[room == number], place, way, normals)
        active = active[room >= 0]
        if not len(active):
            break
    return Hits(np.ascontiguousarray(place.T), np.ascontiguousarray(normals.T))


def _cross(hall: Hall, rays: NDArray[np.intp], place: F32, way: F32, normals: F32) -> None:
    """Carry rays to the walls of the room they are in."""
    reach = [
        (np.where(way[axis, rays] > 0, np.float32(high), np.float32(low)) - place[axis, rays]) / way[axis, rays]
        for axis, (low, high) in enumerate(hall.bounds)
    ]
    least = np.maximum(np.minimum(np.minimum(reach[0], reach[1]), reach[2]), 0)
    left = np.ones(len(rays), bool)
    for axis in range(3):
        meets = left & (reach[axis] <= least)
        left &= ~meets
        normals[axis, rays] = np.where(meets, -np.sign(way[axis, rays]), np.float32(0))
        place[axis, rays] += way[axis, rays] * least


def _in_window(hits: Hits, building: Building, window: Window) -> tuple[NDArray[np.bool_], F32, F32]:
    """Whether each point lies in a window, and its place across and up."""
    normal = building.normal(window).tolist()
    x, y, up = hits.points[:, 0] - window.centre[0], hits.points[:, 1] - window.centre[1], hits.points[:, 2]
    across = x * -normal[1] + y * normal[0]
    on = np.abs(x * normal[0] + y * normal[1]) < 0.05
    on &= hits.normals[:, 0] * normal[0] + hits.normals[:, 1] * normal[1] < -0.5
    return on & (np.abs(across) <= window.width / 2) & (up >= window.sill) & (up <= window.head), across, up


def sunlit(building: Building, hits: Hits, sun: Array) -> NDArray[np.bool_]:
    """Whether direct sun (unit vector towards it) reaches each point, through a window and its wall's thickness."""
    facing = np.flatnonzero(hits.normals @ sun > 1e-6)
    out = np.zeros(len(hits.points), bool)
    if sun[2] <= 0 or not len(facing):
        return out
    start = hits.points[facing] + hits.normals[facing] * 0.01
    leaving = trace(building, start, np.broadcast_to(sun, start.shape))
    for window in building.windows:
        normal = building.normal(window)
        if sun @ normal <= 1e-6:
            continue
        through, across, up = _in_window(leaving, building, window)
        step = window.wall / float(sun @ normal)
        across = across + step * float(sun @ np.array([-normal[1], normal[0], 0.0]))
        up = up + step * float(sun[2])
        out[facing] |= through & (np.abs(across) <= window.width / 2) & (up >= window.sill) & (up <= window.head)
    return out


def _sky_light(building: Building, hits: Hits) -> F32:
    """Light of the windows on each point, each window taken as a small source; plus what the stone throws about."""
    x, y, z = (np.ascontiguousarray(c) for c in hits.points.T)
    nx, ny, nz = (np.ascontiguousarray(c) for c in hits.normals.T)
    total = np.zeros(len(x), np.float32)
    for window in building.windows:
        normal = building.normal(window).tolist()
        dx, dy, dz = window.centre[0] - x, window.centre[1] - y, (window.sill + window.head) / 2 - z
        square = np.maximum(dx * dx + dy * dy + dz * dz, 1.0)
        leaving = np.maximum(dx * normal[0] + dy * normal[1], 0)
        landing = np.maximum(dx * nx + dy * ny + dz * nz, 0)
        total += window.width * (window.head - window.sill) / np.pi * leaving * landing / (square * square)
    return total + 0.35 * float(np.median(total)) + 1e-4


def _joints(hits: Hits) -> F32:
    """Courses of the stone and slabs of the floor as a slight darkening."""
    x, y, z = hits.points.T
    flat = np.abs(hits.normals[:, 2]) > 0.5
    along = np.where(np.abs(hits.normals[:, 0]) > 0.5, y, x)
    wall = (np.mod(z, 0.75) < 0.04) | (np.mod(along, 5.0) < 0.12)
    floor = (np.mod(x + 0.5, 1.0) < 0.04) | (np.mod(y, 1.0) < 0.04)
    return np.where(np.where(flat, floor, wall), np.float32(0.78), np.float32(1))


def _seen(
    building: Building, eye: Array, rows: Array, rectangle: tuple[float, float, float, float], longest: int
) -> tuple[Hits, tuple[int, int]]:
    """What each pixel of a picture-plane rectangle meets, row by row, and the picture's height and width."""
    x0, x1, z0, z1 = rectangle
    scale = longest / max(x1 - x0, z1 - z0)
    width, height = max(8, round((x1 - x0) * scale)), max(8, round((z1 - z0) * scale))
    u = x0 + (np.arange(width) + 0.5) / width * (x1 - x0)
    v = z1 - (np.arange(height) + 0.5) / height * (z1 - z0)
    rays = np.stack([*np.meshgrid(u, v), np.ones((height, width))], axis=-1).reshape(-1, 3) @ rows
    rays /= np.linalg.norm(rays, axis=1, keepdims=True)
    return trace(building, np.broadcast_to(eye, rays.shape), rays), (height, width)


def sun_shares(
    building: Building, eye: Array, rows: Array, rectangle: tuple[float, float, float, float], suns: Array
) -> Array:
    """Share of a picture (0 to 1) that lies in direct sun, for each of `suns` (n, 3), unit vectors towards it."""
    hits, _ = _seen(building, eye, rows, rectangle, 28)
    return np.array([float(sunlit(building, hits, sun).mean()) for sun in suns])


def preview(
    building: Building,
    eye: Array,
    rows: Array,
    rectangle: tuple[float, float, float, float],
    sun: Array | None,
    longest: int = 176,
) -> Pixels:
    """The picture-plane rectangle (X0, X1, Z0, Z1) seen from `eye`, sRGB (h, w, 3), `longest` pixels at most.

    `rows`: right, up, forward of the picture in building axes; `sun`: unit vector towards it, None when it is down.
    """
    hits, (height, width) = _seen(building, eye, rows, rectangle, longest)
    light = _sky_light(building, hits)
    middle = float(np.median(light))
    colour = (light / middle)[:, None] * _STONE * _joints(hits)[:, None]
    if sun is not None:
        colour = colour + sunlit(building, hits, sun)[:, None] * (7 * _STONE * _SUN)
    for window in building.windows:
        colour[_in_window(hits, building, window)[0]] = 4.5 * _GLASS
    shown = 1 - np.exp(-0.55 * colour)
    encoded = np.where(shown <= 0.0031308, 12.92 * shown, 1.055 * shown ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    out: Pixels = np.round(255 * np.clip(encoded, 0, 1)).astype(np.uint8).reshape(height, width, 3)
    return out
