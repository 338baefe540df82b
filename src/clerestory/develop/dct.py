"""Sliding 8 x 8 cosine windows over four planes at once, many windows side by side in the processor's vector lanes.

Planes are kept with their columns dealt out by `STRIDE` (column STRIDE * m + r at [r, m]), so that the same pixel of
neighbouring windows lies side by side in memory. A group is BLOCKS windows of one row of windows, of four planes:
LANES numbers for each of the 64 places of a window, place major, in one flat array.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
SIDE = 8
STRIDE = 2  # columns from one window to the next
BLOCKS = 16
LANES = 4 * BLOCKS
BETWEEN = 16  # rows of windows to a stripe that one thread does

_E0 = np.float32(math.sqrt(1 / 8))
_E1, _E2 = (np.float32(0.5 * math.cos(math.pi * k / 16)) for k in (2, 6))
_O1, _O3, _O5, _O7 = (np.float32(0.5 * math.cos(math.pi * k / 16)) for k in (1, 3, 5, 7))


@njit(cache=True, inline="always", error_model="numpy")
def _forward8(a, base, step):  # type: ignore[no-untyped-def]
    """Orthonormal DCT-II of 8 numbers `step` apart, in place, for all lanes."""
    for lane in range(LANES):
        p = base + lane
        x0, x1, x2, x3 = a[p], a[p + step], a[p + 2 * step], a[p + 3 * step]
        x4, x5, x6, x7 = a[p + 4 * step], a[p + 5 * step], a[p + 6 * step], a[p + 7 * step]
        s0, s1, s2, s3 = x0 + x7, x1 + x6, x2 + x5, x3 + x4
        d0, d1, d2, d3 = x0 - x7, x1 - x6, x2 - x5, x3 - x4
        e0, e1, e2, e3 = s0 + s3, s1 + s2, s0 - s3, s1 - s2
        a[p] = _E0 * (e0 + e1)
        a[p + 4 * step] = _E0 * (e0 - e1)
        a[p + 2 * step] = _E1 * e2 + _E2 * e3
        a[p + 6 * step] = _E2 * e2 - _E1 * e3
        a[p + step] = _O1 * d0 + _O3 * d1 + _O5 * d2 + _O7 * d3
        a[p + 3 * step] = _O3 * d0 - _O7 * d1 - _O1 * d2 - _O5 * d3
        a[p + 5 * step] = _O5 * d0 - _O1 * d1 + _O7 * d2 + _O3 * d3
        a[p + 7 * step] = _O7 * d0 - _O5 * d1 + _O3 * d2 - _O1 * d3


@njit(cache=True, inline="always", error_model="numpy")
def _inverse8(a, base, step):  # type: ignore[no-untyped-def]
    for lane in range(LANES):
        p = base + lane
        y0, y1, y2, y3 = a[p], a[p + step], a[p + 2 * step], a[p + 3 * step]
        y4, y5, y6, y7 = a[p + 4 * step], a[p + 5 * step], a[p + 6 * step], a[p + 7 * step]
        g0, g1 = _E0 * (y0 + y4), _E0 * (y0 - y4)
        g2, g3 = _E1 * y2 + _E2 * y6, _E2 * y2 - _E1 * y6
        e0, e3, e1, e2 = g0 + g2, g0 - g2, g1 + g3, g1 - g3
        o0 = _O1 * y1 + _O3 * y3 + _O5 * y5 + _O7 * y7
        o1 = _O3 * y1 - _O7 * y3 - _O1 * y5 - _O5 * y7
        o2 = _O5 * y1 - _O1 * y3 + _O7 * y5 + _O3 * y7
        o3 = _O7 * y1 - _O5 * y3 + _O3 * y5 - _O1 * y7
        a[p], a[p + 7 * step] = e0 + o0, e0 - o0
        a[p + step], a[p + 6 * step] = e1 + o1, e1 - o1
        a[p + 2 * step], a[p + 5 * step] = e2 + o2, e2 - o2
        a[p + 3 * step], a[p + 4 * step] = e3 + o3, e3 - o3


@njit(cache=True, error_model="numpy")
def _forward(a):  # type: ignore[no-untyped-def]
    for i in range(8):
        _forward8(a, i * 8 * LANES, LANES)
    for j in range(8):
        _forward8(a, j * LANES, 8 * LANES)


@njit(cache=True, error_model="numpy")
def _inverse(a):  # type: ignore[no-untyped-def]
    for i in range(8):
        _inverse8(a, i * 8 * LANES, LANES)
    for j in range(8):
        _inverse8(a, j * LANES, 8 * LANES)


@njit(cache=True, error_model="numpy")
def _places(columns):  # type: ignore[no-untyped-def]
    """How far the 64 places of a window lie behind its first in a flat plane (H x STRIDE x `columns`).

    Unsigned: a compiler looks after indices that may be negative, and takes fewer numbers at once.
    """
    out = np.empty(64, np.uint64)
    for i in range(8):
        for j in range(8):
            out[i * 8 + j] = (i * STRIDE + j % STRIDE) * columns + j // STRIDE
    return out


@njit(cache=True, error_model="numpy")
def _load(flat, size, start, places, blocks, a):  # type: ignore[no-untyped-def]
    """A group of windows from flat planes of `size`, in which it begins at `start`."""
    for q in range(4):
        for place in range(64):
            at, into = np.uint64(q * size + start) + places[place], np.uint64(place * LANES + q * BLOCKS)
            for b in range(blocks):
                a[into + np.uint64(b)] = flat[at + np.uint64(b)]


@njit(cache=True, error_model="numpy")
def _add(a, weight, size, start, places, blocks, num, den):  # type: ignore[no-untyped-def]
    """The group, weighted, added to sums that lie as the planes do, and the weights to one such plane."""
    for place in range(64):
        for q in range(4):
            at, base = np.uint64(q * size + start) + places[place], np.uint64(place * LANES + q * BLOCKS)
            for b in range(blocks):
                k = np.uint64(b)
                num[at + k] += weight[k] * a[base + k]
        at = np.uint64(start) + places[place]
        for b in range(blocks):
            den[at + np.uint64(b)] += weight[np.uint64(b)]


@njit(cache=True, error_model="numpy")
def _axes(a, u):  # type: ignore[no-untyped-def]
    """u[0:3]: unit vector, per window, along its mean colour (R, both greens, B); u[3]: 1 / length of its (R, B)."""
    half = np.float32(math.sqrt(0.5))
    for b in range(BLOCKS):
        r, g, v = a[b], (a[BLOCKS + b] + a[2 * BLOCKS + b]) * half, a[3 * BLOCKS + b]
        r, g, v = max(r, np.float32(4)), max(g, np.float32(6)), max(v, np.float32(4))
        size = np.float32(1) / np.sqrt(r * r + g * g + v * v)
        r, g, v = r * size, g * size, v * size
        u[b], u[BLOCKS + b], u[2 * BLOCKS + b] = r, g, v
        u[3 * BLOCKS + b] = np.float32(1) / np.sqrt(r * r + v * v)


@njit(cache=True, error_model="numpy")
def _hard(a, u, limits, weight):  # type: ignore[no-untyped-def]
    """Cosines under the limit of their axis go; `weight` is 1 / the number that stay. The mean always stays.

    Planes R, G1, G2, B are turned to brightness, G1 - G2, R against B, and green against both, and back.
    """
    half, stays, goes = np.float32(math.sqrt(0.5)), np.float32(1), np.float32(0)
    l0, l1, l2, l3 = limits[0] * limits[0], limits[1] * limits[1], limits[2] * limits[2], limits[3] * limits[3]
    for b in range(BLOCKS):
        weight[b] = np.float32(4)
    for place in range(1, 64):
        base = place * LANES
        for b in range(BLOCKS):
            p0, p1, p2, p3 = base + b, base + BLOCKS + b, base + 2 * BLOCKS + b, base + 3 * BLOCKS + b
            ur, ug, ub, per = u[b], u[BLOCKS + b], u[2 * BLOCKS + b], u[3 * BLOCKS + b]
            n = (ur * ur + ub * ub) * per
            r, g, v = a[p0], (a[p1] + a[p2]) * half, a[p3]
            chroma = (ur * r + ub * v) * per
            light, d = n * chroma + ug * g, (a[p1] - a[p2]) * half
            rb, green = (ub * r - ur * v) * per, n * g - ug * chroma
            s0, s1 = stays if light * light > l0 else goes, stays if d * d > l1 else goes
            s2, s3 = stays if rb * rb > l2 else goes, stays if green * green > l3 else goes
            weight[b] += (s0 + s1) + (s2 + s3)
            light, d, rb, green = light * s0, d * s1, rb * s2, green * s3
            g, chroma = ug * light + n * green, n * light - ug * green
            a[p0], a[p3] = (ur * chroma + ub * rb) * per, (ub * chroma - ur * rb) * per
            a[p1], a[p2] = (g + d) * half, (g - d) * half
    for b in range(BLOCKS):
        weight[b] = np.float32(1) / weight[b]


@njit(cache=True, nogil=True, error_model="numpy")
def _pass(begin, end, parity, planes, down, blocks, limits, num, den):  # type: ignore[no-untyped-def]
    """Every second stripe of BETWEEN rows of windows, even or odd ones, so that no two threads add to one pixel.

    `blocks` is BLOCKS, told at run time: the compiler unrolls short loops it knows instead of using wide lanes.
    """
    height = planes.shape[1]
    groups = (planes.shape[3] - 8 // STRIDE) // BLOCKS
    rows = (height - 8 + down - 1) // down + 1
    a, u, weight = np.empty(64 * LANES, np.float32), np.empty(4 * BLOCKS, np.float32), np.empty(BLOCKS, np.float32)
    flat, sums, weights = planes.ravel(), num.ravel(), den.ravel()
    columns, places = planes.shape[3], _places(planes.shape[3])
    size = height * STRIDE * columns
    for stripe in range(2 * begin + parity, 2 * end + parity, 2):
        for k in range(stripe * BETWEEN, min((stripe + 1) * BETWEEN, rows)):
            y = min(k * down, height - 8)
            for group in range(groups):
                start = y * STRIDE * columns + group * BLOCKS
                _load(flat, size, start, places, blocks, a)
                _forward(a)
                _axes(a, u)
                _hard(a, u, limits, weight)
                _inverse(a)
                _add(a, weight, size, start, places, blocks, sums, weights)


@njit(cache=True, nogil=True, error_model="numpy")
def _divide(begin, end, num, den):  # type: ignore[no-untyped-def]
    for y in range(begin, end):
        for q in range(4):
            for r in range(num.shape[2]):
                for m in range(num.shape[3]):
                    num[q, y, r, m] /= max(den[y, r, m], np.float32(1e-12))


def columns_dealt(width: int) -> int:
    """Length of the last axis of planes dealt out by STRIDE that hold `width` columns and whole groups."""
    windows = -(-(width - SIDE) // STRIDE) + 1
    groups = -(-windows // BLOCKS)
    return groups * BLOCKS + SIDE // STRIDE


def slide(planes: F32, down: int, limits: tuple[float, float, float, float]) -> F32:
    """One pass over four planes (4 x H x STRIDE x M, unit noise), windows `down` rows apart.

    Cosines under the limits (units of the noise: brightness, G1 - G2, R against B, green against both) are dropped.
    """
    num: F32 = np.zeros(planes.shape, np.float32)
    den = np.zeros(planes.shape[1:], np.float32)
    stripes = -(-(-(-(planes.shape[1] - SIDE) // down) + 1) // BETWEEN)
    for parity in range(2):
        count = (stripes + 1 - parity) // 2
        in_bands(_pass, 0, count, parity, planes, down, BLOCKS, np.asarray(limits, np.float32), num, den, least=1)
    in_bands(_divide, 0, num.shape[1], num, den)
    return num
