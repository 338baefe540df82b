"""A burst: less noise, no ghosts, its own noise told."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from clerestory.camera.pose import Pose
from clerestory.merge.align import Motion, align, guide_of
from clerestory.merge.burst import merge_burst
from clerestory.merge.resample import LANES, MARGIN, _filled, _lanczos, channel_gains, laid, own
from clerestory.merge.result import Refused


def _merged(scene, lights):
    mosaics = [scene.mosaic(light, k) for k, light in enumerate(lights)]
    reads = [partial(lambda m: m, m) for m in mosaics[1:]]
    return mosaics, merge_burst(mosaics[0], reads, scene.noise, scene.camera, lambda _: None)


def test_noise_falls_as_the_count_grows_and_the_light_stays(wall, hands, above_black):
    scene = wall()
    poses = [Pose()] + [hands(k, 0.04) for k in range(1, 8)]
    mosaics, merged = _merged(scene, [scene.light(p) for p in poses])
    truth = scene.signal(scene.light(Pose()))
    middle = (slice(60, -60), slice(60, -60))
    before, after = (mosaics[0].raw - 256.0 - truth)[middle], (above_black(merged.mosaic) - truth)[middle]
    gain = 20 * np.log10(np.median(np.abs(before)) / np.median(np.abs(after)))
    assert gain > 7.5  # of sqrt(8), 9.03 dB; what texture a tenth of a pixel off leaves counts as noise here
    assert after.mean() / truth[middle].mean() == pytest.approx(0, abs=0.002)
    finer = (merged.mosaic.white[0] - merged.mosaic.black[0]) / 3839
    level = float(np.median(truth[middle]))
    told = np.sqrt(merged.noise.variance(np.array(level * finer), 1)) / finer
    near = np.abs(truth[middle] / level - 1) < 0.2
    assert told == pytest.approx(after[near].std(), rel=0.25)


def test_a_passer_by_leaves_no_ghost(wall, hands, above_black):
    scene = wall()
    poses = [Pose()] + [hands(k, 0.02) for k in range(1, 6)]
    lights = [scene.light(p, ((100.0 + 80 * k, 240.0, 40.0, 0.05),)) for k, p in enumerate(poses)]
    _, merged = _merged(scene, lights)
    truth = scene.signal(scene.light(Pose()))
    contrast = float(np.median(truth[220:260, 330:590])) - 0.05 * 3839 * 0.7
    planes = (above_black(merged.mosaic) - truth)[200:280, 160:560][0::2, 1::2]
    blocks = planes[:40, :200].reshape(5, 8, 25, 8).mean(axis=(1, 3))
    assert np.percentile(np.abs(blocks), 98) < 0.02 * contrast  # 0.01 of it is this mean's own noise
    assert np.abs(above_black(merged.mosaic) - scene.signal(lights[0]))[220:260, 80:120].mean() < 40


def test_frames_of_another_place_are_refused(wall):
    one, two = wall(seed=1), wall(seed=2)
    mosaics = [one.mosaic(one.light(Pose()), 1), two.mosaic(two.light(Pose()), 2)]
    with pytest.raises(Refused, match="no frame fits"):
        merge_burst(mosaics[0], [lambda: mosaics[1]], one.noise, one.camera, lambda _: None)


def test_a_plane_of_light_is_filled_in_exactly(wall):
    """The filters of Malvar, He and Cutler (2004) are exact on light that changes linearly."""
    scene = wall(width=64, height=48)
    y, x = np.mgrid[:48, :64]
    mosaic = scene.mosaic(np.full((48, 64), 0.2), 0)
    mosaic.raw[:] = 256
    for r in range(2):
        for c in range(2):
            tint = [0.5, 1.0, 0.6, 1.0][int(mosaic.cfa[r, c])]
            mosaic.raw[r::2, c::2] = np.rint(256 + tint * (600 + 10 * x + 20 * y)[r::2, c::2]).astype(np.uint16)
    black = mosaic.black.astype(np.float32)
    flat, shape = _filled(mosaic.raw, mosaic.cfa, False, black, channel_gains(mosaic), (0, 48, 0, 64))
    within = slice(MARGIN + 4, -MARGIN - 4)
    planes = flat[:-LANES].reshape(shape)[:, within, within]
    assert planes == pytest.approx(np.broadcast_to((600 + 10 * x + 20 * y)[4:-4, 4:-4], planes.shape), abs=2.5)


def test_a_frame_laid_whole_pixels_aside_is_itself_up_to_its_edges(wall):
    """Up to half a pixel beyond an edge its last pixels are repeated, and farther out there is nothing."""
    scene = wall(width=640, height=480, gain=1.2, read=2.3)
    mosaic = scene.mosaic(np.full((480, 640), 0.2), 3)
    y, x = np.mgrid[:31, :41].astype(np.float32) * 16
    nodes = np.stack([x + 6, y - 4], axis=-1)
    motion = Motion(nodes, np.full(nodes.shape[:2], 1.5, np.float32), np.eye(3), 1.0, 0.0, 1.0, step=16)
    found, values = laid(mosaic, motion, scene.noise), own(mosaic)
    assert found[4:, :-6] == pytest.approx(1.5 * values[:-4, 6:], rel=1e-6)
    assert (found[:4] == -1e9).all() and (found[:, -6:] == -1e9).all()
    even = replace(mosaic, raw=np.full_like(mosaic.raw, 900))
    found = laid(even, replace(motion, nodes=nodes + np.float32([0.25, -0.25])), scene.noise)
    assert found[5:, :-6] == pytest.approx(1.5 * own(even)[5:, :-6], rel=1e-5)
    assert (found[:4] == -1e9).all() and (found[:, -6:] == -1e9).all()


def test_fine_detail_is_lifted_where_there_is_any_and_noise_is_not(wall):
    scene = wall(gain=1.2, read=2.3)
    light = np.where(np.arange(640) < 320, 0.05, 0.4) * np.ones((480, 1))
    mosaic = scene.mosaic(light, 1)
    guide = guide_of(mosaic, scene.noise)
    nodes = align(guide, guide, scene.camera, local=False).nodes + np.float32(0.5)
    motion = Motion(nodes, np.ones(nodes.shape[:2], np.float32), np.eye(3), 1.0, 0.0, 1.0)
    plain, lifted = laid(mosaic, motion, scene.noise), laid(mosaic, motion)
    even = (slice(40, -40, 2), slice(41, 300, 2))
    assert plain[even].std() < 0.93 * lifted[even].std()
    edge = (slice(40, -40), slice(316, 324))
    assert plain[edge].mean(axis=0) == pytest.approx(lifted[edge].mean(axis=0), abs=15)


def test_resampling_weights_sum_to_one():
    weights = _lanczos(0.1)
    assert weights.sum(axis=1) == pytest.approx(np.ones(len(weights)), abs=1e-5)
    assert _lanczos()[0] == pytest.approx([0, 0, 1, 0, 0, 0], abs=1e-6)
