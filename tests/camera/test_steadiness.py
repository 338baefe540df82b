"""Frames needed by hand, against scipy's binomial distribution."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from clerestory.camera.steadiness import Hands, frames_needed, frames_to_take


def test_frames_needed_for_one_sharp() -> None:
    assert [frames_needed(p) for p in (1.0, 0.95, 0.5, 0.2)] == [1, 1, 5, 14]  # ceil(ln 0.05 / ln(1 - p))
    with pytest.raises(ValueError, match="nil"):
        frames_needed(0)


def test_frames_to_take_agrees_with_the_binomial_distribution() -> None:
    for sharp, chance in ((1, 0.5), (4, 0.8), (8, 0.35)):
        n = frames_to_take(sharp, chance)
        assert binom.sf(sharp - 1, n, chance) >= 0.95 > binom.sf(sharp - 1, n - 1, chance)
    assert frames_to_take(1, 0.2) == frames_needed(0.2)


def test_slowest_time_has_the_chance_asked() -> None:
    hands = Hands(0.7, 0.5)
    for chance in (0.2, 0.5, 0.9):
        t = hands.slowest(chance, 50, 3)
        assert hands.chance(t, 50, 3) == pytest.approx(chance)
    assert hands.t0(50, 3) == pytest.approx(2 * hands.t0(100, 3))
