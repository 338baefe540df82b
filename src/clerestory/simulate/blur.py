"""Blur on the sensor: diffraction, defocus by depth, and the camera's own movement. Pixels unless said otherwise."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.signal import fftconvolve
from scipy.special import j1

from clerestory.camera.steadiness import SHARP_SHARE, Hands
from clerestory.run.bands import in_bands
from clerestory.simulate.compiled import device, versioned

FINE = 5  # sub-pixels across a pixel when a kernel is drawn; odd, so that no blur is exactly no blur
WAVELENGTH_MM = 550e-6
MOST_TAPS = 300
NEGLIGIBLE = 0.004  # share of a neighbouring disc that is not worth drawing
STEP = 1.25  # ratio between neighbouring levels of defocus
Floats = NDArray[np.float64]


def sharp_limit(width: int, height: int) -> float:
    """The largest shake, pixels, of a frame that counts as sharp."""
    return math.hypot(width, height) * SHARP_SHARE


def shake_extent(
    rng: np.random.Generator, hands: Hands, seconds: float, equivalent_mm: float, stops: float, limit: float
) -> float:
    """Draw one frame's shake, pixels; the chance that it stays below `limit` is `hands.chance`."""
    u = float(np.clip(rng.random(), 1e-4, 1 - 1e-4))
    noise = math.log(u / (1 - u))
    late = math.log2(seconds / hands.t0(equivalent_mm, stops))
    return float(limit * 2.0 ** np.clip(late + hands.slope * noise, -12, 5))


def shake_path(rng: np.random.Generator, extent: float, points: int = 96) -> Floats:
    """A hand's path in the picture during one exposure, (points, 2) as x, y: centred, twice its RMS radius `extent`.

    A drift with two slow sways and a little tremor on it.
    """
    t = np.linspace(-1, 1, points)
    angle = rng.uniform(0, 2 * np.pi)
    path = np.outer(t, [np.cos(angle), np.sin(angle)])
    for size, frequency in ((0.45, 1.3), (0.2, 3.1), (0.06, 9.0)):
        phase, turn = rng.uniform(0, 2 * np.pi, 2), rng.normal(0, 1, 2)
        path = path + size * turn * np.sin(np.outer(t, [frequency, frequency]) * np.pi + phase)
    path = path - path.mean(axis=0)
    radius = math.sqrt(float((path**2).sum(axis=1).mean()))
    out: Floats = path * (extent / 2 / max(radius, 1e-9))
    return out


def _grid(reach: float) -> tuple[int, Floats, Floats]:
    n = math.ceil(reach) * FINE + FINE // 2
    axis = np.arange(-n, n + 1) / FINE
    x, y = np.meshgrid(axis, axis)
    return n, x, y


def _airy(f_number: float, pixel_mm: float) -> Floats:
    """The Airy pattern of a round aperture to its third dark ring (Born & Wolf, Principles of Optics, 8.5.2)."""
    scale = math.pi * pixel_mm / (WAVELENGTH_MM * f_number)
    _, x, y = _grid(10.17 / scale)
    q = np.maximum(np.hypot(x, y) * scale, 1e-9)
    out = (2 * j1(q) / q) ** 2 * (q < 10.17)
    pattern: Floats = out / out.sum()
    return pattern


def _disc(diameter: float) -> Floats:
    _, x, y = _grid(diameter / 2)
    out = np.clip((diameter / 2 - np.hypot(x, y)) * FINE + 0.5, 0, 1)
    return np.asarray(out / out.sum())


def _trace(path: Floats) -> Floats:
    n, _, _ = _grid(float(np.abs(path).max()) + 0.2)
    out = np.zeros((2 * n + 1, 2 * n + 1))
    place = path * FINE + n
    whole = np.floor(place).astype(int)
    part = place - whole
    for dy in (0, 1):
        for dx in (0, 1):
            wx = part[:, 0] if dx else 1 - part[:, 0]
            wy = part[:, 1] if dy else 1 - part[:, 1]
            np.add.at(out, (whole[:, 1] + dy, whole[:, 0] + dx), wx * wy)
    return out / out.sum()


