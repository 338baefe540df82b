"""Kit coverage, the order of the day, and the good hours."""

from __future__ import annotations

from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from visits import example, example_text, large_text

from clerestory.plan.kit import Framings, bags, lens_worth, outcome
from clerestory.plan.model import parse_visit
from clerestory.plan.reckoning import Plan, compute
from clerestory.plan.timetable import arrange, day_light, good_hours, overlaps


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compute(example())


def test_more_lenses_never_get_fewer_views(plan: Plan) -> None:
    shares = [bag.share for bag in plan.bags]
    assert shares == sorted(shares)
    assert plan.bags[0].outcome["angel boss"] == "too few pixels" and plan.bags[1].outcome["angel boss"] == "possible"


def test_a_lens_is_worth_the_views_that_need_it() -> None:
    wanted = large_text(views=18, windows=3, seed=4).replace("minutes =", "pixels_across = 2500\nminutes =")
    visit = parse_visit(wanted, Path("visit.toml"))
    framings = Framings(visit)
    whole = framings.coverage("all", visit.body[0].name, [lens.name for lens in visit.lens])
    worths = lens_worth(framings, visit.body[0].name)
    assert sum(len(worth.lost) for worth in worths) >= 3
    for worth in worths:
        for view in worth.lost:
            rest = [f for f in framings.all if f.view == view and f.lens != worth.lens]
            table = framings.views[view]
            assert whole.outcome[view] not in {outcome(table, f) for f in rest}
    assert len(bags(framings)) == len(visit.bag)


def test_views_follow_each_other_in_the_hours_the_house_is_free(plan: Plan) -> None:
    stops, zone = plan.timetable.stops, plan.visit.zone
    assert len(stops) == len(plan.views) and not overlaps(plan.timetable)
    for stop in stops:
        start, end = (datetime.fromtimestamp(t, zone) for t in (stop.start, stop.end))
        assert f"{start:%H:%M}" >= "09:30" and f"{end:%H:%M}" <= "16:30"
        assert not ("12:00" <= f"{start:%H:%M}" < "12:20" or "12:00" < f"{end:%H:%M}" <= "12:20")
        assert stop.light
    for a, b in pairwise(stops):
        assert b.start >= a.end


def test_light_in_the_timetable_is_that_of_the_windows(plan: Plan) -> None:
    assert {plan.view(s.view).view.light for s in plan.timetable.stops} == {"any", "sun", "no sun"}
    for stop in plan.timetable.stops:
        view = plan.view(stop.view).view
        lit = any(a <= stop.start and stop.end <= b for name in view.windows for a, b in plan.day.passes[name])
        touched = any(a < stop.end and stop.start < b for name in view.windows for a, b in plan.day.passes[name])
        if view.light == "sun":
            assert lit
        if view.light == "no sun":
            # The flags are of slots of five minutes, judged at their middle.
            assert not touched or min(abs(stop.start - b) for n in view.windows for _, b in plan.day.passes[n]) < 300


def test_closed_house_leaves_everything_out() -> None:
    text = example_text().replace("date = 2027-04-20", "date = 2027-04-18", 1)  # a Sunday, open from 12:30
    visit = parse_visit(text.replace("leave = 16:30:00", "leave = 12:30:00", 1), Path("visit.toml"))
    day = day_light(visit, visit.visit.date)
    assert not day.free.any()
    table = arrange(visit, day, {visit.view[0].name: visit.view[0].stations[0]})
    assert table.stops == () and visit.view[0].name in table.left_out


def test_good_hours_keep_the_clock_when_summer_time_begins() -> None:
    visit = example()
    before, after = (day_light(visit, date(2027, 3, d)) for d in (27, 29))
    view = next(v for v in visit.view if v.light == "any")
    spans = [good_hours(visit, d, view) for d in (before, after)]
    clocks = [[datetime.fromtimestamp(t, visit.zone).strftime("%H:%M") for i in s for t in i] for s in spans]
    assert clocks[0] == clocks[1]
    assert spans[1][0][0] - spans[0][0][0] == 47 * 3600  # one hour was skipped between
    noon = [d.passes["south clerestory 2"][0][0] - d.start for d in (before, after)]
    assert noon[1] - noon[0] == pytest.approx(3600, abs=400)


@pytest.mark.parametrize("latitude", [0.0, 69.0, -33.0, 90.0])
def test_anywhere_on_earth(latitude: float) -> None:
    text = example_text().replace("latitude_deg = 54.3120", f"latitude_deg = {latitude}", 1)
    plan = compute(parse_visit(text.replace("2027-04-20", "2027-12-20", 1), Path("visit.toml")))
    if latitude >= 69:
        assert not any(plan.day.passes.values())
        assert len(plan.views) == len(plan.visit.view) and not any(v.good for v in plan.views)
    else:
        assert any(plan.day.passes.values())
