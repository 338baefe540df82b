"""The one resampling against analytic pictures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop, largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.rectification import Rectification, project
from clerestory.finish.resample import resample, source_positions

CAMERA = Camera.of(640, 480, 12, 17.3)


def smooth(points: np.ndarray) -> np.ndarray:
    """A smooth picture whose value is known everywhere."""
    x, y = points[..., 0], points[..., 1]
    return 0.5 + 0.2 * np.sin(x / 21) * np.cos(y / 17) + 0.2 * np.cos((x + y) / 29)


def test_whole_frame_unchanged_when_nothing_is_asked() -> None:
    rgb = np.random.default_rng(1).random((480, 640, 3)).astype(np.float32)
    room = largest_crop(CAMERA, Rectification(plumb=0), 640 / 480)
    assert room.kept == 1
    out = resample(rgb, CAMERA, np.eye(3), room, (640, 480))
    assert np.abs(out - rgb).max() < 1e-5


@settings(max_examples=25, deadline=None)
@given(
    pitch=st.floats(-5, 25),
    roll=st.floats(-4, 4),
    k1=st.floats(-0.08, 0.04),
    aspect=st.sampled_from([4 / 3, 16 / 9, 1.0]),
)
def test_geometry_is_applied_exactly_once(pitch: float, roll: float, k1: float, aspect: float) -> None:
    """Lens and straightening together put every scene point where the two models say, within bicubic's own error."""
    camera = replace(CAMERA, distortion=Distortion(radial=(1 - k1, k1, 0.0, 0.0)))
    turn = Rectification(math.radians(pitch), math.radians(roll))
    h = turn.homography(camera)
    yy, xx = np.mgrid[:480, :640].astype(float)
    # The recorded frame shows, at each recorded pixel, the upright scene's value there.
    upright = project(h, camera.ideal(np.stack([xx, yy], axis=-1)))
    frame = np.repeat(smooth(upright)[..., None], 3, axis=2).astype(np.float32)
    room = largest_crop(camera, turn, aspect)
    size = (math.floor(room.width), math.floor(room.height))
    out = resample(frame, camera, h, room, size)
    step = room.width / size[0]
    u, v = np.meshgrid(room.left + (np.arange(size[0]) + 0.5) * step, room.top + (np.arange(size[1]) + 0.5) * step)
    error = np.abs(out[..., 0] - smooth(np.stack([u, v], axis=-1)))
    assert error[2:-2, 2:-2].max() < 0.01
    xs, ys = source_positions(camera, h, room, size)
    assert xs.min() > -0.6 and ys.min() > -0.6 and xs.max() < 639.6 and ys.max() < 479.6


def test_small_pictures_are_averaged_not_skipped() -> None:
    """A one-pixel checker shrunk four times must come out grey: no moire from dropped pixels."""
    yy, xx = np.mgrid[:480, :640]
    checker = np.repeat(((xx + yy) % 2)[..., None], 3, axis=2).astype(np.float32)
    out = resample(checker, CAMERA, np.eye(3), Crop(-0.5, -0.5, 640, 480, 1.0), (160, 120))
    assert np.abs(out[4:-4, 4:-4] - 0.5).max() < 0.02
