"""The plan page's side of the server: the building drawn, the sun over the day, the field card."""

from __future__ import annotations

import threading
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np

from clerestory import api
from clerestory.building.windows import SunTrack, day_span, patches
from clerestory.errors import UserError
from clerestory.languages import _, speaking
from clerestory.plan.card import card_html
from clerestory.plan.care import STAFF, of_plan, view_cautions
from clerestory.plan.doubts import doubts_of
from clerestory.plan.drawing import view_drawing
from clerestory.plan.framing import subject_points
from clerestory.plan.model import Visit, read_visit
from clerestory.plan.reasons import why_here
from clerestory.plan.reckoning import Plan, ViewPlan, compute, short_settings
from clerestory.plan.run import new_visit
from clerestory.plan.words import assumed_line, capital, house_lines, stand_line, station_note
from clerestory.visit.journal import Journal
from clerestory.web.drawings import drawing_size
from clerestory.web.plan_drawing import PlanDrawing

SLOT = 600.0  # seconds between the positions of the sun on the slider


class PlanDesk:
    """The plan of one visit, kept while visit.toml stays as it is."""

    def __init__(self, root: Path, journal: Journal, tell: Any) -> None:
        self.root, self.journal, self.tell = root, journal, tell
        self.file = root / "visit.toml"
        self.out = root / "plan"
        self._lock = threading.Lock()
        self._plan: tuple[float, Plan] | None = None
        self.drawing = PlanDrawing(root, journal, self.plan, self._written)

    def _written(self) -> None:
        """Every page hears that the text was written."""
        self.tell("text", name="visit.toml", revision=self.journal.revision("visit.toml"))
        self.tell("plan")

    def plan(self) -> Plan:
        """The plan as visit.toml has it now."""
        with self._lock:
            stamp = self.file.stat().st_mtime
            if self._plan is None or self._plan[0] != stamp:
                self._plan = None
                try:
                    self._plan = (stamp, compute(read_visit(self.file), self._progress))
                finally:
                    self._progress("", 1.0)
                self.drawing.planned(self._plan[1])
            return self._plan[1]

    def facts(self) -> dict[str, Any]:
        """Everything the page draws; {'there': False} while no visit is planned."""
        if not self.file.exists():
            return {"there": False}
        try:
            plan = self.plan()
        except UserError as problem:
            return {"there": True, "trouble": str(problem).replace(f"{self.root}/", "")}
        visit, possible = plan.visit, len(plan.bag.named("possible"))
        return {
            "there": True,
            "title": visit.visit.title,
            "place": visit.place.name,
            "date": visit.visit.date.isoformat(),
            "dates": [d.isoformat() for d in (visit.visit.date, *visit.visit.other_dates)],
            "axis": visit.axis,
            "longitude": visit.place.longitude_deg,
            "assumed": assumed_line(plan),
            "rows": self.drawing.rows(visit),
            "church": _church(self.journal),
            "under": _under(self.root, visit),
            "bag": f"{plan.bag.bag}. {possible} of {len(visit.view)} views possible in one frame",
            "bags": [
                {"name": c.bag, "share": c.share, "outcome": {k: str(v) for k, v in c.outcome.items()}}
                for c in plan.bags
            ],
            "missing": plan.missing,
            "doubts": list(doubts_of(visit, date.today())),
            "staff": _(STAFF),
            "rules": house_lines(visit.place),
            "care": [list(caution) for caution in of_plan(plan)],
            "halls": [_box(h.bounds) | {"name": h.name} for h in visit.building.halls],
            "windows": [_window(plan, k) for k in range(len(visit.building.windows))],
            "stations": _stations(plan),
            "views": [_view(plan, v) for v in plan.in_order],
            "card": (self.out / "card.pdf").is_file() and (self.out / "card.html").is_file(),
            "day": self.day(visit.visit.date.isoformat()),
        }

    def day(self, text: str) -> dict[str, Any]:
        """The sun over a day in steps of ten minutes, and where it falls through each window."""
        plan = self.plan()
        try:
            day = date.fromisoformat(text)
        except ValueError as problem:
            raise UserError(f"'{text}' is not a date; write it as 2027-04-20.") from problem
        building = plan.visit.building
        track = SunTrack.over(day_span(day, plan.visit.zone), SLOT, plan.visit.observer, building)
        steps = []
        for k, seconds in enumerate(track.seconds):
            lit = []
            if track.clearance[k] > 0:
                for window in building.windows:
                    hall = building.hall(window.hall)
                    for patch in patches(window, hall, building, track.vectors[k]):
                        corners = np.round(patch.corners, 2).tolist()
                        lit.append({"window": window.name, "face": patch.face, "corners": corners})
            steps.append(
                {
                    "clock": plan.clock(float(seconds)),
                    "seconds": float(seconds),
                    "altitude": round(float(track.sun.apparent[k]), 1),
                    "azimuth": round(float(track.sun.azimuth[k]), 1),
                    "lit": lit,
                }
            )
        return {"date": day.isoformat(), "steps": steps, "strips": self.drawing.strips(plan.visit, day)}

    def phone_card(self) -> str:
        """The field card as one file for the phone, of the plan as it is now."""
        return card_html(self.plan())

    def _progress(self, said: str, share: float) -> None:
        self.tell("planning", said=said, share=share)

    def begin(self) -> None:
        """Write the worked example to visit.toml, to be made one's own."""
        held = self.root / ".clerestory" / "example.toml"
        held.parent.mkdir(exist_ok=True)
        held.unlink(missing_ok=True)
        text = new_visit(held).read_text(encoding="utf-8")
        held.unlink()
        if self.file.exists():
            raise UserError(f"{self.file}: there is a plan already.")
        self.journal.commit("plan", "plan begun from the worked example", {"visit.toml": text})
        self.tell("plan")

    def write(self) -> list[str]:
        """Write the field card, the report and the calendar; their names."""

        def on_progress(what: str, done: int, total: int | None) -> None:
            self._progress(what, done / (total or 1))

        try:
            with speaking("en"):  # the report is English alone; the card speaks the language of its visit
                result = api.plan_visit(self.file, self.out, on_progress)
        finally:
            self._progress("", 1.0)
        self.tell("plan")
        return [p.name for p in (result.card_pdf, result.card_html, result.report, result.calendar)]


