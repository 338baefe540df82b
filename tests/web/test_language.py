"""Pages in another language: as the browser is set, all of a page, no wider than the screen, and chosen anew."""

from __future__ import annotations

from typing import Any

from .conftest import open_finish

# English words that a German page of this visit has no use for; its frames and views bear no words.
ENGLISH = r"/\b(the|of|and|is|are|this|with|from|frame|frames|view|views|stops?|sharpest)\b/i"
LEFT = f"""() => {{
  const shown = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const texts = [...document.querySelectorAll("[title],[aria-label],[placeholder],[alt]")].flatMap(
    (node) => ["title", "aria-label", "placeholder", "alt"].map((name) => node.getAttribute(name) ?? ""));
  while (shown.nextNode()) texts.push(shown.currentNode.data);
  return texts.filter((text) => {ENGLISH}.test(text.replace(/\\bview-\\d+\\b|\\S+[.]dng/g, "")));
}}"""
WIDE = "() => document.documentElement.scrollWidth <= document.documentElement.clientWidth"


def test_sort_and_finish_in_german_as_the_browser_asks_and_in_english_when_chosen(browser: Any, served: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, locale="de-DE")
    context.set_default_timeout(90_000)
    faults: list[str] = []
    context.on("weberror", lambda fault: faults.append(str(fault.error)))
    page = context.new_page()
    page.goto(served.address)
    page.goto(f"{served.base}/sort")
    page.wait_for_selector(".view .frame")
    assert page.get_attribute("html", "lang") == "de" and page.title() == "Ordnen - Clerestory"
    page.wait_for_function("document.querySelector('.sort').innerText.includes('5 Aufnahmen, 3 Bilder')")
    assert page.evaluate(WIDE) and page.evaluate(LEFT) == []

    open_finish(page, served, page.evaluate("window.clerestory.visit.views[0].name"))
    assert page.inner_text("label[for=c-shade_lift]") == "Schatten heben"
    assert "Die Senkrechten" in page.inner_text(".lean")
    assert page.evaluate(WIDE) and page.evaluate(LEFT) == []

    with page.expect_navigation():
        page.select_option("#language", "en")
    open_finish(page, served, page.evaluate("new URLSearchParams(location.search).get('view')"))
    assert page.get_attribute("html", "lang") == "en" and page.inner_text("label[for=c-shade_lift]") == "Shade lift"
    context.close()
    assert not faults, faults
