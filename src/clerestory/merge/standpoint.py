"""Where hands went between frames, and how far everything is from the first of them.

Hands sway: the camera turns and also moves, and what is near shifts against what is far. Details found again in the
other frames (SIFT, Lowe 2004) give each frame's turn and movement and how near each detail is, all at once (bundle
adjustment, Triggs and others 2000). Distances are inverse, in units of the movement: nothing here is in metres.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import rotation_of
from clerestory.merge.result import Refused
from clerestory.run.bands import side_by_side

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]

FEATURES = 3000
LOOKED_AT = 1000  # pixels along the longer side at which details are looked for
TRIED = 400  # pairs of details by which a turn is sought
RATIO = 0.8  # of the nearest to the next nearest descriptor: Lowe's own value
LEAST_MATCHES = 24  # below, a frame's place cannot be told: set on simulated churches with people in a fifth of it
LOOSE = 0.02  # of the longer side: what near things may shift against the turn while it is being found
TIGHT = 0.002  # of the longer side: how well a detail must lie to count


@dataclass(frozen=True)
class Stand:
    """Where another frame was taken from: `rotation` 3 x 3 and `step` (3,), so that a ray (x, y, 1) of the first
    frame at inverse distance k goes to rotation @ ray + k * step. `count`: details it rests on; `gain` (3,): its
    light over the first's, per colour."""

    rotation: F64
    step: F64
    count: int
    gain: F64

    def at(self, rays: F64, nearness: F64) -> F64:
        """Rays in the other frame, (..., 3), of rays (..., 3) at inverse distances (...)."""
        return np.asarray(rays @ self.rotation.T + nearness[..., None] * self.step)


def shown(picture: F32) -> U8:
    """A picture (H x W x 3, linear) as details are looked for in it: grey, 8 bits, evened."""
    grey = np.sqrt(np.maximum(picture @ np.array([0.25, 0.5, 0.25], np.float32), 0))
    top = max(float(np.percentile(grey[::4, ::4], 99.5)), 1e-6)
    flat = np.clip(grey * np.float32(235.0 / top), 0, 255).astype(np.uint8)
    return np.asarray(cv2.createCLAHE(2.0, (8, 8)).apply(flat))


@dataclass(frozen=True)
class _Details:
    points: F64
    words: F32


def _details(picture: F32) -> _Details:
    sift = cv2.SIFT_create(nfeatures=FEATURES)  # type: ignore[attr-defined]
    found, words = sift.detectAndCompute(shown(picture), None)
    points = np.array([k.pt for k in found], float).reshape(-1, 2)
    return _Details(points, np.zeros((0, 128), np.float32) if words is None else words)


def _matched(first: _Details, second: _Details) -> NDArray[np.int64]:
    """Pairs (n, 2) of indices of details that are each other's nearest."""
    if len(first.points) < 2 or len(second.points) < 2:
        return np.zeros((0, 2), np.int64)
    # Words are whole numbers from 0 to 255: their squared distances are exact in this arithmetic, on any machine.
    mine, theirs = ((d.words**2).sum(axis=1) for d in (first, second))
    apart = first.words @ second.words.T
    apart *= -2
    apart += theirs
    every, nearest = np.arange(len(apart)), apart.argmin(axis=1)
    near = apart[every, nearest] + mine
    apart[every, nearest] = np.inf
    told = np.flatnonzero(near < RATIO**2 * (apart.min(axis=1) + mine))
    good = [(int(a), int(nearest[a]), float(near[a])) for a in told]
    best: dict[int, tuple[float, int]] = {}
    for a, b, d in good:
        if b not in best or d < best[b][0]:
            best[b] = (d, a)
    return np.array(sorted((a, b) for b, (_, a) in best.items()), np.int64).reshape(-1, 2)


def _unit(rays: F64) -> F64:
    return np.asarray(rays / np.linalg.norm(rays, axis=-1, keepdims=True))


def _turn_between(a: F64, b: F64, tolerance: float, seed: int) -> F64:
    """The rotation (3 x 3) that carries most rays a (n, 3) onto b within a tolerance (radians): RANSAC over pairs."""
    a, b = _unit(a), _unit(b)
    rng = np.random.default_rng(seed)
    picks = np.stack([rng.choice(len(a), 2, replace=False) for _ in range(TRIED)])
    turns = _procrustes(a[picks], b[picks])
    # Of unit vectors: |R a - b|^2 = 2 - 2 b.R a
    near = np.einsum("ni,nj->nij", b, a).reshape(len(a), 9) @ turns.reshape(TRIED, 9).T
    best = turns[np.maximum(0, 1 - (2 - 2 * near) / tolerance**2).sum(axis=0).argmax()]
    for _ in range(10):
        far = np.linalg.norm(a @ best.T - b, axis=1)
        best = _procrustes(a, b, 1 / (1 + (far / (0.3 * tolerance)) ** 2) ** 2)
    return best


