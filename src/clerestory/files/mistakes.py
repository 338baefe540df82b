"""What is wrong with a text that a person wrote: each mistake with its line, its place, and what to write instead."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from clerestory.errors import Mistake, Mistakes, UserError
from clerestory.files.dates import date_in, time_in
from clerestory.files.wording import capital

Loc = tuple[str | int, ...]
_HEADER = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^\s*([A-Za-z0-9_\-\"'. ]+?)\s*=")


def _bracket_change(line: str) -> int:
    """Brackets opened less brackets closed on a line, those in strings and comments left out."""
    bare = re.sub(r"\"(?:\\.|[^\"\\])*\"|'[^']*'", "", line).split("#")[0]
    return sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")


def line_map(text: str) -> dict[Loc, int]:
    """Line numbers of the tables and keys of a TOML text, by their place in the document."""
    lines: dict[Loc, int] = {}
    counts: dict[Loc, int] = {}
    at: Loc = ()
    depth, quoted = 0, False
    for number, line in enumerate(text.splitlines(), start=1):
        if line.count('"""') % 2 or line.count("'''") % 2:
            was, quoted = quoted, not quoted
            if was:
                continue
        elif quoted:
            continue
        header = _HEADER.match(line) if depth == 0 else None
        if header:
            at = _table_place(header.group(2), header.group(1) == "[[", counts)
            lines.setdefault(at, number)
            lines.setdefault(at[:-1] if isinstance(at[-1], int) else at, number)
            continue
        key = _KEY.match(line) if depth == 0 else None
        if key:
            lines[at + _parts(key.group(1))] = number
        depth = max(0, depth + _bracket_change(line[key.end() :] if key else line))
    return lines


