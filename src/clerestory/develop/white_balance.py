"""White balance: kelvin and green-magenta to multipliers and back, an estimate on stone, and mixed light in a frame.

Chromaticities: CIE daylight locus (CIE 15; Wyszecki and Stiles 1982) from 5000 K up, the Planckian locus (cubic fit
of Kim et al. 2002, US patent 7024034) below 4000 K, blended between in CIE 1960 u, v. Constants from memory; the
tests check them against colour-science.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from clerestory.raw.profile import Profile

F32 = NDArray[np.float32]
Multipliers = tuple[float, float, float]
Colours = NDArray[np.floating] | Profile
COOLEST, WARMEST = 25000.0, 1700.0  # kelvin
# Distance from the locus in CIE 1960 u, v for one unit of green-magenta: thousandths of Duv (ANSI C78.377). Positive
# takes green out.
DUV_UNIT = 1e-3
RANGE_DUV = 50.0


def _planck_xy(kelvin: float) -> tuple[float, float]:
    m = 1e3 / kelvin
    if kelvin < 4000:
        x = -0.2661239 * m**3 - 0.2343589 * m**2 + 0.8776956 * m + 0.179910
    else:
        x = -3.0258469 * m**3 + 2.1070379 * m**2 + 0.2226347 * m + 0.240390
    if kelvin < 2222:
        y = -1.1063814 * x**3 - 1.34811020 * x**2 + 2.18555832 * x - 0.20219683
    elif kelvin < 4000:
        y = -0.9549476 * x**3 - 1.37418593 * x**2 + 2.09137015 * x - 0.16748867
    else:
        y = 3.0817580 * x**3 - 5.87338670 * x**2 + 3.75112997 * x - 0.37001483
    return x, y


def _daylight_xy(kelvin: float) -> tuple[float, float]:
    m = 1e3 / kelvin
    if kelvin <= 7000:
        x = -4.6070 * m**3 + 2.9678 * m**2 + 0.09911 * m + 0.244063
    else:
        x = -2.0064 * m**3 + 1.9018 * m**2 + 0.24748 * m + 0.237040
    return x, -3.0 * x * x + 2.870 * x - 0.275


def _uv(xy: tuple[float, float]) -> NDArray[np.float64]:
    x, y = xy
    d = -2 * x + 12 * y + 3
    return np.array([4 * x / d, 6 * y / d])


def _locus(kelvin: float) -> NDArray[np.float64]:
    """CIE 1960 u, v of natural light of a colour temperature."""
    kelvin = float(np.clip(kelvin, WARMEST, COOLEST))
    share = float(np.clip((1e6 / kelvin - 200) / 50, 0, 1))  # 0 at 5000 K, 1 at 4000 K
    share = share * share * (3 - 2 * share)
    warm = _uv(_planck_xy(kelvin)) if share > 0 else np.zeros(2)
    cool = _uv(_daylight_xy(kelvin)) if share < 1 else np.zeros(2)
    out: NDArray[np.float64] = share * warm + (1 - share) * cool
    return out


def light_xy(kelvin: float, green_magenta: float = 0.0) -> tuple[float, float]:
    """CIE 1931 x, y of a light. Positive `green_magenta`: a greener light, so more magenta once balanced."""
    at = _locus(kelvin)
    along = _locus(kelvin * 1.001) - _locus(kelvin / 1.001)
    along /= np.hypot(*along)
    across = np.array([along[1], -along[0]])  # towards green (higher v)
    if across[1] < 0:
        across = -across
    u, v = at + across * green_magenta * DUV_UNIT
    d = 2 * u - 8 * v + 4
    return float(3 * u / d), float(2 * v / d)


def multipliers_for(kelvin: float, green_magenta: float, xyz_to_camera: Colours) -> Multipliers:
    """White-balance multipliers (R, G, B), G = 1, for a light of `kelvin` and `green_magenta`.

    `xyz_to_camera`: 3 x 3, in the sense of the DNG specification's ColorMatrix, or a profile of two.
    """
    x, y = light_xy(kelvin, green_magenta)
    matrix = xyz_to_camera.to_camera(kelvin) if isinstance(xyz_to_camera, Profile) else xyz_to_camera
    neutral = np.asarray(matrix, float) @ np.array([x / y, 1.0, (1 - x - y) / y])
    neutral = np.maximum(neutral, 1e-4)
    return float(neutral[1] / neutral[0]), 1.0, float(neutral[1] / neutral[2])


def kelvin_green_magenta_of(multipliers: Multipliers, xyz_to_camera: Colours) -> tuple[float, float]:
    """Kelvin and green-magenta whose multipliers come nearest: the inverse of `multipliers_for`.

    `multipliers` (R, G, B); `xyz_to_camera` 3 x 3 or a profile. Least squares over log R/G and log B/G, three starts.
    """
    aim = np.log([multipliers[0] / multipliers[1], multipliers[2] / multipliers[1]])

    def miss(p: NDArray[np.float64]) -> NDArray[np.float64]:
        r, _, b = multipliers_for(1e6 / p[0], p[1], xyz_to_camera)
        return np.log([r, b]) - aim

    low, high = [1e6 / COOLEST, -RANGE_DUV], [1e6 / WARMEST, RANGE_DUV]
    best = min(
        (least_squares(miss, [m, 0.0], bounds=(low, high), x_scale=[50, 20]) for m in (120.0, 200.0, 350.0)),
        key=lambda found: found.cost,
    )
    return float(1e6 / best.x[0]), float(best.x[1])


@dataclass(frozen=True)
class _Points:
    """Chromaticities (log R/G, log B/G) of small patches of the frame, with weights and places (row, column)."""

    chroma: NDArray[np.float64]
    weight: NDArray[np.float64]
    place: NDArray[np.float64]


def _points(rgb: F32, ceiling: float, size: int = 192) -> _Points:
    """Patches that can tell of the light: neither clipped nor lost in noise, weighted towards even surfaces."""
    step = max(1, -(-max(rgb.shape[:2]) // size))
    height, width = rgb.shape[0] // step, rgb.shape[1] // step
    small = cv2.resize(rgb[: height * step, : width * step], (width, height), interpolation=cv2.INTER_AREA)
    small = np.asarray(small, float).reshape(height, width, 3)
    top = small.max(axis=2)
    use = (top < 0.8 * ceiling) & (small.min(axis=2) > 1e-6)
    if use.sum() < 16:
        use = small.min(axis=2) > 1e-6
    log = np.log(np.maximum(small, 1e-7))
    chroma = np.stack([log[..., 0] - log[..., 1], log[..., 2] - log[..., 1]], axis=-1)
    lum = log.mean(axis=2)
    typical = np.median(lum[use]) if use.any() else 0.0
    weight = np.exp(-0.5 * ((lum - typical) / 1.4) ** 2) * use
    rows, columns = np.nonzero(use)
    return _Points(chroma[use], weight[use], np.stack([rows, columns], axis=1) / [height, width])


def _spread_to(points: NDArray[np.float64], along: NDArray[np.float64]) -> NDArray[np.float64]:
    """Distance of each point from a polyline's vertices."""
    best = np.full(len(points), np.inf)
    for vertex in along:
        best = np.minimum(best, np.hypot(*(points - vertex).T))
    return best


