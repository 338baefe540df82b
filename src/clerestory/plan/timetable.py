"""The day: when each view's light is right, and an order of views by light, opening, quiet hours and walking."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clerestory.building.times import SunTimes, sun_times
from clerestory.building.windows import Interval, SunTrack, day_span
from clerestory.plan.model import Hours, ViewTable, Visit

SLOT = 300.0  # seconds
WALK = 0.7  # m/s with a bag among visitors (common practice, no source)
Flags = NDArray[np.bool_]
Array = NDArray[np.float64]

# What the order of views is judged by, in minutes lost.
_DROPPED, _WRONG_LIGHT, _NOT_QUIET, _WAITING = 600.0, 90.0, 25.0, 0.15


def clock(day: date, at: time, visit: Visit) -> float:
    """UTC seconds of a local clock time on a day."""
    return datetime.combine(day, at, tzinfo=visit.zone).timestamp()


@dataclass(frozen=True)
class SunInside:
    """How much of a picture lies in direct sun (shares) at some times (UTC seconds)."""

    seconds: Array
    shares: Array

    @property
    def best(self) -> tuple[float, float]:
        """When most of the picture lies in the sun, and how much of it."""
        k = int(np.argmax(self.shares))
        return float(self.seconds[k]), float(self.shares[k])


@dataclass(frozen=True)
class DayLight:
    """A visit's day in slots of five minutes from the first midnight: flags per slot.

    `free`: open and no service; `quiet`: few others about; `sun`: direct sun through each window by name;
    `towards_sun`: unit vectors in building axes; `times`: the sun's hours by window, with how far they may be off;
    `inside`: sun in the picture, by view, where the model shows any.
    """

    day: date
    start: float
    free: Flags
    quiet: Flags
    sun: dict[str, Flags]
    daylight: Flags
    passes: dict[str, list[Interval]]
    towards_sun: Array
    times: dict[str, SunTimes]
    inside: dict[str, SunInside] = field(default_factory=dict)

    def with_sun_inside(self, inside: dict[str, SunInside]) -> DayLight:
        """The same day, knowing when the sun falls inside each picture."""
        return replace(self, inside=inside)

    def right(self, view: ViewTable) -> Flags:
        """Slots in which a view's light is as wished."""
        if view.light == "any":
            return self.daylight
        lit = np.any([self.sun[name] for name in view.windows], axis=0)
        if view.light == "sun" and view.name in self.inside:
            lit = lit & self._well_inside(self.inside[view.name])
        return self.daylight & (lit if view.light == "sun" else ~lit)

    def _well_inside(self, sun: SunInside) -> Flags:
        flags = np.zeros(len(self.free), bool)
        for k in np.round((sun.seconds[sun.shares >= 0.5 * sun.shares.max()] - self.start) / SLOT).astype(int):
            flags[k : k + 2] = True
        return flags

    def intervals(self, flags: Flags) -> list[Interval]:
        """Runs of set slots (n,) of the day as UTC seconds."""
        edges = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(int)))
        return [(self.start + a * SLOT, self.start + b * SLOT) for a, b in edges.reshape(-1, 2)]


def day_light(visit: Visit, day: date) -> DayLight:
    """The sun and the house's hours on one day."""
    span = day_span(day, visit.zone)
    track = SunTrack.over(span, SLOT, visit.observer, visit.building)
    middles = track.seconds[:-1] + SLOT / 2
    whole = np.zeros(len(middles), bool)

    def within(hours: tuple[Hours, ...]) -> Flags:
        flags = whole.copy()
        for h in hours:
            if h.falls_on(day):
                flags |= (middles >= clock(day, h.start, visit)) & (middles < clock(day, h.end, visit))
        return flags

    here = (middles >= clock(day, visit.visit.arrive, visit)) & (middles < clock(day, visit.visit.leave, visit))
    opened = within(visit.place.open) if visit.place.open else ~whole
    passes = {w.name: track.passes(w) for w in visit.building.windows}
    sun = {}
    for name, intervals in passes.items():
        flags = whole.copy()
        for a, b in intervals:
            flags |= (middles >= a) & (middles < b)
        sun[name] = flags
    daylight = track.sun.apparent[:-1] > 0
    free = here & opened & ~within(visit.place.service)
    times = {w.name: sun_times(track, w) for w in visit.building.windows}
    return DayLight(day, span[0], free, within(visit.place.quiet), sun, daylight, passes, track.vectors[:-1], times)


@dataclass(frozen=True)
class Stop:
    """One view in the day's order, UTC seconds; `light` says whether its light is then as wished."""

    view: str
    station: str
    start: float
    end: float
    walk_m: float
    light: bool
    quiet: bool


@dataclass(frozen=True)
class Timetable:
    """The day's order and the views for which no time was found."""

    stops: tuple[Stop, ...]
    left_out: tuple[str, ...]


