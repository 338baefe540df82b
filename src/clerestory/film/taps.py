"""Resampling: which pixels of a picture make one of the frame, with what weights, and rows drawn so."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, cast

import cv2
import numpy as np
from numba import njit, types
from numba.extending import intrinsic
from numpy.typing import NDArray

Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]
Shorts = NDArray[np.uint16]
Axis = tuple[NDArray[np.int32], Floats, Floats]
"""First tap, weights and coverage of every frame pixel along one axis, as `weights_of` gives them."""

# The cubic filter that Mitchell and Netravali chose, "Reconstruction filters in computer graphics" (SIGGRAPH 1988).
# Sharper ones draw a dark line in the stone around a bright window.
B, C = 1 / 3, 1 / 3


one = np.float32  # short, for the kernels


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
    """As `weights_of`, of the cubic with these two numbers."""
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


def weights_of(start: float, step: float, count: int, size: int) -> Axis:
    """First tap int32 (count,), weights float32 (count, taps) and coverage float32 (count,) along one axis.

    Pixel i of the frame lies on the picture's pixels from `start` + i `step` to `start` + (i + 1) `step`, of `size`.
    Weights sum to 1 and have no first moment about the pixel's centre: a ramp comes out exactly where asked.
    Coverage is the share of the pixel that lies on the picture.
    """
    return _weights(start, step, count, size, B, C)


@intrinsic
def fma(context: Any, a: Any, b: Any, c: Any) -> Any:
    """a b + c of float32, rounded once: the same on every processor, and one instruction on most."""
    signature = types.float32(types.float32, types.float32, types.float32)

    def code(context: Any, builder: Any, signature: Any, values: Any) -> Any:
        return builder.fma(*values)

    return signature, code


@njit(cache=True, nogil=True, error_model="numpy")
def _down(light: Floats | Shorts, y0: int, wy: Floats, left: int, right: int, out: Floats) -> None:
    """One frame row's taps down, columns `left` to `right`: eight at once, or six, and more in pairs."""
    count = right - left
    a, b = light[y0, left:right], light[y0 + 1, left:right]
    c, d = light[y0 + 2, left:right], light[y0 + 3, left:right]
    e, f = light[y0 + 4, left:right], light[y0 + 5, left:right]
    u, v, w, x, y, z = wy[0], wy[1], wy[2], wy[3], wy[4], wy[5]
    done = 6
    if wy.size >= 8:
        g, h = light[y0 + 6, left:right], light[y0 + 7, left:right]
        p, q = wy[6], wy[7]
        done = 8
        for i in range(count):
            near = fma(w, one(c[i]), fma(v, one(b[i]), u * one(a[i])))
            near = fma(z, one(f[i]), fma(y, one(e[i]), fma(x, one(d[i]), near)))
            out[i] = fma(q, one(h[i]), fma(p, one(g[i]), near))
    else:
        for i in range(count):
            near = fma(w, one(c[i]), fma(v, one(b[i]), u * one(a[i])))
            out[i] = fma(z, one(f[i]), fma(y, one(e[i]), fma(x, one(d[i]), near)))
    for k in range(done, wy.size, 2):
        a, b = light[y0 + k, left:right], light[y0 + k + 1, left:right]
        u, v = wy[k], wy[k + 1]
        for i in range(count):
            out[i] = fma(v, one(b[i]), fma(u, one(a[i]), out[i]))


@njit(cache=True, nogil=True, error_model="numpy")
def down(
    light: Floats | Shorts, y0: NDArray[np.int32], wy: Floats, span: tuple[int, int], first: int, out: Floats
) -> None:
    """Taps down of the frame rows from `first` on, as many as `out` has: of `light`'s columns in `span`.

    light: float32 or uint16 h x w; y0, wy: first taps and weights of all frame rows; out: float32 rows x columns,
    written to.
    """
    for k in range(out.shape[0]):
        _down(light, y0[first + k], wy[first + k], span[0], span[1], out[k])


Across = Callable[[Floats, int, NDArray[np.int32], Floats, Floats], None]


def _across_of(wide: int) -> Across:
    """Taps across of `wide` values to a pixel; a number that the compiler knows makes them three times as fast."""

    @njit(cache=True, nogil=True, error_model="numpy")
    def across(turned: Floats, left: int, x0: NDArray[np.int32], wx: Floats, out: Floats) -> None:
        flat, done = turned.reshape(-1), out.reshape(-1)
        for x in range(x0.size):
            i = wide * (x0[x] - left)
            s, o = flat[i : i + wx.shape[1] * wide], done[wide * x : wide * (x + 1)]
            a, b, c, d, e, f = wx[x, 0], wx[x, 1], wx[x, 2], wx[x, 3], wx[x, 4], wx[x, 5]
            for k in range(wide):
                near = fma(c, s[k + 2 * wide], fma(b, s[k + wide], a * s[k]))
                o[k] = fma(f, s[k + 5 * wide], fma(e, s[k + 4 * wide], fma(d, s[k + 3 * wide], near)))
            for n in range(6, wx.shape[1], 2):
                a, b = wx[x, n], wx[x, n + 1]
                t = s[n * wide : (n + 2) * wide]
                for k in range(wide):
                    o[k] = fma(b, t[k + wide], fma(a, t[k], o[k]))

    return cast(Across, across)


