"""The one resampling: lens, straightening, turn and crop together, from the frame to the picture."""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop
from clerestory.camera.lens import Distortion
from clerestory.run.bands import in_bands
from clerestory.run.memory import release

SPARE = 64  # rows by which a frame's rows are kept longer than they are seen to be needed
GRID = 8  # picture pixels between the positions that are reckoned exactly


@njit(cache=True, nogil=True, error_model="numpy")
def _positions(
    begin: int,
    end: int,
    back: NDArray[np.float64],
    left: float,
    top: float,
    step: float,
    lens: NDArray[np.float64],
    first_row: int,
    grid: int,
    xs: NDArray[np.float32],
    ys: NDArray[np.float32],
) -> None:
    cx, cy, reach = lens[0], lens[1], lens[2]
    for row in range(begin, end):
        v = top + (row * grid + first_row + 0.5) * step
        for column in range(xs.shape[1]):
            u = left + (column * grid + 0.5) * step
            w = back[2, 0] * u + back[2, 1] * v + back[2, 2]
            x = ((back[0, 0] * u + back[0, 1] * v + back[0, 2]) / w - cx) / reach
            y = ((back[1, 0] * u + back[1, 1] * v + back[1, 2]) / w - cy) / reach
            r2 = x * x + y * y
            f = 0.0
            for k in range(lens.size - 1, 4, -1):
                f = f * r2 + lens[k]
            xs[row, column] = (x * f + lens[3] * 2 * x * y + lens[4] * (r2 + 2 * x * x)) * reach + cx
            ys[row, column] = (y * f + lens[4] * 2 * x * y + lens[3] * (r2 + 2 * y * y)) * reach + cy


@njit(cache=True, nogil=True, error_model="numpy")
def _between(
    begin: int,
    end: int,
    nodes_x: NDArray[np.float32],
    nodes_y: NDArray[np.float32],
    grid: int,
    xs: NDArray[np.float32],
    ys: NDArray[np.float32],
) -> None:
    share, width = np.float32(1 / grid), xs.shape[1]
    at = (np.arange(grid) * share).astype(np.float32)
    for y in range(begin, end):
        i = y // grid
        f = np.float32(y - i * grid) * share
        for nodes, row in ((nodes_x, xs[y]), (nodes_y, ys[y])):
            after = nodes[i, 0] + f * (nodes[i + 1, 0] - nodes[i, 0])
            for j in range(nodes.shape[1] - 1):
                before, after = after, nodes[i, j + 1] + f * (nodes[i + 1, j + 1] - nodes[i, j + 1])
                step, into = after - before, row[j * grid : min((j + 1) * grid, width)]
                for k in range(into.size):
                    into[k] = before + at[k] * step


def _lens_numbers(camera: Camera) -> NDArray[np.float64]:
    lens = camera.distortion or Distortion()
    w, h = camera.width, camera.height
    cx, cy = lens.centre[0] * (w - 1), lens.centre[1] * (h - 1)
    reach = float(np.hypot(max(cx, w - 1 - cx), max(cy, h - 1 - cy)))
    return np.array([cx, cy, reach, *lens.tangential, *lens.radial])


def source_positions(
    camera: Camera,
    homography: NDArray[np.float64],
    crop: Crop,
    size: tuple[int, int],
    rows: slice = slice(None),
    stretch: tuple[float, float] = (1.0, 1.0),
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """For each pixel of a picture `size` (width, height) that shows `crop`: where it lies in the recorded frame.

    Two float32 arrays (x, y) for the asked rows. `stretch`: recorded pixels to a square pixel, across and down, where
    pixels are not square. `homography` goes from ideal frame pixels to picture-plane pixels.
    """
    first, last, _ = rows.indices(size[1])
    step = crop.width / size[0]
    # Positions are reckoned on every GRID-th pixel and are straight in between to a thousandth of a pixel.
    columns, lines = -(-size[0] // GRID) + 1, -(-(last - first) // GRID) + 1
    nodes = np.empty((2, lines, columns), np.float32)
    in_bands(
        _positions,
        0,
        lines,
        np.linalg.inv(homography),
        crop.left,
        crop.top,
        step,
        _lens_numbers(camera),
        first,
        GRID,
        *nodes,
    )
    for values, factor in zip(nodes, stretch, strict=True):
        if factor != 1.0:
            values[:] = (values + np.float32(0.5)) * np.float32(factor) - np.float32(0.5)
    xs, ys = np.empty((2, last - first, size[0]), np.float32)
    in_bands(_between, 0, last - first, *nodes, GRID, xs, ys)
    return xs, ys


def resample(
    rgb: NDArray[np.float32],
    camera: Camera,
    homography: NDArray[np.float64],
    crop: Crop,
    size: tuple[int, int],
    stretch: tuple[float, float] = (1.0, 1.0),
    spent: bool = False,
) -> NDArray[np.float32]:
    """The picture, float32 height x width x 3: bicubic, done in strips so that memory stays flat.

    `spent`: the frame is not needed afterwards, and given back on the way (see `run.memory`). When the picture has
    fewer pixels than its part of the frame, the frame is averaged down first.
    """
    shrink = crop.width / size[0]
    if shrink > 1.5:
        rgb, camera, homography, crop = _shrunk(rgb, camera, homography, crop, shrink)
        stretch = (1.0, 1.0)
    out = np.empty((size[1], size[0], 3), np.float32)
    strip = max(64, 4_000_000 // size[0])
    strips = [slice(first, min(first + strip, size[1])) for first in range(0, size[1], strip)]
    needed = _needed(camera, homography, crop, size, strips, stretch) if spent else [0] * len(strips)
    for rows, before in zip(strips, needed, strict=True):
        first, last = rows.start, rows.stop
        release(rgb, before)
        xs, ys = source_positions(camera, homography, crop, size, rows, stretch)
        cv2.remap(rgb, xs, ys, cv2.INTER_CUBIC, dst=out[first:last], borderMode=cv2.BORDER_REFLECT_101)
    return out


def _needed(
    camera: Camera,
    homography: NDArray[np.float64],
    crop: Crop,
    size: tuple[int, int],
    strips: list[slice],
    stretch: tuple[float, float],
) -> list[int]:
    """For each strip, the rows at the frame's top that neither it nor a later one reads."""
    lowest = []
    for rows in strips:  # the edges of a strip, where its rows lie highest
        ends = [source_positions(camera, homography, crop, size, slice(y, y + 1), stretch)[1] for y in
                sorted({rows.start, (rows.start + rows.stop) // 2, rows.stop - 1})]  # fmt: skip
        lowest.append(min(float(ys.min()) for ys in ends) - SPARE)
    out = np.minimum.accumulate(np.array(lowest)[::-1])[::-1]
    return [max(0, int(v)) for v in out]


def _shrunk(
    rgb: NDArray[np.float32], camera: Camera, homography: NDArray[np.float64], crop: Crop, shrink: float
) -> tuple[NDArray[np.float32], Camera, NDArray[np.float64], Crop]:
    """The frame averaged over areas to about the picture's own fineness."""
    width = max(8, round(camera.width / shrink))
    factor = width / camera.width
    height = max(8, round(camera.height * factor))
    down = cv2.resize(rgb, (width, height), interpolation=cv2.INTER_AREA)
    fine = np.array([[factor, 0, 0.5 * factor - 0.5], [0, factor, 0.5 * factor - 0.5], [0, 0, 1.0]])
    grid = camera.scaled(factor).on_grid(width, height)
    return down, grid, fine @ homography @ np.linalg.inv(fine), crop.scaled(factor)
