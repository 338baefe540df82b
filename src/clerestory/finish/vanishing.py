"""The building's directions from straight edges: the vertical, and the horizontals square to it, by likelihood."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.stats import chi2

from clerestory.camera.geometry import Pose, pitch_roll_of
from clerestory.finish.lines import Segments

Array = NDArray[np.float64]

# Grid of uprights looked at: degrees of pitch and roll a camera may have. Common practice, no source.
PITCHES = np.radians(np.arange(-44.0, 90.1, 1.5))
ROLLS = np.radians(np.arange(-24.0, 24.1, 1.5))
# Weak belief about how cameras are held (degrees): pitch about 6 +- 20, roll 0 +- 5. Common practice, no source.
HELD = np.radians([[6.0, 20.0], [0.0, 5.0]])
COARSE = math.radians(0.9)
# Least scatter, between one part of a building and the next, of uprights and of level lines (radians).
TRUE_UPRIGHT = math.radians(0.015)
TRUE_LEVEL = math.radians(0.05)
LOOSE = math.radians(2.5)
# Edges whose vertical planes differ by less than this stand as one witness: two sides of a shaft lean together.
WITNESS = math.radians(3.0)


@dataclass(frozen=True)
class Evidence:
    """What is known of the vertical beside the edges: (direction in camera axes, 2 x 2 information in `tangent`)."""

    up: Array
    information: Array


@dataclass(frozen=True)
class Fit:
    """Directions found: `frame` rows are up, nave axis and across it, in camera axes; `covariance` (3, 3) of a small
    turn of the frame about the camera's axes, squared radians; `share` (n, 3) each edge's belonging to the three;
    `score` log likelihood over that of no building at all; `support` weighted count of uprights."""

    frame: Array
    covariance: Array
    share: Array
    scatter: Array
    score: float
    witnesses: int
    rivals: tuple[tuple[float, float], ...] = ()


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
    """Radius that a two-dimensional normal error of this covariance stays within, by Satterthwaite's chi square."""
    spread = np.maximum(np.linalg.eigvalsh(covariance), 0)
    total, square = float(spread.sum()), float((spread**2).sum())
    if total <= 0:
        return 0.0
    freedom = total**2 / square
    return math.sqrt(float(chi2.ppf(quantile, freedom)) * square / total)


@njit(parallel=True, cache=True, fastmath=True)
def _votes(directions: Array, normal: Array, along: Array, variance: Array, worth: Array) -> Array:
    """Truncated log likelihood of vanishing directions (m, 3): each edge adds up to its worth (n,)."""
    out = np.zeros(len(directions))
    for i in prange(len(directions)):
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
    return out


def _worths(segments: Segments, floor: float, usual: float) -> tuple[Array, Array]:
    """Variance about a vanishing direction, and the most an edge may add, given the share of edges that belong."""
    variance = segments.sigma**2 + floor**2
    return variance, np.maximum(np.log(1 + usual * math.pi / np.sqrt(2 * math.pi * variance)), 0.1)


def _belief(pitch: Array, roll: Array) -> Array:
    """Log of the weak belief about how cameras are held."""
    z = (pitch - HELD[0, 0]) / HELD[0, 1], (roll - HELD[1, 0]) / HELD[1, 1]
    out: Array = -np.log1p(z[0] ** 2 / 3) * 2 - np.log1p(z[1] ** 2 / 3) * 2
    return out


def modes(segments: Segments, count: int = 5) -> Array:
    """The likeliest verticals on a grid of poses, best first, at least 5 degrees apart: (k, 3)."""
    pitch, roll = (a.ravel() for a in np.meshgrid(PITCHES, ROLLS, indexing="ij"))
    grid = ups(pitch, roll)
    variance, worth = _worths(segments, COARSE, 0.3)
    score = _votes(grid, segments.normal, segments.along, variance, worth) + _belief(pitch, roll)
    found: list[Array] = []
    for i in np.argsort(-score):
        if all(grid[i] @ other < math.cos(math.radians(5)) for other in found):
            found.append(grid[i])
        if len(found) == count:
            break
    return np.array(found)


