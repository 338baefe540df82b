"""Names that every system takes. The rules: Microsoft, "Naming Files, Paths, and Namespaces"; Unicode Annex 15."""

from __future__ import annotations

import ntpath
from pathlib import Path, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clerestory.files.names import LONGEST, cut, folded, free_name, legal_name, relative_url

# From Python 3.13 on a function of its own.
reserved = getattr(ntpath, "isreserved", lambda name: PureWindowsPath(name).is_reserved())


@given(st.text(max_size=200))
def test_any_words_become_a_name_that_every_system_takes(words: str) -> None:
    name = legal_name(words)
    assert name and not set(name) & set('<>:"/\\|?*') and min(map(ord, name)) >= 32
    assert name[-1] not in ". " and name[0] not in ". "
    assert not reserved(name)  # the standard library's own reading of the rules
    assert len(name.encode()) <= LONGEST + 1
    assert legal_name(name) == name


@pytest.mark.parametrize(
    ("words", "name"),
    [
        ("Nave: west end, 16:9", "Nave- west end, 16-9"), ("con", "con_"), ("NUL.tar.gz", "NUL_.tar.gz"),
        ("com¹", "com¹_"), ("console", "console"), ("../../etc", "-..-etc"), ("the end...", "the end"),
        ("", "unnamed"), ("...", "unnamed"), ("a\0b\nc", "a-b-c"), ("cafe\u0301", "caf\u00e9"), ("\ud800", "-"),
    ],
)  # fmt: skip
def test_names_of_words(words: str, name: str) -> None:
    assert legal_name(words) == name


def test_names_that_are_one_name_somewhere_fold_into_one() -> None:
    assert folded("Quire.jpg") == folded("quire.JPG")
    assert folded("Abside e\u0301.tif") == folded("abside \u00e9.TIF")
    assert folded("quire-1") != folded("quire-2")


def test_a_free_name_does_not_hide_behind_capitals() -> None:
    taken = {folded("P1.DNG"), folded("p1-2.dng")}
    assert free_name("p1.dng", taken) == "p1-3.dng"
    assert free_name("other.dng", taken) == "other.dng"
    assert free_name("P", {"p"}) == "P-2"


def test_cutting_keeps_whole_letters() -> None:
    assert cut("éé", 3) == "é" and cut("abc", 9) == "abc" and len(cut("堂" * 90, 120).encode()) == 120


def test_urls_from_a_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert relative_url(tmp_path / "pictures" / "a b.jpg", tmp_path / "film") == "../pictures/a%20b.jpg"

    def other_drive(path: Path, start: Path) -> str:
        raise ValueError("path is on mount 'D:', start on mount 'C:'")

    monkeypatch.setattr("os.path.relpath", other_drive)
    assert relative_url(tmp_path / "a b.jpg", tmp_path) == (tmp_path / "a b.jpg").resolve().as_uri()
