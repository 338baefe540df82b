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

from clerestory.camera.camera import Camera
from clerestory.merge.result import Projection

F64 = NDArray[np.float64]
WIDEST_PLANE = 95.0  # degrees across, above which a plane stretches its ends too far
WIDEST = 200.0
BAND = math.radians(6.0)  # of height, in which the reach to both sides is taken
BESIDE = math.radians(3.0)  # shown beyond that reach
STEEPEST = 68.0  # degrees above or below the horizon that are shown at most


@dataclass(frozen=True)
class Surface:
    """An upright picture surface: `camera` gives its size, scale and centre; `compression` d is 0 for the plane."""

    camera: Camera
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


def _across(azimuth: F64, elevation: F64) -> tuple[float, float]:
    """The azimuths (radians) between which frames reach at the middle one of their heights, from their outlines."""
    bands = ((elevation - elevation.min()) // BAND).astype(int)
    reach = [(azimuth[bands == b].min(), azimuth[bands == b].max()) for b in np.unique(bands)]
    low, high = np.median(reach, axis=0)
    return float(low), float(high)


def surface_for(outlines: list[F64], focal: float) -> Surface:
    """The surface that holds frames whose outlines are these directions (n, 3) in the upright picture's axes.

    `focal`: pixels; the picture's middle has the frames' own fineness.
    """
    rays = np.concatenate(outlines)
    flat = np.hypot(rays[:, 0], rays[:, 2])
    azimuth = np.arctan2(rays[:, 0], rays[:, 2])
    low, high = _across(azimuth, np.arctan2(rays[:, 1], flat))
    compression = 0.0 if math.degrees(high - low) <= WIDEST_PLANE else 1.0
    if compression == 0.0:
        # Frames that look far up reach wide to both sides there, where no rectangle with the lower ones can follow.
        azimuth = np.clip(azimuth, low - BESIDE, high + BESIDE)
    limit = math.tan(math.radians(STEEPEST))
    height = np.clip(rays[:, 1], -limit * flat, limit * flat)
    held = np.stack([np.sin(azimuth) * flat, height, np.cos(azimuth) * flat], axis=-1)
    unit = Surface(Camera(1, 1, focal, 0.0, 0.0), compression)
    at = unit.pixels(held)
    at[:, 1] = np.clip(at[:, 1], -limit * focal, limit * focal)
    least, most = np.floor(at.min(axis=0)), np.ceil(at.max(axis=0))
    width, tall = (most - least).astype(int) + 1
    return Surface(Camera(int(width), int(tall), focal, -float(least[0]), -float(least[1])), compression)
