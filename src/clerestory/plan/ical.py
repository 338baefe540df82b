"""The good hours as an iCalendar file (RFC 5545)."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime

from clerestory.building.windows import Interval
from clerestory.plan.care import STAFF
from clerestory.plan.reckoning import Plan, short_settings
from clerestory.plan.timetable import good_hours
from clerestory.plan.words import standing


def _escaped(text: str) -> str:
    """TEXT value (RFC 5545, 3.3.11)."""
    return text.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")


def _folded(line: str) -> str:
    """A content line in pieces of at most 75 octets, never inside a character (RFC 5545, 3.1)."""
    out: list[str] = []
    piece = b""
    for character in line:
        octets = character.encode()
        if len(piece) + len(octets) > (75 if not out else 74):
            out.append(piece.decode())
            piece = b""
        piece += octets
    out.append(piece.decode())
    return "\r\n ".join(out)


def _utc(seconds: float) -> str:
    return datetime.fromtimestamp(round(seconds / 60) * 60, UTC).strftime("%Y%m%dT%H%M%SZ")


def _event(plan: Plan, name: str, interval: Interval, words: str) -> list[str]:
    start, end = (_utc(t) for t in interval)
    place = plan.visit.place
    key = hashlib.sha256(f"{plan.visit.visit.title}/{name}/{start}".encode()).hexdigest()[:24]
    return [
        "BEGIN:VEVENT",
        f"UID:{key}@clerestory",
        f"DTSTAMP:{_utc(plan.day.start)}",
        f"DTSTART:{start}",
        f"DTEND:{end}",
        f"SUMMARY:{_escaped(f'{name}: good light')}",
        f"LOCATION:{_escaped(', '.join(p for p in (place.name, place.town) if p))}",
        f"GEO:{place.latitude_deg:.6f};{place.longitude_deg:.6f}",
        f"DESCRIPTION:{_escaped(words)}",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
    ]


def calendar_text(plan: Plan) -> str:
    """Every view's good hours on the visit's day and its other dates; times in UTC, so no zone table is needed."""
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Clerestory//plan//EN", "CALSCALE:GREGORIAN"]
    for day in (plan.day, *plan.other_days):
        for view in plan.views:
            words = f"Stand {standing(plan, view)}. {short_settings(view)}. {STAFF}"
            for interval in good_hours(plan.visit, day, view.view):
                if interval[1] - interval[0] >= view.view.minutes * 60:
                    lines += _event(plan, view.view.name, interval, words)
    lines.append("END:VCALENDAR")
    return "".join(_folded(line) + "\r\n" for line in lines)
