"""How much of a frame straightening leaves: the largest rectangle inside what it made of the frame's outline."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.rectification import Rectification, local_scale, project

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Crop:
    """The largest rectangle of one aspect inside a straightened frame.

    `left`, `top`, `width`, `height` are in pixels of the straightened picture at the frame's own focal length;
    `kept` is the share of the frame's own pixels that remain; `lost` is the share lost at each edge of the
    frame (left, top, right, bottom), summing to 1 - kept.
    """

    left: float
    top: float
    width: float
    height: float
    kept: float
    lost: dict[str, float] = field(default_factory=dict)

    @property
    def centre(self) -> tuple[float, float]:
        """Centre of the rectangle, pixels."""
        return self.left + self.width / 2, self.top + self.height / 2

    @property
    def corners(self) -> Array:
        """Corners clockwise from the top left, (4, 2)."""
        x0, y0, x1, y1 = self.left, self.top, self.left + self.width, self.top + self.height
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])

    def scaled(self, factor: float) -> Crop:
        """The same rectangle on a grid `factor` times as fine."""
        return replace(
            self,
            left=(self.left + 0.5) * factor - 0.5,
            top=(self.top + 0.5) * factor - 0.5,
            width=self.width * factor,
            height=self.height * factor,
        )


def frame_boundary(camera: Camera, homography: Array, per_edge: int = 32) -> Array:
    """Outline of the recorded frame in pixels of the straightened picture, clockwise from the top left, (n, 2).

    The frame's outer pixel edges are followed at `per_edge` points a side, undistorted, then sent through
    `homography` (ideal pixels to picture pixels). The polyline closes from its last point to its first. What the
    homography would send to infinity or behind the picture's viewer is cut off 84 degrees from its axis.
    """
    return project(homography, _in_front(_ideal_edge(camera, per_edge), camera, homography))


@lru_cache(maxsize=16)
def _ideal_edge(camera: Camera, per_edge: int) -> Array:
    """The recorded frame's outer edge, clockwise from the top left, in ideal pixels, (n, 2); not to be written to."""
    w, h = camera.width, camera.height
    t = np.arange(per_edge) / per_edge
    zero, one = np.zeros(per_edge), np.ones(per_edge)
    outline = np.concatenate(
        [np.stack(side, axis=-1) for side in ((t, zero), (one, t), (1 - t, one), (zero, 1 - t))]
    ) * [w, h] - [0.5, 0.5]
    edge = camera.ideal(outline)
    edge.flags.writeable = False
    return edge


def straightened_outline(camera: Camera, homography: Array) -> Array:
    """`frame_boundary` as finely as a room needs it: corners alone where the lens bends nothing, (n, 2)."""
    return frame_boundary(camera, homography, 24 if camera.bends else 1)


def _in_front(points: Array, camera: Camera, homography: Array) -> Array:
    """Points of a convex ideal outline (n, 2), drawn in to where the homography stays finite."""
    x = np.column_stack([(points - [camera.cx, camera.cy]) / camera.focal, np.ones(len(points))])
    rays = x / np.linalg.norm(x, axis=1, keepdims=True)
    row = homography[2] @ camera.matrix
    row = row / np.linalg.norm(row)
    limit = math.sin(math.radians(6))
    ahead = rays @ row
    if ahead.min() >= limit:
        return points
    best = rays.mean(axis=0) if rays.mean(axis=0) @ row > limit else row
    out = rays.copy()
    behind = np.flatnonzero(ahead < limit)
    a, b = best @ row, ahead[behind]
    share = ((a - limit) / (a - b))[:, None]
    out[behind] = best + share * (rays[behind] - best)
    found: Array = out[:, :2] / out[:, 2:] * camera.focal + [camera.cx, camera.cy]
    return found