def _light_chroma(m: Multipliers) -> NDArray[np.float64]:
    return np.array([-np.log(m[0] / m[1]), -np.log(m[2] / m[1])])


def estimate(
    rgb: F32,
    xyz_to_camera: Colours | None = None,
    as_shot: Multipliers | None = None,
    ceiling: float = 1.0,
) -> Multipliers:
    """White-balance multipliers (R, G, B), G = 1, from camera-linear RGB before any white balance.

    Robust: the densest chromaticity among patches of middling brightness, kept near the locus of natural light (needs
    the colour matrix) and drawn gently to the camera's own setting. `ceiling`: value at which a channel clips.
    """
    points = _points(rgb, ceiling)
    if len(points.chroma) < 16:
        return as_shot or (1.0, 1.0, 1.0)
    weight = points.weight.copy()
    if xyz_to_camera is not None:
        kelvins = 1e6 / np.linspace(1e6 / 12000, 1e6 / 2000, 40)
        locus = np.array([_light_chroma(multipliers_for(float(k), 0.0, xyz_to_camera)) for k in kelvins])
        weight *= np.exp(-0.5 * (_spread_to(points.chroma, locus) / 0.10) ** 2) + 1e-6
    if as_shot is not None:
        weight *= np.exp(-0.5 * (np.hypot(*(points.chroma - _light_chroma(as_shot)).T) / 0.35) ** 2) + 1e-6
    at = _densest(points.chroma, weight)
    return float(np.exp(-at[0])), 1.0, float(np.exp(-at[1]))


