"""What is said of the pictures: once for the visit, and for a view where it differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import tomli_w

from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.files.toml import read_toml


@dataclass(frozen=True)
class About:
    """The IPTC core fields an archive asks for. An empty field of a view means the visit's.

    `planned`: the planned view (its name in visit.toml) that a view was taken for.
    """

    title: str = ""
    caption: str = ""
    place: str = ""
    creator: str = ""
    rights: str = ""
    permit: str = ""
    keywords: tuple[str, ...] = ()
    planned: str = ""

    def over(self, ground: About) -> About:
        """These fields, the empty ones taken from `ground`."""
        return replace(ground, **{f.name: v for f in fields(self) if (v := getattr(self, f.name))})


@dataclass(frozen=True)
class Abouts:
    """The visit's own fields, and those of single views."""

    visit: About = About()
    views: Mapping[str, About] = field(default_factory=dict)

    def of(self, view: str) -> About:
        """What holds for a view."""
        return self.views.get(view, About()).over(self.visit)


def _about(table: Any, path: Path, where: str) -> About:
    known = sorted(f.name for f in fields(About))
    if not isinstance(table, dict):
        raise UserError(f"{path}: [{where}] is not a table; write it as [{where}] with one field a line.")
    out: dict[str, Any] = {}
    for name, value in table.items():
        if name not in known:
            raise UserError(f"{path}: [{where}] has the unknown field '{name}'; known are {', '.join(known)}.")
        if name == "keywords":
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                raise UserError(f"{path}: [{where}] keywords must be a list of texts.")
            out[name] = tuple(value)
        elif isinstance(value, str):
            out[name] = value
        else:
            raise UserError(f"{path}: [{where}] {name} must be text, in quotes.")
    return About(**out)


def read_abouts(path: Path) -> Abouts:
    """about.toml: a [visit] table, and a [views.NAME] table for each view with its own words. No file: no words."""
    data = read_toml(path) or {}
    for name in data:
        if name not in ("visit", "views"):
            raise UserError(f"{path}: has the unknown table [{name}]; known are [visit] and [views.NAME].")
    views = data.get("views", {})
    if not isinstance(views, dict):
        raise UserError(f"{path}: [views] must hold one table a view, such as [views.view-01].")
    return Abouts(
        _about(data.get("visit", {}), path, "visit"),
        {name: _about(table, path, f"views.{name}") for name, table in views.items()},
    )


def write_abouts(path: Path, abouts: Abouts) -> None:
    """Write about.toml, only the fields that are filled."""

    def filled(about: About) -> dict[str, Any]:
        found = {f.name: getattr(about, f.name) for f in fields(about)}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in found.items() if v}

    data: dict[str, Any] = {"visit": filled(abouts.visit)}
    views = {name: filled(abouts.views[name]) for name in sorted(abouts.views)}
    if any(views.values()):
        data["views"] = {name: table for name, table in views.items() if table}
    write_atomic(path, tomli_w.dumps(data))
