"""Pictures for a purpose: what they are to be in shape, size, colour, kind and name. Kept in exports.toml."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, model_validator

from clerestory.errors import UserError
from clerestory.files.mistakes import made
from clerestory.files.names import cut, folded, free_name, legal_name
from clerestory.files.store import write_atomic
from clerestory.files.toml import model_of, read_text
from clerestory.finish.job import Kind, Order
from clerestory.finish.recipe import ASPECTS
from clerestory.finish.sharpen import MM_PER_INCH
from clerestory.visit.about import About

SETS = "exports.toml"
Space = Literal["srgb", "display-p3", "rec2020"]
Shape = Literal["own", "4:3", "3:2", "16:9", "1:1", "free"]
Part = Literal["title", "date", "number", "view"]
Pixels = Annotated[int, Field(ge=64, le=30000)]
Edge = Annotated[float, Field(gt=0, le=5000)]
_STEM = 90  # bytes of a name, so that the aspect and the ending find room
_HEAD = """\
# What pictures are exported as: one table for each set, whose name is that of its folder in exports/.
# The Export page and the command `export` read and write the same; both keep to what is set here.
"""


class ExportSet(BaseModel):
    """One set of wishes for exported pictures.

    aspects: one picture for each; "own" is the recipe's, else the planned one, else the frame's. Of size one of three
    or none: long_edge, pixels of the longer side; within, width and height in pixels; print_size, the sheet's two
    edges in print_unit, turned as the picture lies, at `resolution` pixels an inch. A picture is never enlarged.
    sharpen_for: "screen", or "print" with a resolution. named: what the file is called, in this order.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Annotated[str, Field(min_length=1, max_length=80)]
    aspects: Annotated[tuple[Shape, ...], Field(min_length=1)] = ("own",)
    kinds: Annotated[tuple[Kind, ...], Field(min_length=1)] = ("jpeg",)
    space: Space = "srgb"
    quality: Annotated[int, Field(ge=50, le=95)] = 93
    long_edge: Pixels | None = None
    within: tuple[Pixels, Pixels] | None = None
    print_size: tuple[Edge, Edge] | None = None
    print_unit: Literal["mm", "inch"] = "mm"
    resolution: Annotated[float, Field(ge=36, le=2400)] | None = None
    sharpen_for: Literal["screen", "print"] = "screen"
    named: Annotated[tuple[Part, ...], Field(min_length=1)] = ("view",)
    better: bool = False

    @model_validator(mode="after")
    def _agrees(self) -> ExportSet:
        if (legal := legal_name(self.name)) != self.name:
            raise ValueError(f"name: {self.name!r} cannot name a folder; {legal!r} can")
        sizes = [n for n in ("long_edge", "within", "print_size") if getattr(self, n) is not None]
        if len(sizes) > 1:
            raise ValueError(f"{' and '.join(sizes)} are two answers to one question; keep one of them")
        if self.print_size is not None and self.resolution is None:
            raise ValueError("print_size needs a resolution in pixels an inch; write resolution = 300")
        if self.sharpen_for == "print" and self.resolution is None:
            raise ValueError("sharpen_for print needs a resolution in pixels an inch; write resolution = 300")
        if "jxl" in self.kinds and self.space != "srgb":
            raise ValueError(
                f"JPEG XL is written in sRGB only, not in {self.space}; write avif or tiff, or space srgb"
            )
        for name in ("aspects", "kinds", "named"):
            if len(set(getattr(self, name))) < len(getattr(self, name)):
                raise ValueError(f"{name} has the same entry twice; keep one of the two")
        return self

    def line(self) -> str:
        """What this set asks, in a line of words."""
        size = "all pixels there are"
        if self.long_edge is not None:
            size = f"{self.long_edge} pixels, longest edge"
        elif self.within is not None:
            size = f"within {self.within[0]} x {self.within[1]} pixels"
        elif self.print_size is not None:
            size = f"{self.print_size[0]:g} x {self.print_size[1]:g} {self.print_unit} on paper"
        if self.resolution is not None:
            size += f" at {self.resolution:g} pixels an inch"
        return (f"{self.name}: {', '.join(self.aspects)}; {size}; sharpened for {self.sharpen_for}; "
                f"{' and '.join(self.kinds)}, {self.space}; named by {', '.join(self.named)}")  # fmt: skip

    def order(self) -> Order:
        """What is asked of each view."""
        paper = None
        if self.print_size is not None:
            unit = 1.0 if self.print_unit == "mm" else MM_PER_INCH
            long, short = sorted((edge * unit for edge in self.print_size), reverse=True)
            paper = (long, short)
        aspects = tuple(None if a == "own" else ASPECTS[ASPECTS.index(a)] for a in self.aspects)
        return Order(aspects, self.kinds, self.space, "better" if self.better else "fast", self.long_edge,
                     self.within, paper, self.resolution, self.sharpen_for == "print", self.quality)  # fmt: skip


