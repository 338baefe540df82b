"""Wide views: the surface against the paper's formula, frames of a panorama joined, refusals."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import pytest

from clerestory.camera.camera import Camera
from clerestory.camera.crop import crop_inside
from clerestory.camera.pose import Pose, vector_of
from clerestory.finish.sources import source_of
from clerestory.merge import Refused, combine
from clerestory.merge.combine import check_together, place_in_words
from clerestory.merge.stitch import _as_held
from clerestory.merge.surface import Surface, surface_for
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.raw.group import View
from clerestory.raw.read import FrameInfo, read_info
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.panorama import load_panorama, panorama_view
from clerestory.simulate.sensor import expose

PANORAMA = Path(__file__).parents[3] / "shared" / "data" / "panoramas" / "vestibule_1k.hdr"


@pytest.mark.parametrize("compression", [0.0, 0.5, 1.0])
def test_surface_there_and_back(compression):
    surface = Surface(Camera(900, 500, 400.0, 450.0, 250.0), compression)
    pixels = np.array([[10.0, 20.0], [450.0, 250.0], [880.0, 470.0], [300.0, 100.0]])
    assert surface.pixels(surface.rays(pixels)) == pytest.approx(pixels, abs=1e-6)


def test_pannini_of_the_paper():
    """Sharpless, Postle and German 2010: d = 1 maps azimuth a to 2 tan(a/2), d = 0 to tan a; heights by that S."""
    for compression, x in ((1.0, 2 * math.tan(math.radians(35))), (0.0, math.tan(math.radians(70)))):
        surface = Surface(Camera(1, 1, 1.0, 0.0, 0.0), compression)
        a = math.radians(70)
        found = surface.pixels(np.array([math.sin(a), 0.5, math.cos(a)]))
        assert found[0] == pytest.approx(x, rel=1e-9)
        s = (compression + 1) / (compression + math.cos(a))
        assert found[1] == pytest.approx(0.5 * s, rel=1e-9)


def _border(camera: Camera, pitch: float, yaw: float = 0.0) -> np.ndarray:
    """Directions of a frame's edge, a level camera's axes turned by pitch up and yaw right, degrees."""
    t = np.linspace(0, 1, 24)[:, None]
    corners = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [camera.width - 1, camera.height - 1]
    points = np.concatenate([a + t * (b - a) for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True)])
    rays = np.column_stack([points, np.ones(len(points))]) @ camera.inverse.T
    turn = Pose(math.radians(yaw), math.radians(pitch)).rotation @ Pose().rotation.T
    return rays @ turn


def test_frames_one_above_another_stay_straight_and_keep_the_floor():
    """Three frames from floor to vault: no wider than one of them, so on a plane, and the crop reaches the floor."""
    camera = Camera.of(640, 480, 12.0, 17.3)
    sweep = [_border(camera, pitch) for pitch in (2, 26, 50)]
    surface = surface_for(sweep, camera.focal)
    assert surface.projection == "rectilinear"
    points = surface.pixels(np.concatenate(sweep)).clip(0, [surface.camera.width - 1, surface.camera.height - 1])
    hull = cv2.convexHull(points.astype(np.float32))[:, 0].astype(float)
    hull = (
        hull
        if np.dot(hull[:, 0], np.roll(hull[:, 1], -1)) > np.dot(hull[:, 1], np.roll(hull[:, 0], -1))
        else hull[::-1]
    )
    room = crop_inside(hull, None, None, surface.equal_area)
    assert room.top + room.height > 0.97 * surface.camera.height
    assert room.height > 0.9 * surface.camera.height
    fan = np.array([[0.0, 0.0], [1000.0, 0.0], [600.0, 800.0], [400.0, 800.0]])
    sky = Surface(Camera(1001, 801, 250.0, 500.0, 750.0), 0.0)
    assert crop_inside(fan).height < 0.65 * 800
    assert crop_inside(fan, flat=sky.equal_area).height > 0.8 * 800
    across = [_border(camera, 2, yaw) for yaw in (-30, 0, 30)]
    assert surface_for(across, camera.focal).projection == "pannini"


@pytest.mark.parametrize("ways", [((-60, 4), (-20, 5), (20, 6), (60, 4)), ((0, 5), (1, 29), (0, 53))])
def test_frames_that_tell_nothing_stand_as_they_were_held(ways):
    """Turned to the side the sweep itself tells the vertical; upwards hardly, but the picture is not thrown over."""
    poses = [
        Pose(math.radians(yaw), math.radians(pitch), math.radians((-1) ** k)) for k, (yaw, pitch) in enumerate(ways)
    ]
    up = _as_held([pose.rotation @ poses[0].rotation.T for pose in poses])
    off = math.degrees(math.acos(min(1.0, up @ poses[0].up)))
    assert off < (2.5 if ways[-1][0] else 35)


def _meta(
    body: SimulatedCamera, when: datetime, level: tuple[float, float], orientation: int, seconds: float
) -> DngMeta:
    names = ("Fennimark", "Fennimark Alder", "FA-1", "Fennimark 12 mm")
    return DngMeta(*names, when, seconds, 4.0, 400.0, 12.0, 24.0, body.black, body.white, body.xyz_to_camera,
                   body.neutral, body.sensor_mm, level=level, orientation=orientation)  # fmt: skip


def _turned(
    folder: Path,
    orientation: int = 1,
    held: float = 0.0,
    stops: tuple[float, ...] = (0, 0, 0),
    apart: float = 22.0,
    ways: tuple[tuple[float, float], ...] = (),
    width: int = 640,
):
    """Three frames of a hall, so many degrees `apart`, exposed by so many `stops` more, and their poses; the body
    rolled by `held` degrees. `ways`: yaw and pitch of each frame, degrees, where they are others."""
    if not PANORAMA.exists():
        pytest.skip(f"open data is absent: {PANORAMA}")
    panorama = load_panorama(PANORAMA)
    body = SimulatedCamera(width=width, height=3 * width // 4)
    poses, paths = [], []
    scale = 0.2 / float(np.median(panorama))
    for k, (yaw, pitch) in enumerate(ways or ((apart * (k - 1), 4 + k) for k in range(3))):
        pose = Pose(math.radians(yaw), math.radians(pitch), math.radians((-1) ** k * 0.8 + held))
        view = panorama_view(panorama, body.intrinsics(12.0), pose) * scale
        colour = view @ body.rec2020_to_camera.T
        signal = np.empty(view.shape[:2], np.float32)
        for r, c, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
            signal[r::2, c::2] = colour[r::2, c::2, channel]
        more = 2.0 ** stops[k % len(stops)]
        raw = expose(np.maximum(signal, 0) * more, body, 400.0, np.random.SeedSequence(k))
        paths.append(folder / f"t{k}.dng")
        when = datetime(2031, 6, 1, 10) + timedelta(seconds=3 * k)
        level = math.degrees(pose.pitch), math.degrees(pose.roll)
        write_dng(paths[-1], raw, _meta(body, when, level, orientation, 0.02 * more))
        poses.append(pose)
    return tuple(paths), poses, body


@pytest.fixture(scope="module")
def turned(tmp_path_factory):
    """Three frames of a hall, and their poses."""
    return _turned(tmp_path_factory.mktemp("panorama"))


@pytest.mark.parametrize(("orientation", "held"), [(6, 90), (8, -90), (3, 180)])
def test_frames_held_upright_join_upright(tmp_path, orientation, held):
    """However the body was held, and whether edges, the level or neither tell which way is up."""
    paths, poses, _ = _turned(tmp_path, orientation, held)
    infos = [read_info(p) for p in paths]
    blind = [replace(i, level=None) for i in infos]
    for message, edges, close in ((infos, True, 0.4), (infos, False, 0.4), (blind, False, 4)):
        merged = combine(View("hall", "panorama", paths, paths[1], ""), message, edges=edges, denoise=False)
        up = np.array(merged.record["rotations"][0]) @ [0, -1, 0]
        assert math.degrees(math.acos(min(1.0, up @ poses[0].up))) < close
        assert merged.stitched.camera.width > merged.stitched.camera.height


def test_frames_of_a_panorama_join(turned):
    paths, poses, body = turned
    infos = [read_info(p) for p in paths]
    merged = combine(View("hall", "panorama", paths, paths[1], ""), infos, edges=False, denoise=False)
    assert merged.stitched is not None
    found = [np.array(r) for r in merged.record["rotations"]]
    focal = body.intrinsics(12.0).focal
    for k in range(2):
        off = (found[k + 1] @ found[k].T) @ (poses[k + 1].rotation @ poses[k].rotation.T).T
        assert np.linalg.norm(vector_of(off)) * focal < 0.3
    for rotation, pose in zip(found, poses, strict=True):
        assert math.degrees(math.acos(min(1.0, (rotation @ [0, -1, 0]) @ pose.up))) < 0.1
    assert merged.stitched.projection == "pannini"
    inside = merged.stitched.inside > 0
    assert inside.mean() > 0.7
    assert (merged.stitched.rgb[inside].max(axis=-1) > 0).mean() > 0.999
    assert _against_panorama(merged, poses, body, 0.6) < 0.15


def test_frames_in_two_rows_lie_as_true_as_in_one(tmp_path):
    """Three above three, a third of each shared with the next: every frame against all that lie beside it."""
    ways = tuple((yaw, pitch) for pitch in (0, 30) for yaw in (-42, 0, 42))
    paths, poses, body = _turned(tmp_path, ways=ways, width=960)
    infos = [read_info(p) for p in paths]
    merged = combine(View("hall", "panorama", paths, paths[1], ""), infos, edges=False, denoise=False)
    found = [np.array(r) for r in merged.record["rotations"]]
    off = {}
    for a, b in ((0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (1, 4), (2, 5)):
        left = (found[b] @ found[a].T) @ (poses[b].rotation @ poses[a].rotation.T).T
        off[a, b] = float(np.linalg.norm(vector_of(left))) * body.intrinsics(12.0).focal
    assert max(off.values()) < 0.2, off


def _against_panorama(merged, poses, body, below):
    """How far the picture strays from the panorama seen straight through its own surface, where that is less than
    `below`: the 80th percentile of the share."""
    panorama = load_panorama(PANORAMA)
    camera = merged.stitched.camera
    turn = np.array(merged.record["rotations"][1]).T @ poses[1].rotation
    y, x = np.mgrid[: camera.height, : camera.width].astype(float)
    rays = Surface(camera, merged.stitched.compression).rays(np.stack([x, y], axis=-1)) @ turn
    light = _looked_up(panorama, rays) * 0.2 / float(np.median(panorama))
    green = light @ body.rec2020_to_camera[1]
    use = (merged.stitched.inside > 0) & (green < below) & (green > 0.02)
    ratio = merged.stitched.rgb[..., 1][use] / green[use]
    assert np.median(ratio) == pytest.approx(1, abs=0.02)
    return np.percentile(np.abs(ratio - np.median(ratio)), 80)


@pytest.mark.parametrize("kind", ["burst", "bracket"])
def test_turned_frames_put_together_by_hand_are_joined(turned, kind):
    paths, _, _ = turned
    source = source_of(View("hall", kind, paths[::2], paths[0], "2 frames grouped by hand"))
    assert source.stitched is not None
    assert any("stitched from 2 frames" in message for message in source.remarks)
    same = source_of(View("hall", kind, (paths[0], paths[0]), paths[0], ""))
    assert same.stitched is None


def test_frames_exposed_unlike_join_evenly(tmp_path):
    """As a camera left to itself exposes them: the light of the darkest, and white where a longer one is clipped."""
    paths, poses, body = _turned(tmp_path, stops=(0.0, 1.2, 0.7))
    infos = [read_info(p) for p in paths]
    merged = combine(View("hall", "panorama", paths, paths[1], ""), infos, edges=False, denoise=False)
    assert _against_panorama(merged, poses, body, 0.3) < 0.15
    green = merged.stitched.rgb[..., 1][merged.stitched.inside > 0]
    assert np.mean((green > 0.42) & (green < 0.46)) < 1.5 * np.mean((green > 0.36) & (green < 0.40))  # no grey glass
    assert np.mean(green > 0.98) > 0.02
    with pytest.raises(Refused, match=r"exposures differ by 2\.5 stops"):
        check_together([replace(infos[0], seconds=0.02 * 2**2.5), infos[0]], "panorama")


def test_a_joined_view_says_how_surely_it_stands(turned):
    paths, poses, _ = turned
    view, infos = View("hall", "panorama", paths, paths[1], ""), [read_info(p) for p in paths]
    by_level = combine(view, infos, edges=False, denoise=False)
    assert by_level.stitched.up_verdict == "unsure"
    assert "accurate only to ±1.0°: check it" in " ".join(by_level.remarks)
    by_edges = combine(view, [replace(i, level=None) for i in infos], denoise=False)
    assert by_edges.stitched.up_verdict == "sure"
    up = np.array(by_edges.record["rotations"][0]) @ [0, -1, 0]
    assert math.degrees(math.acos(min(1.0, up @ poses[0].up))) < by_edges.stitched.up_bound < 1
    nobody = combine(view, [replace(i, level=None) for i in infos], edges=False, denoise=False)
    assert nobody.stitched.up_verdict == "cannot tell"


def _looked_up(panorama, rays):
    height, width = panorama.shape[:2]
    u = (np.arctan2(rays[..., 0], rays[..., 1]) / (2 * np.pi) + 0.5) * width - 0.5
    v = (0.5 - np.arctan2(rays[..., 2], np.hypot(rays[..., 0], rays[..., 1])) / np.pi) * height - 0.5
    return panorama[np.clip(np.rint(v), 0, height - 1).astype(int), np.rint(u).astype(int) % width]


def test_places_are_told_in_the_frame_as_held():
    """A box near the recorded frame's top left corner."""
    for orientation, words in ((1, "40 x 20 pixels, 5 % from the left and 10 % down"),
                               (6, "20 x 40 pixels, 90 % from the left and 5 % down"),
                               (8, "20 x 40 pixels, 10 % from the left and 95 % down"),
                               (3, "40 x 20 pixels, 95 % from the left and 90 % down")):  # fmt: skip
        info = FrameInfo(Path("a.dng"), 1000, 400, orientation=orientation)
        assert place_in_words((30, 30, 40, 20), info) == words


