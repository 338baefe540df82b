"""A part of a picture to a frame: area-true resampling in linear light, and linear light to video levels."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import av
import cv2
import numpy as np
from numba import njit, types
from numba.extending import intrinsic
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
    """Linear light, float32 h x w x 3; of a pan, h x 2 x 3 w: even columns, then odd ones."""
    factor: tuple[float, float]
    """Prepared pixels for one of the picture's, across and down."""
    columns: Floats | None = None
    """Coverage of the frame's columns, when `light` already has them: a tilt resamples across only once."""
    halves: bool = False
    """`light` has the frame's rows, and across two pixels to one of the frame: a pan shifts by equal weights."""


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


@intrinsic
def _fma(context: Any, a: Any, b: Any, c: Any) -> Any:
    """a b + c of float32, rounded once: the same on every processor, and one instruction on most."""
    signature = types.float32(types.float32, types.float32, types.float32)

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.fma(*values)

    return signature, code


@njit(cache=True, nogil=True, error_model="numpy")
def _down(light: Floats, y0: int, wy: Floats, left: int, right: int, out: Floats) -> None:
    """One frame row's taps down, linear RGB interleaved: eight at once, or six, and what more there are in pairs."""
    count = 3 * (right - left)
    a, b = light[y0, 3 * left : 3 * right], light[y0 + 1, 3 * left : 3 * right]
    c, d = light[y0 + 2, 3 * left : 3 * right], light[y0 + 3, 3 * left : 3 * right]
    e, f = light[y0 + 4, 3 * left : 3 * right], light[y0 + 5, 3 * left : 3 * right]
    u, v, w, x, y, z = wy[0], wy[1], wy[2], wy[3], wy[4], wy[5]
    done = 6
    if wy.size >= 8:
        g, h = light[y0 + 6, 3 * left : 3 * right], light[y0 + 7, 3 * left : 3 * right]
        p, q = wy[6], wy[7]
        done = 8
        for i in range(count):
            near = _fma(x, d[i], _fma(w, c[i], _fma(v, b[i], u * a[i])))
            out[i] = _fma(q, h[i], _fma(p, g[i], _fma(z, f[i], _fma(y, e[i], near))))
    else:
        for i in range(count):
            near = _fma(w, c[i], _fma(v, b[i], u * a[i]))
            out[i] = _fma(z, f[i], _fma(y, e[i], _fma(x, d[i], near)))
    for k in range(done, wy.size, 2):
        a, b = light[y0 + k, 3 * left : 3 * right], light[y0 + k + 1, 3 * left : 3 * right]
        u, v = wy[k], wy[k + 1]
        for i in range(count):
            out[i] = _fma(v, b[i], _fma(u, a[i], out[i]))


@njit(cache=True, nogil=True, error_model="numpy")
def _down_band(
    light: Floats, y0: NDArray[np.int32], wy: Floats, span: tuple[int, int], first: int, out: Floats
) -> None:
    """Taps down of the frame rows from `first` on, as many as `out` has: of the source's columns in `span`."""
    for k in range(out.shape[0]):
        _down(light, y0[first + k], wy[first + k], span[0], span[1], out[k])


AT_ONCE = 32  # rows drawn at a time; a number that the compiler knows, which makes taps across three times as fast
_WIDE = 3 * AT_ONCE


