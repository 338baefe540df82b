"""The building's directions from straight edges: the vertical, and the horizontals square to it, by likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import gammaincinv

from clerestory.camera.pose import Pose, pitch_roll_of
from clerestory.run.bands import in_bands
from clerestory.vertical.segments import Segments

Array = NDArray[np.float64]

# Grid of uprights looked at: degrees of pitch and roll a camera may have. Common practice, no source.
PITCHES = np.radians(np.arange(-44.0, 90.1, 1.5))
ROLLS = np.radians(np.arange(-24.0, 24.1, 1.5))
# Weak belief about how cameras are held (degrees): pitch about 6 +- 15, roll 0 +- 4. Common practice, no source.
HELD = np.radians([[6.0, 15.0], [0.0, 4.0]])
# Edges of one building are no independent witnesses: how many of them it takes to weigh as one beside that belief.
ALIKE_EDGES = 5.0
# A level direction this near to where the camera looks (radians) could as well be the vertical of one held upwards.
AHEAD = math.radians(35.0)
# Nobody bends back further beyond the zenith than this.
BENT_BACK = math.radians(10.0)
# Squared deviations from better evidence beyond which it is rather taken to be wrong.
FAR_OFF = 4.0
COARSE = math.radians(0.9)
# Scatter of a building's lines (vertical, along, across) beyond their own uncertainty, radians: the usual, which
# counts as FEW lines' worth, and the limits.
USUAL = np.radians([0.1, 0.3, 0.3])
FEW = 3.0
LEAST, MOST = math.radians(0.004), np.radians([1.0, 1.0, 1.0])
LOOSE = math.radians(2.5)
RANKED = np.radians([0.3, 0.4, 0.4])
# A building whose lines scatter also errs as a whole, by this many times their scatter.
ALIKE = np.array([0.8, 2.0, 2.0])
# Disagreement between uprights (radians) that the scatter of those which agree already covers.
BORNE = math.radians(0.25)
# Edges whose vertical planes differ by less than this stand as one witness: two sides of a shaft lean together.
WITNESS = math.radians(3.0)
SECTORS = math.ceil(math.pi / WITNESS)


@dataclass(frozen=True)
class Evidence:
    """What is known of the vertical beside the edges: (direction in camera axes, 2 x 2 information in `tangent`)."""

    up: Array
    information: Array


@dataclass(frozen=True)
class _Spread:
    """How far edges stray: `within` a witness and `between` witnesses, (3,) radians each."""

    within: Array
    between: Array


@dataclass(frozen=True)
class Fit:
    """Directions found: `frame` rows are up, nave axis and across it, in camera axes; `covariance` (3, 3) of a small
    turn of the frame about the camera's axes, squared radians; `share` (n, 3) each edge's belonging to the three;
    `score` log likelihood over that of no building at all;
    `gains` each direction's part in it;
    `witnesses` how many separate parts of the building follow each direction; `agreed` what the
    uprights gain beyond the two parts that any two lines would give, log likelihood."""

    frame: Array
    covariance: Array
    share: Array
    spread: _Spread
    score: float
    gains: tuple[float, float, float]
    witnesses: tuple[int, ...]
    agreed: float


def ups(pitch: Array, roll: Array) -> Array:
    """Verticals in camera axes of poses, (..., 3)."""
    cp = np.cos(pitch)
    return np.stack([-cp * np.sin(roll), -cp * np.cos(roll), np.sin(pitch)], axis=-1)


def tangent(up: Array) -> Array:
    """Two unit vectors square to `up`, (2, 3): the way it moves as pitch grows, and as roll grows."""
    pitch, roll = pitch_roll_of(up)
    sp, cp, sr, cr = math.sin(pitch), math.cos(pitch), math.sin(roll), math.cos(roll)
    return np.array([[sp * sr, sp * cr, cp], [-cr, sr, 0.0]])


def bound(covariance: Array, quantile: float = 0.95) -> float:
    """Radius, radians, that a normal error of this covariance (2, 2), squared radians, stays within.

    By the chi square nearest to the sum of squares (Satterthwaite 1946). `quantile`: how often, 0 to 1.
    """
    spread = np.maximum(np.linalg.eigvalsh(covariance), 0)
    total, square = float(spread.sum()), float((spread**2).sum())
    if total <= 0:
        return 0.0
    freedom = total**2 / square
    return math.sqrt(2 * float(gammaincinv(freedom / 2, quantile)) * square / total)


@njit(cache=True, nogil=True, error_model="numpy")
def _add_votes(
    begin: int, end: int, directions: Array, normal: Array, along: Array, variance: Array, worth: Array, out: Array
) -> None:
    for i in range(begin, end):
        a, b, c = directions[i]
        total = 0.0
        for j in range(len(normal)):
            p = a * normal[j, 0] + b * normal[j, 1] + c * normal[j, 2]
            q = a * along[j, 0] + b * along[j, 1] + c * along[j, 2]
            # The squared sine of the angle between the edge and the way to the vanishing point.
            gain = worth[j] - 0.5 * p * p / ((p * p + q * q + 1e-12) * variance[j])
            if gain > 0:
                total += gain
        out[i] = total


def _votes(directions: Array, segments: Segments, variance: Array, worth: Array) -> Array:
    """Truncated log likelihood of vanishing directions (m, 3): each edge adds up to its worth (n,)."""
    out = np.zeros(len(directions))
    in_bands(_add_votes, 0, len(out), directions, segments.normal, segments.along, variance, worth, out)
    return out


def _worths(segments: Segments, floor: float, usual: float) -> tuple[Array, Array]:
    """Variance about a vanishing direction, and the most an edge may add, given the share of edges that belong."""
    variance = segments.sigma**2 + floor**2
    return variance, np.maximum(np.log(1 + usual * math.pi / np.sqrt(2 * math.pi * variance)), 0.1)


def _belief(pitch: Array, roll: Array) -> Array:
    """Log of the weak belief about how cameras are held, in the measure of edges' log likelihood."""
    z = (pitch - HELD[0, 0]) / HELD[0, 1], (roll - HELD[1, 0]) / HELD[1, 1]
    out: Array = -2 * ALIKE_EDGES * (np.log1p(z[0] ** 2 / 3) + np.log1p(z[1] ** 2 / 3))
    return out


