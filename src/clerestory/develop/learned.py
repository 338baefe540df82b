"""Demosaic and noise reduction in one, by a small network: for one frame, where it is asked for.

The default way (denoise.py, directional.py) answers first; the network sees its answer beside the mosaic and learned
what to put right: its strength goes into what the formulas miss, not into what they know. Both are white balanced
and brought to a root scale on which noise is nearly the same everywhere (after the generalised Anscombe transform,
Makitalo and Foi 2013); beside them the network is told the noise of each colour, so that one set of weights serves
every sensor and ISO. It was trained by regression alone on made-up and real light (bench/train.py): where detail lies
under the noise it gives the mean of what may be there, which is smooth.

A convolutional network of three scales (Ronneberger, Fischer and Brox 2015) with residual blocks; demosaicing and
denoising in one after Gharbi, Chaurasia, Paris and Durand 2016, the mend of a first answer after Zhang et al. 2017,
"Beyond a Gaussian denoiser: residual learning of deep CNN for image denoising". Between its first and last
convolution all is whole numbers of eight bits, as it was taught (Jacob et al. 2018), which takes a third of the time
that float does. It runs in tiles on the processor with onnxruntime, which is loaded at the first use; a tile is given
all that its middle can see, so that none shows. The same frame gives the same bytes on one kind of machine.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from importlib import resources
from importlib.util import find_spec
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.develop.demosaic import demosaiced
from clerestory.develop.denoise import denoise_mosaic
from clerestory.errors import UserError
from clerestory.raw.clipping import FULL
from clerestory.raw.read import Mosaic
from clerestory.run.bands import cores, in_bands
from clerestory.run.memory import release

F32 = NDArray[np.float32]

WEIGHTS = "learned.onnx"
INSTALL = "the network needs the package onnxruntime, which is not installed; add it, or finish without --better."
FOOT = 3e-4  # least offset of the root scale, as in training
SIGMA_SCALE = 10.0  # the noise maps, as in training
TILE = 512  # cells of 2 x 2 pixels, of a tile's middle
MARGIN = 56  # cells a tile sees beyond its middle, all that the network sees: tiles of any size then give the same
MULTIPLE = 4  # cells: the network halves twice
HANDS = 2  # tiles at once: each core at its own tile waits for no other; more of them would cost memory
PLANES = 19  # four samples of a cell, the first answer's twelve, the noise of red, green and blue
FIRST_SHARE = 0.15  # of the time, about, that the first answer takes


def usable() -> bool:
    """Whether onnxruntime is installed."""
    return find_spec("onnxruntime") is not None


def fits(mosaic: Mosaic) -> bool:
    """Whether a mosaic, H x W, is of the kind the network knows: 2 x 2 cells with red and blue on one diagonal."""
    colours = sorted(int(n) for n in mosaic.cfa.ravel())
    return mosaic.cfa.shape == (2, 2) and colours == [0, 1, 2, 3] and _turn(mosaic) is not None


def _turn(mosaic: Mosaic) -> tuple[bool, bool] | None:
    """Which axes (rows, columns) to mirror so that red comes first in a cell; None where blue is not across."""
    (row, column), (down, across) = (np.argwhere(mosaic.cfa == n)[0] for n in (0, 2))
    return (bool(row), bool(column)) if row != down and column != across else None


@cache
def _session(threads: int) -> Any:
    """The network, loaded once. Raises UserError without onnxruntime."""
    if not usable():
        raise UserError(INSTALL)
    import onnxruntime

    how = onnxruntime.SessionOptions()
    how.intra_op_num_threads = threads
    how.inter_op_num_threads = 1
    how.log_severity_level = 3
    weights = resources.files("clerestory.develop").joinpath(WEIGHTS).read_bytes()
    return onnxruntime.InferenceSession(weights, how, providers=["CPUExecutionProvider"])


def first_answer(mosaic: Mosaic, noise: NoiseModel, multipliers: tuple[float, float, float], strength: float) -> F32:
    """White-balanced camera RGB, float32 H x W x 3, as the default way makes it; the network was taught with this."""
    return demosaiced(denoise_mosaic(mosaic, noise, strength), mosaic, multipliers)[0]


def _last() -> Any:
    """How the last tile is run: so that the memory which the tiles used one after another is given back."""
    import onnxruntime

    how = onnxruntime.RunOptions()
    how.add_run_config_entry("memory.enable_memory_arena_shrinkage", "cpu:0")
    return how


@njit(cache=True, nogil=True, error_model="numpy")
def _given(begin, end, raw, first, rows, columns, black, gain, foot, out):  # type: ignore[no-untyped-def]
    """Samples and first answer of a tile on the root scale, 16 x h x w; cells beyond the frame are those mirrored at
    its edge."""
    root = np.sqrt(foot)
    for y in range(begin, end):
        for p in range(2):
            i = 2 * rows[y] + p
            for q in range(2):
                n = 2 * p + q
                for x in range(columns.size):
                    j = 2 * columns[x] + q
                    v = np.float32(raw[i, j]) - black[p, q]
                    out[n, y, x] = np.sqrt(max(v * gain[p, q] + foot, np.float32(0))) - root
                    for k in range(3):
                        out[4 + 4 * k + n, y, x] = np.sqrt(max(first[i, j, k] + foot, np.float32(0))) - root


@njit(cache=True, nogil=True, error_model="numpy")
def _taken(begin, end, light, foot, out):  # type: ignore[no-untyped-def]
    """The middle of a tile back on the linear scale, 3 x h x w to H x W x 3."""
    root = np.sqrt(foot)
    for y in range(begin, end):
        for x in range(out.shape[1]):
            for k in range(3):
                v = light[k, y, x] + root
                out[y, x, k] = (v if v > np.float32(0) else np.float32(0)) ** 2 - foot


@njit(cache=True, inline="always", error_model="numpy")
def _within(plane, i, j, down, across):  # type: ignore[no-untyped-def]
    """Whether the samples around a pixel are all clipped: those of cell (i, j) and the next ones `down`, `across`."""
    i1 = min(max(i + down, 0), plane.shape[0] - 1)
    j1 = min(max(j + across, 0), plane.shape[1] - 1)
    return plane[i, j] and plane[i1, j] and plane[i, j1] and plane[i1, j1]


@njit(cache=True, nogil=True, error_model="numpy")
def _clipped_kept(begin, end, lost, ceiling, out):  # type: ignore[no-untyped-def]
    """Puts at saturation, in place, what lies among clipped samples; `lost`: planes of cells, 4 x h x w, 0 or 1."""
    for y in range(begin, end):
        i, p = y // 2, y % 2
        for x in range(out.shape[1]):
            j, q = x // 2, x % 2
            if _within(lost[0], i, j, p, q):
                out[y, x, 0] = max(out[y, x, 0], ceiling[0])
            if _within(lost[3], i, j, p - 1, q - 1):
                out[y, x, 2] = max(out[y, x, 2], ceiling[2])
            if p != q:
                green = lost[1 + p, i, j] != 0
            else:  # the two beside it, the two above and below
                green = _within(lost[1 + p], i, j, 0, 2 * q - 1) and _within(lost[2 - p], i, j, 2 * p - 1, 0)
            if green:
                out[y, x, 1] = max(out[y, x, 1], ceiling[1])


def _mirrored(first: int, count: int, size: int) -> NDArray[np.int64]:
    """Places first ... first + count - 1 of a row of `size`, mirrored at its ends without repeating them."""
    at = np.abs(np.arange(first, first + count)) % max(2 * size - 2, 1)
    return np.where(at < size, at, 2 * size - 2 - at)


def _tiles(height: int, width: int) -> Iterator[tuple[int, int, int, int]]:
    """Middles (row, column, rows, columns) that cover a frame of height x width cells, as alike as may be."""
    sides = []
    for size in (height, width):
        parts = max(1, math.ceil(size / TILE))
        edges = [size * k // parts // MULTIPLE * MULTIPLE for k in range(parts)] + [
            size
        ]  # halving meets the same cells
        sides.append([(a, b - a) for a, b in pairwise(edges)])
    for row, rows in sides[0]:
        for column, columns in sides[1]:
            yield row, column, rows, columns


def _up(count: int) -> int:
    return -(-count // MULTIPLE) * MULTIPLE


def light_of(
    mosaic: Mosaic,
    noise: NoiseModel,
    multipliers: tuple[float, float, float],
    strength: float = 1.0,
    on_share: Callable[[float], None] = lambda _: None,
    threads: int = 0,
) -> F32:
    """White-balanced camera RGB, float32 H x W x 3, from a mosaic, noise taken out; its scale is that of
    `colour.balanced_values`: raw saturation of channel k at `multipliers[k]` over the least of them.

    An odd last row or column is dropped. `strength` above 1 tells the network of as much more noise. What is clipped
    comes out at saturation. `on_share`: called with the share done after the first
    answer and each tile; what it raises stops the work.
    `threads`: 0 for all. Raises UserError where onnxruntime is missing or the mosaic is of another kind.
    """
    turn = _turn(mosaic) if fits(mosaic) else None
    if turn is None:
        raise UserError("the network knows mosaics of 2 x 2 cells with red and blue across; finish without --better.")
    threads = threads or cores()
    hands = min(HANDS, threads)
    session = _session(threads // hands)
    height, width = mosaic.raw.shape[0] // 2, mosaic.raw.shape[1] // 2
    flip = (slice(None, None, -1 if turn[0] else 1), slice(None, None, -1 if turn[1] else 1))
    raw = np.ascontiguousarray(mosaic.raw[: 2 * height, : 2 * width][flip])
    mosaic = replace(mosaic, raw=raw, cfa=np.ascontiguousarray(mosaic.cfa[flip]))
    first = first_answer(mosaic, noise, multipliers, strength)
    on_share(FIRST_SHARE)
    least = np.asarray(multipliers) / min(multipliers)
    colour = mosaic.cfa.astype(int)
    gain = (least[[0, 1, 2, 1]] / (mosaic.white - mosaic.black))[colour].astype(np.float32)
    black = mosaic.black[colour].astype(np.float32)
    foot, sigma = noise_told(noise, least, (mosaic.white - mosaic.black)[:3], strength)
    out = np.empty((2 * height, 2 * width, 3), np.float32)
    tiles = list(_tiles(height, width))
    side, across = (max(_up(tile[k] + 2 * MARGIN) for tile in tiles) for k in (2, 3))

    def tile(n: int) -> None:
        row, column, rows, columns = tiles[n]
        given = np.empty((1, PLANES, side, across), np.float32)
        given[0, -3:] = sigma[:, None, None]
        ys, xs = _mirrored(row - MARGIN, side, height), _mirrored(column - MARGIN, across, width)
        in_bands(_given, 0, len(ys), raw, first, ys, xs, black, gain, np.float32(foot), given[0])
        (light,) = session.run(None, {"given": given}, _last() if n >= len(tiles) - hands else None)
        middle = out[2 * row : 2 * (row + rows), 2 * column : 2 * (column + columns)]
        in_bands(_taken, 0, len(middle), light[0], np.float32(foot), middle)

    with ThreadPoolExecutor(hands) as pool:
        running = [pool.submit(tile, n) for n in range(len(tiles))]
        try:
            for done, one in enumerate(running, 1):
                one.result()
                release(first, 2 * (tiles[done][0] - MARGIN) if done < len(tiles) else 0)
                on_share(FIRST_SHARE + (1 - FIRST_SHARE) * done / len(tiles))
        except BaseException:
            pool.shutdown(cancel_futures=True)  # else those not begun would be worked off first
            raise
    in_bands(_clipped_kept, 0, len(out), _lost(mosaic), least.astype(np.float32), out)
    return np.ascontiguousarray(out[flip])


def noise_told(
    noise: NoiseModel, least: NDArray[np.floating], span: NDArray[np.floating], strength: float
) -> tuple[float, F32]:
    """The offset of the root scale and the noise of red, green and blue on it, (3,), as the network is told.

    `least`: what brings red, green and blue to balance, the least of them 1; `span`: their white minus black.
    """
    channels = [model_channel(n) for n in (0, 1, 2)]
    gain = np.array([max(noise.gain[c], 1e-9) for c in channels]) / span
    read = np.array([noise.read[c] for c in channels]) / span
    foot = max(FOOT, float(read[1] ** 2 / gain[1] + 0.375 * gain[1]))
    return foot, (SIGMA_SCALE * 0.5 * strength * np.sqrt(gain * least)).astype(np.float32)


def _lost(mosaic: Mosaic) -> NDArray[np.uint8]:
    """Cells in which a sample is clipped, 4 x h x w, without lone ones, which are noise."""
    raw = mosaic.raw
    out = np.empty((4, raw.shape[0] // 2, raw.shape[1] // 2), np.uint8)
    for p in range(2):
        for q in range(2):
            n = int(mosaic.cfa[p, q])
            level = mosaic.black[n] + FULL * (mosaic.white[n] - mosaic.black[n])
            plane = (raw[p::2, q::2] >= level).astype(np.uint8)
            out[2 * p + q] = cv2.morphologyEx(plane, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return out
