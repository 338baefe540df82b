"""The demo's one page: a visit from its plan to its film, what was foretold, what came, and what to try next."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clerestory.film import FilmResult
from clerestory.finish.folder import Finished
from clerestory.finish.report import STYLE, VERDICTS, inline_jpeg, shown_jpeg
from clerestory.learn.folders import LearnedVisits
from clerestory.learn.page import settings_of
from clerestory.plan.card import card_data
from clerestory.plan.run import PlanResult
from clerestory.raw.group import KIND_WORDS
from clerestory.raw.sort import Sorted

PAIRS = 3  # pictures shown before and after; all are in the report

_MORE = """
p { max-width: 46em; } section { margin: 0 0 40px; } video { width: 100%; max-width: 860px; background: #000; }
.plan { background: #fff; color: #000; max-width: 860px; padding: 8px; } .plan svg { width: 100%; height: auto; }
.wide { overflow-x: auto; } a { color: #8fb4cf; }
pre { background: #151412; padding: 12px 16px; overflow-x: auto; font-size: 15px; }
"""
_NEXT = (
    ("Look round in it", "clerestory serve {folder}", "every page, from the plan to the film; nothing can go wrong, "
     "and Undo takes back what you change"),
    ("Finish your own frames", "clerestory finish FOLDER", "any folder of raw frames; they are never written to"),
    ("Plan a visit of your own", "clerestory", "New visit, then ten numbers of the church"),
    ("See what the tool makes of your hands", "clerestory learn FOLDER",
     "best from views that you took five times over at several shutter times"),
)  # fmt: skip


@dataclass(frozen=True)
class Story:
    """All that the page tells of: each stage's own result. `learned` is None where no time was given to it."""

    folder: Path
    plan: PlanResult
    found: Sorted
    finished: Finished
    truths: Mapping[str, Mapping[str, str]]
    titles: Mapping[str, str]
    film: FilmResult | None
    learned: LearnedVisits | None
    untouched: bool


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = "".join(f"<th>{html.escape(cell)}</th>" for cell in head)
    body = "".join("<tr>" + "".join(f"<td>{html.escape(cell)}</td>" for cell in row) + "</tr>" for row in rows)
    return f"<div class=wide><table><tr>{top}</tr>{body}</table></div>"


def _to(path: Path, folder: Path, words: str) -> str:
    return f'<a href="{html.escape(path.relative_to(folder).as_posix(), quote=True)}">{html.escape(words)}</a>'


def _before(story: Story) -> str:
    data = card_data(story.plan.plan)
    rows = [[v["time"], v["name"], v["focal"], v["shot"]] for v in data["views"]]
    card, report = (
        _to(story.plan.card_pdf, story.folder, "field card"),
        _to(story.plan.report, story.folder, "report"),
    )
    return (
        f"<p>{html.escape(data['place'])}, {html.escape(data['date'])}. From the church's measures the plan works "
        "out where to stand, how far each view is straightened, the light, the focus and the settings. "
        f"It goes with you as a {card}; the {report} says why.</p>"
        f"<div class=plan>{data['floor']}</div>" + _table(["at", "view", "focal length", "settings"], rows)
    )


def _frames(story: Story) -> str:
    count = sum(len(view.frames) for view in story.found.views)
    rows = [
        [story.titles.get(v.name, v.name), KIND_WORDS[v.kind], str(len(v.frames)), v.pick.name, v.why]
        for v in story.found.views
    ]
    kept = "No original changed: their digests are the same." if story.untouched else "AN ORIGINAL CHANGED."
    return (
        f"<p>{count} raw frames came home. Those of one picture lie together, and the one to be used is picked. "
        f"{kept}</p>" + _table(["view", "frames of", "how many", "picked", "why"], rows)
    )


def _account_rows(story: Story) -> list[Mapping[str, Any]]:
    return [done.account for done in story.finished.done if done.account is not None]


def _pair(story: Story, account: Mapping[str, Any]) -> str:
    """One view before and after."""
    folder, view, name = story.folder / "pictures", str(account["view"]), shown_jpeg(account)
    if name is None:
        return ""
    was, now = inline_jpeg(folder / "before" / f"{view}.jpg"), inline_jpeg(folder / name)
    return (
        f"<div class=pair><figure><img alt='before' src='{was}'><figcaption>as shot</figcaption></figure>"
        f"<figure><img alt='after' src='{now}'>"
        f"<figcaption>{html.escape(story.titles.get(view, view))}, finished</figcaption></figure></div>"
    )


def _pictures(story: Story) -> str:
    accounts = _account_rows(story)
    straightened = [a for a in accounts if a["verdict"] == "sure" and a["plumb"] > 0]
    pairs = "".join(_pair(story, account) for account in (straightened or accounts)[:PAIRS])
    rows = []
    for account in accounts:
        own = account["aspects"].get("own", {})
        rows.append([
            story.titles.get(str(account["view"]), str(account["view"])), VERDICTS[account["verdict"]],
            story.truths.get(str(account["view"]), {}).get("tilt_left", ""), f"{100 * own.get('kept', 0):.1f} %",
        ])  # fmt: skip
    whole = _to(story.finished.report, story.folder, "The report")
    return (
        "<p>Upright, the windows held, the shade opened as far as the noise allows. The church is invented, so the "
        "truth is known: how far each picture's verticals still lean.</p>"
        + pairs
        + _table(["view", "the vertical", "still leaning, in truth", "of the frame kept"], rows)
        + f"<p>{whole} has them all, with every number.</p>"
    )


def _film(story: Story) -> str:
    if story.film is None:
        return "<p>Not made this time.</p>"
    poster = next((shown_jpeg(account) for account in _account_rows(story)), None)
    still = f' poster="{inline_jpeg(story.folder / "pictures" / poster)}"' if poster else ""
    source = story.film.film.relative_to(story.folder).as_posix()
    return (
        f"<p>{story.film.length:.0f} seconds, made from the pictures; its text, film/film.toml, takes your "
        "words, your voice and another order.</p>"
        f'<video controls preload="none"{still} src="{html.escape(source, quote=True)}"></video>'
    )


def _against(story: Story) -> str:
    if story.learned is None or not story.learned.compared:
        return "<p>Not measured this time: run clerestory learn on this folder.</p>"
    found = story.learned.compared[0]
    rows = []
    for name, planned, taken in found.views:
        light = [f"{t.light.stone:.2g}" if t.light else "" for t in (planned, taken)]
        rows.append([name, settings_of(planned), settings_of(taken), *light])
    hands = (
        f"Of {found.judged} frames judged, the plan expected {found.expected:.1f} to be sharp; {found.sharp} are. "
    )
    page = _to(story.learned.page, story.folder, "The whole comparison")
    return (
        f"<p>{hands if found.judged else ''}The next plan can take what was measured: hands, noise, light. "
        f"{page}.</p>" + _table(["view", "planned", "taken", "stone planned, cd/m²", "seen"], rows)
    )


def story_page(story: Story) -> str:
    """The page as one HTML file; it links to the plan, the report and the film, which lie beside it."""
    title = f"{story.plan.plan.visit.place.name}: a visit"
    parts = [
        ("Before the day", _before(story)),
        ("The frames", _frames(story)),
        ("The pictures", _pictures(story)),
        ("The film", _film(story)),
        ("Planned against measured", _against(story)),
    ]
    tries = "".join(
        f"<p><b>{html.escape(what)}</b>: {html.escape(why)}.</p>"
        f"<pre>{html.escape(command.format(folder=story.folder.name))}</pre>"
        for what, command, why in _NEXT
    )
    sections = "".join(f"<section><h2>{name}</h2>{content}</section>" for name, content in parts)
    return (
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>{html.escape(title)}</title><style>{STYLE}{_MORE}</style><main><h1>{html.escape(title)}</h1>"
        "<p class=lead>Church, town, camera and people are invented; all else was done as with your own frames.</p>"
        f"{sections}<section><h2>What to try next</h2>{tries}</section></main></html>\n"
    )
