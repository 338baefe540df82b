"""The vertical of a building in a frame, how sure it is, and how much of the tilt to take out."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from clerestory.camera.camera import ASSUMED_EQUIVALENT, Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import pitch_roll_of
from clerestory.vertical import segments as lines
from clerestory.vertical import vanishing

Array = NDArray[np.float64]
# How surely the vertical of a picture is known.
Verdict = Literal["sure", "unsure", "cannot tell"]

# Above the first 95 % bound (degrees) a picture is left for the user to look at; beyond the second nothing is known.
# Common practice, no source: a degree of lean shows on a tall shaft beside the picture's edge.
SURE_WITHIN = 1.0
KNOWN_WITHIN = 3.0
# Deviation (degrees, each way) of a building as a whole, and of a lens's measured distortion, which its edges share
# and so do not show: a millimetre in a metre. Common practice, no source.
AS_A_WHOLE = 0.06
# Deviation of a camera's own level, degrees: common practice, no source.
LEVEL_SENSOR = 0.5
LEVEL_APART = 4.0
# Log likelihood that uprights must gain beyond what the best pair of so many edges gains by chance.
BY_CHANCE = 3.0
LEVEL_GAIN = 24.0
LEVEL_INSTEAD = 20.0
# Uprights that gain less than HARDLY times that are partly chance's: deviation (degrees) to add, as found on rubble.
HARDLY = 1.5
PARTLY = 0.9
# A reading that chance might have made is still offered as a guess, unless no one holds a camera so (log belief, in
# the measure of edges); its deviation, degrees, as found on views of rubble walls.
HARDLY_HELD = -10.0
GUESS = 4.5
# Tilt (degrees) from which the vertical lies in or near the frame.
INSIDE = 45.0
RIVAL = 8.0
# Uprights stand all about a camera held level; where those of one that looks straight up would agree by so much
# more, and well beyond chance, it may be looking up at a vault. No level view of the church or the open panoramas has
# both, of 900 held either way; two of three modelled vaults have.
OVERHEAD = 1.75
BEYOND_CHANCE = 2.0
FEWEST = 4
# How truly a hand draws, as a share of the frame's longer side, and how little edges say beside it, degrees.
DRAWN_BY_HAND = 0.001
EDGES_BESIDE_LINES = 1.5


class DrawnLine(Protocol):
    """A line the user drew: two points (x, y) as shares of the recorded frame's width and height."""

    @property
    def kind(self) -> Literal["vertical", "horizontal"]: ...
    @property
    def start(self) -> tuple[float, float]: ...
    @property
    def end(self) -> tuple[float, float]: ...


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
    """Nothing but how cameras are held; level stands in for the answer, so that nothing is turned by chance."""
    cov = np.diag((vanishing.HELD**2).sum(axis=1))
    return _upright("cannot tell", np.array([0.0, -1.0, 0.0]), cov, (), 0, reasons)


def find_upright(
    luma: NDArray[np.float32],
    camera: Camera,
    *,
    noise: PlaneNoise | tuple[float, float] | None = None,
    level: tuple[float, ...] | None = None,
    drawn: Sequence[DrawnLine] = (),
) -> Upright:
    """The vertical of a building in a linear luminance plane (float32, H x W), with its uncertainty and a verdict.

    `camera`, with its lens, describes the plane's grid. `noise` is (gain, read) of the plane (variance = gain x
    value + read^2) or an object with `slope` and `floor`; measured from the plane when not given. `level` is (pitch,
    roll) or (pitch, roll, their deviations) in degrees from the camera's own level. `drawn` are lines the user says
    are vertical or horizontal: two or more of them decide, and edges only fill in what they leave open.
    """
    segments = lines.find_segments(luma, camera, _pair(noise))
    found = _from_edges(segments, level)
    if len(drawn) < 2:
        return found
    return with_lines(found, drawn, camera)


