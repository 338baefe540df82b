"""Previews against the picture that is written."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from clerestory.develop.colour import encode
from clerestory.finish import tone
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import read_source
from clerestory.raw.group import View
from clerestory.web.motion import Motion
from clerestory.web.preview import OpenView


def test_previews_show_what_is_written(photographed: Path) -> None:
    """At rest and in motion, within the fineness of a preview: medians of 8-bit levels over the whole picture."""
    path = photographed / "frames" / "HM0001.dng"
    opened = OpenView.of(View("nave", "single", (path,), path, ""), lambda _: None)
    recipe = Recipe(exposure=0.4, shade_lift=1.0, colour_temperature=4600.0, plumb=0.8, denoise=0.0, mixed_light=0.6,
                    veiling_glare=4.0)  # fmt: skip
    leaning, bent = (opened.render(recipe, 1000, False, enough) for enough in (None, 400))  # as the geometry moves
    rest = opened.render(recipe, 1000, True)
    lit, few = (opened.render(recipe, 1000, False, enough) for enough in (None, 400))  # as the tone moves
    written = pictures(look(read_source(path), recipe), recipe, (None,))[0]
    # Edges are found anew under another white balance: the vertical moves within its bound.
    assert abs(rest.facts["kept"] - written.crop.kept) < 0.01
    true = encode(written.rgb, "srgb", 8)
    size = tuple(rest.facts["size"])
    true = cv2.resize(true, size, interpolation=cv2.INTER_AREA).astype(float)[..., ::-1]
    for shown, limit, wide in ((rest, 3, 1000), (lit, 6, 1000), (leaning, 6, 1000), (few, 6, 560), (bent, 6, 560)):
        assert tuple(shown.facts["size"]) == size
        pixels = cv2.imdecode(np.frombuffer(shown.jpeg, np.uint8), cv2.IMREAD_COLOR)
        assert max(pixels.shape) == wide
        pixels = cv2.resize(pixels, size, interpolation=cv2.INTER_LINEAR).astype(float)
        off = np.abs(cv2.GaussianBlur(pixels, (0, 0), 2) - cv2.GaussianBlur(true, (0, 0), 2))
        assert np.median(off) < limit, np.median(off)


def test_colours_that_a_setting_changes_are_seen_in_motion() -> None:
    """As at rest, on a flat picture, where half the fineness loses nothing."""
    scene = np.full((96, 128, 3), 0.02, np.float32)
    for settings in (tone.ToneSettings(3.0, 2.0, 0.0, 0.1),
                     tone.ToneSettings(3.0, 2.0, 0.0, 0.1, toning=1.0, monochrome=True)):  # fmt: skip
        moved, _ = Motion(scene).render(settings, None)
        rest = encode(tone.apply(scene, settings), "srgb", 8)[..., ::-1]
        assert np.abs(moved[48, 64].astype(int) - rest[48, 64].astype(int)).max() <= 1
        assert (np.ptp(moved[48, 64]) > 3) == settings.recolours
