"""Frames into views: a long wall seen by a camera held by hand, and folders with bad files among the good."""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.raw.clipping import Clipping
from clerestory.raw.group import View, group_frames
from clerestory.raw.inspect import Inspection, log_look
from clerestory.raw.kept import packed, unpacked
from clerestory.raw.overlap import overlap_of, rotation_between
from clerestory.raw.read import FrameInfo
from clerestory.raw.sort import sort_folder
from clerestory.raw.together import strangers, together
from clerestory.simulate.hall import EYES, Hall, stone

CAMERA = Camera.of(480, 360, 14.0, 17.3)
START = datetime(2031, 6, 1, 10, 0, 0)


class Walls:
    """A scene drawn on a plane ahead; frames of it at any pose, exposure and time."""

    def __init__(self, make: Any, seed: int = 8) -> None:
        self.plane = make(seed, 1200, 2400).astype(np.float32)
        self.count = 0

    def frame(
        self,
        at: float,
        yaw: float = 0.0,
        pitch: float = 0.0,
        roll: float = 0.0,
        stops: float = 0.0,
        people: int = 0,
        **say: Any,
    ) -> Inspection:
        plane = Camera(2400, 1200, CAMERA.focal * 1.6, 1199.5, 599.5)
        pose = Pose(np.radians(yaw), np.radians(pitch), np.radians(roll)).rotation
        level = Pose().rotation
        warp = CAMERA.matrix @ pose @ level.T @ plane.inverse
        view = cv2.warpPerspective(self.plane, warp, (480, 360), flags=cv2.INTER_AREA, borderMode=cv2.BORDER_REFLECT)
        self.count += 1
        rng = np.random.default_rng(self.count)
        for _ in range(people):
            x, h = int(rng.integers(20, 420)), int(rng.integers(50, 110))
            view[330 - h : 330, x : x + h // 3] = 0.01
        view = np.minimum(view * 2.0**stops * (1 + rng.normal(0, 0.02, view.shape)), 1).astype(np.float32)
        full = float((view >= 1).mean())
        info = FrameInfo(
            Path(f"f{self.count:03d}.dng"), 480, 360, START + timedelta(seconds=at), "Fennimark", "Alder",
            focal_mm=say.get("focal", 14.0), sensor_mm=(17.3, 13.0), f_number=4.0,
            seconds=say.get("seconds", 0.02 * 2.0**stops), iso=800.0,
        )  # fmt: skip
        clipping = Clipping((1.0,) * 4, (True,) * 4, (full,) * 4, 0.0, 0.0, full)
        mean = float(np.log2(np.maximum(view, 2**-15)).mean())
        return Inspection(info, clipping, say.get("sharp", 1.2), mean, log_look(view), np.zeros((2, 2, 3), np.uint8))


@pytest.fixture(scope="module")
def walls() -> Walls:
    rng = np.random.default_rng(5)
    blocks = np.kron(rng.uniform(-2, 2, (60, 120)), np.ones((20, 20)))  # stones with hard edges

    def make(_: int, h: int, w: int) -> Any:
        fine = rng.normal(0, 0.3, (h, w))
        return np.clip(0.1 * np.exp2(blocks[:h, :w] + fine), 0.002, 0.9)

    return Walls(make)


def kinds(views: list[View]) -> list[tuple[str, int]]:
    return [(v.kind, len(v.frames)) for v in views]


def shaken(rng: np.random.Generator) -> dict[str, float]:
    """Hand shake of up to 5 % of the frame (48 degrees wide here) and a degree of roll."""
    yaw, pitch = rng.uniform(-1.7, 1.7, 2)
    return {"yaw": yaw, "pitch": pitch, "roll": rng.uniform(-1, 1)}


def test_a_day_of_every_kind(walls: Walls) -> None:
    rng = np.random.default_rng(2)
    frames = [walls.frame(0, yaw=-40)]
    frames += [walls.frame(60 + i / 2, **shaken(rng), sharp=s) for i, s in enumerate((0.8, 1.3, 1.1, 0.9, 1.0))]
    turned = shaken(rng)
    frames += [
        walls.frame(200 + i, **{**turned, "yaw": 40 + rng.uniform(-1, 1)}, stops=s) for i, s in enumerate((0, -2, 2))
    ]
    frames += [walls.frame(400 + 20 * i, yaw=rng.uniform(-1, 1), pitch=20, people=4) for i in range(5)]
    frames += [walls.frame(600 + 4 * i, yaw=-36 + 18 * i, pitch=-12) for i in range(4)]
    frames += [walls.frame(900, yaw=0, focal=25.0)]
    views = group_frames([frames[i] for i in rng.permutation(len(frames))])
    assert kinds(views) == [("single", 1), ("burst", 5), ("bracket", 3), ("clear", 5), ("panorama", 4), ("single", 1)]
    assert [v.name for v in views] == [f"view-0{i}" for i in range(1, 7)]
    assert views[1].pick == frames[2].info.path and "sharpest" in views[1].why
    assert views[2].pick in views[2].frames and "4.0 stops" in views[2].why
    assert "of the picture changes" in views[3].why


def test_frames_without_a_time_stand_as_their_names_count(walls: Walls) -> None:
    """Ten frames along which a hand wanders: the tenth lies near the ninth, not near the first."""
    frames = [walls.frame(k, yaw=4.0 * k) for k in range(10)]
    untimed = [
        replace(f, info=replace(f.info, time=None, path=f.info.path.with_name(f"nave{k + 1}.dng")))
        for k, f in enumerate(frames)
    ]
    views = group_frames(untimed[::-1])
    assert [p.name for v in views for p in v.frames] == [f"nave{k + 1}.dng" for k in range(10)]


def test_a_still_run_taken_slowly_is_not_a_visitor_set(walls: Walls) -> None:
    rng = np.random.default_rng(3)
    assert kinds(group_frames([walls.frame(30 * i, **shaken(rng)) for i in range(4)])) == [("burst", 4)]


def test_a_clipped_frame_is_not_picked(walls: Walls) -> None:
    a, b = walls.frame(0, sharp=1.0), walls.frame(1, sharp=1.4, stops=0.3)
    b = replace(b, clipping=replace(b.clipping, all=0.05))
    (view,) = group_frames([a, b])
    assert view.kind == "burst" and view.pick == a.info.path and "more clipping" in view.why


def test_names_stay_when_frames_are_added(walls: Walls) -> None:
    later = [walls.frame(500, yaw=-30), walls.frame(900, yaw=30)]
    first = group_frames(later)
    earlier = {p.name: v.name for v in first for p in v.frames}
    second = group_frames([walls.frame(0, yaw=0), *later], earlier)
    assert [v.name for v in second] == ["view-03", "view-01", "view-02"]


@settings(max_examples=10, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 3000), st.integers(0, 5)), max_size=8))
def test_every_frame_is_in_exactly_one_view(walls: Walls, shots: list[tuple[int, int]]) -> None:
    frames = [walls.frame(at, yaw=17.0 * which - 40) for at, which in shots]
    views = group_frames(frames)
    placed = [p for v in views for p in v.frames]
    assert sorted(placed) == sorted(f.info.path for f in frames)
    assert len({v.name for v in views}) == len(views)
    assert all(v.pick in v.frames for v in views)


