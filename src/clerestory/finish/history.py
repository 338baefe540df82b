"""What was done to a view by hand: the steps that its recipe went through, as the journal has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.finish.recipe import Recipe, recipe_of
from clerestory.visit.journal import Change


@dataclass(frozen=True)
class Step:
    """One step: its number in the journal, what it changed and from what to what, and how it came about where it was
    not by this view's own controls."""

    number: int
    what: tuple[str, ...]
    said: str = ""

    def __str__(self) -> str:
        what = ", ".join(self.what)
        return f"{what} ({self.said})" if self.said else what


def history_of(changes: Sequence[Change], view: str) -> list[Step]:
    """The steps of a view's recipe in changes of the journal, the first one first."""
    name = f"recipes/{view}.toml"
    out = []
    for change in changes:
        before, after = (recipe_or_none(text[name], Path(name)) for text in (change.before, change.after))
        read = None if before is None or after is None else differences(before, after)
        what = ["the text was written by hand"] if read is None else read
        if what:
            own = change.said.startswith(f"{view}: ") and not change.said.startswith(f"{view}: as ")
            out.append(Step(change.number, tuple(what), "" if own else change.said))
    return out


def differences(was: Recipe, now: Recipe) -> list[str]:
    """How one recipe differs from another, a few words for each field."""
    one, other = was.model_dump(mode="json"), now.model_dump(mode="json")
    return [f"{n.replace('_', ' ')} {_shown(one[n])} → {_shown(other[n])}" for n in one if one[n] != other[n]]


def _shown(value: Any) -> str:
    if value is None:
        return "automatic"
    if isinstance(value, float):
        return f"{value:g}"
    if isinstance(value, list) and all(isinstance(v, float) for v in value) and value:
        return " ".join(f"{v:g}" for v in value)
    return str(len(value)) if isinstance(value, list) else str(value)


def recipe_or_none(text: str | None, path: Path) -> Recipe | None:
    """A recipe by its text; None where it cannot be read."""
    try:
        return Recipe() if text is None else recipe_of(text, path)
    except UserError:
        return None