def belief(up: Array, evidence: Evidence | None = None) -> float:
    """Log of the belief that a camera is held with this vertical (3,), in the measure of edges' log likelihood: the
    weak one about cameras, or better evidence, which may be wrong outright but seldom is."""
    if evidence is None:
        return float(_belief(*(np.array(v) for v in pitch_roll_of(up))))
    angle = math.acos(float(np.clip(up @ evidence.up, -1, 1)))
    off = tangent(evidence.up) @ (up - evidence.up)
    off = off * angle / max(float(np.linalg.norm(off)), 1e-12)
    return -2 * ALIKE_EDGES * math.log1p(float(off @ evidence.information @ off) / FAR_OFF)


def modes(segments: Segments, count: int = 5) -> Array:
    """The likeliest verticals on a grid of poses, best first, at least 5 degrees apart: (k, 3)."""
    pitch, roll = (a.ravel() for a in np.meshgrid(PITCHES, ROLLS, indexing="ij"))
    grid = ups(pitch, roll)
    variance, worth = _worths(segments, COARSE, 0.3)
    score = _votes(grid, segments, variance, worth) + _belief(pitch, roll)
    found: list[Array] = []
    for i in np.argsort(-score):
        if all(grid[i] @ other < math.cos(math.radians(5)) for other in found):
            found.append(grid[i])
        if len(found) == count:
            break
    return np.array(found)


def plane_about(v: Array) -> Array:
    """Two unit vectors square to a direction and to one another, (2, 3)."""
    first = np.cross(v, np.eye(3)[int(np.argmin(np.abs(v)))])
    first = first / np.linalg.norm(first)
    return np.stack([first, np.cross(v, first)])


def level_pair(up: Array) -> Array:
    """Two horizontal unit vectors (2, 3): to the camera's left, and ahead."""
    x, y, z = (float(v) for v in up)
    across = math.hypot(x, y)
    left, down = (y / across, -x / across) if across >= 1e-6 else (-1.0, 0.0)
    # Square to both: left x up, written out, as this is asked a thousand times a second while lines are drawn.
    return np.array([[left, down, 0.0], [down * z, -left * z, left * y - down * x]])


