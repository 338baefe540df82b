"""DNG out: readers that are not ours find the light that went in, and ours finishes it to the same picture."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import exiv2
import numpy as np
import pytest
import rawpy

from clerestory.develop.colour import encode
from clerestory.errors import UserError
from clerestory.finish.history import Step
from clerestory.finish.negative import write_negative
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import Source, read_source
from clerestory.finish.sources import source_of
from clerestory.raw.group import View
from clerestory.raw.own import Noted, packed, unpacked
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import shoot, write_frame
from clerestory.simulate.visit import demo_views
from clerestory.visit.about import About

ABOUT = About(title="East window", creator="A. Person")


@pytest.fixture(scope="module")
def bracket(tmp_path_factory: pytest.TempPathFactory) -> View:
    """Three frames two stops apart of an invented church, 864 x 648."""
    folder = tmp_path_factory.mktemp("bracket")
    church, body, lens = Church(1), SimulatedCamera(width=864, height=648, hot_share=1e-5), Lens()
    base = next(v for v in demo_views(church, body, 1) if v.name == "nave").shots[0]
    paths = []
    for number, stops in enumerate((0, -2, 2)):
        shot = replace(base, seconds=base.seconds * 2.0**stops)
        paths.append(folder / f"DN{number:04d}.dng")
        write_frame(shoot(church, shot, body, lens, number + 1), paths[-1], folder)
    return View("view-01", "bracket", tuple(paths), paths[0], "three exposures")


def shown(source: Source) -> np.ndarray:
    return encode(pictures(look(source, Recipe()), Recipe(), (None,))[0].rgb, "srgb", 8).astype(int)


def test_a_bracket_as_dng_is_read_by_others_and_finished_again_to_the_same_picture(
    bracket: View, tmp_path: Path
) -> None:
    source = source_of(bracket)
    assert source.mosaic is not None and source.noise is not None
    recipe, path = Recipe(window_hold=3.0), tmp_path / "view-01.dng"
    write_negative(bracket, recipe, path, ABOUT, done=[Step(1, ("window hold automatic → 3",))])
    with rawpy.imread(str(path)) as raw:  # LibRaw
        assert np.array_equal(raw.raw_image_visible, source.mosaic.raw)
        assert raw.white_level == round(float(source.mosaic.white.min()))
        balance = np.array(raw.camera_whitebalance[:3]) / raw.camera_whitebalance[1]
        wanted = source.mosaic.as_shot
        assert wanted is not None
        assert np.allclose(balance, np.array(wanted) / wanted[1], rtol=0.005)
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    tags = {datum.key(): datum.toString() for datum in image.exifData()}
    matrix = [float(Fraction(v)) for v in tags["Exif.Image.ColorMatrix1"].split()]
    assert np.allclose(np.reshape(matrix, (3, 3)), source.mosaic.xyz_to_camera, atol=1e-5)
    assert tags["Exif.Image.Orientation"] == str(source.info.orientation)
    assert float(Fraction(tags["Exif.Photo.ExposureTime"])) == pytest.approx(source.info.seconds, rel=1e-4)
    slope, floor = (float(v) for v in tags["Exif.Image.NoiseProfile"].split()[:2])
    span = float(source.mosaic.white[0] - source.mosaic.black[0])
    assert slope == pytest.approx(source.noise.gain[0] / span), "NoiseProfile, DNG 1.4: S of the first plane"
    assert floor == pytest.approx((source.noise.read[0] / span) ** 2)
    said = {datum.key(): datum.toString() for datum in image.xmpData()}
    assert tomllib.loads(said["Xmp.clerestory.Recipe"]) == {"window_hold": 3.0}
    assert said["Xmp.clerestory.History"].endswith("window hold automatic → 3")
    assert "East window" in said["Xmp.dc.title"]
    again = read_source(path)
    assert np.abs(shown(again) - shown(source)).max() <= 1


def test_upright_it_is_linear_colour_that_needs_nothing_more(bracket: View, tmp_path: Path) -> None:
    path = tmp_path / "upright.dng"
    recipe = Recipe(crop_size=0.6)
    write_negative(bracket, recipe, path, ABOUT, upright=True)
    seen = look(source_of(bracket), recipe)
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_type is rawpy.RawType.Stack
        height, width = raw.raw_image_visible.shape[:2]
        assert np.allclose(np.array(raw.camera_whitebalance[:3]), raw.camera_whitebalance[1], rtol=1e-3)
    picture = pictures(seen, recipe, (None,))[0]
    assert (height, width) == picture.rgb.shape[:2]
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    baseline = float(Fraction(image.exifData()["Exif.Image.BaselineExposure"].toString()))
    assert baseline > 0, "the brightest glass lies above white"
    again = look(read_source(path), Recipe(plumb=0.0))
    plain = look(source_of(bracket), recipe)
    assert again.settings.exposure == pytest.approx(plain.settings.exposure + baseline, abs=0.3), "no light is lost"


def test_what_a_dng_cannot_hold_is_said(tmp_path: Path) -> None:
    from PIL import Image

    path = tmp_path / "P1.jpg"
    Image.fromarray(np.full((400, 600, 3), 90, np.uint8)).save(path)
    view = View("view-02", "single", (path,), path, "alone")
    with pytest.raises(UserError, match="no raw files"):
        write_negative(view, Recipe(), tmp_path / "out.dng", ABOUT)
    assert not (tmp_path / "out.dng").exists()


def test_notes_come_back_and_damage_is_no_note() -> None:
    from clerestory.camera.noise import NoiseModel

    excess = np.exp2(np.random.default_rng(2).uniform(0, 6, (31, 47))).astype(np.float32)
    data = packed(Noted(NoiseModel((1, 2, 3, 4), (5, 6, 7, 8)), excess, 5))
    found = unpacked(data)
    assert found is not None and found.frames == 5 and found.noise.read == (5, 6, 7, 8)
    assert found.excess is not None
    assert np.array_equal(found.excess, excess)
    rng = np.random.default_rng(3)
    for _ in range(300):
        spoilt = bytearray(data)
        for at in rng.integers(0, len(spoilt), 4):
            spoilt[at] = rng.integers(256)
        unpacked(bytes(spoilt))
        unpacked(bytes(spoilt[: rng.integers(len(spoilt))]))


def test_the_command_writes_each_view_beside_its_pictures(bracket: View, tmp_path: Path) -> None:
    from typer.testing import CliRunner

    from clerestory.cli import app

    (tmp_path / "frames").mkdir()
    for path in bracket.frames:
        (tmp_path / "frames" / path.name).write_bytes(path.read_bytes())
    done = CliRunner().invoke(app, ["dng", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert (tmp_path / "pictures" / "view-01.dng").exists()
    refused = CliRunner().invoke(app, ["dng", str(tmp_path), "--view", "view-9"])
    assert refused.exit_code != 0
    assert "There is no view view-9; choose from view-01" in f"{refused.output}{refused.exception}"
