"""Whether frames laid on one another show the same, place by place, given the noise.

Differences are summed over 2 x 2 blocks of the mosaic and windows of three sizes, per colour, and compared with what
noise and a small misplacement explain; what does not fit has moved. Wide windows see a coat nearly as bright as the
stone behind it, narrow ones a thin thing.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.merge.resample import channel_gains, dealt
from clerestory.merge.stack import Stack
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]

ACCEPT, REJECT = 20.0, 28.0  # chi-square of three colours: chance of 2e-4 and 4e-6
MISPLACED = 0.2  # of the local spread, that a small misplacement may change
FLICKER = 0.004  # of the level, that light may change between frames
NEAREST = 2  # blocks by which what moved is widened
FIGURE, ABOUT = 13, 10  # blocks: a figure is at least so wide; so far about one the alignment may follow it


@dataclass(frozen=True)
class BlockNoise:
    """Variance of a 2 x 2 block's balanced colours: slope and foot per colour R, G, B (the greens averaged)."""

    slope: F32
    foot: F32

    @classmethod
    def of(cls, noise: NoiseModel, mosaic: Mosaic) -> BlockNoise:
        """From a model in raw units."""
        gains = channel_gains(mosaic)
        slope, foot = np.zeros(3), np.zeros(3)
        for row in range(2):
            for column in range(2):
                c = int(mosaic.cfa[row, column])
                colour, share = (1, 0.5) if c in (1, 3) else (c, 1.0)
                k = model_channel(c)
                # A green of a pair weighs a half, so its variance a quarter; there are two.
                slope[colour] += share**2 * float(gains[c]) * noise.gain[k]
                foot[colour] += share**2 * float(gains[c]) ** 2 * noise.read[k] ** 2
        return cls(slope.astype(np.float32), foot.astype(np.float32))

    def variance(self, level: F32) -> F32:
        """Variance at a level (..., 3) above black, balanced units squared."""
        out: F32 = np.maximum(level, 0) * self.slope + self.foot
        return out


@njit(cache=True, nogil=True, error_model="numpy")
def _blocks(begin, end, values, total, weight, cfa, level, difference, shown):  # type: ignore[no-untyped-def]
    """Per 2 x 2 block: the running mean's colours, what the new frame differs, and whether both show something."""
    half = np.float32(0.5)
    for y in range(begin, end):
        for x in range(level.shape[1]):
            w = weight[y, x]
            ok = w > 0
            inverse = np.float32(1.0) / w if ok else np.float32(0.0)
            for c in range(3):
                level[y, x, c] = np.float32(0.0)
                difference[y, x, c] = np.float32(0.0)
            for a in range(2):
                for b in range(2):
                    v = values[2 * y + a, 2 * x + b]
                    ok = ok and v > np.float32(-1e8)
                    c = cfa[a, b]
                    share = half if (c == 1 or c == 3) else np.float32(1.0)
                    k = 1 if c == 3 else c
                    mean = total[2 * y + a, 2 * x + b] * inverse
                    level[y, x, k] += share * mean
                    difference[y, x, k] += share * (v - mean)
            shown[y, x] = np.float32(1.0) if ok else np.float32(0.0)
            if not ok:
                for c in range(3):
                    difference[y, x, c] = np.float32(0.0)


def _box(image: F32, size: int) -> F32:
    return np.asarray(cv2.blur(image, (size, size), borderType=cv2.BORDER_REFLECT_101))


@njit(cache=True, inline="always", error_model="numpy")
def _mirrored(k, n):  # type: ignore[no-untyped-def]
    """An index beyond either end, mirrored about the end's own place."""
    k = abs(k)
    return max(2 * n - 2 - k, 0) if k >= n else k


@njit(cache=True, error_model="numpy")
def _window_sums(level, difference, y, r, down, across):  # type: ignore[no-untyped-def]
    """Sums over windows of 2 r + 1 about the places of row y: `across[0:3]` of difference, level, squared level.

    `down`: room for the sums of columns, r places longer at either end.
    """
    height, width = level.shape[0], level.shape[1] // 3
    ends = 3 * r
    down[:] = np.float32(0)
    sums, levels, squares = down[0, ends:], down[1, ends:], down[2, ends:]
    for k in range(y - r, y + r + 1):
        row = _mirrored(k, height)
        own, new = level[row], difference[row]
        for j in range(3 * width):
            sums[j] += new[j]
            levels[j] += own[j]
            squares[j] += own[j] * own[j]
    for q in range(3):
        for k in range(1, r + 1):
            for c in range(3):
                down[q, 3 * (r - k) + c] = down[q, 3 * (r + _mirrored(-k, width)) + c]
                down[q, 3 * (r + width - 1 + k) + c] = down[q, 3 * (r + _mirrored(width - 1 + k, width)) + c]
        total, part = across[q], down[q]
        total[:] = np.float32(0)
        for k in range(2 * r + 1):
            shifted = part[3 * k :]
            for j in range(3 * width):
                total[j] += shifted[j]