@njit(cache=True, nogil=True, error_model="numpy")
def _gaps(tries, sides):  # type: ignore[no-untyped-def]
    """Half height at which a rectangle about each try (m, 3) touches each side (n, 2, 2) of an outline: (m, n).

    A try is a centre x, y and the logarithm of width/height. Exact: the distance max(|dx| / aspect, |dy|) is convex
    along each side, so that its least value lies at an end or where the side crosses a diagonal of the rectangle.
    """
    out = np.empty((len(tries), len(sides)))
    for i in range(len(tries)):
        squash = math.exp(-tries[i, 2])
        for j in range(len(sides)):
            x, y = (sides[j, 0, 0] - tries[i, 0]) * squash, sides[j, 0, 1] - tries[i, 1]
            dx, dy = (sides[j, 1, 0] - sides[j, 0, 0]) * squash, sides[j, 1, 1] - sides[j, 0, 1]
            best = min(max(abs(x), abs(y)), max(abs(x + dx), abs(y + dy)))
            for sign in (-1.0, 1.0):
                slope = dx + sign * dy
                if abs(slope) < 1e-12:
                    slope = 1.0
                t = min(max(-(x + sign * y) / slope, 0.0), 1.0)
                best = min(best, max(abs(x + t * dx), abs(y + t * dy)))
            out[i, j] = best
    return out


def _sides(outline: Array) -> Array:
    """A closed polyline (n, 2) as its sides (n, 2, 2)."""
    return np.stack([outline, np.roll(outline, -1, axis=0)], axis=1)


def _inside(tries: Array, sides: Array) -> NDArray[np.bool_]:
    """Whether the centres of tries (m, 3) lie inside a closed outline's sides (n, 2, 2), by counting crossings."""
    a, b = sides[None, :, 0], sides[None, :, 1]
    x, y = tries[:, None, 0], tries[:, None, 1]
    spans = (a[..., 1] > y) != (b[..., 1] > y)
    rise = np.where(spans, b[..., 1] - a[..., 1], 1.0)
    at = a[..., 0] + (y - a[..., 1]) / rise * (b[..., 0] - a[..., 0])
    out: NDArray[np.bool_] = (np.count_nonzero(spans & (x < at), axis=1) % 2).astype(bool)
    return out


def _rectangles(tries: Array, half: Array) -> Array:
    """Corners, clockwise from the top left, of rectangles about tries (m, 3) of half height (m,): (m, 4, 2)."""
    reach = np.stack([half * np.exp(tries[:, 2]), half], axis=-1)
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    out: Array = tries[:, None, :2] + signs * reach[:, None]
    return out


# Leads picture points (..., 2) to a plane on which equal areas count alike.
Flattening = Callable[[Array], Array]


@dataclass(frozen=True)
class _Search:
    """Rectangles inside one outline (its sides, (n, 2, 2)), scored by the area they cover where `back` leads picture
    points to: the frame itself, or another map on which area counts. It sees `per_side` points of each side."""

    sides: Array
    back: Flattening
    per_side: int = 1
    whole: bool = True

    def kept(self, tries: Array) -> Array:
        """Area, where `back` leads, of the largest rectangle at each try (m, 3); below 0 outside."""
        half = _gaps(tries, self.sides).min(axis=1)
        points = _rectangles(tries, half)
        if self.per_side > 1:
            t = (np.arange(self.per_side) / self.per_side)[:, None]
            along = points[:, [1, 2, 3, 0]] - points
            points = (points[:, :, None] + t * along[:, :, None]).reshape(len(tries), -1, 2)
        led = self.back(points)
        x, y = led[..., 0], led[..., 1]
        after = np.arange(1, x.shape[1] + 1) % x.shape[1]
        area = (x * y[:, after] - y * x[:, after]).sum(axis=1) / 2
        if not self.whole:
            return area
        return np.where(_inside(tries, self.sides), area, -half)

    @property
    def coarse(self) -> _Search:
        """The same search within every third corner of a bent outline."""
        ends = self.sides[:: 3 if len(self.sides) > 32 else 1, 0]
        return replace(self, sides=_sides(ends))

    def near(self, best: Array, reach: Array) -> _Search:
        """The same search confined to tries within `reach` of one: sides that cannot matter there are dropped."""
        slack = 2 * (reach[0] * math.exp(-best[2]) + reach[1]) + 1e-6
        gaps = _gaps(best[None], self.sides)[0]
        near = gaps <= gaps.min() * math.exp(2 * reach[2]) + slack
        return replace(self, sides=self.sides[near], whole=False)


