"""Exported pictures: sizes on screen and paper, names, sets kept as text; read back by other libraries."""

from __future__ import annotations

import io
from pathlib import Path

import colour
import cv2
import exiv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageCms

from clerestory.errors import UserError
from clerestory.finish.export import ExportSet, ExportSets, read_sets, set_from, sets_of, stems, write_sets
from clerestory.finish.icc import NAMES, adapted_to_d50, profile
from clerestory.finish.output import edge_of, resolution_of
from clerestory.finish.sharpen import PAPER, sharpen_for_paper
from clerestory.finish.write import Record, encoded, with_metadata
from clerestory.visit.about import About

COLOUR_SCIENCE = {"srgb": "sRGB", "display-p3": "Display P3", "rec2020": "ITU-R BT.2020"}


@pytest.mark.parametrize("space", NAMES)
def test_every_profile_holds_its_standards_primaries(space: str) -> None:
    """Little CMS reads the colorants; colour-science has the standard's, taken to D50 by Bradford."""
    found = ImageCms.ImageCmsProfile(io.BytesIO(profile(space))).profile
    ours = [found.red_colorant[0], found.green_colorant[0], found.blue_colorant[0]]
    standard = colour.RGB_COLOURSPACES[COLOUR_SCIENCE[space]].matrix_RGB_to_XYZ.T
    np.testing.assert_allclose(ours, standard @ adapted_to_d50().T, atol=3e-4)
    bradford = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        colour.xy_to_XYZ((0.3127, 0.3290)), [0.9642, 1.0, 0.8249], "Bradford"
    )
    np.testing.assert_allclose(adapted_to_d50(), bradford, atol=1e-4)
    assert (
        ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile(space)))).strip() == NAMES[space]
    )


@pytest.mark.parametrize("space", ["display-p3", "rec2020"])
def test_a_saturated_colour_is_the_same_in_every_space(space: str) -> None:
    """A colour inside all three gamuts, written, read by Little CMS as sRGB: within a level and a half of 255."""
    rgb = np.full((32, 32, 3), (0.2, 0.1, 0.06), np.float32)
    image = Image.open(io.BytesIO(encoded(rgb, "jpeg", space, 95)))
    mine = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    got = ImageCms.profileToProfile(image, mine, ImageCms.createProfile("sRGB"), renderingIntent=1)
    plain = Image.open(io.BytesIO(encoded(rgb, "jpeg", "srgb", 95)))
    assert np.abs(np.asarray(got, float).mean((0, 1)) - np.asarray(plain, float).mean((0, 1))).max() < 1.5


@pytest.mark.parametrize("kind", ["jpeg", "tiff"])
def test_the_resolution_is_read_back(kind: str) -> None:
    rgb = np.full((40, 60, 3), 0.3, np.float32)
    data = with_metadata(encoded(rgb, kind, per_inch=300), None, About(), Record(), (60, 40), 300)
    assert tuple(round(float(v)) for v in Image.open(io.BytesIO(data)).info["dpi"]) == (300, 300)
    if kind == "tiff":
        with tifffile.TiffFile(io.BytesIO(data)) as tif:
            assert tif.pages[0].tags["XResolution"].value[0] / tif.pages[0].tags["XResolution"].value[1] == 300
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    assert image.exifData()["Exif.Image.ResolutionUnit"].toString() == "2"


def test_sizes_on_screen_and_on_paper() -> None:
    """300 x 200 mm at 254 pixels an inch are 3000 x 2000 pixels, turned as the picture lies; nothing is enlarged."""
    sheet = ExportSet(name="Sheet", print_size=(200, 300), resolution=254).order()
    assert edge_of(sheet, 6000, 4000) == edge_of(sheet, 4000, 6000) == 3000
    assert edge_of(sheet, 4000, 4000) == 2000 and edge_of(sheet, 8000, 4000) == 3000
    assert resolution_of(sheet, (3000, 2000)) == 254
    assert resolution_of(sheet, (1500, 1000)) == pytest.approx(127)
    inches = ExportSet(name="Sheet", print_size=(12, 8), print_unit="inch", resolution=300).order()
    assert edge_of(inches, 6000, 4000) == 3600
    window = ExportSet(name="Page", within=(1920, 1080)).order()
    assert edge_of(window, 6000, 4000) == 1620 and edge_of(window, 4000, 6000) == 1080
    assert edge_of(ExportSet(name="All").order(), 6000, 4000) is None
    assert resolution_of(ExportSet(name="All").order(), (6000, 4000)) is None


