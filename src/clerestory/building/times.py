"""When the sun comes through a window and when its patch lies on the floor, and how far those times may be off.

What is not known exactly (a window's place and size, the wall's thickness, the room's, the axis) is drawn at random
many times over, each within what it is said to be off by; the times of all those windows tell how far the times of
the window as it is taken may be off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building, Hall, Window, WindowOff
from clerestory.building.sun import crossings
from clerestory.building.windows import Interval, SunTrack

Array = NDArray[np.float64]

DRAWN = 96  # windows drawn at random: 5 of them beyond the bound at 95 in 100
BOUND = 95.0  # per cent of the windows drawn whose times lie within what is said
PER_BOUND = 1.96  # standard deviations to a 95 % bound of the normal distribution
APART = 5400.0  # seconds between two middles beyond which spans of sun are not the same


@dataclass(frozen=True)
class Span:
    """A span of sun, UTC seconds; `start_off` and `end_off`: seconds that its ends may be off, 95 times in 100.

    `sure`: whether there is such a span in 95 of 100 windows that would fit what is known.
    """

    start: float
    end: float
    start_off: float = 0.0
    end_off: float = 0.0
    sure: bool = True

    @property
    def off(self) -> float:
        """The greater of the two, seconds."""
        return max(self.start_off, self.end_off)


@dataclass(frozen=True)
class SunTimes:
    """One window's day: when sun passes the opening, and when it lies on the room's floor."""

    window: str
    passes: tuple[Span, ...]
    floor: tuple[Span, ...]


@dataclass(frozen=True)
class _Drawn:
    """Windows and rooms as they may be: columns (n, 1) of metres, and radians by which the axis is turned."""

    width: Array
    sill: Array
    head: Array
    wall: Array
    depth: Array
    low: Array
    high: Array
    turn: Array


def _drawn(window: Window, hall: Hall, building: Building, count: int) -> _Drawn:
    """The window as it is taken, first; then `count` - 1 as it may be."""
    rng = np.random.Generator(np.random.Philox(7))
    z = rng.standard_normal((9, count, 1)) / PER_BOUND
    z[:, 0] = 0.0
    off = window.off
    normal = building.normal(window)
    along = np.array([-normal[1], normal[0]])
    (x0, x1), (y0, y1), _ = hall.bounds
    corners = np.array([[x, y] for x in (x0, x1) for y in (y0, y1)]) - np.array(window.centre)
    deep = float(np.max(-(corners @ normal[:2])))
    sides = corners @ along
    across = abs(normal[0]) > abs(normal[1])  # a window of a side wall looks across the room
    off_deep, off_side = (hall.off[1], hall.off[0]) if across else (hall.off[0], hall.off[1])
    head = np.maximum(window.head + off.head * z[2], 0.2)
    return _Drawn(
        np.maximum(window.width + off.width * z[0], 0.1 * window.width),
        np.clip(window.sill + off.sill * z[1], 0.0, head - 0.1),
        head,
        np.maximum(window.wall + off.wall * z[3], 0.0),
        np.maximum(deep + off_deep * z[4], 0.1 * deep),
        float(sides.min()) + off.along * z[5] + off_side / 2 * z[6],
        float(sides.max()) + off.along * z[5] + off_side / 2 * z[7],
        np.radians(building.axis_off) * z[8],
    )


def _margins(track: SunTrack, window: Window, drawn: _Drawn) -> tuple[Array, Array]:
    """Values (n, times) above 0 while sun passes the opening, and while its patch lies on the floor."""
    normal = track.building.normal(window)
    facing = (track.vectors @ normal)[None]
    aside = (track.vectors @ np.array([-normal[1], normal[0], 0.0]))[None]
    rise = track.vectors[None, :, 2]
    c, s = np.cos(drawn.turn), np.sin(drawn.turn)
    facing, aside = facing * c - aside * s, facing * s + aside * c
    tall = drawn.head - drawn.sill
    passing = np.minimum(drawn.width * facing - drawn.wall * np.abs(aside), tall * facing - drawn.wall * np.abs(rise))
    passing = np.minimum(passing, np.minimum(facing, np.radians(track.clearance)[None]))
    ahead, up = np.maximum(facing, 1e-6), np.maximum(rise, 1e-6)
    shift, lift = drawn.wall * aside / ahead, drawn.wall * up / ahead
    u0, u1 = (
        np.maximum(-drawn.width / 2, -drawn.width / 2 - shift),
        np.minimum(drawn.width / 2, drawn.width / 2 - shift),
    )
    v0, v1 = drawn.sill, np.minimum(drawn.head - lift, drawn.depth * up / ahead)
    run = aside / up
    least, most = u0 - np.maximum(run * v0, run * v1), u1 - np.minimum(run * v0, run * v1)
    inside = np.minimum(drawn.high - least, most - drawn.low)
    floor = np.minimum(np.minimum(passing, v1 - v0), inside)
    return passing, floor


def _intervals(seconds: Array, margin: Array) -> list[Interval]:
    rises, falls = crossings(seconds, margin)
    if margin[0] > 0:
        rises.insert(0, float(seconds[0]))
    if margin[-1] > 0:
        falls.append(float(seconds[-1]))
    return list(zip(rises, falls, strict=True))


def _groups(found: list[list[Interval]]) -> list[list[tuple[int, Interval]]]:
    """The spans of all windows drawn, those that are the same span of the day together, each with its window."""
    every = sorted(((k, span) for k, spans in enumerate(found) for span in spans), key=lambda one: sum(one[1]))
    groups: list[list[tuple[int, Interval]]] = []
    for k, span in every:
        if groups and sum(span) / 2 - sum(groups[-1][-1][1]) / 2 < APART:
            groups[-1].append((k, span))
        else:
            groups.append([(k, span)])
    return groups


def _spans(seconds: Array, margins: Array) -> tuple[Span, ...]:
    found = [_intervals(seconds, row) for row in margins]
    out = []
    for group in _groups(found):
        own: dict[int, Interval] = {}  # one window's spans in a group are one span
        for k, span in group:
            before = own.get(k, span)
            own[k] = min(before[0], span[0]), max(before[1], span[1])
        share = len(own) / len(found)
        if 0 not in own and share < 1 - BOUND / 100:
            continue
        ends = np.array(list(own.values()))
        start, end = own.get(0, tuple(np.median(ends, axis=0)))
        off = np.percentile(np.abs(ends - [start, end]), BOUND, axis=0)
        sure = 0 in own and share >= BOUND / 100
        out.append(Span(float(start), float(end), float(off[0]), float(off[1]), sure))
    return tuple(out)


def sun_times(track: SunTrack, window: Window) -> SunTimes:
    """When sun passes a window over a track of times, and lies on its room's floor, with how far that may be off."""
    hall = track.building.hall(window.hall)
    exact = window.off == WindowOff() and not any(hall.off) and not track.building.axis_off
    passing, floor = _margins(track, window, _drawn(window, hall, track.building, 1 if exact else DRAWN))
    return SunTimes(window.name, _spans(track.seconds, passing), _spans(track.seconds, floor))


def said_minutes(seconds: float) -> int:
    """By how many minutes a time may be off, as it is said: rounded up to fives; 0 where it is not off."""
    return 5 * math.ceil(seconds / 300) if seconds > 30 else 0
