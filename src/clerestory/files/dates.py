"""Dates and times of day as people write them, read for the sake of saying how they are written here.

Forms as of ISO 8601 are what is written; these are only recognised.
"""

from __future__ import annotations

import re
from datetime import date, time

_MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip
_DAY = r"(\d{1,2})(?:st|nd|rd|th|\.)?"
_DAY_FIRST = re.compile(rf"(?i)^\s*(?:[a-z]+day,?\s+)?{_DAY}\s+([a-z]{{3,9}})\.?,?\s+(\d{{4}})\s*$")
_MONTH_FIRST = re.compile(rf"(?i)^\s*(?:[a-z]+day,?\s+)?([a-z]{{3,9}})\.?\s+{_DAY},?\s+(\d{{4}})\s*$")
_NUMBERS = re.compile(r"^\s*(\d{1,4})\s*[./-]\s*(\d{1,2})\s*[./-]\s*(\d{1,4})\s*$")
_HALF = r"(am|pm|a\.m\.|p\.m\.|h)?"
_CLOCK = re.compile(rf"(?i)^\s*(\d{{1,2}})(?:\s*[:.h]\s*(\d{{2}}))?(?:\s*[:.]\s*(\d{{2}}))?\s*{_HALF}\s*$")


def date_in(text: str) -> str:
    """'2027-04-20' of '20 April 2027', '20.04.2027' or '2027/4/20'; '' where it is none or can be read two ways."""
    if words := _DAY_FIRST.match(text):
        return _iso(int(words[3]), _month(words[2]), int(words[1]))
    if words := _MONTH_FIRST.match(text):
        return _iso(int(words[3]), _month(words[1]), int(words[2]))
    numbers = _NUMBERS.match(text)
    if not numbers:
        return ""
    a, b, c = (int(part) for part in numbers.groups())
    if a > 31:
        return _iso(a, b, c)
    if a > 12 or a == b or "." in text:  # with points the day stands first wherever points are used
        return _iso(c, b, a)
    return _iso(c, a, b) if b > 12 else ""


def _month(name: str) -> int:
    return next((k for k, month in enumerate(_MONTHS, 1) if month.startswith(name.lower())), 0)


def _iso(year: int, month: int, day: int) -> str:
    try:
        return date(year, month, day).isoformat() if year > 999 else ""
    except ValueError:
        return ""


def time_in(text: str) -> str:
    """'09:30:00' of '9:30', '9.30', '9h30' or '9:30 am'; '' where it is no time of day."""
    found = _CLOCK.match(text)
    if not found or (found[2] is None and found[4] is None):
        return ""
    hour, half = int(found[1]), (found[4] or "").lower().replace(".", "")
    if half in ("am", "pm"):
        if not 1 <= hour <= 12:
            return ""
        hour = hour % 12 + (12 if half == "pm" else 0)
    try:
        return time(hour, int(found[2] or 0), int(found[3] or 0)).isoformat()
    except ValueError:
        return ""
