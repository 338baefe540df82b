"""The tone-mapped image quality index of Yeganeh and Wang, IEEE Transactions on Image Processing 22(2), 2013.

Constants as in the paper and its authors' published code, written down from memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.stats import beta, norm

F64 = NDArray[np.float64]
SCALES = (0.0448, 0.2856, 0.3001, 0.2363, 0.1333)
CYCLES = (16.0, 8.0, 4.0, 2.0, 1.0)  # per degree, at each scale
REC2020 = (0.2627, 0.6780, 0.0593)


@dataclass(frozen=True)
class Quality:
    """Quality, structural fidelity, naturalness; each 0 to 1."""

    quality: float
    fidelity: float
    naturalness: float


def _blur(image: F64) -> F64:
    kernel = cv2.getGaussianKernel(11, 1.5)
    whole: F64 = cv2.sepFilter2D(image, cv2.CV_64F, kernel, kernel)
    return whole[5:-5, 5:-5]


def _fidelity_at(hdr: F64, ldr: F64, cycles: float) -> float:
    m1, m2 = _blur(hdr), _blur(ldr)
    s1 = np.sqrt(np.maximum(_blur(hdr * hdr) - m1 * m1, 0))
    s2 = np.sqrt(np.maximum(_blur(ldr * ldr) - m2 * m2, 0))
    s12 = _blur(hdr * ldr) - m1 * m2
    sensitivity = 100 * 2.6 * (0.0192 + 0.114 * cycles) * math.exp(-((0.114 * cycles) ** 1.1))
    threshold = 128 / (1.4 * sensitivity)
    p1, p2 = (norm.cdf(s, threshold, threshold / 3) for s in (s1, s2))
    c1, c2 = 0.01, 10.0
    return float(np.mean((2 * p1 * p2 + c1) / (p1**2 + p2**2 + c1) * (s12 + c2) / (s1 * s2 + c2)))


def _halved(image: F64) -> F64:
    out: F64 = cv2.blur(image, (2, 2), anchor=(0, 0))[::2, ::2]
    return out


def fidelity(hdr: F64, ldr: F64) -> float:
    """Structural fidelity of LDR luminance (0 to 255) to HDR luminance, five scales."""
    span = hdr.max() - hdr.min()
    a, b, out = (hdr - hdr.min()) * round((2**32 - 1) / span), ldr, 1.0
    for weight, cycles in zip(SCALES, CYCLES, strict=True):
        out *= max(_fidelity_at(a, b, cycles), 0.0) ** weight
        a, b = _halved(a), _halved(b)
    return out


def naturalness(ldr: F64) -> float:
    """Statistical naturalness of LDR luminance (0 to 255): its mean, and its mean contrast in blocks of 11."""
    rows, columns = ldr.shape[0] // 11, ldr.shape[1] // 11
    blocks = ldr[: rows * 11, : columns * 11].reshape(rows, 11, columns, 11)
    contrast = float(blocks.std(axis=(1, 3), ddof=1).mean())
    a, b = 4.4, 10.1
    mode = (a - 1) / (a + b - 2)
    contrasty = beta.pdf(contrast / 64.29, a, b) / beta.pdf(mode, a, b)
    bright = norm.pdf(ldr.mean(), 115.94, 27.99) / norm.pdf(115.94, 115.94, 27.99)
    return float(contrasty * bright)


def tmqi(hdr: NDArray[np.floating], ldr: NDArray[np.floating]) -> Quality:
    """Of a displayed picture (luminance, encoded, 0 to 255) against the scene's luminance (linear)."""
    s, n = fidelity(np.asarray(hdr, float), np.asarray(ldr, float)), naturalness(np.asarray(ldr, float))
    return Quality(0.8012 * s**0.3046 + 0.1988 * n**0.7088, s, n)
