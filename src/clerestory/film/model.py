"""What a film says of itself: film.toml, its shots in order."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from clerestory.errors import UserError
from clerestory.files.toml import model_of, read_text
from clerestory.film.loudness import LOUDEST, QUIETEST, TARGET

Move = Literal["hold", "push", "pull", "pan", "tilt"]
Join = Literal["cut", "dissolve"]
Language = Annotated[str, Field(pattern=r"^[a-z]{3}$")]
Share = Annotated[float, Field(ge=0, le=1)]

KINDS = (
    "straightening",
    "standpoint",
    "walk",
    "distance",
    "focus",
    "exposures",
    "merge",
    "clip",
)  # keys of a shot that name its picture in place of `picture`
PAIRS = ("beside", "wipe", "older")  # keys of a shot that put a second picture into its frame
WORDS_A_MINUTE = 140  # unhurried speech over pictures; common practice, no source
QUIET_SECONDS = 7.0  # a picture nobody speaks over; common practice, no source


class Point(BaseModel):
    """A place of a shot's picture that is pointed at for a while; the mark keeps to it while the picture moves."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    mark: Literal["ring", "arrow", "light"] = "ring"
    """A ring around the place, an arrow to its edge, or the place left light while all else is darkened."""
    at: tuple[float, float]
    """The place's middle: shares of the picture's width and height, from its top left corner."""
    radius: Annotated[float, Field(gt=0, le=0.5)] = 0.05
    """The place's radius as a share of the picture's width."""
    word: Annotated[str, Field(max_length=60)] = ""
    """What stands beside it."""
    from_seconds: Annotated[float, Field(ge=0)] | None = None
    """When it comes, counted from the shot's beginning; without it, as soon as the shot is seen alone."""
    to_seconds: Annotated[float, Field(ge=0)] | None = None
    """When it goes, counted so too; without it, at the shot's end, or a few seconds after the word it comes with."""
    said: str = ""
    """A word, or words in a row, of the shot's `words`: the pointer comes when they are said."""

    @field_validator("at")
    @classmethod
    def _inside(cls, at: tuple[float, float]) -> tuple[float, float]:
        if not all(0 <= share <= 1 for share in at):
            raise ValueError(
                f"[{at[0]:g}, {at[1]:g}] lies outside its picture; write shares of its width and height from 0 to 1,"
                " such as [0.5, 0.3]"
            )
        return at

    @model_validator(mode="after")
    def _timed_once(self) -> Point:
        if self.said and self.from_seconds is not None:
            raise ValueError("comes with a word or at a second; remove said or from_seconds")
        if self.to_seconds is not None and self.to_seconds <= (self.from_seconds or 0):
            raise ValueError("goes before it comes; make to_seconds larger")
        return self


class Match(BaseModel):
    """One place of the building in two pictures; four or more lay an older picture on today's."""

    model_config = ConfigDict(extra="forbid")

    here: tuple[Share, Share]
    """In the shot's picture: shares of its width and height, from its top left corner."""
    there: tuple[Share, Share]
    """In the older one, so too."""


