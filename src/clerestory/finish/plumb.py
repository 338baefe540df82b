"""Upright or not: which way is up in a frame, how sure that is, and how much of the lean to take out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.geometry import Distortion, Intrinsics, pitch_roll_of
from clerestory.finish import lines, vanishing

Array = NDArray[np.float64]
Verdict = Literal["sure", "unsure", "cannot tell"]

# Above this 95 % bound (degrees) the eye would see the mistake; beyond the second nothing is known.
# Common practice, no source: half a degree of lean shows on a tall shaft beside the picture's edge.
SURE_WITHIN = 0.6
KNOWN_WITHIN = 3.0
LEVEL_SENSOR = 0.5


class LineGuide(Protocol):
    """A line the user drew: two points (x, y) as shares of the recorded frame's width and height."""

    @property
    def kind(self) -> Literal["upright", "level"]: ...
    @property
    def start(self) -> tuple[float, float]: ...
    @property
    def end(self) -> tuple[float, float]: ...


class SimpleNoise(Protocol):
    """Noise of a linear plane: variance = gain x signal + read^2."""

    @property
    def gain(self) -> float: ...
    @property
    def read(self) -> float: ...


@dataclass(frozen=True)
class Direction:
    """A level direction of the building seen in a frame: unit vector in camera axes, its 95 % bound in degrees, and
    how many separate parts of the building bear it out."""

    vector: tuple[float, float, float]
    bound_deg: float
    witnesses: int


@dataclass(frozen=True)
class Upright:
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


def _unknown(reasons: str) -> Upright:
    wide = float(vanishing.HELD[0, 1] ** 2), float(vanishing.HELD[1, 1] ** 2)
    cov = ((wide[0], 0.0), (0.0, wide[1]))
    return Upright("cannot tell", (0.0, -1.0, 0.0), 0.0, 0.0, cov, 45.0, (), 0, reasons)


def find_upright(
    luma: NDArray[np.float32],
    camera: Intrinsics,
    *,
    distortion: Distortion | None = None,
    noise: SimpleNoise | tuple[float, float] | None = None,
    level: tuple[float, ...] | None = None,
    guides: Sequence[LineGuide] = (),
) -> Upright:
    """The vertical of a building in a linear luminance plane (float32, H x W), with its uncertainty and a verdict.

    `camera` describes the plane's grid. `noise` is (gain, read) of the plane, measured from it when not given.
    `level` is (pitch, roll) or (pitch, roll, their deviations) in degrees from the camera's own level. `guides` are
    lines the user says are upright or level: two or more of them decide.
    """
    pair = noise if isinstance(noise, tuple) or noise is None else (float(noise.gain), float(noise.read))
    segments = lines.find_segments(luma, camera, distortion, pair)
    if len(segments) < 4:
        return _unknown("There is hardly a straight edge in this frame.")
    best = vanishing.find(segments, _level_evidence(level))
    return _judged(segments, best)


def _level_evidence(level: tuple[float, ...] | None) -> vanishing.Evidence | None:
    if level is None:
        return None
    pitch, roll = math.radians(level[0]), math.radians(level[1])
    sigma = np.radians(np.array(level[2:4] if len(level) >= 4 else (LEVEL_SENSOR, LEVEL_SENSOR), float))
    return vanishing.Evidence(vanishing.ups(np.array(pitch), np.array(roll)), np.diag(1 / sigma**2))


def _judged(segments: lines.Segments, fits: list[vanishing.Fit]) -> Upright:
    best = fits[0]
    up = best.frame[0]
    pitch, roll = pitch_roll_of(up)
    jac = np.array([np.cross(up, t) for t in vanishing.tangent(up)])
    cov = jac @ best.covariance @ jac.T
    bound = math.degrees(vanishing.bound(cov))
    count = int(np.count_nonzero(best.share[:, 0] > 0.5))
    verdict: Verdict = "sure" if bound < SURE_WITHIN else "unsure" if bound < KNOWN_WITHIN else "cannot tell"
    reasons = f"{count} upright edges agree to {bound:.2f} degrees."
    (a, b), (c, d) = cov
    return Upright(
        verdict,
        (float(up[0]), float(up[1]), float(up[2])),
        pitch,
        roll,
        ((float(a), float(b)), (float(c), float(d))),
        bound,
        (),
        count,
        reasons,
    )


# The tilt (degrees) up to which all the lean is taken out, and that at which none is. Fully upright pictures of
# steep views look top-heavy, as if the building leant outward. Common practice, no source.
WHOLE_UP_TO = 18.0
NONE_FROM = 50.0


def default_plumb(upright: Upright | float) -> float:
    """The share of the lean to take out: 1 up to a tilt of 18 degrees, then easing off to 0 at 50.

    Common practice, no source. Takes an `Upright` or a pitch in radians. The easing is a half cosine.
    """
    pitch = upright.pitch if isinstance(upright, Upright) else upright
    tilt = abs(math.degrees(pitch))
    if tilt <= WHOLE_UP_TO:
        return 1.0
    if tilt >= NONE_FROM:
        return 0.0
    return 0.5 * (1 + math.cos(math.pi * (tilt - WHOLE_UP_TO) / (NONE_FROM - WHOLE_UP_TO)))
