"""A part of a picture to a frame: area-true resampling in linear light, and linear light to video levels."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import av
import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.film.moves import Framing
from clerestory.raw import srgb

Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]

# The cubic filter that Mitchell and Netravali chose, "Reconstruction filters in computer graphics" (SIGGRAPH 1988).
# Sharper ones draw a dark line in the stone around a bright window: light is linear here, and windows are bright.
B, C = 1 / 3, 1 / 3
SPARE = 1.25  # picture pixels kept for each frame pixel at the closest point of a move

SLOPE, LINEAR_BELOW = np.float32(srgb.SLOPE), np.float32(srgb.LINEAR_BELOW)
SURROUND = (0.0056, 0.0054, 0.0052)  # linear light of the dark around a whole picture and behind cards


@dataclass(frozen=True)
class Source:
    """A picture ready for a move: averaged down as far as the closest framing allows."""

    light: Floats
    factor: tuple[float, float]
    """Prepared pixels for one of the picture's, across and down."""
    rows: Floats | None = None
    """Coverage of the frame's rows, when `light` already has them: a pan resamples down only once."""
    columns: Floats | None = None
    """The same for columns: a tilt resamples across only once."""


def prepare(linear: Floats, closest: float, frame_width: int) -> Source:
    """The picture, linear light float32 H x W x 3, at the one fineness that serves a whole move.

    `closest`: width of the tightest framing, picture pixels; `frame_width`: of the film's frame, pixels.

    One fineness for all frames of a shot, so that no change of level shows while the camera moves.
    """
    shrink = closest / frame_width / SPARE
    height, width = linear.shape[:2]
    if shrink <= 1.02:
        return Source(linear, (1.0, 1.0))
    w, h = max(4, round(width / shrink)), max(4, round(height / shrink))
    small = cv2.resize(linear, (w, h), interpolation=cv2.INTER_AREA)
    return Source(np.ascontiguousarray(small), (w / width, h / height))


@njit(cache=True, error_model="numpy")
def _cubic(t: float, b: float, c: float) -> float:
    t = abs(t)
    if t < 1:
        return ((12 - 9 * b - 6 * c) * t * t * t + (-18 + 12 * b + 6 * c) * t * t + (6 - 2 * b)) / 6
    if t < 2:
        return ((-b - 6 * c) * t * t * t + (6 * b + 30 * c) * t * t + (-12 * b - 48 * c) * t + (8 * b + 24 * c)) / 6
    return 0.0


@njit(cache=True, error_model="numpy")
def _weights(
    start: float, step: float, count: int, size: int, b: float, c: float
) -> tuple[NDArray[np.int32], Floats, Floats]:
    """First tap, weights (count x taps) and coverage of every frame pixel along one axis.

    Weights sum to 1 and have no first moment about the pixel's centre: a ramp comes out exactly where asked.
    Coverage is the share of the pixel that lies on the picture.
    """
    wide = max(1.0, step)
    taps = max(6, int(np.ceil(4 * wide)) + 1)
    taps += taps % 2
    first = np.empty(count, np.int32)
    weights = np.zeros((count, taps), np.float32)
    coverage = np.empty(count, np.float32)
    w = np.empty(taps)
    for i in range(count):
        low = start + i * step
        inside = max(0.0, min(low + step, float(size)) - max(low, 0.0)) / step
        coverage[i] = 1.0 if inside > 0.9999 else inside
        centre = min(max(low + step / 2, 0.0), float(size)) - 0.5
        begin = int(np.ceil(centre - 2 * wide))
        total, moment, spread = 0.0, 0.0, 0.0
        for k in range(taps):
            d = begin + k - centre
            w[k] = _cubic(d / wide, b, c)
            total += w[k]
            moment += w[k] * d
            spread += abs(w[k]) * d * d
        tilt = moment / spread
        total = 0.0
        for k in range(taps):
            w[k] -= tilt * abs(w[k]) * (begin + k - centre)
            total += w[k]
        base = min(max(begin, 0), max(size - taps, 0))
        first[i] = base
        for k in range(taps):
            at = min(max(begin + k, 0), size - 1) - base
            if at < taps:
                weights[i, at] += np.float32(w[k] / total)
    return first, weights, coverage


