"""How frames turned about one spot lie to each other: matched details, then the light itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from clerestory.camera.camera import Camera
from clerestory.camera.pose import fit_rotation, rotation_of, vector_of
from clerestory.merge.align import Guide, Motion, align, matches
from clerestory.merge.result import Refused

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
LONG_EDGE = 1400  # pixels of the pictures that details are found in
DETAILS = 3000
NEAR = 0.0012  # radians within which matched rays agree: leaves room for parallax
FEWEST = 25
SEED = 1
ASTRAY = 0.3  # pixels off beyond which a place counts little: what moved, or lies nearer; most are within 0.1
SAMPLES = 24  # places across and down a frame by which is told what share of it another shows
FOCAL_PRIOR = 0.01  # share by which the stated focal length is expected to be off


@dataclass(frozen=True)
class Rotations:
    """Rotations (n, 3, 3) from the first frame's camera axes to each frame's; the lens with its focal length as the
    frames have it; the local shifts left between neighbours (95th percentile, pixels); each frame's neighbour."""

    rotations: tuple[F64, ...]
    camera: Camera
    parallax: tuple[float, ...]
    shares: tuple[float, ...]


@dataclass(frozen=True)
class _Pair:
    first: int
    second: int
    rays: tuple[F64, F64]
    rotation: F64


def _details(guide: Guide, camera: Camera) -> tuple[F64, F32]:
    """Rays and descriptors of a frame's details."""
    level = 0
    while max(guide.levels[level].shape) > LONG_EDGE and level + 1 < len(guide.levels):
        level += 1
    image = np.minimum(guide.levels[level], np.float32(guide.ceiling))
    low, high = np.percentile(image, [0.5, 99.0])
    grey = np.clip((image - low) / max(high - low, 1e-6) * 255, 0, 255).astype(np.uint8)
    grey = cv2.createCLAHE(3.0, (8, 8)).apply(grey)
    points, descriptors = cv2.SIFT_create(nfeatures=DETAILS).detectAndCompute(grey, None)  # type: ignore[attr-defined]
    if descriptors is None or len(points) < FEWEST:
        return np.zeros((0, 3)), np.zeros((0, 128), np.float32)
    at = (np.array([p.pt for p in points]) + 0.5) * 2 ** (level + 1) - 0.5
    rays = camera.unproject(at)
    return rays / np.linalg.norm(rays, axis=1, keepdims=True), np.asarray(descriptors, np.float32)


def _matched(i: int, j: int, one: tuple[F64, F32], two: tuple[F64, F32]) -> _Pair | None:
    """The turn between two frames by seeded RANSAC over pairs of matched rays; None when too few agree."""
    if min(len(one[0]), len(two[0])) < FEWEST:
        return None
    pairs = cv2.BFMatcher().knnMatch(one[1], two[1], k=2)
    good = [m[0] for m in pairs if len(m) == 2 and m[0].distance < 0.8 * m[1].distance]
    if len(good) < FEWEST:
        return None
    a, b = one[0][[m.queryIdx for m in good]], two[0][[m.trainIdx for m in good]]
    rng = np.random.default_rng(SEED)
    best = np.zeros(len(a), bool)
    for _ in range(400):
        pick = rng.choice(len(a), 2, replace=False)
        near = np.linalg.norm(a @ fit_rotation(a[pick], b[pick]).T - b, axis=1) < 2 * NEAR
        if near.sum() > best.sum():
            best = near
    if best.sum() < FEWEST:
        return None
    rotation = fit_rotation(a[best], b[best])
    best = np.linalg.norm(a @ rotation.T - b, axis=1) < 3 * NEAR
    return _Pair(i, j, (a[best], b[best]), fit_rotation(a[best], b[best])) if best.sum() >= FEWEST else None


def _chained(n: int, pairs: Sequence[_Pair]) -> list[F64]:
    """Rotations from the first frame's axes along the strongest pairs; Refused where frames do not hang together."""
    known: dict[int, F64] = {0: np.eye(3)}
    while len(known) < n:
        links = [p for p in pairs if (p.first in known) != (p.second in known)]
        if not links:
            lost = ", ".join(str(k + 1) for k in range(n) if k not in known)
            raise Refused(f"frame {lost} overlaps too little with the others to be stitched.")
        best = max(links, key=lambda p: len(p.rays[0]))
        if best.first in known:
            known[best.second] = best.rotation @ known[best.first]
        else:
            known[best.first] = best.rotation.T @ known[best.second]
    return [known[k] for k in range(n)]


def _bundled(rotations: Sequence[F64], pairs: Sequence[_Pair]) -> tuple[list[F64], float]:
    """All turns at once, and the factor on the focal length, by robust least squares over matched rays."""
    n = len(rotations)

    def with_focal(rays: F64, factor: float) -> F64:
        out = rays * [1 / factor, 1 / factor, 1]
        return np.asarray(out / np.linalg.norm(out, axis=1, keepdims=True))

    def unpacked(x: F64) -> tuple[list[F64], float]:
        turns = [rotations[0]] + [rotation_of(x[3 * k : 3 * k + 3]) @ rotations[k + 1] for k in range(n - 1)]
        return turns, 1 + float(x[-1])

    def residuals(x: F64) -> F64:
        turns, factor = unpacked(x)
        parts = []
        for p in pairs:
            a, b = (with_focal(r, factor) for r in p.rays)
            left = (a @ turns[p.first] - b @ turns[p.second]) / NEAR
            parts.append(left.ravel() / np.sqrt(max(1.0, len(a) / 300)))
        return np.concatenate([*parts, [x[-1] / FOCAL_PRIOR]])

    found = least_squares(residuals, np.zeros(3 * (n - 1) + 1), loss="soft_l1", f_scale=0.3)
    return unpacked(found.x)


