"""Hot pixels, row pattern and what has clipped."""

from __future__ import annotations

import numpy as np

from clerestory.develop import defects
from clerestory.raw.clipping import clipping_of
from light_frames import exposed, model, mosaic, signal, wall

NOISE = model(800)
RAW = exposed(signal(wall()), NOISE)


def test_hot_and_dead_pixels_go_and_nothing_else() -> None:
    rng = np.random.default_rng(2)
    places = np.unique(rng.integers(8, 370, (150, 2)), axis=0)
    raw = RAW.copy()
    raw[places[:, 0], places[:, 1]] = 4000
    found = {tuple(p) for p in defects.find_defects(mosaic(raw), NOISE)}
    wanted = {tuple(p) for p in places}
    assert len(found & wanted) > 0.9 * len(wanted)
    assert len(found - wanted) <= 3
    given = mosaic(raw)
    mended = defects.correct_defects(given, NOISE)
    assert given.raw is raw and raw[tuple(places[0])] == 4000
    off = np.abs(mended.raw.astype(float) - RAW)[places[:, 0], places[:, 1]]
    assert np.median(off) < 60


def test_a_real_point_of_light_stays() -> None:
    """A candle far away, blurred by the lens, is not a hot pixel."""
    rgb = wall()
    y, x = np.mgrid[:384, :512]
    for cy, cx in ((100, 400), (201, 333), (300, 450), (150, 391)):
        rgb += (0.5 * np.exp(-((y - cy) ** 2 + (x - cx) ** 2) / (2 * 0.6**2)))[..., None].astype(np.float32)
    found = defects.find_defects(mosaic(exposed(signal(rgb), NOISE)), NOISE)
    assert len(found) <= 2


def test_row_pattern_is_halved_and_masonry_left_alone() -> None:
    noise = model(3200)
    light = signal(wall(768, 1024) * np.float32(0.1))
    rows = np.random.default_rng(3).normal(0, 0.6 * noise.read[0], 768)
    raw = np.rint(exposed(light, noise) + rows[:, None]).astype(np.uint16)
    left = rows - defects.row_pattern(mosaic(raw), noise)
    assert left.std() < 0.75 * rows.std()
    columns = defects.column_pattern(mosaic(np.ascontiguousarray(raw.T)), noise)
    assert (rows - columns).std() < 0.75 * rows.std()
    assert np.abs(defects.row_pattern(mosaic(RAW), NOISE)).max() < NOISE.read[0]


def test_clipping_tells_channels_apart() -> None:
    raw = np.full((100, 100), 1000, np.uint16)
    raw[:20, :][1::2, ::2] = 4095  # green beside blue: one channel of the group
    raw[20:30] = 4095
    found = clipping_of(mosaic(raw))
    assert (found.one, found.two, found.all) == (0.2, 0.0, 0.1)
    assert found.largest == 0.1
    assert "10.0%" in found.message
    assert clipping_of(mosaic(RAW)).message == ""


def test_frame_smaller_than_what_pattern_is_looked_for_in_passes_as_it_is() -> None:
    for size in ((2, 2), (8, 10), (14, 12)):
        tiny = mosaic(np.full(size, 900, np.uint16))
        assert np.array_equal(defects.correct_defects(tiny, model(3200)).raw, tiny.raw)
