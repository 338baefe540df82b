"""How near everything is that stays, as the first of several frames would see it were nobody there.

A sweep of planes (Collins 1996): for every inverse distance all frames are laid on the first; what stays agrees in
most frames at its own distance, whoever walked before it in some. Distances are then made smooth but for steps, along
eight directions (semi-global matching, Hirschmueller 2008).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.merge.standpoint import Stand, Stands

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

SWEPT = 480  # pixels along the longer side at which distances are looked for
MOST_PLANES = 64
APART = 0.8  # pixels of the swept size between planes
CUT = 28.0  # of 255 in square-root light: a difference beyond it tells no more
WINDOW = 5
SMALL, LARGE = 3.0, 26.0  # what a step of one plane and one of more costs, in units of the cost below
LEAST_COVER = 0.08  # of the parts of the frame with detail that must be near: less may be somebody walking
FARTHEST = 0.16  # of the longer side that a near thing may shift: arms swing 15 cm, and nothing is nearer than 0.8 m
SIGNIFICANT = 0.0025  # of the longer side: a smaller shift is not told from an error


@dataclass(frozen=True)
class Depth:
    """`near`: inverse distance per pixel of the picture it was made for, float32 H x W; `planes`: those tried."""

    near: F32
    planes: F64


def has_depth(stands: Stands, focal: float, shape: tuple[int, ...]) -> bool:
    """Whether near things shift against far ones in enough of the frame to be the place and not somebody walking."""
    steps = [np.linalg.norm(s.step) for s in stands.frames if s is not None]
    if not steps or not len(stands.near):
        return False
    side = max(shape[:2])
    shift = np.abs(stands.near - np.median(stands.near)) * max(steps) * focal
    cells = (stands.points / (side / 16)).astype(int)
    every = {tuple(c) for c in cells}
    moved = {tuple(c) for c in cells[(shift > SIGNIFICANT * side) & (shift < FARTHEST * side)]}
    return len(moved) >= LEAST_COVER * len(every)


def planes_of(stands: Stands, focal: float, shape: tuple[int, ...]) -> F64:
    """Inverse distances to try: a pixel or less apart in every frame, from the farthest detail to the nearest."""
    if not has_depth(stands, focal, shape):
        return np.zeros(1)
    side = max(shape[:2])
    step = max(float(np.linalg.norm(s.step)) for s in stands.frames if s is not None)
    most = FARTHEST * side / focal / step
    near = stands.near[np.abs(stands.near - np.median(stands.near)) < most]
    low, high = np.percentile(near, [1, 99])
    room = 0.15 * (high - low)
    low, high = min(low - room, 0.0), high + 2 * room
    shift = (high - low) * step * focal * min(1.0, SWEPT / side)
    count = int(np.clip(math.ceil(shift / APART) + 1, 2, MOST_PLANES))
    return np.linspace(low, high, count)


@njit(cache=True, parallel=True, error_model="numpy")
def _consensus_cost(layers, shown, cut, cost):  # type: ignore[no-untyped-def]
    """Per pixel the mean truncated distance of the frames from their own median colour; layers (n, H, W, 3) uint8.

    Where only a part of the frames shows anything, the others count as in doubt.
    """
    n, height, width, _ = layers.shape
    for y in prange(height):
        values = np.empty(n, np.float32)
        middle = np.empty(3, np.float32)
        for x in range(width):
            count = 0
            for c in range(3):
                count = 0
                for k in range(n):
                    if shown[k, y, x] > 0:
                        v = np.float32(layers[k, y, x, c])
                        i = count
                        while i > 0 and values[i - 1] > v:
                            values[i] = values[i - 1]
                            i -= 1
                        values[i] = v
                        count += 1
                if count > 0:
                    middle[c] = np.float32(0.5) * (values[(count - 1) // 2] + values[count // 2])
            total = np.float32(0.0)
            for k in range(n):
                if shown[k, y, x] > 0:
                    d = np.float32(0.0)
                    for c in range(3):
                        d += abs(np.float32(layers[k, y, x, c]) - middle[c])
                    total += min(d, cut)
                else:
                    total += np.float32(0.5) * cut
            cost[y, x] = total / np.float32(n)


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


@njit(cache=True, parallel=True, error_model="numpy")
def _paths(cost, out, starts, dy, dx, small, large, edge):  # type: ignore[no-untyped-def]
    """All paths of one direction: they share no pixel."""
    for k in prange(starts.shape[0]):
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
        _paths(cost, out, np.array(sorted(starts)), dy, dx, np.float32(SMALL), np.float32(LARGE), edge)
    return out


def _coded(picture: F32, top: float) -> U8:
    return np.asarray(np.clip(np.sqrt(np.maximum(picture, 0) / np.float32(top)) * 200, 0, 255).astype(np.uint8))


def depth_of(
    pictures: Sequence[F32],
    stands: Stands,
    rays_of: Callable[[F64], F64],
    pixels_of: Callable[[F64], F64],
    focal: float,
) -> Depth:
    """Inverse distances as the first of some pictures (H x W x 3, of even light and one size) sees them."""
    height, width = pictures[0].shape[:2]
    planes = planes_of(stands, focal, (height, width))
    if len(planes) == 1:
        return Depth(np.zeros((height, width), np.float32), planes)
    factor = min(1.0, SWEPT / max(height, width))
    size = (round(width * factor), round(height * factor))
    placed = [(s, p) for s, p in zip(stands.frames, pictures[1:], strict=True) if s is not None]
    top = float(np.percentile(pictures[0][::4, ::4], 99))
    coded = [_coded(cv2.resize(p, size, interpolation=cv2.INTER_AREA), top) for p in (pictures[0], *(p for _, p in placed))]
    scale = np.array([width / size[0], height / size[1]])
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    rays = rays_of((np.stack([x, y], axis=-1) + 0.5) * scale - 0.5)
    cost = np.empty((size[1], size[0], len(planes)), np.float32)
    layers = np.empty((len(coded), size[1], size[0], 3), np.uint8)
    shown = np.ones(layers.shape[:3], np.uint8)
    layers[0] = coded[0]
    one = np.empty(cost.shape[:2], np.float32)
    for j, near in enumerate(planes):
        for k, (stand, _) in enumerate(placed, 1):
            at = ((pixels_of(stand.at(rays, np.full(rays.shape[:2], near))) + 0.5) / scale - 0.5).astype(np.float32)
            layers[k] = cv2.remap(coded[k], at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            inside = (at[..., 0] >= 0) & (at[..., 1] >= 0) & (at[..., 0] <= size[0] - 1) & (at[..., 1] <= size[1] - 1)
            shown[k] = inside
        _consensus_cost(layers, shown, np.float32(3 * CUT), one)
        cost[..., j] = cv2.blur(one, (WINDOW, WINDOW))
    grey = cv2.GaussianBlur(coded[0], (0, 0), 1.0).astype(np.float32).mean(axis=-1)
    slope = np.hypot(cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)) / 8
    edge = (1 / (1 + slope / 4)).clip(0.25, 1).astype(np.float32)
    summed = _smoothed(cost, edge)
    index = _finer(summed, summed.argmin(axis=-1))
    index = cv2.medianBlur(index.astype(np.float32), 5)
    near_small = np.interp(index, np.arange(len(planes)), planes).astype(np.float32)
    return Depth(cv2.resize(near_small, (width, height), interpolation=cv2.INTER_LINEAR), planes)


def _finer(summed: F32, best: NDArray[np.intp]) -> F32:
    """The least of a parabola through the best plane and its neighbours, index units."""
    at = np.clip(best, 1, summed.shape[-1] - 2)
    a, b, c = (np.take_along_axis(summed, (at + o)[..., None], axis=-1)[..., 0] for o in (-1, 0, 1))
    bend = np.maximum(a - 2 * b + c, 1e-6)
    out = at + np.clip(0.5 * (a - c) / bend, -0.5, 0.5)
    return np.asarray(np.where(best == at, out, best), np.float32)


def place_of(stand: Stand, depth: Depth, rays: F64, pixels_of: Callable[[F64], F64]) -> F32:
    """Where the first frame's pixels lie in another, float32 H x W x 2."""
    return pixels_of(stand.at(rays, depth.near.astype(float))).astype(np.float32)


@njit(cache=True, error_model="numpy")
def _splat(at, near, front):  # type: ignore[no-untyped-def]
    """The nearest of what falls on each pixel of another frame."""
    height, width = near.shape
    for y in range(height):
        for x in range(width):
            i, j = int(round(at[y, x, 1])), int(round(at[y, x, 0]))
            for a in range(max(i - 1, 0), min(i + 2, front.shape[0])):
                for b in range(max(j - 1, 0), min(j + 2, front.shape[1])):
                    if near[y, x] > front[a, b]:
                        front[a, b] = near[y, x]


def hidden(at: F32, depth: Depth) -> NDArray[np.bool_]:
    """Where what the first frame shows is hidden in another behind something nearer, H x W."""
    if len(depth.planes) == 1:
        return np.zeros(depth.near.shape, bool)
    front = np.full(depth.near.shape, -1e9, np.float32)
    _splat(at, depth.near, front)
    seen = cv2.remap(front, at, None, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
    step = float(depth.planes[1] - depth.planes[0])
    return np.asarray(seen - depth.near > 3 * step)