def axis_about(segments: Segments, up: Array) -> Array:
    """The frame (3, 3) of a vertical and the pair of square horizontals that most edges run along."""
    right, ahead = level_pair(up)
    angle = np.radians(np.arange(0.0, 180.0, 1.0))
    grid = np.cos(angle)[:, None] * right + np.sin(angle)[:, None] * ahead
    variance, worth = _worths(segments, COARSE, 0.2)
    upright = np.abs(segments.normal @ up) < 0.07 * np.hypot(segments.along @ up, segments.normal @ up)
    level = segments.take(~upright)
    score = _votes(grid, level, variance[~upright], worth[~upright])
    best = int(np.argmax(score[:90] + score[90:]))
    # The nave's axis is the one of the two nearer to the way the camera looks.
    pair = grid[best], grid[best + 90]
    first, second = pair if abs(pair[0][2]) >= abs(pair[1][2]) else (pair[1], -pair[0])
    if first[2] < 0:
        first, second = -first, -second
    return np.stack([up, first, second])


def angles(segments: Segments, directions: Array) -> tuple[Array, Array]:
    """Angle (n, k) between each edge and the way from its middle to each direction, and its change (n, k, 3) with a
    small turn of the directions about the camera's axes."""
    p, q = segments.normal @ directions.T, segments.along @ directions.T
    dp = np.cross(directions[None], segments.normal[:, None])
    dq = np.cross(directions[None], segments.along[:, None])
    square = np.maximum(p * p + q * q, 1e-12)
    change = (q[..., None] * dp - p[..., None] * dq) / square[..., None]
    return np.arctan(p / np.where(np.abs(q) < 1e-9, 1e-9, q)), change


def _turned(frame: Array, w: Array) -> Array:
    """The frame's rows turned by a small rotation vector, kept square."""
    angle = float(np.linalg.norm(w))
    if angle < 1e-15:
        return frame
    k = w / angle
    cross = np.cross(k, frame)
    out: Array = frame * math.cos(angle) + cross * math.sin(angle) + np.outer(frame @ k, k) * (1 - math.cos(angle))
    u, _, v = np.linalg.svd(out)
    back: Array = u @ v
    return back


def _densities(angle: Array, sigma: Array, scatter: Array, mix: Array) -> Array:
    """Belonging (n, 7) of edges to the three directions, closely, then loosely, and to none."""
    variance = sigma[:, None] ** 2 + scatter**2
    tight = np.exp(-0.5 * angle**2 / variance) / np.sqrt(2 * math.pi * variance)
    wide = sigma[:, None] ** 2 + LOOSE**2
    loose = np.exp(-0.5 * angle**2 / wide) / np.sqrt(2 * math.pi * wide)
    parts = np.concatenate([mix[:3] * tight, mix[3:6] * loose, np.full((len(angle), 1), mix[6] / math.pi)], axis=1)
    total = parts.sum(axis=1)
    share: Array = parts / total[:, None]
    return share


def _places(segments: Segments, frame: Array) -> NDArray[np.int64]:
    """Which witness (n, 3) an edge would belong to for each direction: by where its plane stands about it."""
    out = np.empty((len(segments), 3), np.int64)
    for k in range(3):
        side = np.cross(frame[k], segments.normal)
        place = np.arctan2(side @ frame[(k + 1) % 3], side @ frame[(k + 2) % 3]) % math.pi
        out[:, k] = np.minimum(place / WITNESS, SECTORS - 1).astype(np.int64) + k * SECTORS
    return out


def _sums(label: NDArray[np.int64], values: Array) -> Array:
    """Sums of values (n, 3) over witnesses, (3 SECTORS,)."""
    return np.asarray(np.bincount(label.ravel(), values.ravel(), 3 * SECTORS), float)


def _weights(sigma: Array, share: Array, spread: _Spread, label: NDArray[np.int64]) -> Array:
    """Weight (n, 3) of each edge's angle: edges of one witness lean together, so a crowd counts little more."""
    alone = share / (sigma[:, None] ** 2 + spread.within**2)
    crowd = 1 + np.repeat(spread.between**2, SECTORS) * _sums(label, alone)
    out: Array = alone / crowd[label]
    return out


