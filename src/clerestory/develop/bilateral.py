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
_CHUNK = 32  # columns of one phase worked on together
_HALO = 4
_WIDE = _CHUNK + 2 * _HALO
_PHASE = 8 * _WIDE  # four planes and four guides of one phase of one row
_ROW = STRIDE * _PHASE
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


@njit(cache=True, error_model="numpy")
def _gather(kept, here, there, near, scale, sums):  # type: ignore[no-untyped-def]
    """Adds one neighbour's share (at offset `there`) for all pixels of the chunk (at offset `here`)."""
    own, other = kept[here:], kept[there:]  # views: offsets that cannot be negative let the compiler use wide lanes
    for k in range(_CHUNK):
        a = own[k + 4 * _WIDE] - other[k + 4 * _WIDE]
        b = own[k + 5 * _WIDE] - other[k + 5 * _WIDE]
        d = own[k + 6 * _WIDE] - other[k + 6 * _WIDE]
        e = own[k + 7 * _WIDE] - other[k + 7 * _WIDE]
        like = max(np.float32(1) - (a * a + b * b + d * d + e * e) * scale, np.float32(0))
        like *= like * near
        sums[k] += like
        sums[_CHUNK + k] += like * other[k]
        sums[2 * _CHUNK + k] += like * other[k + _WIDE]
        sums[3 * _CHUNK + k] += like * other[k + 2 * _WIDE]
        sums[4 * _CHUNK + k] += like * other[k + 3 * _WIDE]


@njit(cache=True, error_model="numpy")
def _row_means(kept, y, m0, radius, scale, near, sums, out):  # type: ignore[no-untyped-def]
    count = min(_CHUNK, out.shape[3] - m0)
    for r in range(STRIDE):
        sums[:] = np.float32(0)
        here = (y & (_SLOTS - 1)) * _ROW + r * _PHASE + _HALO
        for dy in range(-radius, radius + 1):
            row = ((y + dy) & (_SLOTS - 1)) * _ROW
            for dx in range(-radius, radius + 1):
                share = near[dy + radius, dx + radius]
                if share > 0:
                    there = row + ((r + dx) & (STRIDE - 1)) * _PHASE + _HALO + ((r + dx) >> 1)
                    _gather(kept, here, there, share, scale, sums)
        for q in range(4):
            for k in range(count):
                out[q, y, r, m0 + k] = sums[(q + 1) * _CHUNK + k] / sums[k]


@njit(cache=True, nogil=True, error_model="numpy")
def _means(begin, end, planes, guide, radius, reach, near, out):  # type: ignore[no-untyped-def]
    height = planes.shape[1]
    scale = np.float32(1) / (reach * reach)
    for chunk in range(begin, end):
        kept = np.empty(_SLOTS * _ROW, np.float32)
        sums = np.empty(5 * _CHUNK, np.float32)
        m0 = chunk * _CHUNK
        for y in range(-radius, radius):
            _take_row(planes, guide, y, m0, kept)
        for y in range(height):
            _take_row(planes, guide, y + radius, m0, kept)
            _row_means(kept, y, m0, radius, scale, near, sums, out)


def like_means(planes: F32, guide: F32, radius: int, reach: float) -> F32:
    """Mean of each pixel's neighbours within `radius` whose `guide` differs by less than `reach` (unit noise).

    Planes 4 x H x STRIDE x M as in `cosines`. A disc with soft edge; weights fall smoothly to 0 at `reach`.
    """
    radius = min(radius, FARTHEST)
    at = np.arange(-radius, radius + 1)
    far2 = (at[:, None] ** 2 + at[None, :] ** 2) / (radius + 0.5) ** 2
    near = (np.maximum(1 - far2, 0) ** 0.5).astype(np.float32)
    out = np.empty_like(planes)
    in_bands(_means, 0, -(-planes.shape[3] // _CHUNK), planes, guide, radius, np.float32(reach), near, out, least=1)
    return out
