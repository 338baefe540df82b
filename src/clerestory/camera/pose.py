"""Where a camera stands and looks, and the rotation that carries one set of directions onto another.

World axes of a building: x to the right of its axis, y along its axis (forward), z up, metres.
Camera axes: x right, y down, z forward. Radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Pose:
    """Where a camera stands and looks.

    `yaw` turns right (clockwise seen from above) from the building's axis, `pitch` is up, `roll` is the camera
    turned clockwise as its user sees it. Radians; `position` in metres.
    """

    yaw: float = 0.0
    pitch: float = 0.0
    roll: float = 0.0
    position: tuple[float, float, float] = (0.0, 0.0, 1.6)

    @property
    def rotation(self) -> Array:
        """World to camera, 3 x 3: rows are the camera's right, down and forward in world axes."""
        cy, sy, cp, sp = math.cos(self.yaw), math.sin(self.yaw), math.cos(self.pitch), math.sin(self.pitch)
        cr, sr = math.cos(self.roll), math.sin(self.roll)
        forward = np.array([sy * cp, cy * cp, sp])
        right = np.array([cy, -sy, 0.0])
        down = np.cross(forward, right)
        return np.stack([cr * right + sr * down, -sr * right + cr * down, forward])

    @property
    def up(self) -> Array:
        """The true vertical in camera axes, unit length, pointing up."""
        out: Array = self.rotation[:, 2]
        return out


def pitch_roll_of(up: Array) -> tuple[float, float]:
    """Pitch and roll (radians) of a camera that sees the vertical `up` (3,), camera axes, unit length."""
    return math.asin(float(np.clip(up[2], -1, 1))), math.atan2(-float(up[0]), -float(up[1]))


def rotation_of(vector: Array) -> Array:
    """Rotation matrix (3, 3) of a rotation vector (3,), radians about its own direction (Rodrigues)."""
    out, _ = cv2.Rodrigues(np.asarray(vector, float))
    return np.asarray(out, float)


def vector_of(rotation: Array) -> Array:
    """The rotation vector (3,) of a matrix (3, 3), `rotation_of` undone: its length is the angle in radians, exact
    for small turns, where the trace's arc cosine is not."""
    out, _ = cv2.Rodrigues(np.asarray(rotation, float))
    return np.asarray(out, float).ravel()


def fit_rotation(a: Array, b: Array) -> Array:
    """The rotation (3, 3) that carries unit vectors a (n, 3) nearest to b (n, 3), in the least-squares sense.

    By singular value decomposition (Kabsch 1976; Umeyama 1991 for the sign that keeps it a rotation).
    """
    u, _, vt = np.linalg.svd(b.T @ a)
    return np.asarray(u @ np.diag([1, 1, np.linalg.det(u @ vt)]) @ vt)
