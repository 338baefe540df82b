"""The surface a wide view is shown on: a plane below about 95 degrees, the general Pannini projection above.

Pannini (Sharpless, Postle and German 2010): on a cylinder about the vertical, azimuth a and height t (the tangent of
the elevation) go to x = S sin a, y = S t with S = (d + 1) / (d + cos a). Uprights stay upright and straight, and so
do lines through the middle; d = 1 is the usual compression, d = 0 the plane.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.geometry import Intrinsics
from clerestory.merge.result import Projection

F64 = NDArray[np.float64]
WIDEST_PLANE = 95.0  # degrees across, above which a plane stretches its ends too far
WIDEST = 200.0
STEEPEST = 68.0  # degrees above or below the horizon that are shown at most


@dataclass(frozen=True)
class Surface:
    """An upright picture surface: `camera` gives its size, scale and centre; `compression` d is 0 for the plane."""

    camera: Intrinsics
    compression: float

    @property
    def projection(self) -> Projection:
        """Its name."""
        return "rectilinear" if self.compression == 0 else "pannini"

    def rays(self, points: F64) -> F64:
        """Directions (..., 3), x right, y down, z forward, of pixels (..., 2)."""
        c, d = self.camera, self.compression
        x, y = (points[..., 0] - c.cx) / c.focal, (points[..., 1] - c.cy) / c.focal
        # x = S sin a solved for cos a: a quadratic in it.
        k = x**2 / (d + 1) ** 2
        cosine = (-k * d + np.sqrt(np.maximum(k**2 * d**2 - (k + 1) * (k * d**2 - 1), 0))) / (k + 1)
        s = (d + 1) / (d + cosine)
        return np.stack([x / s, y / s, cosine], axis=-1)

    def pixels(self, rays: F64) -> F64:
        """Pixels (..., 2) of directions (..., 3)."""
        c, d = self.camera, self.compression
        flat = np.maximum(np.hypot(rays[..., 0], rays[..., 2]), 1e-9)
        sine, cosine, height = rays[..., 0] / flat, rays[..., 2] / flat, rays[..., 1] / flat
        s = (d + 1) / np.maximum(d + cosine, 0.05)
        return np.stack([s * sine * c.focal + c.cx, s * height * c.focal + c.cy], axis=-1)

    def equal_area(self, points: F64) -> F64:
        """Azimuth and sine of the elevation, downwards, (..., 2) of pixels: a plane on which area is solid angle."""
        rays = self.rays(points)
        down = rays[..., 1] / np.linalg.norm(rays, axis=-1)
        return np.stack([np.arctan2(rays[..., 0], rays[..., 2]), down], axis=-1)


def surface_for(outlines: list[F64], focal: float) -> Surface:
    """The surface that holds frames whose outlines are these directions (n, 3) in the upright picture's axes.

    `focal`: pixels; the picture's middle has the frames' own fineness.
    """
    rays = np.concatenate(outlines)
    azimuth = np.degrees(np.arctan2(rays[:, 0], rays[:, 2]))
    width = float(azimuth.max() - azimuth.min())
    compression = 0.0 if width <= WIDEST_PLANE else 1.0
    limit = math.tan(math.radians(STEEPEST))
    flat = np.hypot(rays[:, 0], rays[:, 2])
    held = rays.copy()
    held[:, 1] = np.clip(rays[:, 1], -limit * flat, limit * flat)
    unit = Surface(Intrinsics(1, 1, focal, 0.0, 0.0), compression)
    at = unit.pixels(held)
    low, high = np.floor(at.min(axis=0)), np.ceil(at.max(axis=0))
    size = (high - low).astype(int) + 1
    return Surface(Intrinsics(int(size[0]), int(size[1]), focal, -float(low[0]), -float(low[1])), compression)
