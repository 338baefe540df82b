"""Moves: where frames look, how true the resampling is, and the video levels."""

from __future__ import annotations

import av
import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.film.levels import planes_of
from clerestory.film.light import Renderer, Source, prepare
from clerestory.film.model import Shot
from clerestory.film.moves import Framing, eased, path_of
from clerestory.film.planes import PictureLevels, drawings_of
from clerestory.film.taps import Room
from clerestory.raw.srgb import linear

SIZE = (320, 180)


def shown(picture: np.ndarray, framing: Framing, closest: float, renderer: Renderer) -> np.ndarray:
    return _seen(prepare(picture, closest, SIZE[0]), framing, renderer)


def _seen(source: Source | PictureLevels, framing: Framing, renderer: Renderer) -> np.ndarray:
    out = np.empty((SIZE[1], 3 * SIZE[0]), np.float32)
    renderer.linear(source, framing, out)
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


MOVES = {
    "push": (Framing(100.0, 50.0, 960.0, 540.0), Framing(333.37, 21.19, 824.5, 824.5 * 9 / 16)),
    "tilt": (Framing(7.3, 3.0, 960.0, 540.0), Framing(7.3, 120.25, 960.0, 540.0)),
    "pan": (Framing(3.0, 31.7, 960.0, 540.0), Framing(533.3, 31.7, 960.0, 540.0)),
}


@pytest.mark.parametrize("move", MOVES)
def test_luma_and_chroma_of_a_move_lie_where_asked(move: str) -> None:
    # Ramps of levels: the value is the place, as far as the curve's polynomial goes (0.003 of a level).
    # Chroma lies on every second luma pixel of a row, between two rows (H.264).
    renderer, (width, height) = Renderer(*SIZE, 2), (1600, 701)
    x, y = (np.arange(width) + 0.5) / width, (np.arange(height) + 0.5) / height
    blue, red = np.broadcast_to(0.1 * x, (height, width)), np.broadcast_to(0.1 * y[:, None], (height, width))
    grey = 0.3 + 0.1 * x[None, :] + 0.2 * y[:, None]
    r, b = grey + red, grey + blue
    code = np.stack([r, (grey - 0.2126 * r - 0.0722 * b) / 0.7152, b], axis=-1)
    planes = renderer.settled(linear(code).astype(np.float32), *MOVES[move])
    for framing in (MOVES[move][0], MOVES[move][0].moved(MOVES[move][1], 0.377), MOVES[move][1]):
        drawings = drawings_of(planes, framing, SIZE, (0.0, 0.0, 0.0))
        luma, u, v = (drawing.floats(Room()).astype(np.float64) for drawing in drawings)
        step = framing.width / SIZE[0]
        place = framing.left + (np.arange(SIZE[0]) + 0.5) * step, framing.top + (np.arange(SIZE[1]) + 0.5) * step
        inner = np.s_[6:-6, 6:-6]
        wanted = 0.3 + 0.1 * place[0][None, :] / width + 0.2 * place[1][:, None] / height
        assert np.abs((luma - 16) / 219 - wanted)[inner].max() < 0.05 * 0.2 * step / height
        shift = (u - 128) / (224 / 1.8556) * 10 * width - place[0][::2]
        assert np.abs(shift)[inner].max() < 0.2 * step
        shift = (v - 128) / (224 / 1.5748) * 10 * height - (place[1][::2] + step / 2)[:, None]
        assert np.abs(shift)[inner].max() < 0.2 * step
    renderer.close()


@pytest.mark.parametrize("move", MOVES)
def test_a_dissolve_begins_with_the_frame_that_the_move_had_come_to(move: str) -> None:
    # A joint is mixed in linear light: of a moving picture, its video undone, so that nothing changes abruptly.
    rng, renderer = np.random.default_rng(4), Renderer(*SIZE, 2)
    picture = cv2.resize(
        rng.random((90, 200, 3)).astype(np.float32) ** 3, (1600, 700), interpolation=cv2.INTER_LINEAR
    )
    planes, at = renderer.settled(picture, *MOVES[move]), MOVES[move][0].moved(MOVES[move][1], 0.5)
    shown, mixed = av.VideoFrame(*SIZE, "yuv420p"), av.VideoFrame(*SIZE, "yuv420p")
    renderer.video(planes, at, shown)
    light = np.empty((SIZE[1], 3 * SIZE[0]), np.float32)
    renderer.linear(planes, at, light)
    renderer.levels(light, mixed)
    for (a, b), most in zip(zip(planes_of(shown), planes_of(mixed), strict=True), (1, 6, 6), strict=True):
        assert np.percentile(np.abs(a.astype(int) - b), 99.5) <= most, most
    renderer.close()


def test_patterns_finer_than_the_frame_do_not_shimmer() -> None:
    # A zone plate under a slow pan: the flicker where it is too fine to show, against crop and bicubic resize.
    renderer = Renderer(*SIZE, 2)
    side, scale = 1600, 4.0
    c = np.arange(side) - side / 2 + 0.5
    stitched = (0.5 + 0.45 * np.cos(np.pi * (0.5 / 800) * (c[:, None] ** 2 + c[None, :] ** 2))).astype(np.float32)
    stitched = np.repeat(stitched[..., None], 3, axis=2)
    ours, bicubic = [], []
    source = renderer.settled(stitched, Framing(100, 440, 1280, 720), Framing(120, 440, 1280, 720))
    for t in range(16):
        left = 100 + 1.3 * t
        ours.append(_seen(source, Framing(left, 440, 1280, 720), renderer)[..., 1])
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
