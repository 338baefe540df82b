"""A walk from one standing point to the next on the floor plan: one view closes, one walks, the next one opens."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.files.wording import capital
from clerestory.film.drawing import FromThePlan, covered
from clerestory.film.light import InLight, Renderer
from clerestory.film.moves import share_of, stepped
from clerestory.film.standpoint import Points, Standpoint
from clerestory.film.taps import Floats

Array = NDArray[np.float64]
Cell = tuple[int, int]

SECONDS = 8.0  # as long as it takes when nothing else says; seen on the demo's plan
CLOSE, WALK, OPEN = (0.06, 0.2), (0.18, 0.78), (0.76, 0.9)  # shares of the time in which each step is done
_STEP = 0.5  # metres between the places that a way is looked for on; a doorway is wider
_KEPT = 0.4  # metres kept from the outer walls
_BRASS, _DARK = np.array([0.451, 0.292, 0.114], np.float32), np.float32(0.0035)
_PALE = np.array([0.814, 0.783, 0.708], np.float32)


@dataclass(frozen=True)
class Walk(FromThePlan):
    """Two standing points in one plan, and the way between them over the floors of the rooms."""

    first: Standpoint
    last: Standpoint
    way: Points
    still: bool = False
    begin: int = 0
    end: int = 0

    seconds = SECONDS

    def lit(self, renderer: Renderer, picture: Path) -> DrawnWalk:
        """The plan, drawn once with each cone and once without."""
        return DrawnWalk(renderer, self)

    @property
    def metres(self) -> float:
        """Length of the way."""
        return float(np.hypot(*np.diff(np.array(self.way), axis=0).T).sum())

    def at(self, frame: int) -> tuple[float, float, float]:
        """Shares (0 to 1) of the first cone left, of the way walked, of the last cone opened at a frame."""
        share = share_of(frame, self.begin, self.end)
        if self.still:
            return (1.0, 0.0, 0.0) if share < 0.5 else (0.0, 1.0, 1.0)
        return 1 - stepped(share, CLOSE), stepped(share, WALK), stepped(share, OPEN)

    def walked(self, share: float) -> Array:
        """The way so far (n, 2), metres, when a share of its length is behind one."""
        way = np.array(self.way)
        lengths = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))])
        here = share * lengths[-1]
        x, y = (np.interp(here, lengths, way[:, k]) for k in (0, 1))
        return np.vstack([way[lengths < here], [x, y]]) if here > 0 else way[:1]

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return self.at(frame)

    def words(self) -> tuple[tuple[str, str], ...]:
        """One step: from where to where, and how far."""
        return ((f"{capital(self.first.station)} → {self.last.station}", f"{self.metres:.0f} m to walk"),)

    def word_frames(self) -> list[tuple[int, int]]:
        """The words stand as long as the plan."""
        return [(self.begin, self.end)]


def walk_of(first: Standpoint, last: Standpoint, still: bool) -> Walk | str:
    """A walk between two standing points of one plan, or why there is none, in words."""
    if math.dist(first.at, last.at) < _STEP:
        return f"both pictures were taken from {first.station}"
    return Walk(first, last, way_between(first.rooms, first.at, last.at), still)


def way_between(rooms: tuple[Points, ...], a: tuple[float, float], b: tuple[float, float]) -> Points:
    """The shortest way (n, 2), metres, over the floors of rooms that are boxes, open to each other where they touch.

    Found on a lattice, then drawn as straight as the walls allow. Straight from a to b where the floors do not meet.
    """
    floors = _Floors(rooms)
    path = floors.path(a, b)
    if path is None:
        return (a, b)
    out = [a]
    rest = [*path, b]
    while rest:
        far = next((k for k in range(len(rest) - 1, 0, -1) if floors.clear(out[-1], rest[k])), 0)
        out.append(rest[far])
        rest = rest[far + 1 :]
    return tuple(out)


class _Floors:
    """The floors of a plan's rooms, a step at a time."""

    def __init__(self, rooms: tuple[Points, ...]) -> None:
        self._boxes = [(np.min(room, axis=0), np.max(room, axis=0)) for room in rooms]
        self._low = np.min([low for low, _ in self._boxes], axis=0)

    def holds(self, x: float, y: float) -> bool:
        """Whether one can stand there: on a floor, a little away from the outer walls."""
        around = ((x + i, y + j) for i in (-_KEPT, _KEPT) for j in (-_KEPT, _KEPT))
        return all(any((low <= p).all() and (p <= high).all() for low, high in self._boxes) for p in around)

    def _place(self, cell: Cell) -> tuple[float, float]:
        return float(self._low[0] + (cell[0] + 0.5) * _STEP), float(self._low[1] + (cell[1] + 0.5) * _STEP)

    def _cell(self, place: tuple[float, float]) -> Cell:
        x, y = np.floor((np.array(place) - self._low) / _STEP).astype(int)
        return int(x), int(y)

    def clear(self, a: tuple[float, float], b: tuple[float, float]) -> bool:
        """Whether one can walk straight from a to b."""
        steps = max(2, round(math.dist(a, b) / _STEP * 2))
        inner = (k / steps for k in range(1, steps))
        return all(self.holds(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])) for t in inner)

    def _beside(self, cell: Cell) -> Iterator[tuple[Cell, float]]:
        for i in (-1, 0, 1):
            for j in (-1, 0, 1):
                if i or j:
                    yield (cell[0] + i, cell[1] + j), math.hypot(i, j) * _STEP

    def path(self, a: tuple[float, float], b: tuple[float, float]) -> list[tuple[float, float]] | None:
        """Places from a to b by Dijkstra's way through the lattice, both ends left out; None where there is none."""
        start, goal = self._cell(a), self._cell(b)
        best, came, open_ = {start: 0.0}, {start: start}, [(0.0, start)]
        free: dict[Cell, bool] = {start: True, goal: True}
        while open_:
            cost, cell = heapq.heappop(open_)
            if cell == goal:
                break
            if cost > best[cell]:
                continue
            for beside, step in self._beside(cell):
                if beside not in free:
                    free[beside] = self.holds(*self._place(beside))
                if free[beside] and cost + step < best.get(beside, math.inf):
                    best[beside], came[beside] = cost + step, cell
                    heapq.heappush(open_, (cost + step, beside))
        if goal not in came:
            return None
        out, cell = [], came[goal]
        while cell != start:
            out.append(self._place(cell))
            cell = came[cell]
        return out[::-1]


