"""The desk in Chromium: what is shown is what is saved, at every scale; the crop is drawn; numbers are typed."""

from __future__ import annotations

import base64
import struct
import tomllib
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from clerestory.finish.icc import profile
from web.test_way import looked_through

TARGETS = "target-size"  # 24 pixels or room about them (WCAG 2.2, 2.5.8)
PROOF = "window.clerestory?.page?.scale.state === 'proof'"


@pytest.fixture
def desk(page: Any, served: Any, wait: Any) -> Any:
    page.context.clear_cookies(name="clerestory-language")
    page.goto(f"{served.base}/finish?view=view-01")
    wait(lambda: page.evaluate("!!window.clerestory?.page?.facts"))
    page.evaluate("clerestory.ask('set', {view: 'view-01', gesture: '', "
                  "values: {exposure: null, crop: null, crop_size: null, window_hold: null, "
                  "lines: [], touches: []}})")  # fmt: skip
    wait(lambda: page.evaluate(PROOF))
    return page


def recipe(served: Any) -> dict[str, Any]:
    path = Path(served.folder / "recipes" / "view-01.toml")
    return tomllib.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def saved(page: Any, served: Any, wait: Any) -> np.ndarray[Any, Any]:
    """The picture's file, written by the page."""
    path = served.folder / "pictures" / "view-01.jpg"
    before = path.stat().st_mtime_ns if path.exists() else 0
    page.evaluate("clerestory.page.write(['view-01'])")
    wait(lambda: path.exists() and path.stat().st_mtime_ns > before)
    wait(lambda: page.evaluate("clerestory.visit.queue['view-01']") == "done")
    return cv2.imread(str(path))


SEEN = """(() => { const s = clerestory.page.scale; const [w, h] = s.size.map((v) => v * s.fitting() * s.fine);
  const laid = s.zoom !== null || (Math.round(w) === s.canvas.width && Math.round(h) === s.canvas.height);
  return s.state === 'proof' && laid && !s.canvas.hidden ? s.canvas.toDataURL('image/png') : ''; })()"""


def seen(page: Any, wait: Any) -> np.ndarray[Any, Any]:
    """What the canvas of the proof shows, once it is laid out for the window and exact: looked at in one breath."""
    found: list[str] = []
    wait(lambda: found.append(page.evaluate(SEEN)) or found[-1])
    return cv2.imdecode(np.frombuffer(base64.b64decode(found[-1].split(",")[1]), np.uint8), cv2.IMREAD_COLOR)


def test_shown_at_every_scale_is_the_file_itself(desk: Any, served: Any, wait: Any) -> None:
    page = desk
    page.fill("#c-exposure", "0.5")
    wait(lambda: recipe(served).get("exposure") == 0.5)
    wait(lambda: page.evaluate(PROOF))
    file = saved(page, served, wait)
    page.set_viewport_size({"width": 900, "height": 560})  # fitted: smaller than the picture
    shown = seen(page, wait)
    small = cv2.resize(file, shown.shape[1::-1], interpolation=cv2.INTER_AREA)
    assert np.array_equal(shown, small), "fitted: the file averaged down to the screen's pixels"
    page.locator(".stage").focus()
    page.keyboard.press("i")
    wait(lambda: page.evaluate(f"{PROOF} && clerestory.page.scale.zoom === 1"))
    x, y = page.evaluate("[parseFloat(clerestory.page.scale.canvas.style.left), "
                         "parseFloat(clerestory.page.scale.canvas.style.top)]")  # fmt: skip
    shown = seen(page, wait)
    part = file[round(y) : round(y) + shown.shape[0], round(x) : round(x) + shown.shape[1]]
    assert np.array_equal(shown, part), "at 100 % every pixel is the file's"
    page.keyboard.press("ArrowRight")
    page.mouse.move(300, 250)
    page.mouse.wheel(0, -800)
    wait(lambda: page.evaluate("clerestory.page.scale.words()") == "200 %")
    page.keyboard.press("i")
    wait(lambda: page.evaluate("clerestory.page.scale.zoom === null"))
    page.set_viewport_size({"width": 1280, "height": 720})


