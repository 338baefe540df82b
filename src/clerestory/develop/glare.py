"""Veiling glare: what a lens scatters of bright windows over the whole frame, told from the frame and taken out.

A lens sends a percent or so of the light that enters it not to its place but widely over the picture (ISO 9358 calls
the share veiling glare). Windows many stops over the stone so lay a haze on the stone beside them, in their own
colour. Its shape is known as far as the frame shows the windows: the picture, spread out. How strong it is the frame
itself may tell: no place can be darker than the haze that lies on it, so the darkest places of all, near the windows
and far away, follow the haze where there is one. Where they do not, nothing is taken out.

Sources: Talvala, Adams, Horowitz and Levoy 2007, "Veiling glare in high dynamic range imaging" (what a lens does, and
its wide tails; the power of the fall-off is from memory). That dark places near bright ones bound the glare is the
way of Reinhard, Ward, Pattanaik and Debevec, High Dynamic Range Imaging (2005), section on lens flare; from memory.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import LUMINANCE
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
Floats = NDArray[np.float64]

LONG = 120  # pixels along the longer side of the map of scattered light: it has no finer structure
CORE = 0.02  # of the diagonal: where the spread begins to fall off as the square of distance
SPOTS = 4  # spots along a side of one pixel of that map, each judged by its mean
# How the darkest places are read. Set on 25 views of five open panoramas, the Memorial Church and the modelled
# church, as they are and with 0.5 and 2 % of glare by four spreads, whole and clipped 3.3 stops under the windows:
# told in none of the modelled church's without glare, in 127 of 200 with 2 %.
STEP = 0.4  # stops of scattered light that are read together
STEPS = 9  # of them, from the most on
LEAST = 8  # of them: haze on a wall evenly lit, or on a test chart, cannot be told from its own light
FEW = 60  # spots that a step needs
DARKEST = 0.004  # share of a step's spots that are its darkest
LOW = 0.25  # the line lies under all but this share of the steps: what is lit there is no evidence
ALIKE = 0.12  # a step bears the line out that is no farther off
BORNE_OUT = 4  # steps that must do so, with glare the greater part of their light
BELIEVED = 0.6  # share of what is told that is taken out: the darkest place had some light of its own
# Without windows haze is not worth a mistake. A test chart and a box on a table, lit unevenly (open raws), where the
# darkest ink follows the light as haze would, have 2.0 and 2.6 stops; the churches 4 to 10, clipped mostly 3 to 7.
WINDOWS = 3.0  # stops from the middling light to the brightest
BRIGHTEST = 0.005  # share of the spots that is
LEFT = 0.25  # of any pixel's light is left, whatever is told


@dataclass(frozen=True)
class Glare:
    """Light scattered over a picture: `share` of all light, and `light`, h x w x 3, what a share of 1 would lay on
    each place, in the picture's unit."""

    share: float
    light: F32

    def haze(self, shape: tuple[int, ...]) -> F32:
        """The light that it lays on a picture of a shape (rows, columns, ...): H x W x 3."""
        wide = cv2.resize(self.light * np.float32(self.share), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
        return np.asarray(wide, np.float32)


def _coarse(shape: tuple[int, ...]) -> tuple[int, int]:
    """Width and height of the map of scattered light of a picture of a shape (rows, columns, ...)."""
    scale = min(1.0, LONG / max(shape[:2]))
    return max(2, round(shape[1] * scale)), max(2, round(shape[0] * scale))


def scattered(rgb: F32) -> F32:
    """Light of a linear picture (H x W x 3) spread as a lens scatters it, h x w x 3 at LONG pixels a side.

    What would fall beside the frame is lost.
    """
    width, height = _coarse(rgb.shape)
    small = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)
    y, x = np.fft.fftfreq(2 * height, 0.5 / height)[:, None], np.fft.fftfreq(2 * width, 0.5 / width)
    spread = 1 / (1 + (x**2 + y**2) / (CORE * math.hypot(width, height)) ** 2)
    size = spread.shape
    by = np.fft.rfft2(spread / spread.sum())
    out = [np.fft.irfft2(np.fft.rfft2(small[..., k], size) * by, size)[:height, :width] for k in range(3)]
    return np.maximum(np.dstack(out), 0).astype(np.float32)


def find_glare(rgb: F32) -> Glare:
    """The veiling glare that a linear picture (H x W x 3, all its light, windows too) tells of; share 0 where it
    tells none."""
    return find_glare_together([rgb])[0]


