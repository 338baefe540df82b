"""Sharpening: crisper, within its surroundings, and not of noise."""

from __future__ import annotations

import cv2
import numpy as np

from clerestory.finish.sharpen import seen_noise, sharpen


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
