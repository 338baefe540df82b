"""What a plan writes: report, card, calendar, data; and the card's calculator against the program's own formulas."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from visits import example_text

from clerestory.camera.exposure import iso_label, spot_luminance
from clerestory.camera.optics import equivalent_focal, hyperfocal, sharp_limits
from clerestory.camera.steadiness import Hands, frames_to_take
from clerestory.plan import floor
from clerestory.plan.card import card_data
from clerestory.plan.care import STAFF, of_plan
from clerestory.plan.run import PlanResult, make

CHROMIUM = Path("/usr/bin/chromium")


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> PlanResult:
    folder = tmp_path_factory.mktemp("visit")
    text = example_text().replace('name = "angel boss"', 'name = "angel & <boss>; Ärger, x"', 1)
    (folder / "visit.toml").write_text(text, encoding="utf-8")
    message: list[tuple[str, float]] = []
    made = make(folder / "visit.toml", folder / "out", lambda words, share: message.append((words, share)))
    assert [s for _, s in message] == sorted(s for _, s in message) and message[-1][1] == 1
    return made


def test_pages_need_no_other_file(result: PlanResult) -> None:
    for path in (result.report, result.card_html):
        page = path.read_text(encoding="utf-8")
        assert not re.search(r"""(?:src|href)=["'](?!data:|#|tel:|mailto:)""", page)
        assert "@import" not in page and not re.search(r"url\((?!data:|#)", page)
        assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
        assert "<boss>" not in page and "angel &amp; &lt;boss&gt;" in page
        assert "<!--" not in page


def test_phone_card_and_command_show_cautions_rules_and_contact(result: PlanResult) -> None:
    page = result.card_html.read_text(encoding="utf-8")
    message = "\n".join(result.summary_lines())
    for caution in of_plan(result.plan):
        assert f"<b>{caution.topic}:</b>" in page and str(caution) in message
    assert "The building&#x27;s staff decide" in page and STAFF in message
    assert "Odile Farrant" in page and "No photographs during services." in page


def test_printed_card_is_a5_pages(result: PlanResult) -> None:
    content = result.card_pdf.read_bytes()
    assert content.startswith(b"%PDF-")
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", content)
    assert len(boxes) >= 4
    for box in boxes:
        w, h = (float(v) for v in box)
        assert (w, h) == pytest.approx((148 / 25.4 * 72, 210 / 25.4 * 72), abs=0.5)  # ISO 216


def test_first_page_is_enough_for_the_day(result: PlanResult, tmp_path: Path) -> None:
    """As a reader of the PDF's own text has it: order, settings, sun, what to carry, whom to ask, rules, cautions."""
    if shutil.which("pdftotext") is None:
        pytest.skip("needs poppler's pdftotext")
    command = ["pdftotext", "-l", "1", str(result.card_pdf), "-"]
    page = " ".join(subprocess.run(command, capture_output=True, text=True, check=True).stdout.split())
    for view in result.plan.views:
        assert view.view.name in page and f"ISO {iso_label(view.settings.iso)}" in page
    for words in ("Sun in the windows", "on the floor", "Batteries", "Odile Farrant",
                  "No photographs during services",
                  "Eyes: never look at the sun", "never walk backwards", "staff decide", "10 m"):  # fmt: skip
        assert words in page, words


