"""Cautions: each appears where a plan calls for it and not otherwise, and in everything that a plan shows."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from visits import example, example_text

from clerestory.plan.card import card_data
from clerestory.plan.care import STAFF, Circumstances, cautions, circumstances, has_steps, is_high, view_cautions
from clerestory.plan.model import Allowed, RoomTable, StationTable, parse_visit
from clerestory.plan.reckoning import Plan, compute
from clerestory.plan.report import report_html

ALWAYS = {
    "Eyes",
    "Walking backwards",
    "Worshippers",
    "Children and privacy",
    "Funerals and weddings",
    "Flash",
    "Naked flames",
    "Exits",
    "Working alone",
    "Bag and straps",
    "Tripod",
    "Drones",
    "Permit",
}


@pytest.fixture(scope="module")
def plan() -> Plan:
    return compute(example())


def topics(c: Circumstances) -> set[str]:
    return {caution.topic for caution in cautions(c)}


@pytest.mark.parametrize(
    ("change", "topic"),
    [
        ({"sun": ("west rose, 13:20–16:30",)}, "Sun"),
        ({"looking_up": ("nave vault",)}, "Looking up"),
        ({"high": ("organ loft",)}, "Height"),
        ({"steps": ("crypt",)}, "Steps"),
        ({"bells": True}, "Bells"),
    ],
)
def test_a_caution_appears_where_it_applies_and_only_there(change: dict[str, object], topic: str) -> None:
    assert topics(Circumstances()) == ALWAYS
    assert topics(replace(Circumstances(), **change)) == ALWAYS | {topic}  # type: ignore[arg-type]
    named = change.get(next(iter(change)))
    if isinstance(named, tuple):
        assert named[0] in next(c.text for c in cautions(replace(Circumstances(), **change)) if c.topic == topic)  # type: ignore[arg-type]


@pytest.mark.parametrize(("answer", "word"), [("no", "not here"), ("ask", "ask first"), ("yes", "allowed")])
def test_flash_and_tripod_follow_the_building(answer: Allowed, word: str) -> None:
    found = {c.topic: c.text for c in cautions(Circumstances(tripod=answer, flash=answer, drone=answer))}
    assert found["Flash"].startswith(word) and found["Tripod"].startswith(word)
    assert "paintings and textiles" in found["Flash"], "the reason is told whatever the answer"
    assert ("aviation law" in found["Drones"]) == (answer != "no")


@pytest.mark.parametrize(
    ("station", "high"),
    [
        (StationTable(name="pulpit", at_m=(0, 0), floor_m=2.1), True),
        (StationTable(name="step", at_m=(0, 0), floor_m=1.9), False),
        (StationTable(name="west end", at_m=(0, 0), eye_m=8.2), True),
        (StationTable(name="arms up", at_m=(0, 0), eye_m=2.4), False),
        (StationTable(name="organ loft", at_m=(0, 0)), True),
        (StationTable(name="below the gallery", at_m=(0, 0), floor_m=0), False),
        (StationTable(name="crossing", at_m=(0, 0)), False),
    ],
)
def test_standing_high_is_told_by_height_then_by_name(station: StationTable, high: bool) -> None:
    assert is_high(station) == high


def test_steps_are_told_by_the_file_then_by_name() -> None:
    rooms = [RoomTable(name=n, length_m=5, width_m=5, height_m=3) for n in ("crypt", "Tower stair", "nave")]
    assert [has_steps(r) for r in rooms] == [True, True, False]
    assert not has_steps(rooms[0].model_copy(update={"steps": False}))
    assert has_steps(rooms[2].model_copy(update={"steps": True}))


def test_the_example_calls_for_what_its_plan_shows(plan: Plan) -> None:
    found = circumstances(plan)
    assert set(found.looking_up) == {"nave vault", "angel boss"}
    assert {v.view.name for v in plan.views if v.framing.tilt > 30} == set(found.looking_up)
    assert found.high == () and found.steps == ()
    assert found.bells, "a service falls on the day"
    ((start, end),) = plan.day.passes["west rose"]
    assert plan.clock(end) > f"{plan.visit.visit.leave:%H:%M}" > plan.clock(start), "the day chosen shows the cut"
    assert f"west rose, {plan.clock(start)}–{plan.visit.visit.leave:%H:%M}" in found.sun
    assert not any(w.startswith("north clerestory 3") for w in found.sun)


def test_a_gallery_a_crypt_and_a_day_without_services_or_sun() -> None:
    text = re.sub("^date = .*$", "date = 2027-12-21", example_text(), count=1, flags=re.M)  # a Tuesday
    for old, new in (
        ('name = "nave"\n', 'name = "crypt"\n'),
        ('room = "nave"\n', 'room = "crypt"\n'),
        ("at_m = [0, 43]\n", "at_m = [0, 43]\nfloor_m = 5.5\n"),
        ("latitude_deg = 54.3120", "latitude_deg = 69"),
        ('"mon", "tue", "wed", "thu", "fri", "sat"]\nfrom = 12:00:00', '"mon"]\nfrom = 12:00:00'),
    ):
        assert old in text
        text = text.replace(old, new)
    there = compute(parse_visit(text, Path("visit.toml")))
    found = circumstances(there)
    assert found.high == ("crossing",) and found.steps == ("crypt",)
    assert not found.bells and found.sun == ()
    high = [v for v in there.views if v.framing.station == "crossing"]
    assert high and all(any("guard rail" in line for line in view_cautions(there, v)) for v in high)
    assert high[0].aim.eye[2] == pytest.approx(5.5 + 1.6), "the lens stands on the gallery"
    assert not any("Sun in" in line for v in there.views for line in view_cautions(there, v))


def test_sun_is_told_at_the_views_whose_frame_holds_the_window(plan: Plan) -> None:
    lines = {v.view.name: " ".join(view_cautions(plan, v)) for v in plan.views}
    assert "Sun in west rose, " in lines["west rose"] and "lens down" in lines["west rose"]
    assert "Sun in east window, " in lines["east window"] and "west rose" not in lines["east window"]
    # The windows behind the camera, through which the sun falls on the picture, are no danger to the eye.
    assert "Sun in" not in lines["sun on the north arcade"]
    assert "Stand still" in lines["nave vault"] and "Stand still" not in lines["east window"]
    assert not any("look for the sun" in line.lower() for line in lines.values())


def test_report_and_card_show_every_caution_and_who_decides(plan: Plan) -> None:
    page, card = report_html(plan), card_data(plan)
    assert [topic for topic, _ in card["cautions"]] == [c.topic for c in cautions(circumstances(plan))]
    assert card["staff"] == STAFF
    for caution in cautions(circumstances(plan)):
        assert f"<b>{caution.topic}:</b>" in page
    assert "The building&#x27;s staff decide" in page


def test_the_card_speaks_the_visits_language(plan: Plan) -> None:
    day = plan.visit.visit.model_copy(update={"language": "de"})
    german = card_data(replace(plan, visit=plan.visit.model_copy(update={"visit": day})))
    assert german["date"] == "Dienstag, 20. April 2027" and german["words"]["care"] == "Vorsicht"
    assert len(german["cautions"]) == len(card_data(plan)["cautions"])
    assert not {topic for topic, _ in german["cautions"]} & {topic for topic, _ in card_data(plan)["cautions"]}
    assert any(re.search(r"\d,\d", text) for view in german["views"] for _, text in view["lines"])
