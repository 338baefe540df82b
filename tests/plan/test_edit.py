"""A visit's text changed by hand on the map: only what was touched changes."""

from __future__ import annotations

import difflib
import random
import tomllib
from pathlib import Path

import pytest
from test_church import CRUCIFORM, HEAD
from visits import example_text

from clerestory.errors import UserError
from clerestory.files.toml_edit import retold
from clerestory.plan.edit import Change, edited
from clerestory.plan.model import Visit, parse_visit


def read(text: str) -> Visit:
    return parse_visit(text, Path("visit.toml"))


def changed(text: str, *changes: Change) -> tuple[list[str], list[str]]:
    """Lines taken away and lines put in; the new text is a visit."""
    new = edited(text, read(text), changes)
    read(new)
    lines = list(difflib.ndiff(text.splitlines(), new.splitlines()))
    return [x[2:] for x in lines if x[0] == "-"], [x[2:] for x in lines if x[0] == "+"]


def test_a_point_moved_changes_one_line_and_keeps_comments() -> None:
    text = example_text()
    out, put = changed(text, Change("station", "crossing", {"at_m": [0.5, 42.25]}))
    assert (out, put) == (["at_m = [0, 43]"], ["at_m = [0.5, 42.25]"])
    out, put = changed(text, Change("place", "", {"axis_deg": 83.25}))
    assert out[0].split("#")[1] == put[0].split("#")[1] and put[0].index("#") == out[0].index("#")
    swapped = text.replace("[[station]]", "[[view]]\nname = 'w'\nroom = 'nave'\ncentre_m = [\n  0,\n  1, # low\n 2]\n"
                           "width_m = 1\nheight_m = 1\n\n[[station]]", 1)  # fmt: skip
    out, put = changed(swapped, Change("view", "w", {"centre_m": [0, 1, 3]}))
    assert put == ["centre_m = [0, 1, 3]"]


def test_what_was_assumed_gets_its_own_table_as_far_off_as_it_is() -> None:
    text = HEAD + CRUCIFORM
    before = next(w for w in read(text).window if w.name == "south clerestory 2")
    out, put = changed(text, Change("window", "south clerestory 2", {"along_m": 9.5}))
    new = read(edited(text, read(text), [Change("window", "south clerestory 2", {"along_m": 9.5})]))
    row = next(w for w in new.window if w.name == "south clerestory 2")
    assert out == [] and put[0:2] == ["", "[[window]]"] and row.along_m == 9.5 and not row.assumed
    assert (
        row.off.along_m == 0 and row.off.width_m == before.off.width_m and len(new.window) == len(read(text).window)
    )


def test_what_is_taken_away_is_forgotten_everywhere() -> None:
    text = example_text()
    new = read(edited(text, read(text), [Change("station", "crossing", drop=True)]))
    assert "crossing" not in {s.name for s in new.station} and not any("crossing" in v.stations for v in new.view)
    church = HEAD + CRUCIFORM
    out, put = changed(church, Change("window", "west window", drop=True))
    assert (out, put) == ([], ['without = ["west window"]'])
    with pytest.raises(UserError, match="may be gone already"):
        edited(text, read(text), [Change("window", "none such", drop=True)])


def test_a_new_name_is_taken_up_by_what_names_it() -> None:
    new = edited(example_text(), read(example_text()), [Change("window", "west rose", {"name": "great rose"})])
    assert next(v for v in read(new).view if v.name == "west rose").windows == ("great rose",)


def test_any_change_says_just_what_was_asked() -> None:
    """Against Python's own TOML reader, over changes drawn at random."""
    rng, text = random.Random(4), example_text()
    for _ in range(60):
        data = tomllib.loads(text)
        kind = rng.choice(["room", "window", "station", "view", "body", "lens", "bag"])
        row = rng.choice(data[kind])
        match rng.randrange(4):
            case 0:
                row["note"] = rng.choice(["a # b", 'said "so"', "", "[x]"])
            case 1:
                name = rng.choice([k for k in row if k != "name"])
                row[name] = rng.choice([1.5, 2, True, [1, 2.25], {"a": 1, "b": [2]}, "x = 1"])
            case 2:
                data[kind] = [r for r in data[kind] if r is not row] or data[kind]
            case _:
                data[kind].append({"name": f"new {rng.random()}", "at": [1, 2]})
        text = retold(text, data)
        assert tomllib.loads(text) == data


def test_an_inner_table_is_set_and_taken_away_again() -> None:
    text = example_text()
    drawing = {"file": "drawings/a.jpg", "points_px": [[1, 2], [3, 4]], "points_m": [[0, 0], [0, 70]]}
    new = edited(text, read(text), [Change("place", "", {"drawing": drawing})])
    assert read(new).place.drawing is not None
    assert edited(new, read(new), [Change("place", "", {"drawing": None})]) == text
