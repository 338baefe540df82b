"""Colours made paler at constant hue and lightness: by a given share, or until a display can show them.

In Oklab (Ottosson 2020, "A perceptual color space for image processing"), where hue stays while chroma goes down. The
mapping into a display's gamut is the chroma reduction of CSS Color Module Level 4 (W3C, section 13.2): lightness and
hue stay, chroma goes down until the colour fits.

Oklab's lightness of a grey is the cube root that its three cone signals share, so scaling chroma by k moves each
root straight towards that lightness: no matrix back is needed.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

# CIE XYZ (D65) to Oklab's cone signals, and the lightness of their cube roots (Ottosson 2020, from memory).
LMS_FROM_XYZ = np.array(
    [
        [0.8189330101, 0.3618667424, -0.1288597137],
        [0.0329845436, 0.9293118715, 0.0361456387],
        [0.0482003018, 0.2643662691, 0.6338517070],
    ]
)
LIGHT_L, LIGHT_M, LIGHT_S = np.float32(0.2104542553), np.float32(0.7936177850), np.float32(-0.0040720468)
# Linear Rec. 2020 to CIE XYZ (ITU-R BT.2020 primaries, D65).
_XYZ_FROM_REC2020 = np.array(
    [[0.6369580, 0.1446169, 0.1688810], [0.2627002, 0.6779981, 0.0593017], [0.0000000, 0.0280727, 1.0609851]]
)
_TO_LMS = (LMS_FROM_XYZ @ _XYZ_FROM_REC2020).astype(np.float32)
HALVINGS = 10  # of the range of chroma that is searched


def matrices(from_working: NDArray[np.floating]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """For a 3 x 3 from linear Rec. 2020 to an output's RGB: working RGB to cone signals, and these to the output."""
    back = np.asarray(from_working, float) @ np.linalg.inv(_TO_LMS.astype(float))
    return _TO_LMS, back.astype(np.float32)


@njit(cache=True, inline="always", error_model="numpy")
def _root(m, k, r, g, b):  # type: ignore[no-untyped-def]
    v = m[k, 0] * r + m[k, 1] * g + m[k, 2] * b
    return np.cbrt(max(v, np.float32(0)))


@njit(cache=True, inline="always", error_model="numpy")
def _cubed(m, k, u, v, w):  # type: ignore[no-untyped-def]
    return m[k, 0] * u * u * u + m[k, 1] * v * v * v + m[k, 2] * w * w * w


_THIRD = 0x2A5119F2  # added to a third of a number's bits: near the bits of its cube root
_TINY = np.float32(1e-30)


@njit(cache=True, nogil=True, error_model="numpy")
def _roots(values, bits, spare):  # type: ignore[no-untyped-def]
    """Cube root of each value (0 or more), in place, to 32 bits' last digits. `bits`: its memory as whole numbers.

    From a third of the number's bits by two of Halley's steps, in a loop that the processor's wide lanes can take.
    """
    two = np.float32(2)
    for x in range(values.size):
        spare[x] = max(values[x], _TINY)
        values[x] = spare[x]
    for x in range(values.size):
        bits[x] = bits[x] // np.int32(3) + np.int32(_THIRD)
    for _ in range(2):
        for x in range(values.size):
            v, c = values[x], values[x] * values[x] * values[x]
            values[x] = v * (c + two * spare[x]) / (two * c + spare[x])


@njit(cache=True, nogil=True, error_model="numpy")
def paler(row, share, to_lms, from_lms, room):  # type: ignore[no-untyped-def]
    """A row of colours (n x 3) with `share` (n) of their chroma, in place, at their lightness and hue, 0 to 1.

    The matrices are of `matrices`; `room`: 4 x n to work in.
    """
    nil, one = np.float32(0), np.float32(1)
    for k in range(3):
        for x in range(share.size):
            room[k, x] = to_lms[k, 0] * row[x, 0] + to_lms[k, 1] * row[x, 1] + to_lms[k, 2] * row[x, 2]
        _roots(room[k], room[k].view(np.int32), room[3])
    for x in range(share.size):
        u, v, w = room[0, x], room[1, x], room[2, x]
        light = LIGHT_L * u + LIGHT_M * v + LIGHT_S * w
        p, q, s = light + share[x] * (u - light), light + share[x] * (v - light), light + share[x] * (w - light)
        for k in range(3):
            row[x, k] = min(max(_cubed(from_lms, k, p, q, s), nil), one)


@njit(cache=True, error_model="numpy")
def fitted(r, g, b, to_lms, to_output):  # type: ignore[no-untyped-def]
    """An output's linear RGB, each 0 to 1, of a working colour that the output cannot show as it is."""
    nil, one = np.float32(0), np.float32(1)
    u, v, w = _root(to_lms, 0, r, g, b), _root(to_lms, 1, r, g, b), _root(to_lms, 2, r, g, b)
    light = min(LIGHT_L * u + LIGHT_M * v + LIGHT_S * w, one)
    low, high = nil, one
    x = y = z = light * light * light
    for _ in range(HALVINGS):
        k = np.float32(0.5) * (low + high)
        p, q, s = light + k * (u - light), light + k * (v - light), light + k * (w - light)
        a, c, d = _cubed(to_output, 0, p, q, s), _cubed(to_output, 1, p, q, s), _cubed(to_output, 2, p, q, s)
        if min(a, min(c, d)) >= nil and max(a, max(c, d)) <= one:
            low, x, y, z = k, a, c, d
        else:
            high = k
    return x, y, z
