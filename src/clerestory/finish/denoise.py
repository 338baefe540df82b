"""Noise reduction in the raw mosaic, before demosaicing, where the noise is white and its model is known.

Each colour plane is brought to unit noise by the generalised Anscombe transform; 8 x 8 windows of the four planes are
turned together into one brightness and three colour differences (the axis of brightness is the window's own mean
colour, so that shading on one material is all brightness), shrunk in the cosine domain, and averaged where they
overlap. A coarse scale takes the blotches that a window of 8 cannot see. Bright glass has a high signal to noise
ratio, so the same thresholds leave it as it is.

Sources: Makitalo and Foi 2013 (the transform and its unbiased inverse); Yaroslavsky 1996, Guleryuz 2007 (sliding
cosine windows); Pierazzo, Morel and Facciolo 2017 (several scales); the empirical Wiener pass as in BM3D, Dabov 2007.
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.frames.read import Mosaic

F32 = NDArray[np.float32]
BLOCK = 8
QUANTISATION = 1 / 12  # variance of rounding to whole raw units


def _cosines(n: int) -> F32:
    k, i = np.mgrid[:n, :n]
    c = np.cos(np.pi * (2 * i + 1) * k / (2 * n)) * np.sqrt(2 / n)
    c[0] /= np.sqrt(2)
    return c.astype(np.float32)


_DCT = _cosines(BLOCK)


def stabiliser(gain: float, read: float) -> tuple[float, float]:
    """Scale and offset (a, b) of the generalised Anscombe transform 2 sqrt(a x + b), x in raw units above black."""
    gain = max(gain, 1e-3)
    return 1 / gain, 3 / 8 + (read**2 + QUANTISATION) / gain**2


@njit(cache=True, fastmath=True, parallel=True)
def _stabilise(raw, row, column, black, a, b, out):  # type: ignore[no-untyped-def]
    height, width = out.shape
    for y in prange(height):
        for x in range(width):
            v = a * (np.float32(raw[2 * y + row, 2 * x + column]) - black) + b
            out[y, x] = np.float32(2.0) * np.sqrt(max(v, np.float32(0.0)))


@njit(cache=True, fastmath=True, parallel=True)
def _restore(stable, row, column, a, b, strength, raw, black, out):  # type: ignore[no-untyped-def]
    """Closed-form approximation of the exact unbiased inverse (Makitalo and Foi 2013), then blend by strength."""
    height, width = stable.shape
    root = np.float32(np.sqrt(1.5))
    sigma2 = b - np.float32(0.375)
    for y in prange(height):
        for x in range(width):
            d = stable[y, x]
            d = max(d, np.float32(2.0) * np.sqrt(b) * np.float32(0.5) + np.float32(0.5))
            i = np.float32(1.0) / d
            v = d * d * np.float32(0.25) - np.float32(0.125) - sigma2
            v += i * (np.float32(0.25) * root + i * (np.float32(-1.375) + i * np.float32(0.625) * root))
            clean = v / a
            old = np.float32(raw[2 * y + row, 2 * x + column]) - black
            out[2 * y + row, 2 * x + column] = old + strength * (clean - old)


@njit(cache=True, fastmath=True, inline="always")
def _forward(x, t, c, out):  # type: ignore[no-untyped-def]
    for i in range(8):
        for j in range(8):
            t[i, j] = np.float32(0.0)
        for k in range(8):
            f = c[i, k]
            for j in range(8):
                t[i, j] += f * x[k, j]
    for i in range(8):
        for j in range(8):
            out[i, j] = np.float32(0.0)
        for k in range(8):
            f = t[i, k]
            for j in range(8):
                out[i, j] += f * c[j, k]


@njit(cache=True, fastmath=True, inline="always")
def _basis(block, m):  # type: ignore[no-untyped-def]
    """Orthonormal 4 x 4: row 0 along the window's mean colour, then G1 - G2, R against B, and what is left."""
    s = np.zeros(4, np.float32)
    for q in range(4):
        for i in range(8):
            for j in range(8):
                s[q] += block[q, i, j]
    half = np.float32(np.sqrt(0.5))
    u0, u1, u2 = s[0], (s[1] + s[2]) * half, s[3]
    size = np.sqrt(u0 * u0 + u1 * u1 + u2 * u2) + np.float32(1e-6)
    u0, u1, u2 = u0 / size, u1 / size, u2 / size
    n = np.sqrt(u0 * u0 + u2 * u2) + np.float32(1e-6)
    m[0, 0], m[0, 1], m[0, 2], m[0, 3] = u0, u1 * half, u1 * half, u2
    m[1, 0], m[1, 1], m[1, 2], m[1, 3] = np.float32(0), half, -half, np.float32(0)
    m[2, 0], m[2, 1], m[2, 2], m[2, 3] = u2 / n, np.float32(0), np.float32(0), -u0 / n
    m[3, 0], m[3, 1], m[3, 2], m[3, 3] = -u0 * u1 / n, n * half, n * half, -u1 * u2 / n


