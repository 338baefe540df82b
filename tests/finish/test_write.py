"""Pictures read back by other libraries: pixels, profile and every metadata field."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import exiv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import example, given, settings
from hypothesis import strategies as st
from PIL import Image

from clerestory.errors import UserError
from clerestory.finish.icc import profile
from clerestory.finish.jpeg import BAND, jpeg
from clerestory.finish.recipe import FORMER, Recipe, read_recipe
from clerestory.finish.write import Record, encoded, with_metadata
from clerestory.visit.about import About

CAPTION = About(
    title="The nave, looking east — naïve",
    caption="A line of caption.",
    place="St Corvane, Harrowmere",
    creator="A. Person",
    rights="© A. Person",
    permit="Permit 12",
    keywords=("nave", "stone"),
)


@pytest.fixture()
def rgb() -> np.ndarray:
    """A small smooth picture."""
    y, x = np.mgrid[:60, :80].astype(np.float32)
    return np.stack([x / 100, y / 80, (x + y) / 200], axis=-1)


@pytest.mark.parametrize("kind", ["jpeg", "tiff"])
def test_every_field_is_read_back(kind: str, rgb: np.ndarray) -> None:
    data = with_metadata(encoded(rgb, kind), None, CAPTION, Record({"View": "view-01"}), (80, 60))
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    xmp = {d.key(): str(d.value()) for d in image.xmpData()}
    iptc = [(d.key(), d.toString()) for d in image.iptcData()]
    assert CAPTION.title in xmp["Xmp.dc.title"] and CAPTION.caption in xmp["Xmp.dc.description"]
    assert xmp["Xmp.iptc.Location"] == CAPTION.place and xmp["Xmp.clerestory.View"] == "view-01"
    assert CAPTION.rights in xmp["Xmp.dc.rights"] and CAPTION.permit in xmp["Xmp.xmpRights.UsageTerms"]
    assert ("Iptc.Application2.ObjectName", CAPTION.title) in iptc
    assert [v for k, v in iptc if k == "Iptc.Application2.Keywords"] == ["nave", "stone"]
    assert image.exifData()["Exif.Image.Orientation"].toString() == "1"


def test_same_bytes_twice(rgb: np.ndarray) -> None:
    for kind in ("jpeg", "tiff"):
        one, two = (with_metadata(encoded(rgb, kind), None, CAPTION, Record(), (80, 60)) for _ in range(2))
        assert one == two


def test_tiff_has_sixteen_bits_and_a_profile(rgb: np.ndarray) -> None:
    data = with_metadata(encoded(rgb, "tiff", "display-p3"), None, CAPTION, Record(), (80, 60))
    with tifffile.TiffFile(io.BytesIO(data)) as tif:
        assert tif.asarray().dtype == np.uint16 and tif.asarray().shape == (60, 80, 3)
        assert len(tif.pages[0].tags["InterColorProfile"].value) > 400
    jpeg = Image.open(io.BytesIO(encoded(rgb, "jpeg", "display-p3")))
    assert len(jpeg.info["icc_profile"]) > 400


def test_recipe_round_trip_and_clear_errors(tmp_path: Path) -> None:
    path = tmp_path / "view-01.toml"
    recipe = Recipe(exposure=0.5, plumb=0.8, aspect="16:9", crop=(0.1, -0.2))
    path.write_text(recipe.toml(), encoding="utf-8")
    assert read_recipe(path) == recipe
    assert read_recipe(tmp_path / "none.toml") == Recipe()
    for text, message in (("plumb = 3\n", "plumb"), ("plump = 1\n", "plump"), ("plumb = = 1", "line 1, plumb")):
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UserError, match=message) as caught:
            read_recipe(path)
        assert "view-01.toml" in str(caught.value) and "\n" not in str(caught.value)


def test_a_recipe_of_an_earlier_version_is_told_its_new_names(tmp_path: Path) -> None:
    path = tmp_path / "view-01.toml"
    for old, new in FORMER.items():
        assert new in Recipe.model_fields and old not in Recipe.model_fields
        path.write_text(f"{old} = 1\n", encoding="utf-8")
        with pytest.raises(UserError, match=f"{old}: is now called '{new}'"):
            read_recipe(path)
    path.write_text('[[lines]]\nkind = "upright"\nstart = [0.1, 0.1]\nend = [0.1, 0.9]\n', encoding="utf-8")
    with pytest.raises(UserError, match="line 2, lines 1, kind: 'upright' is now called 'vertical'"):
        read_recipe(path)


@settings(max_examples=12, deadline=None)
@given(height=st.integers(1, 1600), width=st.integers(1, 90), seed=st.integers(0, 99))
@example(height=BAND, width=8, seed=0)
@example(height=2 * BAND + 1, width=9, seed=0)
@example(height=3 * BAND - 64, width=7, seed=0)
def test_a_jpeg_of_bands_is_read_as_what_pillow_makes_of_the_whole(height: int, width: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    coded = cv2.resize(rng.integers(0, 256, (8, 8, 3)).astype(np.uint8), (width, height))
    whole = io.BytesIO()
    Image.fromarray(coded).save(whole, "JPEG", quality=93, subsampling=0)
    ours = jpeg(coded, 93, profile("display-p3"), 300)
    read = Image.open(io.BytesIO(ours))
    assert np.array_equal(np.asarray(read), np.asarray(Image.open(whole)))
    assert read.info["dpi"] == (300, 300) and read.info["icc_profile"] == profile("display-p3")
    assert np.array_equal(by_imagecodecs(ours), np.asarray(read)), "and by another decoder"


def by_imagecodecs(data: bytes) -> np.ndarray:
    """A JPEG as imagecodecs decodes it."""
    return np.asarray(imagecodecs.jpeg8_decode(data))


def test_a_picture_larger_than_a_jpeg_can_be_is_refused_in_one_sentence() -> None:
    with pytest.raises(UserError, match="65536 x 1 pixels is too large for a JPEG"):
        encoded(np.zeros((1, 65536, 3), np.float32), "jpeg")
