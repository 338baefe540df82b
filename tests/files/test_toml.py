"""What people write wrong in a text: each mistake told with its line, its place, and what to write instead.

Forms of dates and times as of ISO 8601 and TOML 1.0 (toml.io).
"""

from __future__ import annotations

import re
import tomllib
from datetime import date
from importlib.resources import files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clerestory.errors import Mistakes, UserError
from clerestory.files.dates import date_in, time_in
from clerestory.files.toml import parse_toml
from clerestory.film.model import film_of
from clerestory.finish.recipe import recipe_of
from clerestory.plan.model import parse_visit
from clerestory.visit.about import abouts_of

EXAMPLE_TEXT = files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")


def visit_with(line: str, wrong: str) -> str:
    """The worked example with one line written otherwise."""
    assert re.search(line, EXAMPLE_TEXT, re.M), line
    return re.sub(line, lambda _: wrong, EXAMPLE_TEXT, count=1, flags=re.M)


RECIPE = "exposure = 0.3\nplumb = 1.0\n"
FILM = 'title = "A"\n\n[[shots]]\npicture = "view-01"\nseconds = 7.0\n'
ABOUT = '[visit]\ntitle = "A"\nplace = "B"\n'
# Ten kinds of slips: dates, times, quotes, numbers, units, words, names, brackets, signs, ranges. For each: the text,
# what reads it, the line, the place that must be named, and what must be offered instead.
WRONG = [
    *[(visit_with(r"^date = .*$", f"date = {said}"), parse_visit, "date", "2027-04-20") for said in (
        "20 April 2027", "April 20, 2027", "20.04.2027", "20.4.2027", "2027/04/20", "Tuesday, 20 April 2027",
        '"20 April 2027"')],
    *[(visit_with(r"^arrive = .*$", f"arrive = {said}"), parse_visit, "arrive", "09:30:00") for said in (
        "09:30", "9:30", "9.30h", "9h30", "9:30 am", "09.30 AM")],
    *[(f"plumb = 1.0\nexposure = {said}\n", recipe_of, "exposure", right) for said, right in (
        ("0,3", "0.3"), ("-0,5", "-0.5"), (".3", "0.3"), ("1.", "1.0"), ("03", "3"), ("1/3", "0.3333"))],
    *[(f"{ABOUT}caption = {said}\n", abouts_of, "caption", right) for said, right in (
        ("\u201cThe rose\u201d", '"The rose"'), ("\u2018The rose\u2019", "'The rose'"),
        ("\u201eThe rose\u201c", '"The rose"'),
        ("The rose", '"The rose"'), ('"The rose', '"The rose"'), ("'The rose", "'The rose'"),
        ('"The "great" rose"', "'The \"great\" rose'"))],
    *[(visit_with(r"^length_m = .*$", f"length_m = {said}"), parse_visit, "length_m", right) for said, right in (
        ("62 m", "62"), ("62m", "62"), ("62,5 m", "62.5"), ("62 % ", "62"), ('"62 m"', "62"))],
    *[(FILM.replace("seconds = 7.0", said), film_of, "", right) for said, right in (
        ("seconds: 7.0", "seconds = 7.0"), ("seconds 7.0", "seconds = 7.0"), ("seconds = 7 s", "7"),
        ("move = Push", '"Push"'),
        ("whole = True", "true"), ("whole = yes", '"yes"'))],
    *[(f"{said} = 0.5\n", recipe_of, said, right) for said, right in (
        ("exposur", "exposure"), ("windowhold", "window_hold"), ("shade_lifting", "shade_lift"),
        ("de_noise", "denoise"),
        ("warmth", "colour_temperature"), ("local-contrast", "local_contrast"))],
    *[(f"{said}\ntitle = \"A\"\n", abouts_of, "", right) for said, right in (
        ("[visit", "[visit]"), ("visit]", "name = value"), ("[visit]]", "[visit]"), ("[[visit]", "[[visit]]"),
        ("[my visit]", "['my visit']"))],
    *[(f"plumb = 1.0\ncrop = {said}\n", recipe_of, "crop", right) for said, right in (
        ("[0.1 0.2]", "[0.1, 0.2]"), ("[0.1, 0.2", "[0.1, 0.2]"), ("[0.1; 0.2]", "[0.1, 0.2]"), ("[0,1, 0,2]", "0.3"),
        ("0.1", "[1.0, 2.0]"), ("", "value"))],
    *[(f"{said}\n", recipe_of, "", right) for said, right in (
        ("exposure = 60", "at most 6"), ("window_hold = -1", "at least 0"), ("plumb = 2", "at most 1"),
        ("colour_temperature = 500", "at least 1500"), ('aspect = "5:7"', "16:9"),
        ("exposure = inf", "finite|at most"))],
]  # fmt: skip


@pytest.mark.parametrize(("text", "read", "place", "right"), WRONG)
def test_a_slip_is_told_with_line_place_and_what_to_write(text: str, read, place: str, right: str) -> None:
    with pytest.raises(Mistakes) as caught:
        read(text, Path("a.toml"))
    first = caught.value.found[0]
    assert first.line > 0 and first.place.endswith(place)
    assert right in first.what or re.search(right, first.what), first.what
    for technical in ("TOML", "Expected", "Invalid", "extra inputs", "valid integer", "type="):
        assert technical not in str(caught.value)


def test_there_are_sixty_of_them() -> None:
    assert len(WRONG) >= 60


def test_a_line_that_is_no_toml_and_one_that_says_too_much_are_told_together() -> None:
    with pytest.raises(Mistakes) as caught:
        recipe_of("plumb = 3\nexposure = 0,5\n", Path("a.toml"))
    assert [(m.line, m.place) for m in caught.value.found] == [(1, "plumb"), (2, "exposure")]


def test_all_mistakes_of_a_text_are_told_at_once() -> None:
    text = visit_with(r"^date = .*$", "date = 20 April 2027").replace("arrive = ", "arrive = 9h30 # ", 1)
    text = re.sub(r"^width_m = .*$", "width_m = 12,5", text, count=1, flags=re.M)
    with pytest.raises(Mistakes) as caught:
        parse_visit(text, Path("visit.toml"))
    assert [m.place for m in caught.value.found] == ["date", "arrive", "width_m"]
    assert [m.line for m in caught.value.found] == sorted(m.line for m in caught.value.found)


@given(st.dates(date(1000, 1, 1)))
def test_a_date_in_words_is_read_as_what_it_says(day: date) -> None:
    for form in ("%d %B %Y", "%B %d, %Y", "%d.%m.%Y", "%Y/%m/%d", "%A, %d %b %Y"):
        assert date_in(day.strftime(form)) == day.isoformat()


def test_a_date_that_can_be_read_two_ways_is_not_guessed() -> None:
    assert (
        date_in("04/05/2027") == ""
        and date_in("20/04/2027") == "2027-04-20"
        and date_in("04/20/2027") == "2027-04-20"
    )
    assert time_in("12:00 am") == "00:00:00" and time_in("25:00") == "" and time_in("9") == ""


@given(st.text(max_size=300))
def test_no_text_is_read_as_what_it_is_not(text: str) -> None:
    """Whatever stands there: what the parser reads is read, everything else is refused in words."""
    try:
        expected = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError):
        with pytest.raises(UserError):
            parse_toml(text, Path("a.toml"))
    else:
        assert str(parse_toml(text, Path("a.toml"))) == str(expected)