def find_upright_together(
    planes: Sequence[NDArray[np.float32]],
    camera: Camera,
    rotations: Sequence[Array],
    *,
    levels: Sequence[tuple[float, ...] | None] = (),
) -> Upright:
    """The vertical of a building in frames turned about one spot, in the first frame's axes.

    `planes`: linear luminance (float32, H x W) on the grid of `camera`; `rotations` (3, 3) lead from the first
    frame's axes to each frame's. Edges too few in any one frame to tell may tell together. An edge that several
    frames show counts in the one that has it nearest its middle. `levels` as in `find_upright`, one a frame.
    """
    axes = np.array([r[2] for r in rotations])
    parts = []
    for k, (luma, rotation) in enumerate(zip(planes, rotations, strict=True)):
        part = lines.find_segments(luma, camera).turned(rotation.T)
        parts.append(part.take(np.argmax(part.centre @ axes.T, axis=1) == k))
    return _from_edges(lines.gathered(parts), _level_together(levels, rotations))


def _level_together(
    levels: Sequence[tuple[float, ...] | None], rotations: Sequence[Array]
) -> tuple[float, ...] | None:
    """What a camera's level said of several frames, as one reading in the first frame's axes.

    It errs alike in all of them, so that the mean is not believed more than one.
    """
    said = [(level, r) for level, r in zip(levels, rotations, strict=False) if level is not None]
    if not said:
        return None
    ups = [r.T @ vanishing.ups(*(np.radians(np.array(v)) for v in level[:2])) for level, r in said]
    mean = np.mean(ups, axis=0)
    pitch, roll = pitch_roll_of(mean / np.linalg.norm(mean))
    return math.degrees(pitch), math.degrees(roll), *said[0][0][2:4]


def _pair(noise: PlaneNoise | tuple[float, float] | None) -> tuple[float, float] | None:
    if noise is None or isinstance(noise, tuple):
        return noise
    return max(float(noise.slope), 0.0), math.sqrt(max(float(noise.floor), 0.0))


def _from_edges(segments: lines.Segments, level: tuple[float, ...] | None) -> Upright:
    evidence = _level_evidence(level)
    if len(segments) < FEWEST:
        return _unknown("This frame has hardly a straight edge.") if evidence is None else _by_level(evidence)
    return _judged(vanishing.find(segments, evidence), evidence)


def _level_evidence(level: tuple[float, ...] | None) -> vanishing.Evidence | None:
    if level is None:
        return None
    pitch, roll = math.radians(level[0]), math.radians(level[1])
    sigma = np.radians(np.array(level[2:4] if len(level) >= 4 else (LEVEL_SENSOR, LEVEL_SENSOR), float))
    return vanishing.Evidence(vanishing.ups(np.array(pitch), np.array(roll)), np.diag(1 / sigma**2))


def _by_level(evidence: vanishing.Evidence, why: str = "This frame has hardly a straight edge") -> Upright:
    cov = np.asarray(np.linalg.inv(evidence.information), float)
    reasons = f"{why}; only the camera's own level tells."
    return _upright("unsure", evidence.up, cov, (), 0, reasons)


def _upright(
    verdict: Verdict, up: Array, cov: Array, axes: tuple[Direction, ...], count: int, reasons: str
) -> Upright:
    pitch, roll = pitch_roll_of(up)
    (a, b), (_, d) = ((float(v) for v in row) for row in cov)
    vector = (float(up[0]), float(up[1]), float(up[2]))
    bound = math.degrees(vanishing.bound(cov))
    return Upright(verdict, vector, pitch, roll, ((a, b), (b, d)), bound, axes, count, reasons)


