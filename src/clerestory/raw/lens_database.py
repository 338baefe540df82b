"""The open lens database, where the system lets it be read."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

try:
    import lensfunpy
except ImportError:  # its library wants GLib of the system, which the smallest Linux systems lack
    lensfunpy = None

WANTED = (
    "not corrected: the lens database cannot be read on this system, which lacks the library GLib; "
    "install libglib2.0-0 (Debian's name) and finish again"
)


@lru_cache(maxsize=1)
def database() -> Any:
    """The database, opened once; None where it cannot be read on this system."""
    return None if lensfunpy is None else lensfunpy.Database()


def modifier(lens: Any, crop_factor: float, width: int, height: int) -> Any:
    """What reckons a lens's distortion and fall-off for frames of a size, pixels."""
    return lensfunpy.Modifier(lens, crop_factor, width, height)
