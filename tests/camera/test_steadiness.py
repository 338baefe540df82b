"""Frames needed by hand, against scipy's binomial distribution; the user's own hands, against published fits."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.stats import binom

from clerestory.camera.steadiness import Hands, fit_hands, fit_logistic, frames_needed, frames_to_take


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


def test_logistic_fit_gives_the_published_figures() -> None:
    # Distress of O-rings against joint temperature (F) on 23 flights before January 1986: Dalal, Fowlkes & Hoadley,
    # Journal of the American Statistical Association 84 (1989) 945; the fit as widely published, a = 15.0429 with
    # standard error 7.3786, b = -0.2322 with 0.1082.
    fahrenheit = np.array(
        [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
    )
    distress = np.isin(np.arange(23), [1, 8, 9, 10, 13, 20, 22])
    found, covariance = fit_logistic(fahrenheit, distress)
    assert found == pytest.approx([15.0429, -0.2322], abs=5e-5)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([7.3786, 0.1082], abs=1e-4)
    with pytest.raises(ValueError, match="no most likely curve"):
        fit_logistic(np.arange(10.0), np.arange(10) > 4)


def test_hands_are_found_again_with_an_honest_error() -> None:
    rng, truth = np.random.default_rng(5), Hands(3.4, 0.7, stabilised=True)
    off = []
    for _ in range(40):
        focal = rng.choice([24.0, 50.0, 100.0, 200.0], 300)
        seconds = 2.0 ** (truth.t0_stops + rng.uniform(-2.5, 2.5, 300)) / focal
        sharp = rng.random(300) < [truth.chance(t, f) for t, f in zip(seconds, focal, strict=True)]
        fit = fit_hands(seconds, focal, sharp)
        off.append((fit.hands.t0_stops - truth.t0_stops) / fit.t0_error)
        low, middle, high = fit.band(np.array([truth.t0_stops]))
        assert low < middle < high and fit.hands.chance(0.1, 50) == pytest.approx(
            float(fit.band(np.log2([0.1 * 50]))[1][0])
        )
    assert abs(np.mean(off)) < 0.5 and 0.75 < np.std(off) < 1.25  # 40 standard normal draws, nearly


def test_the_fit_with_its_prior_is_the_greatest_product() -> None:
    stops = np.array([1.0, 1.5, 2.0, 4.0, 4.5, 5.0])
    for sharp in (stops < 3, stops < 9, stops > 9):  # told apart without a doubt; all sharp; none
        fit = fit_hands(2.0**stops / 50, np.full(6, 50.0), sharp)

        def cost(at: np.ndarray, sharp: np.ndarray = sharp) -> float:
            odds = at[0] + at[1] * (stops - stops.mean())
            prior = (at[0] / 3) ** 2 / 2 + ((at[1] + 1 / 0.6) / (1 / 0.6)) ** 2 / 2
            return float(np.logaddexp(0, np.where(sharp, -odds, odds)).sum() + prior)

        best = minimize(cost, [0.0, -1.0], method="BFGS", options={"gtol": 1e-8}).x
        assert fit.coefficients == pytest.approx(best, abs=1e-4)
        assert fit.hands.slope > 0 and np.isfinite(fit.t0_error)


def test_measured_hands_hold_the_stabiliser() -> None:
    assert Hands(5.0, stabilised=True).t0(50, 4) == Hands(1.0).t0(50, 4)


def test_a_fit_is_told_where_frames_straddle_the_odds_and_not_where_shutter_times_mean_nothing() -> None:
    stops = np.tile(np.arange(-2.0, 3.0), 12)
    assert fit_hands(2.0**stops / 50, np.full(60, 50.0), stops < 0.5).told
    longer_is_sharper = fit_hands(2.0**stops / 50, np.full(60, 50.0), stops > -1.5)
    assert not longer_is_sharper.told and longer_is_sharper.t0_error > 10
