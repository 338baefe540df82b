"""Sharpening: crisper, within its surroundings, and not of noise."""

from __future__ import annotations

import cv2
import numpy as np
from scipy.signal import fftconvolve
from scipy.special import j1

from clerestory.camera.optics import diffraction_sigma
from clerestory.finish.sharpen import seen_noise, sharpen
from clerestory.simulate.blur import point_spread


def _grey(image: np.ndarray) -> np.ndarray:
    return np.repeat(image.astype(np.float32)[..., None], 3, axis=2)


def _edges() -> np.ndarray:
    image = np.full((200, 300), 0.15, np.float32)
    image[:, 150:] = 0.4
    image[:, 60:63] = 0.05
    return cv2.GaussianBlur(image, (0, 0), 1.0)


def test_edges_steepen_without_rings() -> None:
    picture = _grey(_edges())
    out = sharpen(picture)
    assert np.abs(np.diff(out[100, :, 1])).max() > 1.1 * np.abs(np.diff(picture[100, :, 1])).max()
    assert out[..., 1].max() < 0.4 * 1.05
    assert out.min() >= 0


def test_noise_is_not_sharpened() -> None:
    rng = np.random.default_rng(1)
    noisy = (0.4 + rng.normal(0, 0.02, (200, 300))) ** 2
    before, after = (np.sqrt(v[..., 1]).std() for v in (_grey(noisy), sharpen(_grey(noisy))))
    assert after < 1.15 * before
    assert 0.01 < seen_noise(np.sqrt(noisy).astype(np.float32)) < 0.025


def test_hue_stays_and_nothing_asked_is_nothing_done() -> None:
    rgb = (_grey(_edges()) * np.array([1.0, 0.5, 0.2], np.float32)).astype(np.float32)
    out = sharpen(rgb)
    assert np.allclose(out[..., 0] / out[..., 1], 2.0, atol=1e-3)
    assert np.array_equal(sharpen(rgb, amount=0), rgb)


def _texture() -> np.ndarray:
    """Carved-looking detail at every size, 0.05 to 0.8, as sharp as pixels let it be."""
    rng = np.random.default_rng(5)
    parts = [cv2.GaussianBlur(rng.normal(0, 1, (240, 320)), (0, 0), s) * s for s in (0.6, 1.2, 2.5, 6)]
    image = sum(parts) / 4 + (np.arange(320) // 40 % 2) * 1.0
    low, high = np.percentile(image, (1, 99))
    return np.clip(0.05 + 0.75 * (image - low) / (high - low), 0.05, 0.8).astype(np.float32)


def test_diffraction_is_undone_within_the_noise() -> None:
    """A picture at f/16 comes nearer to the one without diffraction, and no noisier; Airy pattern as simulated."""
    pixel_mm, truth = 0.00334, _texture()
    sigma = diffraction_sigma(16) / pixel_mm
    blurred = fftconvolve(
        np.pad(truth, 20, mode="reflect"), point_spread(np.zeros((1, 2)), 16, pixel_mm, 0), mode="same"
    )[20:-20, 20:-20]
    taken = np.clip(blurred + np.random.default_rng(2).normal(0, 0.002, truth.shape), 0, 1)
    plain, undone = (sharpen(_grey(taken), diffraction=d)[..., 1] for d in (0.0, sigma))
    off = [float(np.sqrt(np.mean((v - truth)[10:-10, 10:-10] ** 2))) for v in (taken, plain, undone)]
    assert off[2] < 0.93 * off[1] < off[0], off
    even = np.full((200, 300), 0.4) + np.random.default_rng(3).normal(0, 0.01, (200, 300))
    assert sharpen(_grey(even), diffraction=sigma)[..., 1].std() < 1.25 * even.std()


def test_gaussian_is_the_airy_patterns_core() -> None:
    """0.42 lambda N against (2 J1(x) / x)^2 with scipy's Bessel function: within 4 % of the peak over the disc."""
    across = np.linspace(1e-6, 1.22 * 550e-6 * 8, 200)  # mm, to the first dark ring at f/8
    x = np.pi * across / (550e-6 * 8)
    gauss = np.exp(-0.5 * (across / diffraction_sigma(8)) ** 2)
    assert np.abs((2 * j1(x) / x) ** 2 - gauss).max() < 0.04