def _climb(score: Callable[[Array], Array], start: Array, reach: Array, fineness: float, steps: int) -> Array:
    """Where a score of tries (m, 3) is greatest within `reach` of a start: a grid, halved about its best point."""
    line = np.linspace(-1, 1, steps)
    axes = [line if r > 0 else np.zeros(1) for r in reach]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, 3)
    at = start
    while reach[:2].max() > fineness:
        tries = at + grid * reach
        at = tries[int(np.argmax(score(tries)))]
        reach = reach / 2
    return at


# Rooms that keep within this share of the most count as equal; among them the composition's centre decides.
NEARLY_EQUAL = 0.01
FINENESS = 0.01  # picture pixels to which a room's place is sought


def _place(search: _Search, aspect: float | None, keep: Array, fineness: float) -> Array:
    """The try (x, y, log aspect) that keeps most of the frame, nearest to `keep` among nearly equal ones."""
    low, high = search.sides[:, 0].min(axis=0), search.sides[:, 0].max(axis=0)
    start = np.array([*(low + high) / 2, math.log(aspect) if aspect else 0.0])
    reach = np.array([*(high - low) / 2, 0.0 if aspect else 1.5])
    rough = 0.02 * float(reach[:2].max())
    most = _climb(search.coarse.kept, start, reach, rough, 9)
    near = np.where(reach > 0, 4 * np.array([rough, rough, 0.04]), 0)
    most = _climb(search.near(most, near).kept, most, near, fineness, 9 if aspect else 7)
    floor = float(search.kept(most[None])[0]) * (1 - NEARLY_EQUAL)

    def nearness(of: _Search) -> Callable[[Array], Array]:
        def score(tries: Array) -> Array:
            short = np.maximum(floor - of.kept(tries), 0) / floor
            out: Array = -np.hypot(*(tries[:, :2] - keep).T) - 1e6 * short
            return out

        return score

    # A box about the best room has that room on its grid: the answer is never worse than it.
    reach = np.array([*np.maximum(high - most[:2], most[:2] - low), 0.0])
    placed = _climb(nearness(search.coarse), most, reach, rough, 9)
    near = np.array([4 * rough, 4 * rough, 0.0])
    return _climb(nearness(search.near(placed, near)), placed, near, fineness, 9)


def _tighter(search: _Search, best: Array, wanted: Array, size: float) -> tuple[Array, float]:
    """A try (x, y, log aspect) and half height `size` times those of the best room, as near to `wanted` as fits."""
    half = size * float(_gaps(best[None], search.sides).min())
    if size >= 1:
        return best, half
    way = np.linspace(0, 1, 257)[:, None]
    tries = np.column_stack([best[:2] + way * (wanted - best[:2]), np.full(len(way), best[2])])
    fits = (_gaps(tries, search.sides).min(axis=1) >= half) & _inside(tries, search.sides)
    return tries[int(np.flatnonzero(fits)[-1])], half


def _inverse(h: Array) -> Array:
    """A homography undone."""
    out: Array = np.asarray(np.linalg.inv(h), float)
    return out


def _shoelace(points: Array) -> float:
    """Signed area of a closed polygon (n, 2)."""
    x, y = points.T
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2


