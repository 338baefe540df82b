"""A church in numbers in the southern half of the earth, beyond the polar circle, and where the clocks change."""

from __future__ import annotations

from datetime import date
from itertools import pairwise
from pathlib import Path

import pytest
from test_church import CRUCIFORM, HEAD

from clerestory.plan.card import card_data, card_pdf
from clerestory.plan.model import Visit, parse_visit
from clerestory.plan.reckoning import compute
from clerestory.visit.journal import Journal
from clerestory.web.plan_drawing import PlanDrawing


def visit_at(latitude: float, longitude: float, zone: str, day: str, axis: float = 90.0) -> Visit:
    text = HEAD.replace("54.312", str(latitude)).replace("-1.154", str(longitude)).replace("Europe/London", zone)
    numbers = CRUCIFORM.replace("axis_deg = 81.5", f"axis_deg = {axis}")
    return parse_visit(text.replace("2027-04-20", day) + numbers, Path("visit.toml"))


@pytest.mark.parametrize(
    ("latitude", "longitude", "zone", "day", "sun", "lit"),
    [
        (-33.87, 151.2, "Australia/Sydney", "2027-06-21", "up 07:00–16:54", "south"),
        (69.65, 18.96, "Europe/Oslo", "2027-12-21", "does not rise", "north"),
        (69.65, 18.96, "Europe/Oslo", "2027-06-21", "does not set", "north"),
        (0.0, -78.5, "America/Guayaquil", "2027-03-20", "up", "north"),
        (54.3, -1.15, "Europe/London", "2027-03-28", "up 06:4", "north"),
    ],
)
def test_card_of_a_church_anywhere(
    latitude: float, longitude: float, zone: str, day: str, sun: str, lit: str
) -> None:
    """Sydney's sunrise and sunset at the solstice, 07:00 and 16:54: Geoscience Australia's tables, from memory."""
    plan = compute(visit_at(latitude, longitude, zone, day))
    data = card_data(plan)
    assert dict(data["times"])["Sun"].replace("\u2060", "").startswith(sun)
    assert any(v.name == f"{lit} arcade" for v in plan.visit.view)
    clocks = [v["time"] for v in data["views"] if v["start_s"] is not None]
    assert clocks == sorted(clocks) and clocks and clocks[0] >= "09:00" and clocks[-1] < "17:00"
    if sun == "does not rise":
        assert data["sun"] == []
    if latitude < -30:  # the sun stands in the north: it comes through the north windows at noon
        north = next(row for row in data["sun"] if row[1].startswith("north clerestory"))
        assert "±" in north[2] and not any(row[1].startswith("south clerestory") for row in data["sun"])
    assert card_pdf(plan, data).startswith(b"%PDF-")


def test_the_strip_of_a_day_on_which_the_clocks_change(tmp_path: Path) -> None:
    visit = visit_at(54.3, -1.15, "Europe/London", "2027-04-20")
    drawing = PlanDrawing(tmp_path, Journal(tmp_path), lambda: compute(visit), lambda: None)
    for day, minutes in ((date(2027, 3, 28), 23 * 60), (date(2027, 10, 31), 25 * 60), (date(2027, 6, 1), 24 * 60)):
        strip = drawing.strips(visit, day)
        assert strip["minutes"] == minutes
        hours = strip["hours"]
        assert [label for _, label in hours][:4] == ["00", "03", "06", "09"]
        assert hours[2][0] == 6 * 60 + minutes - 24 * 60 and all(a[0] < b[0] for a, b in pairwise(hours))
        for row in strip["rows"]:
            spans = [(s["from"], s["to"]) for s in (*row["passes"], *row["floor"])]
            assert all(0 <= a < b <= minutes for a, b in spans), spans
