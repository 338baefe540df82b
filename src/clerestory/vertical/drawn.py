"""Lines drawn by a person on what is vertical or horizontal in the building: two or more of them decide."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from clerestory.camera.camera import Camera
from clerestory.vertical import segments as lines
from clerestory.vertical import vanishing
from clerestory.vertical.result import Verdict, Vertical, vertical_of

Array = NDArray[np.float64]
# How truly a hand draws, as a share of the frame's longer side, and how little edges say beside it, degrees.
DRAWN_BY_HAND = 0.001
EDGES_BESIDE_LINES = 1.5
# Degrees within which drawn lines must hold the vertical to be called sure.
SURE_WITHIN = 3.0
# Times their joint bound (95 %) by which lines and the building's own edges differ that are at odds. Not swept: at 2,
# lines drawn well are at odds with edges found well in under 1 % (normal errors).
AT_ODDS = 2.0


class DrawnLine(Protocol):
    """A line the user drew: two points (x, y) as shares of the recorded frame's width and height."""

    @property
    def kind(self) -> Literal["vertical", "horizontal"]: ...
    @property
    def start(self) -> tuple[float, float]: ...
    @property
    def end(self) -> tuple[float, float]: ...


def _drawn_lines(drawn: Sequence[DrawnLine], camera: Camera) -> tuple[lines.Segments, NDArray[np.bool_]]:
    """Drawn lines as edges, and which are vertical. The hand is taken to be right to DRAWN_BY_HAND of the frame."""
    size = np.array([camera.width, camera.height], float)
    ends = camera.ideal(np.array([[g.start, g.end] for g in drawn], float) * size - 0.5)
    length = np.maximum(np.hypot(*(ends[:, 1] - ends[:, 0]).T), 1.0)
    slope = math.sqrt(2) * DRAWN_BY_HAND * float(size.max()) / length
    return lines.on_sphere(ends, slope, np.ones(len(drawn)), camera), np.array([g.kind == "vertical" for g in drawn])


@dataclass(frozen=True)
class LineError:
    """How far a drawn line lies off, degrees: from the vertical (or the level direction) that is used, `off`; from
    what the building's own edges say, `building` (None for a horizontal, or where they say nothing surely); `hand`:
    95 % of lines of its length are drawn closer to where they were meant. `doubtful`: it contradicts the building."""

    off: float
    building: float | None
    hand: float
    doubtful: bool


def line_errors(used: Vertical, edges: Vertical, drawn: Sequence[DrawnLine], camera: Camera) -> tuple[LineError, ...]:
    """The error of each drawn line under a vertical (`used`) and beside that of the building's edges (`edges`)."""
    if not drawn:
        return ()
    seen, vertical = _drawn_lines(drawn, camera)

    def away(direction: Array) -> Array:
        p, q = (seen.normal * direction).sum(axis=1), (seen.along * direction).sum(axis=1)
        return np.degrees(np.arctan2(np.abs(p), np.abs(q)))

    off, own = away(np.array(used.up)), away(np.array(edges.up))
    if (~vertical).any():
        right, ahead = vanishing.level_pair(np.array(used.up))
        turns = np.radians(np.arange(-20, 20.01, 0.1)) if np.count_nonzero(~vertical) > 1 else np.zeros(1)
        level = np.array([away(math.cos(t) * right + math.sin(t) * ahead)[~vertical] for t in turns])
        off[~vertical] = level[(level**2 / seen.sigma[~vertical] ** 2).sum(axis=1).argmin()]
    out = []
    for k in range(len(drawn)):
        hand = 2 * math.degrees(float(seen.sigma[k]))
        known = bool(vertical[k]) and edges.verdict == "sure"
        building = float(own[k]) if known else None
        doubtful = building is not None and building > AT_ODDS * math.hypot(hand, edges.bound_deg)
        out.append(LineError(float(off[k]), building, hand, doubtful))
    return tuple(out)


def at_odds(edges: Vertical, used: Vertical) -> float | None:
    """Degrees between the vertical that lines ask for and that of the building's own edges, where both bounds
    together cannot explain it; else None."""
    gap = math.degrees(math.acos(min(1.0, abs(float(np.array(used.up) @ np.array(edges.up))))))
    bound = used.bound_deg if used.verdict == "sure" else 0.0  # that of lines at odds was widened to say so
    return gap if edges.verdict == "sure" and gap > AT_ODDS * math.hypot(bound, edges.bound_deg) else None


def with_lines(found: Vertical, drawn: Sequence[DrawnLine], camera: Camera) -> Vertical:
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
    message = f"{len(drawn)} drawn lines set the vertical"
    if worst > 4:
        return vertical_of(
            "unsure", up, cov * worst**2, found.axes, found.n_segments, f"{message}, but they disagree."
        )
    bound = math.degrees(vanishing.bound(cov))
    gap = math.degrees(math.acos(min(1.0, abs(float(up @ own)))))
    if found.verdict == "sure" and gap > AT_ODDS * math.hypot(bound, found.bound_deg):
        message += (f", but the building's own edges, accurate to ±{found.bound_deg:.2f}°, say {gap:.1f}° otherwise: "
                    "look whether each line lies on what is truly vertical or horizontal")  # fmt: skip
        return vertical_of("unsure", up, cov * (gap / bound) ** 2, found.axes, found.n_segments, f"{message}.")
    verdict: Verdict = "sure" if bound <= SURE_WITHIN else "unsure"
    return vertical_of(
        verdict, up, cov, found.axes, found.n_segments, f"{message}; accurate to ±{bound:.2f}° (95 %)."
    )
