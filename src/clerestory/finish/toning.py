"""A monochrome picture toned as a print is: warm or cold in the greys between, black and white left alone.

In CIELAB (CIE 15) at constant lightness: the chroma grows from nothing in black to most at middle grey and back to
nothing in white, so that the paper stays white and the deepest shade black. Hues as of warm-tone and cold-tone
prints; hue and chroma by eye, common practice, no source.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.colour import XYZ_FROM_WORKING
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
WARM, COLD = (70.0, 14.0), (265.0, 9.0)  # hue in degrees and greatest chroma at a toning of 1 and of -1
STEPS = 1024


def _back(f: NDArray[np.float64]) -> NDArray[np.float64]:
    """From CIELAB's f to the share of white (CIE 15)."""
    return np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))


@lru_cache(maxsize=8)
def _table(toning: float) -> F32:
    """Linear working colour, (STEPS + 2) x 3, of greys whose root is k / STEPS."""
    grey = (np.arange(STEPS + 2) / STEPS) ** 2
    lightness = np.where(grey > (6 / 29) ** 3, 116 * np.cbrt(grey) - 16, grey * (29 / 3) ** 3)
    hue, most = WARM if toning > 0 else COLD
    share = np.clip(lightness / 100, 0, 1)
    chroma = most * abs(toning) * 4 * share * (1 - share)
    middle = (lightness + 16) / 116
    a, b = chroma * np.cos(np.radians(hue)), chroma * np.sin(np.radians(hue))
    xyz = np.stack([_back(middle + a / 500), _back(middle), _back(middle - b / 200)], axis=-1)
    white = XYZ_FROM_WORKING.sum(axis=1)
    return np.asarray(np.clip((xyz * white) @ np.linalg.inv(XYZ_FROM_WORKING).T, 0, 1), np.float32)


@njit(cache=True, nogil=True, error_model="numpy")
def _tone(begin, end, rgb, luminance, table):  # type: ignore[no-untyped-def]
    last = np.float32(STEPS)
    for y in range(begin, end):
        for x in range(rgb.shape[1]):
            grey = rgb[y, x, 0] * luminance[0] + rgb[y, x, 1] * luminance[1] + rgb[y, x, 2] * luminance[2]
            at = np.sqrt(min(max(grey, np.float32(0)), np.float32(1))) * last
            i = int(at)
            f = at - np.float32(i)
            for k in range(3):
                rgb[y, x, k] = table[i, k] + f * (table[i + 1, k] - table[i, k])


def toned(rgb: F32, toning: float) -> F32:
    """A neutral picture (display-linear working RGB, H x W x 3, 0 to 1) toned in place: -1 cold to 1 warm."""
    if toning:
        in_bands(_tone, 0, len(rgb), rgb, XYZ_FROM_WORKING[1].astype(np.float32), _table(round(float(toning), 3)))
    return rgb
