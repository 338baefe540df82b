"""Slips that could be meant are asked about; a day on which the place is closed is refused with the next open one."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from visits import example_text

from clerestory.errors import Mistakes
from clerestory.plan.doubts import doubts_of
from clerestory.plan.model import parse_visit

TODAY = date(2026, 11, 26)


@pytest.mark.parametrize(
    ("old", "new", "asked"),
    [
        ("length_m = 46", "length_m = 1300", "1300 m long"),
        ("focal_mm = [11, 36]", "focal_mm = [1.1, 3.6]", "1.1 to 3.6 mm"),
        ("date = 2027-04-20", "date = 1999-04-20", "1999-04-20 is past"),
        ("date = 2027-04-20", "date = 2207-04-21", "more than three years"),
    ],
)
def test_what_is_hardly_meant_is_asked(old: str, new: str, asked: str) -> None:
    text = example_text()
    assert doubts_of(parse_visit(text, Path("visit.toml")), TODAY) == ()
    assert old in text
    doubts = doubts_of(parse_visit(text.replace(old, new, 1), Path("visit.toml")), TODAY)
    assert any(asked in doubt and doubt.endswith("?") for doubt in doubts)


def test_a_closed_day_is_refused_with_the_next_open_one() -> None:
    text = example_text()
    text = text.replace('days = ["mon", "tue", "wed", "thu", "fri", "sat"]', 'days = ["mon", "wed", "thu"]', 1)
    with pytest.raises(Mistakes, match=r"closed on .* the next open day is 2027-04-21") as caught:
        parse_visit(text, Path("visit.toml"))
    assert caught.value.found[0].place == "visit, date" and caught.value.found[0].line > 0
