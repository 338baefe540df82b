"""What is known of a visit as a whole: whether all agrees, what was learnt from its frames, its frames as a list."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any, Literal

from clerestory import api
from clerestory.errors import UserError
from clerestory.visit.folder import VisitFolder
from clerestory.web.errand import Errand
from clerestory.web.paths import plain_file

PAGE = "learned.html"  # what `learn` writes into the visit's folder
MOST = 5000  # frames shown as a table; the files to save hold all


def check(folder: Path, on_progress: Any) -> dict[str, Any]:
    """`api.check_visit` as plain data, in the other process."""
    found = api.check_visit(folder, on_progress)
    rows: list[dict[str, Any]] = []
    for difference in found:
        where = _within(difference.path, folder)
        what = difference.what.replace(f"{folder}/", "").removeprefix(f"{where}, ").removeprefix(f"{where}: ")
        rows.append({"where": where, "what": what, "grave": difference.grave})
    return {"rows": sorted(rows, key=lambda row: not row["grave"])}


def learn(folder: Path, on_progress: Any) -> dict[str, Any]:
    """`api.learn_from` as plain data, in the other process."""
    found = api.learn_from([folder], None, on_progress)
    return {
        "lines": found.learned.lines(),
        "failures": [f"{Path(name).name}: {reason}" for name, reason in found.failures],
        "toml": _within(found.toml, folder),
    }


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
        mine = self.found if self.of == str(visit.root) else {}
        page = plain_file(visit.root, ".", PAGE) is not None
        return {"there": True, "title": visit.root.name, "found": mine, "page": page,
                "work": {what: errand.state for what, errand in self.work.items()}}  # fmt: skip

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


def catalogue(visit: VisitFolder | None) -> dict[str, Any]:
    """The frames of the catalogue as rows of a table, one for each, with the names of its columns."""
    if visit is None:
        raise UserError("Open a visit first.")
    frames = json.loads(api.catalogue(visit.root, "json"))["frames"]
    columns = [name for name in COLUMNS if any(name in frame for frame in frames)]
    return {"columns": columns, "rows": [[f.get(name) for name in columns] for f in frames[:MOST]],
            "more": max(0, len(frames) - MOST)}  # fmt: skip


COLUMNS = ("name", "view", "time", "model", "lens", "focal_mm", "seconds", "f_number", "iso", "sharpness", "clipped")


def catalogue_file(visit: VisitFolder, name: str) -> str:
    """The text of catalogue.csv or catalogue.json. UserError for another name."""
    forms: dict[str, Literal["csv", "json"]] = {"catalogue.csv": "csv", "catalogue.json": "json"}
    if name not in forms:
        raise UserError("There is catalogue.csv and catalogue.json.")
    return api.catalogue(visit.root, forms[name])
