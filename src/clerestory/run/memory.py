"""Large arrays whose rows can be given back to the system before the array ends.

A frame of a hundred megapixels is 1.2 GB as colour. Where one such array is made from another, row by row, the rows
that are done with are given back as the work goes on, so that no more than one is ever held. Linux gives memory back
at once; macOS when it needs it; on Windows nothing is given back and the peak is that much higher.
"""

from __future__ import annotations

import contextlib
import mmap
import sys

import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
LEAST = 1 << 26  # bytes from which it is worth a mapping of its own


def room(*shape: int) -> F32:
    """An array, float32 of a shape, not filled; its rows can be given back by `release` where it is large."""
    count = 1
    for n in shape:
        count *= n
    if 4 * count < LEAST or sys.platform == "win32":
        return np.empty(shape, np.float32)
    mapped = mmap.mmap(-1, 4 * count, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    if sys.platform == "linux":  # pages of two megabytes: five hundred times fewer to ask the system for
        with contextlib.suppress(OSError, ValueError, AttributeError):
            mapped.madvise(mmap.MADV_HUGEPAGE)
    return np.frombuffer(mapped, np.float32).reshape(shape)


def release(array: F32, rows: int) -> None:
    """Give back the first rows of an array of `room`, H x W or H x W x N, which are not read again; any other array
    is left alone."""
    owner = array
    while isinstance(owner, np.ndarray) and isinstance(owner.base, np.ndarray):
        owner = owner.base
    held = owner.base.obj if isinstance(owner.base, memoryview) else owner.base
    if sys.platform == "win32" or not isinstance(held, mmap.mmap) or rows <= 0 or array.ndim < 2:
        return
    begin = array.__array_interface__["data"][0] - owner.__array_interface__["data"][0]
    if begin:  # a part of it: what lies before is not this caller's
        return
    length = min(rows, len(array)) * array.strides[0] // mmap.PAGESIZE * mmap.PAGESIZE
    if length:
        with contextlib.suppress(OSError, ValueError):
            held.madvise(mmap.MADV_DONTNEED, 0, length)