def _coarse(fine: Floats) -> Floats:
    """Sub-pixels to pixels; the middle one stays in the middle."""
    n = fine.shape[0] // 2
    k = math.ceil((n - FINE // 2) / FINE) if n > FINE // 2 else 0
    size = 2 * (k * FINE + FINE // 2) + 1
    pad = (size - fine.shape[0]) // 2
    whole = np.pad(fine, max(pad, 0))
    return np.asarray(whole.reshape(2 * k + 1, FINE, 2 * k + 1, FINE).sum(axis=(1, 3)))


def point_spread(path: Floats, f_number: float, pixel_mm: float, defocus: float) -> Floats:
    """A point's picture on the pixel grid, (n, n), n odd, summing to 1."""
    out = fftconvolve(_trace(path), _airy(f_number, pixel_mm))
    if defocus > 0:
        out = fftconvolve(out, _disc(defocus))
    coarse = np.maximum(_coarse(out), 0)
    return np.asarray(coarse / coarse.sum())


def _taps(spread: Floats) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
    rows, columns = np.nonzero(spread > spread.max() * 2e-3)
    middle = spread.shape[0] // 2
    places = np.stack([rows - middle, columns - middle], axis=1)
    if len(places) > MOST_TAPS:
        places = _scattered(places)
    weights = spread[places[:, 0] + middle, places[:, 1] + middle]
    return places.astype(np.int32), (weights / weights.sum()).astype(np.float32)


def _scattered(places: NDArray[np.intp]) -> NDArray[np.intp]:
    """A wide blur needs no tap for every pixel: one in so many does, counted outwards, with its three quarter turns.

    So the blur keeps its middle and its width both ways.
    """
    y, x = places.T
    first = np.where(np.stack([(y > 0) & (x >= 0), (x > 0) & (y <= 0), (y < 0) & (x <= 0), (x < 0) & (y >= 0)]), 1, 0)
    turned = np.stack([places, np.stack([x, -y], 1), -places, np.stack([-x, y], 1)])
    sets, member = np.unique((first[..., None] * turned).sum(axis=0), axis=0, return_inverse=True)
    ties = np.random.Generator(np.random.Philox(7)).random(len(sets))
    outwards = np.lexsort((ties, (sets**2).sum(axis=1)))
    wanted = MOST_TAPS * len(sets) // len(places)
    chosen = outwards[((np.arange(wanted) + 0.5) * len(sets) / wanted).astype(int)]
    out: NDArray[np.intp] = places[np.isin(member.ravel(), chosen)]
    return out


@device
def _add(total, share, i, j, radiance, first, last, places, weights):  # type: ignore[no-untyped-def]
    """Add `share` of the colour around a pixel, blurred by the taps `first` to `last`."""
    height, width = radiance.shape[0], radiance.shape[1]
    r, g, b = total
    for k in range(first, last):
        y = min(max(i + places[k, 0], 0), height - 1)
        x = min(max(j + places[k, 1], 0), width - 1)
        w = weights[k] * share
        r += w * radiance[y, x, 0]
        g += w * radiance[y, x, 1]
        b += w * radiance[y, x, 2]
    return r, g, b


@njit(cache=True, nogil=True, error_model="numpy")
@versioned
def _gather(begin, end, radiance, depth, focused, discs, matrix, centre, falloff, out):  # type: ignore[no-untyped-def]
    """Blurred camera colour at each pixel's own filter (RGGB), H x W."""
    focus, strength = focused
    levels, starts, places, weights = discs
    width = depth.shape[1]
    for i in range(begin, end):
        for j in range(width):
            level, wider = 0, np.float32(0.0)
            if strength > 0.0:
                blur = abs(depth[i, j] - focus) / depth[i, j] * strength
                while level + 2 < levels.shape[0] and blur > levels[level + 1]:
                    level += 1
                # Between two discs both are drawn, in the shares that give the spread (as the square) asked for.
                narrow, wide = levels[level] ** 2, levels[level + 1] ** 2
                wider = np.float32(min((blur * blur - narrow) / (wide - narrow), 1.0))
            total = (np.float32(0.0), np.float32(0.0), np.float32(0.0))
            start, middle = starts[level], starts[level + 1]
            total = _add(total, np.float32(1.0) - wider, i, j, radiance, start, middle, places, weights)
            if wider > NEGLIGIBLE:
                total = _add(total, wider, i, j, radiance, middle, starts[level + 2], places, weights)
            r, g, b = total
            c = (i % 2) + (j % 2)
            value = matrix[c, 0] * r + matrix[c, 1] * g + matrix[c, 2] * b
            r2 = ((i - centre[0]) ** 2 + (j - centre[1]) ** 2) * centre[2]
            gain = 1.0 + r2 * (
                falloff[0] + r2 * (falloff[1] + r2 * (falloff[2] + r2 * (falloff[3] + r2 * falloff[4])))
            )
            out[i, j] = np.float32(max(value, 0.0) / gain)


def defocus_levels(most: float) -> Floats:
    """Diameters of blur discs, pixels, between which all others up to `most` are made up."""
    levels = [0.0, 0.6]
    while levels[-1] < most:
        levels.append(levels[-1] * STEP)
    return np.array(levels)


def through_lens(
    radiance: NDArray[np.float32],
    depth: NDArray[np.float32],
    path: Floats,
    f_number: float,
    pixel_mm: float,
    focus: tuple[float, float],
    matrix: Floats,
    vignetting: tuple[float, float, float, float, float],
    centre: tuple[float, float],
) -> NDArray[np.float32]:
    """What falls on each pixel of an RGGB sensor, float32 H x W, in the radiance's unit for a neutral on green.

    `focus`: distance in metres and the blur disc, pixels, of a point at infinity; `matrix`: Rec. 2020 to camera;
    `centre`: optical centre, share of width and height. Each pixel is blurred by its own depth, so a near thing out
    of focus keeps a harder outline than a real lens gives it.
    """
    height, width = depth.shape
    distance, strength = focus
    near = float(np.min(depth))
    most = strength * max(1.0, abs(near - distance) / near)
    levels = defocus_levels(most)
    parts = [_taps(point_spread(path, f_number, pixel_mm, float(level))) for level in levels]
    starts = np.cumsum([0, *[len(p[1]) for p in parts]])
    cy, cx = centre[1] * (height - 1), centre[0] * (width - 1)
    reach2 = max(cx, width - 1 - cx) ** 2 + max(cy, height - 1 - cy) ** 2
    places = np.concatenate([p[0] for p in parts])
    weights = np.concatenate([p[1] for p in parts])
    spot = np.array([cy, cx, 1 / reach2])
    falloff, out = np.array(vignetting), np.empty((height, width), np.float32)
    discs = levels, starts, places, weights
    in_bands(_gather, 0, height, radiance, depth, (distance, strength), discs, matrix, spot, falloff, out)
    return out


VEIL_CORE = 0.02  # of the diagonal: where the veil's kernel begins to fall off as the square of distance
VEIL_LONG = 160  # pixels along the longer side of the picture it is drawn on


def veiled(signal: NDArray[np.float32], share: float) -> NDArray[np.float32]:
    """A mosaic's light, H x W, of which the lens scatters a share widely over the frame; what misses it is lost.

    The glare spread falls off as 1 / (1 + (r / core)^2), as far as the frame reaches: the wide tails of Talvala and
    others 2007, "Veiling glare in high dynamic range imaging" (the power is from memory).
    """
    out = np.empty_like(signal)
    for row in range(2):
        for column in range(2):
            plane = signal[row::2, column::2]
            height, width = plane.shape
            scale = min(1.0, VEIL_LONG / max(height, width))
            size = (max(2, round(width * scale)), max(2, round(height * scale)))
            small = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
            y, x = np.mgrid[1 - size[1] : size[1], 1 - size[0] : size[0]]
            kernel = 1 / (1 + (x**2 + y**2) / (VEIL_CORE * math.hypot(*size)) ** 2)
            haze = fftconvolve(small, kernel / kernel.sum(), mode="full")
            haze = haze[size[1] - 1 : 2 * size[1] - 1, size[0] - 1 : 2 * size[0] - 1].astype(np.float32)
            wide = cv2.resize(haze, (width, height), interpolation=cv2.INTER_LINEAR)
            out[row::2, column::2] = np.float32(1 - share) * plane + np.float32(share) * wide
    return out
