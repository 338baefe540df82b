"""Where the windows of a picture are and how bright each is: what one meters when exposing for the glass.

A window is what stands well above the stone. Leads, bars and tracery narrow enough to belong to it are found by a
grey-level closing (Serra 1982), and the level of its glass by an average over what is bright near by, so that every
window of a picture has a level of its own. Nothing here depends on a setting.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
# Set together with the curve in `finish.tone`, on the scenes named there.
DARKEST = -14.0  # log2 below which a pixel tells nothing of the place
WINDOW_ABOVE = 3.5  # stops over the darker quarter of the picture from which a pixel is no stone
GLASS_FROM, GLASS_TO = 1.5, 2.5  # stops over the stone at which the weight of glass begins, least and most
GLASS_SHARE = 0.45  # of the stops from stone to the brightest, where in between that lies
GLASS_WIDTH = 0.75  # stops over which the weight grows
# Stops under the mean of the glass near by where brighter glass begins, and its rise.
BELOW, BELOW_WIDTH = 2.2, 0.5
SAMPLE = 650  # pixels: see `sampled`
LEAST_APART = 2.5  # stops over the stone below which nothing is a window
# Times the stops from stone to where the weight of glass begins: what is darker is a wall that windows light, however
# bright it is beside what is near, and lies in no window. From 1.0 to 1.4 gilded walls of the Memorial Church keep
# their gold, and leads and colours of the other scenes come out a little better; from 1.6 on dim panes lose.
LIT_WALL = 1.39
FEW = 0.1  # of the glass: the least that counts as the brightest windows, so that one bare lamp does not
ENOUGH = 1e-3  # of the picture: glass that there must be for its level to be told
REACH = ((1 / 40, 1.0), (1 / 12, 0.05), (1 / 3, 0.004))  # of the long side, and weight: where glass is looked for
COARSE = 6.0
"""Pixels of a Gaussian's deviation by which it is known well enough: on panoramas levels move by 0.01 stop in the
mean, 0.05 at most, in a third of the time."""
# Half the width of leads, bars and mullions, of the long side, and how far such a thing belongs to its window.
CLOSED = ((1 / 320, 0.49), (1 / 160, 0.37), (1 / 80, 0.14))
INSET = 1 / 400  # of the long side: how far within its outline a window begins, so that no wall is ever taken for it


def sampled(log: F32) -> F32:
    """Every n-th pixel of a log2 picture (H x W), both ways, some SAMPLE on the longer side: on panoramas its median
    is the whole's to 0.02 stop and its lightest half per cent to 0.13."""
    every = max(1, round(max(log.shape) / SAMPLE))
    return np.ascontiguousarray(log[::every, ::every])


def stone_level(log: F32) -> float | None:
    """Median log2 of what is not window in a log2 picture (H x W); None of a picture with nothing in it."""
    log = sampled(log)
    live = log[log > DARKEST]
    if live.size < 16:
        return None
    return float(np.median(live[live < float(np.percentile(live, 25)) + WINDOW_ABOVE]))


