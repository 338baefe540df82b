"""Words as they are set: where no line may end, and a capital before them."""

from __future__ import annotations

import re

_MEASURE = re.compile(r"(?<=\d) (?=(?:%|m|ft|mm|s|stops?|Blenden)(?!\w))")


def bound(words: str) -> str:
    """Words with no line end between a number and its unit."""
    return _MEASURE.sub("\u00a0", words)


def capital(words: str) -> str:
    """Words with a capital first letter, the rest as it is."""
    return words[:1].upper() + words[1:]