SET_TWICE = """async () => {
  const page = clerestory.page;
  for (let k = 0; k < 2; k++) {
    page.preview({ exposure: 0.3 }, false);
    await page.set({ exposure: 0.3 }, '');
  }
}"""


def test_what_moves_is_called_quick_until_it_is_exact(desk: Any, wait: Any) -> None:
    page = desk
    page.evaluate(SET_TWICE)  # the second time it stands so already, and nothing is written
    wait(lambda: page.evaluate(PROOF))
    assert page.inner_text(".state") == "Exactly as it will be saved"
    page.fill("#c-window_hold", "2")
    assert page.inner_text(".state").startswith("Quick look")
    wait(lambda: page.evaluate(PROOF))
    assert page.inner_text(".state") == "Exactly as it will be saved"


def test_a_part_of_the_exact_picture_that_the_server_has_put_away_is_made_again(desk: Any, wait: Any) -> None:
    """Of the exact pictures only the last few are kept: another window's may take the place of this one's."""
    page, missing = desk, []

    def once_missing(route: Any) -> None:
        if missing:
            route.continue_()
        else:
            missing.append(route.request.url)
            route.fulfill(status=204)

    page.route("**/proof/**", once_missing)
    page.fill("#c-exposure", "0.25")
    wait(lambda: page.evaluate(PROOF) and missing)


SAVED_AT_ONCE = """() => {
  const slider = document.querySelector("#c-exposure");
  slider.value = 0.9;
  slider.dispatchEvent(new Event("input", { bubbles: true }));
  clerestory.page.write(["view-01"]);
}"""


def test_a_picture_saved_at_once_has_what_was_moved_just_before(desk: Any, served: Any, wait: Any) -> None:
    page = desk
    path = served.folder / "pictures" / "view-01.jpg"
    before = path.stat().st_mtime_ns if path.exists() else 0
    page.evaluate(SAVED_AT_ONCE)
    wait(lambda: path.exists() and path.stat().st_mtime_ns > before)
    wait(lambda: page.evaluate("clerestory.visit.queue['view-01']") == "done")
    wait(lambda: recipe(served).get("exposure") == 0.9 and page.evaluate(PROOF))
    shown = seen(page, wait)
    assert np.array_equal(shown, cv2.resize(cv2.imread(str(path)), shown.shape[1::-1], interpolation=cv2.INTER_AREA))


IN_ONE_BREATH = """async () => {
  const house = window.clerestory, told = [];
  const ask = (values) => house.ask('set', { view: 'view-01', gesture: '', values });
  const set = (v) => ask({ exposure: v }).then(() => told.push(v));
  house.page.preview({ exposure: 0.4 }, false);
  await Promise.all([set(0.4), house.ask('undo', { scope: 'finish' }).then(() => told.push('undo')), set(0.7)]);
  return told;
}"""


def test_changes_that_wait_for_a_picture_are_made_in_the_order_they_were_asked_for(desk: Any, served: Any) -> None:
    """The server draws what the hand moves before it writes; what is asked after a change still comes after it."""
    assert desk.evaluate(IN_ONE_BREATH) == [0.4, "undo", 0.7]
    assert recipe(served)["exposure"] == 0.7


