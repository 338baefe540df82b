"""What is said of the pictures: once for the visit, and for a view where it differs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import tomli_w

from clerestory.files.mistakes import Complaints, Loc, plain
from clerestory.files.store import write_atomic
from clerestory.files.toml import parse_toml, read_text


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


def _about(table: Any, at: Loc, complaints: Complaints) -> About:
    known = tuple(f.name for f in fields(About))
    if not isinstance(table, dict):
        complaints.add(at, "is not a table; write it as [visit] or [views.NAME], with one field a line")
        return About()
    out: dict[str, Any] = {}
    for name, value in table.items():
        if name not in known:
            complaints.add((*at, name), plain({"type": "extra_forbidden", "loc": (name,)}, known))
        elif name == "keywords":
            if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
                complaints.add((*at, name), 'must be a list of texts, such as ["rose window", "vault"]')
            else:
                out[name] = tuple(value)
        elif isinstance(value, str):
            out[name] = value
        else:
            complaints.add((*at, name), f'must be text in quotes; write "{value}"')
    return About(**out)


def read_abouts(path: Path) -> Abouts:
    """about.toml: a [visit] table, and a [views.NAME] table for each view with its own words. No file: no words."""
    text = read_text(path)
    return Abouts() if text is None else abouts_of(text, path)


def abouts_of(text: str, path: Path) -> Abouts:
    """What a TOML text says of the pictures; `path` is for the message. `Mistakes` with every line that is wrong."""
    data, complaints = parse_toml(text, path), Complaints(path, text)
    for name in data:
        if name not in ("visit", "views"):
            complaints.add((name,), "is not a table known here; known are [visit] and [views.NAME]")
    views = data.get("views", {})
    if not isinstance(views, dict):
        complaints.add(("views",), "must hold one table a view, such as [views.view-01]")
        views = {}
    visit = _about(data.get("visit", {}), ("visit",), complaints)
    out = Abouts(visit, {name: _about(table, ("views", name), complaints) for name, table in views.items()})
    complaints.check()
    return out


def write_abouts(path: Path, abouts: Abouts) -> None:
    """Write about.toml, only the fields that are filled."""
    write_atomic(path, abouts_text(abouts))


def abouts_text(abouts: Abouts) -> str:
    """The text of about.toml, only the fields that are filled."""

    def filled(about: About) -> dict[str, Any]:
        found = {f.name: getattr(about, f.name) for f in fields(about)}
        return {k: list(v) if isinstance(v, tuple) else v for k, v in found.items() if v}

    data: dict[str, Any] = {"visit": filled(abouts.visit)}
    views = {name: filled(abouts.views[name]) for name in sorted(abouts.views)}
    if any(views.values()):
        data["views"] = {name: table for name, table in views.items() if table}
    return tomli_w.dumps(data)
