"""What goes wrong in the pages says what to do next, and it goes on: a full disk, a card pulled out, a drive gone."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.web import views
from clerestory.web.desk import Desk
from clerestory.web.views import Table
from running import filled
from web.conftest import card_of
from web.test_way import looked_through

NAMES = [f"HM000{k}.dng" for k in range(1, 6)]


def opened(page: Any, base: str, folder: Path) -> None:
    page.goto(f"{base}/start")
    page.wait_for_selector(".arcade")
    page.evaluate("path => clerestory.open(path, true)", str(folder))
    page.wait_for_url(lambda url: url.endswith(("/sort", "/plan")))


def test_a_card_pulled_out_in_the_middle(
    begun: Any, photographed: Path, shot: Callable[[Any, str], None], wait: Any
) -> None:
    served, page, here = begun
    visit = VisitFolder.create(here / "Pictures" / "Harrowmere")
    opened(page, served.base, visit.root)
    card = card_of(photographed, here / "media", NAMES)
    (here / "hold").touch()
    page.goto(f"{served.base}/import")
    page.click("text=Import 5 frames")
    page.wait_for_selector("text=2 of 5 copied and compared")
    aside = here / "aside"
    card.rename(aside)  # as when it is pulled out
    (here / "hold").unlink()
    page.wait_for_selector(".outcome >> text=the card is gone; put it back")
    said = page.inner_text(".outcome")
    assert "2 frames were copied whole" in said and "safe to take" not in said and "Leave the card as it is" in said
    assert page.locator("#trouble > div").count() == 0, "it is said once"
    looked_through(page)
    shot(page, "fault-card")
    assert len(read_digests(visit.digests)) == len(list(visit.frames.iterdir())) == 2
    aside.rename(card)
    page.wait_for_selector("button[data-kind=card]")
    page.click("button[data-kind=card]")
    page.click("text=Import 5 frames")
    page.wait_for_selector(".outcome >> text=safe to take the card out")
    assert "2 frames of the card were here already" in page.inner_text(".outcome")
    assert len(list(visit.frames.iterdir())) == 5


def test_a_full_disk_stops_import_and_export_and_both_go_on(
    begun: Any, disk: Path, photographed: Path, shot: Callable[[Any, str], None], wait: Any
) -> None:
    served, page, here = begun
    visit = VisitFolder.create(disk / "Harrowmere")
    opened(page, served.base, visit.root)
    card_of(photographed, here / "media", NAMES[:2])
    with filled(disk, 1_500_000):
        page.goto(f"{served.base}/import")
        page.wait_for_selector("text=The disk has")  # told before one frame is copied
        page.click("text=Import 2 frames")
        page.wait_for_selector(".outcome >> text=the disk is full; make room")
        assert "Leave the card as it is" in page.inner_text(".outcome")
        assert len(list(visit.frames.iterdir())) == len(read_digests(visit.digests)) == 1
    page.click("text=Import 2 frames")
    page.wait_for_selector(".outcome >> text=safe to take the card out")
    page.click("text=Go on to Sort")
    wait(lambda: "2 frames, 2 views" in page.inner_text(".lead"))
    page.goto(f"{served.base}/export?view=view-01")
    page.wait_for_selector("text=1 file in exports/Pictures")
    with filled(disk, 0):
        page.click("button:text-is('Export 1 view')")
        page.wait_for_selector("#trouble >> text=the disk is full; make room")
        page.wait_for_selector("[data-state=failed]")
        looked_through(page)
        shot(page, "fault-disk")
        page.fill("#set-name", "Kept")
        page.click("text=Keep as a set")
        page.wait_for_selector("#trouble >> text=So nothing was changed")
        assert not (visit.root / "exports.toml").exists()
    page.click("#trouble >> button:text-is('Try again')")  # as it was asked for, under its own name
    wait(lambda: page.locator("[data-state=done]").count() == 1)
    wait(lambda: "view-01 is not exported" not in page.inner_text("#trouble"))
    assert (visit.root / "exports" / "Pictures" / "view-01.jpg").is_file()


def test_a_visit_whose_drive_was_taken_out(begun: Any, wait: Any) -> None:
    served, page, here = begun
    visit = VisitFolder.create(here / "Pictures" / "Harrowmere")
    opened(page, served.base, visit.root)
    other = here / "Pictures" / "St Corvane"
    VisitFolder.create(other)
    opened(page, served.base, other)
    shutil.rmtree(visit.root)
    page.goto(f"{served.base}/start")
    page.click("button.visit:has-text('Harrowmere')")
    page.wait_for_selector("#trouble >> text=put in the drive that it lies on, or open its folder where it is now")
    page.goto(f"{served.base}/finish")
    page.wait_for_selector("text=There are no frames in this folder yet")
    for words in ("Import from a card", "Read the frames"):
        assert page.get_by_role("button", name=words).is_visible()
    page.goto(f"{served.base}/export")
    page.wait_for_selector("text=There is no view yet: import frames from the card")


def test_frames_that_come_while_others_are_read_are_read_too(tmp_path: Path, monkeypatch: Any, wait: Any) -> None:
    begun, go = threading.Semaphore(0), threading.Semaphore(0)

    def read(*_: Any) -> Table:
        begun.release()
        go.acquire()
        return Table()

    monkeypatch.setattr(views, "from_sorting", read)
    told: list[tuple[str, str]] = []
    desk = Desk(
        VisitFolder.create(tmp_path / "visit").root, lambda event, **_: told.append((event, desk.sorting["state"]))
    )
    try:
        desk.sort_again()
        assert begun.acquire(timeout=30)
        desk.sort_again()  # a card's frames were copied in meanwhile
        go.release()
        assert begun.acquire(timeout=30), "read a second time"
        go.release()
        wait(lambda: desk.sorting["state"] == "sorted")
        assert not begun.acquire(timeout=0.2), "and not a third"
        assert ("views", "reading") not in told, "who asks for new views is not told that they are still being read"
    finally:
        go.release()
        desk.close()
