"""How a picture is finished: a plain TOML file a person can read and edit. Absent means "as the tool would"."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from clerestory.errors import UserError
from clerestory.files.toml import read_toml
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


class Line(BaseModel):
    """A line the user says is vertical or horizontal in the building: two points, each (x, y) as shares of the
    frame's width and height."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    kind: Literal["vertical", "horizontal"]
    start: tuple[float, float]
    end: tuple[float, float]


class Recipe(BaseModel):
    """The controls of one picture. None leaves the matter to the tool.

    exposure, window_hold, shade_lift in stops; colour_temperature in kelvin; green_magenta in thousandths of Duv
    (CIE 1960 u, v); local_contrast, plumb and crop as shares; swing in degrees about the vertical, as a view camera
    has it; mixed_light, the share of another light's colour (lamps beside daylight) that is taken out where it
    falls, 0 when left out.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    exposure: Annotated[float, Field(ge=-6, le=6)] | None = None
    colour_temperature: Annotated[float, Field(ge=1500, le=20000)] | None = None
    green_magenta: Annotated[float, Field(ge=-30, le=30)] | None = None
    mixed_light: Annotated[float, Field(ge=0, le=1)] | None = None
    window_hold: Annotated[float, Field(ge=0, le=8)] | None = None
    shade_lift: Annotated[float, Field(ge=0, le=6)] | None = None
    local_contrast: Annotated[float, Field(ge=0, le=2)] | None = None
    denoise: Annotated[float, Field(ge=0, le=2)] | None = None
    plumb: Annotated[float, Field(ge=0, le=1)] | None = None
    swing: Annotated[float, Field(ge=-45, le=45)] | None = None
    aspect: Aspect | None = None
    crop: tuple[Annotated[float, Field(ge=-1, le=1)], Annotated[float, Field(ge=-1, le=1)]] | None = None
    lines: tuple[Line, ...] = ()
    pick: str | None = None

    def digest(self) -> str:
        """A short fingerprint of these settings, 16 hexadecimal digits of BLAKE2b."""
        return hashlib.blake2b(self.model_dump_json().encode(), digest_size=8).hexdigest()

    def toml(self) -> str:
        """This recipe as TOML, only what is set."""
        return tomli_w.dumps(self.model_dump(mode="json", exclude_none=True, exclude_defaults=True))


def read_recipe(path: Path) -> Recipe:
    """The recipe in a file; the tool's own choices when the file is absent. One sentence when it is wrong."""
    fields = read_toml(path) or {}
    if renamed := former_names(fields):
        raise UserError(f"{path}: {renamed}; correct it there.")
    try:
        return Recipe.model_validate(fields)
    except ValidationError as problem:
        first = problem.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise UserError(f"{path}: '{where}': {first['msg'].lower()}; correct it or delete that line.") from problem


def former_names(fields: Mapping[str, Any]) -> str:
    """Which names of earlier versions a recipe still has, each with its name now; '' for none."""
    lines = fields.get("lines")
    kinds = [line.get("kind") for line in lines if isinstance(line, dict)] if isinstance(lines, list) else []
    message = [f"'{old}' is now called '{new}'" for old, new in FORMER.items() if old in fields]
    message += [f"kind '{old}' is now called '{new}'" for old, new in FORMER_KINDS.items() if old in kinds]
    return ", ".join(message)


def picked(view: View, recipe: Recipe) -> View:
    """The view with the recipe's own pick, where that is one of its frames."""
    return replace(view, pick=next((p for p in view.frames if plain_name(p) == recipe.pick), view.pick))
