"""The one rule of what is clipped: where a channel truly saturates, and how much of a frame lies there."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

# Share of the way from black to saturation from which a value counts as clipped: below saturation by what the noise
# there and unlike pixels spread it (common practice, no source).
FULL = 0.985


@dataclass(frozen=True)
class Clipping:
    """What is clipped in the raw data.

    `level`: per channel (0 R, 1 G beside red, 2 B, 3 G beside blue), the raw value at which it saturates; `found`
    tells whether that was seen in the frame (a pile-up of equal values) or is the decoder's white level. `share`: of
    each channel's pixels that are clipped. `one`, `two`, `all`: shares of the 2 x 2 cells with exactly one, exactly
    two and all three of red, green and blue clipped; `largest`: share of the frame in the largest connected patch
    with all three clipped, 0 where it was not looked for.
    """

    level: tuple[float, float, float, float]
    found: tuple[bool, bool, bool, bool]
    share: tuple[float, float, float, float]
    one: float
    two: float
    all: float
    largest: float = 0.0

    @property
    def message(self) -> str:
        """One sentence for the photographer; empty when nothing worth saying is lost."""
        if self.all > 0.0005:
            patch = f", {self.largest:.1%} in one patch" if self.largest > 0.0005 else " in small spots"
            return f"{self.all:.1%} of the frame is lost in all channels{patch}; nothing there can be brought back."
        if self.one + self.two > 0.0005:
            return f"{self.one + self.two:.1%} of the frame is clipped in some channels; colour there is rebuilt."
        return ""


def clip_level(values: NDArray[np.uint16], black: float, white: float) -> tuple[float, bool]:
    """Where a channel clips, raw units, and whether that was seen; `values` uint16 of one channel, any H x W.

    Saturated pixels pile up in a narrow band at the top of the histogram, often below the white level that the
    decoder assumes. A pile-up is a band holding far more pixels than the bands just below it.
    """
    whole = np.ascontiguousarray(values)
    levels = max(int(white) + 2, int(whole.max()) + 1)
    counts = cv2.calcHist([whole], [0], None, [levels], [0, levels]).ravel().astype(np.int64)
    floor = int(black + 0.3 * (white - black))
    band = max(2, round(0.004 * (white - black)))
    enough = max(24, 2e-6 * values.size)
    # The commonest high value; failing that, the highest that is no lone hot pixel.
    from_above = np.cumsum(counts[::-1])
    highest = len(counts) - 1 - int(np.searchsorted(from_above, enough))
    for peak in (floor + int(np.argmax(counts[floor:])), highest - band + 1 + int(
            np.argmax(counts[max(highest - band + 1, 0) : highest + 1]))):  # fmt: skip
        if peak < floor + 6 * band:
            continue
        edges = [peak + band + 1 - 2 * band * i for i in range(5)]
        pile, _foot, *below = [int(counts[low:high].sum()) for high, low in itertools.pairwise(edges)]
        above = int(counts[peak + band + 1 :].sum())
        if pile >= enough and pile >= 5 * max(below) and above <= 0.05 * pile:
            return float(min(peak, white)), True
    return white, False


def with_real_white(mosaic: Mosaic) -> tuple[Mosaic, tuple[bool, bool, bool, bool]]:
    """The mosaic with `white` lowered to where its channels are seen to clip, and for each channel whether that was
    seen.

    A channel that does not clip in this frame takes the least level seen in the others: they share one converter.
    Without it, clipped highlights of a camera whose stated white level is too high come out coloured.
    """
    levels = {}
    for row, column in itertools.product(range(2), range(2)):
        c = int(mosaic.cfa[row, column])
        levels[c] = clip_level(mosaic.plane(row, column), mosaic.black[c], mosaic.white[c])
    seen = [level for level, found in levels.values() if found]
    a, b, c, d = (levels[k][1] for k in range(4))
    if not seen:
        return mosaic, (a, b, c, d)
    white = np.array([levels[k][0] if levels[k][1] else min(min(seen), mosaic.white[k]) for k in range(4)])
    return replace(mosaic, white=white), (a, b, c, d)


def limits(mosaic: Mosaic) -> NDArray[np.float32]:
    """The raw value from which a pixel counts as clipped, at (row % 2, column % 2)."""
    low, high = mosaic.black[mosaic.cfa], mosaic.white[mosaic.cfa]
    return np.asarray(low + FULL * (high - low), np.float32)


def clipping_of(mosaic: Mosaic, found: tuple[bool, bool, bool, bool] = (True,) * 4, patches: bool = True) -> Clipping:
    """What is clipped in a mosaic whose `white` is its true one. `found`: as of `with_real_white`. `patches`: look
    for the largest patch, too.
    """
    flags = np.empty([n // 2 for n in mosaic.raw.shape], np.uint8)
    in_bands(_flags, 0, len(flags), mosaic.raw, limits(mosaic), mosaic.cfa.astype(np.uint8), flags)
    counts = cv2.calcHist([flags], [0], None, [16], [0, 16]).ravel().astype(float) / max(flags.size, 1)
    r, g, b, h = (float(counts[_FLAGS[:16] & 1 << c > 0].sum()) for c in range(4))
    one, two, every = (float(counts[_COLOURS[:16] == n].sum()) for n in (1, 2, 3))
    largest = 0.0
    if patches and every > 0:
        sizes = cv2.connectedComponentsWithStats(cv2.LUT(flags, (_COLOURS == 3).astype(np.uint8)))[2]
        largest = float(sizes[1:, cv2.CC_STAT_AREA].max() / flags.size) if len(sizes) > 1 else 0.0
    return Clipping(_four(mosaic.white), found, (r, g, b, h), one, two, every, largest)


@njit(cache=True, nogil=True, error_model="numpy")
def _flags(begin, end, raw, limit, cfa, out):  # type: ignore[no-untyped-def]
    """For each cell of 2 x 2, a bit for each of its four channels that is clipped."""
    for y in range(begin, end):
        for x in range(out.shape[1]):
            found = 0
            for i in range(2):
                for j in range(2):
                    found |= int(raw[2 * y + i, 2 * x + j] >= limit[i, j]) << cfa[i, j]
            out[y, x] = found


_FLAGS = np.arange(256)
_COLOURS = (_FLAGS & 1 > 0).astype(int) + (_FLAGS & 10 > 0) + (_FLAGS & 4 > 0)
"""How many of red, green (channels 1 and 3) and blue a cell's flags say are clipped."""


def _four(values: NDArray[np.float64]) -> tuple[float, float, float, float]:
    a, b, c, d = (float(v) for v in values)
    return a, b, c, d
