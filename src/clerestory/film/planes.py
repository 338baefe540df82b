"""A picture under a move as video levels: each frame is resampled in code values, luma and chroma by themselves.

The picture is averaged down in linear light first, to a quarter more pixels than the closest frame has; what is left
to each frame is a shift of less than a pixel and, in a push or pull, a smaller size by as much as it goes near (1.18
where nothing is asked). In code values that is half the numbers (chroma has half the fineness) and no curve; a lead
beside bright glass keeps its width, and a cubic's dark line beside a window is fainter than in linear light. Where a
push goes far nearer, glass and leads finer than its wide frame are averaged a little darker than in linear light.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.film.levels import BLUE, LUMA, RED, curve_of, decode_row, encode_row
from clerestory.film.moves import Framing
from clerestory.film.taps import (
    AT_ONCE,
    LEAST,
    Axis,
    Bytes,
    Floats,
    Room,
    Shorts,
    across_whole,
    down,
    drawn,
    fma,
    one,
    weights_of,
)

AROUND = 12  # half pixels of a pan's edge repeated on either side, for the taps that reach beyond it
FINE = 256  # steps of a picture's levels to one of the video's
_MOST_Y, _MOST_C = 235, 240  # of the levels, ITU-R BT.709


@dataclass(frozen=True)
class PictureLevels:
    """A picture ready for a move, as video levels, uint16, `FINE` to a level: half as much to read as in float32.

    Luma goes from 16 to 235, chroma from 16 to 240, about 128.
    """

    levels: tuple[Shorts, Shorts, Shorts]
    """Luma h x w, and blue and red difference h/2 x w/2; of a pan luma h x 2 x w: even columns, then odd ones."""
    factor: tuple[float, float]
    """Prepared pixels for one of the picture's, across and down."""
    halves: bool = False
    """The rows are the frame's, and across there are two pixels to one: a pan shifts by equal weights."""


@njit(cache=True, nogil=True, error_model="numpy")
def _split(light: Floats, curve: Floats, luma: Shorts, blue: Shorts, red: Shorts) -> None:
    """Levels of linear light, H x 3 W, both even: chroma is the mean of four pixels."""
    half, upper = np.float32(0.5), np.empty(light.shape[1], np.float32)
    lower = np.empty(light.shape[1], np.float32)
    for y in range(blue.shape[0]):
        encode_row(light[2 * y], curve, upper)
        encode_row(light[2 * y + 1], curve, lower)
        for x in range(luma.shape[1]):
            for k, row in enumerate((upper, lower)):
                grey = fma(LUMA[2], row[3 * x + 2], fma(LUMA[1], row[3 * x + 1], LUMA[0] * row[3 * x]))
                luma[2 * y + k, x] = np.uint16(FINE * (np.float32(16) + np.float32(219) * grey) + half)
        for x in range(blue.shape[1]):
            a, b = upper[6 * x : 6 * x + 6], lower[6 * x : 6 * x + 6]
            r, g, c = a[0] + a[3] + b[0] + b[3], a[1] + a[4] + b[1] + b[4], a[2] + a[5] + b[2] + b[5]
            grey = LUMA[0] * r + LUMA[1] * g + LUMA[2] * c
            blue[y, x] = np.uint16(FINE * (np.float32(128) + BLUE / 4 * (c - grey)) + half)
            red[y, x] = np.uint16(FINE * (np.float32(128) + RED / 4 * (r - grey)) + half)


