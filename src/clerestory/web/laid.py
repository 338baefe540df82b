"""Where a preview's pixels come from in the frame, and the scene laid there once, for tone to be changed on it."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop
from clerestory.camera.rectification import Rectification
from clerestory.finish import tone
from clerestory.finish.pipeline import Seen
from clerestory.finish.recipe import Touch
from clerestory.finish.resample import resample, source_positions
from clerestory.web.balances import Balance
from clerestory.web.motion import Motion

F32 = NDArray[np.float32]
MOVING = (560, 640, 720, 800, 900, 1000, 1120, 1280)
"""Pixels across of pictures that move: in steps, since another size is prepared anew (0.1 s at 1000, two cores)."""


@dataclass(frozen=True)
class Placed:
    """Where a preview's pixels come from in the frame: `size` is its width and height; `exact`, whether its crop is
    that of the picture to be written, not to a pixel only."""

    key: tuple[object, ...]
    width: int  # asked for
    rectification: Rectification
    crop: Crop
    size: tuple[int, int]
    exact: bool = True

    def fewer(self, enough: int | None) -> Placed:
        """The same at the least of MOVING that is `enough` across, or down where it stands upright."""
        longest = max(self.size)
        least = next((size for size in MOVING if enough is not None and size >= enough), longest)
        if least >= longest:
            return self
        across, down = (max(16, round(side * least / longest)) for side in self.size)
        return replace(self, size=(across, down))


@dataclass(frozen=True)
class Laid:
    """A preview's scene-linear pixels, in one resampling from the frame (`small`: as much of it as they came from);
    marks are taken out and walls evened in it (`mends`), places not yet made lighter or darker."""

    placed: Placed
    balance: Balance
    mends: tuple[Touch, ...]
    small: F32
    scene: F32
    masks: dict[Touch, F32] = field(default_factory=dict)
    _fewer: dict[tuple[int, int], Laid] = field(default_factory=dict)
    _known: tone.Layers | None = None

    def fewer(self, enough: int | None) -> Laid:
        """The same at fewer pixels (`Placed.fewer`), for a picture that moves; the last such is kept."""
        placed = self.placed.fewer(enough)
        if placed is self.placed:
            return self
        if placed.size not in self._fewer:
            self._fewer.clear()
            scene = cv2.resize(self.scene, placed.size, interpolation=cv2.INTER_AREA)
            own = replace(self, placed=placed, scene=scene, masks={}, _fewer={}, _known=self.motion.layers)
            self._fewer[placed.size] = own
        return self._fewer[placed.size]

    @cached_property
    def layers(self) -> tone.Layers:
        """What tone mapping finds in the picture whatever its settings, at half its fineness."""
        return self.motion.full_layers()

    @cached_property
    def motion(self) -> Motion:
        """What makes previews quick while a tone control moves."""
        return Motion(self.scene, self._known)


def size_of(crop: Crop, width: int) -> tuple[int, int]:
    """Width and height of a preview of a room; one in portrait has as many pixels as one in landscape."""
    size = (width, max(16, round(width * crop.height / crop.width)))
    return size if size[1] <= width else (max(16, round(width * crop.width / crop.height)), width)


Lie = tuple[Camera, NDArray[np.float64], Crop, tuple[int, int]]


def lie(shape: tuple[int, ...], seen: Seen, placed: Placed) -> Lie:
    """How a preview lies in a picture of the whole frame of any `shape` (H, W, ...).

    Camera with its lens, homography (3 x 3), room, and width and height.
    """
    camera, (height, width) = seen.camera, shape[:2]
    factor = width / camera.width
    fine = np.array([[factor, 0, 0.5 * factor - 0.5], [0, factor, 0.5 * factor - 0.5], [0, 0, 1.0]])
    across = fine @ placed.rectification.homography(camera) @ np.linalg.inv(fine)
    grid = camera.scaled(factor).on_grid(width, height)
    return grid, across, placed.crop.scaled(factor), placed.size


def resampled(rgb: F32, seen: Seen, placed: Placed) -> F32:
    """The preview's part of a picture of the whole frame (H x W x 3, of any fineness)."""
    return resample(rgb, *lie(rgb.shape, seen, placed))


def warped(values: F32, seen: Seen, placed: Placed) -> F32:
    """A smooth map of the whole frame (H x W or H x W x 3, of any fineness) as it lies in the preview."""
    xs, ys = source_positions(*lie(values.shape, seen, placed))
    return np.asarray(cv2.remap(values, xs, ys, cv2.INTER_LINEAR), np.float32)


def by_stops(scene: F32, stops: F32 | None) -> F32:
    """A scene (H x W x 3) with each place lighter by so many stops (H x W)."""
    return scene if stops is None else scene * np.exp2(stops)[..., None]
