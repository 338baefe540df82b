"""Whether two frames show the same, from their looks: small log-coded pictures that exposure only shifts."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import fit_rotation
from clerestory.camera.rectification import project
from clerestory.raw.inspect import LOOK_LEVELS

Look = NDArray[np.uint8]
_WORK = 192  # pixels along the longer side for the comparison
_CRITERIA = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-4)
_FLAGS = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
_HIGH, _LOW = 251, 16  # above and below, a look is clipped or noise


@dataclass(frozen=True)
class Overlap:
    """How one frame lies on another.

    `shift`: displacement of the centre as a share of the longer side (x, y); `turn` degrees; `agreement`: correlation
    of detail where both show something, 0 to 1; `offset`: how much brighter the second is, stops.
    """

    shift: tuple[float, float]
    turn: float
    agreement: float
    offset: float

    @property
    def distance(self) -> float:
        """Length of the shift, share of the longer side."""
        return float(np.hypot(*self.shift))


def _prepared(look: Look) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
    """The look at working size, its detail (mean of the surroundings taken out), and where it can be trusted."""
    scale = _WORK / max(look.shape)
    size = (round(look.shape[1] * scale), round(look.shape[0] * scale))
    grey = cv2.resize(look, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    sure = ((grey < _HIGH) & (grey > _LOW)).astype(np.float32)
    weight = cv2.GaussianBlur(sure, (0, 0), 12) + 1e-3
    mean = cv2.GaussianBlur(grey * sure, (0, 0), 12) / weight
    detail = np.clip((cv2.GaussianBlur(grey, (0, 0), 0.8) - mean) * sure, -40, 40)
    return grey, detail, sure


def _agreement(a: NDArray[np.float32], b: NDArray[np.float32], both: NDArray[np.float32]) -> float:
    aa, bb = float((a * a * both).sum()), float((b * b * both).sum())
    return float((a * b * both).sum()) / max((aa * bb) ** 0.5, 1e-6) if both.mean() > 0.1 else 0.0


def _euclidean(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.float32] | None:
    """The 2 x 3 turn and shift that carries positions in detail `a` onto detail `b`; None when nothing fits."""
    h, w = a.shape
    (dx, dy), _ = cv2.phaseCorrelate(a, b, cv2.createHanningWindow((w, h), cv2.CV_32F))
    if abs(dx) > 0.25 * w or abs(dy) > 0.25 * h:
        dx = dy = 0.0
    warp = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
    try:
        _, warp = cv2.findTransformECC(a, b, warp, cv2.MOTION_EUCLIDEAN, _CRITERIA, None, 3)
    except cv2.error:  # does not converge: the frames show different things
        return None
    return np.asarray(warp, np.float32)


def overlap_of(first: Look, second: Look) -> Overlap | None:
    """How the second frame lies on the first, for hand shake of some per cent of the frame and a few degrees.

    Looks, uint8 H x W, as of `raw.inspect.log_look`; None when they differ in shape. Phase correlation, then ECC
    (Evangelidis and Psarakis 2008).
    """
    if first.shape != second.shape:
        return None
    grey_a, a, sure_a = _prepared(first)
    grey_b, b, sure_b = _prepared(second)
    h, w = a.shape
    warp = _euclidean(a, b)
    if warp is None:
        return Overlap((0.0, 0.0), 0.0, 0.0, 0.0)
    moved = cv2.warpAffine(b, warp, (w, h), flags=_FLAGS)
    both = cv2.warpAffine(sure_b, warp, (w, h), flags=_FLAGS) * sure_a
    both = (both > 0.9).astype(np.float32)
    centre = warp @ np.array([(w - 1) / 2, (h - 1) / 2, 1.0])
    side = max(w, h)
    difference = cv2.warpAffine(grey_b, warp, (w, h), flags=_FLAGS) - grey_a
    offset = float(np.median(difference[both > 0])) / LOOK_LEVELS if both.any() else 0.0
    return Overlap(
        (float(centre[0] - (w - 1) / 2) / side, float(centre[1] - (h - 1) / 2) / side),
        float(np.degrees(np.arctan2(warp[1, 0], warp[0, 0]))),
        _agreement(a, moved, both),
        offset,
    )


def changed_share(first: Look, second: Look) -> float:
    """Share (0 to 1) of the picture where something came or went, after lying one frame on the other.

    Looks, uint8 H x W, as of `raw.inspect.log_look`; 0 where they differ in shape or do not fit. Laid by ECC
    (Evangelidis and Psarakis 2008).
    """
    if first.shape != second.shape:
        return 0.0
    grey_a, a, sure_a = _prepared(first)
    grey_b, b, sure_b = _prepared(second)
    h, w = grey_a.shape
    start = _euclidean(a, b)
    if start is None:
        return 0.0
    # Turning the camera by a few degrees also changes the perspective, which a shift does not follow.
    warp = np.vstack([start, [0, 0, 1]]).astype(np.float32)
    try:
        _, warp = cv2.findTransformECC(a, b, warp, cv2.MOTION_HOMOGRAPHY, _CRITERIA, None, 3)
    except cv2.error:
        warp = np.vstack([start, [0, 0, 1]]).astype(np.float32)
    moved = cv2.warpPerspective(grey_b, warp, (w, h), flags=_FLAGS)
    both = cv2.warpPerspective(sure_b, warp, (w, h), flags=_FLAGS) * sure_a > 0.9
    if not both.any():
        return 0.0
    offset = float(np.median((moved - grey_a)[both]))
    difference = np.abs(moved - grey_a - offset)
    # An edge that is a little off differs too, by its slope: only what stands out beyond that counts.
    slope = cv2.dilate(cv2.morphologyEx(grey_a, cv2.MORPH_GRADIENT, np.ones((3, 3))), np.ones((3, 3)))
    stands_out = ((difference > 0.3 * LOOK_LEVELS + 0.6 * slope) & both).astype(np.uint8)
    blobs = cv2.morphologyEx(stands_out, cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
    return float(blobs.sum()) / max(float(both.sum()), 1.0)


@dataclass(frozen=True)
class RotatedBy:
    """A frame turned about the spot against another: `share` of the first that the second shows too, `angle`
    between their axes in degrees, `matches` that agree."""

    share: float
    angle: float
    matches: int


def rotation_between(first: Look, second: Look, camera: Camera) -> RotatedBy | None:
    """Whether the second frame is the first turned about one spot (same focal length), from matched details.

    Looks, uint8 H x W; `camera`: of the whole frame. SIFT details (Lowe 2004), a rotation by RANSAC (Fischler and
    Bolles 1981). None where too few details agree.
    """
    sift = cv2.SIFT_create(nfeatures=600)  # type: ignore[attr-defined]
    (ka, da), (kb, db) = (sift.detectAndCompute(cv2.equalizeHist(look), None) for look in (first, second))
    if da is None or db is None or len(ka) < 12 or len(kb) < 12:
        return None
    pairs = cv2.BFMatcher().knnMatch(da, db, k=2)
    good = [m[0] for m in pairs if len(m) == 2 and m[0].distance < 0.78 * m[1].distance]
    if len(good) < 12:
        return None
    pa = np.array([ka[m.queryIdx].pt for m in good])
    pb = np.array([kb[m.trainIdx].pt for m in good])
    small = camera.scaled(first.shape[1] / camera.width)
    rotation, inliers = _rotation(pa, pb, small)
    if inliers < max(12, 0.3 * len(good)):
        return None
    h, w = first.shape
    grid = np.stack(np.meshgrid(np.linspace(0, w - 1, 24), np.linspace(0, h - 1, 24)), axis=-1).reshape(-1, 2)
    matrix = small.matrix @ rotation @ small.inverse
    ahead = grid @ matrix[2, :2] + matrix[2, 2] > 0
    seen = project(matrix, grid)
    inside = ahead & (seen[:, 0] >= 0) & (seen[:, 0] < w) & (seen[:, 1] >= 0) & (seen[:, 1] < h)
    angle = float(np.degrees(np.arccos(np.clip(rotation[2, 2], -1, 1))))
    return RotatedBy(float(inside.mean()), angle, inliers)


Points = NDArray[np.float64]


def _unit(directions: Points) -> Points:
    out: Points = directions / np.linalg.norm(directions, axis=1, keepdims=True)
    return out


def _rotation(pa: Points, pb: Points, camera: Camera) -> tuple[Points, int]:
    """The rotation that carries rays of the first onto rays of the second, by RANSAC over pairs, seeded."""

    a, b = (_unit(camera.directions(p)) for p in (pa, pb))
    tolerance = 3.0 / camera.focal  # 3 pixels of the look
    rng = np.random.default_rng(1)
    best = np.zeros(len(a), bool)
    for _ in range(300):
        pick = rng.choice(len(a), 2, replace=False)
        near = np.linalg.norm(a @ fit_rotation(a[pick], b[pick]).T - b, axis=1) < tolerance
        if near.sum() > best.sum():
            best = near
    if best.sum() < 3:
        return np.eye(3), int(best.sum())
    rotation = fit_rotation(a[best], b[best])
    return rotation, int((np.linalg.norm(a @ rotation.T - b, axis=1) < tolerance).sum())
