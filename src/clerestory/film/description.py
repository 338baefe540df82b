"""The text that goes with a film where it is shown: what it is, its chapters, what it rests on, who made it."""

from __future__ import annotations

from collections.abc import Iterable

from clerestory.film.model import Film
from clerestory.film.mux import chapters_of
from clerestory.film.scenes import Plan


def clock(seconds: float) -> str:
    """0:00, 12:34 or 1:02:03, as lists of chapters have it (common practice, no source)."""
    whole = int(seconds)
    hours, minutes = whole // 3600, whole // 60 % 60
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def _part(head: str, lines: Iterable[str]) -> str:
    body = "\n".join(line for line in lines if line)
    return f"{head}\n{body}\n" if body else ""


def _once(words: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(word for word in words if word))


def description_of(plan: Plan, film: Film) -> str:
    """Title, chapters with their times, facts with their sources, credits and kit, as plain text."""
    facts = _once(f"{fact.statement}: {fact.cited}" for scene in plan.scenes for fact in scene.facts)
    kit = _once(scene.picture.kit for scene in plan.scenes if scene.picture)
    parts = [
        "\n".join(line for line in (film.title, film.subtitle) if line) + "\n" if film.title or film.subtitle else "",
        _part("Chapters", [f"{clock(chapter.start)} {chapter.title}" for chapter in chapters_of(plan)]),
        _part("Sources", facts),
        _part("Credits", film.credits),
        _part("Taken with", kit),
    ]
    return "\n".join(part for part in parts if part)
