"""How near everything is that stays, as the first of several frames would see it were nobody there.

A sweep of planes (Collins 1996): for every inverse distance all frames are laid on the first; what stays agrees in
most frames at its own distance, whoever walked before it in some. Distances are then made smooth but for steps, along
eight directions (semi-global matching, Hirschmueller 2008).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.merge.standpoint import Stand, Stands
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

SWEPT = 480  # pixels along the longer side at which distances are looked for
MOST_PLANES = 64
APART = 0.8  # pixels of the swept size between planes
CUT = 28.0  # of 255 in square-root light: a difference beyond it tells no more
WINDOW = 5
SMALL, LARGE = 4.0, 40.0  # what a step of one plane and one of more costs, in units of the cost below
LEAST_COVER = 0.08  # of the parts of the frame with detail that must be near: less may be somebody walking
FARTHEST = 0.16  # of the longer side that a near thing may shift: arms swing 15 cm, and nothing is nearer than 0.8 m
OWN = 2.0  # frames that the first counts for: where it shows the place, that is what is looked for
SUPPOSED = 3.0  # cost of being elsewhere than the details about tell: what a plain place goes by
BEHIND = 24.0  # the same behind a visitor, where the place about him goes on
RELAXED = 12  # rounds of a membrane, per scale
TRUSTED = 6.0  # planes from there at which that cost is whole
HIDES = 4.0  # planes by which something must be nearer to hide what is behind it: errors of distance hide nothing
STRANGE = 42.0  # cost of a distance that no detail near by has: what people in several frames make up
ABOUT = 3  # details within so small a part of the longer side are near by
ALIKE = 1.5  # planes by which a detail's distance may be off
THICK = 60  # what is thinner than so small a part of the longer side hides nothing: it may be an error of distance
SIGNIFICANT = 0.0025  # of the longer side: a smaller shift is not told from an error


@dataclass(frozen=True)
class Depth:
    """`near`: inverse distance, float32 H x W, as an ideal lens of `focal` and `centre` (its pixels) sees the place;
    `planes`: the distances tried, one alone where nothing shifts against anything; `cost`: of each there, for a
    second look."""

    near: F32
    planes: F64
    focal: float
    centre: tuple[float, float]
    cost: F32 | None = None


def has_depth(stands: Stands, camera: Camera) -> bool:
    """Whether near things shift against far ones in enough of the frame to be the place and not somebody walking."""
    placed = [s for s in stands.frames if s is not None]
    if not placed or not len(stands.near):
        return False
    side = max(camera.width, camera.height)
    rays = camera.unproject(stands.points)
    middle = np.full(len(rays), np.median(stands.near))
    # As seen: along the way that a frame moved, distances shift nothing.
    shifts = [
        np.linalg.norm(camera.project(s.at(rays, stands.near)) - camera.project(s.at(rays, middle)), axis=1)
        for s in placed
    ]
    shift = np.median(shifts, axis=0)
    cells = (stands.points / (side / 16)).astype(int)
    every = {tuple(c) for c in cells}
    moved = {tuple(c) for c in cells[(shift > SIGNIFICANT * side) & (shift < FARTHEST * side)]}
    return len(moved) >= LEAST_COVER * len(every)


def planes_of(stands: Stands, camera: Camera) -> F64:
    """Inverse distances to try: a pixel or less apart in every frame, from the farthest detail to the nearest."""
    if not has_depth(stands, camera):
        return np.zeros(1)
    side, focal = max(camera.width, camera.height), camera.focal
    step = max(float(np.linalg.norm(s.step)) for s in stands.frames if s is not None)
    most = FARTHEST * side / focal / step
    near = stands.near[np.abs(stands.near - np.median(stands.near)) < most]
    low, high = np.percentile(near, [1, 99])
    room = 0.15 * (high - low)
    low, high = min(low - room, 0.0), high + 2 * room
    shift = (high - low) * step * focal * min(1.0, SWEPT / side)
    count = int(np.clip(math.ceil(shift / APART) + 1, 2, MOST_PLANES))
    return np.linspace(low, high, count)


@njit(cache=True, error_model="numpy")
def _row_of(picture, base, step, near, focal, cx, cy, out):  # type: ignore[no-untyped-def]
    """Colours of a picture (H, W, 3) where it shows places at one inverse distance, infinite where it does not.

    `base` (3, m): their rays, turned as the frame is; `out` (3, m).
    """
    height, width, _ = picture.shape
    one, zero = np.uintp(1), np.uintp(0)
    for m in range(base.shape[1]):
        z = np.float32(1.0) / max(base[2, m] + near * step[2], np.float32(1e-3))
        x = (base[0, m] + near * step[0]) * z * focal + cx
        y = (base[1, m] + near * step[1]) * z * focal + cy
        if not (x >= 0 and y >= 0 and x < width - 1 and y < height - 1):
            out[0, m] = out[1, m] = out[2, m] = np.float32(np.inf)
            continue
        left, above = np.int32(x), np.int32(y)
        fx, fy = x - np.float32(left), y - np.float32(above)
        i, j = np.uintp(above), np.uintp(left)
        for c in range(zero, np.uintp(3)):
            a, b = np.float32(picture[i, j, c]), np.float32(picture[i, j + one, c])
            d, e = np.float32(picture[i + one, j, c]), np.float32(picture[i + one, j + one, c])
            top, low = a + fx * (b - a), d + fx * (e - d)
            out[c, m] = top + fy * (low - top)


@njit(cache=True, error_model="numpy")
def _middles(shown, count, order, out):  # type: ignore[no-untyped-def]
    """Medians (3, m) of what frames show, (n, 3, m), of which `count` (m,) show anything; `order`: as much room."""
    n = len(shown)
    order[:] = shown
    for last in range(n - 1, 0, -1):  # the largest sinks to the end, then the next: of a whole row at once
        for k in range(last):
            for c in range(3):
                upper, lower = order[k, c], order[k + 1, c]
                for m in range(len(upper)):
                    a, b = upper[m], lower[m]
                    upper[m], lower[m] = min(a, b), max(a, b)
    for c in range(3):
        for m in range(len(count)):
            k = max(count[m], 1)
            out[c, m] = np.float32(0.5) * (order[(k - 1) // 2, c, m] + order[k // 2, c, m])


@njit(cache=True, error_model="numpy")
def _doubts(shown, middle, weights, total, cut, cost):  # type: ignore[no-untyped-def]
    """Mean truncated distance of frames from their median colour, by `weights` (n, m), of `total` (m,) in all: what a
    frame does not show counts as half in doubt."""
    for m in range(len(cost)):
        cost[m] = np.float32(0.0)
    for k in range(len(shown)):
        for m in range(len(cost)):
            far = np.float32(0.0)
            for c in range(3):
                far += abs(shown[k, c, m] - middle[c, m])
            known = shown[k, 0, m] < np.float32(1e9)
            cost[m] += weights[k, m] * (min(far, cut) if known else np.float32(0.5) * cut)
    for m in range(len(cost)):
        cost[m] /= total[m]


@njit(cache=True, nogil=True, error_model="numpy")
def _consensus(begin, end, pictures, turns, steps, focal, cx, cy, planes, cut, owns, cost):  # type: ignore[no-untyped-def]
    """Per plane and pixel the mean truncated distance of the frames from their own median colour.

    `pictures` (n, H, W, 3) uint8, the first the one to lay on; what a frame does not show counts as in doubt.
    """
    n = len(pictures)
    for y in range(begin, end):
        asked = np.flatnonzero(owns[y] >= 0)
        count = len(asked)
        if count == 0:
            continue
        base, shown = np.empty((n, 3, count), np.float32), np.empty((n, 3, count), np.float32)
        order, middle = np.empty_like(shown), np.empty((3, count), np.float32)
        weights, found = np.ones((n, count), np.float32), np.empty(count, np.float32)
        total, known = np.empty(count, np.float32), np.empty(count, np.int64)
        for m in range(count):
            x, own = asked[m], owns[y, asked[m]]
            u, v = (np.float32(x) - cx) / focal, (np.float32(y) - cy) / focal
            for k in range(n - 1):
                for i in range(3):
                    base[k + 1, i, m] = turns[k, i, 0] * u + turns[k, i, 1] * v + turns[k, i, 2]
            weights[0, m], total[m] = own, np.float32(n - 1) + own
            for c in range(3):
                shown[0, c, m] = np.float32(pictures[0, y, x, c]) if own > 0 else np.float32(np.inf)
        for j in range(planes.shape[0]):
            for k in range(1, n):
                _row_of(pictures[k], base[k], steps[k - 1], planes[j], focal, cx, cy, shown[k])
            known[:] = 0
            for k in range(n):
                for m in range(count):
                    known[m] += shown[k, 0, m] < np.float32(1e9)
            _middles(shown, known, order, middle)
            _doubts(shown, middle, weights, total, cut, found)
            for m in range(count):
                cost[j, y, asked[m]] = found[m]


@njit(cache=True, error_model="numpy")
def _along(cost, out, y0, x0, dy, dx, small, large, edge):  # type: ignore[no-untyped-def]
    """One path of semi-global matching, added to `out`."""
    height, width, planes = cost.shape
    last = np.zeros(planes, np.float32)
    now = np.zeros(planes, np.float32)
    first = True
    y, x = y0, x0
    while 0 <= y < height and 0 <= x < width:
        if first:
            for d in range(planes):
                now[d] = cost[y, x, d]
            first = False
        else:
            least = last[0]
            for d in range(1, planes):
                least = min(least, last[d])
            jump = least + large * edge[y, x]
            for d in range(planes):
                best = min(last[d], jump)
                if d > 0:
                    best = min(best, last[d - 1] + small)
                if d < planes - 1:
                    best = min(best, last[d + 1] + small)
                now[d] = cost[y, x, d] + best - least
        for d in range(planes):
            out[y, x, d] += now[d]
            last[d] = now[d]
        y += dy
        x += dx


@njit(cache=True, nogil=True, error_model="numpy")
def _paths(begin, end, cost, out, starts, dy, dx, small, large, edge):  # type: ignore[no-untyped-def]
    """All paths of one direction: they share no pixel."""
    for k in range(begin, end):
        _along(cost, out, starts[k, 0], starts[k, 1], dy, dx, small, large, edge)


def _smoothed(cost: F32, edge: F32) -> F32:
    height, width = cost.shape[:2]
    out = np.zeros_like(cost)
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0), (1, 1), (1, -1), (-1, 1), (-1, -1)):
        starts = set()
        if dy:
            row = 0 if dy > 0 else height - 1
            starts |= {(row, x) for x in range(width)}
        if dx:
            column = 0 if dx > 0 else width - 1
            starts |= {(y, column) for y in range(height)}
        begun = np.array(sorted(starts))
        in_bands(_paths, 0, len(begun), cost, out, begun, dy, dx, np.float32(SMALL), np.float32(LARGE), edge)
    return out


def _coded(picture: F32, top: float) -> U8:
    return np.asarray(np.clip(np.sqrt(np.maximum(picture, 0) / np.float32(top)) * 200, 0, 255).astype(np.uint8))


@dataclass(frozen=True)
class Pinhole:
    """Small pictures as an ideal lens has them: `pictures` uint8 (n, H, W, 3), focal length and centre in pixels."""

    pictures: U8
    focal: float
    centre: tuple[float, float]

    @classmethod
    def of(cls, pictures: Sequence[F32], gains: Sequence[F64], camera: Camera) -> Pinhole:
        """From pictures of the camera's frame at any size; each is divided by its gain (3,) first."""
        factor = SWEPT / max(camera.width, camera.height)
        width, height = round(camera.width * factor), round(camera.height * factor)
        centre = (camera.cx + 0.5) * factor - 0.5, (camera.cy + 0.5) * factor - 0.5
        focal = camera.focal * factor
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        flat = (np.stack([x, y], axis=-1) - centre) / focal
        at = camera.project(np.concatenate([flat, np.ones((height, width, 1))], axis=-1))
        rows, columns = pictures[0].shape[:2]
        scale = np.array([width / camera.width, height / camera.height])
        at = ((at + 0.5) * scale - 0.5).astype(np.float32)
        top = float(np.percentile(pictures[0][::4, ::4], 99))
        out = np.empty((len(pictures), height, width, 3), np.uint8)
        for k, (picture, gain) in enumerate(zip(pictures, gains, strict=True)):
            even = np.asarray(picture / gain.astype(np.float32), np.float32)
            small = (
                even
                if (rows, columns) == (height, width)
                else cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA)
            )
            out[k] = cv2.remap(_coded(small, top), at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return cls(out, focal, centre)

    def of_frame(self, values: F32, camera: Camera) -> F32:
        """A map (rows, columns) over the whole frame, as the ideal lens has it."""
        height, width = self.pictures.shape[1:3]
        x, y = np.meshgrid(np.arange(width), np.arange(height))
        flat = (np.stack([x, y], axis=-1) - self.centre) / self.focal
        at = camera.project(np.concatenate([flat, np.ones((height, width, 1))], axis=-1))
        scale = np.array([values.shape[1] / camera.width, values.shape[0] / camera.height])
        at = ((at + 0.5) * scale - 0.5).astype(np.float32)
        return np.asarray(cv2.remap(values, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def _spread(total: F32, weight: F32) -> F32:
    """What is known here and there (`total` over `weight`), everywhere: means over wider and wider surroundings."""
    up, down = np.zeros(total.shape, np.float32), np.full(total.shape, 1e-12, np.float32)
    for part, trust in ((60, 1.0), (25, 1e-3), (8, 1e-6)):
        sigma = max(total.shape) / part
        up += np.float32(trust * sigma**2) * cv2.GaussianBlur(total, (0, 0), sigma)
        down += np.float32(trust * sigma**2) * cv2.GaussianBlur(weight, (0, 0), sigma)
    return np.asarray(up / down, np.float32)


def _filled(values: F32, known: NDArray[np.bool_]) -> F32:
    """A map with its unknown places as a membrane over them lies: inverse distances of a plane are one. H x W."""
    if min(known.shape) < 4 or known.all():
        return np.where(known, values, values[known].mean() if known.any() else 0).astype(np.float32)
    size = ((known.shape[1] + 1) // 2, (known.shape[0] + 1) // 2)
    weight = cv2.resize(known.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    total = cv2.resize(np.where(known, values, 0).astype(np.float32), size, interpolation=cv2.INTER_AREA)
    coarse = _filled(total / np.maximum(weight, np.float32(1e-6)), weight > 0.25)
    rough = cv2.resize(coarse, known.shape[::-1], interpolation=cv2.INTER_LINEAR)
    out = np.where(known, values, rough).astype(np.float32)
    for _ in range(RELAXED):
        out = np.where(known, values, cv2.blur(out, (3, 3))).astype(np.float32)
    return out


def _supposed(points: F64, near: F64, shape: tuple[int, int]) -> F32:
    """Inverse distances between details (n, 2) where those are known, H x W."""
    total, weight = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
    at = np.clip(np.round(points).astype(int), 0, [shape[1] - 1, shape[0] - 1])
    np.add.at(total, (at[:, 1], at[:, 0]), near.astype(np.float32))
    np.add.at(weight, (at[:, 1], at[:, 0]), np.float32(1))
    return _spread(total, weight)


def _strange(points: F64, near: F64, planes: F64, there: F32) -> F32:
    """How far from any detail (n, 2) of a plane's distance each place lies, 0 to 1 (planes, H, W).

    Details of visitors, where `there` is above 0, are not asked.
    """
    height, width = there.shape
    at = np.round(points).astype(int)
    inside = (at >= 0).all(axis=1) & (at[:, 0] < width) & (at[:, 1] < height)
    at, near = at[inside], near[inside]
    ours = there[at[:, 1], at[:, 0]] <= 0
    at, near = at[ours], near[ours]
    out = np.ones((len(planes), height, width), np.float32)
    reach = max(height, width) / ABOUT
    for j, plane in enumerate(planes):
        alike = at[np.abs(near - plane) < ALIKE * (planes[1] - planes[0])]
        if len(alike):
            free = np.ones((height, width), np.uint8)
            free[alike[:, 1], alike[:, 0]] = 0
            far = cv2.distanceTransform(free, cv2.DIST_L2, 3)
            out[j] = np.minimum(far / np.float32(reach), 1)
    return out


def depth_of(
    pictures: Sequence[F32],
    stands: Stands,
    camera: Camera,
    before: Depth | None = None,
    visitors: NDArray[np.bool_] | None = None,
) -> Depth:
    """Inverse distances as the first of some pictures (H x W x 3, of one size, whole frames of `camera`) sees them.

    `before`: distances found once already, and `visitors`, of any size over the whole frame, where the first frame
    was then seen to show somebody: there it is not asked, and the place goes on as it does about them.
    """
    planes = planes_of(stands, camera) if before is None else before.planes
    placed = [(s, p) for s, p in zip(stands.frames, pictures[1:], strict=True) if s is not None]
    gains = [np.ones(3), *(s.gain for s, _ in placed)]
    small = Pinhole.of([pictures[0], *(p for _, p in placed)], gains, camera)
    height, width = small.pictures.shape[1:3]
    if len(planes) == 1:
        return Depth(np.zeros((height, width), np.float32), planes, small.focal, small.centre)
    there = np.zeros((height, width), np.float32)
    if visitors is not None:
        there = small.of_frame(visitors.astype(np.float32), camera)
        there = cv2.dilate((there > 0.1).astype(np.float32), np.ones((5, 5), np.uint8))
    known = before is not None and before.cost is not None
    cost = (
        before.cost
        if before is not None and before.cost is not None
        else np.empty((len(planes), height, width), np.float32)
    )
    turns, steps = (np.array([getattr(s, n) for s, _ in placed], np.float32) for n in ("rotation", "step"))
    # What was told with the first frame's word stands where it shows no visitor.
    owns = np.where(there > 0, 0, -1 if known else OWN).astype(np.float32)
    inside = np.float32(small.focal), np.float32(small.centre[0]), np.float32(small.centre[1])
    given = planes.astype(np.float32), np.float32(3 * CUT), owns
    in_bands(_consensus, 0, height, small.pictures, turns, steps, *inside, *given, cost, least=4)
    points = camera.unproject(stands.points)[:, :2] * small.focal + small.centre
    strange = _strange(points, stands.near, planes, there)
    if before is None:
        supposed = _supposed(points, np.clip(stands.near, planes[0], planes[-1]), (height, width))
    else:
        supposed = _filled(before.near, there <= 0)
    much = np.where(there > 0, np.float32(BEHIND), np.float32(SUPPOSED))
    span = np.float32(TRUSTED * (planes[1] - planes[0]))
    seen = np.empty_like(cost)
    for j, near in enumerate(planes):
        seen[j] = cv2.blur(cost[j], (WINDOW, WINDOW))
        seen[j] += much * np.minimum(np.abs(supposed - np.float32(near)) / span, 1)
        seen[j] += np.float32(STRANGE) * strange[j]
    grey = cv2.GaussianBlur(small.pictures[0], (0, 0), 1.0).astype(np.float32).mean(axis=-1)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)) / 8 * (1 - there)
    edge = (1 / (1 + slope / 4)).clip(0.25, 1).astype(np.float32)
    summed = _smoothed(np.ascontiguousarray(np.moveaxis(seen, 0, -1)), edge)
    index = _finer(summed, summed.argmin(axis=-1))
    index = cv2.medianBlur(index.astype(np.float32), 5)
    near_all = np.interp(index, np.arange(len(planes)), planes).astype(np.float32)
    return Depth(near_all, planes, small.focal, small.centre, cost)


def _finer(summed: F32, best: NDArray[np.intp]) -> F32:
    """The least of a parabola through the best plane and its neighbours, index units."""
    at = np.clip(best, 1, summed.shape[-1] - 2)
    a, b, c = (np.take_along_axis(summed, (at + o)[..., None], axis=-1)[..., 0] for o in (-1, 0, 1))
    bend = np.maximum(a - 2 * b + c, 1e-6)
    out = at + np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    return np.asarray(np.where(best == at, out, best), np.float32)


def place_of(stand: Stand, depth: Depth, rays: F64, camera: Camera) -> tuple[F64, F32]:
    """Where rays (..., 3) of the first frame lie in another, pixels, and their inverse distances (...)."""
    at = (rays[..., :2] * depth.focal + depth.centre).astype(np.float32)
    near = cv2.remap(depth.near, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return camera.project(stand.at(rays, near.astype(float))), near


@njit(cache=True, error_model="numpy")
def _splat(at, near, front):  # type: ignore[no-untyped-def]
    """The nearest of what falls on each pixel of another frame."""
    height, width = near.shape
    for y in range(height):
        for x in range(width):
            i, j = int(at[y, x, 1] + np.float32(0.5)), int(at[y, x, 0] + np.float32(0.5))
            for a in range(max(i - 1, 0), min(i + 2, front.shape[0])):
                for b in range(max(j - 1, 0), min(j + 2, front.shape[1])):
                    if near[y, x] > front[a, b]:
                        front[a, b] = near[y, x]


def hidden(at: F32, near: F32, planes: F64) -> NDArray[np.bool_]:
    """Where what the first frame shows is hidden in another behind something nearer, H x W.

    `at`: places in the other frame in units of this grid, H x W x 2; `near`: inverse distances there.
    """
    if len(planes) == 1:
        return np.zeros(near.shape, bool)
    front = np.full(near.shape, -1e9, np.float32)
    wide = 2 * (max(near.shape) // THICK // 2) + 1
    _splat(at, cv2.morphologyEx(near, cv2.MORPH_OPEN, np.ones((wide, wide), np.uint8)), front)
    seen = cv2.remap(front, at, None, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(seen - near > HIDES * float(planes[1] - planes[0]))
