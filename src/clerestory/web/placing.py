"""A frame of the visit placed in the plan's building."""

from __future__ import annotations

from pathlib import Path
from typing import cast

import cv2
import numpy as np

from clerestory.building.model import Building
from clerestory.errors import UserError
from clerestory.finish.pipeline import look, luma_of
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import read_source
from clerestory.plan.model import Wall
from clerestory.plan.placed import Placed, place_frame
from clerestory.vertical.segments import find_segments

WIDE = 1000  # pixels of the longer side at which a frame's edges are looked at
WALLS = ("east", "south", "west", "north")


def placed_frame(path: Path, building: Building, towards: str | None) -> Placed | None:
    """Where the raw frame at `path` was taken; None where it shows too little to tell."""
    if towards not in (None, *WALLS):
        raise UserError(f"{towards!r} is no wall; choose east, south, west or north.")
    seen = look(read_source(path), Recipe())
    if not seen.focal_known:
        raise UserError(f"{path.name} does not say its focal length, without which it cannot be placed.")
    luma = np.asarray(luma_of(seen.half), np.float32)
    grid = seen.camera.scaled(0.5).on_grid(luma.shape[1], luma.shape[0])
    scale = min(1.0, WIDE / max(luma.shape))
    size = round(luma.shape[1] * scale), round(luma.shape[0] * scale)
    small = cv2.resize(luma, size, interpolation=cv2.INTER_AREA)
    camera = grid.scaled(scale).on_grid(*size)
    segments = find_segments(small, camera)
    return place_frame(small, segments, seen.vertical, camera, building, cast(Wall | None, towards))