def _parts(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _table_place(dotted: str, many: bool, counts: dict[Loc, int]) -> Loc:
    place: Loc = ()
    parts = _parts(dotted)
    for k, part in enumerate(parts):
        place += (part,)
        last = k == len(parts) - 1
        if last and many:
            counts[place] = counts.get(place, -1) + 1
        if place in counts:
            place += (counts[place],)
    return place


def field_name(loc: Loc) -> str:
    """A place in a document in words: ('view', 1, 'name') is 'view 2, name'."""
    out = ""
    for part in loc:
        out += f" {part + 1}" if isinstance(part, int) else (f", {part}" if out else str(part))
    return out


class Complaints:
    """What is wrong with one text, gathered place by place and told at once."""

    def __init__(self, path: Path, text: str) -> None:
        self.path = path
        self.lines = line_map(text)
        self.found: list[Mistake] = []

    def add(self, loc: Loc, what: str) -> None:
        """Note one thing wrong at a place in the document."""
        near = loc
        while near and near not in self.lines:
            near = near[:-1]
        self.found.append(Mistake(self.lines[near] if near else 0, field_name(loc), what))

    def add_all(
        self,
        error: ValidationError,
        model: type[BaseModel],
        former: Mapping[str, str] | None = None,
    ) -> None:
        """Note every complaint of a model about the data of this text. `former`: names of earlier versions."""
        seen: set[Loc] = set()
        for item in sorted(error.errors(), key=lambda e: e["type"] == "too_short"):
            loc = tuple(part for part in item["loc"] if not _UNION_NOISE.match(str(part)))
            deeper = item["type"] == "too_short" and any(s[: len(loc)] == loc for s in seen)
            if loc not in seen and not deeper:
                seen.add(loc)
                self.add(loc, plain(dict(item), _fields_at(model, loc), former or {}))

    def check(self) -> None:
        """Raise all that was noted as one UserError."""
        if self.found:
            raise Mistakes(self.path, self.found)


def _fields_at(model: type[BaseModel], loc: Loc) -> tuple[str, ...]:
    """Names that may stand beside the last part of a place in a document of a model."""
    here: Any = model
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        found = getattr(here, "model_fields", {}).get(part)
        here = _model_in(found.annotation) if found is not None else None
    fields = getattr(here, "model_fields", {})
    return tuple(field.alias or name for name, field in fields.items())


def _model_in(annotation: Any) -> Any:
    """The first model that an annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in getattr(annotation, "__args__", ()):
        found = _model_in(part)
        if found is not None:
            return found
    return None


_PLAIN = {
    "missing": "is missing; add it",
    "float_parsing": "must be a number, such as 0.3",
    "float_type": "must be a number, such as 0.3",
    "int_parsing": "must be a whole number, such as 3",
    "int_type": "must be a whole number, such as 3",
    "int_from_float": "must be a whole number, such as 3",
    "string_type": 'must be text in quotes, such as "nave"',
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "too_short": "has too few entries",
    "too_long": "has too many entries; a number is written with a point (0.3), and a comma divides entries",
    "string_too_long": "is too long: at most 100 characters",
    "string_too_short": "is empty; write something between the quotes",
    "model_type": "must be a table of its own, such as [place] or [[room]]",
    "tuple_type": "must be a list in square brackets, such as [1.0, 2.0], or a table written as [[name]]",
    "finite_number": "must be a finite number, such as 0.3",
}
# Choices that pydantic adds to a place in a union of types, not to be shown to the user.
_UNION_NOISE = re.compile(r"^(constrained-|tuple\[|float$|function-|Spot$|int$)")


def plain(error: Mapping[str, Any], fields: Iterable[str] = (), former: Mapping[str, str] | None = None) -> str:
    """A model's complaint in plain words, with what to write where that can be told.

    `error`: as pydantic gives it; `fields`: names that may stand there; `former`: names of earlier versions.
    """
    kind, given = str(error["type"]), error.get("input")
    if kind == "extra_forbidden":
        return _unknown(str(error["loc"][-1]), tuple(fields), former or {})
    if kind.startswith("date"):
        meant = date_in(str(given))
        return f"is not a date; write {meant or 'year-month-day without quotes, such as 2027-04-20'}"
    if kind.startswith("time"):
        meant = time_in(str(given))
        return f"is not a time of day; write {meant or 'hours, minutes and seconds, such as 09:30:00'}"
    if kind in ("float_parsing", "float_type", "int_parsing", "int_type") and isinstance(given, str):
        number = re.fullmatch(r"\s*(-?\d+)[.,]?(\d*)\s*[a-zA-Z%°]*\s*", given)
        if number:
            meant = number[1] + (f".{number[2]}" if number[2] else "")
            return f"must be a number without quotes or unit; write {meant}"
    if kind in _PLAIN:
        return _PLAIN[kind]
    message = str(error["msg"]).removeprefix("Value error, ").replace("Input should be", "must be")
    message = message.replace("a valid ", "a ").replace("greater than or equal to", "at least")
    message = message.replace("less than or equal to", "at most")
    return f"{message} (it says {given!r})" if isinstance(given, str | int | float) else message


def _unknown(name: str, fields: tuple[str, ...], former: Mapping[str, str]) -> str:
    if name in former:
        return f"is now called '{former[name]}'; rename it"
    near = difflib.get_close_matches(name, fields, 1)
    if near:
        return f"is not a field known here; did you mean '{near[0]}'?"
    known = f"; known are {', '.join(fields)}" if 0 < len(fields) <= 16 else ""
    return f"is not a field known here; correct or delete it{known}"


Model = TypeVar("Model", bound=BaseModel)


def made(kind: type[Model], fields: Mapping[str, Any]) -> Model:
    """A model by single fields, where no text has lines. UserError with the first thing that is wrong."""
    try:
        return kind.model_validate(fields)
    except ValidationError as problem:
        raise UserError(_first_said(problem)) from problem


def _first_said(problem: ValidationError) -> str:
    """The first complaint of a model as a sentence."""
    first = problem.errors()[0]
    where, said = ".".join(str(part) for part in first["loc"]), plain(dict(first))
    return f"{where}: {said}." if where else f"{capital(said)}."
