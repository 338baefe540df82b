"""A wall of ashlar with pilasters and one bright window, as a scene to photograph: simple enough to know exactly."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.simulate.scene import Rendered, Visitor


@dataclass(frozen=True)
class Wall:
    """The plane y = `distance`, stone everywhere but in the window; luminances in cd/m2, lengths in metres.

    Courses 0.9 m high and pilaster edges every 1.7 m are drawn as darker lines 6 cm wide.
    """

    distance: float
    stone: float
    glass: float
    window: tuple[float, float, float, float]  # x0, x1, z0, z1
    plain: bool = False

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The wall through a perfect lens, four rays a pixel."""
        offsets = (-0.25, 0.25)
        total = np.zeros((camera.height, camera.width))
        for dy in offsets:
            for dx in offsets:
                x, z, _ = self.hits(camera, pose, dx, dy)
                total += self.luminance(x, z)
        _, _, depth = self.hits(camera, pose, 0, 0)
        radiance = np.repeat((total / 4)[..., None], 3, axis=2).astype(np.float32)
        return Rendered(radiance, depth.astype(np.float32), np.zeros(depth.shape, bool))

    def hits(self, camera: Camera, pose: Pose, dx: float, dy: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Where each pixel's ray meets the wall (x, z), and its depth along the optical axis."""
        u = (np.arange(camera.width) + dx - camera.cx) / camera.focal
        v = (np.arange(camera.height) + dy - camera.cy) / camera.focal
        rays = np.stack([*np.meshgrid(u, v), np.ones((camera.height, camera.width))], axis=-1) @ pose.rotation
        ahead = np.maximum(rays[..., 1], 1e-3)
        reach = (self.distance - pose.position[1]) / ahead
        return pose.position[0] + rays[..., 0] * reach, pose.position[2] + rays[..., 2] * reach, reach

    def luminance(self, x: np.ndarray, z: np.ndarray) -> np.ndarray:
        """Luminance of the wall at points of it."""
        line = np.zeros(x.shape, bool) if self.plain else (np.mod(x, 1.7) < 0.06) | (np.mod(z, 0.9) < 0.06)
        x0, x1, z0, z1 = self.window
        glass = (x > x0) & (x < x1) & (z > z0) & (z < z1)
        out: np.ndarray = np.where(glass, self.glass, np.where(line, 0.4 * self.stone, self.stone))
        return out


def turned(pose: tuple[float, float, float], spot: tuple[float, float, float]) -> Pose:
    """A pose from yaw, pitch and roll in degrees."""
    yaw, pitch, roll = (math.radians(a) for a in pose)
    return Pose(yaw, pitch, roll, spot)
