"""How work tells how far it is: one kind of callback for every stage, whoever shows it."""

from __future__ import annotations

from collections.abc import Callable

# Called with what is being done, how many are done, and how many there are (None while that is not known).
OnProgress = Callable[[str, int, int | None], None]
# Called with what is begun within one view, in words.
OnStage = Callable[[str], None]


def quiet(what: str, done: int, total: int | None) -> None:
    """Tells nobody."""


def counted(on_progress: OnProgress, what: str, total: int) -> Callable[[object], None]:
    """Tells of `what` that none of `total` is done yet; what it returns tells of one more at each call."""
    done = 0

    def one_more(_: object) -> None:
        nonlocal done
        done += 1
        on_progress(what, done, total)

    on_progress(what, 0, total)
    return one_more


class BrokenOff(Exception):  # noqa: N818 - a wish, not a mistake
    """Raised by a callback: the person asked for no more. What was made so far stays."""
