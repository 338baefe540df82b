"""Reading frames: what a file says of itself, and its raw mosaic."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import rawpy
from numpy.typing import NDArray

from clerestory.camera.geometry import Distortion, Intrinsics
from clerestory.errors import UserError


@dataclass(frozen=True)
class FrameInfo:
    """What a file says of how it was taken. None where it says nothing.

    `focal_mm` is the real focal length; `equivalent_mm` that on 36 x 24 mm; `sensor_mm` width and height of the
    sensor; `level` pitch and roll in degrees from the camera's own level sensor; `distortion` the lens's own
    coefficients in the file; `vignetting` the k0..k4 of the DNG specification's FixVignetteRadial opcode.
    """

    path: Path
    width: int
    height: int
    time: datetime | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    serial: str = ""
    focal_mm: float | None = None
    equivalent_mm: float | None = None
    sensor_mm: tuple[float, float] | None = None
    f_number: float | None = None
    seconds: float | None = None
    iso: float | None = None
    orientation: int = 1
    level: tuple[float, float] | None = None
    distortion: Distortion | None = None
    vignetting: tuple[float, float, float, float, float] | None = None
    is_raw: bool = True
    remarks: tuple[str, ...] = ()

    @property
    def intrinsics(self) -> Intrinsics | None:
        """The pinhole camera of this frame, or None when the file gives no usable focal length."""
        if self.focal_mm and self.sensor_mm:
            return Intrinsics.of(self.width, self.height, self.focal_mm, self.sensor_mm[0])
        if self.equivalent_mm:
            # Same angle across the diagonal as on 36 x 24 mm.
            focal = self.equivalent_mm * np.hypot(self.width, self.height) / np.hypot(36, 24)
            return Intrinsics(self.width, self.height, float(focal), (self.width - 1) / 2, (self.height - 1) / 2)
        return None


@dataclass
class Mosaic:
    """The raw values of one frame, as recorded, visible area only, not rotated.

    `raw`: uint16 H x W. `cfa`: 2 x 2, the channel (0 R, 1 G beside red, 2 B, 3 G beside blue) of the pixel at
    (row % 2, column % 2). `black`, `white`: per channel (4,), raw units. `as_shot`: white-balance multipliers
    (R, G, B) with G = 1, None where the file has none; `daylight`: the same for daylight from the colour matrix.
    `xyz_to_camera`: 3 x 3 (the DNG ColorMatrix sense), None where unknown.
    """

    raw: NDArray[np.uint16]
    cfa: NDArray[np.int8]
    black: NDArray[np.float64]
    white: NDArray[np.float64]
    as_shot: tuple[float, float, float] | None
    daylight: tuple[float, float, float] | None
    xyz_to_camera: NDArray[np.float64] | None

    def plane(self, row: int, column: int) -> NDArray[np.uint16]:
        """One of the four colour planes, a view: pixels at (row::2, column::2)."""
        return self.raw[row::2, column::2]


def open_raw(path: Path) -> rawpy.RawPy:
    """LibRaw's handle on a file, unpacked; one clear sentence when it cannot be read."""
    try:
        handle = rawpy.imread(str(path))
        _ = handle.raw_image_visible
    except (rawpy.LibRawError, OSError, ValueError, AttributeError) as problem:
        reason = str(problem) or type(problem).__name__
        raise UserError(f"{path}: cannot be read as a raw file ({reason}); copy it again from the card.") from problem
    return handle