def _procrustes(a: F64, b: F64, weight: F64 | None = None) -> F64:
    """The rotation (..., 3, 3) that carries vectors a (..., n, 3) best onto b (Kabsch 1976)."""
    u, _, vt = np.linalg.svd(np.swapaxes(b if weight is None else b * weight[:, None], -1, -2) @ a)
    proper = np.ones((*u.shape[:-2], 1, 3))
    proper[..., 0, 2] = np.linalg.det(u @ vt)
    return np.asarray((u * proper) @ vt)


@dataclass
class _Seen:
    """Details of the first frame found in others: `rays` (n, 3) of the first; per other frame `where` (n, 2), on the
    plane z = 1, and `there` (n,), whether it was found."""

    rays: F64
    where: F64
    there: NDArray[np.bool_]


def _projected(rays: F64) -> F64:
    return np.asarray(rays[..., :2] / np.maximum(rays[..., 2:], 1e-3))


def _weights(size2: F64, scale: float) -> F64:
    """Geman and McClure's."""
    return np.asarray(1 / (1 + size2 / scale**2) ** 2)


def _first_steps(seen: _Seen, turns: F64, scale: float) -> tuple[F64, F64]:
    """Steps (frames, 3) and nearness (n,): what the turns leave, as of one movement per frame, robustly."""
    base = np.stack([_projected(seen.rays @ r.T) for r in turns])
    left = np.where(seen.there[..., None], seen.where - base, 0)
    spread = [float(np.percentile(np.linalg.norm(x[t], axis=1), 90)) for x, t in zip(left, seen.there, strict=True)]
    start = int(np.argmax(spread))
    far = left[start]
    _, _, axes = np.linalg.svd(far[seen.there[start]], full_matrices=False)
    near = far @ axes[0]
    step = np.zeros((len(turns), 2))
    weight = seen.there.astype(float)
    for _ in range(30):
        for k in range(len(turns)):
            step[k] = (weight[k] * near) @ left[k] / max(float((weight[k] * near**2).sum()), 1e-12)
        size = np.linalg.norm(step)
        step /= max(float(size), 1e-12)
        up = np.einsum("kn,kni,ki->n", weight, left, step)
        down = np.einsum("kn,k->n", weight, (step**2).sum(axis=1))
        near = up / np.maximum(down, 1e-9)
        near[down < 1e-9] = 0
        rest = left - near[None, :, None] * step[:, None]
        weight = seen.there * _weights((rest**2).sum(axis=-1), scale)
    return np.concatenate([step, np.zeros((len(turns), 1))], axis=1), near


def _adjusted(seen: _Seen, turns: F64, steps: F64, near: F64, scale: float) -> tuple[F64, F64, F64, F64]:
    """Turns, steps and nearness together, by Gauss and Newton, nearness eliminated; and weights (frames, n)."""
    frames, points = seen.there.shape
    damp, last = 1e-3, np.inf
    weight = np.zeros((frames, points))
    prior = 1e-6
    for _ in range(40):
        rays = np.einsum("kij,nj->kni", turns, seen.rays)
        moved = rays + near[None, :, None] * steps[:, None]
        z = np.maximum(moved[..., 2], 1e-3)
        found = moved[..., :2] / z[..., None]
        rest = np.where(seen.there[..., None], seen.where - found, 0)
        size2 = (rest**2).sum(axis=-1)
        cost = float((seen.there * size2 / (size2 + scale**2)).sum())
        weight = seen.there * _weights(size2, scale)
        # d(x/z) = (dx - x' dz) / z
        across = np.zeros((frames, points, 2, 3))
        across[..., 0, 0] = across[..., 1, 1] = 1 / z
        across[..., 0, 2], across[..., 1, 2] = -found[..., 0] / z, -found[..., 1] / z
        skew = np.zeros((frames, points, 3, 3))
        x, y, w = rays[..., 0], rays[..., 1], rays[..., 2]
        skew[..., 0, 1], skew[..., 0, 2] = w, -y
        skew[..., 1, 0], skew[..., 1, 2] = -w, x
        skew[..., 2, 0], skew[..., 2, 1] = y, -x
        frame = np.concatenate([across @ skew, across * near[None, :, None, None]], axis=-1)
        point = np.einsum("knij,kj->kni", across, steps)
        heavy = (weight[..., None, None] * frame).reshape(frames, -1, 6)
        a = np.swapaxes(heavy, 1, 2) @ frame.reshape(frames, -1, 6)
        g = np.einsum("kn,knip,kni->kp", weight, frame, rest)
        b = np.einsum("kn,knip,kni->knp", weight, frame, point)
        c = np.einsum("kn,kni,kni->n", weight, point, point) + prior
        h = np.einsum("kn,kni,kni->n", weight, point, rest) - prior * near
        whole = np.zeros((frames, 6, frames, 6))
        for k in range(frames):
            whole[k, :, k, :] = a[k] + damp * np.diag(np.diag(a[k]) + 1e-6)
        rows = np.swapaxes(b, 0, 1).reshape(points, 6 * frames)
        whole -= ((rows / c[:, None]).T @ rows).reshape(whole.shape)
        right = g - np.einsum("knp,n->kp", b, h / c)
        delta = np.linalg.lstsq(whole.reshape(6 * frames, -1), right.ravel(), rcond=1e-10)[0].reshape(frames, 6)
        change = (h - np.einsum("knp,kp->n", b, delta)) / c
        damp = min(damp * 4, 10.0) if cost > last * (1 + 1e-9) else max(damp * 0.5, 1e-6)
        turns = np.stack([rotation_of(d[:3]) @ r for d, r in zip(delta, turns, strict=True)])
        steps = steps + delta[:, 3:]
        near = near + change
        unit = float(np.linalg.norm(steps))
        steps, near = steps / max(unit, 1e-12), near * unit
        if abs(last - cost) < 1e-6 * max(cost, 1e-9):
            break
        last = cost
    return turns, steps, near, weight