@njit(cache=True, nogil=True, error_model="numpy")
def _across(d: Floats, left: int, x0: NDArray[np.int32], wx: Floats, out: Floats) -> None:
    """Taps across, at least six, always even in number; the first six written out, which is twice as fast."""
    if wx.shape[1] == 1:
        for i in range(out.size):
            out[i] = d[i]
        return
    for x in range(x0.size):
        i = 3 * (x0[x] - left)
        a, b, c, e, f, g = wx[x, 0], wx[x, 1], wx[x, 2], wx[x, 3], wx[x, 4], wx[x, 5]
        for k in range(3):
            j = i + k
            out[3 * x + k] = a * d[j] + b * d[j + 3] + c * d[j + 6] + e * d[j + 9] + f * d[j + 12] + g * d[j + 15]
    for k in range(6, wx.shape[1], 2):
        for x in range(x0.size):
            i = 3 * (x0[x] - left + k)
            a, b = wx[x, k], wx[x, k + 1]
            out[3 * x] += a * d[i] + b * d[i + 3]
            out[3 * x + 1] += a * d[i + 1] + b * d[i + 4]
            out[3 * x + 2] += a * d[i + 2] + b * d[i + 5]


@njit(cache=True, nogil=True, error_model="numpy")
def _row(
    light: Floats,
    y0: int,
    wy: Floats,
    x0: NDArray[np.int32],
    wx: Floats,
    left: int,
    right: int,
    down: Floats,
    out: Floats,
) -> None:
    """One frame row, linear RGB interleaved: taps down first, then across. `down` is scratch space."""
    if wy.size == 1:
        _across(light[y0, 3 * left : 3 * right], left, x0, wx, out)
        return
    count = 3 * (right - left)
    rows = wy.size
    a = light[y0, 3 * left : 3 * right]
    w = wy[0]
    for i in range(count):
        down[i] = w * a[i]
    k = 1
    while k + 1 < rows:
        a = light[y0 + k, 3 * left : 3 * right]
        b = light[y0 + k + 1, 3 * left : 3 * right]
        w, v = wy[k], wy[k + 1]
        for i in range(count):
            down[i] += w * a[i] + v * b[i]
        k += 2
    if k < rows:
        a = light[y0 + k, 3 * left : 3 * right]
        w = wy[k]
        for i in range(count):
            down[i] += w * a[i]
    _across(down, left, x0, wx, out)


@njit(cache=True, nogil=True, error_model="numpy")
def _surrounded(out: Floats, cover_y: float, cover_x: Floats, filled: bool, dark: Floats) -> None:
    if filled and cover_y >= 1:
        return
    for x in range(cover_x.size):
        cover = np.float32(cover_y) * cover_x[x]
        if cover < 1:
            for c in range(3):
                out[3 * x + c] = cover * out[3 * x + c] + (1 - cover) * dark[c]


@njit(cache=True, nogil=True, error_model="numpy")
def _linear_band(
    light: Floats,
    ys: tuple[NDArray[np.int32], Floats, Floats],
    xs: tuple[NDArray[np.int32], Floats, Floats],
    dark: Floats,
    rows: tuple[int, int],
    out: Floats,
) -> None:
    y0, wy, cy = ys
    x0, wx, cx = xs
    left = x0.min()
    right = min(x0.max() + wx.shape[1], light.shape[1] // 3)
    filled = cx.min() >= 1
    down = np.empty(3 * (right - left), np.float32)
    for y in range(rows[0], rows[1]):
        _row(light, y0[y], wy[y], x0, wx, left, right, down, out[y])
        _surrounded(out[y], cy[y], cx, filled, dark)


@njit(cache=True, nogil=True, error_model="numpy")
def _levels_row(row: Floats, c: Floats, luma: Bytes, enc: Floats) -> None:
    """Linear to encoded R'G'B' (kept in `enc`) and one row of luma."""
    for i in range(enc.size):
        v = min(max(row[i], np.float32(0)), np.float32(1))
        t = np.sqrt(np.sqrt(v))
        curve = c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * (c[4] + t * c[5]))))
        enc[i] = SLOPE * v if v < LINEAR_BELOW else curve
    for x in range(luma.size):
        r, g, b = enc[3 * x], enc[3 * x + 1], enc[3 * x + 2]
        y = np.float32(0.2126) * r + np.float32(0.7152) * g + np.float32(0.0722) * b
        luma[x] = np.uint8(np.float32(16.5) + np.float32(219) * y)


