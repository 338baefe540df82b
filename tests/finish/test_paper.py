"""Pictures on paper: the PDF's pages, their size (ISO 216) and what is printed on them."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from clerestory.errors import UserError
from clerestory.finish import paper
from clerestory.finish.job import Order, finish_view, job_of
from clerestory.finish.recipe import Recipe
from clerestory.raw.group import View
from clerestory.visit.about import read_abouts


@pytest.fixture
def finished(tmp_path: Path) -> Path:
    (tmp_path / "frames").mkdir()
    (tmp_path / "about.toml").write_text(
        '[visit]\nplace = "Harrow Mere"\n[views.view-01]\ntitle = "East window"\ncaption = "Glass of 1862."\n',
        encoding="utf-8",
    )
    rng = np.random.default_rng(1)
    for k, size in enumerate(((900, 1200), (1200, 800)), 1):
        frame = tmp_path / "frames" / f"P{k}.jpg"
        Image.fromarray(rng.integers(20, 220, (*size, 3), np.uint8)).save(frame)
        view = View(f"view-{k:02d}", "single", (frame,), frame, "alone")
        about = read_abouts(tmp_path / "about.toml").of(view.name)
        finish_view(job_of(view, Recipe(plumb=0.0), Order(), tmp_path, about))
    return tmp_path


def test_a_sheet_and_a_page_each_of_the_paper_asked_for(finished: Path) -> None:
    content = paper.print_pictures(finished, "a4").read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[\s*0\s+0\s+([\d.]+)\s+([\d.]+)", content)
    assert len(boxes) == 3
    wide, high = (float(v) * 25.4 / 72 for v in boxes[0])
    assert (wide, high) == (pytest.approx(297, abs=0.1), pytest.approx(210, abs=0.1)), "A4, ISO 216"
    assert len(re.findall(rb"/MediaBox", paper.print_pictures(finished, "a3", sheet=False).read_bytes())) == 2


def test_pictures_are_sized_for_the_paper_and_never_enlarged(finished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen: dict[str, tuple[int, int]] = {}
    words: list[str] = []

    def kept(data: dict, work: Path) -> bytes:
        for one in data["pictures"]:
            with Image.open(work / one["large"]) as image:
                seen[one["view"]] = image.size
            words.extend([one["title"], one["caption"], *one["lines"]])
        return b"%PDF"

    monkeypatch.setattr(paper, "_set", kept)
    paper.print_pictures(finished, "a5", sheet=False)
    # A5 lying leaves 90 mm down between the margins for a picture and its words: at 300 to the inch 1063 pixels.
    assert (
        seen["view-01"][1] == pytest.approx((148 - 2 * 15 - 4 - 24) / 25.4 * 300, abs=1) or seen["view-01"][1] <= 900
    )
    assert max(seen["view-02"]) <= 1200
    assert {"East window", "Glass of 1862.", "Harrow Mere"} <= set(words)


def test_what_cannot_be_printed_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="no picture is finished yet"):
        paper.print_pictures(tmp_path)
    with pytest.raises(UserError, match="'b9' is not known; choose a5, a4"):
        paper.print_pictures(tmp_path, "b9")
    with pytest.raises(UserError, match="Nothing is left to print"):
        paper.print_pictures(tmp_path, sheet=False, pages=False)
