"""Straightening: the rotation that turns a frame upright, and the homography it makes of the picture plane."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Rectification:
    """How a frame is straightened: from the camera's axes to the straightened picture's axes, radians.

    `pitch` and `roll` are the camera's own; `plumb` (0 to 1) is the share of the pitch taken out (roll is taken
    out whole as soon as `plumb` is above 0); `swing` is the yaw by which the picture is then squared up.
    """

    pitch: float = 0.0
    roll: float = 0.0
    plumb: float = 1.0
    swing: float = 0.0

    @property
    def rotation(self) -> Array:
        """Camera axes to picture axes, 3 x 3."""
        if self.plumb <= 0 and self.swing == 0:
            return np.eye(3)
        own = Pose(pitch=self.pitch, roll=self.roll).rotation
        left = self.roll if self.plumb <= 0 else 0.0
        target = Pose(yaw=self.swing, pitch=self.pitch * (1 - self.plumb), roll=left).rotation
        out: Array = target @ own.T
        return out

    def homography(self, camera: Camera) -> Array:
        """K R K^-1, from ideal pixels of the frame to pixels of the straightened picture (same focal length)."""
        out: Array = camera.matrix @ self.rotation @ camera.inverse
        return out


def project(h: Array, points: Array) -> Array:
    """Apply a 3 x 3 homography to points (..., 2)."""
    p = np.asarray(points, float)
    q = p @ h[:, :2].T + h[:, 2]
    out: Array = q[..., :2] / q[..., 2:]
    return out


def local_scale(h: Array, points: Array) -> Array:
    """Linear enlargement of a homography at points (..., 2): the square root of its area ratio."""
    p = np.asarray(points, float)
    w = p @ h[2, :2] + h[2, 2]
    out: Array = np.sqrt(np.abs(np.linalg.det(h) / w**3))
    return out
