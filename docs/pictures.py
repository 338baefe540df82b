"""Every picture and every printed answer in the guide, made from the running program; none is made by hand.

    python docs/pictures.py                     makes the invented visit and all of them: two minutes
    python docs/pictures.py --visit FOLDER      with a visit that `clerestory demo FOLDER` made before
    python docs/pictures.py --only map plan.txt  only these

Needs the extra "test" (playwright) and Debian's chromium. PICTURES lists what the guide shows; a test compares them.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from PIL import Image

HERE = Path(__file__).resolve().parent
INTO = HERE / "pictures"
LARGEST = 120_000  # bytes of one picture
CHROMIUM = "/usr/bin/chromium"
NAVE, PAGE = "view-01", (1280, 800)
SMALL = (1312, 984)  # pixels of the frames: enough for the guide
TAKEN = 1808230000  # UTC seconds: the afternoon of the demo's visit, 20 April 2027

# What the guide shows, in its order: picture and what it is made of.
PICTURES = {
    "start.jpg": "the start page",
    "numbers.jpg": "the form of ten numbers, filled in",
    "map.jpg": "the map that follows from them",
    "report.jpg": "one view in the plan's report",
    "card.jpg": "two pages of the field card",
    "phone.jpg": "the field card on a phone",
    "import.jpg": "frames on a card",
    "sort.jpg": "frames in views",
    "finish.jpg": "a picture being finished",
    "before-after.jpg": "the nave as shot and finished",
    "export.jpg": "sets of pictures",
    "sheet.jpg": "the contact sheet",
    "film.jpg": "the film's page",
    "frames.jpg": "four moments of the film",
    "records.jpg": "the visit checked, and planned against measured",
    "judge-upright.jpg": "too little, right, and all of the tilt taken out",
    "judge-window.jpg": "the window let go, held, held too far",
    "judge-shade.jpg": "the shade as it fell, opened, opened too far",
}
WINDOW = {"crop": (0.0, -0.1), "crop_size": 0.4}  # the rose and the lancets under it
# What the commands print, shown in the guide as they print it.
ANSWERS = {
    "plan.txt": ["plan"],
    "sort.txt": ["sort"],
    "check.txt": ["check"],
}
NUMBERS = {"b-length": "41 m", "b-width": "32 ft", "b-height": "20.6", "b-bays": "8", "b-quire": "10 m",
           "b-sill": "43 ft", "b-head": "17.7", "b-axis": "97", "b-place": "Priory church of St Osmerin",
           "b-town": "Vellingham", "b-lat": "54.312", "b-lon": "-1.154", "b-zone": "Europe/London",
           "b-date": "2027-04-20"}  # fmt: skip
BEGIN = """
import sys
from pathlib import Path
from clerestory.files import places
from clerestory.web import house, start
from clerestory.web.server import Serving, begin
here = Path(sys.argv[1])
start.drives = lambda: [places.Drive(here / "VERGER", "VERGER", True)]
start.pictures_folder = house.pictures_folder = lambda: here / "Pictures"
if __name__ == "__main__":
    begin(Serving(ready=lambda address, once: print(once, flush=True)))
"""


def saved(image: Image.Image, name: str, width: int = 1200) -> None:
    """A picture for the guide: at most `width` pixels wide, and of a size that loads at once."""
    image = image.convert("RGB")
    if image.width > width:
        image = image.resize((width, round(image.height * width / image.width)), Image.Resampling.LANCZOS)
    for quality in (86, 80, 74, 68, 60, 50):
        out = io.BytesIO()
        image.save(out, "JPEG", quality=quality, optimize=True, progressive=True)
        if out.tell() <= LARGEST:
            break
    INTO.mkdir(exist_ok=True)
    (INTO / name).write_bytes(out.getvalue())


def beside(images: list[Image.Image], height: int, gap: int = 10) -> Image.Image:
    """Pictures side by side on white."""
    scaled = [i.convert("RGB").resize((round(i.width * height / i.height), height), Image.Resampling.LANCZOS)
              for i in images]  # fmt: skip
    out = Image.new("RGB", (sum(i.width for i in scaled) + gap * (len(scaled) - 1), height), "white")
    x = 0
    for image in scaled:
        out.paste(image, (x, 0))
        x += image.width + gap
    return out


# ---- the visit


def make_visit(folder: Path) -> None:
    """The demo's visit, planned, photographed, finished and filmed, at a quarter of its pixels."""
    from clerestory import demo

    demo.QUICK, demo.QUICK_WITHOUT = SMALL, ()
    demo.make_demo(folder, quick=True)


def answers(visit: Path, wanted: set[str]) -> None:
    """What the commands print, with the visit called as a user would call it."""
    INTO.mkdir(exist_ok=True)
    for name in ANSWERS.keys() & wanted:
        words = ANSWERS[name]
        done = subprocess.run([sys.executable, "-m", "clerestory", *words, visit.name], cwd=visit.parent,
                              capture_output=True, text=True, check=True)  # fmt: skip
        (INTO / name).write_text(done.stdout, encoding="utf-8")


# ---- pictures from files


