"""Pose, projection, lens distortion and straightening. Radians inside, pixels for image points.

World axes of a building: x to the right of its axis, y along its axis (forward), z up, metres.
Camera axes: x right, y down, z forward. Pixel (0, 0) is the centre of the top left pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Intrinsics:
    """A pinhole camera: size in pixels, focal length in pixels, principal point in pixels."""

    width: int
    height: int
    focal: float
    cx: float
    cy: float

    @classmethod
    def of(cls, width: int, height: int, focal_mm: float, sensor_width_mm: float) -> Intrinsics:
        """The camera of a sensor `sensor_width_mm` wide read as `width` pixels (square pixels, centred axis)."""
        return cls(width, height, focal_mm * width / sensor_width_mm, (width - 1) / 2, (height - 1) / 2)

    @property
    def matrix(self) -> Array:
        """K, 3 x 3."""
        return np.array([[self.focal, 0, self.cx], [0, self.focal, self.cy], [0, 0, 1.0]])

    @property
    def inverse(self) -> Array:
        """K^-1, 3 x 3."""
        f = self.focal
        return np.array([[1 / f, 0, -self.cx / f], [0, 1 / f, -self.cy / f], [0, 0, 1.0]])

    def scaled(self, factor: float) -> Intrinsics:
        """The same view on a pixel grid `factor` times as fine (area-aligned: pixel edges keep their place)."""
        return Intrinsics(
            round(self.width * factor),
            round(self.height * factor),
            self.focal * factor,
            (self.cx + 0.5) * factor - 0.5,
            (self.cy + 0.5) * factor - 0.5,
        )


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
    """Pitch and roll (radians) of a camera that sees the vertical `up` (camera axes, unit length)."""
    return math.asin(float(np.clip(up[2], -1, 1))), math.atan2(-float(up[0]), -float(up[1]))


@dataclass(frozen=True)
class Distortion:
    """Lens distortion as the DNG specification's WarpRectilinear opcode writes it.

    For an ideal point at offset (x, y) from the optical centre, in units of the distance from that centre to the
    farthest corner, the recorded point lies at (x, y) (k0 + k1 r^2 + k2 r^4 + k3 r^6) plus the tangential terms
    t0 (2xy), t1 (r^2 + 2x^2) and so on (Adobe DNG specification 1.4, chapter 7). `centre` is relative to the frame.
    """

    radial: tuple[float, float, float, float] = (1.0, 0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)
    centre: tuple[float, float] = (0.5, 0.5)

    @property
    def is_identity(self) -> bool:
        """Whether this lens moves nothing."""
        return self.radial == (1.0, 0.0, 0.0, 0.0) and self.tangential == (0.0, 0.0)

    def _frame(self, camera: Intrinsics) -> tuple[Array, float]:
        w, h = camera.width, camera.height
        # The specification measures in the rectangle whose corners are the outer pixels' centres.
        c = np.array([self.centre[0] * (w - 1), self.centre[1] * (h - 1)])
        reach = math.hypot(max(c[0], w - 1 - c[0]), max(c[1], h - 1 - c[1]))
        return c, reach

    def recorded(self, points: Array, camera: Intrinsics) -> Array:
        """Where ideal pixel positions (..., 2) land in the recorded frame, pixels."""
        c, reach = self._frame(camera)
        d = (np.asarray(points, float) - c) / reach
        x, y = d[..., 0], d[..., 1]
        r2 = x * x + y * y
        k0, k1, k2, k3 = self.radial
        f = k0 + r2 * (k1 + r2 * (k2 + r2 * k3))
        t0, t1 = self.tangential
        dx = x * f + t0 * 2 * x * y + t1 * (r2 + 2 * x * x)
        dy = y * f + t1 * 2 * x * y + t0 * (r2 + 2 * y * y)
        out: Array = np.stack([dx, dy], axis=-1) * reach + c
        return out

    def ideal(self, points: Array, camera: Intrinsics, rounds: int = 12) -> Array:
        """Where recorded pixel positions (..., 2) would lie with a perfect lens: `recorded` undone."""
        pts = np.asarray(points, float)
        guess = pts.copy()
        for _ in range(rounds):
            guess = guess + (pts - self.recorded(guess, camera))
        return guess


@dataclass(frozen=True)
class Straightening:
    """How a frame is turned upright: from the camera's axes to the upright picture's axes, radians.

    `pitch` and `roll` are the camera's own; `plumb` (0 to 1) is the share of the pitch taken out (roll is taken
    out whole as soon as `plumb` is above 0); `turn` is the yaw by which the picture is then squared up.
    """

    pitch: float = 0.0
    roll: float = 0.0
    plumb: float = 1.0
    turn: float = 0.0

    @property
    def rotation(self) -> Array:
        """Camera axes to picture axes, 3 x 3."""
        if self.plumb <= 0 and self.turn == 0:
            return np.eye(3)
        own = Pose(pitch=self.pitch, roll=self.roll).rotation
        left = self.roll if self.plumb <= 0 else 0.0
        target = Pose(yaw=self.turn, pitch=self.pitch * (1 - self.plumb), roll=left).rotation
        out: Array = target @ own.T
        return out

    def homography(self, camera: Intrinsics) -> Array:
        """K R K^-1, from ideal pixels of the frame to pixels of the upright picture (same focal length)."""
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


@dataclass(frozen=True)
class Room:
    """The largest rectangle of one shape inside a straightened frame.

    `left`, `top`, `width`, `height` are in pixels of the upright picture at the frame's own focal length;
    `kept` is the share of the frame's own pixels that remain; `lost` is the share lost at each edge of the
    frame (left, top, right, bottom), summing to 1 - kept.
    """

    left: float
    top: float
    width: float
    height: float
    kept: float
    lost: dict[str, float] = field(default_factory=dict)

    @property
    def centre(self) -> tuple[float, float]:
        """Centre of the rectangle, pixels."""
        return self.left + self.width / 2, self.top + self.height / 2

    @property
    def corners(self) -> Array:
        """Corners clockwise from the top left, (4, 2)."""
        x0, y0, x1, y1 = self.left, self.top, self.left + self.width, self.top + self.height
        return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])

    def scaled(self, factor: float) -> Room:
        """The same rectangle on a grid `factor` times as fine."""
        return replace(
            self,
            left=(self.left + 0.5) * factor - 0.5,
            top=(self.top + 0.5) * factor - 0.5,
            width=self.width * factor,
            height=self.height * factor,
        )
