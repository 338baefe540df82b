"""Means over nearby pixels that look alike: flat panes and faces between sharp edges, which cosines draw poorly.

A joint bilateral mean (Petschnigg et al. 2004; Eisemann and Durand 2004): likeness is judged in a guide that is
nearly free of noise, what is averaged is the noisy picture itself.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.dct import STRIDE
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
FARTHEST = 7  # greatest radius
_SLOTS = 16  # rows kept at hand, a power of two above 2 * FARTHEST
_CHUNK = 64  # columns of one phase worked on together
_HALO = 4
_WIDE = _CHUNK + 2 * _HALO
_PHASE = 8 * _WIDE  # four planes and four guides of one phase of one row
_ROW = STRIDE * _PHASE
_AT_ONCE = 3  # neighbours gathered together: what is summed is fetched and put back once for all of them
_FAR_OFF = np.float32(1e9)  # guide value beyond the frame: like nothing


@njit(cache=True, error_model="numpy")
def _take_row(planes, guide, y, m0, kept):  # type: ignore[no-untyped-def]
    """Copies one row's columns m0 - HALO .. m0 + CHUNK + HALO of both phases to its slot."""
    columns = planes.shape[3]
    inside = 0 <= y < planes.shape[1]
    start = (y & (_SLOTS - 1)) * _ROW
    for r in range(STRIDE):
        for q in range(4):
            at = start + r * _PHASE + q * _WIDE
            for k in range(_WIDE):
                m = m0 + k - _HALO
                if inside and 0 <= m < columns:
                    kept[at + k] = planes[q, y, r, m]
                    kept[at + 4 * _WIDE + k] = guide[q, y, r, m]
                else:
                    kept[at + k] = np.float32(0)
                    kept[at + 4 * _WIDE + k] = _FAR_OFF


@njit(cache=True, inline="always", error_model="numpy")
def _alike(a, b, c, d, other, k, scale):  # type: ignore[no-untyped-def]
    """How alike a neighbour's guide is to (a, b, c, d), before its share for being near."""
    a, b = a - other[k + 4 * _WIDE], b - other[k + 5 * _WIDE]
    c, d = c - other[k + 6 * _WIDE], d - other[k + 7 * _WIDE]
    return max(np.float32(1) - (a * a + b * b + c * c + d * d) * scale, np.float32(0))


@njit(cache=True, error_model="numpy")
def _gather(kept, here, there, near, scale, sums):  # type: ignore[no-untyped-def]
    """Adds the shares of three neighbours (at offsets `there`) for all pixels of the chunk (at offset `here`)."""
    own = kept[here:]  # views: offsets that cannot be negative let the compiler use wide lanes
    one, two, three = kept[there[0] :], kept[there[1] :], kept[there[2] :]
    n1, n2, n3 = near[0], near[1], near[2]
    for k in range(_CHUNK):
        a, b, c, d = own[k + 4 * _WIDE], own[k + 5 * _WIDE], own[k + 6 * _WIDE], own[k + 7 * _WIDE]
        p, q = _alike(a, b, c, d, one, k, scale), _alike(a, b, c, d, two, k, scale)
        r = _alike(a, b, c, d, three, k, scale)
        p, q, r = p * (p * n1), q * (q * n2), r * (r * n3)
        # All is fetched before any is put back: the compiler cannot tell that these are other numbers.
        t0, t1, t2 = sums[k], sums[k + _CHUNK], sums[k + 2 * _CHUNK]
        t3, t4 = sums[k + 3 * _CHUNK], sums[k + 4 * _CHUNK]
        k1, k2, k3 = k + _WIDE, k + 2 * _WIDE, k + 3 * _WIDE
        t0 = t0 + p + q + r
        t1 = t1 + p * one[k] + q * two[k] + r * three[k]
        t2 = t2 + p * one[k1] + q * two[k1] + r * three[k1]
        t3 = t3 + p * one[k2] + q * two[k2] + r * three[k2]
        t4 = t4 + p * one[k3] + q * two[k3] + r * three[k3]
        sums[k], sums[k + _CHUNK], sums[k + 2 * _CHUNK] = t0, t1, t2
        sums[k + 3 * _CHUNK], sums[k + 4 * _CHUNK] = t3, t4


@njit(cache=True, error_model="numpy")
def _row_means(kept, y, m0, places, scale, near, sums, out):  # type: ignore[no-untyped-def]
    count = min(_CHUNK, out.shape[3] - m0)
    there = np.empty(_AT_ONCE, np.int64)
    for r in range(STRIDE):
        sums[:] = np.float32(0)
        here = (y & (_SLOTS - 1)) * _ROW + r * _PHASE + _HALO
        for first in range(0, len(places), _AT_ONCE):
            for n in range(_AT_ONCE):
                row, column = y + places[first + n, 0], r + places[first + n, 1]
                at = (row & (_SLOTS - 1)) * _ROW + (column & (STRIDE - 1)) * _PHASE
                there[n] = at + _HALO + (column >> 1)
            _gather(kept, here, there, near[first : first + _AT_ONCE], scale, sums)
        for q in range(4):
            for k in range(count):
                out[q, y, r, m0 + k] = sums[(q + 1) * _CHUNK + k] / sums[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _means(begin, end, planes, guide, places, reach, near, out):  # type: ignore[no-untyped-def]
    height, radius = planes.shape[1], places[-1, 0]
    scale = np.float32(1) / (reach * reach)
    kept = np.empty(_SLOTS * _ROW, np.float32)
    sums = np.empty(5 * _CHUNK, np.float32)
    for chunk in range(begin, end):
        m0 = chunk * _CHUNK
        for y in range(-radius, radius):
            _take_row(planes, guide, y, m0, kept)
        for y in range(height):
            _take_row(planes, guide, y + radius, m0, kept)
            _row_means(kept, y, m0, places, scale, near, sums, out)


def _disc(radius: int) -> tuple[NDArray[np.int64], F32]:
    """Places (n, 2) of a pixel's neighbours in reading order, and their shares, falling to 0 at the rim.

    As many as are gathered at once: with the first, at no share, before them.
    """
    at = np.arange(-radius, radius + 1)
    far2 = (at[:, None] ** 2 + at[None, :] ** 2) / (radius + 0.5) ** 2
    near = (np.maximum(1 - far2, 0) ** 0.5).astype(np.float32)
    places, shares = np.argwhere(near > 0) - radius, near[near > 0]
    spare = -len(places) % _AT_ONCE
    return np.pad(places, ((spare, 0), (0, 0)), "edge"), np.pad(shares, (spare, 0))


def like_means(planes: F32, guide: F32, radius: int, reach: float) -> F32:
    """Mean of each pixel's neighbours within `radius` whose `guide` differs by less than `reach` (unit noise).

    Planes 4 x H x STRIDE x M as in `cosines`. A disc with soft edge; weights fall smoothly to 0 at `reach`.
    """
    places, near = _disc(min(radius, FARTHEST))
    out = np.empty_like(planes)
    in_bands(_means, 0, -(-planes.shape[3] // _CHUNK), planes, guide, places, np.float32(reach), near, out, least=1)
    return out
