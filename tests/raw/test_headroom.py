"""How a frame was exposed, judged from the frame itself."""

import numpy as np
import pytest

from clerestory.camera.noise import NoiseModel
from clerestory.raw.headroom import exposure_headroom, usable_stops
from light_frames import exposed, model, mosaic, signal, wall


def test_headroom_is_what_was_left() -> None:
    noise = model(400)
    light = signal(wall() * np.float32(0.5))
    room = exposure_headroom(mosaic(exposed(light, noise)), noise)
    again = exposure_headroom(mosaic(exposed(light / 4, noise)), noise)
    assert again.stops - room.stops == pytest.approx(2.0, abs=0.1)
    assert not again.guessed and again.stone_snr_then > 1.8 * again.stone_snr
    blown = exposure_headroom(mosaic(exposed(np.minimum(light * 16, 3839), noise)), noise)
    assert blown.guessed and blown.stops < -0.5 and "less" in blown.message
    # Read-noise-free: S = snr^2 g, so stops = log2(span / (100 g)) (ISO 12232, signal to noise of 10).
    assert usable_stops(3839, NoiseModel((1.0,) * 4, (0.0,) * 4)) == pytest.approx(np.log2(38.39))
