"""Clipping where the sensor clips, and sharpness that noise does not raise and blur lowers."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from clerestory.raw.clipping import with_real_white
from clerestory.raw.inspect import Inspection, inspect_file, upright
from clerestory.raw.read import read_mosaic

Write = Callable[..., Path]
Light = NDArray[np.float64]


@pytest.fixture
def seen(write_dng: Write, photograph: Any) -> Callable[..., Inspection]:
    def look(light: Light, **how: Any) -> Inspection:
        return inspect_file(write_dng("f.dng", photograph(light, **how)))

    return look


def test_sharpness_stays_from_iso_200_to_6400(scene: Any, seen: Callable[..., Inspection]) -> None:
    light = scene(3, 600, 800)
    for blur in (0.0, 2.5):
        view = cv2.GaussianBlur(light, (0, 0), blur) if blur else light
        # Gain follows ISO, read noise too: 0.25 to 8 raw units per electron (EMVA 1288's K).
        found = [seen(view, gain=iso / 800, read=1 + iso / 400, seed=iso).sharpness for iso in (200, 800, 3200, 6400)]
        assert max(found) / min(found) < 1.03, found


def test_sharpness_falls_with_blur_of_any_direction(scene: Any, seen: Callable[..., Inspection]) -> None:
    light = scene(4, 600, 800)
    for shape in ("round", "across", "along"):
        found = [seen(light, gain=2, read=4).sharpness]
        for size in (3, 5, 9, 15, 25):
            kernel = np.ones((size if shape != "across" else 1, size if shape != "along" else 1))
            found.append(seen(cv2.filter2D(light, -1, kernel / kernel.size), gain=2, read=4).sharpness)
        assert all(a > b * 1.02 for a, b in itertools.pairwise(found)), (shape, found)


def test_sharpness_does_not_follow_exposure(scene: Any, seen: Callable[..., Inspection]) -> None:
    light = scene(5, 600, 800)
    found = [seen(light * 2.0**stops).sharpness for stops in (-2, -1, 0)]
    assert max(found) / min(found) < 1.05, found


def test_clipping_is_found_below_the_stated_white_level(
    scene: Any, photograph: Any, write_dng: Write, tmp_path: Path
) -> None:
    light = scene(6, 400, 600) * 0.5
    light[50:90, 100:200] = 3.0  # a window, 1/60 of the frame
    raw = np.minimum(photograph(light, gain=0.3), 3800)  # saturates below the white level of the tags
    found = inspect_file(write_dng("c.dng", raw)).clipping
    assert all(found.found) and found.level == (3800,) * 4
    assert found.all == pytest.approx(40 * 100 / (400 * 600), rel=0.01)
    assert found.one + found.two < 0.001
    assert with_real_white(read_mosaic(tmp_path / "c.dng"))[0].white.tolist() == [3800] * 4


def test_a_channel_that_does_not_clip_takes_the_level_of_the_others(
    scene: Any, photograph: Any, write_dng: Write
) -> None:
    light = scene(6, 400, 600) * 0.5
    light[50:90, 100:200] = 3.0
    light[::2, ::2] *= 0.1  # red stays far below
    mosaic = with_real_white(read_mosaic(write_dng("c.dng", np.minimum(photograph(light, gain=0.3), 3800))))[0]
    assert mosaic.white.tolist() == [3800] * 4
    plain = read_mosaic(write_dng("p.dng", photograph(np.minimum(scene(6, 400, 600), 0.5))))
    assert with_real_white(plain)[0].white.tolist() == [4095] * 4


def test_clipping_is_found_under_hot_pixels(scene: Any, photograph: Any, write_dng: Write) -> None:
    light = scene(6, 400, 600) * 0.5
    light[50:90, 100:200] = 3.0
    raw = np.minimum(photograph(light, gain=0.3), 3800)
    raw[90:390:60, 5:595:75] = 4095  # 40 pixels stuck above where the sensor clips
    found = inspect_file(write_dng("h.dng", raw)).clipping
    assert found.level == (3800,) * 4 and all(found.found)


def test_channels_clip_one_by_one(photograph: Any, write_dng: Write, scene: Any) -> None:
    light = np.full((400, 600), 0.2) * (0.9 + 0.1 * scene(1, 400, 600))
    light[:100, ::2] = 2.0  # every second column: red and one green of each cell, and the other green's row is not
    light[:100][1::2] = 0.2  # rows of green and blue are not
    raw = photograph(light)
    found = inspect_file(write_dng("d.dng", raw)).clipping
    assert found.share[0] == pytest.approx(0.25, abs=0.002) and found.share[2] == 0
    assert found.one == pytest.approx(0.25, abs=0.002) and found.two == 0 and found.all == 0


def test_nothing_is_clipped_in_a_frame_without_a_pile_up(scene: Any, seen: Callable[..., Inspection]) -> None:
    found = seen(np.minimum(scene(2, 400, 600), 0.6) * 0.9).clipping
    assert not any(found.found) and found.share == (0.0,) * 4


def test_thumbnails_stand_upright(write_dng: Write, photograph: Any) -> None:
    light = np.full((400, 600), 0.05)
    light[:200] = 0.4  # bright above as recorded
    for orientation, side in ((1, (0, 1)), (3, (-1, 1)), (6, (1, -1)), (8, (1, 0))):
        picture = inspect_file(write_dng("t.dng", photograph(light), orientation=orientation)).thumbnail
        rows = side[1] == 1
        line = picture.mean(axis=(1, 2)) if rows else picture.mean(axis=(0, 2))
        bright = line[0] > line[-1]
        assert bright == ((side[0] == 0) if rows else (side[1] == 0)), orientation
    # EXIF 2.32, orientation 6: the 0th row is the right side, so the picture is turned clockwise.
    assert upright(np.array([[1, 2], [3, 4]], np.uint8), 6).tolist() == [[3, 1], [4, 2]]
    assert upright(np.array([[1, 2], [3, 4]], np.uint8), 5).tolist() == [[1, 3], [2, 4]]
    assert upright(np.array([[1, 2], [3, 4]], np.uint8), 7).tolist() == [[4, 2], [3, 1]]
    assert upright(np.array([[1, 2], [3, 4]], np.uint8), 8).tolist() == [[2, 4], [1, 3]]


def test_edge_blur_is_the_blur_that_was_put_in(seen: Callable[..., Inspection]) -> None:
    rng = np.random.default_rng(5)
    light = 0.1 * np.exp2(np.kron(rng.uniform(-2, 2, (12, 16)), np.ones((50, 50))))
    for gain, read in ((0.25, 1.5), (8.0, 17.0)):  # ISO 200 and 6400
        for blur in (2.0, 4.0, 6.0):
            found = seen(cv2.GaussianBlur(light, (0, 0), blur), gain=gain, read=read).edge_blur
            assert found == pytest.approx(blur, abs=0.5), (gain, blur)
        assert (seen(light, gain=gain, read=read).edge_blur or 0) < 0.6
    across = cv2.GaussianBlur(light, (0, 0), sigmaX=4.0, sigmaY=0.01)
    assert seen(across).edge_blur == pytest.approx(4.0, abs=0.5), "the worse direction counts"


def test_clipped_windows_do_not_make_a_frame_soft(seen: Callable[..., Inspection], scene: Any) -> None:
    light = scene(7, 600, 800)
    plain = seen(light)
    light[:, 200:300] = light[:, 500:560] = 6.0
    glass = seen(light)
    assert glass.sharpness == pytest.approx(plain.sharpness, rel=0.05)
    assert glass.edge_blur == pytest.approx(plain.edge_blur, abs=0.3)