def card(visit: Path) -> None:
    """The card's first pages, by its own template."""
    import typst

    from clerestory.plan.card import card_data
    from clerestory.plan.run import make

    with tempfile.TemporaryDirectory() as folder:
        plan = make(visit / "visit.toml", Path(folder)).plan
    template = files("clerestory.plan").joinpath("card.typ").read_bytes()
    text = json.dumps(card_data(plan), ensure_ascii=False)
    pages = typst.compile(template, format="png", ppi=110, sys_inputs={"card": text})
    pages = pages if isinstance(pages, list) else [pages]
    saved(beside([Image.open(io.BytesIO(p)) for p in pages[:3:2]], 880, 24), "card.jpg", 1300)


def before_after(visit: Path) -> None:
    was, now = (Image.open(visit / "pictures" / part / f"{NAVE}.jpg") for part in ("before", ""))
    saved(beside([was, now], 460), "before-after.jpg")


def sheet(visit: Path) -> None:
    saved(Image.open(visit / "pictures" / "sheet.jpg"), "sheet.jpg", 1000)


def frames(visit: Path) -> None:
    """Four moments of the film, a quarter, a half and so on of its length in."""
    import av

    shown = []
    with av.open(str(visit / "film" / "preview.mp4" if (visit / "film" / "preview.mp4").exists()
                     else visit / "film" / "film.mp4")) as film:  # fmt: skip
        stream = film.streams.video[0]
        length = float((film.duration or 0) / av.time_base)
        for share in (0.02, 0.2, 0.45, 0.7):
            film.seek(int(share * length * av.time_base))
            wanted = share * length
            frame = next(f for f in film.decode(stream) if f.time is not None and f.time >= wanted)
            shown.append(frame.to_image())
    rows = [beside(shown[k : k + 2], 330) for k in (0, 2)]
    out = Image.new("RGB", (rows[0].width, 670), "white")
    for k, row in enumerate(rows):
        out.paste(row, (0, 340 * k))
    saved(out, "frames.jpg")


def judged(visit: Path) -> None:
    """One view finished in three ways, thrice."""
    import clerestory as cl

    frame = {v.name: v.pick for v in cl.sort_visit(visit).views}
    ways = {
        "judge-upright.jpg": (NAVE, [{"plumb": 0.0}, {"plumb": 0.9}, {"plumb": 1.0}]),
        "judge-window.jpg": (
            NAVE,
            [WINDOW | way for way in ({"window_hold": 0.0}, {}, {"window_hold": 8.0, "exposure": -0.4})],
        ),
        "judge-shade.jpg": ("view-05", [{"shade_lift": 0.0}, {}, {"shade_lift": 4.0}]),
    }
    with tempfile.TemporaryDirectory() as folder:
        for name, (view, recipes) in ways.items():
            shown = []
            for k, recipe in enumerate(recipes):
                path = Path(folder) / f"{k}.jpg"
                cl.write_picture(cl.finish_picture(frame[view], cl.Recipe(**recipe)), path)
                shown.append(Image.open(path).copy())
            saved(beside(shown, 300), name)


# ---- pictures from pages


def _line(process: subprocess.Popen[str]) -> str:
    assert process.stdout is not None
    return process.stdout.readline().strip()


@contextlib.contextmanager
def served(words: list[str], home: Path) -> Iterator[str]:
    """A server of the program's own; the address to open."""
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, text=True,
                               env={**os.environ, "XDG_DATA_HOME": str(home / "data")})  # fmt: skip
    try:
        yield _line(process).removeprefix("Open ")
    finally:
        process.terminate()
        process.wait(20)


def shot(page: Any, name: str, width: int = 1200) -> None:
    saved(Image.open(io.BytesIO(page.screenshot())), name, width)


def outside(visit: Path, page: Any, home: Path) -> None:
    """The start page, a new visit from ten numbers, and its frames on a card."""
    (home / "Pictures").mkdir()
    on_card = home / "VERGER" / "DCIM" / "100VERGR"
    on_card.mkdir(parents=True)
    for frame in sorted((visit / "frames").iterdir()):
        shutil.copy(frame, on_card)
        os.utime(on_card / frame.name, (TAKEN, TAKEN))
    script = home / "begin.py"
    script.write_text(BEGIN, encoding="utf-8")
    with served([str(script), str(home)], home) as address:
        page.goto(address)
        page.wait_for_selector(".arcade")
        base = page.url.split("/start")[0]
        page.fill("#new-name", "St Osmerin's, April")
        page.fill("#new-place", "Pictures")
        shot(page, "start.jpg")
        page.fill("#new-place", str(home / "Pictures"))
        page.click(".ways-in form > button")
        page.wait_for_selector(".begin")
        for name, value in NUMBERS.items():
            page.fill(f"#{name}", value)
        page.select_option("#b-type", "aisled basilica")
        page.select_option("#b-aisles", "2")
        page.evaluate("document.querySelector('.begin').scrollIntoView()")
        shot(page, "numbers.jpg")
        page.get_by_role("button", name="Begin from these numbers").click()
        page.wait_for_selector(".map .hall")
        page.wait_for_selector(".live dd")
        page.wait_for_timeout(6000)
        shot(page, "map.jpg")
        page.goto(f"{base}/import")
        page.wait_for_selector("text=Import 33 frames")
        shown = "[...document.querySelectorAll('.sheet-of-card img')].slice(0, 12).every((i) => i.naturalWidth > 50)"
        for _ in range(600):  # the pages' policy lets no script be waited for in them
            if page.evaluate(shown):
                break
            page.wait_for_timeout(200)
        page.evaluate("document.querySelectorAll('.quiet.where').forEach((e) => { e.textContent = ''; })")
        shot(page, "import.jpg")


