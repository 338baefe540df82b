"""What a view comes to while a hand still moves it, its station, or a window: fast enough to be asked at every step.

Nothing is read or written here, and no light of the day is worked out anew but that of the window that moves.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np

from clerestory.building.times import SunTimes, sun_times
from clerestory.building.windows import SunTrack, patches
from clerestory.errors import UserError
from clerestory.files.mistakes import made
from clerestory.plan import words
from clerestory.plan.edit import Change
from clerestory.plan.exposure import focus_for, settings_for
from clerestory.plan.framing import Aim, Framing, aim, frame, spread_of
from clerestory.plan.kit import better
from clerestory.plan.model import BodyTable, LensTable, StationTable, ViewTable, Visit
from clerestory.plan.reckoning import ViewPlan, short_settings

LEVEL_FAR = 200.0  # metres beyond which nobody stands


@dataclass(frozen=True)
class Level:
    """Where one must stand to hold the camera level: metres from the subject, the point (x, y), whether inside."""

    distance: float
    at: tuple[float, float]
    inside: bool
    lens: str


@dataclass(frozen=True)
class LiveView:
    """One view from the station that serves it best; `lenses`: what each lens of the bag makes of it from there."""

    planned: ViewPlan
    level: Level | None
    lenses: tuple[Framing, ...]


def with_changes(visit: Visit, changes: Iterable[Change]) -> Visit:
    """The visit with some rows set otherwise, not yet written. UserError where a value cannot be."""
    for change in changes:
        rows = getattr(visit, change.table, None)
        if not isinstance(rows, tuple) or change.drop:
            continue
        moved = []
        for row in rows:
            if row.name == change.name:
                values = {k: v for k, v in change.values.items() if k != "name"}
                row = made(type(row), {**row.model_dump(by_alias=True), **values})
            moved.append(row)
        visit = visit.model_copy(update={change.table: tuple(moved)})
        for cached in ("building", "axis"):
            visit.__dict__.pop(cached, None)
    return visit


def stations_for(visit: Visit, view: ViewTable) -> list[StationTable]:
    """Stations from which a view may be taken."""
    return [s for s in visit.station if not view.stations or s.name in view.stations]


def level_from(aimed: Aim, visit: Visit, body: BodyTable, lenses: list[LensTable]) -> Level | None:
    """The nearest point, on the line from subject to station, from which a lens holds the view without any tilt."""
    start = np.array(aimed.view.centre_m[:2])
    line = np.array(aimed.station.at_m) - start
    long = float(np.linalg.norm(line))
    if not aimed.upright or long < 0.1 or not lenses:
        return None
    wide = min(lenses, key=lambda lens: lens.focal_range[0])
    ratio = min(body.pixels) / max(body.pixels)
    longest = max(body.frame_mm)

    def holds(distance: float) -> bool:
        x, y = start + line / long * distance
        there = aim(aimed.view, aimed.station, ratio, (float(x), float(y)))
        if there is None:
            return False
        reach = float(there.reach[np.abs(there.tilts) < 1e-9].max(initial=0.0)) * longest
        return reach >= wide.focal_range[0]

    low, high = 0.5, LEVEL_FAR
    if not holds(high):
        return None
    for _ in range(12):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if holds(middle) else (middle, high)
    x, y = (float(v) for v in start + line / long * high)
    inside = any(r.west_end_m[0] - r.width_m / 2 <= x <= r.west_end_m[0] + r.width_m / 2
                 and r.west_end_m[1] <= y <= r.west_end_m[1] + r.length_m for r in visit.room)  # fmt: skip
    return Level(high, (x, y), inside, wide.name)


def look(visit: Visit, name: str, bag: str, station: str = "") -> LiveView | str:
    """What a view comes to with a bag, from its best station or from the one named; why not, where it does not."""
    view = next((v for v in visit.view if v.name == name), None)
    if view is None:
        raise UserError(f"There is no view called {name!r}; it may be gone already.")
    table = next(b for b in visit.bag if b.name == bag)
    body = next(b for b in visit.body if b.name == table.body)
    lenses = [lens for lens in visit.lens if lens.name in table.lenses]
    ratio = min(body.pixels) / max(body.pixels)
    found: list[tuple[Aim, Framing]] = []
    for stands in stations_for(visit, view):
        aimed = aim(view, stands, ratio) if station in ("", stands.name) else None
        if aimed is not None:
            found += [(aimed, frame(aimed, body, lens)) for lens in lenses]
    if not found:
        return "no station faces it"
    best = better(view, [f for _, f in found])
    if best is None:
        return "; ".join(dict.fromkeys(f"{f.lens}: {f.why}" for _, f in found if f.why)) or "no lens holds it"
    aimed = next(a for a, f in found if f is best)
    lens = next(one for one in lenses if one.name == best.lens)
    focus = focus_for(aimed, best, body, lens)
    settings = settings_for(aimed, best, focus, body, lens, visit.hands.hands)
    crop = best.crop(body) if best.fits else None
    spread = spread_of(aimed, best, body, lens)
    planned = ViewPlan(view, aimed, best, body, lens, focus, settings, None, crop, None, (), (), spread)
    return LiveView(planned, level_from(aimed, visit, body, lenses), tuple(f for a, f in found if a is aimed))


def numbers_of(seen: LiveView) -> dict[str, Any]:
    """A look as plain data for the page: what is drawn, and what is said of it."""
    view, f = seen.planned, seen.planned.framing
    x0, x1, _, _ = f.rectangle
    sides = [(np.array([x, 0.0, 1.0]) @ f.picture_axes)[:2] for x in (x0, x1)]
    return {
        "name": f.view,
        "station": f.station,
        "eye": [round(float(v), 3) for v in view.aim.eye],
        "sides": np.round(sides, 4).tolist(),
        "up": _edges_up(seen),
        "tilt": round(f.tilt, 1),
        "distance": round(f.distance, 2),
        "kept": view.room.kept if view.room else None,
        "settings": short_settings(view),
        "lines": [[name, words.unbroken(said)] for name, said in _said(seen)],
        "level": None if seen.level is None else [round(v, 2) for v in seen.level.at],
        "lenses": [
            {"lens": o.lens, "reaches": o.how not in ("no", "join"), "said": words.how_words(o)} for o in seen.lenses
        ],
    }


def _said(seen: LiveView) -> list[list[str]]:
    """What is said of a look, by the heads of its lines."""
    view, f = seen.planned, seen.planned.framing
    return [
        ["Stands", f"{f.station}, subject {words.metres(f.distance)} away"],
        ["Lens", words.lens_line(view)],
        ["Hold", words.hold_line(view)],
        ["Kept", words.loss_line(view)],
        ["Room", words.room_line(view)],
        ["Focus", words.focus_line(view)],
        ["Frames", words.frames_line(view)],
        ["Level", level_words(seen)],
    ]


def level_words(seen: LiveView) -> str:
    """Where one must stand for no tilt at all."""
    if not seen.planned.framing.tilt:
        return "you hold it level here"
    if seen.level is None:
        return "no distance helps: it is overhead"
    outside = "" if seen.level.inside else ", outside the walls"
    return f"no tilt at all from {words.metres(seen.level.distance)} away, with the {seen.level.lens}{outside}"


def _edges_up(seen: LiveView) -> list[float]:
    """Metres up for one metre ahead, of the picture's upper and lower edge (of the camera's, where it looks up)."""
    framing = seen.planned.framing
    rows, (_, _, z0, z1) = framing.picture_axes, framing.rectangle
    out = []
    for z in (z1, z0):
        way = np.array([0.0, z, 1.0]) @ rows
        ahead = float(np.hypot(way[0], way[1]))
        out.append(round(float(way[2]) / max(ahead, 0.02), 4))
    return out


def window_day(visit: Visit, name: str, track: SunTrack) -> tuple[SunTimes, list[dict[str, Any]]]:
    """One window's sun over a day's `track`, and its patches at those of its times at which the sun is up.

    The patches: `step` in the track, `face` of the room, `corners` in metres.
    """
    building = visit.building
    window = next(w for w in building.windows if w.name == name)
    hall = building.hall(window.hall)
    here = SunTrack(track.seconds, track.sun, building)
    times = sun_times(here, window)
    lit = []
    for k in np.flatnonzero(here.margin(window) > 0):
        for patch in patches(window, hall, building, here.vectors[k]):
            lit.append({"step": int(k), "face": patch.face, "corners": np.round(patch.corners, 2).tolist()})
    return times, lit