@njit(cache=True, nogil=True, error_model="numpy")
def _across(turned: Floats, left: int, x0: NDArray[np.int32], wx: Floats, out: Floats) -> None:
    """Taps across of `AT_ONCE` rows at once, which lie turned: `turned` 3 w x rows, `out` 3 W x rows.

    Each pixel's values of all rows lie together, so that one instruction serves many of them.
    """
    flat, done = turned.reshape(-1), out.reshape(-1)
    for x in range(x0.size):
        i = _WIDE * (x0[x] - left)
        s, o = flat[i : i + wx.shape[1] * _WIDE], done[_WIDE * x : _WIDE * (x + 1)]
        a, b, c, d, e, f = wx[x, 0], wx[x, 1], wx[x, 2], wx[x, 3], wx[x, 4], wx[x, 5]
        for k in range(_WIDE):
            near = _fma(c, s[k + 2 * _WIDE], _fma(b, s[k + _WIDE], a * s[k]))
            o[k] = _fma(f, s[k + 5 * _WIDE], _fma(e, s[k + 4 * _WIDE], _fma(d, s[k + 3 * _WIDE], near)))
        for n in range(6, wx.shape[1], 2):
            a, b = wx[x, n], wx[x, n + 1]
            t = s[n * _WIDE : (n + 2) * _WIDE]
            for k in range(_WIDE):
                o[k] = _fma(b, t[k + _WIDE], _fma(a, t[k], o[k]))


