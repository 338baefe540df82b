"""A change refused because something else changed first: nothing is lost, both are shown."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from clerestory.errors import UserError


class Conflict(UserError):  # noqa: N818 - a state, said in a sentence
    """What a page based its change on is no longer what is there. `facts`: what there is now, for the page."""

    def __init__(self, words: str, **facts: Any) -> None:
        super().__init__(words)
        self.facts = facts


def check_known(
    now: Mapping[str, Any],
    values: Mapping[str, Any],
    was: Mapping[str, Any],
    said: Callable[[Mapping[str, Any]], str],
    **facts: Any,
) -> None:
    """`Conflict` where a field that is to be written has been set otherwise since the page read it.

    `now`: what the fields are; `values`: what they are to be; `was`: what the page knew of them; `said` puts those
    that moved into words. What is already as asked is no conflict.
    """
    moved = {name: now.get(name) for name in values if name in was and now.get(name) not in (was[name], values[name])}
    if moved:
        raise Conflict(said(moved), **facts, now=moved, yours={name: values[name] for name in moved})
