"""The whole way in a browser: plan, card, sort, a line drawn, tone, undo, pictures written, a film's preview."""

from __future__ import annotations

import json
import math
import shutil
import signal
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from tests.web.conftest import open_finish
from websockets.sync.client import connect

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose, pitch_roll_of
from clerestory.camera.rectification import Rectification, project
from clerestory.visit.journal import Journal

Shoot = Callable[[Any, str], None]
AXE = Path(__file__).parent / "vendor" / "axe.min.js"


def looked_through(page: Any, part: str = "", more: str = "") -> None:
    """No serious or critical fault by axe-core's rules (WCAG 2 A and AA), on light ground; on dark, its contrasts.

    `part`: only of what a selector finds; `more`: a rule besides, which axe leaves out unless asked.
    """
    # axe is put in by the browser itself: the page's own policy allows no script but the server's.
    page.evaluate(AXE.read_text(encoding="utf-8"))
    besides = f", rules: {{'{more}': {{enabled: true}}}}" if more else ""
    where = f"document.querySelector('{part}')" if part else "document"
    for scheme, rules in (("light", besides), ("dark", ", runOnly: ['color-contrast']")):
        page.emulate_media(color_scheme=scheme)
        found = page.evaluate(f"axe.run({where}, {{resultTypes: ['violations']{rules}}})")
        bad = [
            f"{scheme}: {v['id']}: {v['help']}: {[n['target'] for n in v['nodes']][:3]}"
            for v in found["violations"]
            if v["impact"] in ("serious", "critical")
        ]
        assert not bad, bad


def lean_left(page: Any) -> float:
    return float(page.get_attribute(".lean", "data-left"))


def recipe(served: Any, view: str) -> dict[str, Any]:
    path = served.folder / "recipes" / f"{view}.toml"
    return tomllib.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def test_the_browser_reckons_as_the_camera_model(page: Any, served: Any) -> None:
    """The page's geometry against `camera.geometry`, over tilts and a lens with barrel distortion."""
    page.goto(f"{served.base}/sort")
    camera = Camera(5248, 3936, 3600.0, 2601.2, 1930.7)
    lens = Distortion((1.0, -0.06, 0.012, -0.002), (0.0004, -0.0007), (0.502, 0.497))
    rng = np.random.default_rng(3)
    for _ in range(4):
        pitch, roll, swing = rng.uniform([-0.1, -0.08, -0.2], [0.5, 0.08, 0.2])
        plumb = float(rng.uniform(0.2, 1))
        straight = Rectification(float(pitch), float(roll), plumb, float(swing))
        up = Pose(pitch=float(pitch), roll=float(roll)).up
        points = rng.uniform([200, 200], [4900, 3700], (6, 2))
        out = page.evaluate(
            """async ([camera, glass, straightening, points, up]) => {
              const g = await import('/assets/geometry.js');
              const h = g.homography(straightening, camera);
              const foot = [-0.4, 0.45].map((x) => {
                const ray = (t) => [x + t * up[0], 0.1 + t * up[1], 2 + t * up[2]];
                return [-0.8, 0.6].map(ray).map((r) =>
                  [camera.cx + camera.focal * r[0] / r[2], camera.cy + camera.focal * r[1] / r[2]]);
              });
              return { plane: points.map((p) => g.apply(h, p)),
                recorded: points.map((p) => g.recorded(p, camera, glass)),
                ideal: points.map((p) => g.ideal(p, camera, glass)),
                angles: g.pitchRoll(g.vertical(foot, camera, [0, -1, 0])) };
            }""",
            [vars(camera), {"radial": lens.radial, "tangential": lens.tangential, "centre": lens.centre},
             vars(straight), points.tolist(), up.tolist()],
        )  # fmt: skip
        np.testing.assert_allclose(out["plane"], project(straight.homography(camera), points), atol=1e-6)
        np.testing.assert_allclose(out["recorded"], lens.recorded(points, camera.size), atol=1e-6)
        np.testing.assert_allclose(out["ideal"], lens.ideal(points, camera.size), atol=1e-6)
        np.testing.assert_allclose(out["angles"], pitch_roll_of(up), atol=1e-6)


