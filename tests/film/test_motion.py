"""Moves: where frames look, how true the resampling is, and the video levels."""

from __future__ import annotations

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.film.levels import planes_of
from clerestory.film.light import Renderer, prepare
from clerestory.film.model import Shot
from clerestory.film.moves import Framing, eased, path_of

SIZE = (320, 180)


def shown(picture: np.ndarray, framing: Framing, closest: float, renderer: Renderer) -> np.ndarray:
    out = np.empty((SIZE[1], 3 * SIZE[0]), np.float32)
    renderer.linear(prepare(picture, closest, SIZE[0]), framing, out)
    return out.reshape(SIZE[1], SIZE[0], 3)


def test_a_ramp_comes_out_exactly_where_asked() -> None:
    # On a linear ramp the value is the place: the displacement of every pixel can be read off.
    renderer = Renderer(*SIZE, 2)
    width, height = 1600, 700
    ramp = np.zeros((height, width, 3), np.float32)
    ramp[..., 0] = (np.arange(width) + 0.5) / width
    ramp[..., 1] = ((np.arange(height) + 0.5) / height)[:, None]
    for left, top, w in ((100.0, 50.0, 960.0), (333.37, 21.19, 1024.5), (7.1, 3.3, 320.0)):
        framing = Framing(left, top, w, w * 9 / 16)
        seen = shown(ramp, framing, framing.width, renderer)
        x = framing.left + (np.arange(SIZE[0]) + 0.5) / SIZE[0] * framing.width
        y = framing.top + (np.arange(SIZE[1]) + 0.5) / SIZE[1] * framing.height
        scale = framing.width / SIZE[0]
        inner = np.s_[6:-6]
        assert np.abs(seen[90, inner, 0] * width - x[inner]).max() / scale < 0.01
        assert np.abs(seen[inner, 160, 1] * height - y[inner]).max() / scale < 0.01
    renderer.close()


def test_patterns_finer_than_the_frame_do_not_shimmer() -> None:
    # A zone plate under a slow pan: the flicker where it is too fine to show, against crop and bicubic resize.
    renderer = Renderer(*SIZE, 2)
    side, scale = 1600, 4.0
    c = np.arange(side) - side / 2 + 0.5
    stitched = (0.5 + 0.45 * np.cos(np.pi * (0.5 / 800) * (c[:, None] ** 2 + c[None, :] ** 2))).astype(np.float32)
    stitched = np.repeat(stitched[..., None], 3, axis=2)
    ours, bicubic = [], []
    for t in range(16):
        left = 100 + 1.3 * t
        ours.append(shown(stitched, Framing(left, 440, 1280, 720), 1280, renderer)[..., 0])
        crop = stitched[440:1160, int(left) : int(left) + 1280, 0]
        bicubic.append(cv2.resize(crop, SIZE, interpolation=cv2.INTER_CUBIC))
    x = 100 + (np.arange(SIZE[0]) + 0.5) * scale - side / 2
    beyond = np.abs(x) * (0.5 / 800) * scale > 0.6
    flicker = [np.var(frames, axis=0)[:, beyond].mean() for frames in (np.array(ours), np.array(bicubic))]
    assert flicker[0] < 0.1 * flicker[1]
    renderer.close()


shots = st.builds(
    Shot,
    picture=st.just("x"),
    move=st.sampled_from(["hold", "push", "pull", "pan", "tilt"]),
    towards=st.none() | st.tuples(st.floats(0, 1), st.floats(0, 1)),
    amount=st.floats(1, 8),
)


@settings(max_examples=150, deadline=None)
@given(shots, st.integers(200, 8000), st.integers(200, 8000), st.integers(2, 400))
def test_no_move_passes_the_edge_or_outruns_the_pixels(shot: Shot, width: int, height: int, frames: int) -> None:
    path = path_of(shot, (width, height), (1920, 1080), frames)
    fill = min(width, height * 1920 / 1080)
    for frame in range(0, frames, max(1, frames // 20)):
        f = path.at(frame)
        assert f.left >= -1e-6 and f.top >= -1e-6
        assert f.left + f.width <= width + 1e-6 and f.top + f.height <= height + 1e-6
        assert f.width >= min(1920, fill) - 1e-6  # never more than one frame pixel to a picture pixel, if it has them
        assert f.width / f.height == pytest.approx(16 / 9)


def test_easing_starts_and_stops_softly() -> None:
    t = np.linspace(0, 1, 501)
    s = np.array([eased(v) for v in t])
    speed = np.diff(s) * 500
    assert s[0] == 0 and s[-1] == 1
    assert (speed >= 0).all()
    assert speed[0] < 0.05 and speed[-1] < 0.05
    assert np.abs(np.diff(speed)).max() < 0.05  # no jump in speed


# SMPTE RP 219 / ITU-R BT.709: 75 % bars in 8-bit Y, Cb, Cr; from memory.
BARS = {
    (0.75, 0.75, 0.75): (180, 128, 128), (0.75, 0.75, 0): (168, 44, 136), (0, 0.75, 0.75): (145, 147, 44),
    (0, 0.75, 0): (133, 63, 52), (0.75, 0, 0.75): (63, 193, 204), (0.75, 0, 0): (51, 109, 212),
    (0, 0, 0.75): (28, 212, 120),
}  # fmt: skip


def test_levels_are_those_of_the_standard_colour_bars() -> None:
    renderer = Renderer(64, 32, 1)
    frame = av.VideoFrame(64, 32, "yuv420p")
    for code, levels in BARS.items():
        v = np.array(code)
        linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
        renderer.levels(np.tile(linear, (32, 64)).astype(np.float32), frame)
        assert [int(plane[8, 8]) for plane in planes_of(frame)] == pytest.approx(levels, abs=1)
    renderer.close()
