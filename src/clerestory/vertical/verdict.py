"""How surely the vertical of a frame is known: how it is bounded, borne out, and set apart from the next best."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from clerestory.vertical import segments as lines
from clerestory.vertical import vanishing
from clerestory.vertical.plumb import NONE_FROM
from clerestory.vertical.result import Direction, Verdict, Vertical, counted, unknown, vertical_of

Array = NDArray[np.float64]
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


def from_edges(segments: lines.Segments, level: tuple[float, ...] | None) -> Vertical:
    """The vertical that straight edges show, with the camera's own level where there is one: (pitch, roll) or (pitch,
    roll, their deviations), degrees."""
    evidence = _level_evidence(level)
    if len(segments) < FEWEST:
        return unknown("This frame has hardly a straight edge.") if evidence is None else _by_level(evidence)
    return judged(vanishing.find(segments, evidence), evidence)


def _level_evidence(level: tuple[float, ...] | None) -> vanishing.Evidence | None:
    if level is None:
        return None
    pitch, roll = math.radians(level[0]), math.radians(level[1])
    sigma = np.radians(np.array(level[2:4] if len(level) >= 4 else (LEVEL_SENSOR, LEVEL_SENSOR), float))
    return vanishing.Evidence(vanishing.ups(np.array(pitch), np.array(roll)), np.diag(1 / sigma**2))


def _by_level(evidence: vanishing.Evidence, why: str = "This frame has hardly a straight edge") -> Vertical:
    cov = np.asarray(np.linalg.inv(evidence.information), float)
    reasons = f"{why}; only the camera's own level tells."
    return vertical_of("unsure", evidence.up, cov, (), 0, reasons)


def judged(fits: list[vanishing.Fit], level: vanishing.Evidence | None = None) -> Vertical:
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
    doubts = [message for message in (rival, _against_level(up, cov, level)) if message]
    if best.agreed < HARDLY * chance:
        doubts.append("they agree little better than chance")
        cov = cov + math.radians(PARTLY) ** 2 * np.eye(2)
    bound = math.degrees(vanishing.bound(cov))
    if bound > SURE_WITHIN and not doubts:
        doubts.append(f"it is less accurate than ±{SURE_WITHIN}°")
    verdict: Verdict = "cannot tell" if bound > KNOWN_WITHIN else "unsure" if doubts else "sure"
    parts = counted(best.witnesses[0], "part")
    message = f"{counted(count, 'vertical edge')} in {parts} of the building; accurate to ±{bound:.2f}° (95 %)"
    reasons = f"{message}; {'; '.join(doubts)}." if doubts else f"{message}."
    return vertical_of(verdict, up, cov, _axes(best), count, reasons + _steep(float(up[2])))


def _by_chance(best: vanishing.Fit, cov: Array, count: int, level: vanishing.Evidence | None) -> Vertical:
    """What is left when no more agree on a vertical than chance would have: the camera's level, or a guess."""
    few = f"No more than {counted(count, 'edge')} of {len(best.share)} agree on a vertical, as few as by chance"
    if level is not None:
        return _by_level(level, few)
    if vanishing.belief(best.frame[0]) < HARDLY_HELD:
        return unknown(f"{few}.")
    guessed = cov + math.radians(GUESS) ** 2 * np.eye(2)
    return vertical_of("cannot tell", best.frame[0], guessed, (), count, f"{few}; this is a guess.")


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