def _in_hall(monkeypatch: pytest.MonkeyPatch, poses: list[Pose]) -> list[Inspection]:
    """A hall with pillars at 1 to 3 m, a frame every four seconds: a far wall of stone makes do."""
    monkeypatch.setattr(Hall, "_far", lambda _, rng: stone(rng, (520, 560), 30))
    hall, camera = Hall(4, near=3), CAMERA.scaled(0.6)
    frames = []
    for k, pose in enumerate(poses):
        light = hall.render(camera, pose).radiance[..., 1] / 120.0
        info = FrameInfo(
            Path(f"h{k}.dng"), camera.width, camera.height, START + timedelta(seconds=4 * k), "Fennimark", "Alder",
            focal_mm=14.0, sensor_mm=(17.3, 13.0), f_number=4.0, seconds=0.02, iso=800.0,
        )  # fmt: skip
        clipping = Clipping((1.0,) * 4, (True,) * 4, (0.0,) * 4, 0.0, 0.0, 0.0)
        look = log_look(np.clip(light, 0, 1).astype(np.float32))
        frames.append(Inspection(info, clipping, 1.0, -2.0, look, np.zeros((2, 2, 3), np.uint8)))
    return frames


def test_hands_that_sway_and_roll_among_pillars_take_one_view(monkeypatch: pytest.MonkeyPatch) -> None:
    swaying = [Pose(0.0, 0.03, 0.0, (0.0, 0.0, EYES)), Pose(0.03, 0.05, 0.1, (0.14, 0.02, EYES + 0.05)),
               Pose(-0.03, 0.02, -0.12, (-0.12, 0.05, EYES))]  # fmt: skip
    frames = _in_hall(monkeypatch, swaying)
    assert abs(overlap_of(frames[0].look, frames[1].look).turn) > 4  # more than is allowed for one held still
    assert [len(v.frames) for v in group_frames(frames)] == [3]


