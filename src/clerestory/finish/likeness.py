"""Means over nearby pixels that look alike: flat panes and faces between sharp edges, which cosines draw poorly."""

from __future__ import annotations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.finish.cosines import STRIDE

F32 = NDArray[np.float32]


@njit(cache=True, fastmath=True)
def _gather(planes, guide, y, y2, r, dx, near, scale, total, weight):  # type: ignore[no-untyped-def]
    """Adds one neighbour's share to a row: those of phase r of row y, from the pixels dx columns on in row y2."""
    rows = planes.shape[3]
    r2, shift = (r + dx) % STRIDE, (r + dx) // STRIDE
    first, last = max(0, -shift), min(rows, rows - shift)
    for m in range(first, last):
        n = m + shift
        a = guide[0, y, r, m] - guide[0, y2, r2, n]
        b = guide[1, y, r, m] - guide[1, y2, r2, n]
        c = guide[2, y, r, m] - guide[2, y2, r2, n]
        d = guide[3, y, r, m] - guide[3, y2, r2, n]
        like = max(np.float32(1) - (a * a + b * b + c * c + d * d) * scale, np.float32(0))
        like *= like * near
        weight[m] += like
        total[0, m] += like * planes[0, y2, r2, n]
        total[1, m] += like * planes[1, y2, r2, n]
        total[2, m] += like * planes[2, y2, r2, n]
        total[3, m] += like * planes[3, y2, r2, n]


@njit(cache=True, fastmath=True, parallel=True)
def _means(planes, guide, radius, reach, near, out):  # type: ignore[no-untyped-def]
    height, columns = planes.shape[1], planes.shape[3]
    scale = np.float32(1) / (reach * reach)
    for y in prange(height):
        total = np.empty((4, columns), np.float32)
        weight = np.empty(columns, np.float32)
        for r in range(STRIDE):
            total[:] = np.float32(0)
            weight[:] = np.float32(0)
            for dy in range(-radius, radius + 1):
                y2 = y + dy
                if y2 < 0 or y2 >= height:
                    continue
                for dx in range(-radius, radius + 1):
                    if near[dy + radius, dx + radius] > 0:
                        share = near[dy + radius, dx + radius]
                        _gather(planes, guide, y, y2, r, dx, share, scale, total, weight)
            for q in range(4):
                for m in range(columns):
                    out[q, y, r, m] = total[q, m] / weight[m]


def like_means(planes: F32, guide: F32, radius: int, reach: float) -> F32:
    """Mean of each pixel's neighbours within `radius` whose `guide` differs by less than `reach` (unit noise).

    Planes 4 x H x STRIDE x M as in `cosines`. A disc with soft edge; weights fall smoothly to 0 at `reach`.
    """
    at = np.arange(-radius, radius + 1)
    far2 = (at[:, None] ** 2 + at[None, :] ** 2) / (radius + 0.5) ** 2
    near = (np.maximum(1 - far2, 0) ** 0.5).astype(np.float32)
    out = np.empty_like(planes)
    _means(planes, guide, radius, np.float32(reach), near, out)
    return out
