"""Where a picture was taken: the cone drawn agrees with the camera model, and a missing plan is only a word."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.camera.rectification import Rectification, project
from clerestory.errors import UserError
from clerestory.film.scenes import Scene
from film.test_straightening import record
from teaching import drawn, plan_of, put, shot_of

CAMERA = Camera.centred(1200, 900, 760.0, Distortion((1.0, -0.05, 0.008, 0.0)))
SIZE = (1280, 720)
TOML = '[[shots]]\nstandpoint = "arcade"\nstation = "south arcade"\nseconds = 5\n[[shots]]\npicture = "arcade"\n'


def visit_at(folder: Path, turned: Rectification) -> None:
    """A visit planned as the program's own example, with one picture of its view of the north arcade."""
    text = files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")
    (folder / "visit.toml").write_text(text, encoding="utf-8")
    (folder / "about.toml").write_text('[views.arcade]\nplanned = "sun on the north arcade"\n', encoding="utf-8")
    put(folder, "arcade", np.full((450, 600, 3), 0.3))
    record(folder, "arcade", CAMERA, turned)


def yaws_by_camera(turned: Rectification) -> np.ndarray:
    """Yaw of the picture's left edge and right edge from its middle: picture to frame to rays, the way light came."""
    crop = largest_crop(CAMERA, turned, CAMERA.width / CAMERA.height)
    row = crop.top + crop.height / 2
    plane = np.array([[crop.left + share * crop.width, row] for share in (0, 0.5, 1)])
    recorded = CAMERA.recorded(project(np.linalg.inv(turned.homography(CAMERA)), plane))
    rays = CAMERA.unproject(recorded) @ Pose(0.0, turned.pitch, turned.roll).rotation
    yaws = np.arctan2(rays[:, 0], rays[:, 1])
    return yaws - yaws[1]


def off_line(luma: np.ndarray, point: np.ndarray, normal: np.ndarray) -> float:
    """Pixels from a point to the middle of the pale line near it, along a unit normal."""
    steps = np.arange(-6, 6.01, 0.25)
    places = point[:, None] + normal[:, None] * steps
    values = ndimage.map_coordinates(luma, places[::-1] - 0.5, order=1)
    weight = np.clip(values - 0.6, 0, 1)
    assert weight.max() > 0.2
    return float((weight * steps).sum() / weight.sum())


@pytest.mark.parametrize(
    "turned",
    [
        Rectification(np.radians(8.0), np.radians(-1.0), 1.0, np.radians(3.0)),
        Rectification(np.radians(-4.0), np.radians(0.7), 0.8, 0.0),
        Rectification(np.radians(5.0), np.radians(0.5), 0.0, 0.0),
    ],
)
def test_the_cones_edges_agree_with_the_camera_model_to_a_pixel(tmp_path: Path, turned: Rectification) -> None:
    visit_at(tmp_path, turned)
    scene = shot_of(plan_of(tmp_path, TOML, SIZE))
    place = np.array([5.5, 24.0])  # the south arcade's station; the view's centre lies at (-6.5, 24): yaw -90°
    (luma,) = drawn(scene, [40], SIZE, letters=False)
    left, _, right = yaws_by_camera(turned)
    assert math.degrees(right - left) > 40
    for yaw in (-math.pi / 2 + left, -math.pi / 2 + right):
        along = np.array([math.sin(yaw), math.cos(yaw)])
        points = scene.showing.drawn_at(np.array([place + d * along for d in (3.0, 6.0, 9.0)])) * SIZE[0] / 960
        way = points[-1] - points[0]
        normal = np.array([-way[1], way[0]]) / np.hypot(*way)
        assert max(abs(off_line(luma, point, normal)) for point in points) < 1


def test_sunlight_on_the_floor_is_drawn_in_its_place_and_its_hour_said(tmp_path: Path) -> None:
    visit_at(tmp_path, Rectification(0.1, 0.0, 1.0))
    scene = shot_of(plan_of(tmp_path, TOML, SIZE))
    assert scene.showing.sun == ()  # the picture does not say when it was taken
    assert scene.showing.words()[0][0] == "Standing point: south arcade"
    assert len(scene.showing.rooms) > 1 and len(scene.showing.windows) > 2
    wide = replace(scene.showing, left=-3.0, right=0.1)  # corners of rooms are reached, not cut off
    cone = np.array(wide.cone())
    assert min(np.hypot(*(cone - corner).T).min() for corner in np.array(wide.rooms[0])) < 1e-6
    lit = replace(scene.showing, sun=(((0.0, 20.0), (2.0, 20.0), (2.0, 22.0), (0.0, 22.0)),), clock="14:20")
    assert lit.words()[0][1].endswith("sun at 14:20")
    before, after = (drawn(replace(scene, showing=s), [40], SIZE, letters=False)[0] for s in (scene.showing, lit))
    x, y = lit.drawn_at(np.array([1.0, 21.0])) * SIZE[0] / 960
    assert (after - before)[round(y), round(x)] > 0.1


def test_without_a_plan_the_shot_is_left_out_with_a_word_and_its_words_are_still_said(tmp_path: Path) -> None:
    visit_at(tmp_path, Rectification(0.1, 0.0, 1.0))
    (tmp_path / "visit.toml").unlink()
    plan = plan_of(tmp_path, TOML, SIZE)
    assert [scene.number for scene in plan.scenes if scene.number] == [2]
    assert "shot 1 (arcade): left out, for there is no plan (visit.toml)." in plan.notes

    def said(toml: str) -> Scene:
        return shot_of(plan_of(tmp_path, toml.replace("seconds = 5", 'words = "Here one stands."'), SIZE))

    assert said(TOML).showing is None and said(TOML).speech
    with pytest.raises(UserError, match=r"is one kind of shot; remove straightening or standpoint"):
        plan_of(tmp_path, TOML.replace("seconds = 5", 'straightening = "arcade"'), SIZE)
