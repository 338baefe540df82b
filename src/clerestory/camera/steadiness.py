"""Handholding: the chance that a frame is sharp, and what a user's own frames say of it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

SHARP_SHARE = 1 / 4000  # a frame counts as sharp while shake stays below this share of its diagonal (our choice)
F64 = NDArray[np.float64]


@dataclass(frozen=True)
class Hands:
    """Chance of a sharp frame as a logistic in log2(t / t0).

    `t0_stops`: shift in stops of t0 against 1 / (equivalent focal length); `slope`: stops from even odds to e:1.
    The start values are common practice, no source; `learn` refits them on the user's own frames. `stabilised`:
    `t0_stops` was measured with the stabiliser at work and holds its share, so rated stops are not added.
    """

    t0_stops: float = 1.0
    slope: float = 0.6
    stabilised: bool = False

    def t0(self, equivalent_focal_mm: float, stabiliser_stops: float = 0.0) -> float:
        """Shutter time in seconds at which half the frames are sharp; rated stops by CIPA DC-011 (older: DC-X011)."""
        stops = self.t0_stops + (0.0 if self.stabilised else stabiliser_stops)
        return 2.0**stops / equivalent_focal_mm

    def chance(self, seconds: float, equivalent_focal_mm: float, stabiliser_stops: float = 0.0) -> float:
        """Chance (0 to 1) that one frame is sharp."""
        x = math.log2(seconds / self.t0(equivalent_focal_mm, stabiliser_stops)) / self.slope
        return 1 / (1 + math.exp(min(max(x, -60), 60)))

    def slowest(self, chance: float, equivalent_focal_mm: float, stabiliser_stops: float = 0.0) -> float:
        """Slowest shutter time in seconds at which one frame is sharp with this chance (0 to 1, ends excluded)."""
        return self.t0(equivalent_focal_mm, stabiliser_stops) * 2.0 ** (self.slope * math.log(1 / chance - 1))


def frames_needed(chance: float, certainty: float = 0.95) -> int:
    """Frames for `certainty` of at least one sharp: ceil(ln(1 - certainty) / ln(1 - p))."""
    if chance >= 1:
        return 1
    if chance <= 0:
        raise ValueError("no number of frames helps: the chance of a sharp one is nil")
    return max(1, math.ceil(math.log(1 - certainty) / math.log1p(-chance)))


def frames_to_take(sharp: int, chance: float, certainty: float = 0.95) -> int:
    """Frames to take so that at least `sharp` of them are sharp with `certainty` (binomial).

    ValueError where more than 500 would be needed.
    """
    for count in range(sharp, 501):
        short = sum(math.comb(count, k) * chance**k * (1 - chance) ** (count - k) for k in range(sharp))
        if 1 - short >= certainty:
            return count
    raise ValueError("more than 500 frames would be needed: shorten the shutter time")


def fit_logistic(x: F64, yes: NDArray[np.bool_], prior: tuple[F64, F64] | None = None) -> tuple[F64, F64]:
    """Coefficients (a, b) of P(yes) = 1 / (1 + exp(-a - b x)) by maximum likelihood, and their covariance.

    Newton's method; the covariance is the inverse of the Hessian at the maximum. `prior`: means and standard
    deviations of a and b, each (2,): with it the maximum exists also where the outcomes separate (one side of some x
    all yes, the other all no) or are all alike. ValueError where there is no maximum.
    """
    design = np.stack([np.ones(len(x)), np.asarray(x, float)], axis=1)
    mean, weight = (np.zeros(2), np.zeros(2)) if prior is None else (prior[0], prior[1] ** -2.0)
    at = mean.copy()
    for _ in range(100):
        chance = 1 / (1 + np.exp(-np.clip(design @ at, -500, 500)))
        slope = design.T @ (np.asarray(yes, float) - chance) - weight * (at - mean)
        bend = (design * (chance * (1 - chance))[:, None]).T @ design + np.diag(weight)
        if np.linalg.cond(bend) > 1e12:
            break
        step = np.linalg.solve(bend, slope)
        at = at + step / max(1.0, float(np.abs(step).max()) / 2)  # no farther than 2 at once: it cannot run away
        if np.abs(step).max() < 1e-10:
            return at, np.asarray(np.linalg.inv(bend))
    raise ValueError("these outcomes have no most likely curve: all alike, or told apart without a doubt")


EVEN = 3.0  # even odds are assumed at the middle of the user's own frames, give or take this much in the logit


def tells(t0_error: float) -> bool:
    """Whether a fit whose `t0_stops` has that standard error, stops, is surer than what was assumed before it."""
    return t0_error < EVEN * Hands.slope


@dataclass(frozen=True)
class HandsFit:
    """A user's hands from frames told sharp or not: `hands`, with `centre` and coefficients of the logistic in
    x = log2(seconds x equivalent focal length) - centre, their covariance, and the count of frames and sharp ones.
    """

    hands: Hands
    centre: float
    coefficients: tuple[float, float]
    covariance: F64
    frames: int
    sharp: int

    @property
    def t0_error(self) -> float:
        """Standard error of `t0_stops`, stops (delta method)."""
        a, b = self.coefficients
        turn = np.array([-1 / b, a / b**2])
        return float(math.sqrt(turn @ self.covariance @ turn))

    @property
    def told(self) -> bool:
        """Whether the frames say anything (`tells`)."""
        return tells(self.t0_error)

    def band(self, stops: F64, deviations: float = 1.96) -> tuple[F64, F64, F64]:
        """Chance of a sharp frame and its band (95 %): low, middle, high, each (n,), 0 to 1.

        `stops`, (n,): log2 of seconds times equivalent focal length in mm; `deviations`: half width of the band in
        standard deviations. The band is that of the curve's height in the logit, carried to chances.
        """
        design = np.stack([np.ones(len(stops)), np.asarray(stops) - self.centre], axis=1)
        middle = design @ np.array(self.coefficients)
        reach = deviations * np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design))
        low, mid, high = (1 / (1 + np.exp(-(middle + k * reach))) for k in (-1, 0, 1))
        return low, mid, high


def fit_hands(seconds: F64, equivalent_mm: F64, sharp: NDArray[np.bool_]) -> HandsFit:
    """Hands from frames: shutter times (n,), seconds, equivalent focal lengths (n,), mm, whether each is sharp (n,).

    One frame at least; logistic regression by `fit_logistic`.

    The prior (our choice) weighs about as much as a handful of frames: even odds at the middle of the user's own
    frames give or take a factor e^3, and the slope that `Hands` starts with, give or take as much again.
    """
    stops = np.log2(np.asarray(seconds, float) * np.asarray(equivalent_mm, float))
    centre, start = float(stops.mean()), -1 / Hands.slope
    found, covariance = fit_logistic(stops - centre, sharp, (np.array([0.0, start]), np.array([EVEN, -start])))
    a, b = float(found[0]), min(float(found[1]), -0.05)  # longer times never help: that would be chance
    hands = Hands(centre - a / b, -1 / b, stabilised=True)
    return HandsFit(hands, centre, (a, b), covariance, len(stops), int(np.count_nonzero(sharp)))