def test_the_crop_is_drawn_on_the_picture_and_undone(desk: Any, served: Any, wait: Any, shot: Any) -> None:
    page = desk
    page.get_by_role("button", name="Draw the crop").click()
    wait(lambda: page.evaluate("clerestory.page.trim.on"))
    corner = page.locator(".trim .corner").nth(2).bounding_box()
    x, y = corner["x"] + corner["width"] / 2, corner["y"] + corner["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x - 200, y - 60, steps=4)
    page.mouse.up()
    page.get_by_role("combobox", name="Lines in the crop").select_option("thirds")
    shot(page, "finish-crop")
    looked_through(page, ".finish", TARGETS)
    rect, room = page.evaluate("[clerestory.page.trim.rect, clerestory.page.trimFacts.room]")
    page.get_by_role("button", name="Take it").click()
    wait(lambda: recipe(served).get("crop_size", 1) < 0.95)
    wait(lambda: page.evaluate(PROOF))
    got = page.evaluate("clerestory.page.facts.room")
    wanted = [room[0] + rect[0] * room[2], room[1] + rect[1] * room[3], rect[2] * room[2], rect[3] * room[3]]
    assert np.allclose(got, wanted, atol=0.02 * room[2]), "the crop is where it was drawn"
    page.get_by_role("button", name="Undo").click()
    wait(lambda: "crop_size" not in recipe(served))
    page.get_by_role("button", name="Draw the crop").click()
    wait(lambda: page.evaluate("clerestory.page.trim.on"))
    page.keyboard.press("Shift+ArrowDown")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Escape")
    assert not page.evaluate("clerestory.page.trim.on")
    assert "crop_size" not in recipe(served), "what was left was not taken"


def test_numbers_are_typed_kept_within_bounds_and_given_back(desk: Any, served: Any, wait: Any) -> None:
    page = desk
    number = page.get_by_role("spinbutton", name="Exposure, as a number")
    number.fill("0.73")
    number.press("Enter")
    wait(lambda: recipe(served).get("exposure") == 0.73)
    number.fill("99")
    number.press("Enter")
    wait(lambda: recipe(served).get("exposure") == 3)
    page.focus("#c-exposure")
    page.keyboard.press("Shift+ArrowLeft")
    wait(lambda: recipe(served).get("exposure") == 2.99)
    kelvin = page.get_by_role("spinbutton", name="Colour temperature, as a number")
    assert 2000 < float(kelvin.input_value()) < 12000, "it begins at what the frame has"
    page.get_by_role("button", name="Exposure: back to automatic").click()
    wait(lambda: "exposure" not in recipe(served))


def test_before_lies_under_the_wipe_as_the_picture_does(desk: Any, wait: Any) -> None:
    page = desk
    page.keyboard.press("b")
    wait(lambda: page.evaluate("document.querySelector('.as-shot img').naturalWidth > 300"))
    size = page.evaluate("(i => [i.naturalWidth, i.naturalHeight])(document.querySelector('.as-shot img'))")
    assert size == page.evaluate("clerestory.page.facts.size")
    page.get_by_role("combobox", name="What the picture is compared with").select_option("held")
    wait(lambda: page.evaluate("document.querySelector('.as-shot img').src.includes('/as-shot/')"))
    page.keyboard.press("b")


def test_places_are_drawn_listed_put_off_and_undone(desk: Any, served: Any, wait: Any, shot: Any) -> None:
    page = desk
    page.keyboard.press("p")
    box = page.locator("svg.places").bounding_box()
    page.mouse.move(box["x"] + 0.2 * box["width"], box["y"] + 0.7 * box["height"])
    page.mouse.down()
    page.mouse.move(box["x"] + 0.4 * box["width"], box["y"] + 0.8 * box["height"], steps=6)
    page.mouse.up()
    wait(lambda: recipe(served).get("touches"))
    stops = page.get_by_role("spinbutton", name="Place 1, lighter, darker: stops")
    stops.fill("-1.5")
    wait(lambda: recipe(served)["touches"][0].get("stops") == -1.5)
    stops.press("Enter")  # it stands so already: nothing is written, and the exact picture is made all the same
    wait(lambda: page.evaluate(PROOF))
    page.get_by_role("button", name="Even a wall").click()
    page.get_by_role("button", name="Put one in the middle").click()  # the rest by the keyboard alone
    wait(lambda: len(recipe(served)["touches"]) == 2)
    before = recipe(served)["touches"][1]["at"]
    page.keyboard.press("ArrowLeft")
    wait(lambda: recipe(served)["touches"][1]["at"][0][0] < before[0][0])
    assert recipe(served)["touches"][1]["at"][1:] == before[1:], "one corner moved, the others stayed"
    shot(page, "finish-places")
    looked_through(page, ".finish", TARGETS)
    wait(lambda: page.evaluate(PROOF))
    lit = seen(page, wait)
    page.get_by_role("checkbox", name="Place 1, lighter, darker: on").uncheck()
    wait(lambda: recipe(served)["touches"][0].get("off"))
    wait(lambda: page.evaluate(PROOF))
    put_off = seen(page, wait)
    at = [round(v) for v in (0.75 * lit.shape[0], 0.3 * lit.shape[1])]
    patch = np.s_[at[0] - 6 : at[0] + 6, at[1] - 6 : at[1] + 6]
    assert lit[patch].mean() < put_off[patch].mean() - 10, "darker where it was drawn, as it will be saved"
    undo = page.get_by_role("button", name="Undo")
    wait(lambda: "touches" not in recipe(served) or undo.click())
    page.keyboard.press("p")


PLACES = "[...document.querySelectorAll('.controls, .doing button')].map((e) => e.getBoundingClientRect().top)"
COME_TO = """k => { const e = document.querySelectorAll('.control input:not([disabled])')[k];
  e.focus({preventScroll: true}); return e === document.activeElement; }"""


def test_nothing_moves_where_a_control_is_come_to_or_left(desk: Any, wait: Any) -> None:
    """A button that moves between press and release is not pressed."""
    page = desk
    for tongue in ("de", "en"):
        page.select_option("#language", tongue)
        wait(lambda t=tongue: page.get_attribute("html", "lang") == t and page.evaluate(PROOF))
        for width, height in ((1440, 900), (1280, 720), (1024, 768), (768, 900), (700, 900), (390, 844), (320, 700)):
            page.set_viewport_size({"width": width, "height": height})
            page.evaluate("document.activeElement.blur()")
            wait(lambda: page.evaluate(PROOF))
            there = page.evaluate(PLACES)
            count = page.locator(".control input:not([disabled])").count()
            assert sum(page.evaluate(COME_TO, k) for k in range(count)) > 15
            moved = [k for k in range(count) if page.evaluate(COME_TO, k) and page.evaluate(PLACES) != there]
            assert not moved, (tongue, width, moved)
            page.evaluate("clerestory.note('said', 'view-01: words that come and go at the top of the page')")
            assert page.evaluate(PLACES) == there, (tongue, width, "what is under way was told")
            page.evaluate("clerestory.note('said', '')")
            assert page.evaluate(PLACES) == there, (tongue, width, "what was told is gone")


def test_versions_are_kept_set_side_by_side_and_taken_and_sets_put_on_many(
    desk: Any, served: Any, wait: Any, shot: Any
) -> None:
    page = desk
    page.fill("#c-exposure", "0.6")
    wait(lambda: recipe(served).get("exposure") == 0.6)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Versions", exact=True).click()
    page.fill("#version-name", "lighter")
    page.get_by_role("button", name="Keep this version").click()
    page.get_by_role("button", name="Take it: version lighter").wait_for()
    page.fill("#set-of-controls", "noon")
    page.get_by_role("button", name="Keep this set").click()
    page.get_by_role("group", name="Views").get_by_role("checkbox", name="view-02").check()
    page.get_by_role("button", name="Put on the chosen views: set noon").click()
    other = served.folder / "recipes" / "view-02.toml"
    wait(lambda: other.exists() and tomllib.loads(other.read_text())["exposure"] == 0.6)
    kept = tomllib.loads((served.folder / "versions.toml").read_text(encoding="utf-8"))
    assert kept["version"][0] == {"view": "view-01", "name": "lighter", "recipe": {"exposure": 0.6}}
    assert kept["set"][0] == {"name": "noon", "controls": {"exposure": 0.6}}
    page.keyboard.press("Escape")
    page.fill("#c-exposure", "-0.4")
    wait(lambda: recipe(served).get("exposure") == -0.4)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Versions", exact=True).click()
    page.locator(".history li").first.get_by_text("exposure 0.6 → -0.4").wait_for()
    shot(page, "finish-versions")
    looked_through(page, "dialog[open]", TARGETS)
    page.get_by_role("button", name="Beside the picture as it stands: lighter").click()
    wait(
        lambda: (
            page.evaluate(
                "[...document.querySelectorAll('.pane.fitted img')].filter((i) => i.naturalWidth > 300).length"
            )
            == 2
        )
    )
    shot(page, "finish-side-by-side")
    looked_through(page, "dialog[open]", TARGETS)
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Versions", exact=True).click()
    page.get_by_role("button", name="Take it: version lighter").click()
    wait(lambda: recipe(served).get("exposure") == 0.6)
    page.get_by_role("button", name="Back to this: exposure 0.6 → -0.4").click()
    wait(lambda: recipe(served).get("exposure") == -0.4)
    for what in ("version lighter", "set noon"):
        page.get_by_role("button", name=f"Forget {what}").click()
    wait(lambda: not (served.folder / "versions.toml").exists())
    page.keyboard.press("Escape")
    for view in ("view-01", "view-02"):
        page.evaluate("view => clerestory.ask('set', { view, values: { exposure: null }, gesture: '' })", view)
    wait(lambda: recipe(served) == {} and not other.exists())


# What the keys must reach: all that is seen and can be done with, but what is put off; by its name.
NAMED = """const named = (e) => e.getAttribute('aria-label') || e.labels?.[0]?.textContent || e.textContent.trim();"""
TO_REACH = f"""() => {{ {NAMED}
  return [...document.querySelectorAll('a[href], button, input, select, summary, [tabindex="0"]')]
    .filter((e) => !e.disabled && e.checkVisibility({{ visibilityProperty: true }}) && e.getClientRects().length)
    .map(named); }}"""
REACHED = f"""() => {{ {NAMED}
  const e = document.activeElement, box = e.getBoundingClientRect(), ring = getComputedStyle(e);
  const drawn = e.closest('svg');
  const over = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
  const within = over && (e.contains(over) || over.contains(e) || (drawn && drawn.contains(over)));
  const seen = Boolean(within || e.matches('.unseen *, .skip'));
  return [named(e), seen, ring.outlineStyle !== 'none' || drawn !== null]; }}"""


def test_keys_alone_reach_every_control_and_move_it(desk: Any, wait: Any) -> None:
    page = desk
    page.keyboard.press("l")
    page.get_by_role("button", name="Add a vertical line").press("Enter")
    wanted = page.evaluate(TO_REACH)
    assert len(wanted) > 50
    page.evaluate("document.activeElement.blur()")
    reached: dict[str, tuple[bool, bool]] = {}
    for _ in range(len(wanted) + 8):
        page.keyboard.press("Tab")
        name, seen, ringed = page.evaluate(REACHED)
        reached.setdefault(name, (seen, ringed))
    assert not [name for name in wanted if name not in reached], "every control is reached by Tab"
    assert not [name for name in wanted if not reached[name][1]], "and shows that it is"
    assert not [name for name in wanted if not reached[name][0]], "and lies under nothing (WCAG 2.2, 2.4.11)"
    for name in page.evaluate(
        "[...document.querySelectorAll('.control input[type=range]:enabled')].map((i) => i.id)"
    ):
        page.focus(f"#{name}")
        value = page.input_value(f"#{name}")
        page.keyboard.press("ArrowUp" if float(value) < float(page.get_attribute(f"#{name}", "max")) else "ArrowDown")
        assert page.input_value(f"#{name}") != value, name
        page.keyboard.press("Backspace")
    page.keyboard.press("l")


CUT_OFF = """() => [document.documentElement.scrollWidth - innerWidth,
  document.querySelector('main').scrollWidth - innerWidth,
  [...document.querySelectorAll('main *')]
    .filter((e) => e.checkVisibility() && !e.closest('.stage, .unseen, select') && e.clientWidth)
    .filter((e) => e.scrollWidth > e.clientWidth + 1)
    .map((e) => `${e.tagName}.${e.className}: ${e.ariaLabel ?? e.textContent.slice(0, 30)}`)]"""


@pytest.mark.parametrize(("wide", "size"), [(320, 16), (1280, 32), (390, 16)])
def test_nothing_is_cut_off_in_narrow_windows_or_at_twice_the_size_of_type(
    desk: Any, wait: Any, wide: int, size: int
) -> None:
    page = desk
    page.keyboard.press("p")
    page.set_viewport_size({"width": wide, "height": 720})
    line = page.context.new_cdp_session(page)
    line.send("Page.enable")
    line.send("Page.setFontSizes", {"fontSizes": {"standard": size}})
    wait(
        lambda: page.evaluate(f"parseFloat(getComputedStyle(document.documentElement).fontSize) === {1.0625 * size}")
    )
    found = page.evaluate(CUT_OFF)
    line.send("Page.setFontSizes", {"fontSizes": {"standard": 16}})
    page.set_viewport_size({"width": 1280, "height": 720})
    page.keyboard.press("p")
    assert found == [0, 0, []]


def dull_paper() -> bytes:
    """The profile of an invented paper: sRGB's with its primaries halfway to white, ICC.1:2010's table of tags."""
    data = bytearray(profile("srgb"))
    places = {}
    for k in range(struct.unpack_from(">I", data, 128)[0]):
        name, at, _ = struct.unpack_from(">4sII", data, 132 + 12 * k)
        places[name] = at + 8
    columns = np.array([struct.unpack_from(">3i", data, places[n]) for n in (b"rXYZ", b"gXYZ", b"bXYZ")])
    for n, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), 0.5 * columns + columns.sum(0) / 6, strict=True):
        struct.pack_into(">3i", data, places[n], *np.rint(column).astype(int))
    return bytes(data).replace("sRGB IEC61966-2.1".encode("utf-16-be"), "Tallow Rag, matt.".encode("utf-16-be"))