@dataclass
class DrawnWalk(InLight):
    """A walk ready to be drawn."""

    renderer: Renderer
    showing: Walk
    _plans: tuple[Floats, Floats, Floats] = field(init=False)

    def __post_init__(self) -> None:
        size, showing = (self.renderer.width, self.renderer.height), self.showing
        self._plans = showing.first.light(size), showing.first.light(size, bare=True), showing.last.light(size)

    def linear(self, frame: int, out: Floats) -> None:
        """The plan with as much of each cone as is open, and the way so far, into `out`, float32 (H, 3 W)."""
        left, walked, opened = self.showing.at(frame)
        first, bare, last = self._plans
        out[:] = bare
        for plan, share in ((first, left), (last, opened)):
            if share > 0:
                self.renderer.mix(out, plan, np.full(self.renderer.width, share, np.float32))
        if left < 1:
            self._way(walked, out.reshape(self.renderer.height, self.renderer.width, 3))

    def _way(self, share: float, light: Floats) -> None:
        """The way so far and where one is, over the plan, in place (H x W x 3)."""
        size = (self.renderer.width, self.renderer.height)
        drawn = self.showing.first.drawn_at(self.showing.walked(share))
        here = drawn[-1:]
        for points, width, colour in (
            (drawn, 5.0, _BRASS), (np.vstack([here, here]), 18.0, _DARK), (np.vstack([here, here]), 13.0, _PALE),
        ):  # fmt: skip
            cover = covered(size, points, width)[..., None]
            light += cover * (colour - light)
