"""Demosaic through LibRaw: levels exact, noise about black not cut, lens database fit."""

from __future__ import annotations

import numpy as np

from clerestory.develop.demosaic import demosaic, signal_of, small, small_of
from clerestory.raw.read import Mosaic

CFA = np.array([[0, 1], [3, 2]], np.int8)


def mosaic_of(raw: np.ndarray, black: float = 256, white: float = 4095) -> Mosaic:
    """A mosaic with plain levels."""
    return Mosaic(raw.astype(np.uint16), CFA, np.full(4, black), np.full(4, white), None, None, None)


def test_levels_survive_the_demosaic() -> None:
    """A grey ramp under a warm light comes out grey, at its own level, in every channel."""
    multipliers = (2.0, 1.0, 1.5)
    ramp = np.tile(np.linspace(50, 3700, 400), (200, 1))
    raw = ramp + 256.0
    raw[0::2, 0::2] = ramp[0::2, 0::2] / 2 + 256
    raw[1::2, 1::2] = ramp[1::2, 1::2] / 1.5 + 256
    mosaic = mosaic_of(np.round(raw))
    done = demosaic(signal_of(mosaic), mosaic, multipliers)
    values = done.counts * done.scale - done.offset
    want = (ramp / (4095 - 256))[..., None]
    assert np.abs(values - want)[10:-10, 10:-10].max() < 0.0015
    half = small(signal_of(mosaic), mosaic) * np.array(multipliers)
    assert np.allclose(small_of(mosaic), small(signal_of(mosaic), mosaic), atol=1e-6)
    assert np.abs(half - want[::2, 1::2])[:, 2:-2].max() < 0.005


def test_noise_about_black_keeps_its_mean() -> None:
    """Values below black must survive to the end, or shade lifts to grey."""
    noise = np.random.default_rng(5).normal(0, 8, (400, 400)).astype(np.float32)
    done = demosaic(noise, mosaic_of(np.zeros((400, 400))), (1.8, 1.0, 1.4))
    values = done.counts * done.scale - done.offset
    assert np.abs(values.mean(axis=(0, 1))).max() * (4095 - 256) < 0.25
    assert values.min() < 0