def sort_page(page: Any, base: str) -> None:
    page.goto(f"{base}/sort")
    page.wait_for_selector(".view")
    page.wait_for_timeout(6000)


def finish_page(page: Any, base: str) -> None:
    page.goto(f"{base}/finish?view={NAVE}")
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]", timeout=300_000)
    page.wait_for_timeout(3000)


def export_page(page: Any, base: str) -> None:
    page.goto(f"{base}/export")
    page.wait_for_selector(".choose img")
    page.click(".of-views >> text=All")
    page.wait_for_timeout(1500)


def film_page(page: Any, base: str) -> None:
    page.set_viewport_size({"width": PAGE[0], "height": 1050})
    page.goto(f"{base}/film")
    page.wait_for_selector(".shot")
    page.evaluate("document.querySelector('video').currentTime = 9")
    page.wait_for_timeout(6000)


def records_page(page: Any, base: str) -> None:
    page.goto(f"{base}/records")
    page.click("text=Check the visit")
    page.wait_for_selector("text=agrees", timeout=300_000)
    page.click("text=Learn from its frames")
    page.wait_for_selector("button:has-text('Learn from its frames'):enabled", timeout=300_000)
    page.wait_for_timeout(1500)
    page.evaluate("document.querySelectorAll('.quiet.where').forEach((e) => { e.textContent = ''; })")


INSIDE: dict[str, Callable[[Any, str], None]] = {
    "sort.jpg": sort_page, "finish.jpg": finish_page, "export.jpg": export_page, "film.jpg": film_page,
    "records.jpg": records_page,
}  # fmt: skip


def inside(visit: Path, page: Any, home: Path, wanted: set[str]) -> None:
    """The pages of the visit that was photographed, finished and filmed."""
    with served(["-m", "clerestory", "serve", str(visit)], home) as address:
        page.goto(address)
        for name, show in INSIDE.items():
            if name in wanted:
                page.set_viewport_size({"width": PAGE[0], "height": PAGE[1]})
                show(page, address.split("/?")[0])
                shot(page, name)


def papers(visit: Path, page: Any) -> None:
    """The report's first view and the phone's card, which are files."""
    page.goto((visit / "plan" / "plan.html").as_uri())
    page.locator("article, section").filter(has=page.locator("svg, img")).nth(1).scroll_into_view_if_needed()
    shot(page, "report.jpg")
    page.set_viewport_size({"width": 390, "height": 780})
    page.goto((visit / "plan" / "card.html").as_uri())
    shot(page, "phone.jpg", 390)


def from_pages(visit: Path, wanted: set[str]) -> None:
    """All pictures of pages, in Chromium."""
    from playwright.sync_api import sync_playwright

    parts: list[tuple[set[str], Callable[[Any, Path], None]]] = [
        ({"start.jpg", "numbers.jpg", "map.jpg", "import.jpg"}, lambda page, home: outside(visit, page, home)),
        (set(INSIDE), lambda page, home: inside(visit, page, home, wanted)),
        ({"report.jpg", "phone.jpg"}, lambda page, _: papers(visit, page)),
    ]  # fmt: skip
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        for names, make in parts:
            if not names & wanted:
                continue
            context = browser.new_context(viewport={"width": PAGE[0], "height": PAGE[1]}, color_scheme="dark",
                                          locale="en-GB", timezone_id="Europe/London")  # fmt: skip
            context.set_default_timeout(120_000)
            with tempfile.TemporaryDirectory() as home:
                make(context.new_page(), Path(home))
            context.close()
        browser.close()


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__.split("\n")[0] if __doc__ else "")
    asked.add_argument("--visit", type=Path, help="a demo visit that is there already")
    asked.add_argument("--only", nargs="*", help="names of pictures, without .jpg")
    given = asked.parse_args()
    wanted = {name if "." in name else f"{name}.jpg" for name in given.only or [*PICTURES, *ANSWERS]}
    with tempfile.TemporaryDirectory() as folder:
        visit = given.visit or Path(folder) / "demo-visit"
        if not given.visit:
            make_visit(visit)
        makers: dict[str, Callable[[Path], None]] = {
            "card.jpg": card, "before-after.jpg": before_after, "sheet.jpg": sheet, "frames.jpg": frames,
            "judge-upright.jpg": judged,
        }  # fmt: skip
        for name, make in makers.items():
            if name in wanted:
                make(visit)
        from_pages(visit, wanted)
        answers(visit, wanted)


if __name__ == "__main__":
    main()
