"""Compiled kernels are kept between runs; this names them by what they were compiled from."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from numba import njit

# Kernels' own functions: division by zero gives infinity, as in C; sums may be regrouped, but not-a-number is kept.
device = njit(error_model="numpy", fastmath={"nsz", "arcp", "contract", "afn", "reassoc"})
F = TypeVar("F", bound=Callable[..., object])
_TEXTS = [path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py"))]
_DIGEST = hashlib.sha256(b"".join(text for text in _TEXTS if b"njit" in text or b"@device" in text)).hexdigest()[:10]


def versioned(function: F) -> F:
    """Put the digest of this package's sources into a kernel's name.

    Numba's cache watches only the file a kernel stands in, not those it calls into.
    """
    function.__qualname__ = f"{function.__qualname__}_{_DIGEST}"
    return function
