"""Frames laid on the first of them where hands moved as well as turned, and their light evened to its."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.merge.align import Guide, Motion, align, checked, node_shape, refined
from clerestory.merge.depth import SWEPT, Depth, depth_of, hidden, place_of
from clerestory.merge.resample import dealt
from clerestory.merge.result import Refused
from clerestory.merge.standpoint import Stands, stands_of

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
LARGE = 2600  # pixels along the longer side, from which the first looks are rougher
CELLS = 950  # cells along the longer side, about, for which decisions are taken: as in the halls all was set on
LEAST_SHOWN = 0.5  # of the first frame that another must show
LIGHT_REACH = 14  # light is evened over so small a part of the longer side: shades wider than a figure, set on halls
HALVED = 800  # cells along the longer side from which half as many tell how light differs between frames
LIGHT_MOST = 0.35  # natural logarithm: a greater difference is another thing, not another light


def cell_of(shape: tuple[int, ...]) -> int:
    """Pixels along a side of a cell, for which one decision is taken."""
    return 2 * max(1, round(max(shape) / CELLS / 2))


def cells_of(values: F32, cfa: NDArray[np.int8], cell: int) -> F32:
    """Mean colours per cell x cell pixels (rows, columns, 3) of a frame's balanced values, as of `resample.own`."""
    values = dealt(values, cfa)
    height, width = (n // cell * cell for n in values.shape)
    out = np.zeros((height // cell, width // cell, 3), np.float32)
    size = (width // cell, height // cell)
    for row in range(2):
        for column in range(2):
            c = int(cfa[row, column])
            plane = np.ascontiguousarray(values[row:height:2, column:width:2])
            if cell > 2:
                plane = cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
            out[..., 1 if c == 3 else c] += plane * np.float32(0.5 if c in (1, 3) else 1.0)
    return out


@dataclass(frozen=True)
class Laying:
    """Where the frames were taken from and how far things are; `deep`: whether things shift against one another."""

    stands: Stands
    depth: Depth

    def again(self, cells: Sequence[F32], camera: Camera, visitors: NDArray[np.bool_]) -> Laying:
        """The same with the distances behind visitors (rows, columns) in the first frame told by the others."""
        return Laying(self.stands, depth_of(cells, self.stands, camera, self.depth, visitors))

    @property
    def deep(self) -> bool:
        """Whether hands moved so far that near things shift against far ones."""
        return len(self.depth.planes) > 1

    def motion(self, index: int, first: Guide, other: Guide, camera: Camera, finest: int = 0) -> Motion:
        """The motion of a frame that has a stand. Raises Refused where it shows too little."""
        stand = self.stands.frames[index]
        assert stand is not None
        height, width = camera.height, camera.width
        step = step_of(max(height, width))
        rows, columns = node_shape(height, width, step)
        nodes, near = place_of(
            stand, self.depth, _rays(camera, rows, columns, float(step), float(step), 0.0, 0.0), camera
        )
        spread = float(np.percentile(near, 97.5) - np.percentile(near, 2.5))
        parallax = spread * float(np.linalg.norm(stand.step)) * camera.focal
        gain = np.ones((rows, columns), np.float32)
        rough = Motion(nodes.astype(np.float32), gain, stand.rotation, 1.0, parallax, 1.0, step)
        motion = refined(first, other, rough, camera, finest)
        if motion.share < LEAST_SHOWN:
            raise Refused(f"it shows only {motion.share * 100:.0f} % of the reference frame.")
        return motion

    def hidden(self, index: int, cell: int, camera: Camera) -> NDArray[np.bool_]:
        """Per cell, whether what the first frame shows there is hidden in another behind something nearer."""
        stand = self.stands.frames[index]
        height, width = camera.height, camera.width
        size = (height // cell, width // cell)
        if stand is None:
            return np.zeros(size, bool)
        factor = min(1.0, SWEPT / max(height, width))
        small = (max(1, round(height * factor)), max(1, round(width * factor)))
        scale = np.array([width / small[1], height / small[0]])
        rays = _rays(
            camera, *small, float(scale[0]), float(scale[1]), float(scale[0] - 1) / 2, float(scale[1] - 1) / 2
        )
        at, near = place_of(stand, self.depth, rays, camera)
        out = hidden(((at + 0.5) / scale - 0.5).astype(np.float32), near, self.depth.planes)
        return cv2.resize(out.astype(np.uint8), size[::-1], interpolation=cv2.INTER_NEAREST) > 0


@lru_cache(maxsize=4)
def _rays(camera: Camera, rows: int, columns: int, across: float, down: float, left: float, top: float) -> F64:
    """Rays of a grid of recorded pixels, kept: a lens's distortion is slow to undo."""
    x, y = np.meshgrid(np.arange(columns) * across + left, np.arange(rows) * down + top)
    return camera.unproject(np.stack([x, y], axis=-1))


def step_of(side: int) -> int:
    """Pixels between the nodes of a motion as fine as distances are known."""
    return int(2 ** max(2, math.floor(math.log2(max(side / SWEPT, 1)))))


def laying_of(cells: Sequence[F32], camera: Camera) -> Laying:
    """From the frames' cells (rows, columns, 3) as each recorded them. Raises Refused when none can be placed."""
    stands = stands_of(cells, camera)
    return Laying(stands, depth_of(cells, stands, camera))


def motion_of(
    first: Guide, other: Guide, laying: Laying | None, index: int, camera: Camera, finest: int = 0
) -> Motion:
    """Where a frame lies on the first: by its stand where hands moved so far that it shows, else by the turn alone.

    `finest`: the guide's level to which it is made exact, 0 the finest, where hands moved. Raises Refused where it
    cannot serve.
    """
    start = laying.stands.frames[index] if laying is not None else None
    if start is not None and laying is not None and laying.deep:
        return laying.motion(index, first, other, camera, finest)
    return checked(align(first, other, camera, start=None if start is None else start.rotation))


def cells_laid(cells: F32, motion: Motion, cell: int, shape: tuple[int, ...]) -> tuple[F32, NDArray[np.bool_]]:
    """A frame's cells (rows, columns, 3) on the first one's grid of cells, and where it shows anything."""
    x = (np.arange(shape[1], dtype=np.float32) * cell + (cell - 1) / 2) / motion.step
    y = (np.arange(shape[0], dtype=np.float32) * cell + (cell - 1) / 2) / motion.step
    u, v = np.meshgrid(x.astype(np.float32), y.astype(np.float32))
    at = cv2.remap(motion.nodes, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    at = ((at - np.float32((cell - 1) / 2)) / np.float32(cell)).astype(np.float32)
    out = cv2.remap(cells, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    seen = (
        (at[..., 0] >= 0)
        & (at[..., 1] >= 0)
        & (at[..., 0] <= cells.shape[1] - 1)
        & (at[..., 1] <= cells.shape[0] - 1)
    )
    return np.asarray(out, np.float32), seen


def _halved(cells: F32) -> F32:
    """Cells (rows, columns, ...) averaged down to half, of a picture with many: light changes slowly over a frame."""
    if max(cells.shape[:2]) < HALVED:
        return cells
    size = (cells.shape[1] // 2, cells.shape[0] // 2)
    return np.asarray(cv2.resize(cells, size, interpolation=cv2.INTER_AREA), np.float32)


def evened(
    cells: F32, seen: NDArray[np.bool_], first: F32, motion: Motion, cell: int, size: tuple[int, int]
) -> tuple[F32, F32]:
    """A frame's cells in the first one's light, and the gain (rows, columns, 3) of its motion's nodes that does it.

    The gain is smooth: one per colour for the whole, and on top one that changes slowly over the frame, both from
    where the two differ by no more than light does.
    """
    mine, theirs, both = _halved(first), _halved(cells), _halved(seen.astype(np.float32)) == 1
    floor = 0.01 * float(np.percentile(mine[..., 1], 95))
    bright = both[..., None] & (theirs > floor) & (mine > floor)
    ratio = np.log(np.maximum(mine, floor) / np.maximum(theirs, floor))
    whole = np.array(
        [float(np.median(ratio[..., c][bright[..., c]])) if bright[..., c].any() else 0.0 for c in range(3)]
    )
    rest = ratio - whole.astype(np.float32)
    ok = (bright & (np.abs(rest) < LIGHT_MOST)).all(axis=-1)
    sigma = max(ok.shape) / LIGHT_REACH / 4
    weight = cv2.resize(ok.astype(np.float32), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    held = cv2.resize(np.where(ok[..., None], rest, 0), None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    below = cv2.GaussianBlur(weight, (0, 0), sigma)[..., None] + np.float32(0.02)
    slow = cv2.GaussianBlur(held, (0, 0), sigma) / below
    slow = cv2.resize(slow, seen.shape[::-1], interpolation=cv2.INTER_LINEAR)
    field = np.exp(slow + whole.astype(np.float32)).astype(np.float32)
    rows, columns = motion.nodes.shape[:2]
    u = (np.arange(columns, dtype=np.float32) * motion.step - (cell - 1) / 2) / cell
    v = (np.arange(rows, dtype=np.float32) * motion.step - (cell - 1) / 2) / cell
    gu, gv = np.meshgrid(u.astype(np.float32), v.astype(np.float32))
    gain = cv2.remap(field, gu, gv, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.where(seen[..., None], cells * field, first).astype(np.float32), np.asarray(gain, np.float32)
