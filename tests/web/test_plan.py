"""The plan page in a browser: a church in ten numbers, then a point, a window and a view dragged on the map."""

from __future__ import annotations

import json
import math
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from tests.web.conftest import PATIENCE
from tests.web.test_way import looked_through

from clerestory.plan.model import read_visit
from clerestory.plan.run import make

NUMBERS = {"b-length": "230 ft", "b-width": "42 ft 6 in", "b-height": "21", "b-bays": "6", "b-quire": "24 m",
           "b-sill": "43 ft", "b-head": "18", "b-axis": "81.5", "b-place": "St Ansgar", "b-town": "Fenmere",
           "b-lat": "54.312", "b-lon": "-1.154", "b-zone": "Europe/London", "b-date": "2027-04-20"}  # fmt: skip


@pytest.fixture
def planning(tmp_path: Path, serving: Any, stopped: Any, browser: Any) -> Iterator[tuple[Any, Any]]:
    """A server on an empty visit of its own, and a page on its plan."""
    folder = tmp_path / "fenmere"
    (folder / "frames").mkdir(parents=True)
    served = serving(folder, tmp_path / "serve_it.py")
    context = browser.new_context(viewport={"width": 1440, "height": 900})
    context.set_default_timeout(1000 * PATIENCE)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.goto(served.address)
    page.goto(f"{served.base}/plan")
    yield served, page
    context.close()
    stopped(served)
    assert not faults, faults


def text_of(served: Any) -> dict[str, Any]:
    return tomllib.loads((served.folder / "visit.toml").read_text(encoding="utf-8"))


def drag(page: Any, what: str, dx: float, dy: float) -> None:
    """Drag the middle of a thing on the map by pixels, in steps as a hand does."""
    box = page.locator(what).bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(1, 9):
        page.mouse.move(x + dx * k / 8, y + dy * k / 8)
    page.mouse.up()


def thing(table: str, name: str, part: str) -> str:
    return f'.map .thing[data-table="{table}"][data-name="{name}"] {part}'


def row(served: Any, table: str, name: str) -> dict[str, Any]:
    return next((r for r in text_of(served).get(table, []) if r["name"] == name), {})


