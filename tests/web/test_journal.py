"""Undo and redo over files, through crashes and changes made elsewhere."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.errors import UserError
from clerestory.visit.journal import Journal

FILE = "recipes/view-01.toml"


def text(root: Path, name: str = FILE) -> str | None:
    path = root / name
    return path.read_text(encoding="utf-8") if path.exists() else None


def test_back_and_forth(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    assert journal.commit("finish", "one", {FILE: "a"})
    assert journal.commit("finish", "two", {FILE: "b", "recipes/view-02.toml": "x"})
    assert not journal.commit("finish", "nothing", {FILE: "b"})
    assert journal.undo("finish").said == "two"  # type: ignore[union-attr]
    assert (text(tmp_path), text(tmp_path, "recipes/view-02.toml")) == ("a", None)
    journal.undo("finish")
    assert text(tmp_path) is None and journal.undo("finish") is None
    again = Journal(tmp_path)  # as after a restart
    assert again.ahead("finish") == {"undo": "", "redo": "one"}
    again.redo("finish")
    again.redo("finish")
    assert text(tmp_path) == "b" and again.redo("finish") is None
    assert again.undo("film") is None


def test_one_gesture_is_one_step(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    for value in "abc":
        journal.commit("finish", "exposure", {FILE: value}, "drag-1")
    journal.commit("finish", "exposure", {FILE: "d"}, "drag-2")
    Journal(tmp_path).undo("finish")
    assert text(tmp_path) == "c"
    journal = Journal(tmp_path)
    journal.undo("finish")
    assert text(tmp_path) is None


def test_a_crash_between_journal_and_file_is_made_good(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.commit("finish", "one", {FILE: "a"})
    journal.commit("finish", "two", {FILE: "b"})
    (tmp_path / FILE).write_text("a", encoding="utf-8")  # the journal has the step, the file not yet
    Journal(tmp_path)
    assert text(tmp_path) == "b"


def test_a_line_cut_short_is_passed_over(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.commit("finish", "one", {FILE: "a"})
    with journal.path.open("ab") as file:
        file.write(b'{"do":"change","number":2,"sco')
    again = Journal(tmp_path)
    again.commit("finish", "two", {FILE: "b"})
    third = Journal(tmp_path)
    third.undo("finish")
    third.undo("finish")
    assert text(tmp_path) is None


def test_what_was_changed_elsewhere_is_kept(tmp_path: Path) -> None:
    journal = Journal(tmp_path)
    journal.commit("finish", "one", {FILE: "a"})
    (tmp_path / FILE).write_text("by hand", encoding="utf-8")
    heard: list[object] = []
    with pytest.raises(UserError, match="changed outside"):
        journal.undo("finish", heard.append)
    assert text(tmp_path) == "by hand" and not heard, "nothing is said to come that is refused"


def test_what_a_step_will_write_is_told_before_it_is_written(tmp_path: Path) -> None:
    journal, heard = Journal(tmp_path), []
    journal.commit("finish", "one", {FILE: "a"})
    journal.undo("finish", lambda texts: heard.append((texts, text(tmp_path))))
    journal.redo("finish", lambda texts: heard.append((texts, text(tmp_path))))
    assert heard == [({FILE: None}, "a"), ({FILE: "a"}, None)]


@settings(max_examples=25, deadline=None)
@given(st.lists(st.sampled_from(["a", "b", "c", "undo", "redo", "restart"]), max_size=12))
def test_as_a_list_with_a_finger_in_it(tmp_path_factory: pytest.TempPathFactory, steps: list[str]) -> None:
    root = tmp_path_factory.mktemp("journal")
    journal, states, finger = Journal(root), [None], 0
    for step in steps:
        if step == "restart":
            journal = Journal(root)
        elif step == "undo":
            journal.undo("finish")
            finger = max(0, finger - 1)
        elif step == "redo":
            journal.redo("finish")
            finger = min(len(states) - 1, finger + 1)
        elif step != states[finger]:
            journal.commit("finish", step, {FILE: step})
            states[finger + 1 :] = [step]  # type: ignore[list-item]
            finger += 1
        assert text(root) == states[finger]
