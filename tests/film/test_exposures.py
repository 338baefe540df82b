"""How the light was held: the frames in turn, by their light, in the picture's geometry, and then the picture."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import ndimage

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.rectification import Rectification, project
from clerestory.errors import UserError
from clerestory.film.scenes import Scene
from clerestory.film.stage import spans_of
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.simulate.camera import XYZ_TO_CAMERA
from film.test_straightening import record
from teaching import SIZE, drawn, luminance, plan_of, put, shot_of

CAMERA = Camera.centred(600, 450, 430.0)
TURNED = Rectification(np.radians(6.0), np.radians(-1.0), 1.0, 0.0)
SPOT = (380, 170)  # recorded pixels
TOML = '[[shots]]\nexposures = "nave"\nseconds = 8\n'


def frame(path: Path, level: float, seconds: float) -> None:
    """A raw frame of one grey with a bright spot, as so many seconds of light leave it."""
    y, x = np.mgrid[:450, :600]
    light = np.where(np.hypot(x - SPOT[0], y - SPOT[1]) < 12, 3.0 * level, level)
    light = light + np.random.default_rng(1).normal(0, 0.002, light.shape)
    raw = np.round(256 + np.clip(light, 0, 1) * 3839).astype(np.uint16)
    time = datetime(2027, 4, 20, 12, 0, 0)
    about = DngMeta(
        "Maker", "Body", "1", "Lens", time, seconds, 4.0, 400.0, 12.0, 24.0, 256, 4095, XYZ_TO_CAMERA,
        (1.0, 1.0, 1.0), (17.3, 13.0),
    )  # fmt: skip
    path.parent.mkdir(exist_ok=True)
    write_dng(path, raw, about)


def make(visit: Path, toml: str = TOML) -> Scene:
    names = ["a.dng", "b.dng", "c.dng"]
    for name, level, seconds in zip(names, (0.1, 0.05, 0.2), (1 / 30, 1 / 60, 1 / 15), strict=True):
        frame(visit / "frames" / name, level, seconds)
    put(visit, "nave", np.full((450, 600, 3), 0.9))
    record(visit, "nave", CAMERA, TURNED, kind="bracket", frames=names, tone={"exposure": 1.0})
    return shot_of(plan_of(visit, toml))


def test_frames_come_by_their_light_in_the_pictures_geometry_and_the_picture_is_last(tmp_path: Path) -> None:
    scene = make(tmp_path)
    showing = scene.showing
    labels = ["1/60 s · f/4 · ISO 400 · -1 stop", "1/30 s · f/4 · ISO 400", "1/15 s · f/4 · ISO 400 · +1 stop"]
    assert [exposure.label for exposure in showing.frames] == labels
    starts = [begin for begin, _ in showing.word_frames()]
    seen = drawn(scene, [start + 2 for start in starts], letters=False)
    grounds = [float(np.median(luma)) for luma in seen]
    assert grounds == sorted(grounds) and grounds[0] > 0.1
    linear = luminance(np.array(grounds[:3]))  # shown a stop apart, as they were exposed
    assert np.diff(np.log2(linear)) == pytest.approx([1, 1], abs=0.1)
    crop = largest_crop(CAMERA, TURNED, CAMERA.width / CAMERA.height)
    on_plane = project(TURNED.homography(CAMERA), np.array([SPOT], float))[0]
    k, cut = crop.width / 600, showing.cut
    scale = SIZE[0] / (cut.width * k)
    expected = (on_plane - [crop.left + cut.left * k, crop.top + cut.top * k]) * scale - 0.5
    for luma, ground in zip(seen[:3], grounds, strict=False):
        found = ndimage.center_of_mass(np.clip(luma - ground - 0.05, 0, 1))
        assert np.abs(np.array(found)[::-1] - expected).max() < 1
    assert np.abs(seen[3] - 0.9).max() < 0.01
    assert [span.what for span in spans_of(scene) if span.what == "step"] == ["step"] * 4


def test_a_picture_of_one_frame_or_with_a_frame_missing_is_named(tmp_path: Path) -> None:
    make(tmp_path)
    (tmp_path / "frames" / "b.dng").unlink()
    with pytest.raises(
        UserError, match=r"shot 1 \(nave\), line 2: the frames of nave cannot be shown: its frame b.dng"
    ):
        plan_of(tmp_path, TOML)
    record(tmp_path, "nave", CAMERA, TURNED, frames=["a.dng"])
    with pytest.raises(UserError, match="cannot be shown: it was made from one frame"):
        plan_of(tmp_path, TOML)


def test_the_merge_is_shown_pixel_for_pixel_beside_one_frame_of_the_same_brightness(tmp_path: Path) -> None:
    visit, size = tmp_path, (640, 360)
    make(visit)
    rng = np.random.default_rng(2)
    picture = np.repeat(0.5 + 0.2 * cv2.GaussianBlur(rng.random((450, 600)), (0, 0), 3)[..., None], 3, axis=2)
    put(visit, "nave", picture)
    record(visit, "nave", CAMERA, TURNED, kind="burst", frames=["a.dng", "b.dng"])
    plan = plan_of(visit, '[[shots]]\nmerge = "nave"\nseconds = 8\nregion = [0.2, 0.55, 0.4, 0.75]\n', size)
    scene = shot_of(plan)
    x, y, w, h = scene.showing.place
    (luma,) = drawn(scene, [scene.frames - scene.tail - 2], size, letters=False)
    top, left = (360 - h) // 2, 320 + round(0.02 * 640) // 2
    ours = luma[top : top + h - 60, left : left + w]
    assert np.abs(ours - picture[y : y + h - 60, x : x + w, 0]).max() < 0.01  # 100 %: pixel for pixel
    frame = luma[top : top + h - 60, left - round(0.02 * 640) - w : left - round(0.02 * 640)]
    assert frame.mean() == pytest.approx(ours.mean(), abs=0.02)
    record(visit, "nave", CAMERA, TURNED, frames=["a.dng"])
    with pytest.raises(UserError, match="line 2: the merge of nave cannot be shown: it was made from one frame"):
        plan_of(visit, '[[shots]]\nmerge = "nave"\n', size)
