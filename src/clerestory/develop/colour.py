"""Camera colour to the working space, and the working space to the output's.

The working space is linear Rec. 2020 (ITU-R BT.2020 primaries, D65 white). Matrices follow from the primaries
(SMPTE RP 177 method).
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.lens import Vignetting
from clerestory.develop.demosaic import Balanced
from clerestory.develop.gamut import fitted, matrices
from clerestory.raw import srgb
from clerestory.raw.primaries import D65, PRIMARIES
from clerestory.raw.profile import D50_XY, Profile, adaptation, xyz_of
from clerestory.run.bands import in_bands

Matrix = NDArray[np.float64]


def xyz_from_rgb(space: str) -> Matrix:
    """3 x 3 from linear RGB of a named space to CIE XYZ with Y of white 1."""
    p = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in PRIMARIES[space]]).T
    white = np.array([D65[0] / D65[1], 1.0, (1 - D65[0] - D65[1]) / D65[1]])
    out: Matrix = p * np.linalg.solve(p, white)
    return out


XYZ_FROM_WORKING = xyz_from_rgb("rec2020")
LUMINANCE = XYZ_FROM_WORKING[1].copy()  # weights of luminance in the working space


def working_from_camera(
    xyz_to_camera: Matrix | Profile | None, multipliers: tuple[float, float, float] = (1.0, 1.0, 1.0)
) -> Matrix:
    """3 x 3 from camera RGB white balanced by `multipliers` to the working space; neutral stays neutral.

    `xyz_to_camera` is the DNG ColorMatrix. Its rows are scaled so that the balanced white is (1, 1, 1). A profile
    gives colours under D50 for the light that the multipliers tell of, which are adapted to D65 (Bradford). Without
    either the camera is taken to see as sRGB does.
    """
    if isinstance(xyz_to_camera, Profile):
        neutral = min(multipliers) / np.asarray(multipliers, float)
        to_d65 = adaptation(xyz_of(D50_XY), XYZ_FROM_WORKING.sum(axis=1))
        made = np.linalg.inv(XYZ_FROM_WORKING) @ to_d65 @ xyz_to_camera.to_xyz(neutral) @ np.diag(neutral)
        return np.asarray(made / made.sum(axis=1, keepdims=True))
    to_camera = np.linalg.inv(xyz_from_rgb("srgb")) if xyz_to_camera is None else xyz_to_camera
    camera_from_working = to_camera @ XYZ_FROM_WORKING
    camera_from_working = camera_from_working / camera_from_working.sum(axis=1, keepdims=True)
    out: Matrix = np.linalg.inv(camera_from_working)
    return out


def to_space(space: str) -> Matrix:
    """3 x 3 from the working space to a named output space, both linear."""
    out: Matrix = np.linalg.inv(xyz_from_rgb(space)) @ XYZ_FROM_WORKING
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _balance(
    begin: int,
    end: int,
    counts: NDArray[np.uint16],
    scale: float,
    offset: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    for y in range(begin, end):
        for x in range(counts.shape[1]):
            for c in range(3):
                out[y, x, c] = np.float32(counts[y, x, c]) * scale - offset[c]


@njit(cache=True, error_model="numpy")
def _light_kept(
    y: int, fall_off: NDArray[np.float32], centre: NDArray[np.float32], gain: NDArray[np.float32]
) -> None:
    """What makes good the lens's loss of light at the pixels of row y."""
    middle, scale = centre[0], centre[2]
    dy = (np.float32(y) - centre[1]) * scale
    gain[:] = np.float32(0)
    for k in range(fall_off.size - 1, -1, -1):
        part = fall_off[k]
        for x in range(gain.size):
            dx = (np.float32(x) - middle) * scale
            gain[x] = (gain[x] + part) * (dx * dx + dy * dy)
    for x in range(gain.size):
        gain[x] += np.float32(1)


@njit(cache=True, nogil=True, error_model="numpy")
def _recolour(
    begin: int,
    end: int,
    rgb: NDArray[np.float32],
    matrix: NDArray[np.float32],
    fall_off: NDArray[np.float32],
    centre: NDArray[np.float32],
) -> None:
    # Told one by one: what lies in arrays the compiler must read again after every pixel that it writes.
    a, b, c = matrix[0, 0], matrix[0, 1], matrix[0, 2]
    d, e, f = matrix[1, 0], matrix[1, 1], matrix[1, 2]
    g, h, i = matrix[2, 0], matrix[2, 1], matrix[2, 2]
    gain = np.ones(rgb.shape[1], np.float32)
    for y in range(begin, end):
        row = rgb[y]
        if fall_off.size:
            _light_kept(y, fall_off, centre, gain)
        for x in range(len(row)):
            u, v, w = row[x, 0] * gain[x], row[x, 1] * gain[x], row[x, 2] * gain[x]
            row[x, 0] = a * u + b * v + c * w
            row[x, 1] = d * u + e * v + f * w
            row[x, 2] = g * u + h * v + i * w


def balanced_values(balanced: Balanced) -> NDArray[np.float32]:
    """White-balanced camera RGB, float32 H x W x 3; raw saturation of channel k at `balanced.multipliers[k]`."""
    out = np.empty(balanced.counts.shape, np.float32)
    offset = balanced.offset.astype(np.float32)
    in_bands(_balance, 0, len(out), balanced.counts, np.float32(balanced.scale), offset, out)
    return out