def test_a_church_from_ten_numbers_drawn_by_hand(planning: Any, wait: Any, shot: Any, tmp_path: Path) -> None:
    served, page = planning
    page.wait_for_selector(".begin")
    looked_through(page)
    page.get_by_role("button", name="Begin from these numbers").click()
    assert not (served.folder / "visit.toml").exists()  # the browser asks for what is missing
    for name, value in NUMBERS.items():
        page.fill(f"#{name}", value)
    page.click("nav [data-page=sort]")
    page.click("nav [data-page=plan]")
    wait(lambda: page.input_value("#b-width") == "42 ft 6 in")  # what was typed is not lost by a look elsewhere
    page.select_option("#b-type", "cruciform")
    page.select_option("#b-aisles", "2")
    page.fill("#b-head", "24 m")
    page.get_by_role("button", name="Begin from these numbers").click()
    wait(lambda: "above the ceiling" in page.text_content(".begin .trouble"))
    page.fill("#b-head", "18")
    page.get_by_role("button", name="Begin from these numbers").click()
    page.wait_for_selector(".map .hall")
    assert text_of(served)["church"]["length"] == "230 ft" and "window" not in text_of(served)
    assert "Assumed from the church in numbers" in page.text_content(".numbers")

    page.wait_for_selector(".live dd")
    drag(page, thing("station", "middle of the nave", ".spot"), 60, 12)
    wait(lambda: row(served, "station", "middle of the nave"))
    assert row(served, "station", "middle of the nave")["at_m"][1] > 25
    assert "give or take" in page.text_content(".live")
    drag(page, thing("window", "south clerestory 3", ".reach"), 25, 0)
    wait(lambda: row(served, "window", "south clerestory 3"))
    assert row(served, "window", "south clerestory 3")["off"].keys() >= {"width_m"}
    drag(page, '.section .handle[data-field="sill_m"]', 0, -8)
    wait(lambda: "sill_m" not in row(served, "window", "south clerestory 3")["off"])
    drag(page, thing("view", "east window", ".mark"), 0, 14)
    wait(lambda: row(served, "view", "east window"))
    page.keyboard.press("Escape")
    page.wait_for_function("!document.querySelector('#undo').disabled")
    shot(page, "plan-drawn")
    for wide in (390, 1024, 1440):
        page.set_viewport_size({"width": wide, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth") <= wide
    looked_through(page)

    before = row(served, "view", "east window")["centre_m"]
    page.get_by_role("button", name="Undo: view east window").click()
    wait(lambda: not row(served, "view", "east window"))
    page.get_by_role("button", name="Redo: view east window").click()
    wait(lambda: row(served, "view", "east window").get("centre_m") == before)
    page.get_by_role("button", name="Write the field card").click()
    page.get_by_role("link", name="for print").wait_for()

    shutil.copy(served.folder / "visit.toml", tmp_path / "visit.toml")
    result = make(tmp_path / "visit.toml", tmp_path / "plan")
    for path in (result.data, result.card_pdf, result.card_html, result.report, result.calendar, result.card_folded):
        assert path.read_bytes() == (served.folder / "plan" / path.name).read_bytes(), path.name


def test_numbers_text_and_another_window_say_the_same(planning: Any, wait: Any) -> None:
    served, page = planning
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    comment = "# compass direction from the west door to the altar"
    page.locator(thing("station", "crossing", ".spot")).click()
    page.fill("#n-at_m-1", "41.5")
    page.locator("#n-at_m-1").blur()
    wait(lambda: row(served, "station", "crossing")["at_m"] == [0, 41.5])
    assert comment in (served.folder / "visit.toml").read_text(encoding="utf-8")
    page.get_by_text("Edit the plan as text").click()
    wait(lambda: "at_m = [0, 41.5]" in page.input_value("textarea"))
    # Changed elsewhere meanwhile: what this page knew no longer holds, and nothing is written over it.
    told = page.evaluate(
        """() => clerestory.wire.ask("plan change", { changes: [{ table: "station", name: "crossing",
             set: { at_m: [1, 30] }, was: { at_m: [0, 43] } }] }).then(() => "written", (p) => p.message)"""
    )
    assert "changed in another window" in told and row(served, "station", "crossing")["at_m"] == [0, 41.5]
    wait(lambda: page.locator("#n-at_m-1").input_value() == "41.5")
    page.get_by_role("button", name="Take away").click()
    wait(lambda: not row(served, "station", "crossing"))
    wait(lambda: page.locator(thing("station", "crossing", ".spot")).count() == 0)


def test_what_is_dragged_is_seen_as_it_goes(planning: Any, wait: Any) -> None:
    """Framing, tilt and room follow a point moved with the arrow keys before anything is written."""
    served, page = planning
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    page.locator(".order button", has_text="west rose").click()
    wait(lambda: "west rose" in page.text_content(".hand h2") and "m away" in page.text_content(".live"))
    before = page.text_content(".live")
    page.locator(thing("station", "crossing", ".spot")).click()
    page.locator('.thing[data-table="station"][data-name="crossing"]').focus()
    for _ in range(4):
        page.keyboard.press("Shift+ArrowLeft")
    wait(lambda: page.text_content(".live") != before)
    wait(lambda: row(served, "station", "crossing")["at_m"] == [0, 39])
    assert page.evaluate("document.querySelector('canvas.seen').width") > 100


def test_axis_by_two_clicks_on_an_outline(planning: Any, wait: Any, tmp_path: Path) -> None:
    """A building 70 m long that points to 60 degrees: 111320 m to a degree of latitude (spherical, from memory)."""
    served, page = planning
    lat, lon, turn = 54.312, -1.154, math.radians(60)
    corners = [(-6, 0), (6, 0), (6, 70), (-6, 70), (-6, 0)]
    ring = []
    for right, along in corners:
        east = along * math.sin(turn) + right * math.cos(turn)
        north = along * math.cos(turn) - right * math.sin(turn)
        ring.append([lon + east / 111320 / math.cos(math.radians(lat)), lat + north / 111320])
    file = tmp_path / "minster.geojson"
    file.write_text(json.dumps({"type": "Feature", "geometry": {"type": "Polygon", "coordinates": [ring]}}))
    page.set_input_files(".outline-pick input", str(file))
    sheet = page.locator(".outline-sheet")
    sheet.scroll_into_view_if_needed()
    for part in (0.0, 70.0):  # where the middles of the two ends lie on the page
        at = page.evaluate(
            """([x, y]) => { const s = document.querySelector('.outline-sheet');
                 const p = new DOMPoint(x, y).matrixTransform(s.getScreenCTM()); return [p.x, p.y]; }""",
            [part * math.sin(turn) + 6 * math.cos(turn), -(part * math.cos(turn) + 6 * math.sin(turn))],
        )
        page.mouse.click(*at)
    wait(lambda: "runs between" in page.text_content(".outline-pick p"))
    assert abs(float(page.input_value("#b-axis")) - 60) < 0.6
    for name in ("b-length", "b-width", "b-height", "b-place", "b-zone", "b-date"):
        page.fill(f"#{name}", NUMBERS[name])
    page.get_by_role("button", name="Begin from these numbers").click()
    page.wait_for_selector(".map .hall")
    assert abs(read_visit(served.folder / "visit.toml").axis - 60) < 0.6
    for length in ("71", "72"):  # changed twice in one stay at the field: by this window both times
        page.fill("#n-church-length", length)
        page.press("#n-church-length", "Enter")
        wait(lambda length=length: text_of(served)["church"]["length"] == int(length))
    assert not page.inner_text("#trouble")
    assert "axis_deg" not in text_of(served)["church"]


def test_a_scanned_plan_is_laid_under_by_two_clicks(planning: Any, wait: Any, tmp_path: Path) -> None:
    served, page = planning
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    scan = tmp_path / "scan.png"
    Image.new("L", (900, 400), 200).save(scan)
    page.set_input_files(".scan input", str(scan))
    wait(lambda: "west end of the axis" in page.text_content(".scan p"))
    picture = page.locator(".map image").bounding_box()
    for share in (0.1, 0.9):  # the building fills eight tenths of the scan's width
        page.mouse.click(picture["x"] + share * picture["width"], picture["y"] + picture["height"] / 2)
    wait(lambda: "drawing" in text_of(served)["place"])
    drawing = text_of(served)["place"]["drawing"]
    assert [round(p[0] / 900, 1) for p in drawing["points_px"]] == [0.1, 0.9]
    assert (served.folder / drawing["file"]).read_bytes()[:2] == b"\xff\xd8"
    wide = "document.querySelector('.map image')?.getBoundingClientRect().width ?? 0"
    wait(lambda: abs(page.evaluate(wide) / picture["width"] - 1 / 0.8) < 0.03)
    page.get_by_role("button", name="Take it away").click()
    wait(lambda: "drawing" not in text_of(served)["place"])


def test_a_frame_of_the_visit_is_placed_or_says_why_not(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/plan")
    page.wait_for_selector(".map .hall")
    wait(lambda: page.locator("#taken-frame option").count() == 3)
    page.get_by_role("button", name="Place it on the map").click()
    said = ".taken [role=status]"
    wait(lambda: "give or take" in page.text_content(said) or "to be placed" in page.text_content(said))
    if "give or take" in page.text_content(said):
        assert page.locator(".map .placed .bound").count() == 1
        page.get_by_role("button", name="Make it a point").click()
        wait(lambda: "was taken" in (served.folder / "visit.toml").read_text(encoding="utf-8"))


def test_what_a_hand_does_at_once_stays_with_its_thing(planning: Any, wait: Any) -> None:
    """The next number, point or button comes before the plan has been worked out anew: nothing is lost by it."""
    served, page = planning
    page.wait_for_selector(".begin")
    page.evaluate("for (const k of [1, 2]) [...document.querySelectorAll('.begin button')].at(-1).click()")
    page.wait_for_selector(".map .hall")
    assert not page.inner_text("#trouble"), "pressed twice, it is begun once"
    page.evaluate("clerestory.page.load = () => 0")
    other = row(served, "station", "west door")["at_m"]
    page.locator(thing("station", "crossing", ".spot")).click()
    page.fill("#n-at_m-0", "1")
    page.fill("#n-at_m-1", "41.5")
    page.locator(thing("station", "west door", ".spot")).click()
    wait(lambda: row(served, "station", "crossing")["at_m"] == [1, 41.5])
    assert row(served, "station", "west door")["at_m"] == other
    page.evaluate(
        """() => { for (const along of [40, 39]) {
             clerestory.page.moving({ table: "station", name: "crossing", set: { at_m: [1, along] } });
             clerestory.page.settle(); } }"""
    )
    wait(lambda: row(served, "station", "crossing")["at_m"] == [1, 39])
    page.evaluate(
        """async () => {
             clerestory.page.moving({ table: "station", name: "crossing", set: { at_m: [1, 38] } });
             clerestory.page.settleSoon();
             const note = { note: "Mind the step." };
             await clerestory.page.write([{ table: "station", name: "west door", set: note }]); }"""
    )
    wait(lambda: row(served, "station", "crossing")["at_m"] == [1, 38])
    page.locator(".order button", has_text="west rose").click()
    page.fill("#n-name", "great rose")
    page.get_by_role("button", name="Write the field card").click()
    card = served.folder / "plan" / "card.html"
    wait(card.exists)
    assert "great rose" in card.read_text(encoding="utf-8"), "the card has what was typed before it was asked for"
    assert not page.inner_text("#trouble")


def test_answers_that_come_late_draw_nothing_over_what_is_newer(planning: Any, wait: Any) -> None:
    _, page = planning
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    wait(lambda: page.evaluate("document.querySelector('canvas.seen').width") > 100)
    wide = page.evaluate(
        """async () => {
             const drawn = (wide) => new OffscreenCanvas(wide, 10);
             const bytes = async (canvas) => (canvas.getContext("2d"),
               (await canvas.convertToBlob({ type: "image/jpeg" })).arrayBuffer());
             const [older, newer] = [await bytes(drawn(40)), await bytes(drawn(80))];
             let late;
             const answers = [new Promise((answer) => { late = answer; }), newer];
             clerestory.wire.ask = () => answers.shift();
             const first = clerestory.page.picture();
             await clerestory.page.picture();
             late(older);
             await first;
             delete clerestory.wire.ask;
             return clerestory.page.canvas.width; }"""
    )
    assert wide == 80
    page.evaluate(
        """async () => {
             const { ask } = clerestory;
             let asked = 0;
             let go;
             const newer = new Promise((done) => { go = done; });
             clerestory.ask = async (what, fields) => {
               const first = what === "plan" && ++asked === 1;
               const found = await ask.call(clerestory, what, fields);
               if (first) await newer;
               return found; };
             const late = clerestory.page.load();
             clerestory.go("sort");
             clerestory.go("plan");
             while (!clerestory.page.shell) await new Promise((on) => { setTimeout(on, 20); });
             go();
             await late;
             delete clerestory.ask; }"""
    )
    mine = page.evaluate("document.querySelector('.plan') === clerestory.page.shell")
    assert mine, "a page that was left stays away"


def test_two_windows_on_one_map_are_asked_which_to_keep(planning: Any, wait: Any) -> None:
    served, page = planning
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    page.locator(thing("station", "crossing", ".spot")).click()
    page.evaluate("clerestory.page.loads = 1e9; clerestory.page.load = () => 0")  # this window hears of nothing
    other = page.context.new_page()
    other.goto(f"{served.base}/plan")
    other.wait_for_selector(".map .hall")
    other.locator(thing("station", "crossing", ".spot")).click()
    other.fill("#n-at_m-1", "40")
    other.locator("#n-at_m-1").blur()
    wait(lambda: row(served, "station", "crossing")["at_m"] == [0, 40])
    page.fill("#n-at_m-1", "38")
    page.locator("#n-at_m-1").blur()
    wait(lambda: "keep which?" in page.inner_text("#trouble"))
    assert "Theirs: at [0,40]" in page.inner_text("#trouble") and "Yours: at [0,38]" in page.inner_text("#trouble")
    page.click("#trouble >> text=Keep mine")
    wait(lambda: row(served, "station", "crossing")["at_m"] == [0, 38])
