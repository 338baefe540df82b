"""The one kind of error a user is meant to read, and its form for all that is wrong with a text at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MOST = 12  # mistakes told at once; more would be one mistake seen many times


class UserError(Exception):
    """One clear sentence: what is wrong, where, and what to do. Printed as it stands, never as a traceback."""


@dataclass(frozen=True)
class Mistake:
    """One thing wrong. `line` counts from 1, 0 where it is the file as a whole; `place` in words, such as 'visit,
    date'; `what` is wrong and what to write."""

    line: int
    place: str
    what: str


class Mistakes(UserError):  # noqa: N818 - several of them
    """All that is wrong with one text, as one refusal; one sentence a line."""

    def __init__(self, path: Path, found: Iterable[Mistake], mended: Mapping[str, Any] | None = None) -> None:
        """`mended`: what the text would say with these mistakes put right, where that can be told."""
        self.path = path
        self.mended = mended
        self.found = tuple(sorted(set(found), key=lambda m: (m.line or 10**9, m.place)))[:MOST]
        super().__init__("\n".join(self._said(m) for m in self.found))

    def _said(self, mistake: Mistake) -> str:
        where = f"line {mistake.line}" if mistake.line else "the file as a whole"
        place = f", {mistake.place}" if mistake.place else ""
        return f"{self.path}, {where}{place}: {mistake.what}"
