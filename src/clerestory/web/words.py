"""What is said of the pictures, as the pages read and write it: about.toml, for the visit and for each view."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.toml import read_toml
from clerestory.visit.about import About, Abouts, abouts_of, abouts_text
from clerestory.visit.journal import Journal
from clerestory.web.conflict import check_known

FILE = "about.toml"
FIELDS = ("title", "caption", "place", "creator", "rights", "permit", "keywords")


class Words:
    """The words of one visit's pictures."""

    def __init__(self, root: Path, journal: Journal, tell: Callable[..., None]) -> None:
        self.root, self.journal, self.tell = root, journal, tell

    def _abouts(self) -> Abouts:
        text = self.journal.text_of(FILE)
        return Abouts() if text is None else abouts_of(text, self.root / FILE)

    def facts(self, views: Sequence[str]) -> dict[str, Any]:
        """Words of the visit and of each of `views`; names of planned views as titles on offer."""
        abouts = self._abouts()
        return {
            "visit": _plain(abouts.visit),
            "views": {name: _plain(abouts.views.get(name, About())) for name in views},
            "planned": self._planned(),
        }

    def _planned(self) -> list[str]:
        with contextlib.suppress(UserError):
            data = read_toml(self.root / "visit.toml") or {}
            return [str(v["name"]) for v in data.get("view", []) if isinstance(v, dict) and v.get("name")]
        return []

    def say(self, names: Sequence[str], values: Mapping[str, Any], was: Mapping[str, Any] | None = None) -> None:
        """Write words of some views, or of the visit (no names): only the fields that `values` has.

        `was`: what the page knew of them. `Conflict` where one view's, or the visit's, were written otherwise since.
        """
        unknown = [name for name in values if name not in FIELDS]
        if unknown:
            raise UserError(f"A picture has no {', '.join(unknown)} to be written here.")
        abouts = self._abouts()
        grounds = {n: abouts.views.get(n, About()) for n in names} if names else {"": abouts.visit}
        if len(grounds) == 1 and was is not None:
            now = _plain(next(iter(grounds.values())))
            check_known(
                now, values, was, lambda _: "These words were written in another window meanwhile; keep which?"
            )
        changed = {name: _said(about, values) for name, about in grounds.items()}
        visit, views = (abouts.visit, {**abouts.views, **changed}) if names else (changed[""], abouts.views)
        what = f"words of {names[0]}" if len(names) == 1 else f"words of {len(names)} views" if names else "words"
        place = names[0] if names else ""
        if self.journal.commit("sort", what, {FILE: abouts_text(Abouts(visit, views))}, place=place):
            self.tell("views")


def _plain(about: About) -> dict[str, Any]:
    return {name: list(v) if isinstance(v := getattr(about, name), tuple) else v for name in FIELDS}


def _said(about: About, values: Mapping[str, Any]) -> About:
    texts = {name: str(value).strip() for name, value in values.items() if name != "keywords"}
    out = replace(about, **texts)  # type: ignore[arg-type]
    if "keywords" in values:
        out = replace(out, keywords=tuple(str(w).strip() for w in values["keywords"] if str(w).strip()))
    return out
