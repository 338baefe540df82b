"""The tone operator as it was before windows were given a curve of their own, frozen: what `light.py tone` measures
and shows beside today's. Kept as it was; see `clerestory.finish.tone` for what is used.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.finish.tone import ToneSettings

F32 = NDArray[np.float32]
FLOOR = 2.0**-16  # darkest norm told apart
MID = math.log2(0.18)  # mid-grey of the display, log2
KNEE = -2.0  # log2 of display where the window's hold begins
KNEE_WIDTH = 0.5  # stops over which it sets in
CONTRAST = 1.2  # of the base layer below mid-grey, for viewing on a screen in a lit room; common practice, no source
LIFT_CENTRE = -5.5  # log2 of display: shade at which half of the lift is given
LIFT_WIDTH = 1.2


@njit(cache=True, inline="always", error_model="numpy")
def _norm(r, g, b):  # type: ignore[no-untyped-def]
    """Sum of cubes over sum of squares: the value itself for grey, the largest channel for a pure colour."""
    r, g, b = max(r, np.float32(0)), max(g, np.float32(0)), max(b, np.float32(0))
    r2, g2, b2 = r * r, g * g, b * b
    return (r2 * r + g2 * g + b2 * b) / (r2 + g2 + b2 + np.float32(1e-20))


@njit(cache=True, parallel=True, error_model="numpy")
def _reduced_log(rgb, step, floor, out):  # type: ignore[no-untyped-def]
    """log2 of the norm of the mean of step x step pixels."""
    for y in prange(out.shape[0]):
        for x in range(out.shape[1]):
            r = g = b = np.float32(0)
            for i in range(y * step, min((y + 1) * step, rgb.shape[0])):
                for j in range(x * step, min((x + 1) * step, rgb.shape[1])):
                    r += rgb[i, j, 0]
                    g += rgb[i, j, 1]
                    b += rgb[i, j, 2]
            n = min((y + 1) * step, rgb.shape[0]) - y * step
            m = min((x + 1) * step, rgb.shape[1]) - x * step
            out[y, x] = np.log2(max(_norm(r, g, b) / np.float32(n * m), floor))


def reduced_log(rgb: F32, step: int) -> F32:
    """log2 of the brightness norm at 1 / step of the size, float32."""
    height, width = rgb.shape[:2]
    out = np.empty((-(-height // step), -(-width // step)), np.float32)
    _reduced_log(rgb, step, np.float32(FLOOR), out)
    return out


def _mean(image: F32, radius: int) -> F32:
    size = 2 * radius + 1
    out: F32 = cv2.blur(image, (size, size), borderType=cv2.BORDER_REFLECT)
    return out


def _guided(log: F32, radius: int, softness: float) -> tuple[F32, F32]:
    """Slope and offset of the guided filter of an image by itself, averaged, variance weighted."""
    mean = _mean(log, radius)
    variance: F32 = np.maximum(_mean(log * log, radius) - mean * mean, np.float32(0))
    # The square keeps a strong edge whole even where only a sliver of it lies in the window: no halo.
    squared = variance * variance
    slope: F32 = squared / (squared + np.float32(softness**4))
    offset: F32 = mean * (1 - slope)
    return _mean(slope, radius), _mean(offset, radius)


def base_layer(log: F32) -> tuple[F32, F32]:
    """Slope and offset (base = slope x log + offset) of the base layer of a reduced log2 image.

    Two radii, 1/100 and 1/30 of the long side; differences under about 0.7 stop are texture, larger ones are edges.
    """
    side = max(log.shape)
    parts = [_guided(log, max(side // d, 2), s) for d, s in ((100, 0.5), (30, 0.7))]
    half = np.float32(0.5)
    return half * (parts[0][0] + parts[1][0]), half * (parts[0][1] + parts[1][1])


@dataclass(frozen=True)
class _Curve:
    """Base log2 (after exposure) to base log2 of display."""

    slope: float  # of the straight half above the knee
    bend: float  # of the curved half
    lift: float
    contrast: float


def _curve(settings: ToneSettings) -> _Curve:
    hold = max(settings.window_hold, 0.0)
    slope = KNEE / (KNEE - hold)
    return _Curve(slope, -1 / KNEE - 1 / (hold - KNEE), max(settings.shade_lift, 0.0), CONTRAST)


@njit(cache=True, inline="always", error_model="numpy")
def _softplus(x):  # type: ignore[no-untyped-def]
    if x > np.float32(15.0):
        return x
    return np.log1p(np.exp(x))


@njit(cache=True, inline="always", error_model="numpy")
def _placed(x, slope, bend, lift, contrast):  # type: ignore[no-untyped-def]
    """The curve: contrast about mid-grey, shade lifted, window held."""
    knee, kw, mid = np.float32(KNEE), np.float32(KNEE_WIDTH), np.float32(MID)
    width = max(np.float32(LIFT_WIDTH), np.float32(0.4) * lift)  # so that darker never comes out brighter
    y = x + lift / (np.float32(1) + np.exp((x - np.float32(LIFT_CENTRE)) / width))
    z = mid + contrast * (y - mid)
    y = z if z < mid else y
    u = kw * _softplus((y - knee) / kw)  # stops above the knee
    # Half a straight line, half a curve that leaves the knee at full slope: sunlit stone glows, glass keeps contrast.
    return y - u + np.float32(0.5) * (slope * u + u / (np.float32(1) + u * bend))


@njit(cache=True, inline="always", error_model="numpy")
def _table(x, table, low, per_stop):  # type: ignore[no-untyped-def]
    p = (x - low) * per_stop
    p = min(max(p, np.float32(0)), np.float32(table.size - 2))
    i = int(p)
    f = p - np.float32(i)
    return table[i] + f * (table[i + 1] - table[i])


@njit(cache=True, inline="always", error_model="numpy")
def _shoulder(v):  # type: ignore[no-untyped-def]
    """Identity to 0.75, then smoothly towards 1, never past it; slope continuous."""
    k = np.float32(0.75)
    if v <= k:
        return v
    u = (v - k) / (np.float32(1) - k)
    return k + (np.float32(1) - k) * u / (np.float32(1) + u)


@njit(cache=True, parallel=True, error_model="numpy")
def _apply(rgb, slope, offset, step, ev, table, low, per_stop, detail, floor):  # type: ignore[no-untyped-def]
    """Multiply every pixel by its gain, in place. `table` holds curve(x) - x."""
    rows, columns = slope.shape
    inverse = np.float32(1.0 / step)
    half = np.float32(0.5)
    for y in prange(rgb.shape[0]):
        v = min(max((np.float32(y) + half) * inverse - half, np.float32(0)), np.float32(rows - 1))
        i = min(int(v), rows - 2) if rows > 1 else 0
        i2 = min(i + 1, rows - 1)
        fy = v - np.float32(i)
        for x in range(rgb.shape[1]):
            u = min(max((np.float32(x) + half) * inverse - half, np.float32(0)), np.float32(columns - 1))
            j = min(int(u), columns - 2) if columns > 1 else 0
            j2 = min(j + 1, columns - 1)
            fx = u - np.float32(j)
            a = (slope[i, j] * (1 - fx) + slope[i, j2] * fx) * (1 - fy)
            a += (slope[i2, j] * (1 - fx) + slope[i2, j2] * fx) * fy
            b = (offset[i, j] * (1 - fx) + offset[i, j2] * fx) * (1 - fy)
            b += (offset[i2, j] * (1 - fx) + offset[i2, j2] * fx) * fy
            r, g, bl = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            n = max(_norm(r, g, bl), floor)
            log = np.log2(n)
            base = a * log + b
            stops = ev + _table(base + ev, table, low, per_stop) + detail * (log - base)
            gain = np.exp2(stops)
            shown = max(max(r, max(g, bl)), n) * gain  # of the strongest channel: none meets the ceiling, hue stays
            gain *= _shoulder(shown) / shown
            rgb[y, x, 0] = min(max(r * gain, np.float32(0)), np.float32(1))
            rgb[y, x, 1] = min(max(g * gain, np.float32(0)), np.float32(1))
            rgb[y, x, 2] = min(max(bl * gain, np.float32(0)), np.float32(1))


def _step(shape: tuple[int, ...]) -> int:
    """Reduction at which the base layer is found: about 1300 pixels on the long side."""
    return max(1, round(max(shape[:2]) / 1300))


@njit(cache=True, error_model="numpy")
def _fill_table(low, per_stop, slope, bend, lift, contrast, out):  # type: ignore[no-untyped-def]
    for k in range(out.size):
        x = low + np.float32(k) / per_stop
        out[k] = _placed(x, slope, bend, lift, contrast) - x


def layers_of(rgb: F32) -> tuple[F32, F32]:
    """The base layer of a picture as `apply` finds it; no setting changes it, so it may be kept between settings."""
    return base_layer(reduced_log(rgb, _step(rgb.shape)))


def apply(
    rgb: F32,
    settings: ToneSettings,
    in_place: bool = False,
    layers: tuple[F32, F32] | None = None,
) -> F32:
    """Display-linear float32 RGB, 0 to 1, from scene-linear Rec. 2020 RGB (1 = raw saturation of green)."""
    out = rgb if in_place else rgb.copy()
    step = _step(rgb.shape)
    slope, offset = layers if layers is not None else layers_of(rgb)
    curve = _curve(settings)
    low, per_stop = np.float32(-24), np.float32(32)
    table = np.empty(44 * 32, np.float32)
    numbers = (np.float32(v) for v in (curve.slope, curve.bend, curve.lift, curve.contrast))
    _fill_table(low, per_stop, *numbers, table)
    detail = np.float32(2**settings.local_contrast - 1)
    _apply(out, slope, offset, step, np.float32(settings.exposure), table, low, per_stop, detail, np.float32(FLOOR))
    return out


WINDOW_ABOVE = 3.5  # stops over the darker quarter of the picture
LIGHTEST = -0.9  # log2 of display that the lightest surface reaches at least


def judge(rgb: F32) -> ToneSettings:
    """Settings good enough to leave, from the picture itself (scene-linear Rec. 2020)."""
    log = reduced_log(rgb, max(1, round(max(rgb.shape[:2]) / 512)))
    live = log[log > -14]
    if live.size < 16:
        return ToneSettings()
    dark, quarter = (float(v) for v in np.percentile(live, (5, 25)))
    stone = live[live < quarter + WINDOW_ABOVE]  # windows are not what the stone is exposed for
    mid = float(np.median(stone))
    body = stone[(stone > mid - 2.5) & (stone < mid + 2.0)]
    exposure = MID - 0.15 - float(np.mean(body))
    # Where no window sets the scale, what is lightest still has to be light.
    exposure = float(np.clip(max(exposure, LIGHTEST - float(np.percentile(live, 98))), -4.0, 7.0))
    high = float(np.percentile(live, 99.7)) + exposure
    hold = float(np.clip(high + 0.2, 0.0, 8.0))
    lift = float(np.clip(0.5 * (-5.0 - (dark + exposure)), 0.0, 2.5))
    return ToneSettings(round(exposure, 2), round(hold, 2), round(lift, 2), 0.15)
