"""The sun's hours by window, put together for a card: alike windows on one line, with how far they may be off."""

from __future__ import annotations

import re
from dataclasses import dataclass

from clerestory.building.times import Span, said_minutes
from clerestory.building.windows import Interval
from clerestory.languages import _, decimal
from clerestory.plan.reckoning import Plan
from clerestory.plan.timetable import clock

_NUMBERED = re.compile(r"^(.*?)[ -]*(\d+)$")
ALIKE = 300.0  # seconds by which the hours of windows on one line may differ
SHORT = 60.0  # seconds of sun that are not told of


@dataclass(frozen=True)
class SunRow:
    """Windows alike: the letter they bear on the drawing, their names in words, and the hours, in words."""

    letter: str
    names: tuple[str, ...]
    called: str
    passes: str
    floor: str


def off_words(minutes: int) -> str:
    """By how much times may be off, as it is said: minutes, from 90 on hours; nothing where they are not off."""
    if minutes < 90:
        return f"{minutes} min"
    return f"{decimal(minutes / 60, 0 if minutes >= 600 or minutes % 60 == 0 else 1)} h"


def span_words(plan: Plan, spans: tuple[Span, ...], within: Interval | None = None, short: bool = False) -> str:
    """Spans of sun in words, those outside `within` (UTC seconds) left out, with how far they may be off."""
    out = []
    for span in spans:
        a, b = (span.start, span.end) if within is None else (max(span.start, within[0]), min(span.end, within[1]))
        if b - a < SHORT:
            continue
        inside = [off for off, kept in ((span.start_off, a == span.start), (span.end_off, b == span.end)) if kept]
        off = said_minutes(max(inside, default=0.0))
        said = off_words(off)
        sign = "" if not off else f" ±{said}" if short else _(", give or take {time}").format(time=said)
        perhaps = "" if span.sure else _("perhaps ")
        out.append(f"{perhaps}{plan.span((a, b))}{sign}")
    return ", ".join(out)


def here(plan: Plan) -> Interval:
    """UTC seconds from arriving to leaving."""
    visit = plan.visit
    return clock(plan.day.day, visit.visit.arrive, visit), clock(plan.day.day, visit.visit.leave, visit)


def _joined(spans: list[Span]) -> tuple[Span, ...]:
    """Spans that overlap, as one: from the first beginning to the last end."""
    out: list[Span] = []
    for span in sorted(spans, key=lambda s: s.start):
        if out and span.start <= out[-1].end:
            last = out.pop()
            late = span if span.end > last.end else last
            out.append(Span(last.start, late.end, last.start_off, late.end_off, last.sure or span.sure))
        else:
            out.append(span)
    return tuple(out)


def row_name(name: str) -> str:
    """A window's name without the number of its bay."""
    found = _NUMBERED.match(name)
    return found[1] if found else name


def called_together(names: list[str]) -> str:
    """Several windows in words: "south clerestory 1 to 6"."""
    found = [_NUMBERED.match(name) for name in names]
    if len(names) == 1 or not all(found):
        return ", ".join(names)
    numbers = sorted(int(m[2]) for m in found if m)
    whole = numbers == list(range(numbers[0], numbers[-1] + 1)) and len(numbers) > 2
    said = (
        _("{first} to {last}").format(first=numbers[0], last=numbers[-1])
        if whole
        else ", ".join(str(n) for n in numbers)
    )
    return f"{found[0][1].strip() if found[0] else ''} {said}"


def alike(plan: Plan) -> list[list[str]]:
    """Windows by name, those that were assumed alike together: of one row of bays."""
    assumed = {w.name for w in plan.visit.window if w.assumed}
    groups: dict[tuple[object, ...], list[str]] = {}
    for w in plan.visit.building.windows:
        same = (round(w.faces, 2), w.width, w.sill, w.head, w.wall, row_name(w.name))
        groups.setdefault(same if w.name in assumed else (w.name,), []).append(w.name)
    return list(groups.values())


def sun_rows(plan: Plan) -> list[SunRow]:
    """A line for each kind of window that the sun shines through during the visit, earliest first."""
    within = here(plan)
    groups: dict[tuple[str, tuple[int, ...]], list[str]] = {}
    for name, times in plan.day.times.items():
        ends = tuple(round(v / ALIKE) for s in times.passes for v in (s.start, s.end))
        groups.setdefault((row_name(name), ends), []).append(name)
    rows: list[tuple[float, list[str], str, str]] = []
    for names in groups.values():
        passes = plan.day.times[names[0]].passes
        said = span_words(plan, passes, within, short=True)
        if said:
            floor = _joined([s for name in names for s in plan.day.times[name].floor])
            rows.append((passes[0].start, names, said, span_words(plan, floor, within, short=True)))
    rows.sort(key=lambda row: row[0])
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
    return [
        SunRow(letters[k] if k < len(letters) else "", tuple(names), called_together(names), passes, floor)
        for k, (_, names, passes, floor) in enumerate(rows)
    ]