def test_folded_card_is_a4_sides_in_fours(result: PlanResult) -> None:
    content = result.card_folded.read_bytes()
    boxes = re.findall(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", content)
    pages = len(re.findall(rb"/Type\s*/Page\b(?!s)", result.card_pdf.read_bytes()))
    sides = [b for b in boxes if float(b[0]) > 800]
    assert len(sides) == 2 * -(-pages // 4)
    for w, h in sides:
        assert (float(w), float(h)) == pytest.approx((297 / 25.4 * 72, 210 / 25.4 * 72), abs=0.5)  # ISO 216


def test_a_note_on_a_station_reaches_card_and_report(result: PlanResult) -> None:
    for path in (result.card_html, result.report):
        assert "keep the fire door clear" in path.read_text(encoding="utf-8")


@pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium")
def test_phone_card_keeps_ticks_and_notes_and_hides_nothing(result: PlanResult) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_context(viewport={"width": 390, "height": 844}, offline=True).new_page()
        page.goto(result.card_html.as_uri())
        assert page.locator("details, [hidden]").count() == 0
        lines = page.locator("article dd")
        assert lines.count() > 40 and all(lines.nth(k).is_visible() for k in range(lines.count()))
        page.locator(".order input").nth(1).check()
        page.locator("article textarea").nth(0).fill("scaffold on the left")
        page.click("#dim")
        page.reload()
        assert page.locator("article").nth(1).locator("input").is_checked()
        assert not page.locator("article").nth(0).locator("input").is_checked()
        assert page.locator("article textarea").nth(0).input_value() == "scaffold on the left"
        assert page.get_attribute("#dim", "aria-pressed") == "true"
        browser.close()


def test_card_says_it_as_photographers_do(result: PlanResult) -> None:
    data = json.dumps(card_data(result.plan), ensure_ascii=False).replace("\u00a0", " ").replace("\u2060", "")
    for words in (
        r"at the crossing; subject [\d.]+ m away",
        r"in the south aisle",
        r"zoom at \d+ mm \(\d+ mm equivalent\)",
        r"landscape, level",
        r"portrait, tilted up \d+°",
        r"take \d to get one sharp; chance of sharp \d+ %",
        r"take a burst of \d+ to merge \d+ sharp ones",
        r"stops under the meter; bracket instead",
    ):
        assert re.search(words, data), words
    assert not re.search(r"\d (?:%|mm|m|s)\b", json.dumps(card_data(result.plan)["views"], ensure_ascii=False))


def test_calendar_keeps_to_rfc_5545(result: PlanResult) -> None:
    raw = result.calendar.read_bytes()
    lines = raw.split(b"\r\n")
    assert lines[0] == b"BEGIN:VCALENDAR" and lines[-2] == b"END:VCALENDAR" and lines[-1] == b""
    assert b"\n" not in raw.replace(b"\r\n", b"") and max(map(len, lines)) <= 75
    text = raw.decode().replace("\r\n ", "")
    events = text.split("BEGIN:VEVENT")[1:]
    assert events and "\r\nSUMMARY:angel & <boss>\\; Ärger\\, x: good light\r\n" in text
    uids = re.findall(r"UID:(\S+)", text)
    assert len(set(uids)) == len(uids) == len(events)
    for event in events:
        start, end = (
            datetime.strptime(re.search(f"{k}:(\\S+)", event).group(1), "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)  # type: ignore[union-attr]
            for k in ("DTSTART", "DTEND")
        )
        assert start < end and start.date().isoformat() in ("2027-04-20", "2027-04-22")
        assert (start.hour, start.minute) >= (8, 30)  # 09:30 summer time
        assert (end.hour, end.minute) <= (15, 30)


def test_data_is_what_was_predicted(result: PlanResult) -> None:
    data = json.loads(result.data.read_text(encoding="utf-8"))
    first = data["views"][0]
    planned = result.plan.views[0]
    assert first["framing"]["kept"] == pytest.approx(planned.framing.kept, rel=1e-5)
    assert first["settings"]["snr_one"] == pytest.approx(planned.settings.snr_one, rel=1e-5)
    assert len(data["timetable"]) == len(result.plan.timetable.stops)


def test_same_visit_gives_same_bytes(result: PlanResult) -> None:
    again = make(result.report.parents[1] / "visit.toml", result.report.parents[1] / "again")
    for name in ("report", "card_pdf", "card_html", "calendar", "data"):
        assert getattr(again, name).read_bytes() == getattr(result, name).read_bytes(), name


def test_summary_names_every_view(result: PlanResult) -> None:
    text = "\n".join(result.summary_lines())
    assert all(v.name in text for v in result.plan.visit.view)


@pytest.mark.skipif(not CHROMIUM.exists(), reason="needs Debian's chromium")
def test_calculator_and_layout_on_a_phone(result: PlanResult) -> None:
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", "--disable-gpu"])
        page = browser.new_context(viewport={"width": 390, "height": 844}, offline=True).new_page()
        faults: list[str] = []
        page.on("pageerror", lambda error: faults.append(str(error)))
        page.goto(result.card_html.as_uri())
        for k in range(page.locator("details").count()):
            page.locator("details").nth(k).evaluate("d => d.open = true")
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        smallest = page.evaluate(
            """Math.min(...[...document.querySelectorAll("main *, nav *")]
                .map(e => parseFloat(getComputedStyle(e).fontSize)))"""
        )
        assert smallest >= 17
        kit = json.loads(page.locator("#kit").text_content())
        slow = ["0.3 s", "0.4 s", "0.5 s", "0.6 s", "0.8 s", "1 s", "1.3 s", "1.6 s", "2 s", "2.5 s", "3.2 s", "4 s"]
        assert page.locator("#t0 option").all_text_contents()[34:46] == slow  # as cameras mark them
        page.select_option("#f0", label="f/4")
        page.select_option("#t0", label="1/15")
        page.select_option("#s0", label="800")
        page.select_option("#f1", label="f/5.6")
        page.select_option("#s1", label="1600")
        page.select_option("#held", "-2")
        assert page.text_content("#time") == "1/60"  # a stop lost, a stop gained, two held back: 1/16 to 1/64
        page.select_option("#held", "2")
        assert page.text_content("#time") == "1/4"
        page.select_option("#held", "3")
        page.select_option("#s1", label="1250")
        assert page.text_content("#time") == "0.6 s"  # 1/16 s, a third and three stops more: 0.63 s
        assert f"{spot_luminance(4, 1 / 16, 800):.1f} cd" in page.text_content("#luminance")
        page.fill("#focal", "50")
        page.select_option("#f2", label="f/8")
        page.fill("#distance", "4")
        near, far = sharp_limits(4, 50, 8, kit["coc"])
        assert page.text_content("#depth") == f"{near:.1f} m to {far:.1f} m"
        assert page.text_content("#hyperfocal") == f"hyperfocal {hyperfocal(50, 8, kit['coc']):.0f} m"
        page.select_option("#t1", label="1/4")
        page.fill("#focal2", "60")
        page.select_option("#merge", "4")
        chance = Hands().chance(1 / 4, equivalent_focal(60, tuple(kit["sensor"])), kit["stops"])
        assert page.text_content("#frames") == f"take {frames_to_take(4, chance)} frames"
        assert page.text_content("#chance") == f"chance of sharp {100 * chance:.0f} %"
        browser.close()
    assert not faults


CROWD = [(277.0, 72.0, "3\u20135, 9"), (338.0, 40.0, "12"), (344.0, 42.0, "12"), (289.0, 53.0, "1"),
         (323.0, 40.0, "3\u20135, 9"), (309.0, 40.0, "3\u20135, 9")]  # fmt: skip


@example(CROWD)
@given(
    st.lists(
        st.tuples(st.floats(60, 660), st.floats(40, 260), st.sampled_from(["1", "12", "3\u20135, 9"])), max_size=9
    )
)
def test_numbers_on_the_floor_plan_never_cover_each_other(points: list[tuple[float, float, str]]) -> None:
    marks = floor._apart([floor._Mark((x, y), said, x, y) for x, y, said in points], 300)
    for k, one in enumerate(marks):
        assert one.half <= one.x <= floor.WIDTH - one.half and floor.HALF <= one.y <= 300 - floor.HALF
        for other in marks[k + 1 :]:
            clear = abs(one.x - other.x) > one.half + other.half - 1 or abs(one.y - other.y) > 2 * floor.HALF - 1
            assert clear, (one, other)