@njit(cache=True, fastmath=True, inline="always")
def _mix(m, x, out):  # type: ignore[no-untyped-def]
    for q in range(4):
        for i in range(8):
            for j in range(8):
                v = m[q, 0] * x[0, i, j] + m[q, 1] * x[1, i, j]
                out[q, i, j] = v + m[q, 2] * x[2, i, j] + m[q, 3] * x[3, i, j]


@njit(cache=True, fastmath=True, inline="always")
def _unmix_add(m, x, weight, num, den, y, x0):  # type: ignore[no-untyped-def]
    for i in range(8):
        for j in range(8):
            den[y + i, x0 + j] += weight
        for q in range(4):
            for j in range(8):
                v = m[0, q] * x[0, i, j] + m[1, q] * x[1, i, j] + m[2, q] * x[2, i, j] + m[3, q] * x[3, i, j]
                num[q, y + i, x0 + j] += weight * v


@njit(cache=True, fastmath=True, inline="always")
def _load(planes, y, x, block):  # type: ignore[no-untyped-def]
    for q in range(4):
        for i in range(8):
            for j in range(8):
                block[q, i, j] = planes[q, y + i, x + j]


@njit(cache=True, fastmath=True, inline="always")
def _starts(size, stride, k):  # type: ignore[no-untyped-def]
    return min(k * stride, size - 8)


@njit(cache=True, fastmath=True)
def _row_hard(planes, y, stride, sigma, lumen, chroma, c, ct, num, den):  # type: ignore[no-untyped-def]
    width = planes.shape[2]
    a = np.empty((4, 8, 8), np.float32)
    b = np.empty((4, 8, 8), np.float32)
    t = np.empty((8, 8), np.float32)
    m = np.empty((4, 4), np.float32)
    count = (width - 8 + stride - 1) // stride + 1
    for k in range(count):
        x = _starts(width, stride, k)
        _load(planes, y, x, a)
        _basis(a, m)
        _mix(m, a, b)
        kept = np.float32(1.0)
        for q in range(4):
            _forward(b[q], t, c, a[q])
            limit = (lumen if q == 0 else chroma) * sigma
            limit2 = limit * limit
            dc = a[q, 0, 0]
            for i in range(8):
                for j in range(8):
                    v = a[q, i, j]
                    keep = np.float32(1.0) if v * v > limit2 else np.float32(0.0)
                    kept += keep
                    a[q, i, j] = v * keep
            a[q, 0, 0] = dc
            _forward(a[q], t, ct, b[q])
        _unmix_add(m, b, np.float32(1.0) / kept, num, den, y, x)


@njit(cache=True, fastmath=True)
def _row_wiener(planes, pilot, y, stride, sigma, lumen, chroma, c, ct, num, den):  # type: ignore[no-untyped-def]
    width = planes.shape[2]
    a = np.empty((4, 8, 8), np.float32)
    b = np.empty((4, 8, 8), np.float32)
    p = np.empty((4, 8, 8), np.float32)
    r = np.empty((4, 8, 8), np.float32)
    t = np.empty((8, 8), np.float32)
    m = np.empty((4, 4), np.float32)
    count = (width - 8 + stride - 1) // stride + 1
    for k in range(count):
        x = _starts(width, stride, k)
        _load(pilot, y, x, p)
        _basis(p, m)
        _mix(m, p, r)
        _load(planes, y, x, a)
        _mix(m, a, b)
        kept = np.float32(1.0)
        for q in range(4):
            _forward(r[q], t, c, p[q])
            _forward(b[q], t, c, a[q])
            s = (lumen if q == 0 else chroma) * sigma
            s2 = s * s
            dc = a[q, 0, 0]
            for i in range(8):
                for j in range(8):
                    e = p[q, i, j] * p[q, i, j]
                    w = e / (e + s2)
                    kept += w * w
                    a[q, i, j] *= w
            a[q, 0, 0] = dc
            _forward(a[q], t, ct, b[q])
        _unmix_add(m, b, np.float32(1.0) / kept, num, den, y, x)


