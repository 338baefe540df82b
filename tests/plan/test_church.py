"""A church in ten numbers against the same church described in full."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest
from typer.testing import CliRunner
from visits import example

from clerestory.api import plan_in_full
from clerestory.building.measure import length_of
from clerestory.building.times import SunTimes, sun_times
from clerestory.building.windows import SunTrack, day_span
from clerestory.cli import app
from clerestory.errors import UserError
from clerestory.plan.doubts import doubts_of
from clerestory.plan.in_full import in_full
from clerestory.plan.model import Visit, parse_visit
from clerestory.plan.reckoning import compute, plan_data
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.demo_plan import demo_plan
from clerestory.simulate.scene import Church
from clerestory.simulate.visit import demo_views

HEAD = """[visit]
title = "t"
date = 2027-04-20
arrive = 09:00:00
leave = 17:00:00

[place]
name = "x"
latitude_deg = 54.312
longitude_deg = -1.154
time_zone = "Europe/London"
"""
CRUCIFORM = """
[church]                # as the guidebook has it
type = "cruciform"
length = "230 ft"
width = "42 ft 6 in"
height = 21
bays = 6
aisles = 2
quire = "24 m"
sill = "43 ft"
head = 18
axis_deg = 81.5
"""


def read(text: str) -> Visit:
    return parse_visit(text, Path("visit.toml"))


def test_lengths_as_guidebooks_give_them() -> None:
    """Metres to a foot and an inch: the international yard and pound agreement of 1959, 0.3048 and 0.0254."""
    for text, metres in (("83 ft", 25.2984), ("83' 6\"", 25.4508), ("83 ft 6 in", 25.4508), ("25,3 m", 25.3),
                         (25.3, 25.3), ("25.3 metres", 25.3)):  # fmt: skip
        assert length_of(text, 0.0).metres == pytest.approx(metres, abs=1e-9)
    assert length_of("25 m ± 2 ft", 0.03).off == pytest.approx(0.6096)
    assert length_of(25.3, 0.0).off == pytest.approx(0.05) and length_of("25", 0.03).off > 0.75
    for wrong in ("83 yards", "about 5", "-3 m", "0"):
        with pytest.raises(ValueError, match=r"write it as|above 0"):
            length_of(wrong, 0.0)


def test_what_follows_from_the_numbers_is_a_whole_visit() -> None:
    visit = read(HEAD + CRUCIFORM)
    rooms = {r.name: r for r in visit.room}
    assert set(rooms) == {"nave", "north aisle", "south aisle", "north transept", "south transept", "quire"}
    assert rooms["nave"].length_m + rooms["quire"].length_m == pytest.approx(230 * 0.3048, abs=0.02)
    assert rooms["quire"].west_end_m == (0, rooms["nave"].length_m)
    names = {w.name for w in visit.window}
    assert {f"{s} clerestory {k}" for s in ("north", "south") for k in range(1, 7)} <= names
    assert {"east window", "west window", "south transept window", "south aisle window 6"} <= names
    assert visit.axis == 81.5 and visit.place.axis_off_deg > 0
    assert all(row.assumed for row in (*visit.room, *visit.window, *visit.station, *visit.view))
    plan = compute(visit)
    assert len(plan.timetable.stops) == len(visit.view) >= 7
    assert any(v.spread and v.spread.focal > 0 for v in plan.views)
    assert max(s.off for t in plan.day.times.values() for s in t.floor) > 300


@pytest.mark.parametrize("kind", ["hall", "aisled basilica", "cruciform", "rotunda", "chapel"])
def test_every_type_is_planned_from_four_numbers(kind: str) -> None:
    numbers = f'[church]\ntype = "{kind}"\nlength = "83 ft"\nwidth = "25 ft"\nheight = "33 ft"\naxis_deg = 70\n'
    plan = compute(read(HEAD + numbers))
    assert plan.views and plan.visit.window and not plan.missing


def test_what_is_stated_goes_before_what_is_assumed() -> None:
    own = '[[window]]\nname = "east window"\nroom = "quire"\nwall = "east"\nalong_m = 0\nwidth_m = 3\nsill_m = 5\n' \
          'head_m = 9\n\n[[room]]\nname = "nave"\nlength_m = 44\nwidth_m = 12\nheight_m = 20\n'  # fmt: skip
    without = CRUCIFORM.replace("bays = 6", 'bays = 6\nwithout = ["north aisle", "west window"]')
    visit = read(HEAD + without + own)
    east = next(w for w in visit.window if w.name == "east window")
    assert east.width_m == 3 and not east.assumed and visit.room[0].length_m == 44
    assert "north aisle" not in {r.name for r in visit.room}
    assert not any(w.room == "north aisle" or w.name == "west window" for w in visit.window)
    assert all("west window" not in v.windows for v in visit.view)


def test_the_text_written_out_gives_the_same_plan() -> None:
    text = HEAD + CRUCIFORM
    visit = read(text)
    full = in_full(text, visit)
    assert "[church]" not in full and full.count("[[window]]") == len(visit.window)
    assert in_full(full, read(full)) == full
    plans = [json.dumps(plan_data(compute(v)), sort_keys=True) for v in (visit, read(full))]
    assert plans[0] == plans[1]


def test_slips_in_the_numbers_are_told_by_their_line() -> None:
    for wrong, said in (
        ('height = "21 yards"', "line 17, church, height: is not a length"),
        ("head = 22", "head is above the ceiling"),
        ("quire = 66", "leave no length for the nave"),
        ("axis_deg = 81.5\naxis_deg = 80", "stands twice"),
    ):
        field = wrong.split(" ")[0]
        lines = [wrong if line.startswith(f"{field} =") else line for line in CRUCIFORM.splitlines()]
        with pytest.raises(UserError, match=said):
            read(HEAD + "\n".join(lines) + "\n")
    with pytest.raises(UserError, match="give the axis once"):
        read(HEAD + CRUCIFORM.replace("axis_deg = 81.5\n", ""))


# ---- against buildings described in full

DAYS = [date(2027, month, day) for month, day in ((1, 5), (3, 5), (4, 20), (6, 5), (8, 20), (10, 5), (12, 20))]


def times_of(visit: Visit, day: date) -> dict[str, SunTimes]:
    track = SunTrack.over(day_span(day, visit.zone), 300.0, visit.observer, visit.building)
    return {w.name: sun_times(track, w) for w in visit.building.windows}


def agree(full: SunTimes, said: SunTimes) -> bool:
    """Whether both ends of every span of sun of the window as it is lie within what was said of the assumed one."""
    for own, guessed in ((full.passes, said.passes), (full.floor, said.floor)):
        for span in own:
            near = min(guessed, key=lambda g: abs(g.start + g.end - span.start - span.end), default=None)
            if near is None or abs(near.start - span.start) > near.start_off + 60:
                return False
            if abs(near.end - span.end) > near.end_off + 60:
                return False
        if not own and any(g.sure for g in guessed):
            return False
    return True


def share_that_agrees(full: Visit, short: Visit) -> tuple[int, int]:
    good = total = 0
    for day in DAYS:
        own, said = times_of(full, day), times_of(short, day)
        for window in full.window:
            alike = [w for w in short.window if (w.room, w.wall) == (window.room, window.wall)]
            if alike:
                near = min(alike, key=lambda w: abs((w.along_m or 0) - (window.along_m or 0)))
                good += agree(own[window.name], said[near.name])
                total += 1
    return good, total


def place_of(visit: Visit) -> str:
    points = "".join(f"[[place.skyline]]\nazimuth_deg = {s.azimuth_deg}\naltitude_deg = {s.altitude_deg}\n"
                     for s in visit.place.skyline)  # fmt: skip
    return f"{HEAD}axis_deg = {visit.axis:.2f}\n{points}"


def test_sun_times_of_the_worked_example_from_its_ten_numbers() -> None:
    full = example()
    short = read(place_of(full) + '[church]\ntype = "cruciform"\nlength = 70\nwidth = 13\nheight = 21\nbays = 6\n'
                 'aisles = "south"\ntransept = false\nquire = 24\nsill = 13\nhead = 18\n')  # fmt: skip
    good, total = share_that_agrees(full, short)
    assert total == 6 * len(DAYS) and good >= 0.95 * total


@pytest.mark.parametrize("seed", [1, 4])
def test_sun_times_of_the_demo_church_from_its_ten_numbers(seed: int) -> None:
    church, body = Church(seed), SimulatedCamera(width=864, height=648)
    full = read(demo_plan(church, body, Lens(), demo_views(church, body, 1)))
    nave, high = full.room[0], full.window[0]
    short = read(place_of(full) + f'[church]\ntype = "aisled basilica"\nlength = "{nave.length_m / 0.3048:.0f} ft"\n'
                 f'width = "{nave.width_m:.1f} m"\nheight = "{nave.height_m:.0f} m"\nbays = {int(church.form.bays)}\n'
                 f'sill = "{high.sill_m:.0f} m"\nhead = "{high.head_m:.0f} m"\n')  # fmt: skip
    good, total = share_that_agrees(full, short)
    assert total >= 30 * len(DAYS) and good >= 0.95 * total


def test_a_length_in_feet_read_as_metres_is_asked_about() -> None:
    """Larger English churches are some six times as long as wide: J. Fergusson, A History of Architecture, vol. 2."""
    slip = read(HEAD + CRUCIFORM.replace('length = "230 ft"', "length = 230"))
    assert any("times as long as its nave is wide" in d for d in doubts_of(slip, date(2027, 1, 1)))
    assert not any("as long as" in d for d in doubts_of(read(HEAD + CRUCIFORM), date(2027, 1, 1)))


def test_the_command_writes_the_text_in_full(tmp_path: Path) -> None:
    file, full = tmp_path / "visit.toml", tmp_path / "full.toml"
    file.write_text(HEAD + CRUCIFORM, encoding="utf-8")
    said = CliRunner().invoke(app, ["plan", str(file), "--in-full", str(full)])
    assert said.exit_code == 0 and "[[window]]" in full.read_text(encoding="utf-8")
    with pytest.raises(UserError, match="already a file"):
        plan_in_full(file, full)
