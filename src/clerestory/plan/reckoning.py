"""A visit worked out: framing, kit, light, the day's order and the year, gathered for report and card."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date, datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clerestory.building.sun import SunDay, sun_day
from clerestory.building.times import Span, said_minutes
from clerestory.building.windows import Calendar, Interval, SunTrack, calendars, day_span
from clerestory.camera.crop import Crop
from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.plan.exposure import Focus, Settings, focus_for, settings_for
from clerestory.plan.framing import Aim, Framing, Spread, StandBack, spread_of, stand_back
from clerestory.plan.kit import Coverage, Framings, LensWorth, bags, best_bag, better, lens_worth
from clerestory.plan.model import BodyTable, LensTable, ViewTable, Visit
from clerestory.plan.preview import clipped_share, sun_shares
from clerestory.plan.timetable import SLOT, DayLight, SunInside, Timetable, arrange, day_light, good_hours

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class ViewPlan:
    """One view as the chosen bag takes it, with the other stations and lenses that also hold it.

    `clipped`: share of the frame in which modelled glass is above saturation; None where its luminance is not given.
    """

    view: ViewTable
    aim: Aim
    framing: Framing
    body: BodyTable
    lens: LensTable
    focus: Focus
    settings: Settings
    clipped: float | None
    room: Crop | None
    back: StandBack | None
    others: tuple[Framing, ...]
    good: tuple[Interval, ...]
    spread: Spread | None = None


@dataclass(frozen=True)
class Plan:
    """Everything worked out for one visit."""

    visit: Visit
    framings: Framings
    bags: tuple[Coverage, ...]
    bag: Coverage
    worth: tuple[LensWorth, ...]
    views: tuple[ViewPlan, ...]
    missing: dict[str, str]
    day: DayLight
    other_days: tuple[DayLight, ...]
    sun: SunDay
    timetable: Timetable
    calendars: tuple[Calendar, ...]

    def local(self, seconds: float) -> datetime:
        """The place's clock at UTC seconds, to the nearest minute."""
        return datetime.fromtimestamp(round(seconds / 60) * 60, self.visit.zone)

    def clock(self, seconds: float) -> str:
        """HH:MM by the place's clock."""
        return self.local(seconds).strftime("%H:%M")

    def span(self, interval: Interval) -> str:
        """HH:MM to HH:MM by the place's clock."""
        return f"{self.clock(interval[0])}–{self.clock(interval[1])}"

    def sun_vector(self, seconds: float) -> NDArray[np.float64] | None:
        """Unit vector towards the sun in building axes at UTC seconds, None while it does not reach the house."""
        track = SunTrack.over((seconds, seconds), 1.0, self.visit.observer, self.visit.building)
        out: NDArray[np.float64] = track.vectors[0]
        return out if track.clearance[0] > 0 else None

    def view(self, name: str) -> ViewPlan:
        """The planned view of this name."""
        return next(v for v in self.views if v.view.name == name)

    def middle_of(self, view: ViewPlan) -> float:
        """The middle of a view's time in the day's order, else of its first good hours, else noon by the sun."""
        spans = [(s.start, s.end) for s in self.timetable.stops if s.view == view.view.name] or list(view.good)
        return sum(spans[0]) / 2 if spans else self.sun.noon

    @property
    def in_order(self) -> list[ViewPlan]:
        """Views in the order of the day, then those without a time."""
        placed = [self.view(stop.view) for stop in self.timetable.stops]
        return placed + [v for v in self.views if v.view.name not in {p.view.name for p in placed}]


def _view_plan(plan: Framings, framing: Framing, lenses: tuple[str, ...], day: DayLight) -> ViewPlan:
    body, lens, view, aimed = (
        plan.bodies[framing.body],
        plan.lenses[framing.lens],
        plan.views[framing.view],
        plan.aim(framing),
    )
    focus = focus_for(aimed, framing, body, lens)
    settings = settings_for(aimed, framing, focus, body, lens, plan.visit.hands.hands)
    shortest = min(lens.focal_range[0] for lens in plan.visit.lens)
    others = [f for f in plan.of(view.name, body.name, lenses) if f is not framing]
    return ViewPlan(
        view,
        aimed,
        framing,
        body,
        lens,
        focus,
        settings,
        clipped_share(plan.visit.building, framing, aimed.eye, body, lens, settings),
        framing.crop(body) if framing.fits else None,
        stand_back(aimed, body, plan.visit.building, min(view.tilt_under_deg, view.max_tilt_deg), shortest),
        tuple(others),
        tuple(good_hours(plan.visit, day, view)),
        spread_of(aimed, framing, body, lens),
    )


def _day(visit: Visit, framings: Framings, chosen: list[Framing], day: date) -> DayLight:
    """A day's light; for views that want sun, the slots in which it falls well inside the picture.

    "Well" is at least half of the largest share of the picture in sunlight that day; where the model shows no sun in
    the picture at all, sun through the windows named has to do.
    """
    light = day_light(visit, day)
    inside = {}
    for framing in chosen:
        view = framings.views[framing.view]
        slots = np.flatnonzero(light.right(view) & light.free)[::2] if view.light == "sun" else np.zeros(0, int)
        if not len(slots):
            continue
        aimed = framings.aim(framing)
        suns = light.towards_sun[slots]
        shares = sun_shares(visit.building, framing, aimed.eye, suns)
        if shares.max() > 0:
            inside[view.name] = SunInside(light.start + slots.astype(np.float64) * SLOT, shares)
    return light.with_sun_inside(inside)