@njit(cache=True, nogil=True, error_model="numpy")
def _chroma_row(upper: Floats, lower: Floats, u: Bytes, v: Bytes) -> None:
    """One row of chroma from two rows of R'G'B': sited on the left luma sample, as H.264 takes it (table E-3)."""
    width = upper.size // 3
    for i in range(width // 2):
        m = 6 * i
        p = max(m - 3, 0)
        n = m + 3
        r = upper[p] + lower[p] + 2 * (upper[m] + lower[m]) + upper[n] + lower[n]
        g = upper[p + 1] + lower[p + 1] + 2 * (upper[m + 1] + lower[m + 1]) + upper[n + 1] + lower[n + 1]
        b = upper[p + 2] + lower[p + 2] + 2 * (upper[m + 2] + lower[m + 2]) + upper[n + 2] + lower[n + 2]
        y = np.float32(0.2126) * r + np.float32(0.7152) * g + np.float32(0.0722) * b
        u[i] = np.uint8(np.float32(128.5) + np.float32(224 / 8 / 1.8556) * (b - y))
        v[i] = np.uint8(np.float32(128.5) + np.float32(224 / 8 / 1.5748) * (r - y))


@njit(cache=True, nogil=True, error_model="numpy")
def _video_band(
    light: Floats,
    ys: tuple[NDArray[np.int32], Floats, Floats],
    xs: tuple[NDArray[np.int32], Floats, Floats],
    dark: Floats,
    curve: Floats,
    rows: tuple[int, int],
    luma: Bytes,
    u: Bytes,
    v: Bytes,
) -> None:
    """Resampled rows straight to video levels, two rows at a time."""
    y0, wy, cy = ys
    x0, wx, cx = xs
    left = x0.min()
    right = min(x0.max() + wx.shape[1], light.shape[1] // 3)
    filled = cx.min() >= 1
    down = np.empty(3 * (right - left), np.float32)
    row = np.empty(3 * x0.size, np.float32)
    upper, lower = np.empty(3 * x0.size, np.float32), np.empty(3 * x0.size, np.float32)
    for y in range(rows[0], rows[1], 2):
        _row(light, y0[y], wy[y], x0, wx, left, right, down, row)
        _surrounded(row, cy[y], cx, filled, dark)
        _levels_row(row, curve, luma[y], upper)
        _row(light, y0[y + 1], wy[y + 1], x0, wx, left, right, down, row)
        _surrounded(row, cy[y + 1], cx, filled, dark)
        _levels_row(row, curve, luma[y + 1], lower)
        _chroma_row(upper, lower, u[y // 2], v[y // 2])


@njit(cache=True, nogil=True, error_model="numpy")
def _levels_band(linear: Floats, curve: Floats, rows: tuple[int, int], luma: Bytes, u: Bytes, v: Bytes) -> None:
    upper, lower = np.empty(linear.shape[1], np.float32), np.empty(linear.shape[1], np.float32)
    for y in range(rows[0], rows[1], 2):
        _levels_row(linear[y], curve, luma[y], upper)
        _levels_row(linear[y + 1], curve, luma[y + 1], lower)
        _chroma_row(upper, lower, u[y // 2], v[y // 2])


@njit(cache=True, nogil=True, error_model="numpy")
def _mix_band(a: Floats, b: Floats, share: Floats, rows: tuple[int, int]) -> None:
    """b mixed into a, in place; share is how much of b, by column."""
    for y in range(rows[0], rows[1]):
        for x in range(share.size):
            s = share[x]
            for c in range(3):
                a[y, 3 * x + c] += s * (b[y, 3 * x + c] - a[y, 3 * x + c])


def code_values() -> Floats:
    """Video code value (0 to 1) by linear light, 65536 steps.

    The curve is sRGB's (IEC 61966-2-1): a finished still and the film's frame of it get the same code values, and
    look the same on the same screen. The BT.709 camera curve would darken every picture: it expects a scene, and
    a display that lightens it less than it darkens.
    """
    return srgb.encoded(np.arange(65536) / 65535).astype(np.float32)


def _curve() -> Floats:
    """Coefficients of the same curve as a polynomial in the fourth root of light, to 0.01 of an 8-bit level."""
    light = np.linspace(srgb.LINEAR_BELOW, 1, 20000)
    powers = np.vander(light**0.25, 6, increasing=True)
    coefficients = np.linalg.lstsq(powers, srgb.encoded(light), rcond=None)[0]
    return np.asarray(coefficients, np.float32)


def planes_of(frame: av.VideoFrame) -> tuple[Bytes, Bytes, Bytes]:
    """The luma and chroma planes of a yuv420p frame as writable arrays without copying."""
    out = []
    for plane in frame.planes:
        data = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
        out.append(data[:, : plane.width])
    return out[0], out[1], out[2]


def _as_it_is(coverage: Floats) -> tuple[NDArray[np.int32], Floats, Floats]:
    """An axis along which the source is the frame's already."""
    count = coverage.size
    return np.arange(count, dtype=np.int32), np.ones((count, 1), np.float32), coverage


def _once(light: Floats, axis: tuple[NDArray[np.int32], Floats, Floats]) -> Floats:
    """Light resampled along its first axis."""
    first, weights, _ = axis
    out = np.zeros((first.size, *light.shape[1:]), np.float32)
    for i in range(first.size):
        taps = light[first[i] : first[i] + weights.shape[1]]
        np.einsum("k,k...->...", weights[i, : len(taps)], taps, out=out[i])
    return out


class Renderer:
    """Turns framings into frames of one size, on a few threads."""

    def __init__(self, width: int, height: int, threads: int = 2) -> None:
        self.width, self.height = width, height
        self._pool = ThreadPoolExecutor(threads)
        bands = max(1, threads)
        edges = [2 * round(i * height / bands / 2) for i in range(bands)] + [height]
        self._bands = list(pairwise(edges))
        self._curve = _curve()
        self._dark = np.array(SURROUND, np.float32)

    def close(self) -> None:
        self._pool.shutdown()

    def _each(self, work: Callable[[tuple[int, int]], None]) -> None:
        list(self._pool.map(work, self._bands))

    def _axes(self, source: Source, framing: Framing) -> Iterator[tuple[NDArray[np.int32], Floats, Floats]]:
        fx, fy = source.factor
        height, width = source.light.shape[:2]
        if source.rows is None:
            yield _weights(framing.top * fy, framing.height * fy / self.height, self.height, height, B, C)
        else:
            yield _as_it_is(source.rows)
        if source.columns is None:
            yield _weights(framing.left * fx, framing.width * fx / self.width, self.width, width, B, C)
        else:
            yield _as_it_is(source.columns)

    def settled(self, source: Source, start: Framing, end: Framing) -> Source:
        """A source for a move between two framings, resampled ahead along the axis that the move leaves alone."""
        height, width = source.light.shape[:2]
        fx, fy = source.factor
        if (start.top, start.height) == (end.top, end.height):
            axis = _weights(start.top * fy, start.height * fy / self.height, self.height, height, B, C)
            return Source(_once(source.light, axis), source.factor, rows=axis[2])
        if (start.left, start.width) == (end.left, end.width):
            axis = _weights(start.left * fx, start.width * fx / self.width, self.width, width, B, C)
            turned = _once(np.ascontiguousarray(source.light.transpose(1, 0, 2)), axis)
            return Source(np.ascontiguousarray(turned.transpose(1, 0, 2)), source.factor, columns=axis[2])
        return source

    def linear(self, source: Source, framing: Framing, out: Floats) -> None:
        """A framing in linear light into `out`, height x 3 width."""
        ys, xs = self._axes(source, framing)
        flat = source.light.reshape(source.light.shape[0], -1)
        self._each(lambda rows: _linear_band(flat, ys, xs, self._dark, rows, out))

    def video(self, source: Source, framing: Framing, frame: av.VideoFrame) -> None:
        """A framing straight to video levels."""
        ys, xs = self._axes(source, framing)
        flat = source.light.reshape(source.light.shape[0], -1)
        luma, u, v = planes_of(frame)
        self._each(lambda rows: _video_band(flat, ys, xs, self._dark, self._curve, rows, luma, u, v))

    def levels(self, linear: Floats, frame: av.VideoFrame) -> None:
        """Linear light, height x 3 width, to video levels."""
        luma, u, v = planes_of(frame)
        self._each(lambda rows: _levels_band(linear, self._curve, rows, luma, u, v))

    def mix(self, a: Floats, b: Floats, share: Floats) -> None:
        """b mixed into a, in place, in linear light: both float32 (H, 3 W), colours side by side.

        `share` of b by column, float32 (W,), 0 to 1.
        """
        self._each(lambda rows: _mix_band(a, b, share, rows))
