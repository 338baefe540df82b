"""A bracket: true radiance from the darkest stone to the brightest glass, one frame where something moved."""

from __future__ import annotations

import numpy as np
import pytest

from clerestory.camera.pose import Pose
from clerestory.merge.bracket import Step, merge_bracket

EXPOSURES = (1.0, 0.25, 4.0)


def _merge(scene, hands, glass, visitors=((), (), ())):
    lights = []
    for k in range(3):
        light = scene.light(Pose() if k == 0 else hands(k, 0.01), (*glass, *visitors[k]))
        lights.append(light)
    mosaics = [scene.mosaic(light, k, e) for k, (light, e) in enumerate(zip(lights, EXPOSURES, strict=True))]
    # The settings as marked are a twentieth off what the shutter did.
    steps = [Step(lambda m=m: m, e * 1.05, scene.noise) for m, e in zip(mosaics[1:], EXPOSURES[1:], strict=True)]
    merged = merge_bracket(mosaics[0], steps, scene.noise, scene.camera, lambda _: None)
    units = (merged.mosaic.white[0] - merged.mosaic.black[0]) * min(merged.record["exposures"].values()) / 3839
    return lights, mosaics, (merged.mosaic.raw - merged.mosaic.black[0]) / units, merged


def test_radiance_over_fourteen_stops(wall, hands):
    scene = wall(gain=0.3, read=0.8, bright=0.02)
    x = np.arange(scene.texture.shape[1])
    scene.texture *= 2.0 ** (2 - 8 * x / x.max())
    glass = ((120.0, 120.0, 50.0, 3.4), (330.0, 120.0, 50.0, 1.5), (480.0, 360.0, 50.0, 0.4))
    lights, mosaics, found, merged = _merge(scene, hands, glass)
    truth = scene.signal(lights[0])
    assert merged.record["exposures"] == {0: pytest.approx(0.25, rel=0.006), 1: pytest.approx(4.0, rel=0.006)}
    inner = np.zeros(truth.shape, bool)
    inner[30:-30, 30:-30] = True
    green = np.zeros(truth.shape, bool)
    green[0::2, 1::2] = True
    seen = []
    for stop in range(0, -16, -1):
        high = 4 * 3839 * 2.0**stop
        use = inner & green & (truth < high) & (truth >= high / 2)
        for cx, cy, radius, _ in glass:  # edges of glass are an other matter
            yy, xx = np.mgrid[: truth.shape[0], : truth.shape[1]]
            use &= np.abs(np.hypot(xx - cx, yy - cy) - radius) > 8
        if use.sum() > 400:
            seen.append(stop)
            assert found[use].mean() / truth[use].mean() == pytest.approx(1, abs=0.02), stop
    assert max(seen) - min(seen) >= 12
    dark = inner & green & (truth < 40) & (truth > 10)
    after, before = np.abs(found - truth)[dark], np.abs(mosaics[0].raw - 256.0 - truth)[dark]
    assert np.median(after) < 0.62 * np.median(before)


def test_what_moved_comes_from_one_frame(wall, hands):
    scene = wall(bright=0.06)
    visitors = (((200.0, 240.0, 40.0, 0.01),), ((320.0, 240.0, 40.0, 0.01),), ((440.0, 240.0, 40.0, 0.01),))
    lights, _, found, _ = _merge(scene, hands, ((100.0, 100.0, 30.0, 2.0),), visitors)
    truth = scene.signal(lights[0])
    for x in (200, 320, 440):
        box = (slice(215, 265), slice(x - 25, x + 25))
        level = scene.signal(scene.light(Pose()))[box].mean()
        assert (found - truth)[box].mean() == pytest.approx(0, abs=0.02 * level)


def test_stone_beside_glass_keeps_its_light(wall, hands):
    """Panes at the frame's edge and within, twenty times as bright as the stone about them: no white, no black."""
    scene = wall(gain=0.3, read=0.8, bright=0.08)
    panes = ((60.0, 2.0, 14.0, 3.0), (3.0, 300.0, 14.0, 3.0), (300.0, 200.0, 40.0, 3.0), (620.0, 470.0, 20.0, 3.0))
    lights, mosaics, found, _ = _merge(scene, hands, panes)
    truth = scene.signal(lights[0])
    not_clipped = mosaics[0].raw < 0.65 * (4095 - 256) + 256
    assert np.abs(found / truth - 1)[not_clipped].max() < 0.5
