"""Framing against the camera model itself: points thrown through poses, pixels counted."""

from __future__ import annotations

import math

import numpy as np
import pytest
from visits import example

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.camera.rectification import Rectification, project
from clerestory.plan.exposure import wanted_depth
from clerestory.plan.framing import Aim, Framing, aim, frame, sensor_corners, stand_back, subject_points
from clerestory.plan.model import BodyTable, LensTable, StationTable, ViewTable

BODY = BodyTable(name="b", sensor_mm=(17.3, 13.0), pixels=(5248, 3936))
RATIO = 3936 / 5248


def lens(short: float = 7, long: float = 150) -> LensTable:
    return LensTable(name="l", focal_mm=(short, long), f_number=4.0)


def random_case(seed: int) -> tuple[Aim, Framing] | None:
    rng = np.random.default_rng(seed)
    on = str(rng.choice(["east", "north", "south", "free"]))
    centre = {
        "east": (rng.uniform(-4, 4), 50, rng.uniform(3, 14)),
        "north": (-6, rng.uniform(10, 30), rng.uniform(3, 9)),
        "south": (6, rng.uniform(10, 30), rng.uniform(3, 9)),
        "free": (rng.uniform(-4, 4), 40, rng.uniform(2, 8)),
    }[on]
    view = ViewTable(
        name="v",
        room="r",
        centre_m=centre,
        width_m=rng.uniform(1, 8),
        height_m=rng.uniform(1, 6),
        on=on,  # type: ignore[arg-type]
        square_on=on != "free" and bool(rng.random() < 0.6),
        aspect=str(rng.choice(["4:3", "3:4", "16:9", "1:1", "free"])),  # type: ignore[arg-type]
        max_tilt_deg=40,
        floor=bool(rng.random() < 0.3),
    )
    spot = (rng.uniform(-3, 3), rng.uniform(2, 25))
    aimed = aim(view, StationTable(name="s", at_m=spot), RATIO)
    return None if aimed is None else (aimed, frame(aimed, BODY, lens()))


def through_pose(points: np.ndarray, aimed: Aim, framing: Framing) -> tuple[np.ndarray, Camera]:
    """World points through `camera.geometry` alone, straightened: pixels of the upright picture's grid."""
    camera = framing.camera(BODY)
    pose = Pose(math.radians(framing.yaw), math.radians(framing.tilt), 0.0, tuple(aimed.eye))
    local = (points - aimed.eye) @ pose.rotation.T
    flat = local[:, :2] / local[:, 2:]
    return flat * camera.focal + [camera.cx, camera.cy], camera


CASES = [case for case in (random_case(seed) for seed in range(60)) if case is not None and case[1].fits]


def test_enough_cases_of_each_kind() -> None:
    assert len(CASES) >= 25
    assert {"upright", "straightened"} <= {f.how for _, f in CASES}


@pytest.mark.parametrize("case", CASES[:25])
def test_subject_lies_in_frame_and_no_longer_lens_would_hold_it(case: tuple[Aim, Framing]) -> None:
    aimed, framing = case
    seen, camera = through_pose(subject_points(aimed.view, aimed.eye), aimed, framing)
    size = np.array([camera.width, camera.height])
    assert (seen > -0.5 - 1e-6).all() and (seen < size - 0.5 + 1e-6).all()
    # The picture wanted touches the frame unless the lens ended first.
    quad = framing.frame_points(aimed.corners, BODY)
    gap = np.concatenate([quad + 0.5, size - 0.5 - quad]).min()
    assert gap > -1e-6 * camera.width
    if framing.focal < 149.9:
        assert gap < 1e-6 * camera.width


@pytest.mark.parametrize("case", CASES[:12])
def test_share_kept_is_the_share_of_pixels_counted(case: tuple[Aim, Framing]) -> None:
    _, framing = case
    camera = framing.camera(BODY)
    step = 16
    x, y = np.meshgrid(np.arange(step / 2, camera.width, step), np.arange(step / 2, camera.height, step))
    pixels = np.stack([x.ravel(), y.ravel()], axis=-1)
    flat = project(framing.rectification.homography(camera), pixels)
    flat = (flat - [camera.cx, camera.cy]) / camera.focal * [1, -1]
    x0, x1, z0, z1 = framing.rectangle
    inside = (flat[:, 0] >= x0) & (flat[:, 0] <= x1) & (flat[:, 1] >= z0) & (flat[:, 1] <= z1)
    if framing.how == "straightened":
        homogeneous = np.column_stack([pixels, np.ones(len(pixels))]) @ framing.rectification.homography(camera).T
        inside &= homogeneous[:, 2] > 0
    assert framing.kept == pytest.approx(inside.mean(), abs=0.01)


