"""A finished picture's coded values as linear light, by the colour space that its file names.

Phones save Display P3, and cameras may save wider spaces still: taken for sRGB their colours would be dull. What the
file says counts: an ICC profile (reckoned by Little CMS through imagecodecs, in floats, so that colours outside of
sRGB come out below 0 and above 1 and are not lost), or the code points of ITU-T H.273 in a HEIC. sRGB else.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image

from clerestory.raw import srgb
from clerestory.raw.primaries import CODES, D65, PRIMARIES

F32 = NDArray[np.float32]
ICC_TAG = 34675  # TIFF: ICC.1:2010, annex B.4
SAME = 2e-3  # linear light by which a profile may be off sRGB's and still be sRGB: profiles of it differ by less
_STRIP = 512  # rows converted at once
_SRGB_CURVES = (1, 2, 6, 13, 14, 15)  # ITU-T H.273: curves that are sRGB's, or taken for it
UNUSED = "its colour profile cannot be used; its colours are taken as sRGB"


def profile_in(path: Path, kind: str, heif: Mapping[str, Any] | None = None) -> bytes | None:
    """The ICC profile of a picture file, or one made from its code points; None where it has none.

    `kind`: '' for TIFF, else as the file begins. `heif`: what libheif says of a HEIC file.
    """
    if heif is not None:
        found = heif.get("icc_profile") or None
        return bytes(found) if found else _of_code_points(heif.get("nclx_profile") or {})
    if not kind:
        with tifffile.TiffFile(path) as tif:
            tag = tif.pages.first.tags.get(ICC_TAG)
            return None if tag is None else bytes(tag.value)
    with Image.open(path) as picture:
        data = picture.info.get("icc_profile")
        return bytes(data) if data else None


def linear_light(values: NDArray[np.uint8] | NDArray[np.uint16], profile: bytes | None) -> tuple[F32, str]:
    """Linear light, H x W x 3, sRGB primaries, 1 at white, of coded values (8 or 16 bits, H x W x 3), and a remark:
    empty where there is nothing to say. Colours outside of sRGB lie below 0 or above 1."""
    full = np.iinfo(values.dtype).max
    said = ""
    if profile is not None:
        try:
            if not _is_srgb(profile):
                return _through(values, profile), ""
        except Exception:  # of a damaged profile the library raises nearly everything there is
            said = UNUSED
    table = srgb.linear(np.arange(full + 1, dtype=np.float32) / np.float32(full)).astype(np.float32)
    return np.ascontiguousarray(table[values]), said


def _through(values: NDArray[Any], profile: bytes) -> F32:
    import imagecodecs

    target = _profile_of("srgb", gamma=1.0)
    out = np.empty(values.shape, np.float32)
    for row in range(0, len(values), _STRIP):
        part = np.ascontiguousarray(values[row : row + _STRIP])
        out[row : row + _STRIP] = imagecodecs.cms_transform(
            part, profile, target, colorspace="rgb", outcolorspace="rgb", outdtype="float32"
        )
    return out


def _is_srgb(profile: bytes) -> bool:
    ramp = np.arange(0, 256, 5, dtype=np.uint8)
    patches = np.zeros((4, len(ramp), 3), np.uint8)
    patches[3] = ramp[:, None]
    for k in range(3):
        patches[k, :, k] = ramp
    plain = srgb.linear(patches.astype(np.float32) / np.float32(255))
    return bool(np.abs(_through(patches, profile) - plain).max() < SAME)


def _of_code_points(said: Mapping[str, Any]) -> bytes | None:
    """A profile of the primaries that code points name, with sRGB's curve; None for sRGB and what is unknown."""
    space = next((name for name, code in CODES.items() if code == said.get("color_primaries")), "srgb")
    if space == "srgb" or said.get("transfer_characteristics") not in _SRGB_CURVES:
        return None
    return _profile_of(space, transferfunction=srgb.linear(np.linspace(0, 1, 4096)).astype(np.float32))


def _profile_of(space: str, **curve: Any) -> bytes:
    """An ICC profile of the primaries of a space, with a curve as imagecodecs takes it."""
    import imagecodecs

    flat = [w for xy in PRIMARIES[space] for w in (*xy, 1.0)]
    return bytes(imagecodecs.cms_profile("rgb", whitepoint=(*D65, 1.0), primaries=flat, **curve))