def _stray(angle: Array, sigma: Array, share: Array, now: _Spread, label: NDArray[np.int64]) -> _Spread:
    """Scatter within and between witnesses by weighted moments, drawn to the usual where there are few."""
    own = sigma[:, None] ** 2
    alone = share / (own + now.within**2)
    total = np.maximum(_sums(label, alone), 1e-12)
    mean = _sums(label, alone * angle) / total
    g = share / (own + now.within**2) ** 2
    # A witness's own mean takes up part of its scatter: one edge alone says nothing of it.
    free = np.clip(1 - alone / total[label], 0, 1)
    moment = (g * ((angle - mean[label]) ** 2 - free * own)).sum(axis=0)
    usual = FEW * USUAL**2 * (1 / (USUAL**2 + now.within**2) ** 2)
    within = (moment + usual) / ((g * free).sum(axis=0) + usual / USUAL**2)
    real = (np.minimum(_sums(label, share), 1.0)).reshape(3, SECTORS)
    v = real / (1 / total.reshape(3, SECTORS) + now.between[:, None] ** 2) ** 2
    usual = FEW * USUAL**2 / (USUAL**2 + now.between**2) ** 2
    moment = (v * (mean.reshape(3, SECTORS) ** 2 - 1 / total.reshape(3, SECTORS))).sum(axis=1)
    between = (moment + usual) / (v.sum(axis=1) + usual / USUAL**2)
    return _Spread(np.sqrt(np.clip(within, LEAST**2, MOST**2)), np.sqrt(np.clip(between, LEAST**2, MOST**2)))


# What edges may do beyond their own residuals: a factor on these, a wander of their ends (pixels), a lean (radians).
FACTORS = np.array([0.7, 1.0, 1.4, 2.0])
WANDERS = np.array([0.03, 0.06, 0.12, 0.25, 0.4, 0.6, 0.9, 1.4])
LEANS = np.radians([0.01, 0.03, 0.07, 0.15, 0.3])
STRAYS = np.array([0.1, 0.25, 0.5])
USUAL_WANDER = 0.3
WINDOW = math.radians(5.0)


def calibrated(segments: Segments, angle: Array) -> Array:
    """Deviation (n,), radians, of every edge's direction, learnt from those within 5 degrees of the vertical.

    `angle` (n,): of each edge with the way to the vertical's vanishing point, radians.

    Residuals along an edge tell too little of its direction, because neighbouring points err together, the more the
    softer the picture: a factor and a wander of the ends are fitted by likelihood, beside a lean and a share of
    edges that only happen to stand near the vertical.
    """
    near = np.abs(angle) < WINDOW
    if np.count_nonzero(near) < 12:
        return np.hypot(segments.sigma, USUAL_WANDER / segments.length)
    best = _likeliest(angle[near], segments.sigma[near], segments.length[near], FACTORS, WANDERS, LEANS, STRAYS)
    out: Array = FACTORS[best[0]] * np.hypot(segments.sigma, WANDERS[best[1]] / segments.length)
    return out


@njit(cache=True, error_model="numpy")
def _likeliest(
    angle: Array, sigma: Array, length: Array, factors: Array, wanders: Array, leans: Array, strays: Array
) -> tuple[int, int]:
    best, found = -1e300, (0, 0)
    for f in range(len(factors)):
        for w in range(len(wanders)):
            for t in range(len(leans)):
                for e in range(len(strays)):
                    total = 0.0
                    for i in range(len(angle)):
                        var = factors[f] ** 2 * (sigma[i] ** 2 + (wanders[w] / length[i]) ** 2) + leans[t] ** 2
                        tight = math.exp(-0.5 * angle[i] ** 2 / var) / math.sqrt(2 * math.pi * var)
                        total += math.log((1 - strays[e]) * tight + strays[e] / (2 * WINDOW))
                    if total > best:
                        best, found = total, (f, w)
    return found


