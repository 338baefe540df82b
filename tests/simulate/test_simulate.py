"""The simulator against what it claims: files, geometry, exposure, noise, visitors and sameness."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import exiv2
import numpy as np
import pytest
import rawpy

from clerestory.camera.camera import Camera
from clerestory.camera.exposure import raw_fraction
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.camera.steadiness import Hands
from clerestory.errors import UserError
from clerestory.raw.dng import opcode_list
from clerestory.run import bands
from clerestory.simulate import blur, sensor
from clerestory.simulate.camera import REC2020_TO_XYZ, Lens, SimulatedCamera
from clerestory.simulate.panorama import PanoramaScene
from clerestory.simulate.scene import LUMINANCE, Church, Rendered, Visitor
from clerestory.simulate.shoot import Shot, SimulatedFrame, focus_blur, shoot, write_frame
from clerestory.simulate.visit import demo_views, demo_visit

BODY = SimulatedCamera(width=432, height=324)
CHURCH = Church(3)
STATION = (0.2, 3.0, 1.6)
LEANING = Pose(0.05, 0.16, 0.03, STATION)


class Card:
    """A scene of one neutral luminance everywhere, 10 m away."""

    def __init__(self, luminance: float) -> None:
        self.luminance = luminance

    def render(self, camera: Camera, pose: Pose, **_: object) -> Rendered:
        shape = (camera.height, camera.width)
        depth = np.full(shape, 10, np.float32)
        return Rendered(np.full((*shape, 3), self.luminance, np.float32), depth, np.zeros(shape, bool))


def flat_lens() -> Lens:
    return Lens(distortion=Distortion(), vignetting=(0, 0, 0, 0, 0))


@pytest.fixture(scope="module")
def frame() -> SimulatedFrame:
    shot = Shot(LEANING, 12, 5.6, 1 / 15, 800, time=datetime(2027, 4, 20, 15, 6, 7, 250000))
    return shoot(CHURCH, shot, BODY, Lens(), seed=5)


@pytest.fixture(scope="module")
def written(frame: SimulatedFrame, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("shots") / "A.dng"
    write_frame(frame, path, arrays=True)
    return path


def test_libraw_reads_the_same_raw(frame: SimulatedFrame, written: Path) -> None:
    with rawpy.imread(str(written)) as raw:
        assert np.array_equal(raw.raw_image_visible, frame.raw)
        assert raw.black_level_per_channel == [BODY.black] * 4
        assert raw.white_level == BODY.white
        assert raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
        r, g, b = BODY.neutral
        assert raw.camera_whitebalance[:3] == pytest.approx([1 / r, 1 / g, 1 / b], rel=1e-4)


def test_exiv2_reads_the_same_tags(frame: SimulatedFrame, written: Path) -> None:
    image = exiv2.ImageFactory.open(str(written))
    image.readMetadata()
    tags = image.exifData()

    def text(key: str) -> str:
        return str(tags[key].toString())

    assert text("Exif.Photo.ExposureTime") == "1/15"
    assert text("Exif.Photo.FNumber") == "28/5"
    assert text("Exif.Photo.ISOSpeedRatings") == "800"
    assert text("Exif.Photo.FocalLength") == "12/1"
    assert text("Exif.Photo.FocalLengthIn35mmFilm") == "24"
    assert text("Exif.Photo.DateTimeOriginal") == "2027:04:20 15:06:07"
    assert text("Exif.Photo.SubSecTimeOriginal") == "250"
    assert text("Exif.Photo.BodySerialNumber") == BODY.serial
    assert text("Exif.Image.Model") == BODY.model
    matrix = [float(x.split("/")[0]) / float(x.split("/")[1]) for x in text("Exif.Image.ColorMatrix1").split()]
    assert matrix == pytest.approx([v for row in BODY.xyz_to_camera for v in row], abs=1e-6)
    top, bottom = text("Exif.Photo.CameraElevationAngle").split("/")
    assert float(top) / float(bottom) == pytest.approx(math.degrees(LEANING.pitch), abs=2.5)
    assert bytes(int(v) for v in text("Exif.Image.OpcodeList3").split()) == opcode_list(
        Lens().distortion, Lens().vignetting
    )


def test_opcodes_have_the_bytes_of_the_specification() -> None:
    """DNG specification 1.4, chapter 7: big-endian; count; id, version, flags, length; then doubles."""
    data = opcode_list(Distortion((1.0, 0.5, 0.0, 0.0)), None)
    assert data[:8] == bytes([0, 0, 0, 1, 0, 0, 0, 1])
    assert data[8:12] == bytes([1, 3, 0, 0])
    assert int.from_bytes(data[16:20], "big") == 4 + 8 * 8 == len(data) - 20
    assert data[24:40] == bytes.fromhex("3ff0000000000000 3fe0000000000000")


def test_colour_matrix_agrees_with_colour_science() -> None:
    """ITU-R BT.2020 primaries to XYZ, as the colour-science library derives them."""
    import colour

    assert pytest.approx(colour.RGB_COLOURSPACES["ITU-R BT.2020"].matrix_RGB_to_XYZ, abs=2e-5) == REC2020_TO_XYZ
    white = REC2020_TO_XYZ @ np.ones(3)
    assert white[[0, 2]] == pytest.approx([0.3127 / 0.3290, (1 - 0.3127 - 0.3290) / 0.3290], abs=3e-4)


@pytest.mark.parametrize("lens", [flat_lens(), Lens(distortion=Distortion((1.0, -0.06, 0.01, 0.0), (0.002, -0.001)))])
def test_points_land_where_the_camera_model_says(lens: Lens) -> None:
    """Edges of the floor's meeting with the end wall are found in the picture, through the lens, to 0.02 pixels."""
    f = CHURCH.form
    camera = Camera.of(1200, 900, 12, 17.3, lens.distortion)
    pose = Pose(0.03, 0.05, 0.02, (0.2, f.length - 9.0, 1.6))
    seen = CHURCH.render(camera, pose)
    misses = []
    for x in (-3.5, -2.0, 0.4, 2.5, 3.8):
        world = np.array([x, f.length, 0.0]) - pose.position
        c = pose.rotation @ world
        ideal = np.array([camera.cx + camera.focal * c[0] / c[2], camera.cy + camera.focal * c[1] / c[2]])
        u, v = camera.recorded(ideal)
        # Depth along the axis has a kink where the floor meets the wall: fit a line to either side.
        column = seen.depth[:, round(u)].astype(float)
        at = round(v)
        above, below = np.arange(at - 12, at - 2), np.arange(at + 3, at + 13)
        wall = np.polyfit(above, 1 / column[above], 2)
        floor = np.polyfit(below, 1 / column[below], 2)
        roots = np.roots(wall - floor)
        cross = min((float(r.real) for r in roots), key=lambda r: abs(r - at))
        misses.append(cross - v - (round(u) - u) * slope(pose, camera, x, f.length))
    assert np.abs(misses).max() < 0.02