class Shot(BaseModel):
    """One picture in the film: how long, how it moves, what is said and shown over it.

    The keys of `KINDS` name the picture in place of `picture`, and show how it came about; `clip` names a video file.
    """

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    picture: str
    """Name of a file in pictures/, with or without its ending."""
    straightening: str = ""
    """In place of `picture`: how that picture was made upright, from the frame as held to the film's own shape."""
    standpoint: str = ""
    """In place of `picture`: where that picture was taken, on the floor plan of visit.toml."""
    exposures: str = ""
    """In place of `picture`: the frames that picture was merged from, one after another, then the picture."""
    walk: str = ""
    """In place of `picture`: the way over the floor to where that picture was taken, from where `walk_from` was."""
    walk_from: str = ""
    """The picture that a `walk` comes from; without it, the one of the shot before."""
    distance: str = ""
    """In place of `picture`: that picture from far with a long lens against from near with a short one, drawn."""
    focus: str = ""
    """In place of `picture`: how near and how far that picture is sharp, over a section of the room."""
    focus_m: Annotated[float, Field(gt=0)] | None = None
    """Metres that a `focus` picture was focused at; without it, as planned, else on the subject."""
    merge: str = ""
    """In place of `picture`: the shade of that merged picture at 100 %, one frame beside the merge of all."""
    beside: str = ""
    """Another picture shown beside this one, each in half of the frame."""
    wipe: str = ""
    """Another picture, which this one is drawn over by a line that rests in the middle."""
    older: str = ""
    """An older picture (its file, relative to pictures/ or film/), laid on this one, which is drawn over it."""
    other: str = ""
    """What the picture of `beside`, `wipe` or `older` is called."""
    match: tuple[Match, ...] = ()
    """Places that lay an `older` picture on this one, each as [[shots.match]]; found by themselves when not given."""
    clip: str = ""
    """In place of `picture`: a video file, relative to film/."""
    in_seconds: Annotated[float, Field(ge=0)] | None = None
    """Where in the clip the shot begins; without it, at its beginning."""
    out_seconds: Annotated[float, Field(gt=0)] | None = None
    """Where in the clip the shot ends; without it, at its end, or after the shot's `seconds`."""
    sound: Literal["keep", "duck", "mute"] = "keep"
    """The clip's own sound: heard, giving way under words, or not heard."""
    spoken: bool = False
    """The clip is a spoken piece: `words` are said in it, and its captions lie where it speaks."""
    station: str = ""
    """The standing point's name in visit.toml, for a `standpoint`; without it, the one planned."""
    chapter: str = ""
    """A chapter starts here, with this title."""
    caption: str = ""
    """Place name shown low in the frame."""
    settings: bool = True
    """Camera settings under the caption, from the picture's EXIF."""
    words: str = ""
    """What is spoken over the shot; it becomes the captions."""
    narration: str = ""
    """A sound file of these words, relative to film/."""
    seconds: Annotated[float, Field(gt=0, le=3600)] | None = None
    """How long the shot lasts; without it, as long as its words take."""
    move: Move = "hold"
    direction: Literal["", "left", "right", "up", "down"] = ""
    """Which way a pan or tilt goes; without it, right and up."""
    towards: tuple[Share, Share] | None = None
    """Where a push goes, or a pull comes from: share of the width and of the height."""
    amount: Annotated[float, Field(ge=1, le=8)] = 1.18
    """How much larger the picture stands at the close end of a push or pull."""
    whole: bool = False
    """Show all of the picture, with a dark surround, instead of filling the frame."""
    join: Join = "dissolve"
    """How the shot before this one gives way to it."""
    join_seconds: Annotated[float, Field(ge=0.08, le=5)] = 0.8
    before: bool = False
    """Wipe from the raw rendering, pictures/before/NAME.jpg, to the picture."""
    within: str = ""
    """Name of a picture that holds this detail: it is shown small, with the place of the detail marked."""
    region: tuple[Share, Share, Share, Share] | None = None
    """Where the detail lies in `within`, or what `merge` shows: left, top, right, bottom as shares; else found."""
    subject: tuple[Share, Share, Share, Share] | None = None
    """What a square or upright film must keep: left, top, right, bottom as shares; else what is pointed at, or the
    middle."""
    description: str = ""
    """What is seen, for those who do not see it; else the picture's own description."""
    words_in: dict[Language, str] = Field(default_factory=dict)
    """The words in other languages, by ISO 639-2 code: captions to choose."""
    fact: tuple[str, ...] = ()
    """Names of facts in facts.toml that the words rest on: shown small while they are said, listed at the end."""

    still: bool = False
    """Nothing in this shot moves."""
    point: tuple[Point, ...] = ()
    """What is pointed at, each as [[shots.point]]."""

    @property
    def pair(self) -> str:
        """The key that pairs the picture with another: `beside`, `wipe`, `older`; empty where none does."""
        return next((key for key in PAIRS if getattr(self, key)), "")

    @property
    def kind(self) -> str:
        """`picture`, the key that pairs it, or the one that names the picture in its place."""
        return next((key for key in KINDS if getattr(self, key)), self.pair or "picture")

    @model_validator(mode="before")
    @classmethod
    def _named_by_its_kind(cls, values: Any) -> Any:
        if not isinstance(values, dict):
            return values
        named = [key for key in KINDS if values.get(key)]
        return {"picture": values[named[0]], **values} if named else values

    @field_validator("fact", mode="before")
    @classmethod
    def _one_or_several(cls, value: Any) -> Any:
        return (value,) if isinstance(value, str) else value

    @model_validator(mode="after")
    def _fits(self) -> Shot:
        if self.move == "pan" and self.direction not in ("", "left", "right"):
            raise ValueError(f"a pan goes left or right, not {self.direction}")
        if self.move == "tilt" and self.direction not in ("", "up", "down"):
            raise ValueError(f"a tilt goes up or down, not {self.direction}")
        if self.whole and self.move != "hold":
            raise ValueError("a whole picture is always a hold; remove `whole` or the move")
        self._one_kind()
        self._one_pair()
        if self.still and (self.clip or self.move != "hold"):
            raise ValueError(f"`still` forbids a {'clip' if self.clip else self.move}; remove one of the two")
        for key in ("subject", "region"):
            self._has_sides(key)
        return self

    def _has_sides(self, key: str) -> None:
        """Complain of a region without width or height."""
        box = getattr(self, key)
        if box and not (box[0] < box[2] and box[1] < box[3]):
            raise ValueError(f"{key} is left, top, right, bottom; this one has no width or no height")

    def _belongs(self) -> None:
        """Complain of a key whose owner is not there."""
        planned = self.standpoint or self.walk or self.distance or self.focus
        for key, owner, there in (
            ("station", "standpoint, walk, distance or focus", planned),
            ("walk_from", "walk", self.walk), ("focus_m", "focus", self.focus), ("match", "older", self.older),
            ("other", "beside, wipe or older", self.pair), ("spoken", "clip", self.clip),
        ):  # fmt: skip
            if getattr(self, key) and not there:
                raise ValueError(f"{key} belongs to a {owner}; remove it")
        if self.spoken and not self.words:
            raise ValueError("a spoken clip needs its words; write them as words, as they are said")
        if self.spoken and (self.narration or self.sound == "mute"):
            raise ValueError("a spoken clip is heard itself; remove narration, or sound")

    def _one_pair(self) -> None:
        """Complain of a pair of pictures that is to be two things, or to move."""
        pairs = [key for key in PAIRS if getattr(self, key)]
        if len(pairs) > 1:
            raise ValueError(f"pairs its picture once; remove {' or '.join(pairs)}")
        useless = [key for key in ("before", "within", "point", "whole") if getattr(self, key)]
        if self.move != "hold":
            useless.append("move")
        if pairs and useless:
            raise ValueError(f"two pictures by {pairs[0]} are held; remove {', '.join(useless)}")

    def _one_kind(self) -> None:
        """Complain of a shot that is to be two things, or of what its kind has no use for."""
        named = [key for key in KINDS if getattr(self, key)]
        self._belongs()
        if not self.clip and (self.in_seconds is not None or self.out_seconds is not None or self.sound != "keep"):
            raise ValueError("in_seconds, out_seconds and sound belong to a clip; remove them")
        if self.out_seconds is not None and self.out_seconds <= (self.in_seconds or 0):
            raise ValueError("the clip ends before it begins; make out_seconds larger than in_seconds")
        if len(named) > 1:
            raise ValueError(f"is one kind of shot; remove {' or '.join(named)}")
        if not named:
            return
        if getattr(self, named[0]) != self.picture:
            raise ValueError(f'{named[0]} names the picture; remove picture = "{self.picture}"')
        useless = [key for key in ("before", "within", "point", "whole", *PAIRS) if getattr(self, key)]
        if self.move != "hold":
            useless.append("move")
        if useless:
            raise ValueError(f"{named[0]} has a course of its own; remove {', '.join(useless)}")