def fit(segments: Segments, start: Array, evidence: Evidence | None = None, rounds: int = 25) -> Fit:
    """Maximum likelihood frame from a starting one (3, 3), by expectation and maximisation."""
    frame, sigma = start, np.hypot(segments.sigma, USUAL_WANDER / segments.length)
    spread = _Spread(USUAL, USUAL)
    mix = np.array([0.15, 0.1, 0.1, 0.05, 0.05, 0.05, 0.5])
    for step in range(rounds):
        angle, change = angles(segments, frame)
        if step in (2, 5, 9):
            sigma = calibrated(segments, angle[:, 0])
        share = _densities(angle, sigma, np.maximum(np.hypot(spread.within, spread.between), 0.5 * USUAL), mix)
        mix = _mixture(share)
        label = _places(segments, frame)
        weight = _weights(sigma, share[:, :3], spread, label) * _trust(share)
        hessian, pull = _normal(weight, change, angle, spread, frame, evidence)
        move = -np.asarray(np.linalg.solve(hessian, pull), float)
        at = frame
        move *= min(1.0, math.radians(2) / max(float(np.linalg.norm(move)), 1e-15))
        frame = _turned(frame, move)
        spread = _stray(angle, sigma, share[:, :3], spread, label)
        if step > 5 and float(np.linalg.norm(move)) < 1e-6:
            break
    score = _score(angle, sigma, mix) + belief(frame[0], evidence)
    gain = [float(g) for g in _gains(share)]
    crowd = _sums(label, share[:, :3]).reshape(3, SECTORS)
    witnesses = tuple(int(n) for n in np.count_nonzero(crowd > 0.7, axis=1))
    covariance = np.asarray(np.linalg.inv(hessian), float)
    covariance = covariance + _disagreement(at, change, angle, sigma, share, label)
    # Both are about the vertical of before the last turn, about which next to nothing may be known: it turns along.
    covariance = frame.T @ at @ covariance @ at.T @ frame
    agreed = _agreed(angle, sigma, spread, mix, label[:, 0])
    return Fit(frame, covariance, share[:, :3], spread, score, (gain[0], gain[1], gain[2]), witnesses, agreed)


def _score(angle: Array, sigma: Array, mix: Array) -> float:
    """Log likelihood over lying anyhow, to rank readings: no building is truer than RANKED, so a few edges that meet
    exactly by chance do not outweigh many that nearly do."""
    for _ in range(3):
        share = _densities(angle, sigma, RANKED, mix)
        mix = _mixture(share)
    wide = np.maximum(1 - share[:, :6].sum(axis=1), 1e-12)
    return float((math.log(mix[6]) - np.log(wide)).sum())


def _mixture(share: Array) -> Array:
    """Shares (7,) of edges that follow each direction closely, loosely, or none; loose never outweighs close."""
    mix = (share.sum(axis=0) + 1) / (len(share) + 7)
    mix[3:6] = np.minimum(mix[3:6], 0.5 * mix[:3])
    out: Array = mix / mix.sum()
    return out


def _gains(share: Array) -> Array:
    """Log likelihood (3,) that would be lost without each direction."""
    out: Array = -np.log(np.maximum(1 - share[:, :3] - share[:, 3:6], 1e-9)).sum(axis=0)
    return out


def _trust(share: Array) -> Array:
    """How far each direction is believed, (3,) 0 to 1: a level one must gain more than the best of 90 by chance."""
    out = np.clip((_gains(share) - 20) / 40, 1e-3, 1)
    out[0] = 1.0
    return out


def _agreed(angle: Array, sigma: Array, spread: _Spread, mix: Array, label: NDArray[np.int64]) -> float:
    """Log likelihood of uprights with one voice a witness, the two loudest left out: any two edges meet somewhere.

    Less what the same edges say of directions turned well away from them: the share of chance.
    """

    def voices(turned: float) -> float:
        away = (angle + turned + math.pi / 2) % math.pi - math.pi / 2
        share = _densities(away, sigma, np.hypot(spread.within, spread.between), mix)
        voice = np.zeros(SECTORS)
        np.maximum.at(voice, label, -np.log(np.maximum(1 - share[:, 0] - share[:, 3], 1e-9)))
        return float(np.sort(voice)[:-2].sum())

    return voices(0.0) - float(np.mean([voices(math.radians(t)) for t in (-50, -35, -22, 22, 35, 50)]))


