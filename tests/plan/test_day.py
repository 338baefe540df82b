"""Kit coverage, the order of the day, and the good hours."""

from __future__ import annotations

from datetime import date, datetime
from itertools import pairwise
from pathlib import Path

import pytest
from visits import example, example_text, large_text

from clerestory.errors import UserError
from clerestory.plan.kit import Framings, bags, lens_worth, outcome
from clerestory.plan.model import parse_visit
from clerestory.plan.reasons import why_here
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


def with_first(text: str, name: str) -> str:
    return text.replace("first = true", "first = false").replace(
        f'name = "{name}"\nroom', f'name = "{name}"\nfirst = true\nroom', 1
    )


def test_a_view_asked_for_first_is_first_and_says_so() -> None:
    for name in ("quire stalls", "aisle in sunlight"):  # the second in light that comes much later in the day
        plan = compute(parse_visit(with_first(example_text(), name), Path("visit.toml")))
        first = plan.timetable.stops[0]
        assert first.view == name and why_here(plan, first).startswith("first, as you asked")
        assert plan.clock(first.start) < "10:15"
    assert not first.light and "the light you wanted comes at" in why_here(plan, first)


def test_each_stop_says_why_it_stands_there(plan: Plan) -> None:
    said = {stop.view: why_here(plan, stop) for stop in plan.timetable.stops}
    assert "sun through south clerestory" in said["sun on the north arcade"]
    assert "no sun through west rose until 13:20" in said["west rose"]
    assert any("quiet until" in words for words in said.values()) and all(said.values())


def test_walking_and_stairs_take_their_time() -> None:
    """0.7 m/s on the level and 0.15 m/s up and down: common practice, no source."""
    text = example_text().replace(
        'name = "crossing"\nat_m = [0, 43]', 'name = "crossing"\nat_m = [0, 43]\nfloor_m = 30'
    )
    plan = compute(parse_visit(text, Path("visit.toml")))
    for before, stop in pairwise(plan.timetable.stops):
        a, b = (next(s for s in plan.visit.station if s.name == p.station) for p in (before, stop))
        level = ((a.at_m[0] - b.at_m[0]) ** 2 + (a.at_m[1] - b.at_m[1]) ** 2) ** 0.5
        climb = abs((a.floor_m or 0) - (b.floor_m or 0))
        assert stop.walk_s == pytest.approx(level / 0.7 + climb / 0.15)
        assert stop.start >= before.end + stop.walk_s - 1e-6
    assert max(stop.walk_s for stop in plan.timetable.stops) > 200


def test_quiet_hours_are_for_what_shows_the_floor() -> None:
    text = example_text().replace("first = true", "first = false")
    plan = compute(parse_visit(text, Path("visit.toml")))
    nave = next(s for s in plan.timetable.stops if s.view == "nave to the altar")
    assert nave.quiet


def test_a_date_on_which_the_house_is_shut_offers_the_next_open_one() -> None:
    text = example_text().replace('tripod = "no"', 'closed = [2027-04-20, 2027-04-21]\ntripod = "no"', 1)
    with pytest.raises(
        UserError, match="closed on Tuesday, 20 April 2027, by closed; the next open day is 2027-04-22"
    ):
        parse_visit(text, Path("visit.toml"))