def planes_from(light: Floats, factor: tuple[float, float], halves: bool = False) -> PictureLevels:
    """Levels of a prepared picture, its linear light float32 h x w x 3; of a pan (`halves`) laid out for it."""
    height, width = light.shape[:2]
    even = np.pad(light, ((0, height % 2), (0, width % 2), (0, 0)), mode="edge") if height % 2 or width % 2 else light
    flat = np.ascontiguousarray(even).reshape(even.shape[0], -1)
    h, w = even.shape[:2]
    luma, blue, red = np.empty((h, w), np.uint16), *(np.empty((h // 2, w // 2), np.uint16) for _ in range(2))
    _split(flat, curve_of(), luma, blue, red)
    if not halves:
        return PictureLevels((luma, blue, red), factor)
    return PictureLevels((_apart(luma), _apart(blue), _apart(red)), factor, True)


def _apart(plane: Shorts) -> Shorts:
    """h x w to h x 2 x w/2: even columns, then odd ones."""
    plane = plane[:, : plane.shape[1] & ~1]
    return np.ascontiguousarray(plane.reshape(len(plane), -1, 2).transpose(0, 2, 1))


@njit(cache=True, nogil=True, error_model="numpy")
def _shifted(halves: Shorts, first: int, w: Floats, out: Floats) -> None:
    """Rows of a pan from the half pixels (rows x 2 x w) of its picture: eight taps (w), the same for every pixel."""
    n, even, odd = out.shape[1], (first + 1) // 2, first // 2
    for y in range(out.shape[0]):
        if first % 2 == 0:
            a, b = halves[y, 0, even:], halves[y, 1, odd:]
        else:
            a, b = halves[y, 1, odd:], halves[y, 0, even:]
        o = out[y]
        for i in range(n):
            near = fma(w[3], one(b[i + 1]), fma(w[2], one(a[i + 1]), fma(w[1], one(b[i]), w[0] * one(a[i]))))
            near = fma(w[5], one(b[i + 2]), fma(w[4], one(a[i + 2]), near))
            o[i] = fma(w[7], one(b[i + 3]), fma(w[6], one(a[i + 3]), near))


@njit(cache=True, nogil=True, error_model="numpy")
def _rounded(levels: Floats, most: int, out: Bytes) -> None:
    low, high, half = np.float32(LEAST), np.float32(most), np.float32(0.5)
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            out[y, x] = np.uint8(min(max(levels[y, x], low), high) + half)


Taps = tuple[NDArray[np.int32], Floats]


@njit(cache=True, nogil=True, error_model="numpy")
def _whole(plane: Shorts, ys: Taps, xs: Taps, span: tuple[int, int], most: int, out: Bytes) -> None:
    """A plane resampled with six taps across and rounded, `AT_ONCE` rows at a time, so that all of them stay near."""
    wide, (height, width) = span[1] - span[0], out.shape
    held, turned = np.zeros((AT_ONCE, wide), np.float32), np.empty((wide, AT_ONCE), np.float32)
    done = np.empty((width, AT_ONCE), np.uint8)
    for first in range(0, height, AT_ONCE):
        count = min(AT_ONCE, height - first)
        down(plane, ys[0], ys[1], span, first, held[:count])
        for x in range(wide):
            for k in range(AT_ONCE):
                turned[x, k] = held[k, x]
        across_whole(turned, span[0], xs[0], xs[1], most, done)
        for k in range(count):
            for x in range(width):
                out[first + k, x] = done[x, k]


@dataclass(frozen=True)
class PlaneDrawing:
    """One plane of a framing, to be drawn."""

    plane: Shorts
    ys: Axis | None
    """Rows of the frame; none of a pan, which has them already."""
    xs: Axis
    """Columns; of a pan the first one's, which are all columns'."""
    width: int
    dark: float
    most: int

    @cached_property
    def _span(self) -> tuple[int, int]:
        """First and last of the plane's columns that the frame's are made of."""
        first, weights, _ = self.xs
        return int(first[0]), min(int(first[-1]) + weights.shape[1], self.plane.shape[1])

    @cached_property
    def _filled(self) -> bool:
        """Whether the picture fills the frame."""
        return self.ys is None or bool(self.xs[2].min() >= 1 and self.ys[2].min() >= 1)

    def floats(self, room: Room) -> Floats:
        """The frame's plane before it is rounded, float32 height x width."""
        height = len(self.plane) if self.ys is None else self.ys[0].size
        out = np.empty((height, self.width), np.float32)
        if self.ys is None:
            _shifted(self.plane, int(self.xs[0][0]), self.xs[1][0], out)
            return out
        for first in range(0, height, AT_ONCE):
            rows = (first, min(first + AT_ONCE, height))
            drawn(room, self.plane, self.ys, self.xs, (self.dark,), rows, out[slice(*rows)])
        return out

    def whole(self, room: Room, out: Bytes) -> None:
        """The frame's plane rounded to whole levels into `out`, uint8 height x width."""
        if self.ys is not None and self._filled and self.xs[1].shape[1] == 6:
            _whole(self.plane, self.ys[:2], self.xs[:2], self._span, self.most, out)
        elif self.ys is None:
            for first in range(0, len(out), AT_ONCE):
                rows = out[first : first + AT_ONCE]
                part = room.of("part", AT_ONCE, self.width)[: len(rows)]
                _shifted(self.plane[first : first + AT_ONCE], int(self.xs[0][0]), self.xs[1][0], part)
                _rounded(part, self.most, rows)
        else:
            _rounded(self.floats(room), self.most, out)


def _fine(axis: Axis) -> Axis:
    """Weights that bring a picture's fine levels to the video's."""
    return axis[0], axis[1] / np.float32(FINE), axis[2]


@cache
def _shades(*dark: float) -> tuple[float, ...]:
    """Luma, blue and red level of one linear light."""
    beyond = planes_from(np.broadcast_to(np.array(dark, np.float32), (2, 2, 3)), (1, 1)).levels
    return tuple(float(plane[0, 0]) / FINE for plane in beyond)


def drawings_of(
    planes: PictureLevels, framing: Framing, size: tuple[int, int], dark: tuple[float, float, float]
) -> tuple[PlaneDrawing, PlaneDrawing, PlaneDrawing]:
    """What draws a framing's luma, blue and red.

    size: the frame's, width and height; dark: linear light of what lies beyond the picture. Chroma lies on every
    second luma pixel of a row, and between two rows (H.264, table E-3, "left").
    """
    (fx, fy), (width, height) = planes.factor, size
    luma, blue, red = planes.levels
    shades = _shades(*dark)
    ys: Axis | None = None
    cys: Axis | None = None
    if planes.halves:
        start = 2 * width * framing.left / framing.width + AROUND
        xs = _fine(weights_of(start, 2.0, 1, 2 * luma.shape[2]))
        cxs = _fine(weights_of((start - 1) / 2, 2.0, 1, 2 * blue.shape[2]))
    else:
        x, step = framing.left * fx, framing.width * fx / width
        y, stride = framing.top * fy, framing.height * fy / height
        xs = weights_of(x, step, width, luma.shape[1])
        ys = _fine(weights_of(y, stride, height, luma.shape[0]))
        side = weights_of((x - step / 2) / 2, step, width // 2, blue.shape[1])
        cxs = (side[0], side[1], xs[2][::2].copy())
        tall = _fine(weights_of(y / 2, stride, height // 2, blue.shape[0]))
        cys = (tall[0], tall[1], (ys[2][::2] + ys[2][1::2]) / np.float32(2))
    return (
        PlaneDrawing(luma, ys, xs, width, shades[0], _MOST_Y),
        PlaneDrawing(blue, cys, cxs, width // 2, shades[1], _MOST_C),
        PlaneDrawing(red, cys, cxs, width // 2, shades[2], _MOST_C),
    )


@njit(cache=True, nogil=True, error_model="numpy")
def _finer(near: Floats, far: Floats, out: Floats) -> None:
    """A row of chroma at luma's fineness: three quarters of the row at hand, a quarter of the one beyond."""
    n = near.size
    for i in range(n):
        out[2 * i] = np.float32(0.75) * near[i] + np.float32(0.25) * far[i]
    for i in range(n - 1):
        out[2 * i + 1] = (out[2 * i] + out[2 * i + 2]) / np.float32(2)
    out[2 * n - 1] = out[2 * n - 2]


@njit(cache=True, nogil=True, error_model="numpy")
def light_of(luma: Floats, blue: Floats, red: Floats, undo: Floats, rows: tuple[int, int], out: Floats) -> None:
    """Linear light (rows x 3 W, written to) of a frame's rows, of luma H x W and chroma H/2 x W/2 levels, float32."""
    u, v = np.empty(luma.shape[1], np.float32), np.empty(luma.shape[1], np.float32)
    most = blue.shape[0] - 1
    for y in range(rows[0], rows[1]):
        at = y // 2
        beyond = min(max(at - 1 + 2 * (y % 2), 0), most)
        _finer(blue[at], blue[beyond], u)
        _finer(red[at], red[beyond], v)
        o = out[y - rows[0]]
        for x in range(luma.shape[1]):
            grey = (luma[y, x] - np.float32(16)) / np.float32(219)
            b, r = grey + (u[x] - np.float32(128)) / BLUE, grey + (v[x] - np.float32(128)) / RED
            o[3 * x], o[3 * x + 1], o[3 * x + 2] = r, (grey - LUMA[0] * r - LUMA[2] * b) / LUMA[1], b
        decode_row(o, undo)
