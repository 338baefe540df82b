"""Soft proof against what a profile says of itself: Little CMS through an invented paper, and colour-science."""

import colour
import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.finish.icc import profile
from clerestory.finish.soft_proof import paper_name, soft_proof

# A grid of sRGB codes over the whole cube.
CODES = np.stack(np.meshgrid(*[np.linspace(0, 255, 17)] * 3, indexing="ij"), -1).reshape(17, -1, 3).astype(np.uint8)


@pytest.mark.parametrize("intent", ["relative", "perceptual"])
def test_a_paper_that_shows_all_colours_changes_none_and_one_that_does_not_is_found_out(intent: str) -> None:
    same = soft_proof(CODES, profile("srgb"), intent)  # type: ignore[arg-type]
    assert np.abs(same.shown.astype(int) - CODES).max() <= 1 and same.share == 0
    wider = soft_proof(CODES, profile("rec2020"), intent)  # type: ignore[arg-type]
    assert np.abs(wider.shown.astype(int) - CODES).max() <= 2 and wider.share == 0


def test_what_the_paper_cannot_show_is_what_lies_outside_its_primaries_by_colour_science() -> None:
    """Pictures in Rec. 2020 on a "paper" of sRGB: outside are the colours whose sRGB values leave 0 to 1."""
    found = soft_proof(CODES, profile("srgb"), space="rec2020")
    linear = colour.models.eotf_sRGB(CODES / 255)
    space = colour.RGB_COLOURSPACES
    inside = colour.RGB_to_RGB(linear, space["ITU-R BT.2020"], space["sRGB"], None)
    over = np.maximum(inside.max(-1) - 1, -inside.min(-1))
    assert found.outside[over > 0.1].mean() > 0.95  # far outside
    assert not found.outside[over < 0.001].any()  # inside
    grey = found.outside_in_colour()[~found.outside]
    assert (np.ptp(grey.astype(int), axis=-1) == 0).all()


def test_a_colour_that_the_paper_has_not_is_shown_as_the_paper_can() -> None:
    """Rec. 2020 on a "paper" of sRGB: what is shown is what colour-science clips to sRGB; and grey stays."""
    shown = soft_proof(CODES, profile("srgb"), space="rec2020").shown
    space = colour.RGB_COLOURSPACES
    inside = colour.RGB_to_RGB(colour.models.eotf_sRGB(CODES / 255), space["ITU-R BT.2020"], space["sRGB"], None)
    wanted = 255 * colour.models.eotf_inverse_sRGB(np.clip(inside, 0, 1))
    assert np.abs(shown - wanted).max() <= 1


def test_what_is_no_paper_is_refused_with_what_to_take() -> None:
    assert paper_name(profile("display-p3")) == "Display P3"
    with pytest.raises(UserError, match=r"no ICC profile.*take the \.icc"):
        soft_proof(CODES, b"not a profile" * 40)
