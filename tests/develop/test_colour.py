"""Colour: matrices, encoding and profiles against colour-science and Little CMS."""

from __future__ import annotations

import io

import colour
import numpy as np
import pytest
from PIL import Image, ImageCms

from clerestory.camera.lens import Vignetting
from clerestory.develop.colour import (
    balanced_values,
    encode,
    to_space,
    to_working,
    working_from_camera,
    xyz_from_rgb,
)
from clerestory.develop.demosaic import Balanced
from clerestory.finish.icc import profile
from clerestory.raw import srgb


@pytest.mark.parametrize(
    ("ours", "theirs"), [("rec2020", "ITU-R BT.2020"), ("srgb", "sRGB"), ("display-p3", "Display P3")]
)
def test_matrices_agree_with_the_reference(ours: str, theirs: str) -> None:
    """Against colour-science's RGB colour spaces (BT.2020, IEC 61966-2-1, SMPTE EG 432-1)."""
    reference = colour.RGB_COLOURSPACES[theirs].matrix_RGB_to_XYZ
    assert np.abs(xyz_from_rgb(ours) - reference).max() < 6e-4


def test_encoding_agrees_with_the_reference() -> None:
    x = np.linspace(0, 1, 1001)
    assert np.abs(srgb.encoded(x) - colour.RGB_COLOURSPACES["sRGB"].cctf_encoding(x)).max() < 1e-6


def test_neutral_stays_neutral_through_any_camera() -> None:
    matrix = np.array([[0.9, -0.3, -0.1], [-0.4, 1.2, 0.2], [-0.05, 0.2, 0.6]])
    assert np.allclose(working_from_camera(matrix) @ np.ones(3), 1)


def test_grey_ramp_encodes_to_within_half_a_level_of_exact() -> None:
    grey = np.repeat(np.linspace(0, 1, 4000, dtype=np.float32)[None, :, None], 3, axis=2)
    exact = srgb.encoded(grey[..., 0]) * 65535
    assert np.abs(encode(grey, "srgb", 16)[..., 1].astype(float) - exact).max() < 12
    eight = encode(np.repeat(grey, 64, axis=0), "srgb", 8)
    assert np.abs(eight[..., 1].mean(axis=0) - srgb.encoded(grey[0, :, 0]) * 255).max() < 0.25


@pytest.mark.parametrize("glass", [(0.02, 0.5, 0.03), (0.02, 0.03, 0.5), (0.6, 0.02, 0.01), (0.9, 0.8, 0.02)])
def test_out_of_gamut_colours_keep_hue_and_are_not_clipped_flat(glass: tuple[float, float, float]) -> None:
    """Saturated Rec. 2020 colours in colour-science's Oklab: hue and lightness stay, chroma alone goes down."""
    shown = encode(np.array([[glass]], np.float32), "srgb", 16)[0, 0] / 65535
    linear = np.where(shown <= 0.04045, shown / 12.92, ((shown + 0.055) / 1.055) ** 2.4)
    before, after = (
        colour.XYZ_to_Oklab(xyz_from_rgb(space) @ rgb)
        for space, rgb in (("rec2020", np.array(glass)), ("srgb", linear))
    )
    assert min(to_space("srgb") @ glass) < 0 or max(to_space("srgb") @ glass) > 1
    assert after[0] == pytest.approx(before[0], abs=0.003)
    turn = np.degrees(np.arctan2(after[2], after[1]) - np.arctan2(before[2], before[1]))
    assert abs((turn + 180) % 360 - 180) < 1.5
    assert 0.45 * np.hypot(*before[1:]) < np.hypot(*after[1:]) < np.hypot(*before[1:])


@pytest.mark.parametrize("space", ["srgb", "display-p3"])
def test_profiles_read_by_little_cms(space: str) -> None:
    """Our profile against an independent path: Little CMS to XYZ-based sRGB, compared with colour-science."""
    mine = ImageCms.ImageCmsProfile(io.BytesIO(profile(space)))
    srgb = ImageCms.createProfile("sRGB")
    values = np.random.default_rng(3).integers(40, 200, (32, 32, 3), dtype=np.uint8)
    transform = ImageCms.buildTransform(mine, srgb, "RGB", "RGB", renderingIntent=1)
    got = np.asarray(ImageCms.applyTransform(Image.fromarray(values), transform)).astype(float)
    name = {"srgb": "sRGB", "display-p3": "Display P3"}[space]
    want = colour.RGB_to_RGB(
        values / 255,
        name,
        "sRGB",
        apply_cctf_decoding=True,
        apply_cctf_encoding=True,
        chromatic_adaptation_transform=None,
    )
    inside = ((want > 0) & (want < 1)).all(axis=-1)
    assert np.abs(got - want * 255)[inside].max() <= 1.01


def test_fall_off_is_made_good_as_the_opcode_says() -> None:
    """FixVignetteRadial (DNG specification 1.4, chapter 7): gain 1 + k0 r^2 + ... with r = 1 at the far corner."""
    counts = np.full((41, 61, 3), 1000, np.uint16)
    flat = Balanced(counts, 1e-4, np.zeros(3), np.ones(3))
    out = to_working(balanced_values(flat), None, Vignetting((0.4, 0.1, 0, 0, 0)))
    assert np.allclose(out[20, 30], 0.1, rtol=1e-4)
    assert np.allclose(out[0, 0], 0.1 * 1.5, rtol=1e-4)
