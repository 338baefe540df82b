"""The pages say what is so and keep what was typed: refusals, two windows, a server that dies, wrong texts."""

from __future__ import annotations

import json
import signal
import sys
import tomllib
from pathlib import Path
from typing import Any

from tests.web.conftest import EXAMPLE, open_finish

FILM = 'title = "A day"\n\n[[shots]]\npicture = "view-01"\nseconds = 7.0\n'


def block(folder: Path) -> None:
    """A file where the folder should be: nothing can be written there, not even by an administrator."""
    if folder.is_dir():
        folder.rmdir()
    folder.write_text("in the way", encoding="utf-8")


def problems(page: Any) -> str:
    return str(page.inner_text("#trouble"))


def test_pictures_that_cannot_be_written_are_not_said_to_be(house: Any, wait: Any) -> None:
    served, context, _ = house
    block(served.folder / "pictures")
    page = context.new_page()
    open_finish(page, served, "view-01")
    page.click("text=Save >> nth=0")
    wait(lambda: "view-01 is not saved" in problems(page))
    assert "pictures" in problems(page) and not list((served.folder / ".clerestory").glob("accounts/*.json"))
    page.wait_for_timeout(500)
    assert "are saved" not in page.inner_text("body") and "1 of 1 saved" not in page.inner_text("body")
    (served.folder / "pictures").unlink()
    page.click("#trouble >> text=Try again")
    wait(lambda: (served.folder / "pictures" / "view-01.jpg").exists())
    wait(lambda: "not saved" not in problems(page))


def test_a_refused_change_does_not_come_back(house: Any, wait: Any, stopped: Any) -> None:
    served, context, again = house
    page = context.new_page()
    open_finish(page, served, "view-01")
    block(served.folder / "recipes")
    page.fill("#c-exposure", "0.5")
    wait(lambda: "recipes" in problems(page))
    stopped(served)
    (served.folder / "recipes").unlink()
    again()
    page.wait_for_timeout(1000)
    assert not (served.folder / "recipes").exists()


def test_two_windows_on_one_plan_lose_neither_text(house: Any, wait: Any) -> None:
    served, context, _ = house
    pages = [context.new_page() for _ in range(2)]
    for page in pages:
        page.goto(f"{served.base}/plan")
        page.click("text=Edit the plan as text")
        wait(lambda page=page: "arrive" in page.input_value(".text-desk textarea"))
    mine, theirs = (EXAMPLE.replace("2027-04-20", day) for day in ("2027-04-21", "2027-04-23"))
    pages[0].fill(".text-desk > textarea", mine)
    pages[1].fill(".text-desk > textarea", theirs)
    pages[1].click(".text-desk >> text=Save")
    wait(lambda: (served.folder / "visit.toml").read_text(encoding="utf-8") == theirs)
    pages[0].wait_for_selector(".text-desk .other >> text=Saved elsewhere meanwhile")
    assert pages[0].input_value(".text-desk > textarea") == mine
    assert pages[0].input_value(".text-desk .other textarea") == theirs
    pages[0].click("text=Sort")
    pages[0].evaluate(  # the plan looked in on, and left before its text has been read
        """() => { const { ask } = clerestory;
             clerestory.ask = (what, f) => (what === "text" ? new Promise(() => 0) : ask.call(clerestory, what, f));
             clerestory.go("plan"); }"""
    )
    pages[0].wait_for_selector(".text-desk", state="attached")
    pages[0].evaluate("() => { clerestory.go('sort'); delete clerestory.ask; }")
    pages[0].click("text=Plan")
    wait(lambda: pages[0].input_value(".text-desk > textarea") == mine)  # not saved, and not lost by a look elsewhere
    pages[0].click("text=Save mine over it")
    wait(lambda: (served.folder / "visit.toml").read_text(encoding="utf-8") == mine)
    page = pages[1]
    wait(lambda: page.input_value(".text-desk > textarea") == mine)
    page.click("#undo")
    wait(lambda: (served.folder / "visit.toml").read_text(encoding="utf-8") == theirs)
    wait(lambda: page.input_value(".text-desk > textarea") == theirs)  # a step back is news for the text as well


