"""Sharpening for the size of the output, and undoing of diffraction, held back where it would only sharpen noise."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.finish.tone import WorkingNoise
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
RADIUS = 0.7  # pixels of the output: blur of demosaicing and of reduction
MM_PER_INCH = 25.4
PAPER = 0.05
"""Millimetres (standard deviation) by which ink and paper spread what is printed: a coated sheet then shows four line
pairs a millimetre at half their contrast. Common practice, no source; METHODS says what half and double of it do."""
STRIP = 1024  # rows sharpened at once
BORNE = 0.4  # pixels of the raw frame: diffraction (standard deviation) that the usual amount already answers


@njit(cache=True, nogil=True, error_model="numpy")
def _lightness(begin, end, rgb, out):  # type: ignore[no-untyped-def]
    """Square root of luminance: near enough to how evenly steps are seen."""
    for y in range(begin, end):
        for x in range(rgb.shape[1]):
            r, g, b = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            v = np.float32(0.2627) * r + np.float32(0.6780) * g + np.float32(0.0593) * b
            out[y, x] = np.sqrt(max(v, np.float32(0)))


@njit(cache=True, nogil=True, error_model="numpy")
def _gains(up, own, down, soft, amount, core, slack, out):  # type: ignore[no-untyped-def]
    """What a row's pixels are multiplied by. `up`, `own`, `down`: rows of lightness with a pixel more at either end;
    `soft`: the row blurred."""
    one = np.float32(1)
    for x in range(out.size):  # without branches, for the processor's wide lanes
        v = own[x + 1]
        h = v - soft[x]
        h2 = h * h
        gain = amount * h2 / (h2 + core)
        most = max(max(up[x + 1], down[x + 1]), max(own[x], own[x + 2]))
        least = min(min(up[x + 1], down[x + 1]), min(own[x], own[x + 2]))
        most, least = max(most, v), min(least, v)
        room = slack * (most - least)
        new = max(min(max(v + gain * h, least - room), most + room), np.float32(0))
        k = new / max(v, np.float32(1e-3))
        out[x] = one if gain * abs(h) < np.float32(2e-4) else k * k


@njit(cache=True, nogil=True, error_model="numpy")
def _wider(line, out):  # type: ignore[no-untyped-def]
    """A row with its first and last pixel repeated beyond its ends."""
    n = line.size
    for x in range(n):
        out[x + 1] = line[x]
    out[0], out[n + 1] = line[0], line[n - 1]


@njit(cache=True, nogil=True, error_model="numpy")
def _apply(begin, end, rgb, light, soft, top, amount, core, slack):  # type: ignore[no-untyped-def]
    """Adds the cored high frequencies; the result keeps within its neighbours' range but for a little slack. `soft`
    begins at row `top`."""
    height, width = light.shape
    rows, gain = np.empty((3, width + 2), np.float32), np.empty(width, np.float32)
    for y in range(max(begin - 1, 0), min(begin + 1, height)):
        _wider(light[y], rows[y % 3])
    for y in range(begin, end):
        up, down = max(y - 1, 0), min(y + 1, height - 1)
        _wider(light[down], rows[down % 3])
        _gains(rows[up % 3], rows[y % 3], rows[down % 3], soft[y - top], amount, core, slack, gain)
        row = rgb[y]
        for x in range(width):
            k = gain[x]
            r, g, b = row[x, 0] * k, row[x, 1] * k, row[x, 2] * k
            row[x, 0], row[x, 1], row[x, 2] = min(r, np.float32(1)), min(g, np.float32(1)), min(b, np.float32(1))


def seen_noise(light: F32) -> float:
    """Noise of a lightness picture, float32 H x W, from the flattest third of its tiles: deviation of one pixel."""
    step = max(1, light.shape[0] // 600)
    rows = light[::step]
    d = np.abs(rows[:, 2:] - 2 * rows[:, 1:-1] + rows[:, :-2]) / np.sqrt(6)
    n = d.shape[1] // 16 * 16
    if n == 0:
        return 0.0
    tiles = d[:, :n].reshape(d.shape[0], -1, 16).mean(axis=2) * np.sqrt(np.pi / 2)
    return float(np.quantile(tiles, 0.3))


def sharpen(
    rgb: F32,
    scale: float = 1.0,
    noise: float | WorkingNoise | None = None,
    amount: float = 0.6,
    in_place: bool = False,
    diffraction: float = 0.0,
) -> F32:
    """Display-linear RGB, 0 to 1, sharpened for its own size; float32 H x W x 3.

    `diffraction`: standard deviation, in pixels of the raw frame, of the blur that a small aperture gave
    (`camera.optics.diffraction_sigma`): what goes beyond the usual is undone as far as the noise allows.

    `scale`: pixels of this picture per pixel of the raw frame; a reduced picture (below 1) is sharp in itself and
    wants less, an enlarged one a wider radius. `noise`: standard deviation of lightness (square root of luminance);
    measured in the picture itself when None or when only the frame's model is given, since noise reduction and tone
    have changed it since. Detail under about twice the noise is left alone.
    """
    out = rgb if in_place else rgb.copy()
    if amount <= 0 or min(rgb.shape[:2]) < 8:
        return out
    light = np.empty(rgb.shape[:2], np.float32)
    in_bands(_lightness, 0, out.shape[0], out, light)
    deviation = noise if isinstance(noise, float) else seen_noise(light)
    radius = RADIUS * max(1.0, scale)
    # A difference from a blur of radius r is r^2 / 2 times the Laplacian, and so is what a blur of sigma takes away.
    beyond = max(diffraction**2 - BORNE**2, 0.0) * scale**2
    wider = radius**2 + 0.5 * beyond
    strength = (amount * (0.6 + 0.4 * min(scale, 1.0)) * radius**2 + beyond) / wider
    core = np.float32((2 * deviation) ** 2 + 1e-8)
    _sharpened(out, light, wider**0.5, np.float32(strength), core, np.float32(0.15))
    return out


def _sharpened(rgb: F32, light: F32, radius: float, *how: np.float32) -> None:
    """Sharpen against a blur of a radius, in place and by strips: `how` as `_apply` takes it."""
    beyond = int(5 * radius) + 4  # rows, more than the blur reaches
    for first in range(0, len(rgb), STRIP):
        last, top = min(first + STRIP, len(rgb)), max(first - beyond, 0)
        soft = cv2.GaussianBlur(light[top : last + beyond], (0, 0), radius)
        in_bands(_apply, first, last, rgb, light, soft, top, *how)


def sharpen_for_paper(rgb: F32, per_inch: float) -> F32:
    """A finished picture, display-linear RGB, float32 H x W x 3, 0 to 1, sharpened in place for being printed.

    `per_inch`: pixels of the picture to an inch of paper. What ink and paper will spread (`PAPER`) is made up for
    beforehand: a blur of standard deviation s takes away s^2 / 2 times the Laplacian. On the screen the picture looks
    harder than it should; on paper as it was. Noise is left alone, as in `sharpen`.
    """
    if min(rgb.shape[:2]) < 8:
        return rgb
    light = np.empty(rgb.shape[:2], np.float32)
    in_bands(_lightness, 0, len(rgb), rgb, light)
    spread = (PAPER * per_inch / MM_PER_INCH) ** 2
    wider = RADIUS**2 + 0.5 * spread
    core = np.float32((2 * seen_noise(light)) ** 2 + 1e-8)
    _sharpened(rgb, light, wider**0.5, np.float32(spread / wider), core, np.float32(0.5))
    return rgb
