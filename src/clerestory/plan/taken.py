"""Which planned view a view was taken for, and what of the plan then holds for its picture."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from pathlib import Path
from typing import Literal

from clerestory.errors import UserError
from clerestory.plan.model import read_visit
from clerestory.raw.group import View
from clerestory.visit.about import About, Abouts

Aspect = Literal["4:3", "3:2", "16:9", "1:1", "free"]
# A planned aspect as a recipe has it, which leaves landscape or portrait to how the frame was held.
_AS_HELD: dict[str, Aspect] = {"3:4": "4:3", "2:3": "3:2", "9:16": "16:9", "4:3": "4:3", "3:2": "3:2", "16:9": "16:9",
                               "1:1": "1:1"}  # fmt: skip


def taken_for(name: str, about: About, planned: Collection[str]) -> str | None:
    """The planned view (one of `planned`, names in lower case) that a view was taken for; None where nothing says.

    What about.toml says of it (`planned = "..."`) comes first; else a planned view of the same title or name.
    """
    message = (about.planned, about.title, name)
    return next((word.casefold() for word in message if word and word.casefold() in planned), None)


def planned_aspects(folder: Path, views: Sequence[View], abouts: Abouts) -> dict[str, Aspect]:
    """The aspect planned for each view of a visit that was planned with one, by the view's name.

    Nothing where the visit has no plan, or one that cannot be read (`clerestory plan` says why).
    """
    try:
        plan = {view.name.casefold(): view.aspect for view in read_visit(folder / "visit.toml").view}
    except UserError:
        return {}
    hits = {view.name: taken_for(view.name, abouts.of(view.name), plan) for view in views}
    return {name: _AS_HELD[plan[hit]] for name, hit in hits.items() if hit and plan[hit] in _AS_HELD}