@dataclass(frozen=True)
class Stands:
    """The frames' stands (None where a frame could not be placed), and inverse distances of the details seen:
    `near` (n,) at `points` (n, 2), pixels of the first frame."""

    frames: tuple[Stand | None, ...]
    near: F64
    points: F64


def _light(first: F32, second: F32, here: F64, there: F64) -> F64:
    """The second picture's light over the first's per colour (3,), from what surrounds details (n, 2) in both."""
    one, two = (
        np.asarray(cv2.remap(cv2.blur(p, (5, 5)), at.astype(np.float32)[None], None, cv2.INTER_LINEAR))[0]
        for p, at in ((first, here), (second, there))
    )
    least = 0.02 * float(np.percentile(one, 95))
    ok = (one > least) & (two > least)
    ratios = [np.median(two[ok[:, c], c] / one[ok[:, c], c]) if ok[:, c].sum() > 8 else 1.0 for c in range(3)]
    return np.array(ratios, float)


def stands_of(pictures: Sequence[F32], camera: Camera) -> Stands:
    """From pictures, H x W x 3, of the camera's whole frame; the first is the one to lay on.

    Raises Refused when no other frame can be placed.
    """
    focal, side = camera.focal, max(camera.width, camera.height)
    factor = min(1.0, LOOKED_AT / max(pictures[0].shape[:2]))
    if factor < 1:
        pictures = [cv2.resize(p, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) for p in pictures]
    scale_up = np.array([camera.width / pictures[0].shape[1], camera.height / pictures[0].shape[0]])
    details = list(side_by_side(_details, pictures))

    def rays_of(points: F64) -> F64:
        return camera.unproject((points + 0.5) * scale_up - 0.5)

    first = details[0]
    matches = list(side_by_side(partial(_matched, first), details[1:]))
    rays = rays_of(first.points) if len(first.points) else np.zeros((0, 3))
    turns, usable = [], []
    for k, (pairs, other) in enumerate(zip(matches, details[1:], strict=True)):
        if len(pairs) < LEAST_MATCHES:
            continue
        a, b = rays[pairs[:, 0]], rays_of(other.points[pairs[:, 1]])
        turn = _turn_between(a, b, LOOSE * side / focal, k)
        turns.append(turn)
        usable.append(k)
    if not usable:
        raise Refused("the frames show too little in common to be laid on one another.")
    where = np.zeros((len(usable), len(first.points), 2))
    there = np.zeros((len(usable), len(first.points)), bool)
    for row, (k, turn) in enumerate(zip(usable, turns, strict=True)):
        pairs = matches[k]
        at = _projected(rays_of(details[k + 1].points[pairs[:, 1]]))
        off = np.linalg.norm(at - _projected(rays[pairs[:, 0]] @ turn.T), axis=1)
        ok = off < 0.25 * side / focal
        where[row, pairs[ok, 0]] = at[ok]
        there[row, pairs[ok, 0]] = True
    keep = there.any(axis=0)
    seen = _Seen(rays[keep], where[:, keep], there[:, keep])
    scale = TIGHT * side / focal
    steps, near = _first_steps(seen, np.array(turns), 2 * scale)
    found = _adjusted(seen, np.array(turns), steps, near, scale)
    spun, steps, near, weight = found
    # One other frame tells a distance of any false match along the way it moved; two must agree on it.
    strong = weight.sum(axis=0) > min(1.5, 0.6 * len(weight))
    if strong.any() and np.sum(near[strong]) < 0:
        steps, near = -steps, -near
    frames: list[Stand | None] = [None] * (len(pictures) - 1)
    for row, k in enumerate(usable):
        count = int((weight[row] > 0.25).sum())
        if count >= LEAST_MATCHES:
            pairs = matches[k]
            good = np.isin(pairs[:, 0], np.flatnonzero(keep)[weight[row] > 0.25])
            gain = _light(
                pictures[0], pictures[k + 1], first.points[pairs[good, 0]], details[k + 1].points[pairs[good, 1]]
            )
            frames[k] = Stand(spun[row], steps[row], count, gain)
    return Stands(tuple(frames), near[strong], (first.points[keep][strong] + 0.5) * scale_up - 0.5)
