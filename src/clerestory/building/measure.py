"""A length as guidebooks give it, in metres or feet, with how far it may be off."""

from __future__ import annotations

import re
from dataclasses import dataclass
from math import hypot

FOOT, INCH = 0.3048, 0.0254  # metres (international yard and pound agreement, 1959)
_NUMBER = r"(\d+(?:[.,]\d+)?)"
_OFF = re.compile(rf"\s*(?:±|\+/-|\+-|give or take)\s*{_NUMBER}\s*([a-z'\"′″]*)\s*$", re.I)
_FEET = re.compile(rf"{_NUMBER}\s*(?:ft|feet|foot|'|′)\s*(?:{_NUMBER}\s*(?:in|inch|inches|\"|″))?$", re.I)
_METRES = re.compile(rf"{_NUMBER}\s*(?:m|metres?|meters?)?$", re.I)


@dataclass(frozen=True)
class Length:
    """Metres, and by how many it may be off: half the width of the span in which it lies 95 times in 100."""

    metres: float
    off: float

    def scaled(self, share: float, loose: float = 0.0) -> Length:
        """A share of this length, off as much in proportion, and by a further `loose` share of the result."""
        return Length(self.metres * share, hypot(self.off * share, self.metres * share * loose))


def _value(text: str) -> tuple[float, float]:
    """Metres, and half of the last figure written."""
    feet = _FEET.fullmatch(text)
    if feet:
        whole = float(feet[1].replace(",", ".")) * FOOT
        if feet[2] is not None:
            return whole + float(feet[2].replace(",", ".")) * INCH, INCH / 2
        return whole, _last(feet[1]) * FOOT / 2
    metres = _METRES.fullmatch(text)
    if not metres:
        raise ValueError(f'is not a length ({text!r}); write it as 25.3, "25.3 m", "83 ft" or "83 ft 6 in"')
    return float(metres[1].replace(",", ".")), _last(metres[1]) / 2


def _last(number: str) -> float:
    """What the last figure of a number stands for: 0.1 in 25.3, 1 in 25."""
    decimals = re.split(r"[.,]", number)[1:]
    return 10.0 ** -len(decimals[0]) if decimals else 1.0


def length_of(given: float | str, loose: float) -> Length:
    """A length given as a number of metres or in words: "25.3 m", "83 ft", "83 ft 6 in", "25 m ± 0.5 m".

    Off by half its last figure and by the share `loose` of it, unless it says itself by how much. ValueError says
    what to write.
    """
    if isinstance(given, bool):
        raise ValueError('is not a length; write it as 25.3, "25.3 m" or "83 ft"')
    text = f"{given:g}" if isinstance(given, int | float) else given.strip()
    said = _OFF.search(text)
    bare = text[: said.start()].strip() if said else text
    metres, half = _value(bare)
    if metres <= 0 or metres > 2000:
        raise ValueError(f"must be above 0 and at most 2000 m (it says {text!r})")
    if said is None:
        return Length(metres, hypot(half, metres * loose))
    unit = said[2] or ("ft" if _FEET.fullmatch(bare) else "m")
    return Length(metres, _value(f"{said[1]} {unit}")[0])