def test_frames_that_do_not_overlap_are_refused(tmp_path):
    """80 degrees apart, where each sees 72."""
    paths, _, _ = _turned(tmp_path, apart=80.0)
    with pytest.raises(Refused, match=r"overlaps? too little"):
        combine(View("hall", "panorama", paths, paths[1], ""), [read_info(p) for p in paths])


def test_frames_of_unlike_focal_lengths_are_refused(turned):
    paths, _, _ = turned
    infos = [read_info(p) for p in (paths[0], paths[0])]
    flipped = replace(infos[1], focal_mm=14.0)
    with pytest.raises(Refused, match="focal lengths, 12 to 14 mm"):
        combine(View("hall", "panorama", (paths[0], paths[0]), paths[0], ""), [infos[0], flipped])


def test_reasons_are_sentences():
    plain = FrameInfo(Path("a.dng"), 640, 480, focal_mm=12.0, seconds=0.02, f_number=4.0, iso=400.0)
    for change, words in (
        ({"width": 320}, "size"),
        ({"orientation": 6}, "portrait"),
        ({"is_raw": False}, "linear"),
        ({"seconds": 0.08}, "exposures differ by 2.0 stops"),
        ({"model": "Other"}, "different cameras"),
    ):
        with pytest.raises(Refused, match=words):
            check_together([plain, replace(plain, **change)], "burst")
    with pytest.raises(Refused, match="only one frame"):
        check_together([plain], "burst")