def test_two_windows_on_one_control_are_asked(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    open_finish(page, served, "view-01")
    # Another window's change whose news has not come yet: the page still knows the exposure as left to the tool.
    page.evaluate("clerestory.page.recipeChanged = () => 0")
    other = context.new_page()
    open_finish(other, served, "view-01")
    recipe = served.folder / "recipes" / "view-01.toml"
    other.fill("#c-exposure", "-1")
    wait(lambda: recipe.exists() and tomllib.loads(recipe.read_text())["exposure"] == -1)
    page.fill("#c-exposure", "1")
    wait(lambda: "set in another window" in problems(page))
    assert tomllib.loads(recipe.read_text())["exposure"] == -1
    page.click("text=Keep mine")
    wait(lambda: tomllib.loads(recipe.read_text())["exposure"] == 1)
    wait(lambda: "another window" not in problems(page))


def test_a_server_started_again_takes_the_window_back(house: Any, wait: Any, stopped: Any) -> None:
    served, context, again = house
    page = context.new_page()
    open_finish(page, served, "view-01")
    if sys.platform != "win32":  # a question that it hears and never answers must leave nothing behind
        served.process.send_signal(signal.SIGSTOP)
    page.evaluate("void clerestory.ask('versions', { view: 'view-01' }).catch(() => 0)")
    stopped(served, signal.SIGKILL)
    wait(lambda: "server has stopped" in problems(page))
    page.fill("#c-exposure", "0.75")
    page.wait_for_timeout(800)
    assert again().address == served.address
    recipe = served.folder / "recipes" / "view-01.toml"
    wait(lambda: recipe.exists() and tomllib.loads(recipe.read_text())["exposure"] == 0.75)
    wait(lambda: "stopped" not in problems(page))
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]")
    page.reload()
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]")
    lines = (served.folder / ".clerestory" / "journal.jsonl").read_text(encoding="utf-8").splitlines()
    assert sum(json.loads(line)["do"] == "change" for line in lines) == 1  # asked again, done once


def test_a_film_with_a_mistake_is_put_right_on_its_page(house: Any, wait: Any) -> None:
    served, context, _ = house
    (served.folder / "pictures").mkdir(exist_ok=True)
    (served.folder / "film").mkdir(exist_ok=True)
    path = served.folder / "film" / "film.toml"
    path.write_text(FILM.replace("seconds = 7.0", "seconds = 7,0"), encoding="utf-8")
    page = context.new_page()
    page.goto(f"{served.base}/film")
    page.wait_for_selector(".mistakes >> text=write 7.0")
    page.click(".mistakes >> text=Line 5")
    chosen = "(({ value, selectionStart, selectionEnd }) => value.slice(selectionStart, selectionEnd))"
    assert page.evaluate(f"{chosen}(document.activeElement)") == "seconds = 7,0"
    page.fill(".text-desk textarea", FILM)
    page.click(".text-desk >> text=Save")
    page.wait_for_selector("text=A day")
    assert path.read_text(encoding="utf-8") == FILM


TYPED_AND_GONE_ON = """([words, on]) => {
  const field = document.querySelector("#words");
  field.focus();
  field.value = words;
  field.dispatchEvent(new InputEvent("input", { bubbles: true }));
  if (on === "undo") return clerestory.step("undo");
  const button = document.querySelector(on);
  button.focus();
  button.click();
}"""


