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
BAND = 16  # rows of blocks that are compared at once, an even number
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


@njit(cache=True, error_model="numpy")
def _row_of_blocks(values, total, weight, energy, cfa, y, level, difference, spread, shown):  # type: ignore[no-untyped-def]
    """A row of 2 x 2 blocks: the running mean's colours (3 n), what the new frame differs (3 n), the mean's variance
    over that of one frame (n), and whether both show something (n)."""
    half, least = np.float32(0.5), np.float32(1e-9)
    level[:] = np.float32(0.0)
    difference[:] = np.float32(0.0)
    for x in range(len(shown)):
        w = weight[y, x]
        ok = w > 0
        inverse = np.float32(1.0) / w if ok else np.float32(0.0)
        for a in range(2):
            for b in range(2):
                v, c = values[2 * y + a, 2 * x + b], cfa[a, b]
                ok = ok and v > np.float32(-1e8)
                share = half if (c == 1 or c == 3) else np.float32(1.0)
                mean, k = total[2 * y + a, 2 * x + b] * inverse, 3 * x + (1 if c == 3 else c)
                level[k] += share * mean
                difference[k] += share * (v - mean)
        spread[x] = energy[y, x] / (max(w, least) * max(w, least))
        shown[x] = np.float32(1.0) if ok else np.float32(0.0)
        if not ok:
            for c in range(3):
                difference[3 * x + c] = np.float32(0.0)


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


@njit(cache=True, error_model="numpy")
def _chi_row(level, difference, y, r, per, noise, fresh, slope, foot, limits, down, across, out):  # type: ignore[no-untyped-def]
    """Weights 0 to 1 of a row from the chi-square of three colours over windows of 2 r + 1 places of `per` blocks.

    `noise`, `fresh`: variance of the mean and of the new frame over the model's, at the row's places; `limits`:
    what is accepted, what refused, what may be misplaced and what may flicker.
    """
    accept, reject, misplaced, flicker = limits
    side = np.float32((2 * r + 1) ** 2)
    inverse, count, share = np.float32(1) / side, side * per, np.float32(1) / per
    _window_sums(level, difference, y, r, down, across)
    for x in range(len(out)):
        chi = np.float32(0.0)
        for c in range(3):
            mean = across[1, 3 * x + c] * inverse
            variance = max(mean, np.float32(0.0)) * slope[c] + foot[c]
            spread2 = across[2, 3 * x + c] * inverse - mean * mean - variance * noise[x] * share
            room = variance * (fresh[x] + noise[x]) / count
            room += misplaced * misplaced * max(spread2, np.float32(0.0)) + flicker * flicker * mean * mean
            d = across[0, 3 * x + c] * inverse
            chi += d * d / max(room, np.float32(1e-9))
        out[x] = min(max((reject - chi) / (reject - accept), np.float32(0.0)), np.float32(1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _chi(begin, end, level, difference, noise, fresh, r, per, slope, foot, limits, out):  # type: ignore[no-untyped-def]
    """The weights of rows `begin` to `end`: see `_chi_row`."""
    width = out.shape[1]
    down, across = np.empty((3, 3 * (width + 2 * r)), np.float32), np.empty((3, 3 * width), np.float32)
    for y in range(begin, end):
        _chi_row(level, difference, y, r, per, noise[y], fresh[y], slope, foot, limits, down, across, out[y])


@njit(cache=True, error_model="numpy")
def _halved(upper, lower, count, out):  # type: ignore[no-untyped-def]
    """Means of 2 x 2 places of two rows of `count` numbers a place."""
    last = len(upper) // count - 1
    for x in range(len(out) // count):
        a, b = 2 * x * count, min(2 * x + 1, last) * count
        for c in range(count):
            out[x * count + c] = np.float32(0.25) * (upper[a + c] + upper[b + c] + lower[a + c] + lower[b + c])


@njit(cache=True, nogil=True, error_model="numpy")
def _near_by(  # type: ignore[no-untyped-def]
    begin, end, values, total, weight, energy, cfa, fresh, slope, foot, limits, halves, half_noise, shown, out
):
    """Weights of windows of 3 x 3 blocks, by bands of `BAND` rows that stay in fast memory, and whether both frames
    show something; and what wider windows go by, of 2 x 2 blocks each: `halves` (2, rows, 3 n), level and difference,
    and `half_noise` (2, rows, n), that of the mean and of the new frame."""
    height, width = out.shape
    one = np.float32(1)
    level, difference = np.empty((BAND + 2, 3 * width), np.float32), np.empty((BAND + 2, 3 * width), np.float32)
    noise, seen = np.empty((BAND + 2, width), np.float32), np.empty(width, np.float32)
    down, across = np.empty((3, 3 * (width + 2)), np.float32), np.empty((3, 3 * width), np.float32)
    for band in range(begin, end):
        top, bottom = band * BAND, min(band * BAND + BAND, height)
        for y in range(top - 1, bottom + 1):
            at, row = y - top + 1, _mirrored(y, height)
            into = shown[y] if top <= y < bottom else seen
            _row_of_blocks(values, total, weight, energy, cfa, row, level[at], difference[at], noise[at], into)
        for y in range(top, bottom):
            at = y - top + 1
            _chi_row(level, difference, at, 1, one, noise[at], fresh[y], slope, foot, limits, down, across, out[y])
        for y in range(top // 2, min((top + BAND) // 2, halves.shape[1])):
            at = 2 * y - top + 1
            _halved(level[at], level[at + 1], 3, halves[0, y])
            _halved(difference[at], difference[at + 1], 3, halves[1, y])
            _halved(noise[at], noise[at + 1], 1, half_noise[0, y])
            _halved(fresh[2 * y], fresh[min(2 * y + 1, height - 1)], 1, half_noise[1, y])


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
    limits = tuple(np.float32(v) for v in (ACCEPT, REJECT, misplaced, flicker))
    given = level.reshape(flat), difference.reshape(flat), spread, fresh
    in_bands(_chi, 0, height, *given, size // 2, np.float32(per), model.slope, model.foot, limits, out)
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
    half = max(shape[0] // 2, 1), max(shape[1] // 2, 1)
    fine, shown = np.empty(shape, np.float32), np.empty(shape, np.float32)
    halves, noise = np.empty((2, half[0], 3 * half[1]), np.float32), np.empty((2, *half), np.float32)
    fresh = np.broadcast_to(np.asarray(relative, np.float32), shape)
    seen, total = dealt(values, mosaic.cfa), dealt(stack.total, mosaic.cfa)
    limits = tuple(np.float32(v) for v in (ACCEPT, REJECT, MISPLACED, FLICKER))
    given = fresh, model.slope, model.foot, limits, halves, noise, shown, fine
    of_stack = total, stack.weight, stack.energy, mosaic.cfa
    in_bands(_near_by, 0, -(-shape[0] // BAND), seen, *of_stack, *given, least=1)
    level, difference = halves.reshape(2, *half, 3)
    wide = np.minimum(*(_weights(level, difference, noise[0], noise[1], model, size, 4) for size in (3, 7)))
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
