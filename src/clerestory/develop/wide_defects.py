"""Hot and dead pixels behind a 6 x 6 filter pattern: the rule of `defects`, with neighbours by the pattern."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.raw import lattice
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

NEAR = 6  # nearest neighbours of a pixel's own colour that it is held against
REACH = 3  # pixels to the farthest of them
HOT_SIGMAS = 4.0  # of the noise at the neighbours' level, beyond the greatest of them


def neighbours(pattern: NDArray[np.int8]) -> NDArray[np.int32]:
    """The NEAR nearest pixels of the same colour, (row, column) from it, for each place of the cell: 36 x NEAR x 2.

    Fewer than NEAR within REACH: the nearest is named again.
    """
    out = np.zeros((36, NEAR, 2), np.int32)
    for (row, column), colour in np.ndenumerate(pattern):
        found = [
            (i * i + j * j, i, j)
            for i in range(-REACH, REACH + 1)
            for j in range(-REACH, REACH + 1)
            if (i or j) and pattern[(row + i) % 6, (column + j) % 6] == colour
        ]
        found = sorted(found)[:NEAR]
        out[row * 6 + column] = [found[k % len(found)][1:] for k in range(NEAR)]
    return out


@njit(cache=True, inline="always", error_model="numpy")
def _beside(raw, y, x, near):  # type: ignore[no-untyped-def]
    """How far the four pixels next to one stand above their own colour about them, summed."""
    total = np.float32(0)
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        place = (y + dy) % 6 * 6 + (x + dx) % 6
        around = np.float32(0)
        for k in range(NEAR):
            around += np.float32(raw[y + dy + near[place, k, 0], x + dx + near[place, k, 1]])
        total += np.float32(raw[y + dy, x + dx]) - around / np.float32(NEAR)
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _defects(begin, end, raw, near, black, gain, read, sigmas, out):  # type: ignore[no-untyped-def]
    for y in range(begin, end):
        for x in range(REACH + 1, raw.shape[1] - REACH - 1):
            place = y % 6 * 6 + x % 6
            most, least = raw[y + near[place, 0, 0], x + near[place, 0, 1]], np.uint16(65535)
            for k in range(NEAR):
                v = raw[y + near[place, k, 0], x + near[place, k, 1]]
                most, least = max(most, v), min(least, v)
            if least <= raw[y, x] <= most:
                continue
            hot = raw[y, x] > most
            level = np.float32(most) if hot else np.float32(least)
            excess = abs(np.float32(raw[y, x]) - level)
            spread = np.sqrt(gain * max(level - black[place], np.float32(0)) + read)
            if excess < sigmas * spread + np.float32(0.35) * (np.float32(most) - np.float32(least)):
                continue
            beside = _beside(raw, y, x, near)
            if (beside if hot else -beside) < np.float32(0.3) * excess + np.float32(2) * spread:
                out[y, x] = 1


def marked(votes: NDArray[np.uint8]) -> NDArray[np.int32]:
    """Places of a map, H x W, that are not 0, int32 N x 2 (row, column)."""
    found = cv2.findNonZero(votes)
    return np.zeros((0, 2), np.int32) if found is None else np.ascontiguousarray(found.reshape(-1, 2)[:, ::-1])


def find_wide_defects(mosaic: Mosaic, noise: NoiseModel) -> NDArray[np.int32]:
    """Defective pixels behind a 6 x 6 pattern, int32 N x 2 (row, column); the outer four rows and columns are not."""
    assert mosaic.whole is not None and mosaic.pattern is not None
    black = mosaic.black[mosaic.pattern.astype(int)].ravel().astype(np.float32)
    gain, read = np.float32(np.mean(noise.gain)), np.float32(np.mean(np.square(noise.read)) + 0.01)
    votes, edge = np.zeros(mosaic.whole.shape, np.uint8), REACH + 1
    near = neighbours(mosaic.pattern)
    given = mosaic.whole, near, black, gain, read, np.float32(HOT_SIGMAS), votes
    in_bands(_defects, edge, len(votes) - edge, *given)
    return marked(votes)


def correct_wide_defects(mosaic: Mosaic, noise: NoiseModel) -> Mosaic:
    """The frame with hot and dead pixels replaced by the median of their colour about them; the given one is
    untouched."""
    assert mosaic.whole is not None and mosaic.pattern is not None
    places = find_wide_defects(mosaic, noise)
    if not len(places):
        return mosaic
    near = neighbours(mosaic.pattern)[places[:, 0] % 6 * 6 + places[:, 1] % 6]
    around = mosaic.whole[places[:, None, 0] + near[..., 0], places[:, None, 1] + near[..., 1]]
    whole = mosaic.whole.copy()
    whole[places[:, 0], places[:, 1]] = np.median(around, axis=1).astype(np.uint16)
    return replace(mosaic, whole=whole, raw=lattice.picked(whole, mosaic.pattern, mosaic.cfa))
