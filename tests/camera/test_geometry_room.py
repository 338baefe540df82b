"""The room left in a straightened frame, checked by counting the frame's own pixels."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.camera.camera import Camera
from clerestory.camera.crop import enlargement_map, frame_boundary, largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.rectification import Rectification, project

FULL = Camera.of(5248, 3936, 12.0, 17.3)
SMALL = FULL.scaled(1 / 8)
BARREL = Distortion((1.0, -0.05, 0.01, 0.0))


def counted(camera, rectification, room):
    """Share of a frame's pixels whose centres land in a room, each sent forward on its own."""
    y, x = np.mgrid[0 : camera.height, 0 : camera.width]
    points = np.stack([x, y], axis=-1).astype(float)
    points = camera.ideal(points)
    h = rectification.homography(camera)
    ahead = points @ h[2, :2] + h[2, 2] > 0
    at = project(h, points)
    inside = (at > [room.left, room.top]) & (at < [room.left + room.width, room.top + room.height])
    return np.count_nonzero(inside.all(axis=-1) & ahead) / ahead.size


degrees = st.floats
poses = st.builds(
    lambda p, r, plumb, turn: Rectification(math.radians(p), math.radians(r), plumb, math.radians(turn)),
    degrees(-25, 40),
    degrees(-5, 5),
    st.sampled_from([1.0, 0.7, 0.0]),
    degrees(-8, 8),
)


@settings(max_examples=80, deadline=None, derandomize=True)
@given(poses, degrees(16, 60), st.sampled_from([4 / 3, 3 / 2, 16 / 9, 1.0, None]), st.sampled_from([None, BARREL]))
def test_loss_foretold_is_the_loss_counted(rectification, equivalent, aspect, distortion):
    camera = Camera.of(432, 324, equivalent / 2, 17.3, distortion)
    room = largest_crop(camera, rectification, aspect)
    assert room.kept == pytest.approx(counted(camera, rectification, room), abs=0.005)
    assert room.kept + sum(room.lost.values()) == pytest.approx(1, abs=1e-9)
    assert min(room.lost.values()) > -1e-3
    if aspect:
        assert room.width / room.height == pytest.approx(aspect, rel=1e-9)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(poses, degrees(16, 60), st.sampled_from([None, BARREL]))
def test_nothing_outside_the_frame_is_shown(rectification, equivalent, distortion):
    camera = Camera.of(648, 486, equivalent / 2, 17.3, distortion)
    room = largest_crop(camera, rectification, 4 / 3)
    # Every pixel centre of the finished picture, at the room's own resolution, comes from inside the pixels' edges.
    x = room.left + 0.5 + np.arange(int(room.width))
    y = room.top + 0.5 + np.arange(int(room.height))
    edge = np.concatenate([np.stack(np.broadcast_arrays(x, v), -1) for v in (y[0], y[-1])])
    side = np.concatenate([np.stack(np.broadcast_arrays(v, y), -1) for v in (x[0], x[-1])])
    back = camera.recorded(project(np.linalg.inv(rectification.homography(camera)), np.concatenate([edge, side])))
    assert back.min() > -0.5
    assert (back < [camera.width - 0.5, camera.height - 0.5]).all()


def test_no_tilt_keeps_everything():
    room = largest_crop(FULL, Rectification(), 4 / 3)
    assert room.kept == pytest.approx(1, abs=1e-9)
    assert (room.left, room.top, room.width, room.height) == pytest.approx((-0.5, -0.5, 5248, 3936), abs=1e-6)
    assert largest_crop(FULL, Rectification()).kept == pytest.approx(1, abs=1e-6)