def _judged(fits: list[vanishing.Fit], level: vanishing.Evidence | None = None) -> Upright:
    """A verdict on the likeliest fit: how well it is bounded, borne out, and set apart from the next best."""
    best = fits[0]
    up = best.frame[0]
    jac = np.array([np.cross(up, t) for t in vanishing.tangent(up)])
    cov = jac @ best.covariance @ jac.T + math.radians(AS_A_WHOLE) ** 2 * np.eye(2)
    chance = BY_CHANCE + 2 * math.log(max(len(best.share), 2))
    # A vertical inside the frame has edges all about it, some of which point its way whatever they are.
    needed = chance if math.degrees(math.asin(float(np.clip(up[2], -1, 1)))) < INSIDE else 3 * chance
    weak = best.agreed < needed and sum(best.gains[1:]) < LEVEL_INSTEAD * chance
    count = int(np.count_nonzero(best.share[:, 0] > 0.5))
    if weak:
        return _by_chance(best, cov, count, level)
    rival, cov = _rival(fits, cov, chance)
    doubts = [said for said in (rival, _against_level(up, cov, level)) if said]
    if best.agreed < HARDLY * chance:
        doubts.append("they agree little better than chance")
        cov = cov + math.radians(PARTLY) ** 2 * np.eye(2)
    bound = math.degrees(vanishing.bound(cov))
    if bound > SURE_WITHIN and not doubts:
        doubts.append(f"it is less accurate than ±{SURE_WITHIN}°")
    verdict: Verdict = "cannot tell" if bound > KNOWN_WITHIN else "unsure" if doubts else "sure"
    parts = _count(best.witnesses[0], "part")
    said = f"{_count(count, 'vertical edge')} in {parts} of the building; accurate to ±{bound:.2f}° (95 %)"
    reasons = f"{said}; {'; '.join(doubts)}." if doubts else f"{said}."
    return _upright(verdict, up, cov, _axes(best), count, reasons + _steep(float(up[2])))


def _by_chance(best: vanishing.Fit, cov: Array, count: int, level: vanishing.Evidence | None) -> Upright:
    """What is left when no more agree on a vertical than chance would have: the camera's level, or a guess."""
    few = f"No more than {_count(count, 'edge')} of {len(best.share)} agree on a vertical, as few as by chance"
    if level is not None:
        return _by_level(level, few)
    if vanishing.belief(best.frame[0]) < HARDLY_HELD:
        return _unknown(f"{few}.")
    guessed = cov + math.radians(GUESS) ** 2 * np.eye(2)
    return _upright("cannot tell", best.frame[0], guessed, (), count, f"{few}; this is a guess.")


def _against_level(up: Array, cov: Array, level: vanishing.Evidence | None) -> str:
    """What to say when the camera's own level points well away from the edges."""
    if level is None:
        return ""
    off = vanishing.tangent(up) @ (level.up - up)
    if off @ np.linalg.inv(cov + np.linalg.inv(level.information)) @ off < LEVEL_APART**2:
        return ""
    angle = math.degrees(math.acos(float(np.clip(up @ level.up, -1, 1))))
    return f"the camera's own level differs by {angle:.1f}°"


def _rival(fits: list[vanishing.Fit], cov: Array, luck: float) -> tuple[str, Array]:
    """What to say of another reading that fits nearly as well, and the covariance with its chance counted in.

    `luck`: the log likelihood that the best pair of edges gains by chance.
    """
    best = fits[0]
    up = best.frame[0]
    overhead = [f for f in fits[1:] if _overhead(best, f, luck)]
    near = overhead or [f for f in fits[1:] if best.score - f.score < RIVAL]
    if not near:
        return "", cov
    off = vanishing.tangent(up) @ (near[0].frame[0] - up)
    chance = 0.5 if overhead else 1 / (1 + math.exp(max(best.score - near[0].score, 0.0) / 2))
    angle = math.degrees(math.acos(float(np.clip(up @ near[0].frame[0], -1, 1))))
    where = ", looking straight up," if overhead else ""
    return f"another reading {angle:.1f}° away{where} fits nearly as well", cov + chance * np.outer(off, off)


def _overhead(best: vanishing.Fit, other: vanishing.Fit, luck: float) -> bool:
    """Whether another reading, of a camera that looks straight up, is borne out so much better than a level one."""
    steep = math.sin(math.radians(INSIDE))
    enough = max(OVERHEAD * best.agreed, BEYOND_CHANCE * luck)
    return best.frame[0][2] < steep < other.frame[0][2] and other.agreed > enough


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _steep(rise: float) -> str:
    tilt = math.degrees(math.asin(max(-1.0, min(1.0, rise))))
    if tilt < NONE_FROM:
        return ""
    return (
        f" This view is tilted up {tilt:.0f}°, at a vault or a window rather than along a floor: it is left as shot."
    )