def _densest(chroma: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mode of a weighted cloud: mean shift with a narrowing Gaussian, from the weighted median."""
    order = np.argsort(chroma, axis=0)
    at = np.empty(2)
    for axis in range(2):
        total = np.cumsum(weight[order[:, axis]])
        at[axis] = chroma[order[np.searchsorted(total, total[-1] / 2), axis], axis]
    for width in (0.30, 0.2, 0.14, 0.10, 0.08, 0.08, 0.08, 0.08):
        near = weight * np.exp(-0.5 * (((chroma - at) / width) ** 2).sum(axis=1))
        at = (near[:, None] * chroma).sum(axis=0) / max(near.sum(), 1e-12)
    return at


def mixed_light(
    rgb: F32,
    main: Multipliers,
    xyz_to_camera: Colours | None = None,
    ceiling: float = 1.0,
    amount: float = 1.0,
    grid: int = 24,
) -> F32:
    """Smooth map of further multipliers, float32 h x w x 3 (G = 1), on top of `main`, where another light falls.

    Patches near enough to a natural light are trusted to be stone, and their colour is spread smoothly over the
    frame; `amount` 0 to 1 says how much of the difference is taken out. Enlarge the map to the frame with bilinear
    interpolation. `grid`: cells on the long side.
    """
    points = _points(rgb, ceiling)
    height, width = rgb.shape[:2]
    scale = grid / max(height, width)
    rows, columns = max(2, round(height * scale)), max(2, round(width * scale))
    base = _light_chroma(main)
    apart = points.chroma - base
    weight = points.weight.copy()
    if xyz_to_camera is not None and len(apart):
        kelvins = 1e6 / np.linspace(1e6 / 12000, 1e6 / 2000, 40)
        locus = np.array([_light_chroma(multipliers_for(float(k), 0.0, xyz_to_camera)) for k in kelvins])
        offset = locus[np.argmin(np.hypot(*(locus - base).T))] - base
        weight *= np.exp(-0.5 * (_spread_to(points.chroma + offset, locus) / 0.10) ** 2)
    total, sums = np.full((rows, columns), 1e-3), np.zeros((rows, columns, 2))
    if len(apart):
        i = np.minimum((points.place[:, 0] * rows).astype(int), rows - 1)
        j = np.minimum((points.place[:, 1] * columns).astype(int), columns - 1)
        np.add.at(total, (i, j), weight)
        np.add.at(sums, (i, j), weight[:, None] * apart)
    sums, total = (cv2.GaussianBlur(a, (0, 0), 1.2, borderType=cv2.BORDER_REPLICATE) for a in (sums, total))
    shift = sums / total[..., None] * amount
    out = np.ones((rows, columns, 3), np.float32)
    out[..., 0], out[..., 2] = np.exp(-shift[..., 0]), np.exp(-shift[..., 1])
    return out
