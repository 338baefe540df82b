"""The visit's text files as the pages edit them: each save says which text it was based on."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from clerestory.errors import Mistakes, UserError
from clerestory.files.toml import LARGEST, parse_toml
from clerestory.visit.journal import Journal, revision_of
from clerestory.web.conflict import Conflict

_RECIPE = re.compile(r"recipes/[^/\\]+\.toml")
_CALLED = {
    "visit.toml": "text of the plan",
    "film/film.toml": "text of the film",
    "about.toml": "words of the pictures",
    "exports.toml": "sets for export",
    "versions.toml": "versions and sets of controls",
}
_SCOPE = {"visit.toml": "plan", "film/film.toml": "film", "about.toml": "sort", "exports.toml": "export"}


def _check_plan(text: str, path: Path) -> None:
    from clerestory.plan.model import visit_of

    visit_of(text, path)


def _check_film(text: str, path: Path) -> None:
    from clerestory.film.model import film_of

    film_of(text, path)


def _check_about(text: str, path: Path) -> None:
    from clerestory.visit.about import abouts_of

    abouts_of(text, path)


def _check_recipe(text: str, path: Path) -> None:
    from clerestory.finish.recipe import recipe_of

    recipe_of(text, path)


def _check_exports(text: str, path: Path) -> None:
    from clerestory.finish.export import sets_of

    sets_of(text, path)


def _check_any(text: str, path: Path) -> None:
    parse_toml(text, path)


def _check_versions(text: str, path: Path) -> None:
    from clerestory.finish.versions import versions_of

    versions_of(text, path)


_CHECKS: dict[str, Callable[[str, Path], None]] = {
    "visit.toml": _check_plan,
    "film/film.toml": _check_film,
    "about.toml": _check_about,
    "views.toml": _check_any,
    "exports.toml": _check_exports,
    "versions.toml": _check_versions,
}


class Texts:
    """The texts of a visit that a person may write: visit.toml, film/film.toml, about.toml, exports.toml, recipes."""

    def __init__(self, root: Path, journal: Journal) -> None:
        self.root, self.journal = root, journal

    def _check_of(self, name: str) -> Callable[[str, Path], None]:
        if name in _CHECKS:
            return _CHECKS[name]
        if _RECIPE.fullmatch(name) and Path(name).name == name.removeprefix("recipes/"):
            return _check_recipe
        raise UserError(f"{name} is no text that is written on these pages.")

    def read(self, name: str) -> dict[str, Any]:
        """A text with its revision ('' and '' where there is none yet), and what is wrong with it as it stands."""
        check = self._check_of(name)
        text = self.journal.text_of(name)
        mistakes: list[dict[str, Any]] = []
        if text is not None:
            try:
                check(text, self.root / name)
            except Mistakes as problem:
                mistakes = [vars(m) for m in problem.found]
            except UserError as problem:
                mistakes = [{"line": 0, "place": "", "what": str(problem)}]
        return {"text": text or "", "revision": revision_of(text), "mistakes": mistakes}

    def save(self, name: str, text: str, based: str) -> dict[str, Any]:
        """Write a text, once it can be read as what it is meant to be; its new revision.

        `based`: the revision it was written over. `Conflict` with both texts where another has been saved since;
        `Mistakes` where it cannot be read. In both cases nothing is written.
        """
        check = self._check_of(name)
        if len(text.encode()) > LARGEST:
            raise UserError("This text is too long: at most a million letters.")
        now = self.journal.text_of(name)
        if now == text:
            return {"revision": revision_of(text)}
        if revision_of(now) != based:
            said = f"{name} has been changed elsewhere since you began; both texts are here, and neither is lost."
            raise Conflict(said, text=now or "", revision=revision_of(now))
        check(text, self.root / name)
        place = Path(name).stem if name.startswith("recipes/") else ""
        self.journal.commit(
            _SCOPE.get(name, "finish"), _CALLED.get(name, f"text of {name}"), {name: text}, place=place
        )
        return {"revision": revision_of(text)}

    def own_again(self, name: str, based: str) -> None:
        """Take a text away, so that all of it is left to the tool again; undo brings it back."""
        self._check_of(name)
        now = self.journal.text_of(name)
        if revision_of(now) != based:
            raise Conflict(f"{name} has been changed elsewhere since.", text=now or "", revision=revision_of(now))
        self.journal.commit(_SCOPE.get(name, "finish"), f"{name} left to the tool", {name: None})
