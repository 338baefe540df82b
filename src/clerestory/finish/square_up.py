"""Squaring up: whether a view along a building's axis is worth turning to it, and what that costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_crop
from clerestory.camera.pose import Pose
from clerestory.camera.rectification import Rectification
from clerestory.vertical.result import Direction, Vertical

Array = NDArray[np.float64]

# A swing is offered up to this many degrees, at up to this share of the frame, on views at least this alike left and
# right. Common practice, no source.
FARTHEST = 12.0
DEAREST = 0.04
ALIKE = 0.35
LOOK_WIDTH = 240


@dataclass(frozen=True)
class Swing:
    """A swing that squares a view up: `swing` radians (yaw, right is positive), its deviation, the `symmetry` of the
    swung view (correlation of its halves, -1 to 1), the share of the frame it `costs`, and whether it is `offered`.
    """

    swing: float
    sigma: float
    symmetry: float
    costs: float
    offered: bool
    reasons: str


def square_up(
    luma: NDArray[np.float32],
    camera: Camera,
    vertical: Vertical,
    *,
    plumb: float = 1.0,
    aspect: float | None = None,
) -> Swing | None:
    """The swing that puts the axis's vanishing point on the picture's centre line; None where no axis is near it.

    `luma`: linear luminance plane (float32, H x W) on the grid of `camera`; `aspect`: shape of the picture wanted,
    the frame's own when not given.
    """
    near = [(azimuth(axis, vertical), axis) for axis in vertical.axes]
    near = [(swing, axis) for swing, axis in near if abs(swing) < math.radians(FARTHEST)]
    if not near or vertical.verdict == "cannot tell":
        return None
    swing, axis = min(near, key=lambda pair: abs(pair[0]))
    ratio = camera.width / camera.height if aspect is None else aspect
    before = Rectification(vertical.pitch, vertical.roll, plumb, 0.0)
    after = Rectification(vertical.pitch, vertical.roll, plumb, swing)
    costs = largest_crop(camera, before, ratio).kept - largest_crop(camera, after, ratio).kept
    alike = symmetry(luma, camera, after)
    offered = costs <= DEAREST and alike >= ALIKE
    degrees = math.degrees(swing)
    message = f"Swing {degrees:+.1f}° would centre the axis"
    why = (
        "" if offered else "; too little symmetry to square up" if alike < ALIKE else "; too much of the frame for it"
    )
    costs_said = f"{100 * max(costs, 0):.1f} % of the frame"
    reasons = f"{message} (swing = {degrees:.1f} in the recipe) and cost {costs_said}; symmetry {alike:.2f}{why}."
    return Swing(swing, math.radians(axis.bound_deg) / 1.96, alike, costs, offered, reasons)


def azimuth(axis: Direction, vertical: Vertical) -> float:
    """How far to the right of the view's heading an axis points, radians, within +-90 degrees."""
    level = Pose(pitch=vertical.pitch, roll=vertical.roll).rotation.T @ np.array(axis.vector)
    angle = math.atan2(float(level[0]), float(level[1]))
    return (angle + math.pi / 2) % math.pi - math.pi / 2


def symmetry(luma: NDArray[np.float32], camera: Camera, rectification: Rectification) -> float:
    """How alike the halves of a straightened view are about its centre line: correlation, -1 to 1.

    `luma`: linear luminance, float32 H x W, on the grid of `camera`; 0 where too little lies on both sides.

    Taken on the logarithm of luminance at a small size, with slow changes of light taken out.
    """
    factor = LOOK_WIDTH / luma.shape[1]
    small = cv2.resize(luma, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    grid = camera.scaled(factor)
    floor = max(float(np.median(small)) * 0.02, 1e-9)
    tones = np.log(np.maximum(small, floor))
    tones -= cv2.GaussianBlur(tones, (0, 0), LOOK_WIDTH / 12)
    tones = cv2.GaussianBlur(tones, (0, 0), 1.5)
    half = LOOK_WIDTH // 2
    x = np.arange(-half, half + 1, dtype=float) + grid.cx
    y = np.arange(grid.height, dtype=float)
    points = np.stack(np.meshgrid(x, y), axis=-1)
    back = np.asarray(np.linalg.inv(rectification.homography(grid)), float)
    q = points @ back[:, :2].T + back[:, 2]
    source: Array = grid.recorded(q[..., :2] / q[..., 2:])
    at = source.astype(np.float32)
    view = cv2.remap(tones, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    edge = np.array([grid.width - 1, grid.height - 1])
    inside = np.asarray(((source >= 0) & (source <= edge)).all(axis=-1))
    both = (inside & inside[:, ::-1] & np.asarray(q[..., 2] > 0))[:, :half]
    if np.count_nonzero(both) < 500:
        return 0.0
    left, right = view[:, :half][both], view[:, ::-1][:, :half][both]
    return float(np.corrcoef(left, right)[0, 1]) if left.std() > 0 and right.std() > 0 else 0.0
