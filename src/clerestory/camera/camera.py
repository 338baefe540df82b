"""The one camera model: pixels to directions and back, through the lens, as recorded or as held.

Pixel (0, 0) is the centre of the top left pixel. Camera axes: x right, y down, z forward. A *recorded* pixel is where
light fell; its *ideal* place is where a perfect lens would have put it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.lens import Distortion, Vignetting

Array = NDArray[np.float64]
# Focal length, mm on 36 x 24, taken where neither the file nor the lines tell; common practice, no source.
ASSUMED_EQUIVALENT = 28.0


@dataclass(frozen=True)
class Camera:
    """A camera with its lens: size in pixels, focal length and principal point in pixels, distortion, fall-off.

    `distortion` and `vignetting` are None for a perfect lens. They are given in shares of the frame, so that they
    hold on any grid over the same frame.
    """

    width: int
    height: int
    focal: float
    cx: float
    cy: float
    distortion: Distortion | None = None
    vignetting: Vignetting | None = None

    @classmethod
    def of(
        cls, width: int, height: int, focal_mm: float, sensor_width_mm: float, distortion: Distortion | None = None
    ) -> Camera:
        """The camera of a sensor `sensor_width_mm` wide read as `width` pixels (square pixels, centred axis)."""
        return cls.centred(width, height, focal_mm * width / sensor_width_mm, distortion)

    @classmethod
    def centred(cls, width: int, height: int, focal: float, distortion: Distortion | None = None) -> Camera:
        """The camera of a focal length in pixels whose axis meets the middle of its frame."""
        return cls(width, height, focal, (width - 1) / 2, (height - 1) / 2, distortion)

    @classmethod
    def equivalent(
        cls, width: int, height: int, equivalent_mm: float = ASSUMED_EQUIVALENT, distortion: Distortion | None = None
    ) -> Camera:
        """The camera with the angle across its diagonal that a focal length gives on 36 x 24 mm (common practice)."""
        return cls.centred(width, height, equivalent_mm * math.hypot(width, height) / math.hypot(36, 24), distortion)

    @property
    def size(self) -> tuple[int, int]:
        """Width and height, pixels."""
        return self.width, self.height

    @property
    def matrix(self) -> Array:
        """K, 3 x 3."""
        return np.array([[self.focal, 0, self.cx], [0, self.focal, self.cy], [0, 0, 1.0]])

    @property
    def inverse(self) -> Array:
        """K^-1, 3 x 3."""
        f = self.focal
        return np.array([[1 / f, 0, -self.cx / f], [0, 1 / f, -self.cy / f], [0, 0, 1.0]])

    @property
    def bends(self) -> bool:
        """Whether the lens moves anything."""
        return self.distortion is not None and not self.distortion.is_identity

    def scaled(self, factor: float) -> Camera:
        """The same view on a pixel grid `factor` times as fine (area-aligned: pixel edges keep their place)."""
        return replace(
            self,
            width=round(self.width * factor),
            height=round(self.height * factor),
            focal=self.focal * factor,
            cx=(self.cx + 0.5) * factor - 0.5,
            cy=(self.cy + 0.5) * factor - 0.5,
        )

    def oriented(self, orientation: int) -> Camera:
        """The camera of the frame as it was held, after its EXIF orientation (3, 6 or 8; others change nothing)."""
        w, h, x, y = self.width, self.height, self.cx, self.cy
        held = {3: (w, h, w - 1 - x, h - 1 - y), 6: (h, w, h - 1 - y, x), 8: (h, w, y, w - 1 - x)}
        width, height, cx, cy = held.get(orientation, (w, h, x, y))
        lens = None if self.distortion is None else self.distortion.oriented(orientation)
        dark = None if self.vignetting is None else self.vignetting.oriented(orientation)
        return Camera(width, height, self.focal, cx, cy, lens, dark)

    def on_grid(self, width: int, height: int) -> Camera:
        """The same camera said to be `width` x `height` pixels, for a plane cut by a pixel in halving."""
        return replace(self, width=width, height=height)

    def cropped(self, left: float, top: float, width: int, height: int) -> Camera:
        """The camera of a part of the frame whose top left corner lies at (left, top); a perfect lens's only.

        Raises ValueError for a lens that bends: its coefficients are shares of the whole frame.
        """
        if self.bends or self.vignetting is not None:
            raise ValueError("a part of a frame has no lens of its own; make the frame ideal first")
        return Camera(width, height, self.focal, self.cx - left, self.cy - top)

    def without_lens(self) -> Camera:
        """The same camera with a perfect lens."""
        return replace(self, distortion=None, vignetting=None)

    def ideal(self, points: Array, rounds: int = 12) -> Array:
        """Where recorded pixels (..., 2) would lie with a perfect lens; `rounds` of fixed-point iteration."""
        lens = self.distortion
        return points if lens is None or lens.is_identity else lens.ideal(points, self.size, rounds)

    def recorded(self, points: Array) -> Array:
        """Where ideal pixels (..., 2) land in the recorded frame."""
        lens = self.distortion
        return points if lens is None or lens.is_identity else lens.recorded(points, self.size)

    def directions(self, ideal: Array) -> Array:
        """Directions in camera axes (..., 3), z = 1, of ideal pixels (..., 2)."""
        flat = (ideal - [self.cx, self.cy]) / self.focal
        return np.concatenate([flat, np.ones((*flat.shape[:-1], 1))], axis=-1)

    def unproject(self, points: Array) -> Array:
        """Directions in camera axes (..., 3), z = 1, of recorded pixels (..., 2): `project` undone."""
        return self.directions(self.ideal(points))

    def project(self, directions: Array) -> Array:
        """Recorded pixels (..., 2) of directions in camera axes (..., 3); those behind are sent far outside."""
        ahead = np.maximum(directions[..., 2:], 1e-3)
        return self.recorded(directions[..., :2] / ahead * self.focal + [self.cx, self.cy])

    def fall_off(self, points: Array) -> Array:
        """The gain (...,) that mends the light's fall-off at recorded pixels (..., 2); 1 where it is not known."""
        if self.vignetting is None:
            return np.ones(points.shape[:-1])
        return self.vignetting.gain(points, self.size)


def orientation_rotation(orientation: int) -> Array:
    """Rotation (3, 3) from the axes of the recorded frame to those of the frame as held: EXIF orientation 3, 6, 8."""
    turns = {3: ((-1, 0), (0, -1)), 6: ((0, -1), (1, 0)), 8: ((0, 1), (-1, 0))}
    out = np.eye(3)
    out[:2, :2] = turns.get(orientation, ((1, 0), (0, 1)))
    return out
