"""Noise fitted from frames against the truth they were made with."""

from __future__ import annotations

import numpy as np
import pytest

from clerestory.camera.noise import NoiseModel
from clerestory.errors import UserError
from clerestory.raw.noise_fit import QUANTILES, _quantiles, fit_noise
from light_frames import exposed, model, mosaic, signal, wall

LIGHT = signal(wall(1200, 1600))


@pytest.mark.parametrize("iso", [200, 800, 3200])
def test_run_of_four_frames(iso: float) -> None:
    """Gain within 3 %, read noise within 8 % per channel, still frames of two megapixels."""
    truth = model(iso)
    found = fit_noise([mosaic(exposed(LIGHT, truth, k)) for k in range(4)])
    assert found.gain == pytest.approx(truth.gain, rel=0.03)
    assert found.read == pytest.approx(truth.read, rel=0.08)


def test_channels_that_differ_keep_their_own_noise() -> None:
    """Some cameras multiply red and blue before they write them."""
    one = model(800)
    by = (1.3, 1.0, 1.0, 1.6)
    truth = NoiseModel(
        tuple(g * b for g, b in zip(one.gain, by, strict=True)),
        tuple(r * b for r, b in zip(one.read, by, strict=True)),
    )
    found = fit_noise([mosaic(exposed(LIGHT, truth, k)) for k in range(4)])
    assert found.gain == pytest.approx(truth.gain, rel=0.03)
    assert found.read == pytest.approx(truth.read, rel=0.08)


def test_shaken_run_and_single_frame_come_close() -> None:
    truth = model(1600)
    shaken = [mosaic(exposed(np.roll(LIGHT, (2 * k, -4 * k), (0, 1)), truth, k)) for k in range(2)]
    for frames in (shaken, shaken[:1]):
        found = fit_noise(frames)
        assert found.gain == pytest.approx(truth.gain, rel=0.08)
        assert found.read == pytest.approx(truth.read, rel=0.3)


def test_frames_that_cannot_be_fitted_are_refused_in_words() -> None:
    with pytest.raises(UserError, match="no frames"):
        fit_noise([])
    blown = mosaic(np.full((256, 256), 4095, np.uint16))
    with pytest.raises(UserError, match="tiles"):
        fit_noise([blown])


def test_quantiles_are_those_of_numpy_to_the_last_bit() -> None:
    rng = np.random.default_rng(2)
    for count in (1, 2, 3, 10, 51, 500, 501):
        values = rng.gamma(2, 1, (3, count))
        assert _quantiles(values).tobytes() == np.quantile(values, QUANTILES, axis=1).T.tobytes()
