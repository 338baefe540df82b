"""How it was made upright: what is drawn agrees with the camera model, begins as held and ends on the picture."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy import ndimage

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.rectification import Rectification
from clerestory.errors import UserError
from clerestory.film.scenes import Scene
from clerestory.film.straightening import CLOSE, TURN
from clerestory.finish.job import camera_facts
from teaching import SIZE, drawn, plan_of, put, shot_of

CAMERA = Camera.centred(1200, 900, 900.0, Distortion((1.0, -0.04, 0.006, 0.0)))
TURN_OF = Rectification(np.radians(9.0), np.radians(1.5), 1.0, np.radians(-2.0))


def record(visit: Path, view: str, camera: Camera, turned: Rectification, **more: object) -> None:
    """The account that finishing keeps of a view."""
    crop = largest_crop(camera, turned, camera.width / camera.height)
    room = [crop.left, crop.top, crop.width, crop.height]
    account = {
        "kind": "single", "pick": "a.dng", "frames": ["a.dng"], "camera": camera_facts(camera),
        "lean_before": {"pitch": np.degrees(turned.pitch), "roll": np.degrees(turned.roll)}, "plumb": turned.plumb,
        "swing": np.degrees(turned.swing), "aspects": {"own": {"room": room, "kept": crop.kept}},
        "multipliers": [1, 1, 1], "tone": {"exposure": 0.0}, **more,
    }  # fmt: skip
    path = visit / ".clerestory" / "accounts" / f"{view}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(account), encoding="utf-8")


def marks() -> np.ndarray:
    """A dark frame as held with a bright dot near each corner, where the camera recorded it: 600 x 450 pixels."""
    y, x = np.mgrid[:450, :600] + 0.5
    out = np.full((450, 600), 0.3)
    for u, v in PLACES:
        far = np.hypot(x - (u + 0.5) / 2, y - (v + 0.5) / 2)
        out = np.maximum(out, 0.3 + 0.7 * np.clip(6 - far, 0, 1))
    return np.repeat(out[..., None], 3, axis=2)


PLACES = np.array([[60, 60], [1140, 60], [1140, 840], [60, 840]], float)  # recorded pixels


def make(visit: Path, toml: str = "") -> Scene:
    put(visit, "nave", np.full((450, 600, 3), 0.1))
    put(visit, "before/nave", marks())
    record(visit, "nave", CAMERA, TURN_OF)
    plan = plan_of(visit, f'[[shots]]\nstraightening = "nave"\nseconds = 8\nsettings = false\n{toml}')
    scene = shot_of(plan)
    assert scene.showing
    return scene


def by_model(places: np.ndarray, share: float) -> np.ndarray:
    """Picture-plane pixels of recorded ones when a share of the rotation is done, by the camera model alone."""
    vector, _ = cv2.Rodrigues(TURN_OF.rotation)
    part, _ = cv2.Rodrigues(share * vector)
    rays = CAMERA.unproject(places) @ part.T
    return rays[:, :2] / rays[:, 2:] * CAMERA.focal + [CAMERA.cx, CAMERA.cy]


def test_the_frame_drawn_agrees_with_the_camera_model_to_a_pixel_at_every_stage(tmp_path: Path) -> None:
    scene = make(tmp_path)
    showing = scene.showing
    span = showing.end - showing.begin
    frames = [showing.begin + round(share * span) for share in (0.02, 0.25, 0.31, 0.38, 0.47)]
    shares = [showing.at(frame).turned for frame in frames]
    assert shares[0] == 0 and shares[-1] == 1 and 0.05 < shares[1] < shares[2] < shares[3] < 0.95
    for frame, share, luma in zip(frames, shares, drawn(scene, frames, letters=False), strict=True):
        window = showing.at(frame).window
        expected = (by_model(PLACES, share) - [window.left, window.top]) * (SIZE[0] / window.width) - 0.5
        spots, count = ndimage.label(luma > 0.6)
        assert count == 4
        found = np.array(ndimage.center_of_mass(np.clip(luma - 0.4, 0, 1), spots, range(1, 5)))[:, ::-1]
        for place in expected:
            assert np.hypot(*(found - place).T).min() < 1
        corners = by_model(np.array([[0, 0], [1200, 0], [1200, 900], [0, 900]]) - 0.5, share)
        assert showing.corners(frame) == pytest.approx(
            (corners - [window.left, window.top]) * 320 / window.width, abs=0.5
        )
    full = TURN_OF.homography(CAMERA)  # in the end the very homography that finishing used
    assert showing.homography(1.0) == pytest.approx(full, abs=1e-6)


def test_what_is_lost_is_darker_than_what_is_cut_and_the_end_is_the_picture_alone(tmp_path: Path) -> None:
    scene = make(tmp_path)
    showing = scene.showing
    frame = showing.begin + round(0.62 * (showing.end - showing.begin))
    (luma,) = drawn(scene, [frame], letters=False)
    window, room, cut = showing.at(frame).window, showing.made.room, showing.last_window

    def seen(x: float, y: float) -> float:
        k = SIZE[0] / window.width
        return float(luma[round((y - window.top) * k), round((x - window.left) * k)])

    middle = room.left + room.width / 2
    kept = seen(middle, cut.top + cut.height / 2)
    pale = seen(middle, (room.top + cut.top) / 2)
    lost = seen(room.left - 20, room.top + 60)  # a camera tilted up has its frame wider at the top when straight
    assert kept > 1.15 * pale > 1.3 * lost > 0.05
    end, picture = drawn(scene, [scene.frames - scene.tail - 1], letters=False)[0], 0.1
    assert np.abs(end - picture).max() < 0.01


def test_only_what_is_turned_all_the_way_is_called_parallel(tmp_path: Path) -> None:
    showing = make(tmp_path).showing
    assert showing and showing.words()[1] == ("Verticals made parallel", "the tilt taken out, swung 2.0° to the left")
    made = replace(showing.made, rectification=replace(TURN_OF, plumb=0.74, swing=0.0))
    assert replace(showing, made=made).words()[1] == ("Turned nearer to upright", "74 % of the tilt taken out")


def test_still_turns_it_at_once_and_nothing_lies_in_between(tmp_path: Path) -> None:
    showing = make(tmp_path, "still = true\n").showing
    moments = [showing.at(frame) for frame in range(showing.begin, showing.end)]
    assert {moment.turned for moment in moments} == {0.0, 1.0}
    assert len({moment.window for moment in moments}) == 3
    assert TURN[1] < CLOSE[0]


def test_a_picture_that_was_not_straightened_or_has_no_account_is_named(tmp_path: Path) -> None:
    make(tmp_path)
    toml = '[[shots]]\nstraightening = "nave"\n'
    record(tmp_path, "nave", CAMERA, Rectification(0.1, 0.0, 0.0))
    with pytest.raises(UserError, match=r"shot 1 \(nave\), line 2: nave was not straightened; write picture = "):
        plan_of(tmp_path, toml)
    (tmp_path / ".clerestory" / "accounts" / "nave.json").unlink()
    with pytest.raises(UserError, match=r"line 2: how nave was straightened is not on record; finish it again"):
        plan_of(tmp_path, toml)
    with pytest.raises(UserError, match="straightening has a course of its own; remove move"):
        plan_of(tmp_path, toml + 'move = "pan"\n')