def _overlaps(rotations: Sequence[F64], camera: Camera) -> list[tuple[float, int, int]]:
    """Pairs of frames, the first of them that which comes first, and the share of it that the other shows, the
    greatest first."""
    across = (np.arange(SAMPLES) + 0.5) / SAMPLES
    at = np.stack(np.meshgrid(across * camera.width, across * camera.height), axis=-1).reshape(-1, 2) - 0.5
    rays, found = camera.unproject(at), []
    for a in range(len(rotations)):
        for b in range(a + 1, len(rotations)):
            there = camera.project(rays @ (rotations[b] @ rotations[a].T).T)
            inside = ((there > -0.5) & (there < np.array(camera.size) - 0.5)).all(axis=1)
            found.append((float(inside.mean()), a, b))
    return sorted(found, key=lambda one: (-one[0], one[1:]))


def _neighbours(n: int, overlaps: Sequence[tuple[float, int, int]]) -> list[tuple[int, int]]:
    """Each frame but one with that of those before it that it shares most with: a tree from the pair that shares
    most, so that frames in rows hang on their neighbours of every side."""
    known, out = {overlaps[0][1]}, list[tuple[int, int]]()
    while len(known) < n:
        _, a, b = next(one for one in overlaps if (one[1] in known) != (one[2] in known))
        out.append((a, b) if a in known else (b, a))
        known.add(out[-1][1])
    return out


def _beside(n: int, overlaps: Sequence[tuple[float, int, int]]) -> list[tuple[int, int]]:
    """Pairs with no frame between them that shares more with either than they do with one another: the relative
    neighbourhood graph (Toussaint 1980). It holds the tree of neighbours, and in rows the neighbours of every side;
    pairs farther apart tell little more, and of what lies near the frames' edges."""
    share = np.ones((n, n))
    for value, a, b in overlaps:
        share[a, b] = share[b, a] = value
    return [(a, b) for value, a, b in overlaps if not (np.minimum(share[a], share[b]) > value).any()]


def _refined(guides: Sequence[Guide], rotations: Sequence[F64], camera: Camera) -> tuple[list[F64], list[Motion]]:
    """Neighbours laid on each other by their light, one after another."""
    tree = _neighbours(len(rotations), _overlaps(rotations, camera))
    out: dict[int, F64] = {tree[0][0]: rotations[tree[0][0]]}
    motions = []
    for a, b in tree:
        start = rotations[b] @ rotations[a].T
        motion = align(guides[a], guides[b], camera, local=False, start=start)
        angle = np.linalg.norm(vector_of(motion.rotation @ start.T))
        # Details hold the turn to within a pixel or two; a match of the light far from that has gone astray.
        turn = motion.rotation if angle < 6 * NEAR else start
        out[b] = turn @ out[a]
        motions.append(motion)
    return [out[k] for k in range(len(rotations))], motions


def _settled(guides: Sequence[Guide], rotations: Sequence[F64], camera: Camera) -> tuple[list[F64], float]:
    """All turns and the factor on the focal length once more, by how the light of frames beside one another lies:
    many places tell the focal length better than matched details do. Left as it was where there are few."""
    start = list(rotations)
    overlaps = _overlaps(start, camera)
    pairs = []
    for a, b in _beside(len(start), overlaps):
        here, there = matches(guides[a], guides[b], camera, start[b] @ start[a].T)
        if len(here) >= FEWEST:
            pairs.append((a, b, (here, there)))
    if {frozenset(one) for one in _neighbours(len(start), overlaps)} - {frozenset((a, b)) for a, b, _ in pairs}:
        return start, 1.0

    def unpacked(x: F64) -> tuple[list[F64], Camera]:
        turns = [start[0]] + [rotation_of(x[3 * k : 3 * k + 3]) @ start[k + 1] for k in range(len(start) - 1)]
        return turns, replace(camera, focal=camera.focal * (1 + float(x[-1])))

    def residuals(x: F64) -> F64:
        turns, lens = unpacked(x)
        parts = []
        for a, b, (here, there) in pairs:
            off = lens.project(lens.unproject(here) @ (turns[b] @ turns[a].T).T) - there
            parts.append(np.linalg.norm(off, axis=1))
        return np.concatenate([*parts, [x[-1] / FOCAL_PRIOR]])

    nothing = np.zeros(3 * (len(start) - 1) + 1)
    done = least_squares(residuals, nothing, loss="cauchy", f_scale=ASTRAY, x_scale=1e-3)
    turns, lens = unpacked(done.x)
    return turns, lens.focal / camera.focal


def find_rotations(guides: Sequence[Guide], camera: Camera) -> Rotations:
    """How the frames were turned. Raises Refused where they do not overlap enough."""
    seen = [_details(g, camera) for g in guides]
    n = len(guides)
    found = [_matched(i, j, seen[i], seen[j]) for i in range(n) for j in range(i + 1, n)]
    pairs = [p for p in found if p is not None]
    rotations, factor = _bundled(_chained(n, pairs), pairs)
    lens = replace(camera, focal=camera.focal * factor)
    rotations, motions = _refined(guides, rotations, lens)
    rotations, factor = _settled(guides, rotations, lens)
    lens = replace(lens, focal=lens.focal * factor)
    return Rotations(tuple(rotations), lens, tuple(m.parallax for m in motions), tuple(m.share for m in motions))
