"""A focal length read off the building's own square directions, where the file does not tell it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import ASSUMED_EQUIVALENT, Camera
from clerestory.camera.lens import Distortion
from clerestory.vertical import segments as lines
from clerestory.vertical import vanishing
from clerestory.vertical.result import PlaneNoise, Vertical, noise_pair, unknown
from clerestory.vertical.verdict import FEWEST, judged


@dataclass(frozen=True)
class FocalEstimate:
    """A focal length read off the building's own directions: pixels of the plane, with a 95 % range."""

    focal: float
    low: float
    high: float
    upright: Vertical


def estimate_focal(
    luma: NDArray[np.float32],
    distortion: Distortion | None = None,
    noise: PlaneNoise | tuple[float, float] | None = None,
    equivalents: tuple[float, float] = (13.0, 120.0),
) -> FocalEstimate:
    """The focal length at which a building's three square directions agree best, when the file does not tell it.

    `equivalents` is the range looked through, mm on 36 x 24. The optical centre is taken as the middle of the plane.
    Needs two or more directions that converge within reach; with fewer the range comes out as wide as looked through.
    """
    height, width = luma.shape
    per_mm = math.hypot(width, height) / math.hypot(36, 24)
    middle = Camera.centred(width, height, ASSUMED_EQUIVALENT * per_mm, distortion)
    drawn = lines.find_segments(luma, middle, noise_pair(noise))
    slope = drawn.slope

    def at(log_focal: float) -> tuple[float, lines.Segments]:
        camera = Camera.centred(width, height, math.exp(log_focal))
        return log_focal, lines.on_sphere(drawn.ends, slope, drawn.contrast, camera)

    if len(drawn) < FEWEST:
        low, high = (e * per_mm for e in equivalents)
        return FocalEstimate(math.sqrt(low * high), low, high, unknown("This frame has hardly a straight edge."))
    span = [math.log(e * per_mm) for e in equivalents]
    coarse = np.linspace(span[0], span[1], 13)
    tried = {float(x): vanishing.find(at(float(x))[1])[0] for x in coarse}
    top = max(tried, key=lambda x: tried[x].score)
    start = tried[top]
    fine = np.clip(top + np.linspace(-0.24, 0.24, 17), span[0], span[1])
    for x in fine:
        tried[float(x)] = vanishing.fit(at(float(x))[1], start.frame)
    return _focal_from(tried, at)


def _focal_from(
    tried: dict[float, vanishing.Fit], at: Callable[[float], tuple[float, lines.Segments]]
) -> FocalEstimate:
    """The likeliest focal length and its 95 % range from likelihoods at several logarithms of it."""
    x = np.array(sorted(tried))
    # Edges of one building are no independent witnesses: only the square root of their number is believed.
    score = np.array([tried[float(v)].score for v in x])
    found = tried[float(x[int(np.argmax(score))])]
    believed = math.sqrt(max(found.share.sum(), 1.0))
    weight = np.exp((score - score.max()) / believed) * np.gradient(x)
    share = np.cumsum(weight) / weight.sum()
    low, high = (float(np.interp(q, share, x)) for q in (0.025, 0.975))
    best = float(x[int(np.argmax(score))])
    fits = vanishing.find(at(best)[1])
    return FocalEstimate(math.exp(best), math.exp(low), math.exp(high), judged(fits))