@pytest.mark.parametrize("per_inch", [240.0, 360.0])
def test_on_paper_a_picture_sharpened_for_it_is_nearer_to_what_it_was(per_inch: float) -> None:
    """Paper as a Gaussian spread in reflectance (common practice, no source): detail comes back."""
    rng = np.random.default_rng(4)
    parts = [cv2.GaussianBlur(rng.normal(0, 1, (240, 320)), (0, 0), s) * s for s in (0.8, 1.5, 3, 6)]
    image = sum(parts) / 4 + (np.arange(320) // 40 % 2) * 1.0
    low, high = np.percentile(image, (1, 99))
    picture = np.clip(0.08 + 0.6 * (image - low) / (high - low), 0.06, 0.75).astype(np.float32)
    grey = np.repeat(picture[..., None], 3, axis=2)

    def on_paper(rgb: np.ndarray) -> np.ndarray:
        return cv2.GaussianBlur(rgb, (0, 0), PAPER * per_inch / 25.4)[8:-8, 8:-8, 1]

    plain, helped = on_paper(grey), on_paper(sharpen_for_paper(grey.copy(), per_inch))
    away = [float(np.sqrt(np.mean((p - picture[8:-8, 8:-8]) ** 2))) for p in (plain, helped)]
    assert away[1] < 0.8 * away[0]  # measured: 0.51 at 240, 0.77 at 360


def test_names_from_title_date_and_number_and_no_two_alike() -> None:
    abouts = {"a": About(title="The nave: looking  east"), "b": About(title="the Nave: looking east"), "c": About()}
    days = {"a": "2031-06-01", "c": "2031-06-02"}
    assert stems(("title", "date", "number"), ["a", "b", "c"], abouts, days) == {
        "a": "The-nave-looking-east_2031-06-01_001",
        "b": "the-Nave-looking-east_002",
        "c": "c_2031-06-02_003",
    }
    names = stems(("title",), ["a", "b", "c"], abouts, days)
    assert names["a"] == "The-nave-looking-east" and names["b"] == "the-Nave-looking-east-2"
    long = {"a": About(title="ä" * 500)}
    assert len(stems(("title", "number"), ["a"], long, {})["a"].encode()) < 130


def test_sets_are_text_that_is_read_back_and_mistakes_name_their_line(tmp_path: Path) -> None:
    one = ExportSet(name="Prints, 300 mm", aspects=("own", "16:9"), kinds=("jpeg", "tiff"), space="rec2020",
                    print_size=(300, 200), resolution=300, sharpen_for="print", named=("title",))  # fmt: skip
    two = ExportSet(name="Page", long_edge=2048)
    write_sets(tmp_path, ExportSets(set=(one, two)))
    text = (tmp_path / "exports.toml").read_text(encoding="utf-8")
    assert text.count("[[set]]") == 2 and "better" not in text
    assert read_sets(tmp_path).set == (one, two)
    write_sets(tmp_path, read_sets(tmp_path).without("page").without(one.name))
    assert not (tmp_path / "exports.toml").exists() and read_sets(tmp_path) == ExportSets()
    wrong = {
        '[[set]]\nname = "a"\nspcae = "srgb"\n': "line 3.*did you mean 'space'",
        '[[set]]\nname = "a"\nlong_edge = 2000\nwithin = [1920, 1080]\n': "line 1.*two answers",
        '[[set]]\nname = "a"\nsharpen_for = "print"\n': "resolution = 300",
        '[[set]]\nname = "a"\nspace = "adobe"\n': "line 3",
        '[[set]]\nname = "a/b"\n': "cannot name a folder",
        '[[set]]\nname = "a"\n[[set]]\nname = "A"\n': "rename one",
    }
    for text, message in wrong.items():
        with pytest.raises(UserError, match=message):
            sets_of(text, tmp_path / "exports.toml")


def test_the_command_lines_words_over_a_kept_set() -> None:
    kept = ExportSet(name="Prints", print_size=(300, 200), resolution=300, sharpen_for="print")
    found = set_from([kept], "prints", {"within": "1920x1080", "aspects": "own, 1:1", "kinds": "tiff"})
    assert found.within == (1920, 1080) and found.print_size is None and found.aspects == ("own", "1:1")
    assert found.name == "Prints" and found.sharpen_for == "print"
    assert set_from([], "New", {"print_size": "12x8inch", "resolution": 300}).print_unit == "inch"
    for given in ({"within": "large"}, {"kinds": "png"}, {"aspects": ""}, {"print_size": "30x20mm"}):
        with pytest.raises(UserError):
            set_from([], "New", given)
