"""Frames summed on the reference's mosaic grid, and the mosaic that comes of it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.merge.resample import channel_gains, count_of_planes
from clerestory.raw.lattice import picked_from_three
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
PEDESTAL = 2048  # counts kept below black in a merged mosaic, so that noise is not cut in half there
FULL = 65535


@njit(cache=True, nogil=True, error_model="numpy")
def _add(begin, end, values, w, total):  # type: ignore[no-untyped-def]
    height, width = total.shape
    rows, columns = w.shape
    for y in range(begin, end):
        last = height if y == rows - 1 else 2 * y + 2
        for x in range(columns):
            k = w[y, x]
            if k <= 0:
                continue
            right = width if x == columns - 1 else 2 * x + 2
            for i in range(2 * y, last):
                for j in range(2 * x, right):
                    total[i, j] += k * values[i, j]


@njit(cache=True, nogil=True, error_model="numpy")
def _written(begin, end, total, weight, own, cfa, scale, pedestal, out):  # type: ignore[no-untyped-def]
    width = total.shape[1]
    rows, columns = weight.shape
    for y in range(begin, end):
        for x in range(width):
            w = weight[min(y // 2, rows - 1), min(x // 2, columns - 1)]
            v = total[y, x] / w if w > 0 else own[y, x]
            v = v * scale[cfa[y % 2, x % 2]] + pedestal + np.float32(0.5)
            out[y, x] = np.uint16(min(max(v, np.float32(0.0)), np.float32(65535.0)))


def _each(values: F32) -> list[F32]:
    """The planes of values H x W or 3 x H x W."""
    return [values] if values.ndim == 2 else list(values)


@dataclass
class Stack:
    """Sums so far: `total` H x W (3 x H x W of three values a pixel) of balanced values times weight; per 2 x 2 block
    `weight`, and `energy`, of squared weights times the frame's variance relative to the reference's."""

    total: F32
    weight: F32
    energy: F32

    @classmethod
    def empty(cls, mosaic: Mosaic) -> Stack:
        """Nothing summed yet, for frames like this one."""
        height, width = mosaic.raw.shape
        blocks, planes = (height // 2, width // 2), count_of_planes(mosaic)
        shape = (height, width) if planes == 1 else (planes, height, width)
        zeros = [np.zeros(s, np.float32) for s in (shape, blocks, blocks)]
        return cls(*zeros)

    def add(self, values: F32, weights: F32, relative: F32 | float = 1.0) -> None:
        """Add a laid frame with weights, and its variance over the reference's, per 2 x 2 block."""
        for one, total in zip(_each(values), _each(self.total), strict=True):
            in_bands(_add, 0, len(self.weight), one, weights, total)
        counted = np.maximum(weights, np.float32(0))
        self.weight += counted
        self.energy += counted * counted * np.asarray(relative, np.float32)

    def forget(self, blocks: NDArray[np.bool_]) -> None:
        """Drop what was summed at some 2 x 2 blocks."""
        rows, columns = blocks.shape
        for row in range(2):
            for column in range(2):
                for total in _each(self.total):
                    total[row::2, column::2][:rows, :columns][blocks] = 0
        self.weight[blocks] = 0
        self.energy[blocks] = 0

    @property
    def count(self) -> F32:
        """Frames like the reference that would leave as little noise, at each block."""
        return np.asarray(self.weight**2 / np.maximum(self.energy, np.float32(1e-12)), np.float32)


def merged_mosaic(stack: Stack, reference: Mosaic, own: F32, span: float | None = None) -> tuple[Mosaic, float]:
    """The mosaic of a stack, and by how much its raw units are finer than the reference's.

    `own`: the reference's balanced values, H x W or 3 x H x W, for places nothing was summed at; `span`: raw units of
    the reference that become the full scale (None: the reference's own saturation).
    """
    wide = span or float(np.max(reference.white - reference.black))
    finer = (FULL - PEDESTAL) / wide
    scale = (finer / channel_gains(reference)).astype(np.float32)
    planes = []
    for k, (total, mine) in enumerate(zip(_each(stack.total), _each(own), strict=True)):
        cfa = reference.cfa if reference.whole is None else np.full((2, 2), k, np.int8)
        planes.append(np.empty(reference.raw.shape, np.uint16))
        given = total, stack.weight, mine, cfa, scale, np.float32(PEDESTAL)
        in_bands(_written, 0, len(planes[-1]), *given, planes[-1])
    raw, whole = planes[0], None
    if reference.whole is not None:
        whole = np.stack(planes, axis=-1)
        raw = picked_from_three(whole, reference.cfa)
    white = (reference.white - reference.black) * finer + PEDESTAL
    if span is not None:
        white = np.full(4, float(FULL))
    levels = np.full(4, float(PEDESTAL)), np.minimum(white, FULL)
    return replace(reference, raw=raw, whole=whole, black=levels[0], white=levels[1]), finer


def typical_count(count: F32) -> float:
    """The number of frames behind a typical place: the median of `count`, H/2 x W/2, as of `Stack.count`."""
    return float(np.median(np.maximum(count[::4, ::4], 1.0)))


def merged_noise(noise: NoiseModel, count: float, finer: float) -> NoiseModel:
    """The model of the mean of `count` frames in units `finer` than raw."""
    return noise.averaged(count).scaled(finer)
