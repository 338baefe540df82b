"""Frames laid on one another: a tenth of a pixel, through noise and shake; refusal of what does not belong."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.registration import phase_cross_correlation

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose, vector_of
from clerestory.merge.align import align, guide_of, matches
from clerestory.merge.burst import checked
from clerestory.merge.result import Refused


def _grid(camera: Camera, margin: int):
    w, h = camera.width, camera.height
    y, x = np.mgrid[margin : h - margin : 13, margin : w - margin : 13]
    return np.stack([x.ravel(), y.ravel()], axis=-1).astype(float)


def _true(camera: Camera, pose: Pose, points):
    return camera.project(camera.unproject(points) @ (pose.rotation @ Pose().rotation.T).T)


@pytest.mark.parametrize(("gain", "read"), [(0.3, 0.8), (4.8, 8.2)])  # about ISO 400 and 6400 of a small sensor
def test_a_tenth_of_a_pixel(wall, hands, gain, read):
    scene = wall(gain=gain, read=read)
    pose = hands(3, 0.05)
    first = guide_of(scene.mosaic(scene.light(Pose()), 1), scene.noise)
    other = guide_of(scene.mosaic(scene.light(pose), 2), scene.noise)
    motion = align(first, other, scene.camera)
    points = _grid(scene.camera, 60)
    error = np.linalg.norm(motion.at(points) - _true(scene.camera, pose, points), axis=1)
    assert np.median(error) < 0.1
    assert np.percentile(error, 95) < 0.25


def test_frames_turned_far_are_laid_without_bias(wall):
    """Turned frames lie bent on one another: the middle of a tile is not where the mean of its places is."""
    scene, pose = wall(gain=0.3, read=0.8), Pose(0.22, 0.05, 0.0)
    first, other = (guide_of(scene.mosaic(scene.light(p), k), scene.noise) for k, p in enumerate((Pose(), pose)))
    turn = pose.rotation @ Pose().rotation.T
    here, there = matches(first, other, scene.camera, turn)
    off = there - _true(scene.camera, pose, here)
    assert len(off) > 40 and np.abs(np.median(off, axis=0)).max() < 0.03
    off = align(first, other, scene.camera, local=False).rotation @ turn.T
    assert np.linalg.norm(vector_of(off)) * scene.camera.focal < 0.03


def test_agrees_with_scikit_image_on_a_plain_shift(wall):
    """Reference: skimage's phase correlation refined by an upsampled transform (Guizar-Sicairos and others 2008)."""
    scene = wall()
    a = scene.mosaic(scene.light(Pose()), 1)
    b = scene.mosaic(scene.light(Pose(yaw=0.004, pitch=-0.006)), 2)
    motion = align(guide_of(a, scene.noise), guide_of(b, scene.noise), scene.camera)
    window = np.outer(np.hanning(240), np.hanning(320))
    planes = [(m.plane(0, 1).astype(float) - m.plane(0, 1).mean()) * window for m in (a, b)]
    shift, *_ = phase_cross_correlation(*planes, upsample_factor=50)
    middle = motion.at(np.array([[319.5, 239.5]]))[0] - [319.5, 239.5]
    assert middle == pytest.approx([-2 * shift[1], -2 * shift[0]], abs=0.15)


def test_parallax_is_followed(wall):
    """The lower half, nearer, shifts by three pixels more."""
    scene = wall()
    light = scene.light(Pose())
    moved = light.copy()
    moved[240:, 3:] = light[240:, :-3]
    motion = align(guide_of(scene.mosaic(light, 1), scene.noise), guide_of(scene.mosaic(moved, 2), scene.noise),
                   scene.camera)  # fmt: skip
    y, x = np.mgrid[60:420:20, 60:580:20]
    points = np.stack([x.ravel(), y.ravel()], axis=-1).astype(float)
    points = points[np.abs(points[:, 1] - 240) > 60]
    error = motion.at(points) - points - np.where(points[:, 1:] > 240, [3.0, 0.0], [0.0, 0.0])
    assert np.median(np.abs(error)) < 0.1
    assert np.percentile(np.linalg.norm(error, axis=1), 90) < 0.4


def test_a_light_that_falls_off_otherwise_does_not_shift_smooth_stone(wall):
    """A round pier of plain stone; a lens whose unknown fall-off darkens it where it lies further out."""
    scene = wall(gain=0.3, read=0.8, width=960, height=720)
    x = np.linspace(-1, 1, 960)
    pier = 0.35 + 0.3 * np.sqrt(np.maximum(1 - (x / 0.7) ** 2, 0))
    light = np.where(np.abs(x) < 0.6, 0.2 + 0.03 * scene.light(Pose()), scene.light(Pose())) * pier
    first, other = scene.mosaic(light, 1), scene.mosaic(light * (1 - 0.03 * (1 + x) ** 2 / 4), 2)
    motion = align(guide_of(first, scene.noise), guide_of(other, scene.noise), scene.camera)
    points = _grid(scene.camera, 60)
    error = np.linalg.norm(motion.at(points) - points, axis=1)
    assert np.median(error) < 0.1
    assert np.percentile(error, 95) < 0.3


def test_what_shows_something_else_is_refused(wall):
    one, two = wall(seed=1), wall(seed=2)
    a = guide_of(one.mosaic(one.light(Pose()), 1), one.noise)
    b = guide_of(two.mosaic(two.light(Pose()), 2), one.noise)
    with pytest.raises(Refused, match=r"detail|common|reference"):
        checked(align(a, b, one.camera))
