"""Frames left out and brought back, words of several views at once, pictures saved in two aspects and in P3."""

from __future__ import annotations

import io
import tomllib
from typing import Any

import exiv2
from PIL import Image, ImageCms
from tests.web.conftest import open_finish


def test_a_frame_left_out_is_in_no_view_until_it_is_brought_back(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/sort")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    before = page.evaluate("clerestory.visit.views.map((v) => v.frames.length)")
    frame = page.evaluate("clerestory.visit.views.find((v) => v.frames.length > 1).frames[0]")
    page.click(f"[data-frame='{frame}']")
    page.click("text=Leave out")
    wait(lambda: page.evaluate("clerestory.visit.left_out") == [frame])
    assert sum(page.evaluate("clerestory.visit.views.map((v) => v.frames.length)")) == sum(before) - 1
    assert frame in tomllib.loads((served.folder / "views.toml").read_text(encoding="utf-8"))["left-out"]
    assert (served.folder / "frames" / frame).exists()
    page.click("text=1 left out")
    page.click("text=Bring back")
    wait(lambda: page.evaluate("clerestory.visit.views.map((v) => v.frames.length)") == before)
    assert not (served.folder / "views.toml").exists()


def test_words_of_several_views_at_once_reach_the_picture(house: Any, wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/sort")
    wait(lambda: page.evaluate("clerestory.visit.views.length") == 3)
    for view in ("view-01", "view-02", "view-03"):
        frame = page.evaluate(f"clerestory.visit.views.find((v) => v.name === '{view}').frames[0]")
        page.click(f"[data-frame='{frame}']", modifiers=["Control"])
    page.click(".bar >> text=Words")
    page.wait_for_selector("text=Words of 3 views")
    page.fill("#words-place", "Minster of St Osmere, Harrowmere")
    page.fill("#words-keywords", "nave, stone ")
    page.click("text=Keep these words")
    about = served.folder / "about.toml"
    wait(about.exists)
    said = tomllib.loads(about.read_text(encoding="utf-8"))["views"]
    assert all(said[v]["place"].startswith("Minster") for v in ("view-01", "view-02", "view-03"))
    assert said["view-02"]["keywords"] == ["nave", "stone"]
    open_finish(page, served, "view-01")
    page.click(".says >> text=Words")
    assert page.input_value("#words-place").startswith("Minster")
    page.fill("#words-title", "The nave, looking east")
    page.click("text=Keep these words")
    page.click(".says >> text=Export")
    page.wait_for_url("**/export?view=view-01")
    for label in ("16:9", "1:1"):
        page.check(f".wishes >> label:has-text('{label}') >> input")
    page.uncheck(".wishes >> label:has-text('as in Finish') >> input")
    page.select_option("#set-size", "long_edge")
    page.fill("#set-edge", "600")
    page.select_option("#set-space", "display-p3")
    page.select_option("#set-part-0", "title")
    page.wait_for_selector("text=2 files in exports/Pictures")
    page.click("button:text-is('Export 1 view')")
    wide = served.folder / "exports" / "Pictures" / "The-nave,-looking-east_16x9.jpg"
    wait(lambda: wide.exists() and wide.with_name("The-nave,-looking-east_1x1.jpg").exists())
    with Image.open(wide) as image:
        assert abs(image.width / image.height - 16 / 9) < 0.01 and image.width == 600
        assert "P3" in ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(_profile(image)))
    record = exiv2.ImageFactory.open(str(wide))
    record.readMetadata()
    iptc = {str(d.key()): str(d.print()) for d in record.iptcData()}
    assert iptc["Iptc.Application2.ObjectName"] == "The nave, looking east"


def _profile(image: Image.Image) -> Any:
    return io.BytesIO(image.info["icc_profile"])