def find_glare_together(pictures: Sequence[F32]) -> list[Glare]:
    """The veiling glare of linear pictures (H x W x 3 each) through one lens: one share for all, each with its own
    light.

    The share is the median of what those with windows enough tell; none counts, too, and of two in the middle the
    lesser is taken. A picture that tells nothing by itself, as it has no window, so has the share of its neighbours.
    """
    spots = [cv2.resize(rgb, spots_of(rgb.shape), interpolation=cv2.INTER_AREA) for rgb in pictures]
    lights = [scattered(one) for one in spots]
    told = [_darkest(*both) for both in zip(spots, lights, strict=True)]
    shares = [_share(amounts, darkest) for amounts, darkest in told if len(amounts) >= LEAST]
    share = BELIEVED * statistics.median_low(shares) if shares else 0.0
    return [Glare(share, light) for light in lights]


def spots_of(shape: tuple[int, ...]) -> tuple[int, int]:
    """Width and height, in spots, of a picture of a shape (rows, columns, ...): more, glare is not told by."""
    width, height = _coarse(shape)
    return width * SPOTS, height * SPOTS


def without_glare(rgb: F32, glare: Glare | None) -> F32:
    """A linear picture, H x W x 3, less the glare that lies on it, changed in place; None takes nothing. A share
    below 0 puts back what was taken.

    Of no pixel more is taken than leaves a quarter, so that noise in the shade stays noise and is not cut off.
    """
    if glare is not None and glare.share != 0:
        haze = cv2.resize(glare.light * np.float32(glare.share), (rgb.shape[1], len(glare.light)))
        in_bands(_take, 0, len(rgb), rgb, haze)
    return rgb


def _take(begin: int, end: int, rgb: F32, haze: F32) -> None:
    """Rows `begin` to `end` of `rgb` less `haze` (h x W x 3), which is enlarged downwards."""
    last = len(haze) - 1
    for row in range(begin, end):
        at = min(max((row + 0.5) * len(haze) / len(rgb) - 0.5, 0.0), float(last))
        above = int(at)
        here = cv2.addWeighted(haze[above], 1 + above - at, haze[min(above + 1, last)], at - above, 0)
        least = rgb[row] * np.float32(LEFT)
        cv2.subtract(rgb[row], here, dst=rgb[row])
        cv2.max(rgb[row], least, dst=rgb[row])


def _darkest(spots: F32, light: F32) -> tuple[Floats, Floats]:
    """Of a picture's spots (means, H x W x 3), by steps of scattered light (`light`, h x w x 3), most first: its
    amount, 1 for the first, and the darkest spots' light as a share of it, by the colour that tells most. No steps
    where there is no window."""
    brightness = spots @ LUMINANCE.astype(np.float32)
    middle, most = np.quantile(brightness, (0.5, 1 - BRIGHTEST))
    if not most > 2.0**WINDOWS * middle > 0:
        return np.empty(0), np.empty(0)
    haze = np.maximum(cv2.resize(light, spots.shape[1::-1], interpolation=cv2.INTER_LINEAR), np.float32(1e-9))
    share = np.min(spots / haze, axis=2).ravel()
    step = np.floor(np.log2(haze.reshape(-1, 3) @ LUMINANCE.astype(np.float32)) / STEP).astype(int)
    amounts: list[float] = []
    darkest: list[float] = []
    for k in range(step.max(), step.min() - 1, -1):
        found = share[step == k]
        if found.size >= FEW and len(amounts) < STEPS:
            amounts.append(2.0 ** ((k + 0.5) * STEP))
            which = max(2, int(DARKEST * found.size))
            darkest.append(float(np.partition(found, which)[which]))
    return np.array(amounts) / (amounts[0] if amounts else 1.0), np.array(darkest)


def _share(amounts: Floats, darkest: Floats) -> float:
    """Glare as a share of all light, from the darkest spots at each amount of scattered light; 0 where not told.

    Their light is taken as some of their own, the same everywhere, and the glare: the line under most of them.
    """
    if len(amounts) < LEAST:
        return 0.0
    level = darkest * amounts
    lines = [(0.0, share) for share in darkest]
    for i, j in combinations(range(len(amounts)), 2):
        share = (level[i] - level[j]) / (amounts[i] - amounts[j])
        lines.append((level[i] - share * amounts[i], share))
    possible = [line for line in lines if line[0] >= 0 and line[1] > 0]
    if not possible:
        return 0.0
    own, share = min(possible, key=lambda line: _off(line, amounts, level))
    told = own + share * amounts
    bears_out = (np.abs(level / told - 1) < ALIKE) & (share * amounts > 0.5 * told)
    return float(share) if np.count_nonzero(bears_out) >= BORNE_OUT else 0.0


def _off(line: tuple[float, float], amounts: Floats, level: Floats) -> float:
    """How badly a line (own light, glare) lies under the steps' light: quantile regression's measure (Koenker and
    Bassett 1978), each step by its own amount."""
    rest = (level - line[0] - line[1] * amounts) / amounts
    return float(np.sum(np.where(rest > 0, LOW * rest, (LOW - 1) * rest)))
