"""The plan page's drawing: changes made by hand written into visit.toml, and what they come to while made."""

from __future__ import annotations

import io
import tomllib
from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

from clerestory.building.times import Span, SunTimes, said_minutes, sun_times
from clerestory.building.windows import SunTrack, day_span
from clerestory.errors import UserError
from clerestory.files.toml_edit import table_text
from clerestory.plan.edit import ROWS, Change, edited
from clerestory.plan.live import look, numbers_of, window_day, with_changes
from clerestory.plan.model import Visit, visit_of
from clerestory.plan.preview import rooms_of, seen_picture
from clerestory.plan.reckoning import Plan
from clerestory.plan.suntable import SHORT, off_words
from clerestory.visit.journal import Journal, revision_of
from clerestory.web.conflict import check_known

FILE = "visit.toml"
SLOT = 600.0  # seconds between the positions of the sun on the slider
_KINDS = ("room", "window", "station", "view")


def changes_of(told: Iterable[Mapping[str, Any]]) -> list[Change]:
    """Changes as a page tells them."""
    out = []
    for one in told:
        values = {str(k): _dated(str(k), v) for k, v in dict(one.get("set") or {}).items()}
        out.append(Change(str(one["table"]), str(one.get("name") or ""), values, bool(one.get("drop"))))
    return out


def _dated(name: str, value: Any) -> Any:
    """Dates and times of day as such; all else as it came."""
    try:
        if name == "date":
            return date.fromisoformat(value)
        if name in ("arrive", "leave"):
            return time.fromisoformat(value)
    except (TypeError, ValueError) as problem:
        raise UserError(f"{value!r} is no {'date' if name == 'date' else 'time of day'}.") from problem
    return value


class PlanDrawing:
    """Changes by hand to one visit's text, and looks at what they would come to."""

    def __init__(self, root: Path, journal: Journal, plan: Callable[[], Plan], told: Callable[[], None]) -> None:
        """`plan`: the plan as the text has it; `told`: lets every page know that the text was written."""
        self.root, self.journal, self.plan, self.told = root, journal, plan, told
        self._tracks: dict[str, SunTrack] = {}
        self._visit: tuple[str, Visit] | None = None
        self._bag = ""

    # ---- written

    def change(self, told: list[Mapping[str, Any]], gesture: str = "") -> dict[str, Any]:
        """Write changes into visit.toml; only the values told of change. Its new revision.

        Each is told with what the page knew its fields to be (`was`): `Conflict` where one has been set otherwise
        since. UserError, with nothing written, where the text would no longer be a visit.
        """
        text = self.journal.text_of(FILE)
        if text is None:
            raise UserError("There is no visit.toml any more; begin a plan first.")
        path = self.root / FILE
        visit, changes = visit_of(text, path), changes_of(told)
        if not (gesture and gesture == self.journal.last_gesture("plan")):
            for one, change in zip(told, changes, strict=True):
                _check(visit, tomllib.loads(text), change, one.get("was"))
        new = edited(text, visit, changes)
        visit_of(new, path)
        said = "; ".join(change.said for change in changes)
        if self.journal.commit("plan", said, {FILE: new}, gesture, changes[0].name if changes else ""):
            self.told()
        return {"revision": revision_of(new)}

    def begin(self, numbers: Mapping[str, Any]) -> dict[str, Any]:
        """Begin visit.toml from a church in numbers: the tables `visit`, `place` and `church` of the page's form.

        UserError names what is wrong in words; nothing is written then.
        """
        tables = {kind: {str(k): _dated(str(k), v) for k, v in dict(numbers[kind]).items() if v not in ("", None)}
                  for kind in ("visit", "place", "church")}  # fmt: skip
        parts = [_BEGUN, *(table_text(kind, tables[kind], False) + "\n" for kind in tables)]
        text = "".join(parts).rstrip("\n") + "\n"
        visit_of(text, self.root / FILE)
        if self.journal.text_of(FILE) is not None:
            raise UserError("There is a plan in this folder already; it is kept as it is.")
        self.journal.commit("plan", "plan begun from a church in numbers", {FILE: text})
        self.told()
        return {"revision": revision_of(text)}

    # ---- looked at

    def _now(self) -> tuple[Visit, str]:
        """The visit as the text has it, and the bag of the plan of late: a new plan is not waited for."""
        if not self._bag:
            self._bag = self.plan().bag.bag
        text = self.journal.text_of(FILE) or ""
        revision = revision_of(text)
        if self._visit is None or self._visit[0] != revision:
            self._visit = revision, visit_of(text, self.root / FILE)
        visit = self._visit[1]
        if self._bag not in {bag.name for bag in visit.bag}:
            self._bag = visit.bag[0].name
        return visit, self._bag

    def planned(self, plan: Plan) -> None:
        """Hear of a new plan: its bag is the one to look with."""
        self._bag = plan.bag.bag

    def rows(self, visit: Visit) -> dict[str, list[dict[str, Any]]]:
        """Rooms, windows, stations and views as the page edits them, every field with its value."""
        return {kind: [_row(row) for row in getattr(visit, kind)] for kind in _KINDS}

    def live(self, view: str, told: list[Mapping[str, Any]], station: str = "") -> dict[str, Any]:
        """What a view comes to with some changes that are not written."""
        now, bag = self._now()
        seen = look(with_changes(now, changes_of(told)), view, bag, station)
        return {"name": view, "no": seen} if isinstance(seen, str) else numbers_of(seen)

    def window(self, name: str, told: list[Mapping[str, Any]], day: str) -> dict[str, Any]:
        """One window's sun over a day with some changes that are not written: its strip, and its patches by step."""
        visit = with_changes(self._now()[0], changes_of(told))
        track = self._track(visit, date.fromisoformat(day))
        times, lit = window_day(visit, name, track)
        return {"strip": _strip(times, float(track.seconds[0])), "lit": lit}

    def picture(self, view: str, told: list[Mapping[str, Any]], station: str, seconds: float | None) -> bytes:
        """A view as it would come out, a JPEG; `seconds`: UTC, of the sun in it."""
        now, bag = self._now()
        visit = with_changes(now, changes_of(told))
        seen = look(visit, view, bag, station)
        if isinstance(seen, str):
            raise UserError(f"{view}: {seen}.")
        sun = None
        if seconds is not None:
            track = SunTrack.over((seconds, seconds), 1.0, visit.observer, visit.building)
            sun = track.vectors[0] if track.clearance[0] > 0 else None
        rooms = rooms_of(seen.planned.view, visit.building, sun)
        shown = seen_picture(rooms, seen.planned.framing, seen.planned.aim.eye)
        held = io.BytesIO()
        Image.fromarray(np.asarray(shown)).save(held, "JPEG", quality=85)
        return held.getvalue()

    def place(self, frame: Path, towards: str | None) -> dict[str, Any]:
        """Where a frame of the visit was taken, by its straight edges and the plan's rooms and windows.

        `towards`: the wall it looks at (east, south, west, north), None where that is not known. UserError where the
        frame does not show enough to tell.
        """
        from clerestory.web.placing import placed_frame

        building = self._now()[0].building
        found = placed_frame(frame, building, towards)
        if found is None:
            raise UserError(
                f"{frame.name} shows too little of the windows to be placed, or its vertical is not sure."
            )
        return {"frame": frame.name, "at": found.at, "eye": found.eye, "direction": found.direction,
                "off": found.off_m, "turn_off": found.turn_off_deg, "sure": found.sure, "others": found.others,
                "explained": found.explained}  # fmt: skip

    def strips(self, visit: Visit, day: date) -> dict[str, Any]:
        """The sun of every window over a day as strips of minutes from midnight, and where the hours stand on it."""
        track = self._track(visit, day)
        start, end = day_span(day, visit.zone)
        hours = []
        for at in np.arange(start, end + 1, 3600.0):
            local = datetime.fromtimestamp(float(at), visit.zone)
            if local.minute == 0 and local.hour % 3 == 0:
                hours.append([round((float(at) - start) / 60), f"{local.hour:02d}"])
        here = SunTrack(track.seconds, track.sun, visit.building)
        rows = [_strip(sun_times(here, w), start) for w in visit.building.windows]
        return {"minutes": round((end - start) / 60), "hours": hours, "rows": rows}

    def _track(self, visit: Visit, day: date) -> SunTrack:
        """The sun over a day, kept for as long as the place stays where it is."""
        key = f"{day} {visit.observer} {visit.axis} {visit.building.skyline}"
        if key not in self._tracks:
            if len(self._tracks) > 8:
                self._tracks.clear()
            span = day_span(day, visit.zone)
            self._tracks[key] = SunTrack.over(span, SLOT, visit.observer, visit.building)
        return self._tracks[key]


