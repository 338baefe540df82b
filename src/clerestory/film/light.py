"""A part of a picture to a frame: area-true resampling in linear light, and linear light to video levels."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import av
import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.film.levels import ROWS, Floats, curve, fused, planes_of, to_levels
from clerestory.film.moves import Framing

Lot = tuple[int, int]
"""Some rows, or columns: the first, and the one after the last."""

# The cubic filter that Mitchell and Netravali chose, "Reconstruction filters in computer graphics" (SIGGRAPH 1988).
# Sharper ones draw a dark line in the stone around a bright window: light is linear here, and windows are bright.
B, C = 1 / 3, 1 / 3
SPARE = 1.25  # picture pixels kept for each frame pixel at the closest point of a move

SURROUND = (0.0056, 0.0054, 0.0052)  # linear light of the dark around a whole picture and behind cards


@dataclass(frozen=True)
class Source:
    """A picture ready for a move: averaged down as far as the closest framing allows."""

    light: Floats
    """Linear light, float32 h x w x 3; of a pan, lots x 3 w x `ROWS`: the frame's rows in lots, each turned."""
    factor: tuple[float, float]
    """Prepared pixels for one of the picture's, across and down."""
    columns: Floats | None = None
    """Coverage of the frame's columns, when `light` already has them: a tilt resamples across only once."""
    halves: bool = False
    """`light` is a pan's: two pixels across to one of the frame, so that all are shifted by equal weights."""


_WIDE = 3 * ROWS


def prepare(linear: Floats, closest: float, frame_width: int, spare: float = SPARE) -> Source:
    """The picture, linear light float32 H x W x 3, at the one fineness that serves a whole move.

    `closest`: width of the tightest framing, picture pixels; `frame_width`: of the film's frame, pixels; `spare`:
    pixels kept for each of the frame's.

    One fineness for all frames of a shot, so that no change of level shows while the camera moves.
    """
    shrink = closest / frame_width / spare
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
    taps = max(6, int(np.ceil(4 * wide)))  # more would have no weight
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


@fused
def _down(light: Floats, y0: int, wy: Floats, left: int, out: Floats) -> None:
    """One frame row's taps down, linear RGB interleaved: eight at once, or six, and what more there are in pairs."""
    count, start, end = out.size, 3 * left, 3 * left + out.size
    a, b, c = light[y0, start:end], light[y0 + 1, start:end], light[y0 + 2, start:end]
    d, e, f = light[y0 + 3, start:end], light[y0 + 4, start:end], light[y0 + 5, start:end]
    u, v, w, x, y, z = wy[0], wy[1], wy[2], wy[3], wy[4], wy[5]
    done = 6
    if wy.size >= 8:
        g, h = light[y0 + 6, start:end], light[y0 + 7, start:end]
        p, q = wy[6], wy[7]
        done = 8
        for i in range(count):
            near = u * a[i] + v * b[i] + w * c[i] + x * d[i]
            out[i] = near + y * e[i] + z * f[i] + p * g[i] + q * h[i]
    else:
        for i in range(count):
            out[i] = u * a[i] + v * b[i] + w * c[i] + x * d[i] + y * e[i] + z * f[i]
    for k in range(done, wy.size, 2):
        a, b = light[y0 + k, start:end], light[y0 + k + 1, start:end]
        u, v = wy[k], wy[k + 1]
        for i in range(count):
            out[i] += u * a[i] + v * b[i]


@fused
def _down_lot(
    light: Floats, y0: NDArray[np.int32], wy: Floats, left: int, rows: tuple[int, int], out: Floats
) -> None:
    """Taps down of some frame rows, of as many of the source's columns from `left` on as `out` has."""
    for k in range(rows[1] - rows[0]):
        _down(light, y0[rows[0] + k], wy[rows[0] + k], left, out[k])


@fused
def _across(turned: Floats, left: int, x0: NDArray[np.int32], wx: Floats, out: Floats) -> None:
    """Taps across of `ROWS` rows at once, which lie turned: `turned` 3 w x rows, `out` 3 W x rows.

    Each pixel's values of all rows lie together, so that one instruction serves many of them.
    """
    flat, done = turned.reshape(-1), out.reshape(-1)
    for x in range(x0.size):
        i = _WIDE * (x0[x] - left)
        s, o = flat[i : i + wx.shape[1] * _WIDE], done[_WIDE * x : _WIDE * (x + 1)]
        a, b, c, d, e, f = wx[x, 0], wx[x, 1], wx[x, 2], wx[x, 3], wx[x, 4], wx[x, 5]
        first = 6
        if wx.shape[1] >= 8:
            g, h = wx[x, 6], wx[x, 7]
            first = 8
            for k in range(_WIDE):
                near = a * s[k] + b * s[k + _WIDE] + c * s[k + 2 * _WIDE] + d * s[k + 3 * _WIDE]
                far = e * s[k + 4 * _WIDE] + f * s[k + 5 * _WIDE] + g * s[k + 6 * _WIDE] + h * s[k + 7 * _WIDE]
                o[k] = near + far
        else:
            for k in range(_WIDE):
                near = a * s[k] + b * s[k + _WIDE] + c * s[k + 2 * _WIDE]
                o[k] = near + d * s[k + 3 * _WIDE] + e * s[k + 4 * _WIDE] + f * s[k + 5 * _WIDE]
        for n in range(first, wx.shape[1], 2):
            a, b = wx[x, n], wx[x, n + 1]
            t = s[n * _WIDE : (n + 2) * _WIDE]
            for k in range(_WIDE):
                o[k] += a * t[k] + b * t[k + _WIDE]