def test_words_typed_over_a_shot_stay_with_it_when_the_hand_goes_on_at_once(house: Any, wait: Any) -> None:
    served, context, _ = house
    (served.folder / "film").mkdir(exist_ok=True)
    path = served.folder / "film" / "film.toml"
    path.write_text(f'{FILM}words = "First."\n\n[[shots]]\npicture = "view-02"\n', encoding="utf-8")

    def shots() -> list[dict[str, Any]]:
        return list(tomllib.loads(path.read_text(encoding="utf-8"))["shots"])

    def said() -> list[str]:
        return [shot.get("words", "") for shot in shots()]

    page = context.new_page()
    page.goto(f"{served.base}/film")
    page.wait_for_selector("#words")
    page.evaluate(TYPED_AND_GONE_ON, ["The nave.", "[data-shot='1']"])
    page.wait_for_timeout(1000)
    assert said() == ["The nave.", ""], "the next shot does not take the words of the one before"
    page.click("[data-shot='0']")
    page.evaluate(TYPED_AND_GONE_ON, ["The nave, looking east.", "undo"])
    page.wait_for_timeout(1000)
    assert said() == ["The nave.", ""], "what was typed just before an undo is undone, and does not come back"
    assert page.input_value("#words") == "The nave."
    page.get_by_role("button", name="Record", exact=True).click()
    wait(lambda: page.evaluate("clerestory.page.recorder?.seconds > 1.2"))
    page.click("[data-shot='1']")
    wait(lambda: [bool(shot.get("narration")) for shot in shots()] == [True, False])  # so does a take
    page.click("[data-shot='0']")
    page.evaluate(TYPED_AND_GONE_ON, ["The nave again.", "nav [data-page=sort]"])
    wait(lambda: said() == ["The nave again.", ""])


def test_a_recipe_with_a_wrong_value_has_ways_on(house: Any, wait: Any) -> None:
    served, context, _ = house
    (served.folder / "recipes").mkdir(exist_ok=True)
    path = served.folder / "recipes" / "view-01.toml"
    path.write_text("plumb = 3\n", encoding="utf-8")
    page = context.new_page()
    page.goto(f"{served.base}/finish?view=view-01")
    wait(lambda: "line 1, plumb: must be at most 1" in problems(page))
    page.wait_for_timeout(1500)  # it stays
    assert "plumb" in problems(page)
    page.click("text=Leave all to the tool")
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]")
    assert not path.exists() and "plumb" not in problems(page)


def test_an_added_line_asks_for_nothing_until_it_is_laid(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    open_finish(page, served, "view-01")
    page.click("text=Draw lines")
    for _ in range(2):
        page.click("[aria-label='Add a vertical line']")
    page.wait_for_timeout(700)
    recipe = served.folder / "recipes" / "view-01.toml"
    assert not recipe.exists()
    page.focus("[data-end='1-0']")
    page.keyboard.press("ArrowRight")
    wait(recipe.exists)
    assert len(tomllib.loads(recipe.read_text(encoding="utf-8"))["lines"]) == 1


def test_an_empty_folder_shows_what_to_do(tmp_path: Path, serving: Any, stopped: Any, browser: Any) -> None:
    folder = tmp_path / "empty"
    folder.mkdir()
    served = serving(folder, tmp_path / "serve_it.py")
    context = browser.new_context()
    faults: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(served.address)
    for name in ("finish", "sort", "plan", "film"):
        page.goto(f"{served.base}/{name}")
        page.wait_for_timeout(600)
        if name == "finish":
            page.wait_for_selector("text=There are no frames in this folder yet")
            assert not page.is_visible("#c-exposure")
            for key in ("l", "m", "i", "t", "k", "PageDown"):
                page.keyboard.press(key)
        assert "None" not in page.inner_text("body") and "undefined" not in page.inner_text("body")
    context.close()
    stopped(served)
    assert not faults


def test_a_second_server_on_a_folder_is_refused(house: Any, tmp_path: Path) -> None:
    import subprocess
    import sys

    served, _, _ = house
    second = subprocess.run(
        [sys.executable, "-m", "clerestory", "serve", str(served.folder)], capture_output=True, text=True, timeout=60
    )
    assert second.returncode == 1
    said = " ".join(second.stderr.split())
    assert "its pages are open already (process" in said and served.base in said.replace(" ", "")
