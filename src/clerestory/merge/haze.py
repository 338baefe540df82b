"""What a lens scattered over each frame of a wide view, taken out as the frames are laid on its surface.

A frame with a window in it is hazier than its neighbour without, in the stone that both show. No one gain per frame
makes them alike; each less its own haze, they are (see `develop.glare`).
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.demosaic import small_of
from clerestory.develop.glare import LEFT, LONG, Glare, spots_of
from clerestory.merge.resample import balance_of
from clerestory.raw.read import Mosaic

F32 = NDArray[np.float32]
_LEFT = np.float32(LEFT)
FAR = np.float32(1e-6)  # of a frame's share: outside all frames, where there is nothing else, each counts as much


def spots_in(mosaic: Mosaic) -> F32:
    """A frame's spots that tell of glare, h x w x 3: camera RGB before any demosaicing, whose fringes round windows
    would be the darkest places of all.

    What is clipped is as white as its white balance lets it be: rebuilt it is in the picture alone, once joined.
    """
    half = small_of(mosaic)
    balance = balance_of(mosaic)
    half = np.asarray(cv2.min(half, (*(min(balance) / m for m in balance), 0.0)), np.float32)
    return np.asarray(cv2.resize(half, spots_of(half.shape), interpolation=cv2.INTER_AREA), np.float32)


def balanced_spots(spots: F32, multipliers: tuple[float, float, float]) -> F32:
    """Spots, h x w x 3, in the colour of the picture: white balanced (the least multiplier 1), 1 where clipped."""
    return np.minimum(spots * np.asarray(multipliers, np.float32), np.float32(1))


def haze_at(glare: Glare, nodes: F32, gain: F32, frame: tuple[int, int]) -> F32:
    """What a share of 1 of a frame's glare lays on the places of the picture that `nodes` (r x c x 2) lead from, at
    its pixels x and y, r x c x 3.

    `gain` (r x c) mends the lens's fall-off there: what it scatters, falls on the corners as it falls on the middle,
    and so is made brighter with them. `frame`: its width and height, pixels.
    """
    width, height = (np.float32(n) for n in frame)
    across, down = np.float32(glare.light.shape[1]), np.float32(glare.light.shape[0])
    x = (np.clip(nodes[..., 0], 0, width - 1) + np.float32(0.5)) * (across / width) - np.float32(0.5)
    y = (np.clip(nodes[..., 1], 0, height - 1) + np.float32(0.5)) * (down / height) - np.float32(0.5)
    found = cv2.remap(glare.light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(found * gain[..., None], np.float32)


@njit(cache=True, inline="always", error_model="numpy")
def between(at_nodes, r, c, u, v):  # type: ignore[no-untyped-def]
    """A map known at nodes (rows x columns), bilinearly, a share `u` across and `v` down from node (r, c) to the
    next."""
    top = at_nodes[r, c] + u * (at_nodes[r, c + 1] - at_nodes[r, c])
    low = at_nodes[r + 1, c] + u * (at_nodes[r + 1, c + 1] - at_nodes[r + 1, c])
    return top + v * (low - top)


@njit(cache=True, nogil=True, error_model="numpy")
def less_haze(begin, end, haze, step, out):  # type: ignore[no-untyped-def]
    """Rows `begin` to `end` of a picture (`out`, H x W x 3) less the haze given at every `step`-th pixel (r x c x 3).

    Of no pixel more is taken than leaves LEFT of it, as `develop.glare.without_glare` does.
    """
    inverse = np.float32(1.0 / step)
    for y in range(begin, end):
        r = y // step
        v = np.float32(y - r * step) * inverse
        for x in range(out.shape[1]):
            c = x // step
            u = np.float32(x - c * step) * inverse
            for k in range(3):
                light = out[y, x, k]
                out[y, x, k] = max(light - between(haze[..., k], r, c, u, v), light * _LEFT)


def over_picture(hazes: Sequence[F32], shares: Sequence[F32]) -> F32:
    """The frames' haze (r x c x 3 each) as one map of the picture, its longer side LONG at most: by each frame's
    share of it (h x w, no larger)."""
    height, width = shares[0].shape
    out, total = np.zeros((height, width, 3), np.float32), np.zeros((height, width, 1), np.float32)
    for haze, share in zip(hazes, shares, strict=True):
        weight = (share + FAR)[..., None]
        out += haze[:height, :width] * weight
        total += weight
    scale = min(1.0, LONG / max(height, width))
    size = max(2, round(width * scale)), max(2, round(height * scale))
    return np.asarray(cv2.resize(out / total, size, interpolation=cv2.INTER_AREA), np.float32)
