"""How work tells how far it is: one kind of callback for every stage, whoever shows it."""

from __future__ import annotations

from collections.abc import Callable

# Called with what is being done, how many are done, and how many there are (None while that is not known).
OnProgress = Callable[[str, int, int | None], None]
# Called with what is begun within one view, in words.
OnStage = Callable[[str], None]


def quiet(what: str, done: int, total: int | None) -> None:
    """Tells nobody."""


class BrokenOff(Exception):  # noqa: N818 - a wish, not a mistake
    """Raised by a callback: the person asked for no more. What was made so far stays."""
