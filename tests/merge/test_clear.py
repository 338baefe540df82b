"""Visitors taken out: only stone that was seen, and a word where none was."""

from __future__ import annotations

from functools import partial

import cv2
import numpy as np
import pytest

from clerestory.camera.pose import Pose
from clerestory.merge.clear import merge_clear
from clerestory.merge.pictures import merge_clear_pictures
from clerestory.merge.result import IN_DOUBT, Refused


def _cleared(scene, hands, crowds):
    poses = [Pose() if k == 0 else hands(k, 0.02) for k in range(len(crowds))]
    lights = [scene.light(p, tuple(c)) for p, c in zip(poses, crowds, strict=True)]
    mosaics = [scene.mosaic(light, k) for k, light in enumerate(lights)]
    reads = [partial(lambda m: m, m) for m in mosaics[1:]]
    return lights, mosaics, merge_clear(mosaics[0], reads, scene.noise, scene.camera, lambda _: None)


def _smooth(error):
    planes = error[0::2, 1::2]
    return planes[: planes.shape[0] // 4 * 4, : planes.shape[1] // 4 * 4].reshape(
        planes.shape[0] // 4, 4, planes.shape[1] // 4, 4).mean(axis=(1, 3))  # fmt: skip


def test_walkers_and_one_who_stood_half_the_time_are_gone(wall, hands, above_black):
    scene = wall()
    crowds = []
    for k in range(6):
        walker = (90.0 + 85 * k, 160.0, 32.0, 0.04)
        stander = [(320.0, 350.0, 40.0, 0.05)] if k < 3 else []
        crowds.append([walker, *stander])
    lights, _, done = _cleared(scene, hands, crowds)
    truth = scene.signal(scene.light(Pose()))
    left = np.abs(_smooth(above_black(done.mosaic) - truth))
    was = np.abs(_smooth(scene.signal(lights[0]) - truth))
    visitors = was > 0.3 * np.median(truth)
    assert (left[visitors] < 0.25 * was[visitors]).mean() > 0.99
    assert not done.spots
    figures = np.pi * (32**2 + 40**2)
    assert figures < done.record["replaced_pixels"] < 2.2 * figures
    assert ((done.mask > 0) & (done.mask < IN_DOUBT)).sum() == done.record["replaced_pixels"]


def test_nothing_else_is_touched(wall, hands, above_black):
    scene = wall()
    crowds = [[(90.0 + 150 * k, 160.0, 30.0, 0.04)] for k in range(4)]
    _, mosaics, done = _cleared(scene, hands, crowds)
    truth = scene.signal(scene.light(Pose()))
    still = (slice(260, 440), slice(60, 580))
    after, before = (above_black(done.mosaic) - truth)[still], (mosaics[0].raw - 256.0 - truth)[still]
    assert after.std() < 0.75 * before.std()
    assert (done.mask[still] == 0).all()


def test_who_never_left_the_spot_is_shown_and_stays(wall, hands, above_black):
    scene = wall()
    rng = np.random.default_rng(5)
    crowds = []
    for k in range(4):
        x, y = rng.uniform(-6, 6, 2)
        crowds.append([(300.0 + x, 240.0 + y, 40.0, 0.03 + 0.12 * k)])  # shifts about in a changing light
    lights, _, done = _cleared(scene, hands, crowds)
    assert len(done.spots) >= 1
    x, y, w, h = max(done.spots, key=lambda b: b[2] * b[3])
    assert x < 300 < x + w
    assert y < 240 < y + h
    assert (done.mask[225:255, 285:315] == IN_DOUBT).mean() > 0.8
    left = (above_black(done.mosaic) - scene.signal(lights[0]))[225:255, 285:315]
    assert abs(left.mean()) < 0.1 * np.median(scene.signal(scene.light(Pose())))


def test_two_frames_are_too_few(wall, hands):
    scene = wall()
    with pytest.raises(Refused, match="at least 3"):
        _cleared(scene, hands, [[], []])


def test_of_pictures_that_a_phone_bent_place_by_place_nothing_of_a_visitor_is_left(wall, hands):
    """A phone shades, smooths and sharpens each picture its own way: stone differs by more than any noise."""
    scene = wall(width=960, height=720)
    crowds = [[(330.0, 300.0, 90.0, 0.75)]] + [[] for _ in range(4)]
    pictures = []
    for k, crowd in enumerate(crowds):
        light = scene.light(Pose() if k == 0 else hands(k, 0.02), tuple(crowd))
        rng = np.random.default_rng(40 + k)
        bent = sum(
            much * (b := cv2.GaussianBlur(rng.standard_normal(light.shape), (0, 0), reach)) / b.std()
            for much, reach in ((0.025, 5.0), (0.025, 14.0))
        )
        light = light * np.exp(bent + 0.05 * rng.uniform(-1, 1))
        light = cv2.GaussianBlur(light, (0, 0), 0.6 + 0.5 * rng.random())
        pictures.append(np.clip(np.repeat(light[..., None], 3, axis=2), 0, 1).astype(np.float32))
    reads = [partial(lambda p: p, p) for p in pictures[1:]]
    done = merge_clear_pictures(pictures[0], reads, scene.camera, lambda _: None)
    y, x = np.mgrid[: scene.height, : scene.width]
    there = np.hypot(x - 330, y - 300) < 88
    light = cv2.blur(done.rgb[..., 1], (3, 3))
    assert (light[there] > 0.6).sum() == 0
    assert not done.spots