def _share_kept(corners: Array, camera: Camera, homography: Array) -> tuple[float, dict[str, float]]:
    """Share of the recorded frame inside a rectangle of the picture (its corners), and the loss at each edge.

    What is lost is cut along the lines from the frame's corners to the rectangle's own, seen in the frame.
    """
    t = np.arange(32)[:, None] / 32
    sides = [corners[i] + t * (corners[(i + 1) % 4] - corners[i]) for i in range(4)]
    back = camera.recorded(project(_inverse(homography), np.concatenate(sides)))
    w, h = camera.width, camera.height
    frame = np.array([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5
    lost = {}
    for i, name in enumerate(("top", "right", "bottom", "left")):
        inner = np.take(back, range(32 * i, 32 * i + 33), axis=0, mode="wrap")
        lost[name] = _shoelace(np.concatenate([frame[[i, (i + 1) % 4]], inner[::-1]])) / (w * h)
    return _shoelace(back) / (w * h), {name: lost[name] for name in ("left", "top", "right", "bottom")}


def largest_crop(
    camera: Camera,
    rectification: Rectification,
    aspect: float | None = None,
    keep: tuple[float, float] | None = None,
    size: float = 1.0,
    fineness: float = FINENESS,
) -> Crop:
    """The rectangle of width/height `aspect` (None: any) that keeps most of a straightened frame.

    "Most" counts the frame's own pixels, not the picture's, which straightening enlarges at the top. Among rooms
    that keep within NEARLY_EQUAL of the most, the one centred nearest to the composition's centre is taken: `keep`,
    in ideal pixels of the frame (None: the middle of the frame). The rectangle reaches to the outer edges
    of the frame's pixels, so that every picture pixel has its centre inside the frame; a sampler must repeat the
    outermost half pixel. `size`: width and height as a share (0 to 1) of that rectangle's; a smaller one lies about
    the composition's centre as far as the frame reaches. `fineness`: picture pixels to which its place is sought.
    Raises ValueError for an aspect or size not above 0.
    """
    if aspect is not None and not aspect > 0:
        raise ValueError(f"aspect {aspect} is not positive")
    if not size > 0:
        raise ValueError(f"size {size} is not positive")
    h = rectification.homography(camera)
    outline = straightened_outline(camera, h)
    middle = np.array(keep if keep is not None else ((camera.width - 1) / 2, (camera.height - 1) / 2), float)
    wanted = project(h, _in_front(middle[None], camera, h))[0]
    back = _inverse(h)
    search = _Search(_sides(outline), lambda points: project(back, points))
    best, half = _tighter(search, _place(search, aspect, wanted, fineness), wanted, size)
    corners = _rectangles(best[None], np.array([half]))[0]
    (left, top), (width, height) = corners[0], corners[2] - corners[0]
    bare = Crop(float(left), float(top), float(width), float(height), 0.0)
    kept, lost = _share_kept(bare.corners, camera, h)
    return replace(bare, kept=kept, lost=lost)


def crop_inside(
    outline: Array,
    aspect: float | None = None,
    keep: tuple[float, float] | None = None,
    flat: Flattening | None = None,
    size: float = 1.0,
    fineness: float = FINENESS,
) -> Crop:
    """The rectangle inside an outline (n, 2) of picture pixels, clockwise, that holds most, near `keep`.

    For pictures that are straight already, such as joined ones. `flat` leads picture points to a plane on which equal
    areas count alike (None: the picture's own). `kept` is the share of the outline's area there; `lost` is not told
    apart by edge. `size`, `fineness`: as of `largest_crop`.
    """
    border = np.asarray(outline, float)
    wanted = border.mean(axis=0) if keep is None else np.asarray(keep, float)
    back: Flattening = flat if flat is not None else lambda points: points
    search = _Search(_sides(border), back, 1 if flat is None else 6)
    best, half = _tighter(search, _place(search, aspect, wanted, fineness), wanted, size)
    corners = _rectangles(best[None], np.array([half]))[0]
    (left, top), (width, height) = corners[0], corners[2] - corners[0]
    held = float(search.kept(best[None])[0]) if size >= 1 else _shoelace(back(corners))
    kept = held / _shoelace(back(border))
    return Crop(float(left), float(top), float(width), float(height), kept)


def enlargement_map(
    camera: Camera,
    rectification: Rectification,
    crop: Crop,
    shape: tuple[int, int] = (9, 13),
) -> Array:
    """Linear enlargement, picture pixels per recorded pixel, on a grid of rows and columns over a room.

    Its reciprocal is the resolution left; the circle of confusion that counts at a place is the chosen one divided
    by the value there. Rows run from the room's top to its bottom.
    """
    h = rectification.homography(camera)
    x = crop.left + np.linspace(0, 1, shape[1]) * crop.width
    y = crop.top + np.linspace(0, 1, shape[0]) * crop.height
    points = project(_inverse(h), np.stack(np.meshgrid(x, y), axis=-1))
    scale = local_scale(h, points)
    if not camera.bends:
        return scale
    halves = 0.5 * np.eye(2)
    across, down = (camera.recorded(points + d) - camera.recorded(points - d) for d in halves)
    area = across[..., 0] * down[..., 1] - across[..., 1] * down[..., 0]
    out: Array = scale / np.sqrt(np.abs(area))
    return out