def test_finisher_keeps_at_least_what_the_plan_counts_on() -> None:
    for aimed, framing in CASES[:12]:
        room = framing.crop(BODY)
        assert room.kept >= framing.kept - 0.01, (aimed.view, framing)


def test_16_by_9_of_4_by_3_loses_a_quarter() -> None:
    camera = Camera.of(4000, 3000, 12, 17.3)
    assert 1 - largest_crop(camera, Rectification(), 16 / 9).kept == pytest.approx(0.25, abs=1e-3)  # common practice


def test_pixels_across_a_carving_at_the_long_end() -> None:
    # 0.7 m at 20 m through 140 mm on pixels of 3.297 um: 0.7 / 20 * 140 mm / 3.297 um = 1486.
    view = ViewTable(name="boss", room="r", centre_m=(0, 12, 17.6), width_m=0.7, height_m=0.7)
    aimed = aim(view, StationTable(name="s", at_m=(0, 0)), RATIO)
    assert aimed is not None and aimed.distance == pytest.approx(20, abs=1e-6)
    assert frame(aimed, BODY, lens(42, 140)).across == pytest.approx(1486, rel=0.002)


def test_too_wide_a_view_becomes_a_join_or_nothing() -> None:
    view = ViewTable(name="wall", room="r", centre_m=(0, 10, 5), width_m=20, height_m=9, on="east", square_on=True)
    aimed = aim(view, StationTable(name="s", at_m=(0, 0)), RATIO)
    assert aimed is not None
    assert frame(aimed, BODY, lens(12, 12)).how == "join"
    assert frame(aimed, BODY, lens(200, 200)).how == "no"


def test_a_vault_stitched_is_looked_at_overhead() -> None:
    view = ViewTable(name="vault", room="r", centre_m=(0, 26, 21), width_m=12, height_m=16, on="vault")
    station = StationTable(name="s", at_m=(0, 20))
    aimed = aim(view, station, RATIO)
    assert aimed is not None
    whole, joined = frame(aimed, BODY, lens()), frame(aimed, BODY, lens(40, 40))
    assert (whole.how, joined.how) == ("as seen", "join")
    assert joined.tilt == pytest.approx(whole.tilt, abs=10) and joined.tilt > 60
    np.testing.assert_allclose(joined.picture_axes, whole.picture_axes, atol=1e-9)
    near, far = wanted_depth(aimed, joined)
    assert near > 15 and far < 30, "metres to the vault, not to the floor behind"


def test_standing_back_brings_the_tilt_down() -> None:
    visit = example()
    view = ViewTable(name="v", room="nave", centre_m=(0, 46, 10), width_m=6, height_m=8, on="east", square_on=True)
    aimed = aim(view, StationTable(name="s", at_m=(0, 40)), RATIO)
    assert aimed is not None
    back = stand_back(aimed, BODY, visit.building, 15, 11)
    assert back is not None and back.inside
    there = aim(view, StationTable(name="t", at_m=(0, 46 - back.distance)), RATIO)
    nearer = aim(view, StationTable(name="t", at_m=(0, 46 - back.distance * 0.9)), RATIO)
    assert there is not None and nearer is not None
    tilts = [abs(float(a.tilts[np.argmax(a.reach.max(axis=1))])) for a in (there, nearer)]
    assert tilts[0] <= 15.01 < tilts[1]
    assert frame(there, BODY, lens(back.focal, back.focal * 1.001)).fits


def test_whole_frame_outline_maps_back_to_its_corners() -> None:
    for _, framing in CASES[:6]:
        camera = framing.camera(BODY)
        back = framing.frame_points(sensor_corners(framing, BODY), BODY)
        w, h = camera.width - 0.5, camera.height - 0.5
        assert np.allclose(back, [[-0.5, -0.5], [w, -0.5], [w, h], [-0.5, h]], atol=1e-6)


@pytest.mark.parametrize("percent", [-4.0, 3.0])
def test_a_bending_lens_still_holds_the_picture(percent: float) -> None:
    bent = LensTable(name="l", focal_mm=(7, 150), f_number=4.0, distortion_pct=percent)
    for aimed, perfect in CASES[:15]:
        framing = frame(aimed, BODY, bent)
        camera = framing.camera(BODY)
        quad = Distortion((1.0, percent / 100, 0.0, 0.0)).recorded(
            framing.frame_points(aimed.corners, BODY), camera.size
        )
        assert (quad > -0.6).all() and (quad < np.array([camera.width, camera.height]) - 0.4).all()
        if percent < 0:
            assert framing.crop(BODY).width >= perfect.crop(BODY).width - 1
