"""Linear light to video levels: the curve, luma and chroma of 8-bit 4:2:0 video."""

from __future__ import annotations

import av
import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.raw import srgb

Floats = NDArray[np.float32]
Bytes = NDArray[np.uint8]

ROWS = 32  # handled at a time; a number that the compiler knows, which makes taps across three times as fast
# Luma of BT.709, and what 8-bit chroma takes of a difference of colour (Rec. ITU-R BT.709-6, 3.2 to 3.5): of the sum
# of eight samples here.
R, G, B = np.float32(0.2126), np.float32(0.7152), np.float32(0.0722)
MIDDLE, BLUE, RED = np.float32(128.5), np.float32(224 / 8 / 1.8556), np.float32(224 / 8 / 1.5748)
SLOPE, LINEAR_BELOW = np.float32(srgb.SLOPE), np.float32(srgb.LINEAR_BELOW)


def code_values() -> Floats:
    """Video code value (0 to 1) by linear light, 65536 steps.

    The curve is sRGB's (IEC 61966-2-1): a finished still and the film's frame of it get the same code values, and
    look the same on the same screen. The BT.709 camera curve would darken every picture: it expects a scene, and
    a display that lightens it less than it darkens.
    """
    return srgb.encoded(np.arange(65536) / 65535).astype(np.float32)


def curve() -> Floats:
    """Coefficients, float32 (9,), of the same curve as a polynomial in the square root of light.

    It is right to 0.01 of an 8-bit level.
    """
    nodes = np.cos(np.linspace(0, np.pi, 20000))  # close at both ends, where a polynomial is apt to stray
    low = np.sqrt(srgb.LINEAR_BELOW)
    root = (1 + low) / 2 + (1 - low) / 2 * nodes
    powers = np.vander(root, 9, increasing=True)
    coefficients = np.linalg.lstsq(powers, srgb.encoded(root**2), rcond=None)[0]
    return np.asarray(coefficients, np.float32)


def planes_of(frame: av.VideoFrame) -> tuple[Bytes, Bytes, Bytes]:
    """The luma and chroma planes of a yuv420p frame as writable arrays without copying."""
    out = []
    for plane in frame.planes:
        data = np.frombuffer(memoryview(plane), np.uint8).reshape(plane.height, plane.line_size)
        out.append(data[:, : plane.width])
    return out[0], out[1], out[2]


# Products and sums may be one instruction: its single rounding is the finer one.
fused = njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract"})


@fused
def _encoded(light: Floats, c: Floats) -> None:
    """Linear to encoded R'G'B', in place: float32 (n,)."""
    for i in range(light.size):
        v = min(max(light[i], np.float32(0)), np.float32(1))
        t = np.sqrt(v)
        high = c[4] + t * (c[5] + t * (c[6] + t * (c[7] + t * c[8])))
        high = c[0] + t * (c[1] + t * (c[2] + t * (c[3] + t * high)))
        light[i] = SLOPE * v if v < LINEAR_BELOW else high


@fused
def _luma(light: Floats, luma: Bytes) -> None:
    """Turned luma, columns x ROWS, of turned R'G'B', columns x 3 x ROWS."""
    for x in range(luma.shape[0]):
        for k in range(ROWS):
            y = R * light[x, 0, k] + G * light[x, 1, k] + B * light[x, 2, k]
            luma[x, k] = np.uint8(np.float32(16.5) + np.float32(219) * y)


@fused
def _chroma(light: Floats, u: Bytes, v: Bytes) -> None:
    """Turned chroma, of every second column and row: sited on the left luma sample, as H.264 takes it (table E-3)."""
    sums, apart = np.empty((3, ROWS), np.float32), np.empty((2, ROWS), np.float32)
    for x in range(u.shape[0]):
        before, here, after = light[max(2 * x - 1, 0)], light[2 * x], light[2 * x + 1]
        for c in range(3):
            for k in range(ROWS):
                sums[c, k] = before[c, k] + np.float32(2) * here[c, k] + after[c, k]
        for k in range(ROWS):
            y = R * sums[0, k] + G * sums[1, k] + B * sums[2, k]
            apart[0, k] = sums[2, k] - y
            apart[1, k] = sums[0, k] - y
        for k in range(ROWS // 2):
            u[x, k] = np.uint8(MIDDLE + BLUE * (apart[0, 2 * k] + apart[0, 2 * k + 1]))
            v[x, k] = np.uint8(MIDDLE + RED * (apart[1, 2 * k] + apart[1, 2 * k + 1]))


@fused
def _levels(turned: Floats, c: Floats, luma: Bytes, u: Bytes, v: Bytes) -> None:
    """Turned linear light, 3 W x ROWS, to turned levels."""
    _encoded(turned.reshape(-1), c)
    light = turned.reshape(-1, 3, ROWS)
    _luma(light, luma)
    _chroma(light, u, v)


def to_levels(turned: Floats, c: Floats, rows: tuple[int, int], planes: tuple[Bytes, Bytes, Bytes]) -> None:
    """Some rows to their place in a frame's planes.

    `turned`: linear light, float32 3 W x ROWS, overwritten; `c`: coefficients of the `curve`; `rows`: of the frame,
    the first and the one after the last; `planes`: as `planes_of` gives.
    """
    wide, tall = turned.shape[0] // 3, rows[1] - rows[0]
    luma, u, v = (np.empty((wide // n, ROWS // n), np.uint8) for n in (1, 2, 2))
    _levels(turned, c, luma, u, v)
    for plane, part, n in zip(planes, (luma, u, v), (1, 2, 2), strict=True):
        cv2.transpose(part[:, : tall // n], plane[rows[0] // n : rows[1] // n])
