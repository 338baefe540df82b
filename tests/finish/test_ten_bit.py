"""AVIF and JPEG XL read back by readers that are not ours: libavif in Pillow, imagecodecs, exiv2."""

import io
import json
import struct

import exiv2
import imagecodecs
import numpy as np
import pytest
import tifffile
from PIL import Image

from clerestory.errors import UserError
from clerestory.finish.export import set_of
from clerestory.finish.ten_bit import CODE_POINTS
from clerestory.finish.write import Record, encoded, with_metadata
from clerestory.visit.about import About

ABOUT = About(title="Rose of Tallowmere", caption="Ünder the glass", creator="A. Fenwick", keywords=("glass", "rose"))


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    """Display-linear working RGB: ramps of grey and of a pure red, and a soft texture."""
    y, x = np.mgrid[:240, :360].astype(np.float32)
    out = np.repeat((x / 359)[..., None], 3, axis=2) ** 2
    out[:80, :, 1:] *= 0.1
    out[160:] *= (0.8 + 0.2 * np.sin(y[160:] / 9) * np.cos(x[160:] / 7))[..., None]
    return out.astype(np.float32)


@pytest.mark.parametrize(("kind", "space"), [*(("avif", space) for space in CODE_POINTS), ("jxl", "srgb")])
def test_ten_bit_picture_is_the_tiff_and_its_words_are_read_by_others(
    picture: np.ndarray, kind: str, space: str
) -> None:
    tiff = tifffile.imread(io.BytesIO(encoded(picture, "tiff", space))).astype(float) / 65535
    data = with_metadata(encoded(picture, kind, space, 93), None, ABOUT, Record({"View": "view-01"}), (360, 240))
    back = imagecodecs.avif_decode(data) if kind == "avif" else imagecodecs.jpegxl_decode(data)
    assert back.dtype == np.uint16 and back.max() > 1000  # 10 bits, not 8 spread out
    off = np.abs(back / 1023 - tiff) * 255
    assert off.mean() < 0.8 and np.percentile(off, 99) < 4
    image = exiv2.ImageFactory.open(data)
    image.readMetadata()
    assert image.xmpData()["Xmp.dc.title"].toString().endswith(ABOUT.title)
    assert image.xmpData()["Xmp.dc.description"].toString().endswith(ABOUT.caption)
    assert image.xmpData()["Xmp.clerestory.View"].toString() == "view-01"
    assert image.exifData()["Exif.Image.Artist"].toString() == ABOUT.creator
    if kind == "avif":
        shown = Image.open(io.BytesIO(data))
        assert shown.getexif()[0x013B] == ABOUT.creator and b"Rose of Tallowmere" in shown.info["xmp"]
        at = data.index(b"colrnclx")  # code points of ITU-T H.273: primaries, curve, matrix
        assert struct.unpack_from(">HHH", data, at + 8) == (CODE_POINTS[space][0], 13, CODE_POINTS[space][1])
        assert np.abs(np.asarray(shown.convert("RGB")).astype(float) - back / 1023 * 255).mean() < 0.6


def test_jpeg_xl_in_another_space_is_refused_with_what_to_ask_for(picture: np.ndarray) -> None:
    with pytest.raises(UserError, match="sRGB only, not in rec2020; ask for"):
        encoded(picture, "jxl", "rec2020")
    with pytest.raises(UserError, match="sRGB only, not in display-p3; write avif or tiff"):
        set_of(json.loads('{"name": "W", "kinds": ["jxl"], "space": "display-p3"}'))