def _axes(found: vanishing.Fit) -> tuple[Direction, ...]:
    """The level directions that enough of the building follows, the one nearer the view first."""
    out = []
    for k in (1, 2):
        if found.gains[k] < LEVEL_GAIN or found.witnesses[k] < 3:
            continue
        v = found.frame[k]
        across = vanishing.plane_about(v)
        jac = np.array([np.cross(v, t) for t in across])
        width = math.degrees(vanishing.bound(jac @ found.covariance @ jac.T))
        out.append(Direction((float(v[0]), float(v[1]), float(v[2])), width, found.witnesses[k]))
    return tuple(out)


def _drawn_lines(drawn: Sequence[DrawnLine], camera: Camera) -> tuple[lines.Segments, NDArray[np.bool_]]:
    """Drawn lines as edges, and which are vertical. The hand is taken to be right to DRAWN_BY_HAND of the frame."""
    size = np.array([camera.width, camera.height], float)
    ends = camera.ideal(np.array([[g.start, g.end] for g in drawn], float) * size - 0.5)
    length = np.maximum(np.hypot(*(ends[:, 1] - ends[:, 0]).T), 1.0)
    slope = math.sqrt(2) * DRAWN_BY_HAND * float(size.max()) / length
    return lines.on_sphere(ends, slope, np.ones(len(drawn)), camera), np.array([g.kind == "vertical" for g in drawn])


def with_lines(found: Upright, drawn: Sequence[DrawnLine], camera: Camera) -> Upright:
    """The vertical drawn lines ask for; edges fill in, as if no better than EDGES_BESIDE_LINES, what is left."""
    seen, vertical = _drawn_lines(drawn, camera)
    free_turn = np.count_nonzero(~vertical) >= 2
    own = np.array(found.up)
    edges = np.linalg.inv(np.array(found.covariance) + math.radians(EDGES_BESIDE_LINES) ** 2 * np.eye(2))
    root = np.linalg.cholesky(edges).T
    across = vanishing.tangent(own)

    def misfit(x: Array) -> Array:
        up = vanishing.ups(x[0], x[1])
        right, ahead = vanishing.level_pair(up)
        level = math.cos(x[2]) * right + math.sin(x[2]) * ahead
        wanted = np.where(vertical[:, None], up, level)
        p, q = (seen.normal * wanted).sum(axis=1), (seen.along * wanted).sum(axis=1)
        sideways = x[2] / (math.radians(20) if free_turn else math.radians(0.01))
        return np.concatenate([np.arctan2(p, np.abs(q)) / seen.sigma, root @ (across @ (up - own)), [sideways]])

    solved = least_squares(misfit, [found.pitch, found.roll, 0.0], x_scale=0.01)
    up = vanishing.ups(solved.x[0], solved.x[1])
    cov = np.linalg.inv(solved.jac.T @ solved.jac)[:2, :2]
    # From pitch and roll to the tangent: roll moves the vertical by cos(pitch).
    stretch = np.diag([1.0, math.cos(float(solved.x[0]))])
    cov = stretch @ cov @ stretch
    worst = float(np.abs(solved.fun[: len(drawn)]).max())
    said = f"{len(drawn)} drawn lines set the vertical"
    if worst > 4:
        return _upright("unsure", up, cov * worst**2, found.axes, found.n_segments, f"{said}, but they disagree.")
    bound = math.degrees(vanishing.bound(cov))
    verdict: Verdict = "sure" if bound <= KNOWN_WITHIN else "unsure"
    return _upright(verdict, up, cov, found.axes, found.n_segments, f"{said}; accurate to ±{bound:.2f}° (95 %).")


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


@dataclass(frozen=True)
class FocalEstimate:
    """A focal length read off the building's own directions: pixels of the plane, with a 95 % range."""

    focal: float
    low: float
    high: float
    upright: Upright


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
    drawn = lines.find_segments(luma, middle, _pair(noise))
    slope = drawn.slope

    def at(log_focal: float) -> tuple[float, lines.Segments]:
        camera = Camera.centred(width, height, math.exp(log_focal))
        return log_focal, lines.on_sphere(drawn.ends, slope, drawn.contrast, camera)

    if len(drawn) < FEWEST:
        low, high = (e * per_mm for e in equivalents)
        return FocalEstimate(math.sqrt(low * high), low, high, _unknown("This frame has hardly a straight edge."))
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
    return FocalEstimate(math.exp(best), math.exp(low), math.exp(high), _judged(fits))
