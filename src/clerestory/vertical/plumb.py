"""How much of a frame's tilt to take out: all of a little, none of a view into a vault."""

from __future__ import annotations

import math

from clerestory.vertical.result import Vertical

# The tilt (degrees) up to which all the lean is taken out, and that at which none is. Fully upright pictures of
# steep views look top-heavy, as if the building leant outward. Common practice, no source.
WHOLE_UP_TO = 18.0
NONE_FROM = 50.0


def default_plumb(upright: Vertical | float) -> float:
    """The share of the lean to take out: 1 up to a tilt of 18 degrees, then easing off to 0 at 50.

    Common practice, no source. Takes an `Vertical` or a pitch in radians. The easing is a half cosine.
    """
    pitch = upright.pitch if isinstance(upright, Vertical) else upright
    tilt = abs(math.degrees(pitch))
    if tilt <= WHOLE_UP_TO:
        return 1.0
    if tilt >= NONE_FROM:
        return 0.0
    return 0.5 * (1 + math.cos(math.pi * (tilt - WHOLE_UP_TO) / (NONE_FROM - WHOLE_UP_TO)))
