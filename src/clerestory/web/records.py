"""What is known of a visit as a whole: whether all agrees, what was learnt from its frames, its frames as a list."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal
from urllib.parse import quote

from clerestory import api
from clerestory.errors import UserError
from clerestory.visit.folder import VisitFolder
from clerestory.web.errand import Errand
from clerestory.web.paths import plain_file

if TYPE_CHECKING:
    from clerestory.learn.measure import Learned
    from clerestory.learn.planned import Compared, Taken

PAGE = "learned.html"  # what `learn` writes into the visit's folder
MOST = 300  # frames shown as a table; the files to save hold all


def check(folder: Path, on_progress: Any) -> dict[str, Any]:
    """`api.check_visit` as plain data, in the other process."""
    found = api.check_visit(folder, on_progress)
    rows: list[dict[str, Any]] = []
    for difference in found:
        where = _within(difference.path, folder)
        what = difference.what.replace(f"{folder}/", "").removeprefix(f"{where}, ").removeprefix(f"{where}: ")
        to, words = way_of(where, what)
        rows.append({"where": where, "what": what, "grave": difference.grave, "to": to, "does": words})
    return {"rows": sorted(rows, key=lambda row: not row["grave"])}


def learn(folder: Path, on_progress: Any) -> dict[str, Any]:
    """`api.learn_from` as plain data, in the other process."""
    found = api.learn_from([folder], None, on_progress)
    return {
        "plots": plots_of(found.learned),
        "planned": [planned_rows(one) for one in found.compared],
        "lines": found.learned.lines(),
        "failures": [f"{Path(name).name}: {reason}" for name, reason in found.failures],
        "toml": _within(found.toml, folder),
    }


def plots_of(learned: Learned) -> list[tuple[str, str]]:
    """What was learned as drawings, each with its caption: hands, noise, lenses, where there is something to draw."""
    from clerestory.learn.page import hands_drawing, lens_drawing, noise_drawing

    out = []
    if learned.fit is not None and learned.judged:
        out.append(("Chance of a sharp frame, per cent", hands_drawing(learned.fit, learned.judged)))
    if learned.noise:
        out.append(("Signal to noise, three stops below saturation", noise_drawing(learned.noise)))
    for lens, counts in sorted(learned.lenses.items()):
        out.append((f"Frames by focal length, {lens}", lens_drawing(lens, counts)))
    named = '<svg xmlns="http://www.w3.org/2000/svg" '
    return [(words, named + drawn[drawn.index("<svg ") + 5 :]) for words, drawn in out]


def planned_rows(found: Compared) -> dict[str, Any]:
    """A visit's plan against its frames, view by view, in words."""
    rows = [
        {"view": name, "planned": taken_words(planned), "taken": taken_words(taken)}
        for name, planned, taken in found.views
    ]
    said = f"Of {found.judged} frames judged, the plan expected {found.expected:.1f} to be sharp; {found.sharp} are."
    return {"title": found.title, "said": said if found.judged else "", "rows": rows}


def taken_words(taken: Taken) -> dict[str, str]:
    """One view's settings, sharpness and light, in words; '' where not known."""
    from clerestory.learn.page import settings_of

    light = taken.light
    known = [("stone", light.stone), ("glass", light.glass)] if light is not None else []
    seen = [f"{name} {float(f'{value:.3g}'):g} cd/m²" for name, value in known if math.isfinite(value)]
    return {
        "settings": settings_of(taken),
        "sharp": "" if taken.sharp is None else f"{100 * taken.sharp:.0f} %",
        "light": ", ".join(seen),
    }


# What mends a difference, by the words that name it: a page to go to, or a text of the visit to open there.
_MENDS = (("export makes", "/export", "Go to Export"), ("finish makes", "/finish", "Go to Finish"),
          ("sort ", "/sort", "Go to Sort"), ("film", "/film", "Go to Film"))  # fmt: skip
_TEXT = re.compile(r"(visit|about|views|exports|versions)\.toml|film/film\.toml|recipes/[^/\\]+\.toml")