def test_a_paper_is_added_and_shows_what_it_cannot_print(
    desk: Any, served: Any, wait: Any, shot: Any, tmp_path: Path
) -> None:
    page = desk
    for name, data in (("whole.icc", profile("srgb")), ("dull.icc", dull_paper()), ("none.icc", b"no profile")):
        (tmp_path / name).write_bytes(data)
    page.get_by_role("button", name="On paper", exact=True).click()
    dialog, said = page.get_by_role("dialog"), page.locator("dialog [role=status]")
    wait(lambda: "Add the profile of the paper first" in said.inner_text())
    add = dialog.locator("input[type=file]")
    add.set_input_files(tmp_path / "none.icc")
    wait(lambda: "no ICC profile that can be read" in said.inner_text())
    page.evaluate("clerestory.ask('proof', {view: 'view-01', values: {}})")  # the dialog has had its own by then
    assert "no ICC profile that can be read" in said.inner_text(), "what was said of a file stands"
    add.set_input_files(tmp_path / "whole.icc")
    wait(lambda: said.inner_text() == "The paper can show all of it.")
    plain = "(() => { const i = document.querySelector('dialog img'); return i.naturalWidth; })()"
    wait(lambda: page.evaluate(plain) > 300)
    add.set_input_files(tmp_path / "dull.icc")
    wait(lambda: "The paper cannot show" in said.inner_text())
    assert dialog.get_by_label("Paper").locator("option").all_inner_texts() == [
        "Tallow Rag, matt.",
        "sRGB IEC61966-2.1",
    ]
    dialog.get_by_label("in colour only what the paper cannot show").check()
    shot(page, "paper")
    looked_through(page)
    assert sorted(p.name for p in (served.folder / "profiles").iterdir()) == ["dull.icc", "whole.icc"]
    page.keyboard.press("Escape")
