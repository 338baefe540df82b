"""Veiling glare of the simulated lens."""

from __future__ import annotations

import numpy as np

from clerestory.simulate.blur import veiled


def test_a_black_patch_in_a_white_field_shows_the_glare_that_the_lens_was_given() -> None:
    """ISO 9358, integral method: light on a small black patch amid white, over the white's; what misses the frame is
    lost, so a little less than the share."""
    white = np.ones((600, 800), np.float32)
    white[292:308, 392:408] = 0
    seen = veiled(white, 0.03)
    assert 0.6 * 0.03 < seen[300, 400] / seen[300, 100] < 1.05 * 0.03