AT_ONCE = 32  # rows drawn at a time: what is at hand then stays near the processor
across = _across_of(AT_ONCE)
"""Taps across of `AT_ONCE` rows at once, which lie turned.

turned: float32 w x AT_ONCE, from the picture's column `left` on; x0, wx: first taps and weights of all frame columns;
out: float32 W x AT_ONCE, written to. A pixel's values of all rows lie together, so that one instruction serves many.
"""
_across_colours = _across_of(3 * AT_ONCE)
"""The same of three colours side by side: turned 3 w x AT_ONCE, out 3 W x AT_ONCE."""
LEAST = 16  # of the video levels, ITU-R BT.709


@njit(cache=True, nogil=True, error_model="numpy")
def across_whole(turned: Floats, left: int, x0: NDArray[np.int32], wx: Floats, most: int, out: Bytes) -> None:
    """As `across` with six taps, rounded to whole video levels, `LEAST` to `most`: out is uint8 W x AT_ONCE."""
    flat, done = turned.reshape(-1), out.reshape(-1)
    low, high, half = np.float32(LEAST), np.float32(most), np.float32(0.5)
    for x in range(x0.size):
        i = AT_ONCE * (x0[x] - left)
        s, o = flat[i : i + 6 * AT_ONCE], done[AT_ONCE * x : AT_ONCE * (x + 1)]
        a, b, c, d, e, f = wx[x, 0], wx[x, 1], wx[x, 2], wx[x, 3], wx[x, 4], wx[x, 5]
        for k in range(AT_ONCE):
            near = fma(c, s[k + 2 * AT_ONCE], fma(b, s[k + AT_ONCE], a * s[k]))
            level = fma(f, s[k + 5 * AT_ONCE], fma(e, s[k + 4 * AT_ONCE], fma(d, s[k + 3 * AT_ONCE], near)))
            o[k] = np.uint8(min(max(level, low), high) + half)


class Room(threading.local):
    """Each thread's own arrays, used again for every lot of rows: taking them anew would cost as much as drawing."""

    def __init__(self) -> None:
        self._kept: dict[str, Floats] = {}

    def of(self, name: str, rows: int, columns: int) -> Floats:
        """An array float32 rows x columns, its values whatever they were."""
        kept = self._kept.get(name)
        if kept is None or kept.size < rows * columns:  # a push asks for another width at every frame
            kept = self._kept[name] = np.zeros(rows * columns * 5 // 4, np.float32)
        return kept[: rows * columns].reshape(rows, columns)


@njit(cache=True, nogil=True, error_model="numpy")
def _surrounded(out: Floats, cy: Floats, cx: Floats, dark: float) -> None:
    """The dark where a framing reaches beyond the picture."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            cover = cy[y] * cx[x]
            if cover < 1:
                out[y, x] = cover * out[y, x] + (1 - cover) * dark


def drawn(
    room: Room,
    source: Floats | Shorts,
    ys: Axis,
    xs: Axis,
    dark: tuple[float, ...],
    rows: tuple[int, int],
    out: Floats,
) -> None:
    """Rows `rows` of a frame, at most `AT_ONCE`, resampled along both axes into `out`, float32.

    source: float32 or uint16 h x w, or h x 3 w of three colours side by side; out: rows x W, or rows x 3 W; dark:
    the value of each colour beyond it.
    """
    (y0, wy, cy), (x0, wx, cx) = ys, xs
    colours, (first, last) = len(dark), rows
    left, right = int(x0[0]), min(int(x0[-1]) + wx.shape[1], source.shape[1] // colours)
    wide = colours * (right - left)
    held, turned = room.of("held", AT_ONCE, wide), room.of("turned", wide, AT_ONCE)
    done = room.of("done", colours * x0.size, AT_ONCE)
    down(source, y0, wy, (colours * left, colours * right), first, held[: last - first])
    cv2.transpose(held, turned)
    (across if colours == 1 else _across_colours)(turned, left, x0, wx, done)
    out[:] = cv2.transpose(done)[: last - first]
    if cx.min() < 1 or cy[first:last].min() < 1:
        for colour, shade in enumerate(dark):
            _surrounded(out[:, colour::colours], cy[first:last], cx, shade)