class ExportSets(BaseModel):
    """All sets of a visit, in the order of the file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    set: tuple[ExportSet, ...] = ()

    @model_validator(mode="after")
    def _apart(self) -> ExportSets:
        names = [folded(one.name) for one in self.set]
        twice = next((one.name for k, one in enumerate(self.set) if names[k] in names[:k]), None)
        if twice is not None:
            raise ValueError(f"two sets are called {twice!r}; their pictures would lie in one folder: rename one")
        return self

    def find(self, name: str) -> ExportSet | None:
        """The set of a name."""
        return next((one for one in self.set if folded(one.name) == folded(name)), None)

    def with_set(self, new: ExportSet) -> ExportSets:
        """These with one put in the place of that of its name, or behind the last."""
        if self.find(new.name) is None:
            return ExportSets(set=(*self.set, new))
        return ExportSets(set=tuple(new if folded(o.name) == folded(new.name) else o for o in self.set))

    def without(self, name: str) -> ExportSets:
        """These less one."""
        return ExportSets(set=tuple(one for one in self.set if folded(one.name) != folded(name)))

    def text(self) -> str | None:
        """The text of exports.toml, only what differs from the default; None where there is no set."""
        if not self.set:
            return None
        tables = [one.model_dump(mode="json", exclude_none=True, exclude_defaults=True) for one in self.set]
        return _HEAD + tomli_w.dumps({"set": [{"name": t.pop("name"), **t} for t in tables]})


def read_sets(root: Path) -> ExportSets:
    """The sets in a visit's exports.toml; none where there is no such file. `Mistakes` with every line at fault."""
    text = read_text(root / SETS)
    return ExportSets() if text is None else sets_of(text, root / SETS)


def sets_of(text: str, path: Path) -> ExportSets:
    """The sets a TOML text tells of; `path` is for the message."""
    return model_of(ExportSets, text, path)


def write_sets(root: Path, sets: ExportSets) -> None:
    """Write exports.toml; without any set there is none."""
    text = sets.text()
    if text is None:
        (root / SETS).unlink(missing_ok=True)
    else:
        write_atomic(root / SETS, text)


def set_of(values: Mapping[str, Any]) -> ExportSet:
    """A set by its fields. UserError with the first thing that is wrong."""
    return made(ExportSet, {k: v for k, v in values.items() if v is not None})


def set_from(sets: Sequence[ExportSet], name: str, given: Mapping[str, Any]) -> ExportSet:
    """A set by words as they are written on the command line, over that of its name where there is one.

    Lists are divided by commas, sizes written as 1920x1080 or 300x200mm. Of two sizes the one given counts.
    """
    values: dict[str, Any] = {"name": name}
    for one in sets:
        if folded(one.name) == folded(name):
            values = one.model_dump(exclude_defaults=True)
    new = dict(given)
    for key in ("aspects", "kinds", "named"):
        if key in new:
            new[key] = [word.strip() for word in str(new[key]).split(",") if word.strip()]
    for key in ("within", "print_size"):
        if key in new:
            new[key], unit = _edges(str(new[key]))
            if key == "print_size":
                new["print_unit"] = unit or "mm"
    if any(key in new for key in _SIZES):
        values = {key: value for key, value in values.items() if key not in _SIZES}
    return set_of({**values, **new})


_SIZES = ("long_edge", "within", "print_size")


def _edges(text: str) -> tuple[list[float], str]:
    found = re.fullmatch(r"\s*([\d.]+)\s*[x×,]\s*([\d.]+)\s*(mm|inch)?\s*", text)
    if found is None:
        raise UserError(f"'{text}' is not a size; write 1920x1080 for pixels, 300x200mm or 12x8inch for paper.")
    return [float(found[1]), float(found[2])], found[3] or ""


def _hyphened(words: str) -> str:
    """Words with hyphens for the spaces, and for what no name of a file may hold."""
    name = legal_name(unicodedata.normalize("NFC", words)) if words.strip() else ""
    return re.sub(r"[\s\-]+", "-", name).strip("-")


def stems(
    named: Sequence[Part], views: Sequence[str], abouts: Mapping[str, About], days: Mapping[str, str]
) -> dict[str, str]:
    """What the files of each view are called, before the aspect and the ending; no two the same.

    `views`: all of the visit in their order, which their number counts; `abouts` and `days` (year-month-day) by view.
    A view without a title is called by its name where a title was wanted; one without a date goes without.
    """
    out: dict[str, str] = {}
    taken: set[str] = set()
    digits = max(3, len(str(len(views))))
    for number, view in enumerate(views, 1):
        parts = {
            "title": _hyphened(abouts[view].title) if view in abouts else "",
            "date": days.get(view, ""),
            "number": f"{number:0{digits}d}",
            "view": view,
        }
        parts["title"] = parts["title"] or view
        wanted = legal_name(cut("_".join(dict.fromkeys(parts[p] for p in named if parts[p])) or view, _STEM))
        out[view] = free_name(wanted.replace(".", "-"), taken)
        taken.add(folded(out[view]))
    return out