@njit(cache=True, nogil=True, error_model="numpy")
def _shifted(halves: Floats, first: int, w: Floats, out: Floats) -> None:
    """A row of a pan from the half pixels (2 x 3 w) of its picture: eight taps (w), the same for every pixel."""
    n, even = out.size, 3 * ((first + 1) // 2)
    odd = 3 * (first // 2)
    a, b = (halves[0, even:], halves[1, odd:]) if first % 2 == 0 else (halves[1, odd:], halves[0, even:])
    for i in range(n):
        near = _fma(w[3], b[i + 3], _fma(w[2], a[i + 3], _fma(w[1], b[i], w[0] * a[i])))
        out[i] = _fma(w[7], b[i + 9], _fma(w[6], a[i + 9], _fma(w[5], b[i + 6], _fma(w[4], a[i + 6], near))))


@njit(cache=True, nogil=True, error_model="numpy")
def _surrounded(out: Floats, cover_y: float, cover_x: Floats, filled: bool, dark: Floats) -> None:
    if filled and cover_y >= 1:
        return
    for x in range(cover_x.size):
        cover = np.float32(cover_y) * cover_x[x]
        if cover < 1:
            for c in range(3):
                out[3 * x + c] = cover * out[3 * x + c] + (1 - cover) * dark[c]


Axis = tuple[NDArray[np.int32], Floats, Floats]
"""First tap, weights and coverage of every frame pixel along one axis, as `_weights` gives them."""


class _Room(threading.local):
    """Each thread's own arrays, used again for every lot of rows: taking them anew would cost as much as drawing."""

    def __init__(self) -> None:
        self._kept: dict[str, Floats] = {}

    def of(self, name: str, rows: int, columns: int) -> Floats:
        """An array float32 rows x columns, its values whatever they were."""
        kept = self._kept.get(name)
        if kept is None or kept.shape != (rows, columns):
            kept = self._kept[name] = np.zeros((rows, columns), np.float32)
        return kept


def _drawn(room: _Room, light: Floats, ys: Axis, xs: Axis, dark: Floats, rows: tuple[int, int], out: Floats) -> None:
    """Some rows in linear light into `out` (rows[1] - rows[0] of them, 3 W); light: H x 3 w."""
    (y0, wy, cy), (x0, wx, cx) = ys, xs
    left = int(x0.min())
    right = min(int(x0.max()) + wx.shape[1], light.shape[1] // 3)
    if wx.shape[1] == 1:
        _down_band(light, y0, wy, (left, right), rows[0], out)
    else:
        count, wide = rows[1] - rows[0], 3 * (right - left)
        held = room.of("held", AT_ONCE, wide)
        _down_band(light, y0, wy, (left, right), rows[0], held[:count])
        turned = room.of("turned", wide, AT_ONCE)
        done = room.of("done", 3 * x0.size, AT_ONCE)
        cv2.transpose(held, turned)
        _across(turned, left, x0, wx, done)
        if count == AT_ONCE:
            cv2.transpose(done, out)
        else:
            out[:] = cv2.transpose(done)[:count]
    if cx.min() < 1 or cy[rows[0] : rows[1]].min() < 1:
        for k in range(rows[1] - rows[0]):
            _surrounded(out[k], cy[rows[0] + k], cx, False, dark)


@njit(cache=True, nogil=True, error_model="numpy")
def _pan_band(halves: Floats, first: int, w: Floats, rows: tuple[int, int], out: Floats) -> None:
    """Rows of a pan's band in linear light into `out` (rows[1] - rows[0] of them, 3 W)."""
    for y in range(rows[0], rows[1]):
        _shifted(halves[y], first, w, out[y - rows[0]])


@njit(cache=True, nogil=True, error_model="numpy")
def _levels_row(row: Floats, c: Floats, luma: Bytes, enc: Floats) -> None:
    """Linear to encoded R'G'B' (kept in `enc`) and one row of luma."""
    for i in range(enc.size):
        v = min(max(row[i], np.float32(0)), np.float32(1))
        t = np.sqrt(v)
        high = _fma(t, _fma(t, _fma(t, _fma(t, c[9], c[8]), c[7]), c[6]), c[5])
        curve = _fma(t, _fma(t, _fma(t, _fma(t, _fma(t, high, c[4]), c[3]), c[2]), c[1]), c[0])
        enc[i] = SLOPE * v if v < LINEAR_BELOW else curve
    for x in range(luma.size):
        r, g, b = enc[3 * x], enc[3 * x + 1], enc[3 * x + 2]
        y = _fma(np.float32(0.0722), b, _fma(np.float32(0.7152), g, np.float32(0.2126) * r))
        luma[x] = np.uint8(_fma(np.float32(219), y, np.float32(16.5)))


@njit(cache=True, nogil=True, error_model="numpy")
def _chroma_row(upper: Floats, lower: Floats, both: Floats, spread: Floats, u: Bytes, v: Bytes) -> None:
    """One row of chroma from two rows of R'G'B': sited on the left luma sample, as H.264 takes it (table E-3).

    `both` (3 W + 6) and `spread` (3 W) are scratch space.
    """
    count = upper.size
    for i in range(count):
        both[i + 3] = upper[i] + lower[i]
    for i in range(3):
        both[i], both[count + 3 + i] = both[3 + i], both[count + i]
    for i in range(count):
        spread[i] = both[i] + np.float32(2) * both[i + 3] + both[i + 6]
    for i in range(u.size):
        r, g, b = spread[6 * i], spread[6 * i + 1], spread[6 * i + 2]
        y = np.float32(0.2126) * r + np.float32(0.7152) * g + np.float32(0.0722) * b
        u[i] = np.uint8(np.float32(128.5) + np.float32(224 / 8 / 1.8556) * (b - y))
        v[i] = np.uint8(np.float32(128.5) + np.float32(224 / 8 / 1.5748) * (r - y))


@njit(cache=True, nogil=True, error_model="numpy")
def _levels_band(linear: Floats, curve: Floats, rows: tuple[int, int], luma: Bytes, u: Bytes, v: Bytes) -> None:
    """Rows of linear light (the first is the band's, or the frame's where it holds all) to video levels."""
    upper, lower = np.empty(linear.shape[1], np.float32), np.empty(linear.shape[1], np.float32)
    both, spread = np.empty(upper.size + 6, np.float32), np.empty(upper.size, np.float32)
    for y in range(rows[0], rows[1], 2):
        at = y - rows[0]
        _levels_row(linear[at], curve, luma[y], upper)
        _levels_row(linear[at + 1], curve, luma[y + 1], lower)
        _chroma_row(upper, lower, both, spread, u[y // 2], v[y // 2])


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
    """Coefficients of the same curve as a polynomial in the root of light, to 0.01 of an 8-bit level.

    Nine degrees in the root take less time than five in the fourth root, which takes two roots to find.
    """
    low = float(np.sqrt(srgb.LINEAR_BELOW))
    root = (1 + low) / 2 + (1 - low) / 2 * np.cos(np.pi * (np.arange(4000) + 0.5) / 4000)
    fitted = np.polynomial.Chebyshev.fit(root, srgb.encoded(root**2), 9, domain=[low, 1])
    return np.asarray(fitted.convert(kind=np.polynomial.Polynomial).coef, np.float32)


def planes_of(frame: av.VideoFrame) -> tuple[Bytes, Bytes, Bytes]:
    """The luma and chroma planes of a yuv420p frame as writable arrays without copying."""
    out = []
    for plane in frame.planes:
        data = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
        out.append(data[:, : plane.width])
    return out[0], out[1], out[2]


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
        edges = [AT_ONCE * round(i * height / bands / AT_ONCE) for i in range(bands)] + [height]
        self._bands = list(pairwise(edges))
        self._room = _Room()
        self._curve = _curve()
        self._dark = np.array(SURROUND, np.float32)

    def close(self) -> None:
        self._pool.shutdown()

    def _each(self, work: Callable[[tuple[int, int]], None]) -> None:
        """Some rows at a time, on all threads."""

        def band(rows: tuple[int, int]) -> None:
            for first in range(rows[0], rows[1], AT_ONCE):
                work((first, min(first + AT_ONCE, rows[1])))

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
        fine = np.empty((self.height, 3 * count), np.float32)
        flat, everywhere = source.light.reshape(height, -1), np.ones(count, np.float32)
        axis = (*across[:2], everywhere)
        self._each(lambda lot: _drawn(self._room, flat, down, axis, self._dark, lot, fine[lot[0] : lot[1]]))
        halves = fine.reshape(self.height, -1, 2, 3).transpose(0, 2, 1, 3).reshape(self.height, 2, -1)
        return Source(np.ascontiguousarray(halves), source.factor, halves=True)

    def _drawer(self, source: Source, framing: Framing) -> Callable[[tuple[int, int], Floats], None]:
        """What draws some rows of a framing in linear light, rows[1] - rows[0] x 3 width."""
        fx, fy = source.factor
        if source.halves:
            start = 2 * self.width * framing.left / framing.width + _AROUND
            first, weights, _ = _weights(start, 2.0, 1, source.light.shape[2] // 3 * 2, B, C)
            return lambda rows, out: _pan_band(source.light, int(first[0]), weights[0], rows, out)
        height, width = source.light.shape[:2]
        ys = _weights(framing.top * fy, framing.height * fy / self.height, self.height, height, B, C)
        if source.columns is None:
            xs = _weights(framing.left * fx, framing.width * fx / self.width, self.width, width, B, C)
        else:  # an axis along which the source is the frame's already
            xs = np.arange(self.width, dtype=np.int32), np.ones((self.width, 1), np.float32), source.columns
        flat = source.light.reshape(height, -1)
        return lambda rows, out: _drawn(self._room, flat, ys, xs, self._dark, rows, out)

    def linear(self, source: Source, framing: Framing, out: Floats) -> None:
        """A framing in linear light into `out`, height x 3 width."""
        draw = self._drawer(source, framing)
        self._each(lambda rows: draw(rows, out[rows[0] : rows[1]]))

    def video(self, source: Source, framing: Framing, frame: av.VideoFrame) -> None:
        """A framing straight to video levels, some rows at a time."""
        draw = self._drawer(source, framing)
        luma, u, v = planes_of(frame)

        def lot(rows: tuple[int, int]) -> None:
            held = self._room.of("lot", AT_ONCE, 3 * self.width)[: rows[1] - rows[0]]
            draw(rows, held)
            _levels_band(held, self._curve, rows, luma, u, v)

        self._each(lot)

    def levels(self, linear: Floats, frame: av.VideoFrame) -> None:
        """Linear light, height x 3 width, to video levels."""
        luma, u, v = planes_of(frame)
        self._each(lambda rows: _levels_band(linear[rows[0] : rows[1]], self._curve, rows, luma, u, v))

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