def way_of(where: str, what: str) -> tuple[str, str]:
    """The address at which a difference can be mended, and words for it; '' twice where that is elsewhere."""
    if _TEXT.fullmatch(where):
        return f"/sort?text={quote(where)}", "Open it"
    return next(((to, words) for sign, to, words in _MENDS if sign in what), ("", ""))


def _within(path: Path, folder: Path) -> str:
    return str(path.relative_to(folder)) if path.is_relative_to(folder) else str(path)


@dataclass
class Records:
    """The records page's work. `tell` hears how check and learn go; what was found last stays for the page."""

    tell: Callable[..., None]
    work: dict[str, Errand] = field(default_factory=dict)
    found: dict[str, Any] = field(default_factory=dict)
    of: str = ""

    def __post_init__(self) -> None:
        for what in ("check", "learn"):
            self.work[what] = Errand(partial(self._told, what))

    def _told(self, which: str, facts: dict[str, Any]) -> None:
        self.tell("record", which=which, **facts)

    @property
    def busy(self) -> bool:
        """Whether either is under way."""
        return any(errand.busy for errand in self.work.values())

    def facts(self, visit: VisitFolder | None) -> dict[str, Any]:
        """What the page shows of the open visit."""
        if visit is None:
            return {"there": False}
        mine = self.of == str(visit.root)
        # What became of a former visit's work is no news of this one; what is still under way is.
        work = {what: one.state if mine or one.busy else {"state": "idle"} for what, one in self.work.items()}
        page = plain_file(visit.root, ".", PAGE) is not None
        return {"there": True, "title": visit.root.name, "found": self.found if mine else {}, "page": page,
                "work": work}  # fmt: skip

    def begin(self, what: str, visit: VisitFolder | None) -> None:
        """Check the visit, or learn from it, in the background."""
        works: dict[str, Callable[..., Any]] = {"check": check, "learn": learn}
        if visit is None:
            raise UserError("Open a visit first.")
        if what not in works:
            raise UserError(f"'{what}' is not something this page does; reload it.")
        root = str(visit.root)
        if self.of != root:
            self.found, self.of = {}, root
        self.work[what].begin(works[what], visit.root, after=lambda: self._keep(what, root))

    def _keep(self, what: str, root: str) -> None:
        if self.of == root:
            self.found[what] = self.work[what].result
        self.tell("record found", what=what)

    def stop(self, what: str = "") -> None:
        """Break one off, or both."""
        for name, errand in self.work.items():
            if name == what or not what:
                errand.stop()


def catalogue(visit: VisitFolder | None, having: str = "") -> dict[str, Any]:
    """Frames of the catalogue as rows of a table with the names of its columns: those in which each word of `having`
    is found, in what is known of them or said of their view. `of` how many there are in all."""
    if visit is None:
        raise UserError("Open a visit first.")
    every = json.loads(api.catalogue(visit.root, "json"))
    found = json.loads(api.catalogue(visit.root, "json", having)) if having.strip() else every
    titles = {view["name"]: view["title"] for view in every["views"]}
    rows = [[(titles.get(f["view"]) if name == "title" else f.get(name)) or "" for name in COLUMNS]
            for f in found["frames"][:MOST]]  # fmt: skip
    return {"columns": COLUMNS, "rows": rows, "found": len(found["frames"]), "of": len(every["frames"])}


COLUMNS = (
    "name",
    "view",
    "title",
    "time",
    "model",
    "lens",
    "focal_mm",
    "seconds",
    "f_number",
    "iso",
    "sharpness",
    "clipped",
)


def catalogue_file(visit: VisitFolder, name: str, having: str = "") -> str:
    """The text of catalogue.csv or catalogue.json, of the frames in which each word of `having` is found. UserError
    for another name."""
    forms: dict[str, Literal["csv", "json"]] = {"catalogue.csv": "csv", "catalogue.json": "json"}
    if name not in forms:
        raise UserError("There is catalogue.csv and catalogue.json.")
    return api.catalogue(visit.root, forms[name], having)