def _basis(up: Array) -> Array:
    """Two horizontal unit vectors (2, 3): to the camera's right, and ahead."""
    right = np.cross(np.array([0.0, 0.0, 1.0]), up)
    if np.linalg.norm(right) < 1e-6:
        right = np.array([1.0, 0.0, 0.0])
    right = -right / np.linalg.norm(right)
    return np.stack([right, np.cross(right, up)])


def axis_about(segments: Segments, up: Array) -> Array:
    """The frame (3, 3) of a vertical and the pair of square horizontals that most edges run along."""
    right, ahead = _basis(up)
    angle = np.radians(np.arange(0.0, 180.0, 1.0))
    grid = np.cos(angle)[:, None] * right + np.sin(angle)[:, None] * ahead
    variance, worth = _worths(segments, COARSE, 0.2)
    upright = np.abs(segments.normal @ up) < 0.07 * np.hypot(segments.along @ up, segments.normal @ up)
    level = segments.take(~upright)
    score = _votes(grid, level.normal, level.along, variance[~upright], worth[~upright])
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


def _densities(angle: Array, sigma: Array, scatter: Array, mix: Array) -> tuple[Array, Array]:
    """Belonging (n, 3) of edges to the three directions and log likelihood (n,) against lying anyhow."""
    variance = sigma[:, None] ** 2 + scatter**2
    tight = np.exp(-0.5 * angle**2 / variance) / np.sqrt(2 * math.pi * variance)
    wide = sigma[:, None] ** 2 + LOOSE**2
    loose = np.exp(-0.5 * angle**2 / wide) / np.sqrt(2 * math.pi * wide)
    parts = np.concatenate([mix[:3] * tight, mix[3:6] * loose, np.full((len(angle), 1), mix[6] / math.pi)], axis=1)
    total = parts.sum(axis=1)
    share: Array = parts / total[:, None]
    return share, np.log(total * math.pi)


def _scatter(angle: Array, sigma: Array, share: Array, now: Array) -> Array:
    """Scatter of each direction's edges beyond their own uncertainty, by weighted moments."""
    g = share / (sigma[:, None] ** 2 + now**2) ** 2
    moment = (g * (angle**2 - sigma[:, None] ** 2)).sum(axis=0) / np.maximum(g.sum(axis=0), 1e-12)
    least = np.array([TRUE_UPRIGHT, TRUE_LEVEL, TRUE_LEVEL])
    return np.sqrt(np.clip(moment, least**2, math.radians(1.5) ** 2))


def fit(segments: Segments, start: Array, evidence: Evidence | None = None, rounds: int = 25) -> Fit:
    """Maximum likelihood frame from a starting one (3, 3), by expectation and maximisation."""
    frame, sigma = start, segments.sigma
    scatter = np.radians([0.5, 0.7, 0.7])
    mix = np.array([0.15, 0.1, 0.1, 0.05, 0.05, 0.05, 0.5])
    for step in range(rounds):
        angle, change = angles(segments, frame)
        share, log = _densities(angle, sigma, scatter, mix)
        mix = (share.sum(axis=0) + 1) / (len(share) + 7)
        weight = share[:, :3] / (sigma[:, None] ** 2 + scatter**2)
        hessian = np.einsum("nk,nki,nkj->ij", weight, change, change)
        pull = np.einsum("nk,nki,nk->i", weight, change, angle)
        more_h, more_p = _prior(frame, evidence)
        move = -np.linalg.solve(hessian + more_h + 1e-3 * np.eye(3), pull + more_p)
        move *= min(1.0, math.radians(2) / max(float(np.linalg.norm(move)), 1e-15))
        frame = _turned(frame, move)
        scatter = _scatter(angle, sigma, share[:, :3], scatter)
        if step > 5 and float(np.linalg.norm(move)) < 1e-6:
            break
    angle, change = angles(segments, frame)
    share, log = _densities(angle, sigma, scatter, mix)
    covariance, witnesses = _sandwich(segments, frame, angle, change, share[:, :3], scatter, evidence)
    score = float(log.sum()) + float(_belief(*(np.array(v) for v in pitch_roll_of(frame[0]))))
    return Fit(frame, covariance, share[:, :3], scatter, score, witnesses)


