"""Handholding: the chance that a frame is sharp."""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(frozen=True)
class Hands:
    """Chance of a sharp frame as a logistic in log2(t / t0).

    `t0_stops`: shift in stops of t0 against 1 / (equivalent focal length); `slope`: stops from even odds to e:1.
    The start values are common practice, no source; `learn` refits them on the user's own frames.
    """

    t0_stops: float = 1.0
    slope: float = 0.6

    def t0(self, equivalent_focal_mm: float, stabiliser_stops: float = 0.0) -> float:
        """Shutter time in seconds at which half the frames are sharp; rated stops by CIPA DC-X011."""
        return 2.0 ** (self.t0_stops + stabiliser_stops) / equivalent_focal_mm

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
