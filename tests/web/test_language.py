"""Pages in another language: as the browser is set, all of a page, no wider than the screen, and chosen anew."""

from __future__ import annotations

from typing import Any

from .conftest import PATIENCE, open_finish

# English words that a German page has no use for, outside what a person named.
ENGLISH = r"/\b(the|of|and|is|are|this|with|from|frame|frames|view|views|stops?|sharpest)\b/i"
LEFT = f"""() => {{
  const room = document.querySelector("#page");
  const shown = document.createTreeWalker(room, NodeFilter.SHOW_TEXT);
  const texts = [...room.querySelectorAll("[title],[aria-label],[placeholder],[alt]")].flatMap(
    (node) => ["title", "aria-label", "placeholder", "alt"].map((name) => node.getAttribute(name) ?? ""));
  while (shown.nextNode()) texts.push(shown.currentNode.data);
  const named = window.clerestory.visit.views.flatMap((view) => [view.title, view.name]).filter(Boolean);
  const plain = (text) => named.reduce((rest, name) => rest.replaceAll(name, ""), text.replace(/\\S+[.]dng/g, ""));
  return [...texts.filter((text) => {ENGLISH}.test(plain(text))), ...(texts.length > 20 ? [] : ["nothing is shown"])];
}}"""
WIDE = "() => document.documentElement.scrollWidth <= document.documentElement.clientWidth"


def test_sort_and_finish_in_german_as_the_browser_asks_and_in_english_when_chosen(browser: Any, served: Any) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, locale="de-DE")
    context.set_default_timeout(1000 * PATIENCE)
    faults: list[str] = []
    context.on("weberror", lambda fault: faults.append(str(fault.error)))
    page = context.new_page()
    page.goto(served.address)
    page.goto(f"{served.base}/sort")
    page.wait_for_selector(".view .frame")
    assert page.get_attribute("html", "lang") == "de" and page.title() == "Ordnen - Clerestory"
    page.wait_for_function(r"/^\d+ Aufnahmen, \d+ Bilder/.test(document.querySelector('.sort .bar p').textContent)")
    assert page.evaluate(WIDE) and page.evaluate(LEFT) == []

    open_finish(page, served, page.evaluate("window.clerestory.visit.views[0].name"))
    assert page.inner_text("label[for=c-shade_lift]") == "Schatten heben"
    assert "Die Senkrechten" in page.inner_text(".lean")
    assert page.evaluate(WIDE) and page.evaluate(LEFT) == []

    with page.expect_navigation():
        page.select_option("#language", "en")
    page.wait_for_selector("label[for=c-shade_lift]", state="attached")
    assert page.get_attribute("html", "lang") == "en" and page.text_content("label[for=c-shade_lift]") == "Shade lift"
    context.close()
    assert not faults, faults
