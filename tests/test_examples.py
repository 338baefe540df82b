"""The examples run, on small frames, and print something."""

from __future__ import annotations

import json
import runpy
from pathlib import Path

import pytest
from tests.small_visit import small_visit

from clerestory.plan.run import new_visit

EXAMPLES = Path(__file__).resolve().parent.parent / "examples"


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = small_visit(tmp_path_factory.mktemp("examples") / "visit")
    new_visit(folder / "visit.toml")
    return folder


@pytest.mark.parametrize(
    ("name", "words", "said"),
    [
        ("which_way_is_up", ["{visit}"], "view-02"),
        ("three_finishes", ["{visit}/frames/A0.dng", "{visit}/three"], "as held.jpg"),
        ("burst", ["{visit}/frames/A0.dng", "{visit}/frames/A1.dng"], "2 of 2 frames merged"),
        ("order_of_the_day", ["{visit}/visit.toml", "{visit}/plan"], "nave to the altar,west door"),
        ("what_was_used", ["{visit}"], "12 mm   ■■■ 3"),
    ],
)
def test_the_script_runs(
    visit: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    name: str,
    words: list[str],
    said: str,
) -> None:
    monkeypatch.setattr("sys.argv", [name, *(word.format(visit=visit) for word in words)])
    runpy.run_path(str(EXAMPLES / f"{name}.py"), run_name="__main__")
    assert said in capsys.readouterr().out


def test_the_notebook_runs(visit: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    monkeypatch.setenv("VISIT", str(visit))
    cells = json.loads((EXAMPLES / "a_visit.ipynb").read_text(encoding="utf-8"))["cells"]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    shared: dict[str, object] = {}
    for cell in code:
        exec(compile(cell, "a_visit.ipynb", "exec"), shared)
    assert "finished" in capsys.readouterr().out and len(code) > 3
    assert all(cell["outputs"] for cell in cells if cell["cell_type"] == "code")


def test_every_script_is_tried() -> None:
    assert len(list(EXAMPLES.glob("*.py"))) == 5
