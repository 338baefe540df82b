"""The guide: its examples run, it names every message, and its pictures are those that the script makes."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest
from docs import messages, pictures
from tests.small_visit import small_visit

from clerestory.plan.run import new_visit

ROOT = Path(__file__).resolve().parent.parent
PAGES = [*sorted((ROOT / "docs").rglob("*.md")), ROOT / "README.md"]


def test_every_message_of_the_program_is_in_the_guide() -> None:
    """`python docs/messages.py` writes them anew."""
    text = messages.PAGE.read_text(encoding="utf-8")
    assert messages.page_with(text, messages.messages()) == text
    assert sum(map(len, messages.messages().values())) > 300


def test_the_guide_shows_the_pictures_that_the_script_makes() -> None:
    shown, quoted = set(), set()
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        shown |= {Path(link).name for link in re.findall(r"!\[[^\]]*\]\(([^)\s]+)\)", text)}
        quoted |= set(re.findall(r'--8<-- "([^"]+)"', text))
    assert shown == set(pictures.PICTURES) and quoted == set(pictures.ANSWERS)
    there = {path.name: path.stat().st_size for path in pictures.INTO.iterdir()}
    assert there.keys() == shown | quoted
    assert len(shown) < 25 and all(0 < size <= pictures.LARGEST for size in there.values())


def test_links_to_files_lead_somewhere() -> None:
    """Those of docs/ among themselves mkdocs checks; these are the README's and the notes' beside it."""
    for page in ("README.md", "CONTRIBUTING.md", "CHANGELOG.md", "SECURITY.md"):
        links = re.findall(r"\]\(([^)#\s]+)", (ROOT / page).read_text(encoding="utf-8"))
        assert [link for link in links if "://" not in link and not (ROOT / link).exists()] == []


def test_what_the_guide_shows_from_python_is_what_it_prints(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    small_visit(tmp_path / "visit")
    new_visit(tmp_path / "plan" / "visit.toml")
    monkeypatch.chdir(tmp_path)
    failed, tried = doctest.testfile(
        str(ROOT / "docs" / "python.md"), module_relative=False, optionflags=doctest.ELLIPSIS, encoding="utf-8"
    )
    assert failed == 0 and tried > 20


def test_the_picture_of_the_house_names_every_file() -> None:
    """Each row of ARCHITECTURE's table is a room; a file that it does not name is one that nobody finds."""
    text = (ROOT / "docs" / "ARCHITECTURE.md").read_text(encoding="utf-8")
    missing = []
    for room in sorted(p.parent for p in (ROOT / "src" / "clerestory").glob("*/__init__.py")):
        row = next((line for line in text.splitlines() if line.startswith(f"| `{room.name}/`")), "")
        named = set(re.findall(r"`([a-z_]+)`", row))
        missing += [f"{room.name}/{f.name}" for f in room.glob("*.py") if f.stem not in {*named, "__init__"}]
    assert missing == []
