"""Memory given back on the way changes nothing of what comes out."""

from __future__ import annotations

import math
import sys

import cv2
import numpy as np
import pytest

from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop
from clerestory.camera.rectification import Rectification
from clerestory.develop.demosaic import demosaiced, turned
from clerestory.finish.resample import resample
from clerestory.raw.read import Mosaic
from clerestory.run import memory


@pytest.fixture(autouse=True)
def _small_ones_too(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(memory, "LEAST", 0)


@pytest.mark.parametrize("degrees", [-25.0, 4.0, 25.0])
def test_a_frame_spent_while_it_is_straightened_gives_the_same_picture(degrees: float) -> None:
    rng = np.random.default_rng(1)
    frame = memory.room(2400, 900, 3)
    frame[:] = rng.random(frame.shape, np.float32)
    camera = Camera.equivalent(900, 2400, 24.0)
    homography = Rectification(math.radians(12), math.radians(degrees), 1.0, 0.0).homography(camera)
    crop, size = Crop(-200.0, -300.0, 1200.0, 2600.0, 1.0, {}), (1200, 2600)
    kept = resample(frame.copy(), camera, homography, crop, size)
    np.testing.assert_array_equal(resample(frame, camera, homography, crop, size, spent=True), kept)


def test_a_mosaic_spent_while_it_is_demosaiced_gives_the_same_colour() -> None:
    values = np.random.default_rng(2).integers(300, 4000, (1200, 320))
    levels = np.full(4, 256.0), np.full(4, 4095.0)
    mosaic = Mosaic(values.astype(np.uint16), np.array([[0, 1], [3, 2]], np.int8), *levels, None, None, None)
    signal = memory.room(*values.shape)
    signal[:] = values - 256
    balance = (2.0, 1.0, 1.5)
    kept, _ = demosaiced(signal.copy(), mosaic, balance)
    np.testing.assert_array_equal(demosaiced(signal, mosaic, balance)[0], kept)
    if sys.platform == "linux":
        assert not signal[:900].any(), "given back"


@pytest.mark.parametrize("orientation", [3, 6, 8])
def test_a_mosaic_turned_before_it_is_demosaiced_gives_the_picture_turned(orientation: int) -> None:
    rng = np.random.default_rng(5)
    light = cv2.GaussianBlur(rng.uniform(0, 4000, (301, 402)).astype(np.float32), (0, 0), 1.2)
    levels = np.zeros(4), np.full(4, 4095.0)
    mosaic = Mosaic(light.astype(np.uint16), np.array([[0, 1], [3, 2]], np.int8), *levels, None, None, None)
    balance = (2.0, 1.0, 1.5)
    expected = turned(demosaiced(light, mosaic, balance)[0], orientation)
    found, _ = demosaiced(light, mosaic, balance, orientation)
    np.testing.assert_allclose(found, expected, atol=0.01)  # colour is fitted in cells that begin elsewhere
    assert np.abs(found - expected).mean() < 3e-4