def slope(pose: Pose, camera: Camera, x: float, y: float) -> float:
    """Rise of the recorded line floor-to-wall per pixel at world x."""
    ends = []
    for dx in (-0.05, 0.05):
        c = pose.rotation @ (np.array([x + dx, y, 0.0]) - pose.position)
        ideal = np.array([camera.cx + camera.focal * c[0] / c[2], camera.cy + camera.focal * c[1] / c[2]])
        ends.append(camera.recorded(ideal))
    d = ends[1] - ends[0]
    return float(d[1] / d[0])


def test_depth_agrees_with_the_plan() -> None:
    """The wall ahead of a level camera lies at the plan's distance; straight up, the ridge at the vault's height."""
    f = CHURCH.form
    level = CHURCH.render(BODY.intrinsics(12), Pose(position=(0.2, f.length - 8.0, 1.6)))
    assert level.depth[162, 216] == pytest.approx(8.0, abs=1e-3)
    up = CHURCH.render(BODY.intrinsics(12), Pose(pitch=math.pi / 2 - 1e-4, position=(0.0, f.length / 2, 1.6)))
    ridge = f.vault_spring + f.half * math.sqrt(2 * f.vault_k - 1)
    assert up.depth[161:163, 215:217].max() == pytest.approx(ridge - 1.6, abs=0.02)


def test_neutral_reaches_the_level_of_the_exposure_model() -> None:
    luminance, f_number, seconds, iso = 40.0, 5.6, 1 / 30, 400.0
    shot = Shot(focal_mm=25, f_number=f_number, seconds=seconds, iso=iso, shake_px=0.0)
    raw = shoot(Card(luminance), shot, BODY, flat_lens(), seed=2).raw.astype(float) - BODY.black
    share = raw_fraction(luminance, f_number, seconds, iso)
    assert 0.05 < share < 0.5
    assert raw[0::2, 1::2].mean() / BODY.range == pytest.approx(share, rel=3e-3)
    assert raw[0::2, 0::2].mean() / BODY.range == pytest.approx(share * BODY.neutral[0], rel=5e-3)


