"""A visit planned from end to end: read, worked out, written."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.languages import day_words
from clerestory.plan.card import card_data, card_folded, card_html, card_pdf
from clerestory.plan.care import STAFF, of_plan
from clerestory.plan.doubts import doubts_of
from clerestory.plan.ical import calendar_text
from clerestory.plan.kit import Outcome
from clerestory.plan.model import read_visit
from clerestory.plan.reckoning import Plan, Progress, compute, plan_data, short_settings
from clerestory.plan.report import report_html
from clerestory.plan.words import standing


@dataclass(frozen=True)
class PlanResult:
    """What was written, and the plan itself. `doubts`: questions about what the text says that may be a slip."""

    plan: Plan
    report: Path
    card_pdf: Path
    card_html: Path
    calendar: Path
    data: Path
    doubts: tuple[str, ...] = ()

    @property
    def card_folded(self) -> Path:
        """The card two pages to a side of A4, to be printed on both sides and folded."""
        return self.card_pdf.with_name("card-folded.pdf")

    def summary_lines(self) -> list[str]:
        """A few lines for the terminal."""
        p = self.plan
        kinds: tuple[Outcome, ...] = ("too few pixels", "only stitched", "not possible")
        possible, all_views = len(p.bag.named("possible")), len(p.visit.view)
        rest = "".join(f", {len(p.bag.named(k))} {k}" for k in kinds if p.bag.named(k))
        lines = [
            f"{p.visit.visit.title}: {p.visit.place.name}, {day_words(p.visit.visit.date)}",
            *self.doubts,
            f"Bag: {p.bag.bag}. {possible} of {all_views} views possible in one frame{rest}.",
        ]
        lines += [f"Not possible: {name} ({why})" for name, why in p.missing.items()]
        for stop in p.timetable.stops:
            light = "" if stop.light else "  (not the light you wanted)"
            lines.append(
                f"{p.clock(stop.start)}  {stop.view}, {standing(p, p.view(stop.view))}: "
                f"{short_settings(p.view(stop.view))}{light}"
            )
        lines += [
            f"No time for {name}: the building is not free for long enough."
            for name in p.timetable.left_out
            if name not in p.missing
        ]
        return [
            *lines,
            "Take care",
            *(f"  {caution}" for caution in of_plan(p)),
            STAFF,
            f"Report {self.report}; field card {self.card_pdf} (A5), {self.card_folded} (A4, folded) and "
            f"{self.card_html}; calendar {self.calendar}",
        ]


def new_visit(path: Path) -> Path:
    """Write the commented worked example to `path`. UserError if a file is there already."""
    if path.exists():
        raise UserError(f"{path}: there is already a file; choose another name or move it away first")
    write(path, files("clerestory.plan").joinpath("example.toml").read_bytes())
    return path


def write(path: Path, content: bytes) -> None:
    """Write a file whole, making its folder. UserError if it cannot be."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(f"{path.parent}: cannot be made ({error.strerror}); choose another folder") from error
    write_atomic(path, content)


def make(visit_toml: Path, out: Path, progress: Progress | None = None) -> PlanResult:
    """Plan the visit in `visit_toml` and write report, cards, calendar and numbers into the folder `out`.

    `progress` is told what is being done and the share (0 to 1) done. UserError where the visit file is wrong.
    """
    visit = read_visit(visit_toml)
    plan = compute(visit, progress)
    written = (out / "plan.html", out / "card.pdf", out / "card.html", out / "good-hours.ics", out / "plan.json")
    result = PlanResult(plan, *written, doubts=doubts_of(visit, date.today()))
    say = progress or (lambda _words, _share: None)
    say("report", 0.85)
    write(result.report, report_html(plan).encode())
    say("field card", 0.9)
    said = card_data(plan)
    write(result.card_html, card_html(plan, said).encode())
    pdf = card_pdf(plan, said)
    write(result.card_pdf, pdf)
    write(result.card_folded, card_folded(plan, pdf))
    write(result.calendar, calendar_text(plan).encode())
    write(result.data, (json.dumps(plan_data(plan), indent=1, ensure_ascii=False) + "\n").encode())
    say("done", 1.0)
    return result