def test_other_shapes_by_arithmetic():
    # 4:3 cut to 16:9 keeps (9/16) / (3/4) = 3/4 of its height; to 1:1 keeps 3/4 of its width.
    assert largest_crop(FULL, Rectification(), 16 / 9).kept == pytest.approx(0.75, abs=1e-9)
    assert largest_crop(FULL, Rectification(), 1.0).kept == pytest.approx(0.75, abs=1e-9)
    low = largest_crop(FULL, Rectification(), 16 / 9, keep=(2591.5, 3800.0))
    assert low.lost["bottom"] == pytest.approx(0.0, abs=0.01)
    assert low.kept == pytest.approx(0.75, abs=0.01)


def test_pure_roll_matches_the_textbook_rectangle():
    """A w x h shape inside w x h turned by a is smaller by h / (w sin a + h cos a) (plane geometry)."""
    for angle in (0.5, 2.0, 7.0):
        room = largest_crop(FULL, Rectification(roll=math.radians(angle)), 4 / 3)
        a = math.radians(angle)
        assert room.height / 3936 == pytest.approx(1 / (4 / 3 * math.sin(a) + math.cos(a)), rel=0.006)


def test_no_room_beats_it_by_chance():
    """Brute force against OpenCV's own point-in-polygon distance: no random rectangle keeps 1 % more."""
    s = Rectification(math.radians(17), math.radians(2))
    room = largest_crop(SMALL, s, 4 / 3)
    outline = frame_boundary(SMALL, s.homography(SMALL)).astype(np.float32)
    back = np.linalg.inv(s.homography(SMALL))
    rng = np.random.default_rng(5)
    best = 0.0
    signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
    for _ in range(6000):
        x, y = np.array(room.centre) + rng.uniform(-0.2, 0.2, 2) * room.height
        half = rng.uniform(0.85, 1.15) * room.height / 2
        corners = [x, y] + signs * [half * 4 / 3, half]
        if all(cv2.pointPolygonTest(outline, (float(a), float(b)), False) >= 0 for a, b in corners):
            best = max(best, cv2.contourArea(project(back, corners).astype(np.float32)))
    assert 0.9 < best / (SMALL.width * SMALL.height) / room.kept < 1.012


def test_enlargement_is_what_neighbouring_pixels_do():
    s = Rectification(math.radians(15), math.radians(-2))
    bent = replace(FULL, distortion=BARREL)
    room = largest_crop(bent, s, 4 / 3)
    grid = enlargement_map(bent, s, room, (2, 3))
    assert grid[0].min() > 1.1 > grid[1].max()
    h = s.homography(FULL)
    corner = bent.recorded(project(np.linalg.inv(h), room.corners[:1]))[0]
    square = corner + np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    area = cv2.contourArea((project(h, bent.ideal(square)) - room.corners[0]).astype(np.float32))
    assert grid[0, 0] == pytest.approx(math.sqrt(area), rel=0.01)


def test_looking_straight_up_stays_finite():
    for pitch in (60, 89, 90):
        room = largest_crop(FULL, Rectification(math.radians(pitch)), 4 / 3)
        assert 0 < room.kept < 0.5
        assert np.isfinite(room.corners).all()


@given(pitch=st.floats(-30, 30), size=st.floats(0.1, 0.99), x=st.floats(0, 1), y=st.floats(0, 1))
@settings(max_examples=25, deadline=None)
def test_a_tighter_room_has_the_size_asked_for_inside_the_frame_and_near_the_centre(
    pitch: float, size: float, x: float, y: float
) -> None:
    camera, rectification = FULL, Rectification(math.radians(pitch), 0.02)
    keep = (x * (camera.width - 1), y * (camera.height - 1))
    whole, tight = (largest_crop(camera, rectification, 1.5, keep, s) for s in (1.0, size))
    assert tight.width == pytest.approx(size * whole.width, rel=1e-6)
    assert tight.kept + sum(tight.lost.values()) == pytest.approx(1, abs=1e-9)
    assert min(tight.lost.values()) >= -1e-6, "nothing beyond the frame"
    wanted = project(rectification.homography(camera), np.array(keep))
    assert math.dist(tight.centre, wanted) <= math.dist(whole.centre, wanted) + 1e-6