@fused
def _surrounded(out: Floats, cover_y: Floats, cover_x: Floats, dark: Floats) -> None:
    """The dark around the picture, in turned rows (3 W x rows): by how much of each pixel the picture covers."""
    for x in range(cover_x.size):
        for c in range(3):
            for k in range(cover_y.size):
                cover = cover_y[k] * cover_x[x]
                out[3 * x + c, k] = cover * out[3 * x + c, k] + (1 - cover) * dark[c]


Axis = tuple[NDArray[np.int32], Floats, Floats]
"""First tap, weights and coverage of every frame pixel along one axis, as `_weights` gives them."""


class _Room(threading.local):
    """Each thread's own arrays, used again for every lot of rows: taking them anew would cost as much as drawing."""

    def __init__(self) -> None:
        self._kept: dict[str, Floats] = {}

    def of(self, name: str, rows: int, columns: int) -> Floats:
        """An array float32 rows x columns, its values whatever they were."""
        kept = self._kept.get(name)
        if kept is None or kept.size < rows * columns:
            kept = self._kept[name] = np.zeros(rows * columns, np.float32)
        return kept[: rows * columns].reshape(rows, columns)


def _drawn(room: _Room, light: Floats, ys: Axis, xs: Axis, dark: Floats, rows: Lot) -> Floats:
    """Some rows in linear light, turned: 3 W x `ROWS`; light: H x 3 w, the source's."""
    (y0, wy, cy), (x0, wx, cx) = ys, xs
    left = int(x0.min())
    right = min(int(x0.max()) + wx.shape[1], light.shape[1] // 3)
    held, turned = room.of("held", ROWS, 3 * (right - left)), room.of("turned", 3 * (right - left), ROWS)
    _down_lot(light, y0, wy, left, rows, held)
    cv2.transpose(held, turned)
    out = turned
    if wx.shape[1] > 1:  # else the source has the frame's columns
        out = room.of("drawn", 3 * x0.size, ROWS)
        _across(turned, left, x0, wx, out)
    if min(cx.min(), cy[rows[0] : rows[1]].min()) < 1:
        _surrounded(out, cy[rows[0] : rows[1]], cx, dark)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _mix_band(a: Floats, b: Floats, share: Floats, rows: tuple[int, int]) -> None:
    """b mixed into a, in place; share is how much of b, by column."""
    for y in range(rows[0], rows[1]):
        for x in range(share.size):
            s = share[x]
            for c in range(3):
                a[y, 3 * x + c] += s * (b[y, 3 * x + c] - a[y, 3 * x + c])


def _once(light: Floats, axis: tuple[NDArray[np.int32], Floats, Floats]) -> Floats:
    """Light resampled along its first axis."""
    first, weights, _ = axis
    out = np.zeros((first.size, *light.shape[1:]), np.float32)
    for i in range(first.size):
        taps = light[first[i] : first[i] + weights.shape[1]]
        np.einsum("k,k...->...", weights[i, : len(taps)], taps, out=out[i])
    return out


def _turned(light: Floats) -> Floats:
    return np.ascontiguousarray(light.transpose(1, 0, 2))


_AROUND = 8  # half pixels of a pan's edge repeated on either side, for the taps that reach beyond it


class Renderer:
    """Turns framings into frames of one size, on a few threads."""

    def __init__(self, width: int, height: int, threads: int = 2) -> None:
        self.width, self.height = width, height
        self._pool = ThreadPoolExecutor(threads)
        bands = max(1, threads)
        edges = [ROWS * round(i * height / bands / ROWS) for i in range(bands)] + [height]
        self._bands = list(pairwise(edges))
        self._room = _Room()
        self._curve = curve()
        self._dark = np.array(SURROUND, np.float32)

    def close(self) -> None:
        self._pool.shutdown()

    def _each(self, work: Callable[[Lot], None]) -> None:
        """Some rows at a time, on all threads."""

        def band(rows: Lot) -> None:
            for first in range(rows[0], rows[1], ROWS):
                work((first, min(first + ROWS, rows[1])))

        list(self._pool.map(band, self._bands))

    def settled(self, linear: Floats, start: Framing, end: Framing) -> Source:
        """A picture ready for a move, resampled ahead along the axis that the move leaves alone.

        `linear`: its linear light, float32 H x W x 3. A pan is laid on two pixels to one
        of the frame: then all pixels of a frame are shifted by the same share.
        """
        closest = min(start.width, end.width)
        if (start.top, start.height) == (end.top, end.height) and start.width == end.width:
            source = prepare(linear, closest, self.width, 2.0)
            return self._pan(source, start)
        source = prepare(linear, closest, self.width)
        if (start.left, start.width) == (end.left, end.width):
            fx, width = source.factor[0], source.light.shape[1]
            axis = _weights(start.left * fx, start.width * fx / self.width, self.width, width, B, C)
            return Source(_turned(_once(_turned(source.light), axis)), source.factor, columns=axis[2])
        return source

    def _pan(self, source: Source, framing: Framing) -> Source:
        """A pan's source: the frame's rows, and half pixels across, its edges repeated."""
        (fx, fy), (height, width) = source.factor, source.light.shape[:2]
        down = _weights(framing.top * fy, framing.height * fy / self.height, self.height, height, B, C)
        step = framing.width * fx / self.width / 2
        count = 2 * _AROUND + int(np.ceil(width / step))
        count += count % 2
        across = _weights(-_AROUND * step, step, count, width, B, C)
        axis = (*across[:2], np.ones(count, np.float32))
        flat = source.light.reshape(height, -1)
        turned = np.zeros((-(-self.height // ROWS), 3 * count, ROWS), np.float32)

        def lot(rows: Lot) -> None:
            turned[rows[0] // ROWS] = _drawn(self._room, flat, down, axis, self._dark, rows)

        self._each(lot)
        return Source(turned, source.factor, halves=True)

    def _drawer(self, source: Source, framing: Framing) -> Callable[[Lot], Floats]:
        """What draws some rows of a framing in linear light, turned: 3 W x `ROWS`."""
        fx, fy = source.factor
        if source.halves:
            return self._shifter(source, framing)
        height, width = source.light.shape[:2]
        ys = _weights(framing.top * fy, framing.height * fy / self.height, self.height, height, B, C)
        if source.columns is None:
            xs = _weights(framing.left * fx, framing.width * fx / self.width, self.width, width, B, C)
        else:  # an axis along which the source is the frame's already
            xs = np.arange(self.width, dtype=np.int32), np.ones((self.width, 1), np.float32), source.columns
        flat = source.light.reshape(height, -1)
        return lambda rows: _drawn(self._room, flat, ys, xs, self._dark, rows)

    def _shifter(self, source: Source, framing: Framing) -> Callable[[Lot], Floats]:
        """What draws a pan: every second of its half pixels, all by the same taps."""
        start = 2 * self.width * framing.left / framing.width + _AROUND
        first, weights, _ = _weights(start, 2.0, 1, source.light.shape[1] // 3, B, C)
        x0 = first[0] + 2 * np.arange(self.width, dtype=np.int32)
        wx = np.repeat(weights, self.width, axis=0)

        def draw(rows: Lot) -> Floats:
            out = self._room.of("drawn", 3 * self.width, ROWS)
            _across(source.light[rows[0] // ROWS], 0, x0, wx, out)
            return out

        return draw

    def linear(self, source: Source, framing: Framing, out: Floats) -> None:
        """A framing in linear light into `out`, height x 3 width."""
        draw = self._drawer(source, framing)

        def lot(rows: Lot) -> None:
            cv2.transpose(draw(rows)[:, : rows[1] - rows[0]], out[rows[0] : rows[1]])

        self._each(lot)

    def _video(self, draw: Callable[[Lot], Floats], frame: av.VideoFrame) -> None:
        """What is drawn in linear light to video levels, some rows at a time."""
        planes = planes_of(frame)
        self._each(lambda rows: to_levels(draw(rows), self._curve, rows, planes))

    def video(self, source: Source, framing: Framing, frame: av.VideoFrame) -> None:
        """A framing straight to video levels."""
        self._video(self._drawer(source, framing), frame)

    def levels(self, linear: Floats, frame: av.VideoFrame) -> None:
        """Linear light, height x 3 width, to video levels."""

        def draw(rows: Lot) -> Floats:
            out = self._room.of("drawn", 3 * self.width, ROWS)
            cv2.transpose(linear[rows[0] : rows[1]], out[:, : rows[1] - rows[0]])
            return out

        self._video(draw, frame)

    def mix(self, a: Floats, b: Floats, share: Floats) -> None:
        """b mixed into a, in place, in linear light: both float32 (H, 3 W), colours side by side.

        `share` of b by column, float32 (W,), 0 to 1.
        """
        self._each(lambda rows: _mix_band(a, b, share, rows))


class InLight:
    """What is drawn in linear light, and made video from that."""

    renderer: Renderer

    def linear(self, frame: int, out: Floats) -> None:
        """The frame of this number in linear light, into `out`, float32 (H, 3 W), colours side by side."""
        raise NotImplementedError

    def video(self, frame: int, out: av.VideoFrame) -> None:
        """The frame as video."""
        light = np.empty((self.renderer.height, 3 * self.renderer.width), np.float32)
        self.linear(frame, light)
        self.renderer.levels(light, out)


@dataclass
class StillCard:
    """A card: the same light in every frame."""

    renderer: Renderer
    light: Floats

    def linear(self, frame: int, out: Floats) -> None:
        """The card, the same at every frame, into `out`, float32 (H, 3 W)."""
        out[:] = self.light

    def video(self, frame: int, out: av.VideoFrame) -> None:
        self.renderer.levels(self.light, out)
