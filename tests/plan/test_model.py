"""The visit file: the example is sound, and every complaint names line and field."""

from __future__ import annotations

from pathlib import Path

import pytest
from visits import example, example_text

from clerestory.errors import UserError
from clerestory.files.mistakes import line_map
from clerestory.plan.model import parse_visit, read_visit
from clerestory.plan.run import new_visit


def test_example_reads_and_is_written_once(tmp_path: Path) -> None:
    path = new_visit(tmp_path / "visit.toml")
    visit = read_visit(path)
    assert visit.building.windows[0].faces == pytest.approx(261.5)
    assert len(visit.view) >= 8
    with pytest.raises(UserError, match="already a file"):
        new_visit(path)


@pytest.mark.parametrize(
    ("old", "new", "field", "complaint"),
    [
        ("width_m = 13\nheight_m = 21", "width_m = -13\nheight_m = 21", "room 1, width_m", "greater than 0"),
        ('wall = "west"', 'wall = "up"', "window 1, wall", "'east', 'west', 'north' or 'south'"),
        ("focal_mm = 8", 'focal_mm = "eight"', "lens 3, focal_mm", "must be a number"),
        ("at_m = [0, 20]", "at_m = [50, 20]", "station 2, at_m", "lies in no room"),
        ('time_zone = "Europe/London"', 'time_zone = "Europe/Londo"', "place, time_zone", "no time zone"),
        ("head_m = 17", "head_m = 27", "window 1, head_m", "above the room's ceiling"),
        ("longitude_deg = -1.1540", "longitude_deg = 190", "place, longitude_deg", "at most 180"),
        ('lenses = ["short zoom"]', 'lenses = ["shrt zoom"]', "bag 1, lenses", "no lens is called 'shrt zoom'"),
        ("width_m = 13\nheight_m = 19", "width_m = inf\nheight_m = 19", "view 1, width_m", "finite number"),
        ("arrive = 09:30:00", 'arrive = "09:30:00+02:00"', "visit, arrive", "by the place's own clock"),
        ("axis_deg = 81.5", 'footprint = "none.json"', "place, footprint", "cannot read this footprint"),
        (
            "axis_deg = 81.5",
            "west_end_deg = [1, 2]\neast_end_deg = [1, 2]",
            "place, west_end_deg",
            "less than a metre",
        ),
        ("stone_cd_m2 = 3\n", "stone_cd = 3\n", "view 4, stone_cd", "not a field known here"),
        ('aspect = "3:4"', 'shape = "3:4"', "view 1, shape", "is now called 'aspect'"),
    ],
)
def test_complaints_name_line_and_field(old: str, new: str, field: str, complaint: str) -> None:
    text = example_text()
    assert old in text
    wrong = text.replace(old, new, 1)
    at = wrong[: wrong.index(new)].count("\n") + 1
    with pytest.raises(UserError) as caught:
        parse_visit(wrong, Path("visit.toml"))
    first = str(caught.value).splitlines()[0]
    assert first.startswith(f"visit.toml, line {at}, {field}: ") and complaint in first


def test_missing_field_names_its_table() -> None:
    text = example_text().replace("from = 12:30:00\n", "", 1)
    with pytest.raises(UserError, match=r"line \d+, place, open 2, from: is missing"):
        parse_visit(text, Path("visit.toml"))


def test_broken_toml_and_unreadable_file(tmp_path: Path) -> None:
    with pytest.raises(UserError, match=r"line 2, title: has no value"):
        parse_visit("[visit]\ntitle = \n", Path("visit.toml"))
    with pytest.raises(UserError, match="no such visit file"):
        read_visit(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"title = '\xe9'")
    with pytest.raises(UserError, match="UTF-8"):
        read_visit(tmp_path / "latin.toml")


def test_lines_are_found_past_arrays_strings_and_comments() -> None:
    text = (
        'a = [\n  1, # ]\n  2,\n]\nb = """\nc = 1\n"""\n[t]\nd = "[x]"\n'
        "[[u]]\ne = 1\n[[u]]\ne = {f = 2}\n[[u.w]]\ng = 3\n"
    )
    lines = line_map(text)
    assert lines[("b",)] == 5 and ("c",) not in lines and lines[("t", "d")] == 9
    assert lines[("u", 1, "e")] == 13 and lines[("u", 1, "w", 0, "g")] == 15


def test_axis_from_two_ends() -> None:
    ends = "west_end_deg = [54.31200, -1.15460]\neast_end_deg = [54.31212, -1.15352]\n"
    text = example_text().replace("axis_deg = 81.5 ", ends + "#", 1)
    assert parse_visit(text, Path("visit.toml")).axis == pytest.approx(79.2, abs=0.3)
    with pytest.raises(UserError, match="give the axis once"):
        parse_visit(example_text().replace("axis_deg = 81.5", "axis_deg = 81.5\n" + ends, 1), Path("visit.toml"))


def test_noise_defaults_are_stated_per_area() -> None:
    body = example().body[0]
    assert body.full_well == pytest.approx(2400 * (17300 / 5248) ** 2)
    assert body.noise(400).gain[1] == pytest.approx(2 * body.noise(200).gain[1])