def plain_picture(shot: Shot) -> Shot:
    """The same shot, but its picture alone: what its kind asks for is taken out."""
    asked = {key: Shot.model_fields[key].default for key in (*KINDS, "station", "walk_from", "focus_m")}
    return shot.model_copy(update=asked)


class Film(BaseModel):
    """A film: its title, its sound, its shots in order."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True)

    title: str = ""
    subtitle: str = ""
    language: Language = "eng"
    """ISO 639-2 code of the captions' language."""
    words_a_minute: Annotated[float, Field(ge=40, le=320)] | None = None
    """Speed of speech; without it, measured on the recordings, else 140."""
    narration: str = ""
    """One long take, relative to film/: split at its silences and matched to the shots with words, in order."""
    music: str = ""
    """A music bed, relative to film/; it gives way under speech."""
    loudness: Annotated[float, Field(ge=QUIETEST, le=LOUDEST)] = TARGET
    """Integrated loudness in LUFS: -18 for speech over the net (AES TD1008), -23 for broadcast (EBU R 128).

    The true peak stays at or under -1 dBTP whatever is asked for.
    """
    credits: list[str] = Field(default_factory=list)
    poster: str = ""
    """The picture on the poster frame; without it, the first."""
    still: bool = False
    """Nothing in the film moves: moves become holds, a wipe becomes a dissolve."""
    shots: list[Shot] = Field(min_length=1)


