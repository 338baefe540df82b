"""The day: when each view's light is right, and an order of views by light, opening, quiet hours and walking."""

from __future__ import annotations

import math
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
CLIMB = 0.15  # m/s of height, up or down narrow stairs with a bag (common practice, no source)
PATIENCE = 1800.0  # seconds that a view asked for first waits for its light; then it is taken in the light there is
Flags = NDArray[np.bool_]
Array = NDArray[np.float64]

# What the order of views is judged by, in minutes lost. Not quiet: a view asked for first, one that shows the floor
# and so the visitors on it, any other.
_DROPPED, _WRONG_LIGHT, _WAITING = 600.0, 90.0, 0.15
_NOT_QUIET_FIRST, _NOT_QUIET_FLOOR, _NOT_QUIET = 100.0, 25.0, 8.0


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
    opened &= day not in visit.place.closed
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
    """One view in the day's order, UTC seconds; `light` says whether its light is then as wished.

    `walk_m`, `stairs_m`, `walk_s`: metres on the level, metres up or down and seconds from the stop before.
    """

    view: str
    station: str
    start: float
    end: float
    walk_m: float
    light: bool
    quiet: bool
    stairs_m: float = 0.0
    walk_s: float = 0.0


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
    """Everything needed to judge an order of views quickly. Seconds count from the day's first slot."""

    def __init__(self, visit: Visit, light: DayLight, stations: dict[str, str]) -> None:
        spots = {s.name: (*s.at_m, s.floor_m or 0.0) for s in visit.station}
        self.light = light
        self.views = [v for v in visit.view if v.name in stations]
        self.stations = [stations[v.name] for v in self.views]
        self.takes = [v.minutes * 60 for v in self.views]
        slots = [max(1, math.ceil(seconds / SLOT - 1e-9)) for seconds in self.takes]
        self.any_start = [_next_start(light.free, n).tolist() for n in slots]
        self.good_start = [
            _next_start(light.free & light.right(v), n).tolist() for v, n in zip(self.views, slots, strict=True)
        ]
        self.quiet = [*light.quiet.tolist(), False]
        self.loud = [_NOT_QUIET_FIRST if v.first else _NOT_QUIET_FLOOR if v.floor else _NOT_QUIET for v in self.views]
        self.begin = int(np.argmax(light.free)) * SLOT  # one is there from the first free moment
        at = np.array([spots[s] for s in self.stations], float).reshape(-1, 3)
        apart = at[:, None] - at[None]
        self.walk: list[list[float]] = np.hypot(apart[..., 0], apart[..., 1]).tolist()
        self.stairs: list[list[float]] = np.abs(apart[..., 2]).tolist()

    def walk_seconds(self, a: int, b: int) -> float:
        """From one view's station to another's, stairs included."""
        return self.walk[a][b] / WALK + self.stairs[a][b] / CLIMB

    def begins(self, index: int, ready: float) -> tuple[int, bool] | None:
        """The slot in which a view is begun by someone ready at `ready` seconds, and whether in its light."""
        size = len(self.quiet) - 1
        slot = min(math.ceil(ready / SLOT - 1e-9), size)
        anyway, good = self.any_start[index][slot], self.good_start[index][slot]
        if anyway >= size:
            return None
        if good >= size or (self.views[index].first and (good - anyway) * SLOT > PATIENCE):
            return anyway, False
        return good, True

    def run(self, order: list[int], note: Callable[[int, int, int, bool], None] | None = None) -> float:
        """Cost of an order in minutes; `note(view, view before or -1, slot, light)` is told of each stop."""
        now, cost, before = self.begin, 0.0, -1
        for index in order:
            way = self.walk_seconds(before, index) if before >= 0 else 0.0
            found = self.begins(index, now + way)
            if found is None:
                cost += _DROPPED
                continue
            slot, light = found
            cost += way / 60 + (0.0 if light else _WRONG_LIGHT) + _WAITING * (slot * SLOT - now) / 60
            cost += 0.0 if self.quiet[slot] else self.loud[index]
            if note is not None:
                note(index, before, slot, light)
            now, before = slot * SLOT + self.takes[index], index
        return cost + 0.02 * now / SLOT


def _start_order(day: _Day) -> list[int]:
    """Views asked for first, in the file's order, then by the end of their good light, then by station."""
    size = len(day.quiet) - 1

    def last_good(index: int) -> int:
        starts = day.good_start[index]
        return max((s for s in starts if s < size), default=size)

    first = [k for k, view in enumerate(day.views) if view.first]
    rest = [k for k, view in enumerate(day.views) if not view.first]
    return first + sorted(rest, key=lambda k: (last_good(k), day.stations[k]))


def _best_order(day: _Day) -> list[int]:
    """An order improved until moving one view gains nothing; those asked for first stay before all others."""
    order = _start_order(day)
    cost, ahead = day.run(order), sum(view.first for view in day.views)
    for _ in range(6):
        improved = False
        for index in list(order):
            rest = [k for k in order if k != index]
            places = range(ahead) if day.views[index].first else range(ahead, len(order))
            trials = [[*rest[:at], index, *rest[at:]] for at in places]
            costs = [day.run(trial) for trial in trials]
            best = int(np.argmin(costs))
            if costs[best] < cost - 1e-6:
                order, cost, improved = trials[best], costs[best], True
        if not improved:
            break
    return order


def arrange(visit: Visit, light: DayLight, stations: dict[str, str]) -> Timetable:
    """An order of the views at their stations (`stations`: by view name)."""
    day = _Day(visit, light, stations)
    stops: list[Stop] = []

    def note(index: int, before: int, slot: int, right: bool) -> None:
        begin, walked = light.start + slot * SLOT, before >= 0
        stops.append(
            Stop(
                day.views[index].name,
                day.stations[index],
                begin,
                begin + day.takes[index],
                day.walk[before][index] if walked else 0.0,
                right,
                bool(light.quiet[slot]),
                day.stairs[before][index] if walked else 0.0,
                day.walk_seconds(before, index) if walked else 0.0,
            )
        )

    day.run(_best_order(day), note)
    placed = {stop.view for stop in stops}
    return Timetable(tuple(stops), tuple(v.name for v in visit.view if v.name not in placed))


def overlaps(timetable: Timetable) -> bool:
    """Whether any two stops overlap (they must not)."""
    return any(a.end > b.start + 1e-6 for a, b in pairwise(timetable.stops))


def good_hours(visit: Visit, light: DayLight, view: ViewTable) -> list[Interval]:
    """Intervals (UTC seconds) in which the house is free and a view's light is as wished."""
    return light.intervals(light.free & light.right(view))