def _why_not(framings: Framings, view: ViewTable, bag: Coverage) -> str:
    tried = [f for f in framings.all if f.view == view.name]
    if not tried:
        return "no station faces it; add one, or leave out square_on"
    reasons = sorted({f"{f.station}, {f.lens}: {f.why}" for f in tried if f.why})
    return f"not with {bag.bag}: " + "; ".join(reasons[:3])


def compute(visit: Visit, progress: Progress | None = None) -> Plan:
    """Work out a visit. Nothing is written."""
    say = progress or (lambda _words, _share: None)
    say("where to stand and what to frame", 0.05)
    framings = Framings(visit)
    coverage = bags(framings)
    chosen = best_bag(coverage)
    table = next(b for b in visit.bag if b.name == chosen.bag)
    say("sun on the day", 0.25)
    found = [f for f in chosen.best.values() if f is not None]
    day, *others = (_day(visit, framings, found, d) for d in (visit.visit.date, *visit.visit.other_dates))
    views, missing = [], {}
    for k, view in enumerate(visit.view):
        say(f"view: {view.name}", 0.3 + 0.3 * k / len(visit.view))
        framing = chosen.best[view.name]
        if framing is None:
            missing[view.name] = _why_not(framings, view, chosen)
        else:
            views.append(_view_plan(framings, framing, table.lenses, day))
    say("order of the day", 0.65)
    timetable = arrange(visit, day, {v.view.name: v.framing.station for v in views})
    say("a year of light", 0.7)
    year = calendars(visit.building, visit.observer, visit.zone, visit.visit.date.year)
    return Plan(
        visit,
        framings,
        tuple(coverage),
        chosen,
        tuple(lens_worth(framings, table.body)),
        tuple(views),
        missing,
        day,
        tuple(others),
        sun_day(*day_span(visit.visit.date, visit.zone), visit.observer),
        timetable,
        tuple(year),
    )


def short_settings(view: ViewPlan) -> str:
    """Focal length, aperture, time, ISO and frames in one line."""
    s = view.settings
    parts = [
        f"{view.framing.focal:.0f} mm",
        f_label(view.focus.f_number),
        time_label(s.seconds),
        f"ISO {iso_label(s.iso)}",
    ]
    if view.framing.how == "join":
        parts.append(f"{view.framing.frames} frames to stitch")
    if s.bracket:
        parts.append(f"bracket of {len(s.bracket)}")
    if s.take is None:
        return ", ".join([*parts, "too slow by hand"])
    if view.framing.how == "join" or s.bracket:
        return ", ".join(parts) + (f", {s.take} of each" if s.take > 1 else "")
    if s.merge > 1:
        return ", ".join([*parts, f"burst of {s.take}"])
    return ", ".join([*parts, "1 frame" if s.take == 1 else f"{s.take} frames"])


def _plain(value: Any) -> Any:
    """Numbers rounded for reading, infinity as null, dates as text."""
    if isinstance(value, dict):
        return {k: _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return None if math.isinf(value) else float(f"{value:.6g}")
    return value.isoformat() if isinstance(value, date) else value


def plan_data(plan: Plan) -> dict[str, Any]:
    """The plan as plain data for plan.json: what was predicted, to be compared later with what was measured."""
    views = [
        {
            "name": v.view.name,
            "framing": asdict(v.framing),
            "room_kept": v.room.kept if v.room else None,
            "focus": asdict(v.focus),
            "settings": asdict(v.settings) | {"clips": v.settings.clips},
            "clipped_share": v.clipped,
            "spread": asdict(v.spread) if v.spread else None,
            "good_hours": [[plan.local(a).isoformat(), plan.local(b).isoformat()] for a, b in v.good],
        }
        for v in plan.views
    ]
    stops = [
        asdict(s) | {"start": plan.local(s.start).isoformat(), "end": plan.local(s.end).isoformat()}
        for s in plan.timetable.stops
    ]
    data = {
        "visit": plan.visit.visit.title,
        "date": plan.visit.visit.date,
        "axis_deg": plan.visit.axis,
        "bag": plan.bag.bag,
        "bags": [{"name": c.bag, "share": c.share, "outcome": c.outcome} for c in plan.bags],
        "views": views,
        "missing": plan.missing,
        "timetable": stops,
        "sun_through": {
            name: [[plan.local(a).isoformat(), plan.local(b).isoformat()] for a, b in spans]
            for name, spans in plan.day.passes.items()
        },
        "sun_times": {
            name: {"passes": _spans(plan, times.passes), "floor": _spans(plan, times.floor)}
            for name, times in plan.day.times.items()
        },
    }
    plain: dict[str, Any] = _plain(data)
    return plain


def _spans(plan: Plan, spans: tuple[Span, ...]) -> list[dict[str, Any]]:
    return [
        {"from": plan.local(s.start).isoformat(), "to": plan.local(s.end).isoformat(),
         "off_min": [said_minutes(s.start_off), said_minutes(s.end_off)], "sure": s.sure}
        for s in spans
    ]  # fmt: skip


def best_of(plan: Plan, view: str, station: str) -> Framing | None:
    """The best framing of a view from one station with the chosen bag."""
    planned = plan.view(view)
    options = [f for f in (planned.framing, *planned.others) if f.station == station]
    return better(planned.view, options)
