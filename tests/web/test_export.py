"""The export page: sets kept as text, a queue that tells the truth, broken off and gone on with."""

from __future__ import annotations

import shutil
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from clerestory.errors import UserError
from clerestory.web.conflict import Conflict
from clerestory.web.desk import Desk
from clerestory.web.export_desk import ExportDesk
from web.test_way import looked_through

PRINTS = {"name": "Prints", "print_size": [40, 30], "resolution": 150, "sharpen_for": "print"}


# What would be written is asked for three views, then for two; the first answer comes last.
FIRST_ANSWER_LAST = """async () => {
  const { page } = clerestory;
  const { wire } = clerestory;
  const ask = wire.ask.bind(wire);
  let go;
  const late = new Promise((done) => { go = done; });
  wire.ask = async (what, fields) => { wire.ask = ask; await late; return ask(what, fields); };
  const first = page.names();
  page.chosen.delete("view-03");
  await page.names();
  go();
  await first;
  const said = page.come.textContent;
  page.chosen.add("view-03");
  await page.names();
  return said;
}"""


def opened_where_it_is_wrong(page: Any, kept: Path) -> None:
    """A wrong text is told with its line, and opened from there."""
    kept.write_text('[[set]]\nname = "x"\nspace = "cmyk"\n', encoding="utf-8")
    page.reload()
    page.wait_for_selector("#trouble >> text=line 3")
    page.click("#trouble >> text=Open exports.toml")
    page.wait_for_selector("dialog textarea")


def test_a_set_is_kept_used_and_taken_off(house: Any, shot: Callable[[Any, str], None], wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/export")
    page.wait_for_selector(".choose img")
    page.click(".of-views >> text=All")
    page.fill("#set-name", "Prints, small")
    page.check(".wishes >> label:has-text('1:1') >> input")
    page.check(".wishes >> label:has-text('TIFF') >> input")
    page.select_option("#set-size", "print_size")
    for part, value in (("width", "40"), ("height", "30"), ("resolution", "150")):
        page.fill(f"#set-{part}", value)
    page.select_option("#set-sharpen", "print")
    page.select_option("#set-space", "rec2020")
    page.wait_for_selector("text=12 files in exports/Prints, small")
    page.click("nav >> text=Sort")  # what is not kept yet outlasts a look at another page
    page.click("nav >> text=Export")
    wait(lambda: page.input_value("#set-name") == "Prints, small" and page.input_value("#set-resolution") == "150")
    page.click(".of-views >> text=All")
    page.wait_for_selector("text=12 files in exports/Prints, small")
    page.click("text=Keep as a set")
    kept = served.folder / "exports.toml"
    wait(kept.exists)
    [table] = tomllib.loads(kept.read_text(encoding="utf-8"))["set"]
    assert table == {"name": "Prints, small", "aspects": ["own", "1:1"], "kinds": ["jpeg", "tiff"],
                     "space": "rec2020", "print_size": [40, 30], "resolution": 150,
                     "sharpen_for": "print"}  # fmt: skip
    page.wait_for_selector(".sets [aria-pressed=true]")
    looked_through(page)
    assert page.evaluate(FIRST_ANSWER_LAST).startswith("8 files"), "of two answers the later asked for holds"
    page.click("button:text-is('Export 3 views')")
    wait(lambda: page.locator("[data-state=exporting]").count() == 1)
    assert page.locator("#works >> text=exporting pictures").count() == 1
    page.click("#works >> text=Break off")
    wait(lambda: page.locator("[data-state='broken off']").count() == 2)
    wait(lambda: page.locator("[data-state=done]").count() == 1)
    assert "1 of 3 views exported" in page.inner_text(".line-up")
    folder = served.folder / "exports" / "Prints, small"
    assert len(list(folder.iterdir())) == 4
    page.click(".line-up >> text=Try again")
    wait(lambda: page.locator("[data-state=done]").count() == 3)
    assert len(list(folder.iterdir())) == 12
    with Image.open(folder / "view-01_1x1.jpg") as image:
        assert round(float(image.info["dpi"][0])) == 150 and image.width <= 30 / 25.4 * 150 + 1
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(
            "['html', 'main'].every((part) => document.querySelector(part).scrollWidth <= innerWidth)"
        )
        shot(page, f"export-{width}")
    looked_through(page)
    assert (
        page.request.get(f"{served.base}/exported/Prints, small/view-01.jpg").headers["content-type"] == "image/jpeg"
    )
    for crooked in ("..%2fpictures/x.jpg", ".clerestory/catalogue.sqlite", "Prints, small/none.jpg"):
        assert page.request.get(f"{served.base}/exported/{crooked}").status in (400, 404)
    opened_where_it_is_wrong(page, kept)


@pytest.fixture
def desk(photographed: Path, tmp_path: Path, wait: Any) -> Any:
    folder = tmp_path / "visit"
    shutil.copytree(photographed, folder)
    found = Desk(folder, lambda event, **facts: None)
    found.begin()
    wait(lambda: found.sorting["state"] == "sorted")
    yield found
    found.close()


def test_two_windows_do_not_overwrite_each_others_sets(desk: Any) -> None:
    exports = ExportDesk(desk)
    exports.keep(PRINTS, None)
    known = exports.facts()["sets"][0]
    exports.keep({**PRINTS, "space": "display-p3"}, known)
    with pytest.raises(Conflict):
        exports.keep({**PRINTS, "space": "rec2020"}, known)
    with pytest.raises(Conflict):
        exports.keep({"name": "prints", "long_edge": 1000}, None)  # a new set of a name that is taken
    assert exports.facts()["sets"][0]["space"] == "display-p3"
    assert exports.keep({**PRINTS, "name": "Sheets"}, exports.facts()["sets"][0], "Prints") == "Sheets"
    assert [one["name"] for one in exports.facts()["sets"]] == ["Sheets"]
    desk.step("export", back=True)
    assert [one["name"] for one in exports.facts()["sets"]] == ["Prints"]
    exports.drop("Prints")
    assert not (desk.root / "exports.toml").exists()


def test_what_cannot_be_exported_says_why_and_what_is_not_there_is_never_called_done(desk: Any, wait: Any) -> None:
    exports = ExportDesk(desk)
    with pytest.raises(UserError, match="at least one view"):
        exports.export(PRINTS, [])
    with pytest.raises(UserError, match="resolution"):
        exports.export({"name": "Prints", "print_size": [40, 30]}, ["view-01"])
    (desk.root / "exports").write_text("in the way", encoding="utf-8")
    exports.export({"name": "Page", "long_edge": 300}, ["view-01"])
    wait(lambda: not exports.busy)
    [entry] = exports.facts()["queue"]["entries"]
    assert entry["state"] == "failed" and "exports" in entry["said"] and "fault" not in entry["said"]
    (desk.root / "exports").unlink()
    exports.again()
    wait(lambda: not exports.busy)
    [entry] = exports.facts()["queue"]["entries"]
    assert entry["state"] == "done" and (desk.root / "exports" / "Page" / entry["files"][0]).is_file()
    exports.export({"name": "Page", "long_edge": 300}, ["view-01"])
    wait(lambda: not exports.busy)
    assert [e["state"] for e in exports.facts()["queue"]["entries"]] == ["kept"]
