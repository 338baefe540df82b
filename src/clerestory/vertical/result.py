"""What is said of a building's vertical in a frame: the direction, its uncertainty, a verdict in words."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.pose import pitch_roll_of
from clerestory.vertical import vanishing

Array = NDArray[np.float64]
# How surely the vertical of a picture is known.
Verdict = Literal["sure", "unsure", "cannot tell"]


class PlaneNoise(Protocol):
    """Noise of a linear plane: variance = slope x value + floor."""

    @property
    def slope(self) -> float: ...
    @property
    def floor(self) -> float: ...


@dataclass(frozen=True)
class Direction:
    """A level direction of the building seen in a frame: unit vector in camera axes, its 95 % bound in degrees, and
    how many separate parts of the building bear it out."""

    vector: tuple[float, float, float]
    bound_deg: float
    witnesses: int


@dataclass(frozen=True)
class Vertical:
    """Which way is up in a frame.

    `up`: unit vector in camera axes; `pitch`, `roll`: the camera's, radians; `covariance`: 2 x 2, squared radians,
    of the direction along `vanishing.tangent` (as pitch grows, as roll grows); `bound_deg`: 95 % of directions are
    closer than this; `axes`: level directions found, the one nearer the view first; `n_segments`: edges that bear
    the vertical out; `reasons`: why the verdict is what it is.
    """

    verdict: Verdict
    up: tuple[float, float, float]
    pitch: float
    roll: float
    covariance: tuple[tuple[float, float], tuple[float, float]]
    bound_deg: float
    axes: tuple[Direction, ...]
    n_segments: int
    reasons: str


def unknown(reasons: str) -> Vertical:
    """Nothing but how cameras are held; level stands in for the answer, so that nothing is turned by chance."""
    cov = np.diag((vanishing.HELD**2).sum(axis=1))
    return vertical_of("cannot tell", np.array([0.0, -1.0, 0.0]), cov, (), 0, reasons)


def vertical_of(
    verdict: Verdict, up: Array, cov: Array, axes: tuple[Direction, ...], count: int, reasons: str
) -> Vertical:
    """A `Vertical` of a direction `up` (3,) and its covariance (2, 2), squared radians along `vanishing.tangent`."""
    pitch, roll = pitch_roll_of(up)
    (a, b), (_, d) = ((float(v) for v in row) for row in cov)
    vector = (float(up[0]), float(up[1]), float(up[2]))
    bound = math.degrees(vanishing.bound(cov))
    return Vertical(verdict, vector, pitch, roll, ((a, b), (b, d)), bound, axes, count, reasons)


def noise_pair(noise: PlaneNoise | tuple[float, float] | None) -> tuple[float, float] | None:
    """Noise as (gain, read), variance = gain x value + read^2, whichever way it was given; None stays None."""
    if noise is None or isinstance(noise, tuple):
        return noise
    return max(float(noise.slope), 0.0), math.sqrt(max(float(noise.floor), 0.0))


def counted(n: int, noun: str) -> str:
    """A number of things in words: '1 edge', '2 edges'."""
    return f"{n} {noun}{'' if n == 1 else 's'}"