def test_plan_to_card(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    page.goto(f"{served.base}/plan")
    page.get_by_role("button", name="Begin from the worked example").click()
    page.wait_for_selector(".map .hall")
    before = page.text_content(".clock")
    page.focus("#time")
    page.keyboard.press("End")
    assert page.text_content(".clock") != before
    page.evaluate("const t = document.getElementById('time'); t.value = 48; t.dispatchEvent(new Event('input'))")
    page.get_by_role("button", name="Write the field card").click()
    card = page.get_by_role("link", name="for print")
    card.wait_for()
    assert (served.folder / "plan" / "card.pdf").read_bytes()[:5] == b"%PDF-"
    cautions = page.locator("h2:text-is('Take care') + ul li").all_text_contents()
    assert len(cautions) > 10 and cautions[0].startswith("Eyes: never look at the sun")
    assert "staff decide" in page.text_content("h2:text-is('House rules') + p")
    shot(page, "plan")
    looked_through(page)
    policy = page.request.get(f"{served.base}/kept/plan/card.html").headers["content-security-policy"]
    assert policy.startswith("sandbox allow-scripts") and "allow-same-origin" not in policy


def test_sort(page: Any, window: Any, served: Any, shot: Shoot, wait: Any) -> None:
    page.goto(f"{served.base}/sort")
    page.wait_for_selector(".view")
    rows = page.locator(".view")
    three = rows.filter(has=page.locator(".frame:nth-of-type(3)"))
    assert three.count() == 1
    name = three.locator("h2").text_content()
    assert "HM0004" in three.locator(".frame.pick").get_attribute("data-frame"), "the steady one of three is the pick"
    loaded = "[...document.querySelectorAll('.frame img')].every((i) => i.complete && i.naturalWidth)"
    wait(lambda: page.evaluate(loaded))
    shot(page, "sort")
    looked_through(page)
    three.locator(".frame").nth(0).click()
    page.keyboard.press("Space")  # chosen
    page.wait_for_selector(".frame[aria-pressed=true]")
    looked_through(page)
    shot(page, "sort-chosen")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Space")  # the pick, chosen too
    looked_through(page)
    for key in ("Space", "ArrowLeft", "Space", "Enter"):
        page.keyboard.press(key)
    page.wait_for_selector(".frame.pick[data-frame^=HM0003]")
    wait(lambda: recipe(served, name).get("pick") == "HM0003.dng")
    page.get_by_role("button", name="Undo").click()
    page.wait_for_selector(".frame.pick[data-frame^=HM0004]")
    assert recipe(served, name) == {}
    other = window.new_page()
    other.goto(f"{served.base}/sort")
    other.wait_for_selector(".view")
    page.locator(".frame[data-frame^=HM0005]").click(modifiers=["Control"])
    page.get_by_role("button", name="New view of chosen frames").click()
    wait(lambda: page.locator(".view").count() == 4)
    wait(lambda: other.locator(".view").count() == 4)
    other.get_by_role("button", name="Undo").click()
    wait(lambda: other.locator(".view").count() == 3)  # closed at once, it might be so before the click is sent
    other.close()
    wait(lambda: page.locator(".view").count() == 3)
    page.locator(".frame[data-frame^=HM0003]").click()
    page.keyboard.press("v")
    wait(lambda: page.evaluate("[...document.querySelectorAll('dialog img')].every((i) => i.naturalWidth > 800)"))
    shot(page, "sort-compare")
    looked_through(page)


def let_go_at(page: Any, x: float, y: float) -> None:
    """The hand moves a last time and lets go within one frame of the screen."""
    page.evaluate(
        """([x, y]) => {
          for (const kind of ["pointermove", "pointerup"])
            document.querySelector("svg.lines").dispatchEvent(new PointerEvent(kind, { clientX: x, clientY: y }));
        }""",
        [x, y],
    )
    page.mouse.up()


def test_lines_drawn_make_the_lean_fall(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    """Two verticals added and moved; one drawn beside an edge takes it only when it is asked to."""
    open_finish(page, served, "view-01")
    page.focus("#c-plumb")
    page.keyboard.press("Home")  # as shot
    wait(lambda: lean_left(page) > 5)
    leaning = lean_left(page)
    truth = Pose(pitch=math.radians(9.0), roll=math.radians(1.3)).up
    page.get_by_role("button", name="Draw lines").click()
    wait(lambda: page.evaluate("window.clerestory.page.lines.edges.length > 20"))
    for _ in range(2):
        page.get_by_role("button", name="Add a vertical line").click()
    for end in ("0-0", "1-0"):  # a line asks for nothing until a hand has laid it
        page.focus(f"[data-end='{end}']")
        page.keyboard.press("ArrowRight")
        page.keyboard.press("ArrowLeft")
    wait(lambda: page.evaluate("window.clerestory.page.facts.lines === 2"))
    wait(lambda: lean_left(page) < 0.2)
    box = page.locator(".lines .end").first.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y, steps=12)
    wait(lambda: page.evaluate("document.querySelector('canvas.picture').style.transform.startsWith('matrix3d')"))
    shot(page, "finish-lines")
    looked_through(page)
    laid = recipe(served, "view-01")["lines"][0]
    let_go_at(page, x, y + 1)
    wait(lambda: recipe(served, "view-01")["lines"][0] != laid)
    lines = recipe(served, "view-01")["lines"]
    assert [line["kind"] for line in lines] == ["vertical", "vertical"]
    moved = np.abs(np.subtract([laid["start"], laid["end"]], [lines[0]["start"], lines[0]["end"]]))
    assert moved.max() < 0.005, "a line lies where the hand let go of it"
    wait(lambda: lean_left(page) < 0.2)
    assert "plumb" not in recipe(served, "view-01")
    assert lean_left(page) < leaning / 20
    found = page.evaluate("window.clerestory.page.facts.rectification")
    up = Pose(pitch=found["pitch"], roll=found["roll"]).up
    assert math.degrees(math.acos(min(1.0, float(up @ truth)))) < 0.5, "the pose the picture was taken with"
    leaning_line = {"kind": "vertical", "start": [0.5, 0.2], "end": [0.57, 0.8], "off": False}
    page.evaluate("line => clerestory.page.lineUp([...clerestory.page.recipe.lines, line])", leaning_line)
    wait(lambda: page.evaluate("window.clerestory.page.facts.lines === 3"))
    assert page.locator(".odds", has_text="The building's own edges, accurate to").count() == 1
    assert page.locator(".line-list .doubtful").count() == 1, "and the line that does it is named"
    page.get_by_role("checkbox", name="Line 3, vertical: kept").uncheck()
    wait(lambda: [line.get("off", False) for line in recipe(served, "view-01")["lines"]] == [False, False, True])
    wait(lambda: page.locator(".odds").inner_text() == "" and lean_left(page) < 0.2)


def test_undo_right_after_a_key_takes_that_key_back(page: Any, served: Any, wait: Any) -> None:
    """What a key moved is written a moment later; an undo before that waits for it and is not overtaken by it."""
    open_finish(page, served, "view-02")
    page.get_by_role("button", name="Draw lines").click()
    page.get_by_role("button", name="Add a vertical line").click()
    page.focus("[data-end='0-0']")
    page.keyboard.press("ArrowRight")
    wait(lambda: len(recipe(served, "view-02").get("lines", [])) == 1)
    laid = recipe(served, "view-02")["lines"]
    page.evaluate(
        """() => {
          const stroke = (key, more) => new KeyboardEvent('keydown', { key, bubbles: true, ...more });
          document.querySelector("[data-end='0-0']").dispatchEvent(stroke('ArrowRight'));
          document.body.dispatchEvent(stroke('z', { ctrlKey: true }));
        }"""
    )
    wait(lambda: "undone" in page.text_content("#status"))
    wait(lambda: page.evaluate("clerestory.page.lines.later === null"))
    page.evaluate("clerestory.wire.ask('recipe', { view: 'view-02' })")  # answered after all that was asked before
    assert recipe(served, "view-02")["lines"] == laid
    page.keyboard.press("Control+z")
    wait(lambda: recipe(served, "view-02").get("lines", []) == [])


def test_slider_moved_just_before_another_view_is_opened_is_written_to_its_own(
    page: Any, served: Any, wait: Any
) -> None:
    open_finish(page, served, "view-02")
    page.evaluate(
        """() => {
          const slider = document.querySelector('#c-exposure');
          slider.dispatchEvent(new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true, cancelable: true }));
          clerestory.page.open('view-01');
        }"""
    )
    wait(lambda: "exposure" in recipe(served, "view-02"))
    page.wait_for_timeout(600)  # longer than what a slider waits for before it writes
    assert "exposure" not in recipe(served, "view-01")
    page.evaluate("window.clerestory.ask('set', {view: 'view-02', values: {exposure: null}, gesture: ''})")
    wait(lambda: recipe(served, "view-02") == {})


def test_an_edge_is_offered_and_taken_only_when_asked(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    """A line drawn two degrees off the longest upright edge, away from it by some pixels; Enter puts it there."""
    open_finish(page, served, "view-02")
    page.get_by_role("button", name="Draw lines").click()
    wait(lambda: page.evaluate("window.clerestory.page.lines.edges.length > 20"))
    box = page.locator("svg.lines").bounding_box()
    edge = page.evaluate(
        """() => {
          const drawn = window.clerestory.page.lines;
          const [w, h] = drawn.sheet.facts.size;
          for (const [a, b, c, d] of drawn.edges) {
            const e = [[a, b], [c, d]].map((p) => drawn.sheet.toPaper(p)).map((p) => [p[0] / w, p[1] / h]);
            const inside = e.every((p) => p.every((v) => v > 0.1 && v < 0.9));
            if (inside && Math.abs(e[0][0] - e[1][0]) < 0.02 && Math.abs(e[0][1] - e[1][1]) > 0.2) return e;
          }
        }"""
    )
    ends = [(box["x"] + x * box["width"], box["y"] + y * box["height"]) for x, y in sorted(edge, key=lambda p: p[1])]
    length = ends[1][1] - ends[0][1]
    page.mouse.move(ends[0][0] + 6, ends[0][1])
    page.mouse.down()
    page.mouse.move(ends[1][0] + 6 + 0.035 * length, ends[1][1], steps=8)
    page.mouse.up()
    wait(lambda: len(recipe(served, "view-02").get("lines", [])) == 1)
    page.wait_for_selector(".lines .offer")
    line = recipe(served, "view-02")["lines"][0]
    assert line["kind"] == "vertical"
    degrees = page.evaluate("window.clerestory.page.lines.offer.degrees")
    assert 1 < degrees < 3.5, "what was drawn is kept as it was drawn"
    shot(page, "finish-edge")
    looked_through(page)
    page.locator(".lines .end").first.focus()
    page.keyboard.press("Enter")
    wait(lambda: recipe(served, "view-02")["lines"][0] != line)
    assert page.locator(".lines .offer").count() == 0
    page.get_by_role("button", name="Remove the chosen line").click()
    wait(lambda: recipe(served, "view-02") == {})


def test_a_swing_on_offer_is_taken_by_its_button(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    open_finish(page, served, "view-01")
    offered = round(page.evaluate("clerestory.page.facts.swing_offer"), 1)
    assert page.get_by_text(f"Swing −{-offered}° would centre the axis").is_visible()
    shot(page, "finish-swing")
    swung = f"Math.abs(clerestory.page.facts.rectification.swing - {math.radians(offered)}) < 1e-6"
    page.get_by_role("button", name="Swing it").hover()
    wait(lambda: page.evaluate(swung))  # seen before it is taken
    assert "swing" not in recipe(served, "view-01")
    page.mouse.move(5, 5)
    wait(lambda: page.evaluate("clerestory.page.facts.rectification.swing === 0"))
    page.get_by_role("button", name="Swing it").click()
    wait(lambda: recipe(served, "view-01").get("swing") == offered)
    wait(lambda: page.evaluate(swung))
    page.get_by_role("button", name="Undo").click()
    wait(lambda: "swing" not in recipe(served, "view-01"))


def test_letter_keys_can_be_switched_off(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    """WCAG 2.2, success criterion 2.1.4; the choice outlasts the page."""
    open_finish(page, served, "view-02")
    page.keyboard.press("l")
    page.wait_for_selector("svg.lines.on")
    page.keyboard.press("l")
    page.get_by_role("checkbox", name="Letter keys").uncheck()
    page.locator("h1").focus()
    for key in ("l", "m", "1", "?"):
        page.keyboard.press(key)
    assert page.locator("svg.lines.on").count() == 0 and page.locator("dialog[open]").count() == 0
    assert page.evaluate("document.activeElement.id") != "c-exposure"
    page.goto(f"{served.base}/sort")
    page.wait_for_selector(".view")
    assert not page.get_by_role("checkbox", name="Letter keys").is_checked()
    page.keyboard.press(".")
    assert page.url.endswith("/sort")
    page.get_by_role("button", name="Keys", exact=True).click()
    keys = page.locator("#key-list dt").all_text_contents()
    assert "↓" in keys and not [k for k in keys if len(k) == 1 and k.isascii()]
    looked_through(page)
    shot(page, "keys")
    page.keyboard.press("Escape")
    page.get_by_role("checkbox", name="Letter keys").check()
    page.get_by_role("button", name="Keys", exact=True).click()
    assert "?" in page.locator("#key-list dt").all_text_contents()


def test_light_ground_by_the_system_and_by_choice(page: Any, served: Any, wait: Any) -> None:
    """The choice outlasts the page and counts over the system; pictures stay on dark ground."""
    ground = "getComputedStyle(document.documentElement).backgroundColor"

    def light() -> bool:
        return int(page.evaluate(ground).split("(")[1].split(",")[0]) > 128

    page.goto(f"{served.base}/sort")
    for scheme in ("dark", "light"):
        page.emulate_media(color_scheme=scheme)
        assert light() == (scheme == "light")
    page.click("#look")
    assert page.get_attribute("#look", "title") == "Appearance: light"
    page.emulate_media(color_scheme="dark")
    assert light()
    page.click("#look")
    page.emulate_media(color_scheme="light")
    page.goto(f"{served.base}/start")
    page.wait_for_selector(".arcade")
    assert not light() and page.get_attribute("#look", "title") == "Appearance: dark"
    page.click("#look")
    assert light() and page.get_attribute("#look", "title") == "Appearance: as the system has it"
    open_finish(page, served, "view-02")
    assert page.evaluate("getComputedStyle(document.querySelector('.stage')).backgroundColor") == "rgb(32, 33, 36)"


def test_tone_undo_and_two_tabs(page: Any, window: Any, served: Any, shot: Shoot, wait: Any) -> None:
    open_finish(page, served, "view-02")
    other = window.new_page()
    open_finish(other, served, "view-02")
    # The mean green of the picture: a single place may lie in a window, which is held.
    pixel = """() => {
      const canvas = document.querySelector('canvas.picture');
      const all = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
      let sum = 0;
      for (let i = 1; i < all.length; i += 4) sum += all[i];
      return sum / (all.length / 4);
    }"""
    before = page.evaluate(pixel)
    # Twenty strokes without a pause, however busy the machine is: a pause of a second would begin another step.
    stroke = "new KeyboardEvent('keydown', { key: 'ArrowRight', bubbles: true, cancelable: true })"
    page.locator("#c-exposure").evaluate(f"(s) => {{ for (let k = 0; k < 20; k += 1) s.dispatchEvent({stroke}); }}")
    wait(lambda: page.evaluate(pixel) > before + 12)
    wait(lambda: abs(recipe(served, "view-02").get("exposure", 0) - 1.0) < 1e-6)
    wait(lambda: other.evaluate(pixel) > before + 12)
    page.mouse.move(500, 300)
    wait(lambda: page.evaluate("document.querySelector('.light').textContent.includes('stops below white')"))
    page.keyboard.press("m")
    wait(lambda: page.evaluate("document.querySelector('.over').naturalWidth > 100"))
    shot(page, "finish-limits")
    looked_through(page)
    page.keyboard.press("m")
    page.get_by_role("button", name="Undo").click()
    wait(lambda: recipe(served, "view-02") == {})
    wait(lambda: abs(page.evaluate(pixel) - before) <= 3)
    wait(lambda: abs(other.evaluate(pixel) - before) <= 3)
    page.get_by_role("button", name="Redo").click()
    wait(lambda: recipe(served, "view-02").get("exposure") == 1.0)
    other.close()
    shot(page, "finish")


def test_copy_write_and_every_pixel(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    open_finish(page, served, "view-02")
    page.evaluate("window.clerestory.ask('set', {view: 'view-02', values: {exposure: 1.0}, gesture: ''})")
    wait(lambda: recipe(served, "view-02").get("exposure") == 1.0)
    page.get_by_role("button", name="Copy to").click()
    page.get_by_role("checkbox", name="view-01").check()
    looked_through(page)
    page.get_by_role("button", name="Copy", exact=True).click()
    wait(lambda: recipe(served, "view-01").get("exposure") == 1.0)
    page.get_by_role("button", name="Save all", exact=True).click()
    wait(lambda: "writing" in page.evaluate("Object.values(clerestory.visit.queue)"))
    page.get_by_role("button", name="Stop saving").click()  # the one being written is finished, no other begun
    page.wait_for_selector("button:text-is('Save all')")
    wait(lambda: page.evaluate("document.querySelector('#status').textContent === ''"))
    assert [p.stem for p in (served.folder / "pictures").glob("view-*.jpg")] == ["view-01"]
    page.get_by_role("button", name="Save all", exact=True).click()
    wait(lambda: len(list((served.folder / "pictures").glob("view-*.jpg"))) == 3)
    wait(lambda: page.evaluate("document.querySelector('#status').textContent === ''"))
    report = served.folder / "pictures" / "report.json"
    names = ["view-01", "view-02", "view-03"]
    wait(report.is_file)  # written when the last of them is
    wait(lambda: [v["view"] for v in json.loads(report.read_text(encoding="utf-8"))["views"]] == names)
    written = [p.stat().st_mtime for p in (served.folder / "pictures").glob("view-*.jpg")]
    wait(lambda: (served.folder / "pictures" / "sheet.jpg").stat().st_mtime >= max(written))
    page.get_by_role("button", name="Show at 100 %").click()
    wait(lambda: page.evaluate("clerestory.page.scale.state") == "proof")
    shot(page, "finish-pixels")
    looked_through(page)
    page.goto(f"{served.base}/kept/pictures/report.html")
    looked_through(page)


# What the takes are is asked as soon as one is kept, and again when it is in use: here the first answer comes last.
FIRST_ANSWER_LAST = """(() => {
  const house = clerestory.page.house;
  const ask = house.ask.bind(house);
  let first = true;
  house.ask = async (what, fields) => {
    const late = what === "film takes" && first;
    if (late) first = false;
    const answer = await ask(what, fields);
    if (late) await new Promise((done) => setTimeout(done, 3000));
    if (late) setTimeout(() => { window.takesLate = true; });
    return answer;
  };
})()"""


def first_take(page: Any, film: Path, wait: Any) -> None:
    """Record a take; it is kept, listed, and shown to be in use."""
    page.evaluate(FIRST_ANSWER_LAST)
    page.get_by_role("button", name="Record", exact=True).click()
    wait(lambda: page.evaluate("window.clerestory.page.recorder?.seconds > 1.5"))
    page.get_by_role("button", name="Stop recording").click()
    wait(lambda: tomllib.loads(film.read_text(encoding="utf-8"))["shots"][0].get("narration"))
    take = tomllib.loads(film.read_text(encoding="utf-8"))["shots"][0]["narration"]
    assert (film.parent / take).stat().st_size > 100_000
    wait(lambda: page.evaluate("window.takesLate"))
    page.wait_for_selector(".takes input:checked")


def test_film(page: Any, served: Any, shot: Shoot, wait: Any) -> None:
    wait(lambda: len(list((served.folder / "pictures").glob("view-*.jpg"))) == 3)
    page.goto(f"{served.base}/film")
    page.get_by_role("button", name="Draft a film").click()
    page.wait_for_selector(".shot")
    while page.locator(".shot").count() > 1:
        count = page.locator(".shot").count()
        page.get_by_role("button", name="Remove shot").click()
        wait(lambda n=count: page.locator(".shot").count() < n)
    page.fill("#words", "The nave looks east.")
    page.keyboard.press("Tab")
    film = served.folder / "film" / "film.toml"
    wait(lambda: tomllib.loads(film.read_text(encoding="utf-8"))["shots"][0].get("words") == "The nave looks east.")
    first_take(page, film, wait)
    page.get_by_role("button", name="Prompter").click()
    page.get_by_role("button", name="Record this shot").click()
    wait(lambda: page.evaluate("document.querySelector('.roll').scrollTop") > 0)  # the words roll
    wait(lambda: page.evaluate("window.clerestory.page.prompter.recorder?.seconds > 1.5"))
    page.get_by_role("button", name="Stop recording").click()
    wait(lambda: "LUFS" in page.locator(".shown p").inner_text())
    page.get_by_role("button", name="Close", exact=True).click()
    page.wait_for_selector(".takes .row:nth-child(2) input:checked")  # the page has heard which take is in use now
    page.get_by_role("button", name="Remove recording").hover()
    page.mouse.down()
    page.evaluate("void clerestory.page.load()")  # drawn anew while the button is held, as a busy machine does
    page.mouse.up()  # a browser's test tone is no speech
    wait(lambda: not tomllib.loads(film.read_text(encoding="utf-8"))["shots"][0].get("narration"))
    page.get_by_role("button", name="Title and sound").click()
    page.locator("#loudness").select_text()
    page.evaluate("clerestory.page.load()")  # drawn anew between the choosing and the typing, as a busy machine does
    page.keyboard.insert_text("-23")
    page.keyboard.press("Tab")  # whichever field has the focus: the page may be drawn anew meanwhile
    wait(lambda: tomllib.loads(film.read_text(encoding="utf-8")).get("loudness") == -23)
    page.wait_for_selector("#loudness")  # the same form is still there when the page has heard of its own change
    page.get_by_role("button", name="Make film").click()
    page.get_by_role("button", name="Cancel").click()  # at once, while its process starts
    wait(lambda: page.get_by_role("button", name="Make film").is_enabled())
    assert not (served.folder / "film" / "film.mp4").exists()
    page.get_by_role("button", name="Make preview").click()
    page.wait_for_selector("video")
    wait(lambda: page.evaluate("document.querySelector('video').duration > 3"))
    page.evaluate("const v = document.querySelector('video'); v.muted = true; v.play()")
    wait(lambda: page.evaluate("document.querySelector('video').currentTime > 0.2"))
    shot(page, "film")
    looked_through(page)


def test_a_killed_server_loses_nothing(photographed: Path, tmp_path: Path, serving: Any, stopped: Any) -> None:
    """Every change is on the disk when it is answered; the journal outlives the kill."""
    folder = tmp_path / "visit"
    shutil.copytree(photographed, folder)
    script = tmp_path / "serve_it.py"
    first = serving(folder, script)
    headers = {"Cookie": first.cookie, "Origin": first.base}
    with connect(f"ws://127.0.0.1:{first.port}/talk", additional_headers=headers) as talk:

        def ask(number: int, **message: Any) -> Any:
            talk.send(json.dumps({"id": number, **message}))
            while True:
                answer = talk.recv(60)
                if isinstance(answer, str) and json.loads(answer).get("id") == number:
                    return json.loads(answer)

        number = 1
        while not ask(number, do="visit")["result"]["views"]:
            number += 1
        said = ask(number + 1, do="set", view="view-01", values={"shade_lift": 1.5})
        assert said["result"]["shade_lift"] == 1.5
        assert "error" in ask(number + 2, do="set", view="view-01", values={"shade_lift": 99})
        assert "error" in ask(number + 3, do="set", view="../view", values={"shade_lift": 1})
    stopped(first, getattr(signal, "SIGKILL", signal.SIGTERM))
    assert tomllib.loads((folder / "recipes" / "view-01.toml").read_text(encoding="utf-8")) == {"shade_lift": 1.5}
    assert Journal(folder).undo("finish") is not None
    assert not (folder / "recipes" / "view-01.toml").exists()
