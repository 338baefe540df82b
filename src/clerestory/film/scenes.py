"""What stands on the film's timeline: pictures and cards, each with its frames."""

from __future__ import annotations

from dataclasses import Field, dataclass
from pathlib import Path
from typing import Any, ClassVar, Protocol

import av

from clerestory.film.facts import Fact
from clerestory.film.lettering import Card
from clerestory.film.light import Renderer
from clerestory.film.model import Shot
from clerestory.film.pictures import Picture
from clerestory.film.taps import Floats


class Lit(Protocol):
    """A scene that can be drawn."""

    def linear(self, frame: int, out: Floats) -> None:
        """The frame of this number in linear light, into `out`: float32 (H, 3 W), colours side by side."""

    def video(self, frame: int, out: av.VideoFrame) -> None:
        """The frame as video."""


class Showing(Protocol):
    """What a shot shows in place of a picture under a move: how it came about, a clip, two pictures."""

    __dataclass_fields__: ClassVar[dict[str, Field[Any]]]

    @property
    def begin(self) -> int:
        """First frame of its own, after the dissolve that leads in."""

    @property
    def end(self) -> int:
        """Its last frame of its own, and one."""

    @property
    def files(self) -> tuple[Path, ...]:
        """What it is drawn from beside the picture."""

    @property
    def seconds(self) -> float:
        """As long as it takes when nothing else says."""

    @property
    def drawn_here(self) -> bool:
        """Whether no file shows what is seen."""

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""

    def words(self) -> tuple[tuple[str, str], ...]:
        """What each step is: a head, and a line under it."""

    def word_frames(self) -> list[tuple[int, int]]:
        """First and last frame of each of the words."""

    def lit(self, renderer: Renderer, picture: Path) -> Lit:
        """Made ready to be drawn; `picture`: the shot's own."""


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

    @property
    def drawn(self) -> bool:
        """Whether it is a drawing on the dark, which no file shows."""
        return self.showing is not None and self.showing.drawn_here


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
