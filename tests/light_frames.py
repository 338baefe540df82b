"""Small synthetic frames with known light and noise, for the tests of the finish stage."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.raw.read import Mosaic
from clerestory.simulate.camera import XYZ_TO_CAMERA

BLACK, WHITE = 256.0, 4095.0
CFA = np.array([[0, 1], [3, 2]], np.int8)
BALANCE = (2.0, 1.0, 1.6)
MATRIX = np.array(XYZ_TO_CAMERA)


def wall(height: int = 384, width: int = 512, seed: int = 1) -> NDArray[np.float32]:
    """Balanced linear RGB: a shaded wall of courses with some texture, and a small window of coloured glass."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:height, :width].astype(np.float32)
    grain = cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), 2.5)
    stops = -3.0 - 6.0 * x / width + 0.25 * grain
    block = rng.normal(0, 0.2, (64, 64)).astype(np.float32)
    stops += block[(y // 37).astype(int) % 64, (x // 61).astype(int) % 64]
    rgb = np.exp2(stops)[..., None] * np.array([1.05, 1.0, 0.9], np.float32)
    glass = np.array([[0.7, 0.1, 0.1], [0.1, 0.2, 0.7], [0.6, 0.5, 0.15]], np.float32)
    pane = glass[((x // 24) + (y // 24)).astype(int) % 3]
    inside = (abs(x - 0.25 * width) < 0.12 * width) & (abs(y - 0.5 * height) < 0.3 * height)
    lead = ((x % 24) < 2) | ((y % 24) < 2)
    rgb = np.where(inside[..., None], np.where(lead[..., None], 0.01, pane), rgb)
    out: NDArray[np.float32] = cv2.GaussianBlur(rgb.astype(np.float32), (0, 0), 0.8)
    return out


def signal(rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Raw values above black of balanced RGB, clipped at saturation."""
    camera = rgb / np.array(BALANCE, np.float32) * np.float32(WHITE - BLACK)
    out = np.empty(rgb.shape[:2], np.float32)
    for r in range(2):
        for c in range(2):
            n = int(CFA[r, c])
            out[r::2, c::2] = camera[r::2, c::2, 1 if n == 3 else n]
    return np.minimum(out, np.float32(WHITE - BLACK))


def exposed(light: NDArray[np.float32], noise: NoiseModel, seed: int = 0) -> NDArray[np.uint16]:
    """Raw numbers with photon and read noise of a signal above black."""
    rng = np.random.default_rng(seed)
    out = np.empty(light.shape)
    for (r, c), k in {(0, 0): 0, (0, 1): 1, (1, 0): 2, (1, 1): 3}.items():
        plane, g = light[r::2, c::2], noise.gain[k]
        before_rounding = np.sqrt(noise.read[k] ** 2 - 1 / 12)
        out[r::2, c::2] = rng.poisson(plane / g) * g + rng.normal(0, before_rounding, plane.shape)
    return np.clip(np.rint(out + BLACK), 0, WHITE).astype(np.uint16)


def mosaic(raw: NDArray[np.uint16]) -> Mosaic:
    return Mosaic(raw, CFA, np.full(4, BLACK), np.full(4, WHITE), BALANCE, BALANCE, MATRIX)


def model(iso: float) -> NoiseModel:
    """A sensor of 25 500 electrons at ISO 200 and 1.7 electrons of read noise (invented)."""
    g = (WHITE - BLACK) / 25500 * iso / 200
    read = float(np.sqrt((1.7 * g) ** 2 + 0.55**2 + 1 / 12))
    return NoiseModel((g,) * 4, (read,) * 4)
