"""What a lens does to a frame: it bends straight lines and darkens the corners, in the DNG specification's terms."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Distortion:
    """Lens distortion as the DNG specification's WarpRectilinear opcode writes it.

    For an ideal point at offset (x, y) from the optical centre, in units of the distance from that centre to the
    farthest corner, the recorded point lies at (x, y) (k0 + k1 r^2 + k2 r^4 + k3 r^6) plus the tangential terms
    t0 (2xy), t1 (r^2 + 2x^2) and so on (Adobe DNG specification 1.4, chapter 7). `centre` is relative to the frame.
    Lenses from the database are fitted with more even powers than the specification's four.
    """

    radial: tuple[float, ...] = (1.0, 0.0, 0.0, 0.0)
    tangential: tuple[float, float] = (0.0, 0.0)
    centre: tuple[float, float] = (0.5, 0.5)

    @classmethod
    def of_json(cls, words: Mapping[str, Sequence[float]]) -> Distortion:
        """The lens that JSON tells of, field by field: its lists as the tuples they were."""
        radial, (t0, t1), (cx, cy) = (words[name] for name in ("radial", "tangential", "centre"))
        return cls(tuple(radial), (t0, t1), (cx, cy))

    @property
    def is_identity(self) -> bool:
        """Whether this lens moves nothing."""
        return self.radial[0] == 1.0 and not any(self.radial[1:]) and self.tangential == (0.0, 0.0)

    def oriented(self, orientation: int) -> Distortion:
        """The same lens in the axes of the frame as held, after its EXIF orientation (3, 6 or 8)."""
        (cx, cy), (t0, t1) = self.centre, self.tangential
        held = {3: ((1 - cx, 1 - cy), (-t0, -t1)), 6: ((1 - cy, cx), (t1, -t0)), 8: ((cy, 1 - cx), (-t1, t0))}
        centre, tangential = held.get(orientation, ((cx, cy), (t0, t1)))
        return replace(self, centre=centre, tangential=tangential)

    def _frame(self, size: tuple[int, int]) -> tuple[Array, float]:
        w, h = size
        # The specification measures in the rectangle whose corners are the outer pixels' centres.
        c = np.array([self.centre[0] * (w - 1), self.centre[1] * (h - 1)])
        reach = math.hypot(max(c[0], w - 1 - c[0]), max(c[1], h - 1 - c[1]))
        return c, reach

    def recorded(self, points: Array, size: tuple[int, int]) -> Array:
        """Where ideal pixel positions (..., 2) land in a recorded frame of `size` (width, height), pixels."""
        c, reach = self._frame(size)
        d = (np.asarray(points, float) - c) / reach
        x, y = d[..., 0], d[..., 1]
        r2 = x * x + y * y
        f = np.polynomial.polynomial.polyval(r2, self.radial)
        t0, t1 = self.tangential
        dx = x * f + t0 * 2 * x * y + t1 * (r2 + 2 * x * x)
        dy = y * f + t1 * 2 * x * y + t0 * (r2 + 2 * y * y)
        out: Array = np.stack([dx, dy], axis=-1) * reach + c
        return out

    def ideal(self, points: Array, size: tuple[int, int], rounds: int = 12) -> Array:
        """Where recorded pixel positions (..., 2) would lie with a perfect lens: `recorded` undone."""
        pts = np.asarray(points, float)
        guess = pts.copy()
        for _ in range(rounds):
            guess = guess + (pts - self.recorded(guess, size))
        return guess


@dataclass(frozen=True)
class Vignetting:
    """Light lost towards the corners: the correction 1 + k0 r^2 + k1 r^4 + ... + k4 r^10.

    As the DNG specification's FixVignetteRadial opcode has it: r is 1 at the corner farthest from `centre`,
    which is relative to the frame.
    """

    k: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    centre: tuple[float, float] = (0.5, 0.5)

    def oriented(self, orientation: int) -> Vignetting:
        """The same fall-off in the axes of the frame as held, after its EXIF orientation (3, 6 or 8)."""
        cx, cy = self.centre
        held = {3: (1 - cx, 1 - cy), 6: (1 - cy, cx), 8: (cy, 1 - cx)}
        return replace(self, centre=held.get(orientation, (cx, cy)))

    def gain(self, points: Array, size: tuple[int, int]) -> Array:
        """The factor (...,) that mends the fall-off at recorded pixels (..., 2) of a frame of `size`."""
        w, h = size[0] - 1, size[1] - 1
        cx, cy = self.centre[0] * w, self.centre[1] * h
        reach2 = max(cx, w - cx) ** 2 + max(cy, h - cy) ** 2
        r2 = ((points[..., 0] - cx) ** 2 + (points[..., 1] - cy) ** 2) / reach2
        return np.asarray(np.polynomial.polynomial.polyval(r2, [1.0, *self.k]))
