"""What a merge gives, and how it says that it will not."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.develop.glare import Glare
from clerestory.raw.profile import Profile
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.vertical.result import Verdict

F32 = NDArray[np.float32]
Projection = Literal["rectilinear", "pannini"]
IN_DOUBT = 255  # in a mask: nothing but visitors was ever seen here


class Refused(Exception):  # noqa: N818 - a decision, not a mistake
    """These frames cannot become one view; the reason is a sentence for the user."""


@dataclass(frozen=True)
class Stitched:
    """A wide view joined from several frames.

    `rgb`: float32 H x W x 3, linear camera colour times `multipliers` (the least of them 1), 1.0 at raw saturation
    of the least amplified channel, corrected for the lens's distortion and fall-off, upright: its vertical is the
    building's. `inside`: uint8 H x W, 255 where frames cover it. `outline`: corners of the covered area, clockwise,
    pixels (n, 2). `camera`: the pinhole camera of a rectilinear plate; for 'pannini' its focal length and centre
    scale the general Pannini projection of compression `compression` (Sharpless, Postle and German 2010).
    `colours`: as of `Mosaic.colours`.
    `up`: the vertical in the axes of the plate's camera, `up_bound`: degrees within which it is believed to hold,
    `up_verdict`: how surely it was found. `monochrome`: whether the sensor had no filters.
    `glare`: the share of light, scattered by the lens, that was taken out of each frame, and what a share of 1 would
    lay on each place of the picture, in the colour and unit of `rgb`.
    """

    rgb: F32
    inside: NDArray[np.uint8]
    outline: NDArray[np.float64]
    projection: Projection
    camera: Camera
    compression: float
    multipliers: tuple[float, float, float]
    colours: NDArray[np.float64] | Profile | None
    up: tuple[float, float, float] = (0.0, -1.0, 0.0)
    up_bound: float | None = None
    up_verdict: Verdict = "cannot tell"
    monochrome: bool = False
    glare: Glare | None = None


@dataclass(frozen=True)
class Merged:
    """One view from several frames: a mosaic (`mosaic` with `noise`), or a joined picture (`stitched`).

    The mosaic stands in the geometry of the reference frame (`info`), in its own raw units, deeper than the file's.
    `picture`, float32 H x W x 3, linear sRGB: what finished pictures were merged to.
    `noise` is the noise of a typical place in it; `excess`, float32 H/2 x W/2 where given, says by how much the
    variance of each 2 x 2 block exceeds that. `mask`: uint8 H x W, 0 where the reference stands, else 1 + the index
    in `used` of the frame that what stands here was mostly taken from, IN_DOUBT where visitors never moved off.
    `record`: counts, shifts, parallax, what was refused, in plain numbers. `remarks`: sentences for the report.
    """

    kind: str
    info: FrameInfo
    used: tuple[Path, ...]
    mosaic: Mosaic | None = None
    noise: NoiseModel | None = None
    excess: F32 | None = None
    mask: NDArray[np.uint8] | None = None
    stitched: Stitched | None = None
    picture: F32 | None = None
    record: dict[str, Any] = field(default_factory=dict)
    remarks: tuple[str, ...] = ()