@pytest.mark.parametrize(("level", "iso"), [(0.0, 3200.0), (0.002, 6400.0), (0.02, 800.0), (0.6, 200.0)])
def test_noise_follows_its_model(level: float, iso: float) -> None:
    """Variance over signal as EMVA 1288 has it, from dark to bright; 160 000 pixels, so 1 % is four deviations."""
    body = replace(BODY, black=512)
    raw = sensor.expose(np.full((400, 400), level, np.float32), body, iso, np.random.SeedSequence(4))
    model = body.noise_model(iso)
    signal = level * body.range
    assert raw.mean() - body.black == pytest.approx(signal, abs=4 * math.sqrt(raw.var() / raw.size) + 0.01)
    assert raw.var() == pytest.approx(float(model.variance(np.array(signal), 0)), rel=0.02)


def test_vignetting_is_what_the_file_mends() -> None:
    lens = replace(Lens(), distortion=Distortion())
    shot = Shot(focal_mm=25, f_number=5.6, seconds=1 / 8, iso=200, shake_px=0.0)
    raw = shoot(Card(60.0), shot, BODY, lens, seed=2).raw.astype(float) - BODY.black
    corner, middle = raw[:8, 1:9:2][::2].mean(), raw[158:166, 212:220][::2, 1::2].mean()
    assert middle / corner == pytest.approx(1 + sum(lens.vignetting), rel=0.05)


def test_blur_has_its_stated_size() -> None:
    """Second moment of the point spread: shake's variance along the path, defocus d^2/16 a side."""
    rng = np.random.Generator(np.random.Philox(1))
    path = blur.shake_path(rng, 9.0)

    def moment(spread: np.ndarray) -> float:
        n = spread.shape[0] // 2
        y, x = np.mgrid[-n : n + 1, -n : n + 1]
        assert abs(float((spread * x).sum())) < 0.05
        return float((spread * (x * x + y * y)).sum())

    still = np.zeros((4, 2))
    base = moment(blur.point_spread(still, 5.6, 17.3 / 5248, 0.0))
    assert moment(blur.point_spread(path, 5.6, 17.3 / 5248, 0.0)) - base == pytest.approx(4.5**2, rel=0.03)
    assert moment(blur.point_spread(still, 5.6, 17.3 / 5248, 8.0)) - base == pytest.approx(8.0, rel=0.05)


def test_any_defocus_is_drawn_as_wide_as_it_is() -> None:
    # A disc of diameter d has a variance of d^2 / 16 across (its integral); a pixel's own width adds 1 / 12.
    flat, grey = (0.0,) * 5, np.full((3, 3), 1 / 3)
    depth, point = np.full((121, 121), 2.0, np.float32), np.zeros((121, 121, 3), np.float32)
    point[60, 60] = 1
    x = np.arange(121) - 60.0
    for disc in np.random.default_rng(5).uniform(2, 44, 24):
        # Focused at 1 m, things at 2 m are blurred half as much as those at infinity.
        seen = blur.through_lens(point, depth, np.zeros((1, 2)), 1.0, 0.0033, (1.0, 2 * disc), grey, flat, (0.5, 0.5))
        for side in (0, 1):
            profile = seen.astype(float).sum(axis=side)
            assert profile.sum() == pytest.approx(1, abs=1e-3)
            assert profile @ x == pytest.approx(0, abs=0.01)
            assert 4 * np.sqrt(profile @ x**2 - 1 / 12) == pytest.approx(disc, rel=0.02), disc


def test_shake_keeps_the_promised_chance() -> None:
    rng = np.random.Generator(np.random.Philox(3))
    hands, seconds = Hands(), 1 / 3
    drawn = [blur.shake_extent(rng, hands, seconds, 24, 2.0, 1.6) for _ in range(4000)]
    assert np.mean(np.array(drawn) <= 1.6) == pytest.approx(hands.chance(seconds, 24, 2.0), abs=0.03)


def test_focus_blur_matches_the_optics() -> None:
    from clerestory.camera.optics import defocus_blur

    shot = Shot(focal_mm=50, f_number=4, focus_m=6.0)
    distance, strength = focus_blur(shot, BODY.pixel_mm)
    for depth in (3.0, 6.0, 20.0):
        ours = abs(depth - distance) / depth * strength * BODY.pixel_mm
        assert ours == pytest.approx(defocus_blur(depth, 6.0, 50, 4))


def test_visitors_are_where_the_mask_says() -> None:
    person = Visitor(0.2, 9.0, height=1.7)
    camera = BODY.intrinsics(12)
    pose = Pose(position=(0.2, 3.0, 1.6))
    bare = CHURCH.render(camera, pose)
    seen = CHURCH.render(camera, pose, visitors=(person,))
    assert not bare.visitors.any()
    rows, columns = np.nonzero(seen.visitors)
    assert rows.min() == pytest.approx(camera.cy - camera.focal * 0.12 / 6.0, abs=2.5)
    assert columns.mean() == pytest.approx(camera.cx, abs=2)
    changed = np.any(bare.radiance != seen.radiance, axis=-1)
    grown = np.pad(seen.visitors, 1)
    near = sum(grown[1 + a : 325 + a, 1 + b : 433 + b].astype(int) for a in (-1, 0, 1) for b in (-1, 0, 1)) > 0
    assert changed[seen.visitors].mean() > 0.98
    assert not (changed & ~near).any()


