# mypy: disable-error-code="no-untyped-def"
"""Rooms as a plan knows them, to photograph: boxes of stone open to one another where they touch, with windows.

Piers, vaults, tracery and furniture are missing: it shows where walls, windows and sunlight will lie in a picture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.building.model import Building
from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.run.bands import in_bands
from clerestory.simulate.compiled import device, versioned
from clerestory.simulate.scene import LUMINANCE, Rendered, Visitor, view_numbers
from clerestory.simulate.shell import CLERE_GLASS, FAR, FLOOR, NAVE_WALL
from clerestory.simulate.trace import MIDDLE, OFFSETS, numbers, ray

NUDGE = 0.02  # metres beyond a wall at which the next room is looked for
MOST_ROOMS = 6  # rooms a ray may cross
SUN_ON_STONE = 7.0  # luminance that the sun adds, in those of the stone without it (our choice, for the eye)
RETURNED = 0.35  # light that stone throws about, as a share of the middle of the windows' (our choice)
LIGHT, SUNLIGHT, GLASS = 0, 1, 2  # what the three planes of a look hold
_COLOUR = np.array([0.66, 0.61, 0.53])
STONE_COLOUR = (_COLOUR / (_COLOUR @ LUMINANCE)).astype(np.float32)
SUN_COLOUR = np.array([1.08, 0.99, 0.80], np.float32)
Planes = NDArray[np.float32]


MANY, TOGETHER = 12, 3  # windows above which they light by so many of a row together (our choice, for speed)


@device
def wall_met(x, y, z, dx, dy, dz, boxes):
    """Where a ray from inside leaves the rooms, and which axis that wall is square to (-1 outside all rooms)."""
    axis = -1
    for _ in range(MOST_ROOMS):
        ax, ay, az = x + dx * NUDGE, y + dy * NUDGE, z + dz * NUDGE
        room = -1
        for k in range(boxes.shape[0]):
            if (
                boxes[k, 0] <= ax <= boxes[k, 1]
                and boxes[k, 2] <= ay <= boxes[k, 3]
                and boxes[k, 4] <= az <= boxes[k, 5]
            ):
                room = k
                break
        if room < 0:
            break
        best = FAR
        for side in range(3):
            d = dx if side == 0 else dy if side == 1 else dz
            at = x if side == 0 else y if side == 1 else z
            if abs(d) > 1e-9:
                t = (boxes[room, 2 * side + (1 if d > 0.0 else 0)] - at) / d
                if t < best:
                    best, axis = t, side
        best = max(best, 0.0)
        x, y, z = x + best * dx, y + best * dy, z + best * dz
    return x, y, z, axis


@device
def in_window(x, y, z, nx, ny, windows, k):
    """Whether a point of a wall (inward normal nx, ny) lies in window k's inner opening.

    Tables go into kernels whole, with a row's number: a row by itself would be an array made anew each time, which
    took six times as long.
    """
    if z < windows[k, 2] or z > windows[k, 3]:
        return False
    u, v = x - windows[k, 0], y - windows[k, 1]
    if abs(u * windows[k, 5] + v * windows[k, 6]) > 0.05 or nx * windows[k, 5] + ny * windows[k, 6] > -0.5:
        return False
    return abs(v * windows[k, 5] - u * windows[k, 6]) <= windows[k, 4]


@device
def in_sun(x, y, z, axis, sign, sun, boxes, windows):
    """Whether direct sun reaches a point of a wall, through a window and its wall's thickness."""
    if sun[2] <= 0.0 or sign * sun[axis] <= 1e-6:
        return False
    step = 0.01 * sign
    px, py, pz = x + (step if axis == 0 else 0.0), y + (step if axis == 1 else 0.0), z + (step if axis == 2 else 0.0)
    px, py, pz, out = wall_met(px, py, pz, sun[0], sun[1], sun[2], boxes)
    if out < 0 or out == 2:
        return False
    nx = (-1.0 if sun[0] > 0.0 else 1.0) if out == 0 else 0.0
    ny = (-1.0 if sun[1] > 0.0 else 1.0) if out == 1 else 0.0
    for k in range(windows.shape[0]):
        facing = sun[0] * windows[k, 5] + sun[1] * windows[k, 6]
        if facing <= 1e-6 or not in_window(px, py, pz, nx, ny, windows, k):
            continue
        wall = windows[k, 7]
        t = wall / facing
        # The outer opening is the inner one moved out by the wall's thickness.
        ox, oy = px + t * sun[0] - wall * windows[k, 5], py + t * sun[1] - wall * windows[k, 6]
        if in_window(ox, oy, pz + t * sun[2], nx, ny, windows, k):
            return True
    return False