def _next_start(flags: Flags, slots: int) -> NDArray[np.int64]:
    """For each slot, the first slot from there on which `slots` slots in a row are set; len(flags) where none."""
    count = len(flags)
    run = np.zeros(count + 1, int)
    for k in range(count - 1, -1, -1):
        run[k] = run[k + 1] + 1 if flags[k] else 0
    out = np.full(count + 1, count, dtype=np.int64)
    for k in range(count - 1, -1, -1):
        out[k] = k if run[k] >= slots else out[k + 1]
    return out


class _Day:
    """Everything needed to judge an order of views quickly."""

    def __init__(self, visit: Visit, light: DayLight, stations: dict[str, str]) -> None:
        spots = {s.name: s.at_m for s in visit.station}
        self.light = light
        self.views = [v for v in visit.view if v.name in stations]
        self.stations = [stations[v.name] for v in self.views]
        self.spots = [spots[s] for s in self.stations]
        self.slots = [max(1, round(v.minutes * 60 / SLOT + 0.499)) for v in self.views]
        self.any_start = [_next_start(light.free, n).tolist() for n in self.slots]
        self.good_start = [
            _next_start(light.free & light.right(v), n).tolist() for v, n in zip(self.views, self.slots, strict=True)
        ]
        quiet = light.quiet.tolist()
        self.quiet = [*quiet, False]
        self.begin = int(np.argmax(light.free))  # one is there from the first free moment
        xy = np.array(self.spots, float).reshape(-1, 2)
        away = np.hypot(*(xy[:, None] - xy[None]).transpose(2, 0, 1)) if len(xy) else np.zeros((0, 0))
        self.walk = away.tolist()

    def run(self, order: list[int], note: Callable[[int, int, float, bool], None] | None = None) -> float:
        """Cost of an order in minutes; `note(view, slot, walk, light)` is told of each stop."""
        size = len(self.quiet) - 1
        now, cost, before = self.begin, 0.0, -1
        for index in order:
            walk = self.walk[before][index] if before >= 0 else 0.0
            ready = min(now + (1 if walk > WALK * SLOT / 2 else 0), size)
            anyway = self.any_start[index][ready]
            if anyway >= size:
                cost += _DROPPED
                continue
            good = self.good_start[index][ready]
            slot, light = (good, True) if good < size else (anyway, False)
            first = self.views[index].first
            cost += walk / WALK / 60 + (0.0 if light else _WRONG_LIGHT)
            cost += _WAITING * (slot - now) * SLOT / 60
            cost += _NOT_QUIET * (4 if first else 0.2) * (not self.quiet[slot]) + (slot * 0.3 if first else 0.0)
            if note is not None:
                note(index, slot, walk, light)
            now, before = slot + self.slots[index], index
        return cost + 0.02 * now


def _start_order(day: _Day) -> list[int]:
    """Views that must come first, then by the end of their good light, then by station."""
    size = len(day.quiet) - 1

    def last_good(index: int) -> int:
        starts = day.good_start[index]
        return max((s for s in starts if s < size), default=size)

    return sorted(range(len(day.views)), key=lambda k: (not day.views[k].first, last_good(k), day.stations[k]))


def arrange(visit: Visit, light: DayLight, stations: dict[str, str]) -> Timetable:
    """An order of the views at their stations (`stations`: by view name), improved until moving one gains nothing."""
    day = _Day(visit, light, stations)
    order = _start_order(day)
    cost = day.run(order)
    for _ in range(6):
        improved = False
        for index in list(order):
            rest = [k for k in order if k != index]
            trials = [[*rest[:at], index, *rest[at:]] for at in range(len(order))]
            costs = [day.run(trial) for trial in trials]
            best = int(np.argmin(costs))
            if costs[best] < cost - 1e-6:
                order, cost, improved = trials[best], costs[best], True
        if not improved:
            break
    stops: list[Stop] = []

    def note(index: int, slot: int, walk: float, right: bool) -> None:
        begin = light.start + slot * SLOT
        end = begin + day.slots[index] * SLOT
        view, station = day.views[index].name, day.stations[index]
        stops.append(Stop(view, station, begin, end, walk, right, bool(light.quiet[slot])))

    day.run(order, note)
    placed = {stop.view for stop in stops}
    return Timetable(tuple(stops), tuple(v.name for v in visit.view if v.name not in placed))


def overlaps(timetable: Timetable) -> bool:
    """Whether any two stops overlap (they must not)."""
    return any(a.end > b.start + 1e-6 for a, b in pairwise(timetable.stops))


def good_hours(visit: Visit, light: DayLight, view: ViewTable) -> list[Interval]:
    """Intervals (UTC seconds) in which the house is free and a view's light is as wished."""
    return light.intervals(light.free & light.right(view))
