"""What stands on the film's timeline: pictures and cards, each with its frames."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from clerestory.film.exposures import Exposures
from clerestory.film.facts import Fact
from clerestory.film.footage import Stretch
from clerestory.film.lettering import Card
from clerestory.film.model import Shot
from clerestory.film.pictures import Picture
from clerestory.film.standpoint import Standpoint
from clerestory.film.straightening import Straightening

Showing = Straightening | Standpoint | Exposures | Stretch
"""How a picture came about."""

RATE = 25  # frames a second


@dataclass(frozen=True)
class Speech:
    """Words spoken over a scene: from when, for how long, and where they are recorded."""

    words: str
    start: float
    """Seconds from the film's start."""
    seconds: float
    recording: Path | None = None
    offset: float = 0.0
    """Seconds into the recording."""


@dataclass(frozen=True)
class Scene:
    """One picture or card on the timeline. It shares its first `lead` frames with the scene before."""

    label: str
    start: int
    frames: int
    lead: int = 0
    tail: int = 0
    """Frames shared with the scene after."""
    card: Card | None = None
    number: int = 0
    """Which shot of the film this is, from 1; 0 for cards."""
    shot: Shot | None = None
    picture: Picture | None = None
    before: Path | None = None
    whole: Picture | None = None
    region: tuple[float, float, float, float] | None = None
    caption: str = ""
    settings: str = ""
    chapter: str = ""
    speech: Speech | None = None
    facts: tuple[Fact, ...] = ()
    """What the words rest on."""
    showing: Showing | None = None
    """How the picture came about, where the shot shows that."""

    @property
    def end(self) -> int:
        return self.start + self.frames


@dataclass(frozen=True)
class Plan:
    """The whole film, checked: scenes in order, and what is worth saying before it is made."""

    title: str
    scenes: tuple[Scene, ...]
    notes: tuple[str, ...] = ()
    words_a_minute: float = 0.0

    @property
    def frames(self) -> int:
        return self.scenes[-1].end

    @property
    def seconds(self) -> float:
        return self.frames / RATE
