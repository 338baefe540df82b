"""Linear light to video levels and back: code values, luma, chroma of half the fineness."""

from __future__ import annotations

from functools import cache

import av
import numpy as np
from numba import njit

from clerestory.film.taps import Bytes, Floats, fma
from clerestory.raw import srgb

SLOPE, LINEAR_BELOW = np.float32(srgb.SLOPE), np.float32(srgb.LINEAR_BELOW)
CODED_BELOW = np.float32(srgb.CODED_BELOW)
LUMA = (np.float32(0.2126), np.float32(0.7152), np.float32(0.0722))  # of R', G', B'; ITU-R BT.709
BLUE, RED = np.float32(224 / 1.8556), np.float32(224 / 1.5748)  # levels of chroma for one of B' - Y', R' - Y'


@njit(cache=True, nogil=True, error_model="numpy")
def encode_row(row: Floats, c: Floats, enc: Floats) -> None:
    """Linear light, float32 (n,), to code values 0 to 1 into `enc` (n,); c: `curve_of`, (10,)."""
    for i in range(enc.size):
        v = min(max(row[i], np.float32(0)), np.float32(1))
        t = np.sqrt(v)
        high = fma(t, fma(t, fma(t, fma(t, c[9], c[8]), c[7]), c[6]), c[5])
        curve = fma(t, fma(t, fma(t, fma(t, fma(t, high, c[4]), c[3]), c[2]), c[1]), c[0])
        enc[i] = SLOPE * v if v < LINEAR_BELOW else curve


@njit(cache=True, nogil=True, error_model="numpy")
def decode_row(row: Floats, c: Floats) -> None:
    """Code values, float32 (n,), to linear light, in place; c: `decoding_of`, (8,)."""
    for i in range(row.size):
        v = min(max(row[i], np.float32(0)), np.float32(1))
        high = fma(v, fma(v, fma(v, c[7], c[6]), c[5]), c[4])
        curve = fma(v, fma(v, fma(v, fma(v, high, c[3]), c[2]), c[1]), c[0])
        row[i] = v / SLOPE if v < CODED_BELOW else curve


@njit(cache=True, nogil=True, error_model="numpy")
def _levels_row(row: Floats, c: Floats, luma: Bytes, enc: Floats) -> None:
    """Linear to encoded R'G'B' (kept in `enc`) and one row of luma."""
    encode_row(row, c, enc)
    for x in range(luma.size):
        r, g, b = enc[3 * x], enc[3 * x + 1], enc[3 * x + 2]
        y = fma(LUMA[2], b, fma(LUMA[1], g, LUMA[0] * r))
        luma[x] = np.uint8(fma(np.float32(219), y, np.float32(16.5)))


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
        y = LUMA[0] * r + LUMA[1] * g + LUMA[2] * b
        u[i] = np.uint8(np.float32(128.5) + BLUE / 8 * (b - y))
        v[i] = np.uint8(np.float32(128.5) + RED / 8 * (r - y))


@njit(cache=True, nogil=True, error_model="numpy")
def levels_band(linear: Floats, curve: Floats, rows: tuple[int, int], luma: Bytes, u: Bytes, v: Bytes) -> None:
    """Linear light of some rows of a frame, float32 rows x 3 W, to its video levels: planes uint8, written to."""
    upper, lower = np.empty(linear.shape[1], np.float32), np.empty(linear.shape[1], np.float32)
    both, spread = np.empty(upper.size + 6, np.float32), np.empty(upper.size, np.float32)
    for y in range(rows[0], rows[1], 2):
        at = y - rows[0]
        _levels_row(linear[at], curve, luma[y], upper)
        _levels_row(linear[at + 1], curve, luma[y + 1], lower)
        _chroma_row(upper, lower, both, spread, u[y // 2], v[y // 2])


def code_values() -> Floats:
    """Video code value (0 to 1) by linear light, 65536 steps.

    The curve is sRGB's (IEC 61966-2-1): a finished still and the film's frame of it get the same code values, and
    look the same on the same screen. The BT.709 camera curve would darken every picture: it expects a scene, and
    a display that lightens it less than it darkens.
    """
    return srgb.encoded(np.arange(65536) / 65535).astype(np.float32)


@cache
def curve_of() -> Floats:
    """The same curve as a polynomial in the root of light, float32 (10,), constant first: to 0.01 of an 8-bit level.

    Nine degrees in the root take less time than five in the fourth root, which takes two roots to find.
    """
    low = float(np.sqrt(srgb.LINEAR_BELOW))
    root = (1 + low) / 2 + (1 - low) / 2 * np.cos(np.pi * (np.arange(4000) + 0.5) / 4000)
    fitted = np.polynomial.Chebyshev.fit(root, srgb.encoded(root**2), 9, domain=[low, 1])
    return np.asarray(fitted.convert(kind=np.polynomial.Polynomial).coef, np.float32)


@cache
def decoding_of() -> Floats:
    """The curve undone, as a polynomial in the code value, float32 (8,), constant first: to 0.01 of a level."""
    low = srgb.CODED_BELOW
    code = (1 + low) / 2 + (1 - low) / 2 * np.cos(np.pi * (np.arange(4000) + 0.5) / 4000)
    fitted = np.polynomial.Chebyshev.fit(code, srgb.linear(code), 7, domain=[low, 1])
    return np.asarray(fitted.convert(kind=np.polynomial.Polynomial).coef, np.float32)


def planes_of(frame: av.VideoFrame) -> tuple[Bytes, Bytes, Bytes]:
    """The luma and chroma planes of a yuv420p frame as writable arrays without copying."""
    out = []
    for plane in frame.planes:
        data = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
        out.append(data[:, : plane.width])
    return out[0], out[1], out[2]