@njit(cache=True, fastmath=True, parallel=True)
def _pass(planes, pilot, wiener, stride, sigma, lumen, chroma, c, ct, num, den):  # type: ignore[no-untyped-def]
    """One sliding pass. Bands of window rows, even bands then odd, so that no two threads add to the same pixel."""
    height = planes.shape[1]
    rows = (height - 8 + stride - 1) // stride + 1
    per = 16
    bands = (rows + per - 1) // per
    for parity in range(2):
        for h in prange((bands + 1 - parity) // 2):
            band = 2 * h + parity
            for k in range(band * per, min((band + 1) * per, rows)):
                y = _starts(height, stride, k)
                if wiener:
                    _row_wiener(planes, pilot, y, stride, sigma, lumen, chroma, c, ct, num, den)
                else:
                    _row_hard(planes, y, stride, sigma, lumen, chroma, c, ct, num, den)


@njit(cache=True, fastmath=True, parallel=True)
def _divide(num, den):  # type: ignore[no-untyped-def]
    for y in prange(num.shape[1]):
        for q in range(4):
            for x in range(num.shape[2]):
                num[q, y, x] /= den[y, x]


def _slide(planes: F32, pilot: F32 | None, stride: int, sigma: float, lumen: float, chroma: float) -> F32:
    num = np.zeros_like(planes)
    den = np.zeros(planes.shape[1:], np.float32)
    guide = planes if pilot is None else pilot
    numbers = (np.float32(sigma), np.float32(lumen), np.float32(chroma))
    _pass(planes, guide, pilot is not None, stride, *numbers, _DCT, np.ascontiguousarray(_DCT.T), num, den)
    _divide(num, den)
    return num


def _plane_order(mosaic: Mosaic) -> list[tuple[int, int, int]]:
    """(row, column, cfa number) of the planes in the order R, G1, G2, B of the noise model."""
    found = [(r, c, int(mosaic.cfa[r, c])) for r in range(2) for c in range(2)]
    return sorted(found, key=lambda item: model_channel(item[2]))


def denoise_mosaic(
    mosaic: Mosaic, noise: NoiseModel, strength: float = 1.0, quality: Literal["fast", "better"] = "fast"
) -> F32:
    """The mosaic above black, float32 H x W in raw units, with noise taken out as far as the model says it is noise.

    `strength` 0 leaves the values alone, 1 takes out all that the model knows; above 1 also raises the thresholds.
    An odd last row or column is left as it is.
    """
    raw = mosaic.raw
    out = np.empty(raw.shape, np.float32)
    order = _plane_order(mosaic)
    height, width = raw.shape[0] // 2, raw.shape[1] // 2
    black = [np.float32(mosaic.black[n]) for _, _, n in order]
    if raw.shape[0] % 2 or raw.shape[1] % 2 or strength <= 0 or min(height, width) < BLOCK:
        for (r, c, _), level in zip(order, black, strict=True):
            out[r::2, c::2] = raw[r::2, c::2].astype(np.float32) - level
    if strength <= 0 or min(height, width) < BLOCK:
        return out
    planes = np.empty((4, height, width), np.float32)
    scales = [stabiliser(noise.gain[model_channel(n)], noise.read[model_channel(n)]) for _, _, n in order]
    for k, (r, c, _) in enumerate(order):
        a, b = scales[k]
        _stabilise(raw, r, c, black[k], np.float32(a), np.float32(b), planes[k])
    clean = _shrink(planes, max(strength, 1.0), quality)
    for k, (r, c, _) in enumerate(order):
        a, b = scales[k]
        mix = np.float32(min(strength, 1.0))
        _restore(clean[k], r, c, np.float32(a), np.float32(b), mix, raw, black[k], out)
    return out


def _shrink(planes: F32, push: float, quality: str) -> F32:
    pilot = _slide(planes, None, 4, push, 2.7, 2.9)
    if quality == "better":
        return _slide(planes, _slide(planes, None, 2, push, 2.7, 2.9), 2, push, 0.9, 1.0)
    return pilot
