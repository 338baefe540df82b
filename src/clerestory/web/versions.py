"""Versions of a view, sets of controls, and a view's history: as the Finish page asks for them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from clerestory.errors import UserError
from clerestory.files.mistakes import made
from clerestory.finish.history import differences, history_of, recipe_or_none
from clerestory.finish.recipe import OF_ONE_VIEW, Recipe
from clerestory.finish.versions import VERSIONS, ControlSet, Version, Versions, versions_of

if TYPE_CHECKING:
    from clerestory.web.desk import Desk

STEPS = 80  # of a view's history that are told


class Kept:
    """What is kept by name of one visit on the desk."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def _read(self) -> Versions:
        return versions_of(self.desk.journal.text_of(VERSIONS), self.desk.root / VERSIONS)

    def _write(self, said: str, now: Versions, view: str = "") -> None:
        self.desk.journal.commit("finish", said, {VERSIONS: now.text()}, place=view)
        self.desk.tell("versions")

    def facts(self, view: str) -> dict[str, Any]:
        """A view's versions, each with how it differs from the view as it stands; the visit's sets; the history."""
        kept, now = self._read(), self.desk.recipe(view)
        return {
            "versions": [{"name": v.name, "differs": differences(now, v.recipe)}
                         for v in kept.version if v.view == view],
            "sets": [{"name": s.name, "values": s.values()} for s in kept.set],
            "history": self.history(view),
        }  # fmt: skip

    def keep(self, view: str, name: str) -> None:
        """Keep a view as it stands under a name."""
        self.desk.table.view(view)
        new = made(Version, {"view": view, "name": name.strip(), "recipe": self.desk.recipe(view)})
        self._write(f"{view}: kept as {new.name}", self._read().with_version(new), view)

    def take(self, view: str, name: str) -> None:
        """Make a view again as one of its versions has it, in one step."""
        kept = self._read().of(view, name)
        self._put({view: kept.recipe}, f"{view}: as its version {kept.name}", view)

    def version(self, view: str, name: str) -> dict[str, Any]:
        """The values of a version of a view, all of its recipe."""
        return self._read().of(view, name).recipe.model_dump(mode="json")

    def keep_set(self, view: str, name: str, what: Sequence[str]) -> None:
        """Keep some of a view's controls as a set under a name."""
        recipe = self.desk.recipe(view)
        values = {n: getattr(recipe, n) for n in what if n in Recipe.model_fields and n not in OF_ONE_VIEW}
        values = {n: v for n, v in values.items() if v is not None}
        if not values:
            raise UserError("Choose at least one control that is set by hand.")
        new = made(ControlSet, {"name": name.strip(), "controls": Recipe(**values)})
        self._write(f"set {new.name} kept", self._read().with_set(new), view)

    def put_set(self, name: str, views: Sequence[str]) -> int:
        """Put a set's controls on views, as one step; how many views."""
        found = self._read().set_of(name)
        if not views:
            raise UserError("Choose at least one view.")
        recipes = {v: self.desk.changed(v, found.values()) for v in views if self.desk.table.view(v)}
        self._put(recipes, f"set {found.name} on {len(recipes)} view{'' if len(recipes) == 1 else 's'}", views[0])
        return len(recipes)

    def drop(self, view: str, name: str) -> None:
        """Forget a version of a view, or, with no view, a set."""
        self._write(f"{view or 'set'}: {name} forgotten", self._read().without(view, name), view)

    def history(self, view: str) -> list[dict[str, Any]]:
        """What was done to a view, the last first: each step's number, what it changed, and from what to what."""
        found = history_of(self.desk.journal.steps_of(f"recipes/{view}.toml")[-STEPS:], view)
        return [{"number": step.number, "what": list(step.what), "said": step.said} for step in found][::-1]

    def back_to(self, view: str, number: int) -> None:
        """A view as it was after a step of its history, as a new step."""
        name = f"recipes/{view}.toml"
        found = next((c for c in self.desk.journal.steps_of(name) if c.number == number), None)
        recipe = recipe_or_none(found.after[name], self.desk.root / name) if found is not None else None
        if recipe is None:
            raise UserError("This step is no longer known, or its text cannot be read; choose another.")
        self._put({view: recipe}, f"{view}: as it was before", view)

    def _put(self, recipes: Mapping[str, Recipe], said: str, place: str) -> None:
        texts = {f"recipes/{v}.toml": r.text() for v, r in recipes.items()}
        if self.desk.journal.commit("finish", said, texts, place=place):
            self.desk.texts_changed(texts)
