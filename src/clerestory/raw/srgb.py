"""The sRGB transfer curve (IEC 61966-2-1), both ways: the one place where light becomes code values and comes back.

It stands in this room because opening a finished picture needs it; developing, plans' previews and films, all above,
take it from here.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

LINEAR_BELOW = 0.0031308  # light up to which the curve is straight
SLOPE = 12.92  # of that part
OFFSET = 0.055
POWER = 2.4
CODED_BELOW = 0.04045  # code value up to which the curve is straight


def encoded(light: NDArray[np.floating]) -> NDArray[np.floating]:
    """Code values (...), 0 to 1, of display-linear light (...), 0 to 1; the array's own precision is kept."""
    root = (1 + OFFSET) * np.maximum(light, 1e-9) ** (1 / POWER) - OFFSET
    return np.asarray(np.where(light <= LINEAR_BELOW, SLOPE * light, root))


def linear(codes: NDArray[np.floating]) -> NDArray[np.floating]:
    """Display-linear light (...), 0 to 1, of code values (...), 0 to 1: `encoded` undone."""
    power = ((codes + OFFSET) / (1 + OFFSET)) ** POWER
    return np.asarray(np.where(codes <= CODED_BELOW, codes / SLOPE, power))