def _smooth(x: F32) -> F32:
    t = np.clip(x, np.float32(0), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


def _reduced(part: F32, factor: int) -> F32:
    """A picture (H x W) averaged down by a whole number; itself where that is 1."""
    if factor == 1:
        return part
    size = (-(-part.shape[1] // factor), -(-part.shape[0] // factor))
    out: F32 = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    return out


def _near(log: F32, weight: F32, usual: float) -> F32:
    """Weighted mean of a log2 image over near and far; `usual` where there is no weight."""
    factor = max(1, round(max(log.shape) / 320))
    parts = [_reduced(v, factor) for v in (weight, weight * (log - np.float32(usual)))]
    total = [np.full_like(parts[0], np.float32(1e-5)), np.zeros_like(parts[0])]
    for share, trust in REACH:
        for out, part in zip(total, parts, strict=True):
            out += np.float32(trust) * _blurred(part, share * max(part.shape))
    mean: F32 = np.float32(usual) + total[1] / total[0]
    return cv2.resize(mean, log.shape[1::-1], interpolation=cv2.INTER_LINEAR)


def _blurred(part: F32, sigma: float) -> F32:
    """A Gaussian mean about every pixel (H x W); a wide one is found in a reduced picture."""
    factor = max(1, int(sigma / COARSE))
    small = _reduced(part, factor)
    near = cv2.GaussianBlur(small, (0, 0), sigma * max(small.shape) / max(part.shape), borderType=cv2.BORDER_REFLECT)
    out: F32 = cv2.resize(near, part.shape[1::-1], interpolation=cv2.INTER_LINEAR) if factor > 1 else near
    return out


def _of_brighter(log: F32, weight: F32, mean: F32 | float) -> F32:
    """The weight of the brighter glass only: neither leads nor the edge of a window, which is part wall."""
    over: F32 = np.asarray(log - mean + BELOW, np.float32)
    return weight * _smooth(over / np.float32(BELOW_WIDTH))


def _disc(radius: int) -> NDArray[np.uint8]:
    out: NDArray[np.uint8] = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * radius + 1, 2 * radius + 1))
    return out


def _within(bright: F32) -> F32:
    """1 well within a window, leads with it, bars and mullions less so; 0 outside and on its outline."""
    height, width = bright.shape
    factor = max(1, round(max(height, width) / 650))  # fine enough, and the closing is quick
    small = _reduced(bright, factor)
    side = max(small.shape)
    inset = max(1, round(INSET * side))
    rim = max(1, round(CLOSED[-1][0] * side)) + inset
    wide = cv2.copyMakeBorder(small, rim, rim, rim, rim, cv2.BORDER_REFLECT)
    total = np.zeros_like(wide)
    for share, weight in CLOSED:
        closed = cv2.morphologyEx(wide, cv2.MORPH_CLOSE, _disc(max(1, round(share * side))))
        total += np.float32(weight) * closed
    inner = np.ascontiguousarray(cv2.blur(cv2.erode(total, _disc(inset)), (3, 3))[rim:-rim, rim:-rim])
    out: F32 = cv2.resize(inner, (width, height), interpolation=cv2.INTER_LINEAR)
    return out


def _weights(log: F32, stone: float) -> tuple[F32, float, float]:
    """How far each pixel counts as glass; how many stops over the stone that begins; the level of the brightest."""
    top = float(np.percentile(sampled(log), 99.5))
    apart = float(np.clip(GLASS_SHARE * (top - stone), GLASS_FROM, GLASS_TO))
    start = stone + apart
    return _smooth((log - np.float32(start)) / np.float32(GLASS_WIDTH)), apart, max(top, start)


def usual_level(log: F32) -> float | None:
    """The level of the brighter glass of a whole log2 picture (H x W); None where there is too little to tell."""
    stone = stone_level(log)
    if stone is None:
        return None
    return _mean_brighter(log, _weights(log, stone)[0])


def _mean_brighter(log: F32, weight: F32) -> float | None:
    sure = float(weight.sum())
    if sure <= ENOUGH * log.size:
        return None
    bright = _of_brighter(log, weight, float((weight * log).sum()) / sure)
    return float((bright * log).sum()) / float(bright.sum())


@dataclass(frozen=True)
class Windows:
    """What is known of a picture's windows, in log2 of the picture's own units.

    `level`: of the brighter glass near every pixel; `within`: how far within a window it lies, 0 to 1 (both float32,
    of the image's size). `stone`: the median of what is not window. `brightest`: the level of the brightest windows.
    """

    level: F32
    within: F32
    stone: float
    brightest: float


def windows(log: F32) -> Windows:
    """The windows of a reduced log2 image (H x W)."""
    stone = stone_level(log)
    if stone is None:
        return Windows(np.zeros_like(log), np.zeros_like(log), 0.0, 0.0)
    weight, apart, top = _weights(log, stone)
    found = _mean_brighter(log, weight)
    usual = top if found is None else found
    level = _near(log, _of_brighter(log, weight, _near(log, weight, usual)), usual)
    np.maximum(level, np.float32(stone + LEAST_APART), out=level)
    middle = np.maximum(np.float32(0.5) * (level + np.float32(stone)), np.float32(stone + LIT_WALL * apart))
    over: F32 = np.asarray((log - middle) / np.float32(GLASS_WIDTH) + np.float32(0.5), np.float32)
    bright = _smooth(over)
    glass = sampled(level)[sampled(bright) > 0.5]
    brightest = float(np.quantile(glass, 1 - FEW)) if glass.size else usual
    return Windows(level, _within(bright), stone, brightest)
