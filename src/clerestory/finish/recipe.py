"""How a picture is finished: a plain TOML file a person can read and edit. Absent means "as the tool would"."""

from __future__ import annotations

import hashlib
import re
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import tomli_w
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from clerestory.files.toml import model_of, read_text
from clerestory.raw.group import View
from clerestory.visit.index import plain_name

Aspect = Literal["4:3", "3:2", "16:9", "1:1", "free"]
ASPECTS: tuple[Aspect, ...] = get_args(Aspect)
# What earlier versions wrote, and its name now.
FORMER = {
    "warmth": "colour_temperature",
    "tint": "green_magenta",
    "second_light": "mixed_light",
    "turn": "swing",
    "shape": "aspect",
    "place_crop": "crop",
    "guides": "lines",
}
FORMER_KINDS = {"upright": "vertical", "level": "horizontal"}


def _now_called(value: Any) -> Any:
    if value in FORMER_KINDS:
        raise ValueError(f"'{value}' is now called '{FORMER_KINDS[value]}'; rename it")
    return value


class Line(BaseModel):
    """A line the user says is vertical or horizontal in the building: two points, each (x, y) as shares of the
    frame's width and height. `off` keeps it in the recipe and lets it ask for nothing."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Annotated[Literal["vertical", "horizontal"], BeforeValidator(_now_called)]
    start: tuple[float, float]
    end: tuple[float, float]
    off: bool = False


Share = Annotated[float, Field(ge=-0.5, le=1.5)]


class Touch(BaseModel):
    """A place of the picture treated by itself. `at`: points (x, y) as shares of the frame's width and height, before
    anything is straightened, so that no crop or swing moves them: an area's outline, or, with a `width` (share of the
    frame's longer side), a stroke.

    `kind`: 'light' makes it lighter or darker by `stops`; 'take out' puts another frame of the view in its place, or,
    only where `by` says so, what is round it; 'even colour' takes a `share` of the wall's drift of colour out.
    `off` keeps it in the recipe and does nothing.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["light", "take out", "even colour"]
    at: Annotated[tuple[tuple[Share, Share], ...], Field(min_length=1, max_length=400)]
    width: Annotated[float, Field(gt=0, le=0.5)] | None = None
    stops: Annotated[float, Field(ge=-4, le=4)] | None = None
    share: Annotated[float, Field(ge=0, le=1)] | None = None
    by: Literal["another frame", "surroundings"] | None = None
    off: bool = False

    @model_validator(mode="after")
    def _fits(self) -> Touch:
        owns = {"light": "stops", "even colour": "share", "take out": "by"}
        for kind, name in owns.items():
            if kind != self.kind and getattr(self, name) is not None:
                raise ValueError(f"'{name}' belongs to the kind '{kind}', not to '{self.kind}'")
        if self.width is None and len(self.at) < 3:
            raise ValueError("an area needs three points or more; give a width for a stroke")
        return self


class Recipe(BaseModel):
    """The controls of one picture. None leaves the matter to the tool.

    exposure, window_hold, shade_lift in stops; colour_temperature in kelvin; green_magenta in thousandths of Duv
    (CIE 1960 u, v); local_contrast, plumb and crop as shares; crop_size, width and height as shares of the largest
    room there is; swing in degrees about the vertical, as a view camera has it; mixed_light, the share of another
    light's colour (lamps beside daylight) that is taken out where it falls, 0 when left out; veiling_glare, the
    share of all light, in percent, that the lens is taken to have scattered over the picture and that is taken out;
    toning of a monochrome picture from -1 (cold) over 0 (neutral, when left out) to 1 (warm); touches, places
    treated by themselves.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    exposure: Annotated[float, Field(ge=-6, le=6)] | None = None
    colour_temperature: Annotated[float, Field(ge=1500, le=20000)] | None = None
    green_magenta: Annotated[float, Field(ge=-30, le=30)] | None = None
    mixed_light: Annotated[float, Field(ge=0, le=1)] | None = None
    veiling_glare: Annotated[float, Field(ge=0, le=20)] | None = None
    toning: Annotated[float, Field(ge=-1, le=1)] | None = None
    window_hold: Annotated[float, Field(ge=0, le=8)] | None = None
    shade_lift: Annotated[float, Field(ge=0, le=6)] | None = None
    local_contrast: Annotated[float, Field(ge=0, le=2)] | None = None
    denoise: Annotated[float, Field(ge=0, le=2)] | None = None
    plumb: Annotated[float, Field(ge=0, le=1)] | None = None
    swing: Annotated[float, Field(ge=-45, le=45)] | None = None
    aspect: Aspect | None = None
    crop: tuple[Annotated[float, Field(ge=-1, le=1)], Annotated[float, Field(ge=-1, le=1)]] | None = None
    crop_size: Annotated[float, Field(ge=0.1, le=1)] | None = None
    lines: tuple[Line, ...] = ()
    touches: Annotated[tuple[Touch, ...], Field(max_length=60)] = ()
    pick: str | None = None

    @property
    def lines_kept(self) -> tuple[Line, ...]:
        """The lines that are not put off."""
        return tuple(line for line in self.lines if not line.off)

    def digest(self) -> str:
        """A short fingerprint of these settings, 16 hexadecimal digits of BLAKE2b."""
        return hashlib.blake2b(self.model_dump_json().encode(), digest_size=8).hexdigest()

    def toml(self) -> str:
        """This recipe as TOML, only what is set."""
        text = tomli_w.dumps(self.model_dump(mode="json", exclude_none=True, exclude_defaults=True))
        return numbers_on_one_line(text)

    def text(self) -> str | None:
        """What its file holds; None (no file) when everything is left to the tool."""
        return None if self == Recipe() else self.toml()


# What belongs to one view's frames alone: nothing carries it to another view.
OF_ONE_VIEW = ("pick", "lines", "touches")


def numbers_on_one_line(text: str) -> str:
    """A TOML text with each array of numbers, or of such arrays, on one line, as a person would write it."""
    return re.sub(r"\[\n[\s\d.,e+\-\[\]]*?\n\]", _on_one_line, text)


def _on_one_line(numbers: re.Match[str]) -> str:
    return re.sub(r",?\s*\]", "]", re.sub(r"\[\s+", "[", " ".join(numbers[0].split())))


def read_recipe(path: Path) -> Recipe:
    """The recipe in a file; the tool's own choices when the file is absent. One sentence when it is wrong."""
    text = read_text(path)
    return Recipe() if text is None else recipe_of(text, path)


def recipe_of(text: str, path: Path) -> Recipe:
    """The recipe that a TOML text tells of; `path` is for the message. `Mistakes` with every line that is wrong."""
    return model_of(Recipe, text, path, FORMER)


def pick_gone(view: View, recipe: Recipe) -> str:
    """What to say where the frame that a recipe chose is none of the view's; '' where all is well."""
    names = [plain_name(p) for p in view.frames]
    if recipe.pick is None or recipe.pick in names:
        return ""
    return (f"recipes/{view.name}.toml: pick: {recipe.pick} is no frame of {view.name}; write one of "
            f"{', '.join(names)}, or delete the line.")  # fmt: skip


def picked(view: View, recipe: Recipe) -> View:
    """The view with the recipe's own pick, where that is one of its frames."""
    return replace(view, pick=next((p for p in view.frames if plain_name(p) == recipe.pick), view.pick))