@device
def sky_light(x, y, z, axis, sign, windows):
    """Light of the windows at a point, each taken as a small source of luminance 1."""
    total = 0.0
    for k in range(windows.shape[0]):
        low, high = windows[k, 2], windows[k, 3]
        dx, dy, dz = windows[k, 0] - x, windows[k, 1] - y, (low + high) / 2 - z
        leaving = dx * windows[k, 5] + dy * windows[k, 6]
        landing = sign * (dx if axis == 0 else dy if axis == 1 else dz)
        if leaving > 0.0 and landing > 0.0:
            square = max(dx * dx + dy * dy + dz * dz, 1.0)
            total += 2.0 * windows[k, 4] * (high - low) / np.pi * leaving * landing / (square * square)
    return total


@device
def joints(x, y, z, axis):
    """Courses of the stone and slabs of the floor as a slight darkening."""
    if axis == 2:
        dark = (x + 0.5) % 1.0 < 0.04 or y % 1.0 < 0.04
    else:
        dark = z % 0.75 < 0.04 or (y if axis == 0 else x) % 5.0 < 0.12
    return 0.78 if dark else 1.0


@njit(cache=True, nogil=True, error_model="numpy")
@versioned
def _cast(begin, end, view, lens, origin, boxes, windows, lights, sun, lit, offsets, chosen, planes, depth, kind):
    """Rays at `offsets` of every chosen pixel: the mean of what they meet; depth and kind when there is one ray."""
    width = depth.shape[1]
    n = offsets.shape[0]
    v, w = numbers(view, lens)
    for i in range(begin, end):
        for j in range(width):
            if not chosen[i, j]:
                continue
            light, sunlight, glass = 0.0, 0.0, 0.0
            for k in range(n):
                dx, dy, dz, cosine = ray(i + offsets[k, 0], j + offsets[k, 1], v, w)
                x, y, z, axis = wall_met(origin[0], origin[1], origin[2], dx, dy, dz, boxes)
                sign = -1.0 if (dy if axis == 1 else dz if axis == 2 else dx) > 0.0 else 1.0
                what = NAVE_WALL + axis if axis >= 0 else FLOOR
                if axis == 0 or axis == 1:
                    nx, ny = (sign, 0.0) if axis == 0 else (0.0, sign)
                    for m in range(windows.shape[0]):
                        if in_window(x, y, z, nx, ny, windows, m):
                            what = CLERE_GLASS
                            break
                if what == CLERE_GLASS:
                    glass += 1.0 / n
                elif axis >= 0 and lit:
                    tone = joints(x, y, z, axis) / n
                    light += tone * sky_light(x, y, z, axis, sign, lights)
                    if in_sun(x, y, z, axis, sign, sun, boxes, windows):
                        sunlight += tone
                if n == 1:
                    away = (x - origin[0]) * dx + (y - origin[1]) * dy + (z - origin[2]) * dz
                    depth[i, j] = np.float32(max(away * cosine, 0.05))
                    kind[i, j] = np.uint8(what)
            planes[i, j, LIGHT] = np.float32(light)
            planes[i, j, SUNLIGHT] = np.float32(sunlight)
            planes[i, j, GLASS] = np.float32(glass)


@njit(cache=True, error_model="numpy")
@versioned
def _in_suns(view, lens, origin, boxes, windows, suns, height, width):
    """Share of the pixels in the sun, for each of `suns` (n, 3). On one thread: it is little work, done often."""
    shares = np.zeros(suns.shape[0])
    v, w = numbers(view, lens)
    for i in range(height):
        for j in range(width):
            dx, dy, dz, _ = ray(i, j, v, w)
            x, y, z, axis = wall_met(origin[0], origin[1], origin[2], dx, dy, dz, boxes)
            if axis < 0:
                continue
            sign = -1.0 if (dx, dy, dz)[axis] > 0.0 else 1.0
            for k in range(suns.shape[0]):
                if in_sun(x, y, z, axis, sign, suns[k], boxes, windows):
                    shares[k] += 1.0 / (height * width)
    return shares


