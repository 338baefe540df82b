"""The start page in a browser: a new visit, folders that are not what was meant, a card, the demo, its own end."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from clerestory.errors import UserError
from clerestory.files import places
from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.web import launch
from clerestory.web.bring import Bringing
from clerestory.web.errand import Errand
from clerestory.web.gate import Gate, Once
from clerestory.web.records import Records
from clerestory.web.start import Recents, begin_visit, doubts_of, folders_in, small_picture
from web.conftest import EXAMPLE, START, card_of
from web.test_gate import ask
from web.test_way import looked_through


def finished_picture(path: Path) -> None:
    Image.fromarray(np.full((60, 80, 3), 120, np.uint8)).save(path, "JPEG")


@pytest.mark.parametrize("width", [1440, 1024, 390])
def test_nothing_is_cut_or_scrolls_sideways(
    begun: Any, photographed: Path, shot: Callable[[Any, str], None], wait: Any, width: int
) -> None:
    served, page, here = begun
    for name in ("St Corvane's, June", "Harrowmere minster, the north quire aisle and its glass, a second visit"):
        folder = VisitFolder.create(here / "Pictures" / name)
        shutil.copy(photographed / "frames" / "HM0001.dng", folder.frames)
        finished_picture(folder.pictures / "view-01.jpg")
        Recents(here / "run" / "data" / "clerestory" / "visits.json").add(folder.root)
    shutil.rmtree(here / "Pictures" / "St Corvane's, June")
    card_of(photographed, here / "media", ["HM0001.dng", "HM0002.dng"])
    page.set_viewport_size({"width": width, "height": 900})
    page.goto(f"{served.base}/start")
    page.wait_for_selector("button.visit")
    wait(lambda: page.evaluate("[...document.images].every((i) => i.complete && i.naturalWidth)"))
    within = "['html', 'main'].every((part) => document.querySelector(part).scrollWidth <= innerWidth)"
    assert page.evaluate(within)
    shot(page, f"start-{width}")
    page.evaluate("document.querySelector('main').scrollTo(0, 1e6)")
    shot(page, f"start-{width}-below")
    looked_through(page)
    page.click("text=Open a folder")
    page.wait_for_selector("dialog .folders li")
    shot(page, f"browse-{width}")
    looked_through(page)
    assert page.evaluate(
        "document.querySelector('dialog').scrollWidth <= document.querySelector('dialog').clientWidth"
    )
    page.goto(f"{served.base}/import")
    page.wait_for_selector(".sheet-of-card img")
    assert page.evaluate(within)
    shot(page, f"import-{width}")
    looked_through(page)


def test_from_the_start_page_to_a_new_visit_and_another(begun: Any, wait: Any) -> None:
    served, page, here = begun
    page.fill("#new-name", "St Corvane's: June")
    page.click("text=Begin >> nth=0")
    page.wait_for_url("**/plan")
    folder = here / "Pictures" / "St Corvane's- June"
    assert (folder / "frames").is_dir()
    wait(lambda: page.text_content("#visit-name") == folder.name)
    other = page.context.new_page()
    other.goto(f"{served.base}/start")
    other.fill("#new-name", "Harrowmere")
    other.click(".ways-in form > button")
    other.wait_for_url("**/plan")
    page.wait_for_url("**/start")  # the former visit's page shows nothing that is no longer open
    with VisitFolder(folder).serving():  # its lock is let go
        pass
    names = [r.title for r in Recents(here / "run" / "data" / "clerestory" / "visits.json").all()]
    assert names == ["Harrowmere", folder.name] or names == [folder.name, "Harrowmere"]
    page.click(f"button.visit:has-text('{folder.name[:8]}')")
    page.wait_for_url("**/plan")
    other.wait_for_url("**/start")


def test_a_card_into_a_visit_with_one_frame_there_already(
    begun: Any, photographed: Path, shot: Callable[[Any, str], None], wait: Any
) -> None:
    served, page, here = begun
    page.goto(f"{served.base}/import")
    page.wait_for_selector("text=No visit is open")
    visit = VisitFolder.create(here / "Pictures" / "Harrowmere")
    shutil.copy(photographed / "frames" / "HM0002.dng", visit.frames / "old.dng")
    page.goto(f"{served.base}/start")
    page.wait_for_selector(".none-yet")
    page.evaluate("path => clerestory.open(path)", str(visit.root))
    page.wait_for_url("**/sort")
    page.goto(f"{served.base}/import")
    page.wait_for_selector("text=No card or stick")
    card = card_of(photographed, here / "media", ["HM0001.dng", "HM0002.dng", "HM0003.dng"])
    before = {p.name: p.read_bytes() for p in card.rglob("*.dng")}
    page.wait_for_selector("text=Import 3 frames")  # seen without being asked to look
    wait(
        lambda: page.evaluate(
            "[...document.querySelectorAll('.sheet-of-card img')].filter((i) => i.naturalWidth > 50).length === 3"
        )
    )
    second = here / "second"
    second.mkdir()
    page.fill("#second", str(second))
    assert page.evaluate(  # while another card is looked at, nothing is imported from the one before
        """async (card) => {
             const { ask } = clerestory;
             let on;
             const held = new Promise((go) => { on = go; });
             clerestory.ask = (what, fields) => held.then(() => ask.call(clerestory, what, fields));
             const looked = clerestory.page.look(card);
             const off = clerestory.page.go.disabled;
             delete clerestory.ask;
             on();
             await looked;
             return off && !clerestory.page.go.disabled; }""",
        str(card),
    )
    page.evaluate("for (const k of [1, 2]) document.querySelector('button.main').click()")
    page.wait_for_selector(".outcome .keep")
    assert not page.inner_text("#trouble"), "pressed twice, it is imported once"
    said = page.inner_text(".outcome")
    assert "2 frames copied, read back" in said and "1 frame of the card was here already" in said
    assert "safe to take the card out" in said and "HM0009.MOV" in said
    shot(page, "import-done")
    looked_through(page)
    names = {p.name for p in visit.frames.iterdir()}
    assert len(names) == 3 and "old.dng" in names and read_digests(visit.digests).keys() == names
    assert len(list((second / "frames").iterdir())) == 3
    assert {p.name: p.read_bytes() for p in card.rglob("*.dng")} == before
    page.click("text=Go on to Sort")
    wait(lambda: "3 frames" in page.inner_text(".lead"))
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        shot(page, f"sort-{width}")
    shutil.rmtree(card)
    page.goto(f"{served.base}/start")
    page.fill("#new-name", "Another")
    page.click(".ways-in form > button")
    page.wait_for_url("**/plan")
    page.goto(f"{served.base}/import")
    page.wait_for_selector("text=No card or stick")
    page.wait_for_selector(".where >> text=Another")
    assert not page.locator(".outcome .keep").count(), "what went into another visit is no news of this one"


def test_a_visit_is_checked_learnt_from_and_listed(
    begun: Any, photographed: Path, shot: Callable[[Any, str], None], wait: Any
) -> None:
    served, page, here = begun
    visit = VisitFolder.create(here / "Pictures" / "Harrowmere")
    for path in (photographed / "frames").iterdir():
        shutil.copy(path, visit.frames)
    page.evaluate("path => clerestory.open(path)", str(visit.root))
    page.wait_for_url("**/sort")
    wait(lambda: "5 frames" in page.inner_text(".lead"))
    (visit.root / "about.toml").write_text("title = ", encoding="utf-8")
    page.goto(f"{served.base}/records")
    wait(lambda: page.locator(".records tbody tr").count() == 5)
    shown = page.evaluate(
        """async () => {
             const { ask, page } = clerestory;
             const newer = { ...page.frames, of: 7 };
             let late;
             const answers = [new Promise((answer) => { late = answer; }), Promise.resolve(newer)];
             clerestory.ask = () => answers.shift();
             const former = page.catalogue();
             await page.catalogue();
             late({ ...newer, of: 6 });
             await former;
             delete clerestory.ask;
             return page.frames.of; }"""
    )
    assert shown == 7, "an answer that comes late is not drawn over a newer"
    with page.expect_download() as saved:
        page.click("text=Save as CSV")
    assert saved.value.suggested_filename == "catalogue.csv"
    assert Path(saved.value.path()).read_bytes().count(b"\r\n") == 6
    page.click("text=Check the visit")
    page.wait_for_selector("td:has-text('about.toml')")
    page.click("text=Learn from its frames")
    page.wait_for_selector("#trouble >> text=about.toml")  # told, with a way on
    page.click("td >> text=Open it")
    page.wait_for_selector("dialog textarea")  # the text at fault, where it can be mended
    said = '[views.view-03]\ntitle = "aisle in sunlight"\nkeywords = ["arcade"]\n'
    page.fill("dialog textarea", said)
    page.click("dialog >> text=Save")
    wait(lambda: (visit.root / "about.toml").read_text(encoding="utf-8") == said)
    (visit.root / "visit.toml").write_text(EXAMPLE, encoding="utf-8")
    planned = {"name": "aisle in sunlight", "framing": {"focal": 31.0}, "focus": {"f_number": 4.5},
               "settings": {"seconds": 0.02, "iso": 200, "chance": 0.9}}  # fmt: skip
    (visit.root / "plan").mkdir()
    (visit.root / "plan" / "plan.json").write_text(json.dumps({"views": [planned]}), encoding="utf-8")
    page.goto(f"{served.base}/records")
    page.click("text=Learn from its frames")
    page.wait_for_selector("text=The page with its plots")
    assert page.locator(".plot svg").count() >= 3 and "stops slower than" in page.inner_text(".plot >> nth=0")
    row = page.inner_text("[aria-label='Planned and measured'] tbody")
    assert "31 mm, f/4.5, 1/50, ISO 200" in row and "20 mm, f/5.6, 1/10, ISO 200" in row and "90 %" in row
    page.fill("#seek", "ARCADE hm0005")  # a keyword of its view, and the file
    wait(lambda: page.locator("[aria-label=Frames] tbody tr").count() == 1)
    with page.expect_download() as saved:
        page.click("text=Save as JSON")
    found = json.loads(Path(saved.value.path()).read_bytes())
    assert [frame["name"] for frame in found["frames"]] == ["HM0005.dng"]
    assert (visit.root / "learned.toml").is_file()
    policy = ask(served, "/records/learned.html")[1]
    assert "sandbox allow-scripts" in policy and "allow-same-origin" not in policy
    page.fill("#seek", "")
    looked_through(page)
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate("document.querySelector('main').scrollWidth <= innerWidth")
        shot(page, f"records-{width}")


def test_what_is_not_a_visit_is_said_with_what_to_do(begun: Any, wait: Any) -> None:
    _, page, here = begun
    for name in ("empty", "jpegs"):
        (here / "Pictures" / name).mkdir()
    finished_picture(here / "Pictures" / "jpegs" / "a.jpg")
    page.click("text=Open a folder")
    page.wait_for_selector("dialog .folders >> text=jpegs")
    assert "1 finished picture" in page.inner_text("dialog .folders")
    page.fill("dialog .path input", str(here / "nowhere"))
    page.click("dialog >> text=Go")
    wait(lambda: "no such folder" in page.inner_text("dialog [role=status]"))
    page.fill("dialog .path input", str(here / "Pictures"))
    page.click("dialog >> text=Go")
    page.click("dialog .folders >> text=jpegs")
    wait(lambda: page.input_value("dialog .path input").endswith("jpegs"))
    page.click("text=Open this folder")
    page.wait_for_selector("#trouble >> text=1 finished pictures")
    assert page.locator("#trouble .row button").all_inner_texts() == [
        "Choose another folder",
        "Import frames",
        "Open it as it is",
    ]
    looked_through(page)
    page.evaluate("path => clerestory.open(path)", str(here / "gone"))
    wait(lambda: "no such folder" in page.inner_text("#trouble"))
    page.evaluate("path => clerestory.open(path)", str(here / "Pictures" / "empty"))
    page.click("#trouble >> text=Begin a visit in it")
    page.wait_for_url("**/plan")
    assert (here / "Pictures" / "empty" / ".clerestory").is_dir()


def test_the_demo_is_made_with_one_button_broken_off_and_opened(begun: Any, wait: Any) -> None:
    _, page, here = begun
    (here / "slow").touch()
    page.click("text=Make the demo")
    page.click("#works >> text=Break off")
    page.wait_for_selector("#trouble >> text=goes on from there")
    (here / "slow").unlink()
    page.click("#trouble >> text=Go on with it")
    page.wait_for_url("**/sort")
    assert (here / "Pictures" / "Clerestory demo" / "frames").is_dir()


def test_it_ends_by_itself_when_its_pages_are_closed(
    tmp_path: Path, serving: Any, stopped: Any, browser: Any, wait: Any
) -> None:
    (tmp_path / "media").mkdir()
    (tmp_path / "Pictures").mkdir()
    script = tmp_path / "begin_it.py"
    served = serving(tmp_path, script, START.replace("float(sys.argv[2]) if len(sys.argv) > 2 else None", "0.05"))
    context = browser.new_context()
    page = context.new_page()
    page.goto(served.address.split(" ")[0])
    page.wait_for_selector(".none-yet")
    page.wait_for_timeout(5000)
    assert served.process.poll() is None  # 3 seconds are over, and a page is open
    context.close()
    wait(lambda: served.process.poll() is not None)
    assert served.process.poll() == 0


def test_folders_are_told_by_name_and_count_alone(tmp_path: Path) -> None:
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    for folder in (inside / "a" / "frames", inside / ".hidden", outside):
        folder.mkdir(parents=True)
    (inside / "a" / "frames" / "secret.dng").touch()
    (inside / "b.jpg").touch()
    (inside / "linked").symlink_to(outside)
    found = folders_in(str(inside))
    assert [(f["name"], f["raw"]) for f in found["folders"]] == [("a", 1)] and found["rendered"] == 1
    assert "secret" not in json.dumps(found) and "b.jpg" not in json.dumps(found)
    for words in (str(inside / "linked"), str(inside / "linked" / ".." / "outside"), "inside", str(inside / "none")):
        with pytest.raises(UserError):
            folders_in(words)


def test_the_start_page_is_as_guarded_as_the_others(begun: Any) -> None:
    served, _, _ = begun
    for path in (
        "/start",
        "/import",
        "/records",
        "/records/catalogue.csv",
        "/records/learned.html",
        "/key",
        "/recent/0123456789abcdef",
        "/card/0",
    ):
        assert ask(served, path, Cookie=None)[0] == 403
        assert ask(served, path, Sec_Fetch_Site="cross-site")[0] == 403
        assert ask(served, path, Host=f"harrowmere.example:{served.port}")[0] == 403
    assert ask(served, "/start")[0] == 200 and ask(served, "/recent/0123456789abcdef")[0] == 404
    assert ask(served, "/sort")[0] == 303 and ask(served, "/kept/pictures/a.jpg")[0] == 404
    assert ask(served, "/card/0")[0] == 400  # no card was looked at


def test_a_visit_that_was_moved_away_or_has_no_picture_has_none_to_show(tmp_path: Path) -> None:
    visit = VisitFolder.create(tmp_path / "Harrowmere")
    assert small_picture(tmp_path / "moved") is None and small_picture(visit.root) is None
    finished_picture(visit.pictures / "view-01.jpg")
    shown = small_picture(visit.root)
    assert shown is not None and shown.exists()


def test_a_new_visit_takes_no_place_that_is_taken(tmp_path: Path) -> None:
    assert begin_visit("A/B: c", str(tmp_path)) == tmp_path / "A-B- c"
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "x").touch()
    for name in ("full", " "):
        with pytest.raises(UserError):
            begin_visit(name, str(tmp_path))
    assert doubts_of(tmp_path / "A-B- c") is None
    assert "no frame" in doubts_of(tmp_path / "full")["said"]  # type: ignore[index]


def test_drives_are_what_is_mounted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    media, mnt = tmp_path / "media", tmp_path / "mnt"
    for folder in (media / "CARD" / "dcim", media / "not mounted", mnt / "disk"):
        folder.mkdir(parents=True)
    (media / "link").symlink_to(mnt)
    monkeypatch.setattr(places, "_mount_roots", lambda: [media, mnt])
    monkeypatch.setattr(places, "_mounted", lambda path: path.is_dir() and path.name != "not mounted")
    assert [(d.name, d.removable, d.card) for d in places.drives()] == [("CARD", True, True), ("disk", False, False)]


def endless(on_progress: Callable[[str, int, int | None], None]) -> None:
    """Work that only a wish to break it off ends."""
    while True:
        on_progress("working", 1, None)


def test_what_became_of_another_visits_check_is_no_news_of_this_one(tmp_path: Path) -> None:
    records = Records(lambda *_, **__: None)
    visits = [VisitFolder.create(tmp_path / name) for name in ("St Corvane", "Harrowmere")]
    records.of, records.work["check"].state = str(visits[0].root), {"state": "failed", "said": "A fault."}
    assert [records.facts(visit)["work"]["check"]["state"] for visit in visits] == ["failed", "idle"]


def test_work_in_the_other_process_can_be_broken_off(wait: Any) -> None:
    told: list[str] = []
    errand = Errand(lambda facts: told.append(facts["state"]))
    errand.begin(endless)
    with pytest.raises(UserError):
        errand.begin(endless)
    wait(lambda: errand.state.get("what") == "working")
    errand.stop()
    wait(lambda: not errand.busy)
    assert told[-1] == "stopped"


def test_an_import_broken_off_goes_on_and_never_says_safe_before_its_end(
    photographed: Path, tmp_path: Path, wait: Any
) -> None:
    card = card_of(photographed, tmp_path, ["HM0001.dng", "HM0002.dng", "HM0003.dng"])
    visit = VisitFolder.create(tmp_path / "visit")
    after: list[bool] = []

    def say(facts: dict[str, Any]) -> None:
        if facts["state"] == "copying" and facts["done"] == 1 and not after:
            bringing.stop()

    bringing = Bringing(say)
    for inside in (visit.root, tmp_path, visit.frames):  # the visit itself, or what it lies in, is no card
        with pytest.raises(UserError):
            bringing.begin(str(inside), "", visit, lambda: None)
    with pytest.raises(UserError):
        bringing.begin(str(card), str(card / "DCIM"), visit, lambda: None)
    bringing.begin(str(card), "", visit, lambda: after.append(True))
    wait(lambda: bringing.state["state"] == "stopped" and after)
    assert "1 frame copied" in bringing.state["said"] and "still holds" in bringing.state["keep"]
    assert len(list(visit.frames.iterdir())) == 1
    bringing.begin(str(card), "", visit, lambda: after.append(True))
    wait(lambda: len(after) == 2)
    assert bringing.state["already"] == 1 and "safe to take" in bringing.state["keep"]
    bringing.look(str(card), visit)
    assert bringing.picture(0)[:2] == b"\xff\xd8"
    shutil.rmtree(card)
    assert bringing.picture(0) and not bringing.picture(1), "what was not read of it has no picture now"
    with pytest.raises(UserError, match="no such folder"):
        bringing.begin(str(card), "", visit, lambda: None)


def test_without_a_terminal_what_goes_wrong_is_in_a_file_and_on_a_page(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[str] = []

    def refused(_: Callable[[str], None]) -> None:
        raise UserError("Port 80 is <not> available.")

    monkeypatch.setattr(launch, "data_folder", lambda: tmp_path / "data")
    monkeypatch.setattr(launch, "launch", refused)
    monkeypatch.setattr(launch.webbrowser, "open", opened.append)
    for name in ("stdout", "stderr"):
        monkeypatch.setattr(sys, name, None)  # as pythonw gives them
    with pytest.raises(SystemExit) as end:
        launch.main()
    assert end.value.code == 1 and opened == [(tmp_path / "data" / "error.html").as_uri()]
    assert "&lt;not&gt;" in (tmp_path / "data" / "error.html").read_text(encoding="utf-8")
    assert "Port 80" in (tmp_path / "data" / "errors.log").read_text(encoding="utf-8")


def test_a_key_for_one_time_opens_once() -> None:
    once = Once()
    gate = Gate(lambda *_: None, "t" * 32, once)  # type: ignore[arg-type, return-value]
    key = once.fresh()
    assert not gate._is_key("") and not gate._is_key("guess")
    assert gate._is_key(key) and not gate._is_key(key) and gate._is_key("t" * 32)