def test_glass_is_six_to_ten_stops_above_far_stone(frame: SimulatedFrame) -> None:
    luminance = frame.rendered.radiance @ LUMINANCE
    assert np.isfinite(luminance).all()
    assert luminance.min() > 0
    stops = math.log2(float(np.percentile(luminance, 99.7)) / float(np.percentile(luminance, 20)))
    assert 6 < stops < 10


def test_same_seed_same_bytes_on_one_core_as_on_several(
    frame: SimulatedFrame, written: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shot = Shot(LEANING, 12, 5.6, 1 / 15, 800, time=datetime(2027, 4, 20, 15, 6, 7, 250000))
    with monkeypatch.context() as alone:
        alone.setattr(bands, "cores", lambda: 1)
        again = shoot(Church(3), shot, BODY, Lens(), seed=5)
    write_frame(again, tmp_path / "A.dng")
    assert (tmp_path / "A.dng").read_bytes() == written.read_bytes()
    assert not np.array_equal(shoot(CHURCH, shot, BODY, Lens(), seed=6).raw, again.raw)


def test_truth_says_what_was_done(written: Path) -> None:
    truth = json.loads((written.parent / "A.truth.json").read_text(encoding="utf-8"))
    assert truth["up"] == pytest.approx(LEANING.up)
    assert truth["pose"]["pitch_deg"] == pytest.approx(math.degrees(0.16))
    assert truth["noise"]["gain"][0] == pytest.approx(BODY.gain(800))
    arrays = np.load(written.parent / "A.truth.npz")
    assert arrays["radiance"].shape == (324, 432, 3)


def test_reflectance_is_the_same_under_the_lamp() -> None:
    camera = BODY.intrinsics(12)
    pose = Pose(position=(0.2, CHURCH.form.length - 14, 1.6))
    day = CHURCH.render(camera, pose, reflectance=True)
    lamp = Church(3, lamp=900.0).render(camera, pose, reflectance=True)
    assert day.reflectance is not None and lamp.reflectance is not None
    agree = np.isclose(day.reflectance, lamp.reflectance, atol=1e-6).mean()
    assert agree > 0.99  # where the lamp makes new edges, pixels are sampled anew
    more = lamp.radiance - day.radiance
    lit = more[..., 1] > 5
    assert lit.any()
    assert (more[lit][:, 0] / more[lit][:, 2]).mean() > 2


def test_a_camera_in_a_pier_is_refused() -> None:
    f = CHURCH.form
    with pytest.raises(UserError, match="in a pier"):
        CHURCH.render(BODY.intrinsics(12), Pose(position=(f.half + f.wall / 2, f.bay * 2, 1.6)))


def test_panoramas_go_the_same_way() -> None:
    y, x = np.mgrid[0:64, 0:128]
    image = np.repeat((0.5 + 0.4 * np.sin(x / 128 * 2 * np.pi) + y / 64)[..., None], 3, axis=2).astype(np.float32)
    scene = PanoramaScene(image, scale=30.0)
    frame = shoot(scene, Shot(Pose(0.2, 0.1), 12, 5.6, 1 / 8, 400, focus_m=None), BODY, Lens(), seed=1)
    assert frame.raw.max() > BODY.black + 50
    assert not frame.rendered.visitors.any()


def test_demo_visit_has_every_kind_of_view(tmp_path: Path) -> None:
    kinds = {v.kind: v for v in demo_views(Church(1), BODY, 1)}
    assert set(kinds) == {"single", "run", "bracket", "blurred", "visitors", "join"}
    steps = sorted(math.log2(s.seconds) for s in kinds["bracket"].shots)
    assert np.diff(steps) == pytest.approx([2, 2], abs=0.1)
    seen: list[int] = []
    paths = demo_visit(tmp_path, (96, 72), 1, lambda done, of, path: seen.append(done))
    assert 22 <= len(paths) == len(seen) <= 34
    listing = json.loads((tmp_path / "truth" / "visit.json").read_text(encoding="utf-8"))
    assert [f["frame"] for f in listing["frames"]] == [p.name for p in paths]
    blurred = [f["frame"] for f in listing["frames"] if f["kind"] == "blurred"]
    sharp = [
        json.loads((tmp_path / "truth" / f"{Path(b).stem}.truth.json").read_text(encoding="utf-8"))["sharp"]
        for b in blurred
    ]
    assert sum(sharp) == 1