@njit(cache=True, nogil=True, error_model="numpy")
def _chi(  # type: ignore[no-untyped-def]
    begin, end, level, difference, noise, fresh, r, per, slope, foot, accept, reject, misplaced, flicker, out
):
    """Weight 0 to 1 from the chi-square of three colours over windows of 2 r + 1 places of `per` blocks each."""
    height, width = out.shape
    side = np.float32((2 * r + 1) ** 2)
    inverse, count, share = np.float32(1) / side, side * per, np.float32(1) / per
    for band in range(begin, end):
        down = np.empty((3, 3 * (width + 2 * r)), np.float32)
        across = np.empty((3, 3 * width), np.float32)
        for y in range(band * 64, min(band * 64 + 64, height)):
            _window_sums(level, difference, y, r, down, across)
            for x in range(width):
                chi = np.float32(0.0)
                for c in range(3):
                    mean = across[1, 3 * x + c] * inverse
                    variance = max(mean, np.float32(0.0)) * slope[c] + foot[c]
                    spread2 = across[2, 3 * x + c] * inverse - mean * mean - variance * noise[y, x] * share
                    room = variance * (fresh[y, x] + noise[y, x]) / count
                    room += misplaced * misplaced * max(spread2, np.float32(0.0)) + flicker * flicker * mean * mean
                    d = across[0, 3 * x + c] * inverse
                    chi += d * d / max(room, np.float32(1e-9))
                out[y, x] = min(max((reject - chi) / (reject - accept), np.float32(0.0)), np.float32(1.0))


def _weights(
    level: F32,
    difference: F32,
    spread: F32,
    fresh: F32,
    model: BlockNoise,
    size: int,
    per: int,
    flicker: float = FLICKER,
    misplaced: float = MISPLACED,
) -> F32:
    """Weights at one scale: `per` blocks went into each place, windows of `size` places, an odd number."""
    height, width = level.shape[:2]
    out = np.empty((height, width), np.float32)
    flat = (height, 3 * width)
    limits = [np.float32(v) for v in (ACCEPT, REJECT, misplaced, flicker)]
    shown = level.reshape(flat), difference.reshape(flat), spread, fresh
    in_bands(
        _chi, 0, -(-height // 64), *shown, size // 2, np.float32(per), model.slope, model.foot, *limits, out, least=1
    )
    return out


def agreement(
    values: F32,
    stack: Stack,
    mosaic: Mosaic,
    model: BlockNoise,
    relative: F32 | float = 1.0,
    about: int = ABOUT,
) -> F32:
    """How far a laid frame agrees with the running mean, 0 to 1 per 2 x 2 block; 0 where either shows nothing.

    `values`: from `resample.laid`; `relative`: variance of this frame over the model's, a number or per block;
    `about`: blocks about a figure that are left out.
    """
    shape = stack.weight.shape
    level, difference = np.empty((*shape, 3), np.float32), np.empty((*shape, 3), np.float32)
    shown = np.empty(shape, np.float32)
    seen, total = dealt(values, mosaic.cfa), dealt(stack.total, mosaic.cfa)
    in_bands(_blocks, 0, len(level), seen, total, stack.weight, mosaic.cfa, level, difference, shown)
    # Variance of the running mean over that of the model.
    spread = (stack.energy / np.maximum(stack.weight, 1e-9) ** 2).astype(np.float32)
    fresh = np.broadcast_to(np.asarray(relative, np.float32), shape)
    fine = _weights(level, difference, spread, fresh, model, 3, 1)
    small = (max(shape[1] // 2, 1), max(shape[0] // 2, 1))
    half_level, half_difference, half_spread, half_fresh = (
        cv2.resize(a, small, interpolation=cv2.INTER_AREA) for a in (level, difference, spread, fresh)
    )
    wide = np.minimum(
        _weights(half_level, half_difference, half_spread, half_fresh, model, 3, 4),
        _weights(half_level, half_difference, half_spread, half_fresh, model, 7, 4),
    )
    wide = cv2.erode(wide, np.ones((3, 3), np.uint8))
    out = np.minimum(fine, cv2.resize(wide, (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR))
    figures = _about_figures(out, about)
    out = cv2.erode(out, np.ones((2 * NEAREST + 1, 2 * NEAREST + 1), np.uint8))
    out[figures] = 0
    out = np.minimum(out, _box(out, 5))
    out *= cv2.erode(shown, np.ones((5, 5), np.uint8))
    return np.asarray(out, np.float32)


def _about_figures(weights: F32, about: int) -> NDArray[np.bool_]:
    """Where someone moved, and about them: there the local alignment may have followed them, not the stone."""
    moved = (weights < 0.5).astype(np.uint8)
    figures = cv2.morphologyEx(moved, cv2.MORPH_OPEN, np.ones((FIGURE, FIGURE), np.uint8))
    reach = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * about + 1, 2 * about + 1))
    return np.asarray(cv2.dilate(figures, reach) > 0)


def cells_agree(
    first: F32,
    second: F32,
    model: BlockNoise,
    per: int = 4,
    flicker: float = FLICKER,
    misplaced: float = MISPLACED,
) -> F32:
    """How far two frames' cell colours (rows, columns, 3), each the mean of `per` blocks, agree: 0 to 1.

    `flicker`: of the level, that light may change; `misplaced`: of the local spread, that a misplacement may change.
    """
    one = np.ones(first.shape[:2], np.float32)
    fits = _weights(first, second - first, one, one, model, 3, per, flicker, misplaced)
    # A thing wholly inside a window of 3 x 3 cells leaves its edge outside.
    return np.asarray(cv2.erode(fits, np.ones((3, 3), np.uint8)), np.float32)
