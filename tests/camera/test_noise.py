"""The noise model against EMVA 1288's own relations."""

from __future__ import annotations

import math

import numpy as np
import pytest

from clerestory.camera.noise import NoiseModel, model_channel

MODEL = NoiseModel((0.5, 0.4, 0.4, 0.6), (2.0, 1.5, 1.5, 2.5))


def test_variance_is_the_photon_transfer_line() -> None:
    """EMVA 1288: sigma_y^2 = sigma_dark^2 + K (mu_y - mu_dark); SNR of an ideal sensor is the root of electrons."""
    assert MODEL.variance(np.array([0.0, 100.0, -5.0]), 0) == pytest.approx([4.0, 54.0, 4.0])
    ideal = NoiseModel((0.25,) * 4, (0.0,) * 4)
    signal = 1000.0
    assert signal / math.sqrt(ideal.variance(np.array(signal), 1)) == pytest.approx(math.sqrt(signal / 0.25))


def test_scaled_and_averaged_models_agree_with_samples() -> None:
    rng = np.random.default_rng(1)
    g, r = MODEL.gain[1], MODEL.read[1]
    frames = rng.poisson(300 / g, (4, 100_000)) * g + rng.normal(0, r, (4, 100_000))
    mean = MODEL.averaged(4).variance(np.array(300.0), 1)
    assert frames.mean(axis=0).var() == pytest.approx(float(mean), rel=0.02)
    scaled = MODEL.scaled(3.0).variance(np.array(900.0), 1)
    assert (frames[0] * 3).var() == pytest.approx(float(scaled), rel=0.02)


def test_channels_of_mosaic_and_model() -> None:
    assert [model_channel(n) for n in (0, 1, 3, 2)] == [0, 1, 2, 3]
