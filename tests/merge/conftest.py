"""A textured wall far away, photographed by hand by a made-up camera whose noise is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.camera.pose import Pose
from clerestory.raw.read import Mosaic

F64 = NDArray[np.float64]
CFA = np.array([[0, 1], [3, 2]], np.int8)
BLACK, WHITE = 256.0, 4095.0
COLOUR = np.array([0.5, 1.0, 0.6, 1.0])  # of the wall, per channel of the filter pattern


@dataclass
class Wall:
    """Light of a wall at infinity (1 = saturation at exposure 1 in green), seen by a camera that only turns."""

    width: int = 640
    height: int = 480
    gain: float = 1.2
    read: float = 2.3
    seed: int = 0
    bright: float = 0.25
    texture: F64 = field(init=False)

    def __post_init__(self) -> None:
        """Band-limited texture with courses of stone, twice as fine as the frames and half as large again."""
        rng = np.random.default_rng(self.seed)
        size = (self.height * 3, self.width * 3)
        fine = cv2.GaussianBlur(rng.standard_normal(size), (0, 0), 3.0)
        broad = cv2.GaussianBlur(rng.standard_normal(size), (0, 0), 40.0)
        y, x = np.mgrid[: size[0], : size[1]]
        stones = ((y // 60) * 7919 + ((x + (y // 60) % 2 * 50) // 100) * 104729) % 97 / 97.0
        stones = cv2.GaussianBlur(stones, (0, 0), 2.4)
        light = 0.6 + 0.35 * stones + 0.08 * fine / fine.std() + 0.15 * broad / broad.std()
        self.texture = self.bright * np.clip(light, 0.05, 3)

    @property
    def camera(self) -> Camera:
        """Its lens: ideal."""
        return Camera.centred(self.width, self.height, 700.0)

    @property
    def noise(self) -> NoiseModel:
        """Its noise."""
        return NoiseModel((self.gain,) * 4, (self.read,) * 4)

    def light(self, pose: Pose, visitors: tuple[tuple[float, float, float, float], ...] = ()) -> F64:
        """Light at every pixel, H x W. Visitors: discs, (x, y, radius, light), pixels of the level frame."""
        lens = self.camera
        y, x = np.mgrid[: self.height, : self.width].astype(float)
        rays = lens.unproject(np.stack([x, y], axis=-1)) @ pose.rotation
        at = lens.project(rays[..., [0, 2, 1]] * [1, -1, 1])
        u, v = (at[..., 0] + self.width / 4) * 2, (at[..., 1] + self.height / 4) * 2
        out = cv2.remap(self.texture, u.astype(np.float32), v.astype(np.float32), cv2.INTER_CUBIC,
                        borderMode=cv2.BORDER_REFLECT)  # fmt: skip
        for cx, cy, radius, light in visitors:
            edge = np.clip(radius - np.hypot(at[..., 0] - cx, at[..., 1] - cy) + 0.5, 0, 1)
            out = out * (1 - edge) + light * edge
        return np.asarray(out)

    def mosaic(self, light: F64, seed: int, exposure: float = 1.0) -> Mosaic:
        """A frame of that light: EMVA 1288 noise, 12 bits, clipped."""
        rng = np.random.default_rng(seed)
        signal = self.signal(light) * exposure
        noisy = rng.poisson(np.maximum(signal, 0) / self.gain) * self.gain + rng.normal(0, self.read, light.shape)
        raw = np.clip(np.rint(noisy + BLACK), 0, WHITE).astype(np.uint16)
        balance = (1 / COLOUR[0], 1.0, 1 / COLOUR[2])
        return Mosaic(raw, CFA, np.full(4, BLACK), np.full(4, WHITE), balance, balance, None)

    def signal(self, light: F64) -> F64:
        """The mosaic of a light without noise or clipping, raw units above black."""
        tint = np.tile(COLOUR[CFA], (self.height // 2, self.width // 2))
        return light * tint * (WHITE - BLACK)


def make_hands(seed: int, reach: float) -> Pose:
    """A pose within `reach` of the frame's width, turned by up to a degree."""
    yaw, pitch, roll = np.random.default_rng(seed).uniform(-1, 1, 3)
    turn = reach * 640 / 700
    return Pose(yaw * turn, pitch * turn * 0.75, roll * 0.017)


def make_above_black(mosaic: Mosaic) -> F64:
    """A merged mosaic in the frame's raw units above black."""
    finer = (mosaic.white[0] - mosaic.black[0]) / (WHITE - BLACK)
    return np.asarray((mosaic.raw - mosaic.black[0]) / finer)


@pytest.fixture(scope="session")
def wall() -> Callable[..., Wall]:
    """Builds a wall."""
    return Wall


@pytest.fixture(scope="session")
def hands() -> Callable[[int, float], Pose]:
    """Poses by hand: `hands(seed, reach)`."""
    return make_hands


@pytest.fixture(scope="session")
def above_black() -> Callable[[Mosaic], Any]:
    """A merged mosaic in the frame's raw units."""
    return make_above_black