def _prior(frame: Array, evidence: Evidence | None) -> tuple[Array, Array]:
    """Information (3, 3) and pull (3,) of how cameras are held, or of better evidence, on a turn of the frame."""
    if evidence is None:
        pitch, roll = pitch_roll_of(frame[0])
        off = np.array([pitch - HELD[0, 0], roll - HELD[1, 0]])
        information = np.diag(1 / HELD[:, 1] ** 2)
    else:
        off = tangent(evidence.up) @ frame[0]
        information = evidence.information
    # A turn w moves up by w x up.
    jac = np.array([np.cross(frame[0], t) for t in tangent(frame[0])])
    return jac.T @ information @ jac, jac.T @ information @ off


def _sandwich(
    segments: Segments,
    frame: Array,
    angle: Array,
    change: Array,
    share: Array,
    scatter: Array,
    evidence: Evidence | None,
) -> tuple[Array, int]:
    """Covariance (3, 3) of the fit by witnesses: edges that stand together count once, as they actually disagree."""
    weight = share / (segments.sigma[:, None] ** 2 + scatter**2)
    hessian = np.einsum("nk,nki,nkj->ij", weight, change, change) + _prior(frame, evidence)[0] + 1e-3 * np.eye(3)
    inverse = np.linalg.inv(hessian)
    each = np.einsum("nk,nki,nk->ni", weight, change, angle)
    label = witness_labels(segments, frame, share)
    groups = np.zeros((label.max() + 1, 3))
    np.add.at(groups, label, each)
    belong = np.bincount(label, weights=share.sum(axis=1), minlength=len(groups))
    count = int(np.count_nonzero(belong > 0.7))
    small = max(count, 2) / max(count - 1, 1)
    return inverse + small * inverse @ (groups.T @ groups) @ inverse, count


def witness_labels(segments: Segments, frame: Array, share: Array) -> NDArray[np.int64]:
    """Which witness (0 ...) each edge belongs to: by the direction it most likely follows and where it stands."""
    kind = np.argmax(share, axis=1)
    label = np.zeros(len(segments), np.int64)
    for k in range(3):
        a, b = frame[(k + 1) % 3], frame[(k + 2) % 3]
        side = np.cross(frame[k], segments.normal)
        place = np.arctan2(side @ a, side @ b) % math.pi
        label = np.where(kind == k, np.floor(place / WITNESS).astype(np.int64) * 3 + k, label)
    out: NDArray[np.int64] = np.unique(label, return_inverse=True)[1].astype(np.int64)
    return out


def find(segments: Segments, evidence: Evidence | None = None) -> list[Fit]:
    """Fits from every likely start, best first; nearly equal ones are given once."""
    starts = list(modes(segments))
    if evidence is not None:
        starts.append(evidence.up)
    fits = [fit(segments, axis_about(segments, up), evidence, 6) for up in starts]
    fits.sort(key=lambda f: -f.score)
    out: list[Fit] = []
    for f in fits:
        if all(f.frame[0] @ o.frame[0] < math.cos(math.radians(1.5)) for o in out):
            out.append(f)
    return [fit(segments, out[0].frame, evidence), *out[1:]]


def pose_of(frame: Array) -> Pose:
    """Pose of a camera whose building's frame (rows up, axis, across) is given in camera axes."""
    pitch, roll = pitch_roll_of(frame[0])
    level = Pose(pitch=pitch, roll=roll).rotation.T @ frame[1]
    return Pose(yaw=-math.atan2(level[0], level[1]), pitch=pitch, roll=roll)