def _where(film: dict[str, object], place: tuple[int | str, ...]) -> str:
    """'shot 3 (nave): seconds' from a validation error's location."""
    shots = film.get("shots")
    if len(place) >= 2 and place[0] == "shots" and isinstance(place[1], int) and isinstance(shots, list):
        shot = shots[place[1]]
        name = shot.get("picture", "no picture given") if isinstance(shot, dict) else "not a table"
        return f"shot {place[1] + 1} ({name})" + "".join(f": {part}" for part in place[2:])
    return ".".join(str(part) for part in place) or "film"


def film_from(values: dict[str, object], source: Path) -> Film:
    """A film from a mapping; everything wrong with it in one error."""
    try:
        return Film.model_validate(values)
    except ValidationError as error:
        lines = [
            f"{_where(values, item['loc'])}: {item['msg'].removeprefix('Value error, ')}" for item in error.errors()
        ]
        raise UserError(f"{source}: " + "; ".join(lines) + ".") from None


def read_film(path: Path) -> Film:
    """film.toml as a Film."""
    text = read_text(path)
    if text is None:
        raise UserError(f"{path}: there is no film yet; write one, or make a draft.")
    return film_of(text, path)


def film_of(text: str, path: Path) -> Film:
    """The film that a TOML text tells of; `path` is for the message. `Mistakes` with every line that is wrong."""
    return model_of(Film, text, path)


def _shot_toml(shot: dict[str, Any]) -> str:
    points, pairs, other = shot.pop("point", []), shot.pop("match", []), shot.pop("words_in", {})
    if any(key in shot for key in KINDS):
        del shot["picture"]
    if len(facts := shot.get("fact", [])) == 1:
        shot["fact"] = facts[0]
    text = f"\n[[shots]]\n{tomli_w.dumps(shot)}"
    text += f"\n[shots.words_in]\n{tomli_w.dumps(other)}" if other else ""
    text += "".join(f"\n[[shots.point]]\n{tomli_w.dumps(point)}" for point in points)
    return text + "".join(f"\n[[shots.match]]\n{tomli_w.dumps(pair)}" for pair in pairs)


def film_toml(film: Film) -> str:
    """The film as TOML, with nothing in it that is as it would be anyway."""
    values = film.model_dump(mode="json", exclude_defaults=True)
    shots = values.pop("shots")
    text = tomli_w.dumps(values) + "".join(_shot_toml(shot) for shot in shots)
    short = re.compile(r"\[\n((?:    [\d.]+,\n)+)\]")  # a point on one line
    return short.sub(lambda m: "[" + ", ".join(m[1].replace(",", " ").split()) + "]", text)
