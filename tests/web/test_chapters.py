"""The film's WebVTT as the browser's own reader takes it in."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

import pytest

from clerestory.film.captions import Chapter, Cue, webvtt, webvtt_chapters

READ = """() => {
  const track = document.querySelector("track").track;
  return [...track.cues].map(c => [c.startTime, c.endTime, c.getCueAsHTML().textContent]);
}"""
ODD = "Nave --> choir & <b>tower</b>"  # in a title, these are letters and not marks


@pytest.mark.parametrize("kind", ["chapters", "captions"])
def test_the_browser_reads_chapters_and_captions_as_they_were_written(kind: str, browser: Any) -> None:
    # Chromium's <track> element, for the kinds that HTML and W3C WebVTT name.
    rows = [(0.0, 0.4, "Nave"), (0.4, 12.48, ODD), (12.48, 4000.2, "Saint Ælfwyn’s")]
    wrote = (
        webvtt_chapters([Chapter(*row) for row in rows]) if kind == "chapters" else webvtt([Cue(*r) for r in rows])
    )
    page = browser.new_page()
    try:
        source = "data:text/vtt;charset=utf-8," + quote(wrote)
        page.set_content(f'<video><track kind="{kind}" src="{source}"></video>')
        page.evaluate("document.querySelector('track').track.mode = 'hidden'")
        page.wait_for_function("document.querySelector('track').readyState === 2")
        assert page.evaluate(READ) == [[pytest.approx(a), pytest.approx(b), text] for a, b, text in rows]
    finally:
        page.close()