def _under(root: Path, visit: Visit) -> dict[str, Any] | None:
    """The scanned plan under the map; None where there is none, or its picture is gone."""
    drawing = visit.place.drawing
    size = drawing_size(root, drawing.file) if drawing and drawing.file.startswith("drawings/") else None
    if drawing is None or size is None:
        return None
    return {"file": drawing.file, "href": f"/kept/{drawing.file}", "size": list(size),
            "points_px": drawing.points_px, "points_m": drawing.points_m}  # fmt: skip


def _church(journal: Journal) -> dict[str, Any] | None:
    """The church in numbers as the text has it; None where there is none."""
    church = tomllib.loads(journal.text_of("visit.toml") or "").get("church")
    return dict(church) if church else None


def _box(bounds: tuple[tuple[float, float], tuple[float, float], tuple[float, float]]) -> dict[str, Any]:
    (x0, x1), (y0, y1), (_, z1) = bounds
    return {"x": [x0, x1], "y": [y0, y1], "height": z1}


def _window(plan: Plan, number: int) -> dict[str, Any]:
    building = plan.visit.building
    window = building.windows[number]
    normal = building.normal(window)
    along = np.array([-normal[1], normal[0]]) * window.width / 2
    centre = np.array(window.centre)
    spans = [plan.span(s) for s in plan.day.passes.get(window.name, [])]
    ends = np.round([centre - along, centre + along], 3).tolist()
    return {"name": window.name, "ends": ends, "sill": window.sill, "head": window.head, "sun": spans}


def _stations(plan: Plan) -> list[dict[str, Any]]:
    seen: dict[str, dict[str, Any]] = {}
    for view in plan.views:
        at = [round(float(v), 2) for v in view.aim.eye]
        seen.setdefault(view.framing.station, {"name": view.framing.station, "at": at, "views": []})
        seen[view.framing.station]["views"].append(view.view.name)
    return list(seen.values())


def _view(plan: Plan, view: ViewPlan) -> dict[str, Any]:
    stop = next((s for s in plan.timetable.stops if s.view == view.view.name), None)
    when = stop.start if stop else None
    sun = plan.sun_vector(when) if when is not None else None
    reach = view.framing.picture_axes
    x0, x1, _, _ = view.framing.rectangle
    sides = [(np.array([x, 0.0, 1.0]) @ reach)[:2] for x in (x0, x1)]
    return {
        "name": view.view.name,
        "stand": capital(stand_line(plan, view)),
        "care": view_cautions(plan, view),
        "settings": short_settings(view),
        "station": view.framing.station,
        "why": why_here(plan, stop) if stop else "",
        "when": when,
        "note": station_note(view),
        "clock": plan.clock(when) if when is not None else "",
        "light": bool(stop.light) if stop else False,
        "good": [plan.span(g) for g in view.good],
        "room": view.room.kept if view.room else None,
        "distance": view.framing.distance,
        "eye": [round(float(v), 3) for v in view.aim.eye],
        "sides": np.round(sides, 4).tolist(),
        "subject": np.round(subject_points(view.view, view.aim.eye)[:4, :2], 2).tolist(),
        "drawing": view_drawing(view.aim, view.framing, view.body, plan.visit.building, sun),
    }