def to_working(
    rgb: NDArray[np.float32],
    xyz_to_camera: Matrix | Profile | None,
    vignetting: Vignetting | None = None,
    multipliers: tuple[float, float, float] = (1.0, 1.0, 1.0),
) -> NDArray[np.float32]:
    """White-balanced camera RGB (H x W x 3) to working RGB, in place, with the lens's light fall-off made good.

    `xyz_to_camera`: 3 x 3 or a profile, for which `multipliers` tell the light; None for a camera of sRGB primaries.
    `vignetting`: as of the DNG specification.
    """
    height, width = rgb.shape[:2]
    fall_off = vignetting or Vignetting()
    cx, cy = fall_off.centre[0] * (width - 1), fall_off.centre[1] * (height - 1)
    reach = np.hypot(max(cx, width - 1 - cx), max(cy, height - 1 - cy))
    in_bands(
        _recolour,
        0,
        height,
        rgb,
        working_from_camera(xyz_to_camera, multipliers).astype(np.float32),
        np.asarray(fall_off.k if any(fall_off.k) else (), np.float32),
        np.array([cx, cy, 1 / reach], np.float32),
    )
    return rgb


@njit(cache=True, nogil=True, error_model="numpy")
def _encode(
    begin: int,
    end: int,
    rgb: NDArray[np.float32],
    matrix: NDArray[np.float32],
    to_lms: NDArray[np.float32],
    from_lms: NDArray[np.float32],
    curve: NDArray[np.float32],
    levels: float,
    dither: NDArray[np.float32],
    out: NDArray[np.uint8] | NDArray[np.uint16],
) -> None:
    width = rgb.shape[1]
    one, nil = np.float32(1), np.float32(0)
    slack = np.float32(1e-5)
    d, e, f = matrix[0, 0], matrix[0, 1], matrix[0, 2]
    g, h, i = matrix[1, 0], matrix[1, 1], matrix[1, 2]
    j, k, m = matrix[2, 0], matrix[2, 1], matrix[2, 2]
    foot, steep = np.float32(srgb.LINEAR_BELOW), np.float32(srgb.SLOPE)
    c0, c1, c2, c3, c4, c5, c6 = curve[0], curve[1], curve[2], curve[3], curve[4], curve[5], curve[6]
    shown, line = np.empty((3, width), np.float32), np.empty(width, np.float32)
    for y in range(begin, end):  # in steps, of which the processor's wide lanes can take all but the second
        for x in range(width):
            a, b, c = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            shown[0, x] = d * a + e * b + f * c
            shown[1, x] = g * a + h * b + i * c
            shown[2, x] = j * a + k * b + m * c
        for x in range(width):
            u, v, w = shown[0, x], shown[1, x], shown[2, x]
            if min(u, min(v, w)) < -slack or max(u, max(v, w)) > one + slack:
                a, b, c = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
                shown[0, x], shown[1, x], shown[2, x] = fitted(a, b, c, to_lms, from_lms)
        for first in range(0, width, dither.shape[1]):
            for x in range(min(dither.shape[1], width - first)):
                line[first + x] = dither[y % dither.shape[0], x] + np.float32(0.5)
        for n in range(3):
            for x in range(width):
                v = min(max(shown[n, x], nil), one)
                t = np.sqrt(np.sqrt(v))
                high = c0 + t * (c1 + t * (c2 + t * (c3 + t * (c4 + t * (c5 + t * c6)))))
                value = high if v > foot else steep * v
                shown[n, x] = min(max(value * levels + line[x], nil), levels)
        for x in range(width):
            for n in range(3):
                out[y, x, n] = np.uint16(shown[n, x])


@cache
def _curve() -> NDArray[np.float32]:
    """The sRGB curve above its foot as a polynomial (7,) in the fourth root of the light, within 2e-6."""
    low = srgb.LINEAR_BELOW**0.25
    root = (1 + low) / 2 + (1 - low) / 2 * np.cos(np.pi * (np.arange(512) + 0.5) / 512)
    fit = np.polynomial.Chebyshev.fit(root, srgb.encoded(root**4), 6, domain=[low, 1])
    return np.asarray(fit.convert(kind=np.polynomial.Polynomial).coef, np.float32)


STRIP = 4 * 251  # rows encoded at once: whole repeats of the noise


def encode(rgb: NDArray[np.float32], space: str = "srgb", bits: int = 8) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Display-linear working RGB, 0..1, to encoded values of an output space, uint8 or uint16 H x W x 3.

    Out-of-gamut colours are brought in at constant lightness and hue (see `develop.gamut`). 8-bit values carry half
    a level of fixed noise so that smooth walls do not band.
    """
    grain = np.random.default_rng(7).random((251, 257)).astype(np.float32) - np.float32(0.5)
    levels = 2**bits - 1
    grain *= np.float32(0.9 if bits == 8 else 0.0)
    into = to_space(space).astype(np.float32), *matrices(to_space(space)), _curve(), np.float32(levels), grain
    out = np.empty(rgb.shape, np.uint8 if bits == 8 else np.uint16)
    for first in range(0, len(rgb), STRIP):
        part = np.ascontiguousarray(rgb[first : first + STRIP], np.float32)
        in_bands(_encode, 0, len(part), part, *into, out[first : first + STRIP])
    return out
