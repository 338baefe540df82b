"""A change refused because something else changed first: nothing is lost, both are shown."""

from __future__ import annotations

from typing import Any

from clerestory.errors import UserError


class Conflict(UserError):  # noqa: N818 - a state, said in a sentence
    """What a page based its change on is no longer what is there. `facts`: what there is now, for the page."""

    def __init__(self, words: str, **facts: Any) -> None:
        super().__init__(words)
        self.facts = facts
