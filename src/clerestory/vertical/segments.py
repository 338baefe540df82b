"""Straight edges of a linear luminance plane, to a fraction of a pixel, each with its own uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.run.bands import in_bands

Array = NDArray[np.float64]
Plane = NDArray[np.float32]

# Contrast below which texture counts as noise: 1 % of the luminance, one unit of the equalised scale.
TEXTURE = 0.01
# Most pixels of a plane that edges are looked for on; they are measured on one four times as fine.
FINE_ENOUGH = 0.8e6
# Most edges measured on each plane: the longest.
MOST = 600
SHORTEST = 12
BLOCKS = 16
REACH = 5


@dataclass(frozen=True)
class Segments:
    """Straight edges as seen through an ideal lens.

    `ends`: (n, 2, 2) ideal pixels of the plane; `centre`, `along`, `normal`: (n, 3) unit vectors in camera axes,
    the ray to the middle, the edge's direction square to it, and the normal of the plane through edge and eye;
    `sigma`: (n,) standard deviation of the edge's direction about its middle, radians; `length`: (n,) pixels;
    `contrast`: (n,) step across the edge in units of the noise and texture; `slope`: (n,) deviation of its slope in
    the picture.
    """

    ends: Array
    centre: Array
    along: Array
    normal: Array
    sigma: Array
    length: Array
    contrast: Array
    slope: Array

    def __len__(self) -> int:
        return len(self.sigma)

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Segments:
        """Some of them, by indexes (k,) or flags (n,)."""
        return Segments(**{name: getattr(self, name)[index] for name in self.__dataclass_fields__})

    def turned(self, rotation: Array) -> Segments:
        """The same in other axes, which a rotation (3, 3) leads to; `ends` stay pixels of their own plane."""
        turned = {name: getattr(self, name) @ rotation.T for name in ("centre", "along", "normal")}
        return replace(self, **turned)


def gathered(parts: Sequence[Segments]) -> Segments:
    """Those of several planes as one."""
    names = Segments.__dataclass_fields__
    return Segments(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})


def estimate_noise(luma: Plane) -> tuple[float, float]:
    """Gain and read noise (variance = gain x signal + read^2) of a plane, H x W, from its own smoothest places.

    Second differences along rows, in eight steps of brightness; their lower quartile, so that edges do not count.
    """
    rows = luma[:: max(1, luma.shape[0] // 400)]
    high = np.abs(rows[:, :-2] - 2 * rows[:, 1:-1] + rows[:, 2:]).ravel() / math.sqrt(6)
    level = rows[:, 1:-1].ravel()
    order = np.argsort(level[::7])
    parts = np.array_split(np.arange(0, level.size, 7)[order], 8)
    signal = np.array([np.median(level[p]) for p in parts], float)
    # The lower quartile of |x| of a normal variable is 0.3186 standard deviations.
    variance = (np.array([np.quantile(high[p], 0.25) for p in parts], float) / 0.3186) ** 2
    weight = 1 / np.maximum(variance, 1e-30)
    matrix = np.stack([signal, np.ones(8)], axis=-1)
    gain, dark = np.linalg.lstsq(matrix * weight[:, None], variance * weight, rcond=None)[0]
    if gain < 0:
        gain, dark = 0.0, float(np.median(variance))
    if dark < 0:
        gain, dark = float(np.median(variance / np.maximum(signal, 1e-12))), 0.0
    return float(gain), math.sqrt(float(dark))


@njit(inline="always", error_model="numpy")
def _even(v: float, gain: float, dark: float) -> float:
    """The scale on which noise and texture have unit deviation: the integral of 1 / sqrt(dark + g v + (c v)^2)."""
    v = max(v, 0.0)
    root = math.sqrt(dark + gain * v + TEXTURE * TEXTURE * v * v)
    return math.log(2 * TEXTURE * root + 2 * TEXTURE * TEXTURE * v + gain + 1e-30) / TEXTURE


@njit(cache=True, nogil=True, error_model="numpy")
def _evened(begin: int, end: int, luma: Plane, gain: float, dark: float, out: Plane) -> None:
    for y in range(begin, end):
        for x in range(luma.shape[1]):
            out[y, x] = _even(luma[y, x], gain, dark)


def _found(plane: Plane) -> Array:
    """Segments (n, 4) of an evened plane, its own pixels."""
    box = max(plane.shape) // 24 * 2 + 1
    local = plane - cv2.blur(plane, (box, box), borderType=cv2.BORDER_REFLECT)
    eight = np.clip(128 + 40 * np.arcsinh(local / 40), 0, 255).astype(np.uint8)
    detector = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 1.0, 0.6, 1.0, 22.5, 0.0, 0.7, 1024)
    lines = detector.detect(eight)[0]
    return np.zeros((0, 4)) if lines is None else lines.reshape(-1, 4).astype(float)


@njit(inline="always", error_model="numpy")
def _sample(luma: Plane, x: float, y: float) -> float:
    x = min(max(x, 0.0), luma.shape[1] - 1.001)
    y = min(max(y, 0.0), luma.shape[0] - 1.001)
    i, j = int(x), int(y)
    u, v = x - i, y - j
    return (luma[j, i] * (1 - u) + luma[j, i + 1] * u) * (1 - v) + (
        luma[j + 1, i] * (1 - u) + luma[j + 1, i + 1] * u
    ) * v


@njit(cache=True, nogil=True, error_model="numpy")
def _profiles(begin: int, end: int, luma: Plane, lines: Array, gain: float, dark: float, out: Array) -> None:
    """Mean profiles across each segment in each of its blocks, (n, BLOCKS, 2 REACH + 1), evened, added to `out`."""
    for i in range(begin, end):
        x0, y0, x1, y1 = lines[i]
        length = math.hypot(x1 - x0, y1 - y0)
        ax, ay = (x1 - x0) / length, (y1 - y0) / length
        each = max(1, min(int(length / BLOCKS + 0.5), 16))
        for b in range(BLOCKS):
            for k in range(each):
                s = (b + (k + 0.5) / each) / BLOCKS * length
                for j in range(2 * REACH + 1):
                    d = j - REACH
                    v = _sample(luma, x0 + ax * s - ay * d, y0 + ay * s + ax * d)
                    out[i, b, j] += _even(v, gain, dark) / each


def _peaks(slopes: Array, about: Array, spread: float) -> tuple[Array, Array]:
    """Place and height of the greatest slope (..., k) within `spread` of a place, by a parabola through it."""
    k = np.arange(slopes.shape[-1])
    near = np.where(np.abs(k - about[..., None]) <= spread, slopes, -np.inf)
    top = np.clip(np.argmax(near, axis=-1), 1, slopes.shape[-1] - 2)[..., None]
    a, b, c = (np.take_along_axis(slopes, top + d, axis=-1)[..., 0] for d in (-1, 0, 1))
    bend = a - 2 * b + c
    shift = np.where(bend < 0, 0.5 * (a - c) / np.where(bend < 0, bend, -1.0), 0.0)
    return top[..., 0] + np.clip(shift, -1, 1), b


def _edge_points(luma: Plane, lines: Array, gain: float, dark: float) -> tuple[Array, Array, Array]:
    """Edge points (n, BLOCKS, 2) along each segment, their weights (n, BLOCKS), and the contrast (n,)."""
    smooth = np.array([0.25, 0.5, 0.25])
    profiles = np.zeros((len(lines), BLOCKS, 2 * REACH + 1))
    in_bands(_profiles, 0, len(lines), luma, lines, gain, dark, profiles)
    steps = np.diff(profiles, axis=-1)
    steps = sum(w * steps[..., j : steps.shape[-1] - 2 + j] for j, w in enumerate(smooth))
    middle = (steps.shape[-1] - 1) / 2
    whole = steps.mean(axis=1)
    inner = np.abs(np.arange(steps.shape[-1]) - middle) <= 2.1
    strongest = np.take_along_axis(whole, np.argmax(np.abs(whole) * inner, axis=1)[:, None], axis=1)
    sign = np.where(strongest < 0, -1.0, 1.0)
    centre, _ = _peaks(whole * sign, np.full(len(lines), middle), 2.1)
    place, height = _peaks(steps * sign[..., None], np.repeat(centre[:, None], BLOCKS, axis=1), 1.6)
    typical = np.median(height, axis=1)
    weight = ((height > 0.3 * typical[:, None]) & (height > 0)).astype(float)
    start, way = lines[:, :2], lines[:, 2:] - lines[:, :2]
    length = np.hypot(*way.T)
    across = np.stack([-way[:, 1], way[:, 0]], axis=-1) / length[:, None]
    share = (np.arange(BLOCKS) + 0.5) / BLOCKS
    points = start[:, None] + share[:, None] * way[:, None] + (place - middle)[..., None] * across[:, None]
    return points, weight, typical


def _fitted(points: Array, weight: Array, pixel: Array) -> tuple[Array, Array, Array]:
    """Straight lines through edge points: ends (n, 2, 2), deviation of the slope (n,), share of points used (n,).

    `pixel` (n,) is the pixel size of the plane each was measured on. A bend counts as uncertainty: the direction of
    an arc is known no better than it changes along it.
    """
    way = points[:, -1] - points[:, 0]
    length = np.hypot(*way.T)
    unit = way / length[:, None]
    across = np.stack([-unit[:, 1], unit[:, 0]], axis=-1)
    middle = points.mean(axis=1)
    s = np.einsum("nbi,ni->nb", points - middle[:, None], unit)
    d = np.einsum("nbi,ni->nb", points - middle[:, None], across)
    w = weight.copy()
    least = 0.08 * pixel
    for _ in range(3):
        total = np.maximum(w.sum(axis=1), 1e-9)[:, None]
        sm, dm = (w * s).sum(axis=1, keepdims=True) / total, (w * d).sum(axis=1, keepdims=True) / total
        spread = np.maximum((w * (s - sm) ** 2).sum(axis=1), 1e-9)
        slope = (w * (s - sm) * (d - dm)).sum(axis=1) / spread
        residual = d - dm - slope[:, None] * (s - sm)
        scale = 1.4826 * np.median(np.where(weight > 0, np.abs(residual), np.nan_to_num(np.abs(residual))), axis=1)
        w = weight / (1 + (residual / (2.5 * np.maximum(scale, least)[:, None])) ** 2) ** 2
    freedom = np.maximum(w.sum(axis=1) - 2, 0)
    variance = ((w * residual**2).sum(axis=1) + 3 * least**2) / (freedom + 3)
    bow = s - sm
    bow = bow**2 - (w * bow**2).sum(axis=1, keepdims=True) / total
    bend = (w * bow * residual).sum(axis=1) / np.maximum((w * bow**2).sum(axis=1), 1e-9)
    sigma = np.sqrt(variance / spread + (bend * length / 2) ** 2)
    reach = np.array([-0.5, 0.5])[None, :, None] * length[:, None, None]
    turn = unit + slope[:, None] * across
    turn /= np.linalg.norm(turn, axis=1, keepdims=True)
    base = middle + sm * unit + dm * across
    return base[:, None] + reach * turn[:, None], sigma, w.sum(axis=1) / BLOCKS


def _unit(v: Array) -> Array:
    out: Array = v / np.maximum(np.linalg.norm(v, axis=-1, keepdims=True), 1e-12)
    return out


def on_sphere(ends: Array, slope: Array, contrast: Array, camera: Camera) -> Segments:
    """Segments from their ends (n, 2, 2) in ideal pixels and the deviation of their slopes (n,)."""
    way = ends[:, 1] - ends[:, 0]
    length = np.hypot(*way.T)
    swing = 0.5 * slope[:, None] * np.stack([-way[:, 1], way[:, 0]], axis=-1)
    a, b = (_unit(camera.directions(ends[:, k])) for k in (0, 1))
    normal = _unit(np.cross(a, b))
    centre = _unit(a + b)
    first, last = (_unit(camera.directions(ends[:, k] + s * swing)) for k, s in ((0, -1), (1, 1)))
    swung = _unit(np.cross(first, last))
    along = np.cross(normal, centre)
    # Only the part of the swing that turns the edge about its middle counts; the rest is a shift of its own size.
    sigma = np.hypot(np.einsum("ni,ni->n", swung, along), np.einsum("ni,ni->n", swung, centre))
    return Segments(ends, centre, along, normal, sigma, length, contrast, slope)


def _pyramid(luma: Plane) -> list[Plane]:
    """The plane and its halvings, down to about 250 pixels."""
    levels = [np.ascontiguousarray(luma, dtype=np.float32)]
    while max(levels[-1].shape) > 450 and len(levels) < 6:
        h, w = levels[-1].shape
        levels.append(
            cv2.resize(levels[-1][: h // 2 * 2, : w // 2 * 2], (w // 2, h // 2), interpolation=cv2.INTER_AREA)
        )
    return levels


def _first_level(shape: tuple[int, ...]) -> int:
    """The finest level to look for segments on."""
    return max(0, math.ceil(math.log2(max(shape[0] * shape[1] / FINE_ENOUGH, 1e-9)) / 2))


def _without_doubles(segments: Segments) -> Segments:
    """Drops segments that lie along a better known one."""
    order = np.argsort(segments.sigma)
    ends, length = segments.ends[order], segments.length[order]
    unit = (ends[:, 1] - ends[:, 0]) / length[:, None]
    middle = ends.mean(axis=1)
    keep = _kept(middle, unit, length)
    return segments.take(order[keep])


@njit(cache=True, error_model="numpy")
def _kept(middle: Array, unit: Array, length: Array) -> NDArray[np.bool_]:
    n = len(length)
    keep = np.ones(n, np.bool_)
    for i in range(n):
        for j in range(i):
            if not keep[j]:
                continue
            dx, dy = middle[i, 0] - middle[j, 0], middle[i, 1] - middle[j, 1]
            along = abs(dx * unit[j, 0] + dy * unit[j, 1])
            across = abs(dy * unit[j, 0] - dx * unit[j, 1])
            cross = abs(unit[i, 0] * unit[j, 1] - unit[i, 1] * unit[j, 0])
            if along < 0.5 * length[j] + 0.1 * length[i] and across < 3.0 + 0.02 * length[i] and cross < 0.1:
                keep[i] = False
                break
    return keep


def find_segments(luma: Plane, camera: Camera, noise: tuple[float, float] | None = None) -> Segments:
    """Straight edges of a linear luminance plane (float32, H x W).

    `camera`, with its lens, describes the plane's own grid. `noise` is (gain, read): variance = gain x signal +
    read^2 in the plane's units; measured from the plane when not given. Edges are looked for on several coarser
    grids, so that soft or noisy pictures give theirs too, and measured on one four times as fine.
    """
    gain, read = noise if noise is not None else estimate_noise(luma)
    levels = _pyramid(luma)
    first = min(_first_level(luma.shape), len(levels) - 1)
    dark = max(read**2, (1e-4 * float(np.median(levels[-1]))) ** 2, 1e-30)

    def seek(index: int) -> tuple[Array, Array, Array, Array]:
        fewer = 0.25**index
        evened = np.empty_like(levels[index])
        in_bands(_evened, 0, len(evened), levels[index], gain * fewer, dark * fewer, evened)
        lines = _found(evened)
        length = np.hypot(lines[:, 2] - lines[:, 0], lines[:, 3] - lines[:, 1])
        longest = np.argsort(-length, kind="stable")[:MOST]
        lines = lines[longest[length[longest] > SHORTEST]]
        at = max(index - 2, 0)
        lines = (lines + 0.5) * 2.0 ** (index - at) - 0.5
        points, weight, contrast = _edge_points(levels[at], lines, gain * 0.25**at, dark * 0.25**at)
        size = 2.0**at
        return (points + 0.5) * size - 0.5, weight, contrast, np.full(len(lines), size)

    with ThreadPoolExecutor(2) as pool:
        parts = list(pool.map(seek, range(first, len(levels))))
    points, weight, contrast, pixel = (np.concatenate(p) for p in zip(*parts, strict=True))
    points = camera.ideal(points, rounds=6)
    ends, slope, used = _fitted(points, weight, pixel)
    good = (used > 0.4) & (slope < 0.1) & (contrast > 0.5)
    return _without_doubles(on_sphere(ends, slope, contrast, camera).take(good))