def _disagreement(
    frame: Array, change: Array, angle: Array, sigma: Array, share: Array, label: NDArray[np.int64]
) -> Array:
    """Covariance (3, 3) to add because witnesses near the vertical disagree, those that were set aside included.

    Each witness counts as one observation, with the median of their disagreements as its deviation.
    """
    near = share[:, 0] + share[:, 3]
    w = near / sigma**2
    place = label[:, 0]
    total = np.bincount(place, w, SECTORS)
    real = np.bincount(place, near, SECTORS) > 0.7
    if np.count_nonzero(real) < 3:
        return np.zeros((3, 3))
    mean = (np.bincount(place, w * angle[:, 0], SECTORS) / np.maximum(total, 1e-12))[real]
    pulls = [np.bincount(place, w * change[:, 0, i], SECTORS) for i in range(3)]
    pull: Array = (np.stack(pulls, axis=-1) / np.maximum(total, 1e-12)[:, None])[real]
    # The median square of a normal variable is 0.455 of its variance.
    variance = float(np.median(mean**2)) / 0.455 - float(np.median(1 / total[real]))
    variance = max(variance - BORNE**2, LEAST**2)
    information = pull.T @ pull / variance + _prior(frame, None)[0] + 1e-3 * np.eye(3)
    level = np.eye(3) - np.outer(frame[0], frame[0])
    out: Array = level @ np.linalg.inv(information) @ level
    return out


def _normal(
    weight: Array, change: Array, angle: Array, spread: _Spread, frame: Array, evidence: Evidence | None
) -> tuple[Array, Array]:
    """Information (3, 3) and pull (3,) of edges and prior on a turn of the frame.

    Each direction's edges may share an error of their own, ALIKE times their scatter: information H becomes
    (H^-1 + shared^2)^-1.
    """
    more, pull = _prior(frame, evidence)
    total = more + 1e-3 * np.eye(3)
    shared = ALIKE**2 * (spread.within**2 + spread.between**2)
    for k in range(3):
        j = change[:, k]
        information = (weight[:, k, None] * j).T @ j
        shrink = np.linalg.inv(np.eye(3) + shared[k] * information)
        total = total + shrink @ information
        pull = pull + shrink @ (j.T @ (weight[:, k] * angle[:, k]))
    return (total + total.T) / 2, pull


def _prior(frame: Array, evidence: Evidence | None) -> tuple[Array, Array]:
    """Information (3, 3) and pull (3,) of how cameras are held, or of better evidence, on a turn of the frame."""
    if evidence is None:
        pitch, roll = pitch_roll_of(frame[0])
        off = np.array([pitch - HELD[0, 0], roll - HELD[1, 0]])
        information = np.diag(1 / HELD[:, 1] ** 2)
    else:
        off = tangent(evidence.up) @ frame[0]
        # A level can be wrong outright (a body not calibrated, one turned aside): its pull dies away far off.
        information = evidence.information / (1 + off @ evidence.information @ off / FAR_OFF)
    # A turn w moves up by w x up.
    jac = np.array([np.cross(frame[0], t) for t in tangent(frame[0])])
    return jac.T @ information @ jac, jac.T @ information @ off


def find(segments: Segments, evidence: Evidence | None = None) -> list[Fit]:
    """Fits from every likely start, best first; nearly equal ones are given once.

    The same three directions may be those of a camera that looks straight up: that reading is among them.
    """
    starts = list(modes(segments, 4))
    if evidence is not None:
        starts.insert(0, evidence.up)
    fits = [fit(segments, axis_about(segments, up), evidence, 5) for up in starts]
    fits.sort(key=lambda f: -f.score)
    best = fit(segments, fits[0].frame, evidence)
    out = [best]
    for overhead in best.frame[1:]:
        up = overhead * np.sign(overhead[2])
        if up[2] > math.cos(AHEAD) and up[1] < math.sin(BENT_BACK):
            fits.append(fit(segments, np.stack([up, best.frame[0], np.cross(up, best.frame[0])]), evidence, 5))
    for f in fits[1:]:
        if all(f.frame[0] @ o.frame[0] < math.cos(math.radians(1.5)) for o in (fits[0], *out)):
            out.append(f)
    return out


def pose_of(frame: Array) -> Pose:
    """Pose of a camera whose building's frame, 3 x 3 (rows up, axis, across), is given in camera axes."""
    pitch, roll = pitch_roll_of(frame[0])
    level = Pose(pitch=pitch, roll=roll).rotation.T @ frame[1]
    return Pose(yaw=-math.atan2(level[0], level[1]), pitch=pitch, roll=roll)
