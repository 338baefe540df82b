"""The demo: the whole job in one call, from the plan to the page that tells it."""

from __future__ import annotations

from html.parser import HTMLParser
from pathlib import Path

import pytest

from clerestory import demo


class Links(HTMLParser):
    """What a page links to and shows, its own data left out, and the headings it has."""

    def __init__(self) -> None:
        super().__init__()
        self.to: list[str] = []
        self.inline = 0
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        for name, value in attrs:
            if name in ("href", "src", "poster") and value:
                if value.startswith("data:"):
                    self.inline += 1
                else:
                    self.to.append(value)


def test_the_demo_tells_one_story_whose_links_all_lead_somewhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "QUICK", (656, 492))
    said: list[str] = []
    made = demo.make_demo(tmp_path / "demo-visit", 1, lambda what, done, of: said.append(what), quick=True)
    text = made.page.read_text(encoding="utf-8")
    found = Links()
    found.feed(text)
    missing = [to for to in found.to if not (made.page.parent / to).is_file()]
    assert not missing and {"plan/card.pdf", "pictures/report.html"} <= set(found.to)
    assert "video" in found.tags and "svg" in found.tags, "the film and the floor plan are shown"
    assert found.inline >= 2, "a picture before and after"
    assert made.untouched and "AN ORIGINAL CHANGED" not in text
    assert not made.finished.failures
    leaning = [float(truth["tilt_left"].split("°")[0]) for truth in made.truths.values() if "°" in truth["tilt_left"]]
    assert len(leaning) >= 4 and max(leaning) < 1.0, "upright by the ground truth, small as the frames are"
    for section in ("Before the day", "The frames", "The pictures", "The film", "Planned against measured"):
        assert f"<h2>{section}</h2>" in text
    assert {"Planning the visit", "Photographing an invented church", "Filming"} <= set(said)
    again = demo.make_demo(tmp_path / "demo-visit", 1, quick=True)
    assert again.page.read_text(encoding="utf-8").count("<section>") == text.count("<section>"), "begun again"
