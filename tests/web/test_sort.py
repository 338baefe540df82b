"""Sort: a grid, one frame large, any two compared, and a word of warning where unlike frames are put together."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from typing import Any

from web.test_way import looked_through


def test_one_frame_large_two_compared_and_all_in_a_grid(
    house: Any, shot: Callable[[Any, str], None], wait: Any
) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/sort")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    page.wait_for_selector(".view")
    page.click("[data-frame='HM0003.dng']")
    wait(lambda: "Against the pick: " in page.inner_text(".foot"))
    foot = page.inner_text(".foot")
    assert "s apart" in foot and "% in common" in foot and "one exposure" in foot and "20 mm" in foot
    # one frame large: its settings, the next by a key, left out and brought back by undo
    page.keyboard.press("f")
    page.wait_for_selector("dialog.large .facts")
    assert "Thistledown Verger" in page.inner_text(".facts") and "HM0003.dng" in page.inner_text(".facts")
    wait(lambda: page.evaluate("document.querySelector('dialog.large img').naturalWidth") > 800)
    looked_through(page)
    page.keyboard.press("ArrowRight")
    wait(lambda: "HM0004.dng" in page.inner_text(".facts"))
    page.keyboard.press("ArrowUp")
    wait(lambda: "HM0002.dng" in page.inner_text(".facts"))
    page.keyboard.press("e")
    wait(lambda: page.evaluate("clerestory.visit.left_out") == ["HM0002.dng"])
    page.click("dialog.large >> text=Back")
    page.get_by_role("button", name="Undo").click()
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    # any two, of two views
    for frame in ("HM0001.dng", "HM0003.dng"):
        page.click(f"[data-frame='{frame}']", modifiers=["Control"])
    page.keyboard.press("v")
    page.wait_for_selector("dialog.two >> text=no place in common was found")
    assert page.locator("dialog.two >> text=Pick HM").count() == 0
    looked_through(page)
    page.click("dialog.two >> text=Back")
    for frame in ("HM0001.dng", "HM0003.dng"):
        page.click(f"[data-frame='{frame}']", modifiers=["Control"])
    # a grid: one picture a view; there a picture stands for all of its view
    page.keyboard.press("r")
    wait(lambda: page.locator(".tile").count() == 3)
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        page.wait_for_timeout(200)
        assert page.evaluate(
            "['html', 'main', '.pile'].every((p) => document.querySelector(p).scrollWidth <= innerWidth)"
        )
        shot(page, f"sort-grid-{width}")
    looked_through(page)
    page.click(".tile[data-frame='HM0004.dng']")
    page.keyboard.press("ArrowLeft")
    wait(lambda: "HM0002.dng" in page.inner_text(".foot"))
    page.keyboard.press("ArrowRight")
    page.keyboard.press("e")
    wait(lambda: len(page.evaluate("clerestory.visit.left_out")) == 3)
    page.get_by_role("button", name="Undo").click()
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    keys = page.evaluate("clerestory.page.keys().map((k) => k[0])")
    assert len(keys) == len(set(keys)) and not {"p", "x", "u", "1", "2", "3", "4", "5"} & set(keys)


def test_a_word_of_warning_where_unlike_frames_are_put_together(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/sort")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    page.click("[data-frame='HM0002.dng']")
    page.keyboard.press("h")
    page.wait_for_selector("#trouble >> text=no place in common with the other frames of view-01")
    hand = served.folder / "views.toml"
    assert tomllib.loads(hand.read_text(encoding="utf-8"))["view-01"] == ["HM0001.dng", "HM0002.dng"]
    page.wait_for_selector("text=Something else in HM0002.dng?")
    looked_through(page)
    page.click("text=Put them apart again")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    assert not hand.exists()
    page.click("[data-frame='HM0002.dng']")
    page.keyboard.press("h")
    page.wait_for_selector("text=Put them apart again")
    page.click("[data-frame='HM0005.dng']")
    page.evaluate("clerestory.ask('split', {view: 'view-01', frames: ['HM0001.dng']})")  # as another window might
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    assert "HM0005.dng" in page.inner_text(".here"), "one stays at one's frame, though its view has moved"
    page.keyboard.press("e")
    wait(lambda: page.evaluate("clerestory.visit.left_out") == ["HM0005.dng"])
    page.evaluate("clerestory.ask('join', {view: 'view-01', "
                  "other: clerestory.visit.views.find((v) => v.frames.includes('HM0001.dng')).name})")  # fmt: skip
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 2)
    page.click("text=Put them apart again")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    assert page.evaluate("clerestory.visit.left_out") == ["HM0005.dng"], "what was done since stands"