def test_who_turns_to_another_part_of_the_hall_takes_another_view(monkeypatch: pytest.MonkeyPatch) -> None:
    frames = _in_hall(monkeypatch, [Pose(0.0, 0.03, 0.0, (0.0, 0.0, EYES)), Pose(0.4, 0.03, 0.0, (0.1, 0.0, EYES))])
    assert [len(v.frames) for v in group_frames(frames)] == [1, 1]


def test_what_frames_have_in_common_is_told_and_strangers_are_found(walls: Walls, scene: Any) -> None:
    """Shaken by known amounts: the shift within a fifth, the turn within 0.2°; another wall has nothing of it."""
    one, near = walls.frame(0, yaw=2.0), walls.frame(3, yaw=3.0, roll=1.0, stops=1.0)
    lie = together(one, near)
    wanted = np.tan(np.radians(1.0)) * CAMERA.focal / 480
    assert lie.alike and lie.shift == pytest.approx(wanted, rel=0.2) and abs(lie.turn) == pytest.approx(1.0, abs=0.2)
    assert lie.seconds == 3 and "3 s apart" in lie.words() and "another" not in lie.words()
    turned = together(one, walls.frame(9, yaw=14.0))
    assert turned.alike and turned.shift is None and 0.3 < turned.share < 0.9
    other = Walls(scene, seed=31).frame(5)
    assert not together(one, other).alike and "no place in common" in together(one, other).words()
    assert strangers([one, other, near]) == [other.info.path] and strangers([one, near]) == []
    chain = [walls.frame(k, yaw=11.0 * k - 16) for k in range(4)]  # each shows a part of its neighbour alone
    assert strangers(chain) == []


def test_the_turn_between_two_frames_is_measured(walls: Walls) -> None:
    for yaw in (10.0, 20.0, 30.0):
        found = rotation_between(walls.frame(0).look, walls.frame(1, yaw=yaw, roll=1.0).look, CAMERA)
        assert found is not None and found.angle == pytest.approx(yaw, abs=0.3)


def test_a_folder_with_bad_files(write_dng: Callable[..., Path], photograph: Any, scene: Any, tmp_path: Path) -> None:
    light = scene(1, 240, 320)
    for i in range(3):
        write_dng(f"day/a{i}.dng", photograph(light, seed=i), when=f"2031:06:01 10:00:0{i}")
    good = (tmp_path / "day/a0.dng").read_bytes()
    bad = {"cut.dng": good[: len(good) // 2], "empty.nef": b"", "notes.cr2": b"not a picture", "x.dat": b"?" * 64}
    for name, data in bad.items():
        (tmp_path / "day" / name).write_bytes(data)
    (tmp_path / "day/visit.toml").write_text("title = 'a day'", encoding="utf-8")
    heard: list[tuple[int, int]] = []
    found = sort_folder(tmp_path / "day", lambda done, total: heard.append((done, total)))
    assert kinds(list(found.views)) == [("burst", 3)]
    assert [p.name for p, _ in found.refused] == sorted(bad)
    assert all(reason and "Error" not in reason for _, reason in found.refused)
    assert heard[-1] == (7, 7)
    assert (tmp_path / "day/a0.dng").read_bytes() == good


def test_what_was_seen_is_kept_and_forgotten(write_dng: Callable[..., Path], photograph: Any, scene: Any) -> None:
    light, listed = scene(1, 240, 320), struct.pack(">I4I", 1, 1, 0x01030000, 1, 68)
    listed += struct.pack(">I8d", 1, 1.01, -0.02, 0.0, 0.0, 0.0, 0.0, 0.5, 0.5)
    path = write_dng("day/a.dng", photograph(light), opcodes=listed)
    memory = path.parent / ".looks"
    first = sort_folder(path.parent, memory=memory).seen[path]
    back = unpacked(packed(first), path)
    assert back is not None and back.info == first.info and back.info.distortion is not None
    assert replace(back, look=first.look, thumbnail=first.thumbnail) == first
    np.testing.assert_array_equal(back.look, first.look)
    (kept,) = memory.iterdir()
    changed = replace(first, sharpness=0.123)
    kept.write_bytes(packed(changed))
    assert sort_folder(path.parent, memory=memory).seen[path].sharpness == 0.123, "read from what was kept"
    kept.write_bytes(b"damaged")
    assert sort_folder(path.parent, memory=memory).seen[path].sharpness == first.sharpness
    path.write_bytes(path.read_bytes() + b" ")  # another file now
    sort_folder(path.parent, memory=memory)
    assert [k for k in memory.iterdir()] != [kept]
