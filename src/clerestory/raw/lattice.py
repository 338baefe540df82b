"""Values picked from frames that are not Bayer mosaics, dealt out as one, so that one code looks at every frame.

Of a 6 x 6 filter pattern every 6 x 6 cell gives one red, two greens and one blue to a 2 x 2 block: each plane of the
picked mosaic is then an even grid of pixels of one colour, whose noise is the sensor's own.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Values = NDArray[np.uint16]
Number = TypeVar("Number", bound=np.generic)
Pattern = NDArray[np.int8]
SIDE = 6  # of the pattern's cell
COARSER = 3  # times, along each side, is the mosaic picked from a 6 x 6 pattern than the frame
TILE = 16  # the picked mosaics laid side by side are cut to whole ones of these, so that no tile spans two


def is_known(pattern: Pattern) -> bool:
    """Whether a 6 x 6 pattern holds enough of red (0), green (1) and blue (2) and nothing else."""
    return set(np.unique(pattern).tolist()) == {0, 1, 2} and bool((np.bincount(pattern.ravel()) >= 4).all())


def picked_from_three(values: NDArray[Number], cfa: Pattern) -> NDArray[Number]:
    """A Bayer mosaic, H x W, of the values (H x W x 3) that filters `cfa` (2 x 2 of 0 R, 1 and 3 G, 2 B) would let
    through."""
    out = np.empty(values.shape[:2], values.dtype)
    for row in range(2):
        for column in range(2):
            channel = int(cfa[row, column])
            out[row::2, column::2] = values[row::2, column::2, 1 if channel == 3 else channel]
    return out


def _places(pattern: Pattern) -> list[list[tuple[int, int]]]:
    """Where red, the first half of green, blue and the other greens lie in the cell; those near its middle first."""
    found = []
    for colour in range(3):
        at = [(int(r), int(c)) for r, c in np.argwhere(pattern == colour)]
        found.append(sorted(at, key=lambda p: abs(p[0] - 2.5) + abs(p[1] - 2.5)))
    red, green, blue = found
    return [red, green[::2], blue, green[1::2]]


def _mosaic(values: Values, places: list[list[tuple[int, int]]], cfa: Pattern, k: int) -> Values:
    """The mosaic, H/3 x W/3, of the k-th place of each channel."""
    rows, columns = (n // SIDE for n in values.shape)
    out = np.empty((2 * rows, 2 * columns), values.dtype)
    for row in range(2):
        for column in range(2):
            channel = places[int(cfa[row, column])]
            r, c = channel[k % len(channel)]
            out[row::2, column::2] = values[r : SIDE * rows : SIDE, c : SIDE * columns : SIDE]
    return out


def picked(values: Values, pattern: Pattern, cfa: Pattern) -> Values:
    """A Bayer mosaic, H/3 x W/3, picked from one behind a 6 x 6 pattern (H x W)."""
    return _mosaic(values, _places(pattern), cfa, 0)


def measured(values: Values, pattern: Pattern, cfa: Pattern) -> tuple[Values, bool]:
    """A Bayer mosaic for measuring the frame's noise, and whether all of its planes are green.

    Where four places of the 3 x 3 are green throughout, as in the known patterns, these: three pixels apart, texture
    disturbs far less than six apart. Else all mosaics that can be picked, side by side.
    """
    green = [(r, c) for r in range(3) for c in range(3) if (pattern[r::3, c::3] == 1).all()]
    if len(green) >= 4:
        rows, columns = (n // 3 for n in values.shape)
        out = np.empty((2 * rows, 2 * columns), values.dtype)
        for k, (r, c) in enumerate(green[:4]):
            out[k // 2 :: 2, k % 2 :: 2] = values[r : 3 * rows : 3, c : 3 * columns : 3]
        return out, True
    places = _places(pattern)
    sheets = [_mosaic(values, places, cfa, k) for k in range(min(len(p) for p in places))]
    return np.hstack([s[:, : s.shape[1] // TILE * TILE] for s in sheets]), False
