"""Which way is up in a frame: from its straight edges, its camera's level, and lines drawn on it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import pitch_roll_of
from clerestory.vertical import segments as lines
from clerestory.vertical import vanishing
from clerestory.vertical.drawn import DrawnLine, with_lines
from clerestory.vertical.result import PlaneNoise, Vertical, noise_pair
from clerestory.vertical.verdict import from_edges

Array = NDArray[np.float64]


def find_vertical(
    luma: NDArray[np.float32],
    camera: Camera,
    *,
    noise: PlaneNoise | tuple[float, float] | None = None,
    level: tuple[float, ...] | None = None,
    drawn: Sequence[DrawnLine] = (),
) -> Vertical:
    """The vertical of a building in a linear luminance plane (float32, H x W), with its uncertainty and a verdict.

    `camera`, with its lens, describes the plane's grid. `noise` is (gain, read) of the plane (variance = gain x
    value + read^2) or an object with `slope` and `floor`; measured from the plane when not given. `level` is (pitch,
    roll) or (pitch, roll, their deviations) in degrees from the camera's own level. `drawn` are lines the user says
    are vertical or horizontal: two or more of them decide, and edges only fill in what they leave open.
    """
    segments = lines.find_segments(luma, camera, noise_pair(noise))
    found = from_edges(segments, level)
    if len(drawn) < 2:
        return found
    return with_lines(found, drawn, camera)


def find_vertical_together(
    planes: Sequence[NDArray[np.float32]],
    camera: Camera,
    rotations: Sequence[Array],
    *,
    levels: Sequence[tuple[float, ...] | None] = (),
) -> Vertical:
    """The vertical of a building in frames turned about one spot, in the first frame's axes.

    `planes`: linear luminance (float32, H x W) on the grid of `camera`; `rotations` (3, 3) lead from the first
    frame's axes to each frame's. Edges too few in any one frame to tell may tell together. An edge that several
    frames show counts in the one that has it nearest its middle. `levels` as in `find_vertical`, one a frame.
    """
    axes = np.array([r[2] for r in rotations])
    parts = []
    for k, (luma, rotation) in enumerate(zip(planes, rotations, strict=True)):
        part = lines.find_segments(luma, camera).turned(rotation.T)
        parts.append(part.take(np.argmax(part.centre @ axes.T, axis=1) == k))
    return from_edges(lines.gathered(parts), _level_together(levels, rotations))


def _level_together(
    levels: Sequence[tuple[float, ...] | None], rotations: Sequence[Array]
) -> tuple[float, ...] | None:
    """What a camera's level said of several frames, as one reading in the first frame's axes.

    It errs alike in all of them, so that the mean is not believed more than one.
    """
    message = [(level, r) for level, r in zip(levels, rotations, strict=False) if level is not None]
    if not message:
        return None
    ups = [r.T @ vanishing.ups(*(np.radians(np.array(v)) for v in level[:2])) for level, r in message]
    mean = np.mean(ups, axis=0)
    pitch, roll = pitch_roll_of(mean / np.linalg.norm(mean))
    return math.degrees(pitch), math.degrees(roll), *message[0][0][2:4]