_BEGUN = """\
# A visit begun from a church in numbers. Rooms, windows, points to stand at and views follow from [church]; what you
# write or draw yourself goes before what is assumed. `clerestory plan --in-full FILE` writes all of it out.

"""


def _row(row: Any) -> dict[str, Any]:
    out: dict[str, Any] = row.model_dump(mode="json", by_alias=True)
    return out


def _strip(times: SunTimes, start: float) -> dict[str, Any]:
    def plain(spans: tuple[Span, ...]) -> list[dict[str, Any]]:
        return [
            {"from": round((s.start - start) / 60, 1), "to": round((s.end - start) / 60, 1),
             "off": off_words(minutes) if (minutes := said_minutes(s.off)) else "", "sure": s.sure,
             "early": round(s.start_off / 60), "late": round(s.end_off / 60)}
            for s in spans
            if s.end - s.start > SHORT
        ]  # fmt: skip

    return {"window": times.window, "passes": plain(times.passes), "floor": plain(times.floor)}


def _check(visit: Visit, data: Mapping[str, Any], change: Change, was: Mapping[str, Any] | None) -> None:
    """`Conflict` where a field that is to be set has been set otherwise since the page read it."""
    if was is None:
        return
    if change.table in ROWS:
        row = next((r for r in getattr(visit, change.table) if r.name == change.name), None)
        if row is None and was:
            raise UserError(f"{change.table} {change.name} is no longer in the plan; the page shows what there is.")
        now = _row(row) if row is not None else {}
    else:
        now = {k: str(v) if isinstance(v, date | time) else v for k, v in dict(data.get(change.table, {})).items()}
    what = f"{change.table} {change.name}".strip()
    check_known(now, dict(change.values), dict(was), lambda _: f"{what} was changed in another window; keep which?")