def _edges(kind: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Pixels beside one of another kind."""
    out = np.zeros(kind.shape, np.bool_)
    across, down = kind[:, 1:] != kind[:, :-1], kind[1:] != kind[:-1]
    out[:, 1:] |= across
    out[:, :-1] |= across
    out[1:] |= down
    out[:-1] |= down
    return out


@dataclass(frozen=True)
class Rooms:
    """A planned building to photograph.

    `stone` and `glass` are luminances in cd/m2: of the middle of the stone in the picture where no sun falls, and of
    every window. `sun`: unit vector towards it in building axes, or None.
    """

    building: Building
    stone: float = 4.0
    glass: float = 400.0
    sun: tuple[float, float, float] | None = None

    @cached_property
    def _boxes(self) -> NDArray[np.float64]:
        return np.array([[v for span in hall.bounds for v in span] for hall in self.building.halls]).reshape(-1, 6)

    @cached_property
    def _windows(self) -> NDArray[np.float64]:
        rows = []
        for w in self.building.windows:
            normal = self.building.normal(w)
            rows.append([*w.centre, w.sill, w.head, w.width / 2, normal[0], normal[1], w.wall])
        return np.array(rows, float).reshape(-1, 8)

    @cached_property
    def _lights(self) -> NDArray[np.float64]:
        """The windows as they light the rooms: many of them in a row are lights of a few together."""
        windows = self._windows
        if len(windows) <= MANY:
            return windows
        rows: dict[tuple[float, ...], list[NDArray[np.float64]]] = {}
        for w in windows:
            on = round(float(w[0] * w[5] + w[1] * w[6]), 2)
            rows.setdefault((*(round(float(v), 3) for v in w[[2, 3, 5, 6]]), on), []).append(w)
        out = []
        for row in rows.values():
            row.sort(key=lambda w: (float(w[0]), float(w[1])))
            for k in range(0, len(row), TOGETHER):
                some = np.array(row[k : k + TOGETHER])
                light = some.mean(axis=0)
                light[4] = some[:, 4].sum()
                out.append(light)
        return np.array(out)

    def sun_shares(self, camera: Camera, pose: Pose, suns: NDArray[np.float64]) -> NDArray[np.float64]:
        """Share of the pixels (0 to 1) in direct sun, for each of `suns` (n, 3), unit vectors towards it."""
        view, lens, origin = view_numbers(camera, pose)
        place = (view, lens, origin, self._boxes, self._windows)
        out: NDArray[np.float64] = _in_suns(*place, np.ascontiguousarray(suns), camera.height, camera.width)
        return out

    def look(
        self,
        camera: Camera,
        pose: Pose,
        lit: bool = True,
        fine: bool = True,
    ) -> tuple[Planes, NDArray[np.float32]]:
        """What each pixel meets, H x W x 3, and the depth in metres, H x W.

        Of the three planes the first is light of the windows (their luminance taken as 1), the second the share in
        the sun (joints darken both), the third the share of glass. `lit`: with light and sun; `fine`: several rays
        where an edge runs.
        """
        shape = (camera.height, camera.width)
        view, lens, origin = view_numbers(camera, pose)
        planes, depth = np.zeros((*shape, 3), np.float32), np.ones(shape, np.float32)
        kind, chosen = np.zeros(shape, np.uint8), np.ones(shape, np.bool_)
        towards = np.array(self.sun or (0.0, 0.0, -1.0))
        place = (view, lens, origin, self._boxes, self._windows, self._lights, towards, lit)
        in_bands(_cast, 0, len(depth), *place, MIDDLE, chosen, planes, depth, kind)
        if fine:
            in_bands(
                _cast,
                0,
                len(depth),
                *place,
                OFFSETS,
                _edges(kind + np.uint8(64) * (planes[..., SUNLIGHT] > 0)),
                planes,
                depth,
                kind,
            )
        return planes, depth

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The rooms through a lens: one ray a pixel, six where an edge runs. Nobody walks in them."""
        if visitors or reflectance:
            raise UserError("Planned rooms have no visitors and no known reflectance; use the church for those.")
        planes, depth = self.look(camera, pose)
        light, sunlight, glass = (planes[..., k, None] for k in (LIGHT, SUNLIGHT, GLASS))
        bare = glass == 0
        middle = float(np.median(light[bare])) if bare.any() else 0.0
        scale = self.stone / ((1 + RETURNED) * middle + 1e-4)
        radiance = (light + np.float32(RETURNED * middle + 1e-4) * (1 - glass)) * (np.float32(scale) * STONE_COLOUR)
        if self.sun is not None:
            radiance += sunlight * (np.float32(SUN_ON_STONE * self.stone) * STONE_COLOUR * SUN_COLOUR)
        radiance += glass * np.float32(self.glass)
        return Rendered(radiance, depth, np.zeros(depth.shape, np.bool_))
