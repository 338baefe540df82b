"""The whole job in the pages without a command after the start: a new visit to its film, and a folder that agrees."""

from __future__ import annotations

import io
import json
import tomllib
from pathlib import Path
from typing import Any

import exiv2
from PIL import Image, ImageCms

from running import run
from web.conftest import card_of

CAPTION = "The minster on an afternoon in April."


def imported(page: Any, here: Path, photographed: Path, wait: Any) -> Path:
    """A visit begun on the start page, its frames brought in from a card."""
    page.fill("#new-name", "Harrowmere, April")
    page.click(".ways-in form > button")
    page.wait_for_url("**/plan")
    page.click("header >> text=Import")
    card_of(photographed, here / "media", [f"HM000{k}.dng" for k in range(1, 6)])
    page.click("text=Import 5 frames")
    page.wait_for_selector(".outcome >> text=safe to take the card out")
    page.click("text=Go on to Sort")
    wait(lambda: "5 frames, 3 views" in page.inner_text(".lead"))
    return here / "Pictures" / "Harrowmere, April"


def rejected_and_captioned(page: Any, folder: Path, wait: Any) -> None:
    """One frame left out; one caption for three pictures."""
    page.click("[data-frame*='HM0005']")
    page.wait_for_selector("[data-frame*='HM0005'].here")  # a person sees which frame a key is for
    page.keyboard.press("e")
    wait(lambda: [name[-10:] for name in page.evaluate("clerestory.visit.left_out")] == ["HM0005.dng"])
    for name in ("HM0001", "HM0002", "HM0004"):
        page.click(f"[data-frame*='{name}']", modifiers=["Control"])
    page.keyboard.press("w")
    page.wait_for_selector("text=Words of 3 views")
    page.fill("#words-caption", CAPTION)
    page.fill("#words-creator", "A. Person")
    page.click("text=Keep these words")
    wait((folder / "about.toml").exists)


def straightened_by_lines(page: Any, base: str, folder: Path, wait: Any) -> None:
    page.goto(f"{base}/finish?view=view-01")
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]")
    page.get_by_role("button", name="Draw lines").click()
    wait(lambda: page.evaluate("clerestory.page.lines.edges.length > 20"))
    for _ in range(2):
        page.get_by_role("button", name="Add a vertical line").click()
    for end in ("0-0", "1-0"):
        page.focus(f"[data-end='{end}']")
        page.keyboard.press("ArrowRight")
    recipe = folder / "recipes" / "view-01.toml"
    wait(lambda: recipe.exists() and len(tomllib.loads(recipe.read_text(encoding="utf-8")).get("lines", [])) == 2)
    page.get_by_role("button", name="Save", exact=True).click()
    wait(lambda: len(list((folder / "pictures").glob("view-*.jpg"))) == 1)
    wait(lambda: page.text_content("#status") == "")


def exported(page: Any, base: str, folder: Path, wait: Any) -> None:
    page.goto(f"{base}/export")
    page.wait_for_selector(".choose img")
    page.click(".of-views >> text=All")
    page.fill("#set-name", "Page")
    page.check(".wishes >> label:has-text('16:9') >> input")
    page.select_option("#set-space", "display-p3")
    page.select_option("#set-size", "long_edge")
    page.fill("#set-edge", "400")
    page.click("text=Keep as a set")
    page.wait_for_selector(".sets [aria-pressed=true]")
    page.click("button:text-is('Export 3 views')")
    wait(lambda: page.locator("[data-state=done]").count() == 3)
    files = sorted(p.name for p in (folder / "exports" / "Page").iterdir())
    assert files == [f"view-0{k}{a}.jpg" for k in (1, 2, 3) for a in ("", "_16x9")]
    with Image.open(folder / "exports" / "Page" / files[1]) as image:
        assert image.width == 400 and abs(image.width / image.height - 16 / 9) < 0.02
        profile = ImageCms.ImageCmsProfile(io.BytesIO(image.info["icc_profile"]))
    assert ImageCms.getProfileDescription(profile).strip() == "Display P3"
    record = exiv2.ImageFactory.open(str(folder / "exports" / "Page" / files[0]))
    record.readMetadata()
    assert str(record.iptcData()["Iptc.Application2.Caption"].toString()) == CAPTION


def filmed(page: Any, base: str, folder: Path, wait: Any) -> None:
    """One shot, spoken over with what the browser's microphone hears."""
    page.goto(f"{base}/film")
    page.get_by_role("button", name="Draft a film").click()
    page.wait_for_selector(".shot")
    page.get_by_role("button", name="Record", exact=True).click()
    wait(lambda: page.evaluate("clerestory.page.recorder?.seconds > 2.5"))
    page.get_by_role("button", name="Stop recording").click()
    text = folder / "film" / "film.toml"
    wait(lambda: tomllib.loads(text.read_text(encoding="utf-8"))["shots"][0].get("narration"))
    page.get_by_role("button", name="Make preview").click()
    page.wait_for_selector("video")
    wait(lambda: page.evaluate("document.querySelector('video').duration > 1"))


def test_the_whole_job_without_one_command(begun: Any, photographed: Path, wait: Any) -> None:
    served, page, here = begun
    folder = imported(page, here, photographed, wait)
    before = {p.name: p.read_bytes() for p in (folder / "frames").iterdir()}
    rejected_and_captioned(page, folder, wait)
    straightened_by_lines(page, served.base, folder, wait)
    exported(page, served.base, folder, wait)
    filmed(page, served.base, folder, wait)
    page.goto(f"{served.base}/records")
    page.click("text=Learn from its frames")
    page.wait_for_selector("text=The page with its plots")
    assert (folder / "learned.toml").is_file()
    page.click("text=Check the visit")
    page.wait_for_selector("text=Everything agrees.")
    assert run("check", str(folder)) == 0
    assert {p.name: p.read_bytes() for p in (folder / "frames").iterdir()} == before, "an original was changed"
    assert json.loads((folder / "pictures" / "report.json").read_text(encoding="utf-8"))["refused"] == []
