"""What a visit's text says that may be a slip: asked about, never refused.

The limits are common practice, no source: the longest churches are somewhat over 200 m inside and the highest vaults
under 50 m (from memory), and a camera's frame is seldom under 3 or over 60 mm wide.
"""

from __future__ import annotations

from datetime import date, timedelta

from clerestory.plan.model import Visit

LONGEST, WIDEST, HIGHEST = 250.0, 90.0, 60.0  # metres of a room
LONGEST_FOR_WIDTH = 12.0  # widths of the nave: twice what J. Fergusson gives for the larger English churches
SHORTEST_MM, LONGEST_MM = 4.0, 1200.0  # real focal lengths of lenses carried into a church
FARTHEST = timedelta(days=3 * 366)


def doubts_of(visit: Visit, today: date) -> tuple[str, ...]:
    """Questions about values that are possible but hardly meant, each a sentence that names the value."""
    return (*_of_days(visit, today), *_of_rooms(visit), *_of_shape(visit), *_of_kit(visit))


def _of_days(visit: Visit, today: date) -> list[str]:
    out = []
    for day in (visit.visit.date, *visit.visit.other_dates):
        if day < today:
            out.append(f"The day {day.isoformat()} is past; is the year right?")
        elif day > today + FARTHEST:
            out.append(f"The day {day.isoformat()} is more than three years away; is the year right?")
    return out


def _of_rooms(visit: Visit) -> list[str]:
    out = []
    for room in visit.room:
        for name, value, most in (
            ("long", room.length_m, LONGEST),
            ("wide", room.width_m, WIDEST),
            ("high", room.height_m, HIGHEST),
        ):
            if value > most:
                out.append(f"Room {room.name} is {value:g} m {name}; is a decimal point missing, or are these feet?")
        if min(room.length_m, room.width_m, room.height_m) < 1.5:
            out.append(f"Room {room.name} is under 1.5 m in one direction; are these metres?")
    return out


def _of_shape(visit: Visit) -> list[str]:
    """A church in numbers whose length and width do not go together."""
    main = next((room for room in visit.room if room.assumed), None)
    if main is None:
        return []
    ends = [(room.west_end_m[1], room.west_end_m[1] + room.length_m) for room in visit.room]
    times = (max(b for _, b in ends) - min(a for a, _ in ends)) / main.width_m
    if 0.8 <= times <= LONGEST_FOR_WIDTH:
        return []
    return [
        f"The church is {times:.1f} times as long as its nave is wide; larger churches are about six times as long. "
        "Are length and width in the same unit?"
    ]


def _of_kit(visit: Visit) -> list[str]:
    out = []
    for lens in visit.lens:
        low, high = lens.focal_range
        if low < SHORTEST_MM or high > LONGEST_MM:
            span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
            out.append(f"Lens {lens.name} has {span} mm; is that the focal length written on it, in millimetres?")
    for body in visit.body:
        if not 3 <= body.sensor_mm[0] <= 60:
            out.append(f"Body {body.name} has a sensor {body.sensor_mm[0]:g} mm wide; are these millimetres?")
    return out
