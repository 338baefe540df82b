"""Full colour from behind a 6 x 6 pattern, by filters chosen place by place after the direction of detail.

As for Bayer mosaics (`directional`) everything is reckoned in the fourth root of light, where two colours of one
surface stand a constant apart in light and in shade.

1. The broad level of each colour is the mean of its samples about a place. What a sample stands above its own
   colour's level is detail, which the colours share: level of green plus detail is a first guess of brightness.
2. Its structure tensor says which way detail runs there, how surely, and how strong it is: so is a place dealt to one
   of 72 classes (after Romano, Isidoro and Milanfar 2017, "RAISR: Rapid and Accurate Image Super Resolution"). From
   memory.
3. A missing colour is its own level plus a sum over the 7 x 7 samples about, each less its colour's level: colour
   differences on the 6 x 6 lattice, in weights that suit the class and the place in the cell. Weights are the least
   squares answer on pictures whose every colour is known (bench/train_wide.py says which), so that even colours come
   out exactly whatever they are.

Where its neighbours are clipped, nothing goes beyond what they are between, and nowhere far beyond. What the sensor
saw comes back as it was seen.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.directional import foot_for, kept, light
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]

# The cell that the weights were made for; a sensor's may begin anywhere in it. From memory of decoders' tables.
CELL = np.array(((1, 2, 1, 1, 0, 1), (0, 1, 0, 2, 1, 2), (1, 2, 1, 1, 0, 1), (1, 0, 1, 1, 2, 1), (2, 1, 2, 0, 1, 0),
                 (1, 0, 1, 1, 2, 1)), np.int8)  # fmt: skip
REACH = 3  # pixels from a place to the farthest sample that its filter sees
SPREAD, TAPS = 1.5, 9  # pixels: deviation and width of the mean that is a colour's level
SMOOTHED, ABOUT = 0.7, 1.5  # pixels: deviations of the blur before gradients are taken, and of that of the tensor
ANGLES = 8
SURE = (np.float32(0.25), np.float32(0.5))  # coherence, from which a direction is unsure, fair, sure
STRONG = (np.float32(0.006), np.float32(0.02))  # of the fourth root, deviation along the gradient
CLASSES = ANGLES * 9
ROOM = np.float32(0.5)  # of what a colour's samples about a place span, that a value may lie beyond them
STRIP = 256  # rows worked on at once
_MARGIN = 18  # rows a strip sees beyond its own, more than anything reaches


def offset_of(pattern: NDArray[np.int8]) -> tuple[int, int] | None:
    """Rows and columns by which a 6 x 6 pattern (0 R, 1 G, 2 B) begins late in CELL; None for another pattern."""
    for row in range(6):
        for column in range(6):
            if (np.roll(CELL, (-row, -column), (0, 1)) == pattern).all():
                return row, column
    return None


@lru_cache(maxsize=1)
def _weights() -> tuple[F32, F32]:
    """Weights, 9 places of a half cell x CLASSES x 2 missing colours x 49, and their sums over each colour (x 3).

    Of the half of the cell in which the pixel beside the middle one is red; in the other half red and blue change
    places.
    """
    weights = np.load(Path(__file__).with_suffix(".npy"), allow_pickle=False).astype(np.float32)
    side = 2 * REACH + 1
    sums = np.zeros((*weights.shape[:3], 3), np.float32)
    for place in range(9):
        colours = np.array([CELL[(place // 3 + i - REACH) % 6, (place % 3 + j - REACH) % 6] for i in range(side)
                            for j in range(side)])  # fmt: skip
        for k in range(3):
            sums[place, ..., k] = weights[place][..., colours == k].sum(axis=-1)
    return weights, sums


@njit(cache=True, nogil=True, error_model="numpy")
def _rooted(begin, end, signal, top, gain, foot, roots):  # type: ignore[no-untyped-def]
    for y in range(begin, end):
        for x in range(roots.shape[1]):
            value = signal[y + top, x] * gain[(y + top) % 6, x % 6] + foot
            roots[y, x] = np.sqrt(np.sqrt(max(value, np.float32(1e-12))))


@njit(cache=True, inline="always", error_model="numpy")
def _class_of(a, c, d):  # type: ignore[no-untyped-def]
    """Of a structure tensor ((a, c), (c, d)): direction, how sure, how strong."""
    apart = np.sqrt((a - d) * (a - d) + np.float32(4) * c * c)
    along = np.sqrt(max(np.float32(0.5) * (a + d + apart), np.float32(0)))
    across = np.sqrt(max(np.float32(0.5) * (a + d - apart), np.float32(0)))
    turn = np.arctan2(np.float32(2) * c, a - d) * np.float32(0.5 / np.pi)
    angle = int(np.floor((turn + np.float32(1)) * np.float32(ANGLES) + np.float32(0.5))) % ANGLES
    sure = (along - across) / (along + across + np.float32(1e-6))
    told = (1 if sure > SURE[0] else 0) + (1 if sure > SURE[1] else 0)
    strong = (1 if along > STRONG[0] else 0) + (1 if along > STRONG[1] else 0)
    return (angle * 3 + told) * 3 + strong


@njit(cache=True, inline="always", error_model="numpy")
def _filtered(roots, y, x, weights):  # type: ignore[no-untyped-def]
    """Both sums over the samples about a place inside the frame."""
    p, q, k = np.float32(0), np.float32(0), 0
    for i in range(-REACH, REACH + 1):
        for j in range(-REACH, REACH + 1):
            v = roots[y + i, x + j]
            p += weights[0, k] * v
            q += weights[1, k] * v
            k += 1
    return p, q


@njit(cache=True, error_model="numpy")
def _filtered_at_edge(roots, y, x, weights, row, column, levels):  # type: ignore[no-untyped-def]
    """The same where samples lie beyond the frame: they are taken to be as their colour is about."""
    p, q, k = np.float32(0), np.float32(0), 0
    for i in range(-REACH, REACH + 1):
        for j in range(-REACH, REACH + 1):
            if 0 <= y + i < roots.shape[0] and 0 <= x + j < roots.shape[1]:
                v = roots[y + i, x + j]
            else:
                v = levels[CELL[(row + i) % 6, (column + j) % 6]]
            p += weights[0, k] * v
            q += weights[1, k] * v
            k += 1
    return p, q


@njit(cache=True, nogil=True, error_model="numpy")
def _coloured(  # type: ignore[no-untyped-def]
    begin, end, signal, first, offset, gain, foot, tops, roots, top, maps, tensor, weights, sums, out
):
    """Rows of colour, from row `first` of the frame on; `roots` and all maps begin at its row `top`.

    `maps`: each colour's level, least and greatest sample about (3 x 3 x rows x columns).
    """
    edge_y, edge_x = roots.shape[0] - REACH, roots.shape[1] - REACH
    for line in range(begin, end):
        y = line + first - top
        row = (line + first + offset[0]) % 6
        for x in range(roots.shape[1]):
            column = (x + offset[1]) % 6
            own, swapped = CELL[row, column], (row // 3 + column // 3) % 2 == 1
            place = row % 3 * 3 + column % 3
            kind = _class_of(tensor[0, y, x], tensor[1, y, x], tensor[2, y, x])
            if y >= REACH and y < edge_y and x >= REACH and x < edge_x:
                p, q = _filtered(roots, y, x, weights[place, kind])
            else:
                p, q = _filtered_at_edge(roots, y, x, weights[place, kind], row, column, maps[0, :, y, x])
            which = 0
            for k in range(3):
                c = 2 - k if swapped else k
                if c == own:
                    continue
                total = maps[0, c, y, x] + (p if which == 0 else q)
                for m in range(3):
                    total -= sums[place, kind, which, m] * maps[0, 2 - m if swapped else m, y, x]
                low, high = maps[1, c, y, x], maps[2, c, y, x]
                room = ROOM * (high - low)
                total = min(max(total, low - room), high + room)
                out[line, x, c] = light(kept(total, low, high, tops[c]), foot)
                which += 1
            out[line, x, own] = signal[line + first, x] * gain[(line + first) % 6, x % 6]


class WideDirectional:
    """A mosaic behind a 6 x 6 pattern whose colour can be had, all of it or by rows.

    `signal`: values above black, float32 H x W, C order. `offset`: as of `offset_of`. `gain`: 6 x 6, what brings each
    to white balance, 1 about saturation. `ceiling`: where red, green and blue saturate, balanced.
    """

    def __init__(
        self, signal: F32, offset: tuple[int, int], gain: NDArray[np.floating], ceiling: NDArray[np.floating]
    ) -> None:
        """Find what is added before the root."""
        self.signal, self.offset, self.gain = signal, offset, np.ascontiguousarray(gain, np.float32)
        self.foot = np.float32(foot_for(signal, self.gain))
        self.tops = ((np.asarray(ceiling) + float(self.foot)) ** 0.25).astype(np.float32)

    def rows(self, begin: int, end: int) -> F32:
        """White-balanced colour of rows `begin` to `end`, float32 N x W x 3."""
        out = np.empty((end - begin, self.signal.shape[1], 3), np.float32)
        for first in range(begin, end, STRIP):
            last = min(first + STRIP, end)
            self._strip(first, out[first - begin : last - begin])
        return out

    def _strip(self, first: int, out: F32) -> None:
        height, width = self.signal.shape
        top, bottom = max(0, first - _MARGIN), min(height, first + len(out) + _MARGIN)
        roots = np.empty((bottom - top, width), np.float32)
        in_bands(_rooted, 0, len(roots), self.signal, top, self.gain, self.foot, roots)
        cell = np.roll(CELL, (-(top + self.offset[0]), -self.offset[1]), (0, 1))
        seen = np.tile(cell, (len(roots) // 6 + 1, width // 6 + 1))[: len(roots), :width]
        maps = _maps(roots, seen)
        given = first, self.offset, self.gain, self.foot, self.tops, roots, top, maps, _tensor(roots, seen, maps[0])
        in_bands(_coloured, 0, len(out), self.signal, *given, *_weights(), out)


def _maps(roots: F32, seen: NDArray[np.int8]) -> F32:
    """Of each colour, 3 x 3 x H x W: its level, and the least and the greatest of its samples in 5 x 5."""
    out = np.empty((3, 3, *roots.shape), np.float32)
    kernel, square = cv2.getGaussianKernel(TAPS, SPREAD, cv2.CV_32F), np.ones((5, 5), np.uint8)
    for k in range(3):
        mask = seen == k
        held = np.where(mask, roots, np.float32(0))
        total, count = (
            cv2.sepFilter2D(v, -1, kernel, kernel, borderType=cv2.BORDER_CONSTANT)
            for v in (held, mask.astype(np.float32))
        )
        np.divide(total, count, out=out[0, k])
        out[1, k] = cv2.erode(np.where(mask, roots, np.float32(1e3)), square)
        out[2, k] = cv2.dilate(held, square)
    return out


def _tensor(roots: F32, seen: NDArray[np.int8], levels: F32) -> F32:
    """The structure tensor of a first guess of brightness, 3 x H x W: xx, xy, yy."""
    guess = roots + levels[1] - np.choose(seen, levels)
    soft = cv2.GaussianBlur(guess, (0, 0), SMOOTHED, borderType=cv2.BORDER_REPLICATE)
    half = np.array([[-0.5, 0, 0.5]], np.float32)
    gx, gy = (cv2.filter2D(soft, -1, k, borderType=cv2.BORDER_REPLICATE) for k in (half, half.T))
    return np.stack([cv2.GaussianBlur(v, (0, 0), ABOUT) for v in (gx * gx, gx * gy, gy * gy)])
