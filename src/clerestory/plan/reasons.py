"""Why a view stands where it does in the day's order, in words."""

from __future__ import annotations

from clerestory.building.windows import Interval
from clerestory.languages import _
from clerestory.plan.model import Hours
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.timetable import SLOT, Stop, clock

NEAR = 900.0  # seconds before a service, or after one, that are told of


def why_here(plan: Plan, stop: Stop) -> str:
    """Why a view is taken at this time and not at another."""
    view = plan.view(stop.view)
    told = [_first(plan, view, stop), _light(plan, view, stop), _quiet(plan, view, stop), _service(plan, stop)]
    said = [words for words in told if words]
    return "; ".join(said[:2]) or _way(plan, stop)


def _first(plan: Plan, view: ViewPlan, stop: Stop) -> str:
    if not view.view.first:
        return ""
    if stop.light:
        return _("first, as you asked")
    later = [a for a, b in view.good if b > stop.end]
    if later:
        return _("first, as you asked: the light you wanted comes at {time}").format(time=plan.clock(later[0]))
    return _("first, as you asked: the light you wanted does not come while the building is free")


def _light(plan: Plan, view: ViewPlan, stop: Stop) -> str:
    """The light that ties the view to these hours; nothing where any light does."""
    if view.view.light == "any" or (view.view.first and not stop.light):
        return ""
    names = _(" or ").join(view.view.windows)
    through = _("sun through {windows}") if view.view.light == "sun" else _("no sun through {windows}")
    if not stop.light:
        wanted = through.format(windows=names)
        return _("the light you wanted ({light}) finds no room in the day").format(light=wanted)
    right = plan.day.intervals(plan.day.right(view.view))
    a, b = next((i for i in right if i[0] <= stop.start and stop.end <= i[1] + SLOT), (stop.start, stop.end))
    if view.view.light == "sun":
        return f"{through.format(windows=names)} {plan.span((a, b))}"
    ends = []
    arrive, leave = _here(plan)
    if a > arrive:
        ends.append(_("from {time}").format(time=plan.clock(a)))
    if b < leave:
        ends.append(_("until {time}").format(time=plan.clock(b)))
    return f"{through.format(windows=names)} {' '.join(ends)}" if ends else ""


def _here(plan: Plan) -> Interval:
    visit = plan.visit
    return clock(plan.day.day, visit.visit.arrive, visit), clock(plan.day.day, visit.visit.leave, visit)


def _spans(plan: Plan, hours: tuple[Hours, ...]) -> list[tuple[Interval, str]]:
    day = plan.day.day
    return [
        ((clock(day, h.start, plan.visit), clock(day, h.end, plan.visit)), h.name) for h in hours if h.falls_on(day)
    ]


def _quiet(plan: Plan, view: ViewPlan, stop: Stop) -> str:
    if not stop.quiet:
        return ""
    spans = [span for span, _name in _spans(plan, plan.visit.place.quiet) if span[0] <= stop.start < span[1]]
    return _("quiet until {time}").format(time=plan.clock(max(b for _begin, b in spans))) if spans else ""


def _service(plan: Plan, stop: Stop) -> str:
    for (a, b), name in _spans(plan, plan.visit.place.service):
        if 0 <= a - stop.end <= NEAR:
            return _("before {name} at {time}").format(name=name or _("the service"), time=plan.clock(a))
        if 0 <= stop.start - b <= NEAR:
            return _("after {name}, which ends at {time}").format(name=name or _("the service"), time=plan.clock(b))
    return ""


def _way(plan: Plan, stop: Stop) -> str:
    at = plan.timetable.stops.index(stop)
    if at == 0:
        return _("any time does: it is nearest to hand")
    if stop.walk_m < 0.5 and stop.stairs_m < 0.5:
        return _("any time does: you stand there already")
    return _("any time does: it lies on the shortest way")
