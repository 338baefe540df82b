"""TOML (toml.io, 1.0) from people: read within limits; what is wrong is told line by line, with what to write."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from clerestory.errors import MOST, Mistake, Mistakes, UserError
from clerestory.files.dates import date_in, time_in
from clerestory.files.mistakes import Complaints

LARGEST = 1 << 20  # bytes; a visit's files are some thousands
_DEEPEST = 400  # dots in one key: the time to read a key grows with the square of its parts


def read_text(path: Path) -> str | None:
    """A text file of a person's; None when there is none. UserError when it cannot be read or is no text."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise UserError(f"{path}: cannot be read ({problem.strerror}).") from problem
    if len(data) > LARGEST:
        raise UserError(f"{path}: is larger than {LARGEST >> 20} MB, which no such file is; is it the right one?")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = data[: problem.start].count(b"\n") + 1
        what = "has a letter that is not UTF-8; save the file as UTF-8 in your editor"
        raise Mistakes(path, [Mistake(line, "", what)]) from problem


def read_toml(path: Path) -> dict[str, Any] | None:
    """The content of a TOML file; None when there is none. UserError when it cannot be read or is not TOML."""
    text = read_text(path)
    return None if text is None else parse_toml(text, path)


def parse_toml(text: str, path: Path) -> dict[str, Any]:
    """The content of a TOML text; `path` is for the message. `Mistakes` with every line that is not TOML."""
    if max((part.count(".") for part in re.split("[\\n={,]", text)), default=0) > _DEEPEST:
        raise UserError(f"{path}: has a key of more than {_DEEPEST} parts; it is damaged.")
    lines, found = text.split("\n"), list[Mistake]()
    for _ in range(MOST):
        try:
            data = tomllib.loads("\n".join(lines))
        except RecursionError as problem:
            raise Mistakes(path, [Mistake(0, "", "has brackets within brackets without end; it is damaged")]) \
                from problem  # fmt: skip
        except tomllib.TOMLDecodeError as problem:
            number = _line_of(str(problem), lines)
            where, what, mended = diagnosed(lines[number - 1], str(problem))
            found.append(Mistake(number, where, what))
            if mended == lines[number - 1]:  # not to be mended: passed over, so that the rest is read too
                mended = f"# {mended}"
            lines[number - 1] = mended
        else:
            if not found:
                return data
            raise Mistakes(path, found, data)
    raise Mistakes(path, found)


M = TypeVar("M", bound=BaseModel)


def model_of(
    model: type[M],
    text: str,
    path: Path,
    former: Mapping[str, str] | None = None,
    more: Mapping[str, Any] | None = None,
) -> M:
    """What a TOML text tells, as a model; `Mistakes` with every line that is wrong: no TOML, or more than may be.

    `former`: names of earlier versions; `more`: fields that the text does not hold.
    """
    found: tuple[Mistake, ...] = ()
    try:
        data: Mapping[str, Any] = parse_toml(text, path)
    except Mistakes as problem:
        if problem.mended is None:
            raise
        data, found = problem.mended, problem.found
    try:
        out = model.model_validate({**data, **(more or {})})
    except ValidationError as error:
        complaints = Complaints(path, text)
        complaints.add_all(error, model, former)
        told = {mistake.line for mistake in found}
        raise Mistakes(path, [*found, *(m for m in complaints.found if m.line not in told)]) from None
    if found:
        raise Mistakes(path, found)
    return out


def _line_of(message: str, lines: list[str]) -> int:
    """The line, from 1, that the parser stopped at; of a text that ends too early the last that says something."""
    at = re.search(r"at line (\d+), column (\d+)", message)
    number = min(int(at[1]), len(lines)) if at else len(lines)
    while number > 1 and (not lines[number - 1].strip() or (at and number == int(at[1]) and int(at[2]) == 1)):
        number -= 1
        at = None
    while number > 1 and not lines[number - 1].strip():
        number -= 1
    return number


_ASSIGNED = re.compile(r"^(\s*[A-Za-z0-9_\-.\"']+\s*=\s*)(.*?)(\s*(?:#.*)?)$")
_CURLY = str.maketrans({"\u201c": '"', "\u201d": '"', "\u201e": '"', "\u00ab": '"', "\u00bb": '"', "\u2018": "'",
                        "\u2019": "'", "\u201a": "'"})  # fmt: skip
_UNIT = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*(m|mm|cm|ft|deg|°|%|s|sec|min|g|kg|K|stops?|ISO)$")


def diagnosed(line: str, message: str) -> tuple[str, str, str]:
    """What is wrong with a line that is not TOML: where, what and what to write, and the line mended.

    `message` is the parser's. A line that cannot be mended is given back as it was.
    """
    if line.translate(_CURLY) != line:
        mended = line.translate(_CURLY)
        return _key(line), f"has curly quotes; write straight ones: {mended.strip()}", mended
    bare = line.split("#")[0].strip()
    if bare.startswith("["):
        return _of_header(line, bare, message)
    if "Cannot overwrite" in message or "Cannot declare" in message:
        return _key(line), "stands twice; keep one of the two", line
    found = _ASSIGNED.match(line)
    if not found:
        return _without_sign(line, bare)
    start, value, end = found.groups()
    what, better = _of_value(value)
    if better is None:
        return _key(line), what, line
    return _key(line), f"{what}; write {better}", f"{start}{better}{end}"


def _key(line: str) -> str:
    return re.split(r"[=:]", line)[0].strip().strip("\"'") if re.search(r"[=:]", line) else ""


def _of_header(line: str, bare: str, message: str) -> tuple[str, str, str]:
    name = bare.strip("[] \t")
    many = bare.startswith("[[")
    right = f"[[{name}]]" if many else f"[{name}]"
    if "declare" in message or "overwrite" in message:
        right = f"[[{name}]]"
        return name, f"stands twice; where there are several, write {right} for each, else keep one", line
    if re.fullmatch(r"[A-Za-z0-9_.\-]+", name):
        return name, f"is not closed as it was opened; write {right}", right
    quoted = f"[{name!r}]"
    return name, f"is no name of a table; names have letters, digits, - and _, others are quoted: {quoted}", quoted


def _without_sign(line: str, bare: str) -> tuple[str, str, str]:
    """A line without a sign of equality."""
    colon = re.match(r"^(\s*)([A-Za-z0-9_\-]+)\s*:\s*(.+)$", line)
    words = re.match(r"^(\s*)([A-Za-z0-9_\-]+)\s+(\S.*)$", line)
    found = colon or words
    if found:
        _, better = _of_value(found[3].strip()) if not _is_toml(found[3].strip()) else ("", found[3].strip())
        mended = f"{found[1]}{found[2]} = {better or found[3].strip()}"
        return found[2], f"has no sign of equality; write {mended.strip()}", mended
    return bare[:20], f"says nothing that is understood; write name = value, or begin it with # ({bare[:40]!r})", line


def _is_toml(value: str) -> bool:
    try:
        tomllib.loads(f"a = {value}")
    except (tomllib.TOMLDecodeError, RecursionError):
        return False
    return True


def _of_value(value: str) -> tuple[str, str | None]:
    """What is wrong with a value, and the value as it is written here; None where that cannot be told."""
    for look in (_empty, _date, _time, _number, _truth, _quoted, _listed, _word):
        found = look(value)
        if found is not None:
            return found
    return f"is not a value that is understood ({value[:40]})", None


Found = tuple[str, str | None] | None


def _empty(value: str) -> Found:
    return None if value else ("has no value; write one behind the sign of equality, or delete the line", None)


def _date(value: str) -> Found:
    meant = date_in(value)
    if meant:
        return "is not a date as it is written here", meant
    if re.fullmatch(r"\d{1,2}[/-]\d{1,2}[/-]\d{4}", value):
        return "can be read two ways; write year-month-day, such as 2027-04-20", None
    return None


def _time(value: str) -> Found:
    meant = time_in(value)
    return ("is not a time of day as it is written here", meant) if meant and not _is_toml(value) else None


def _number(value: str) -> Found:
    if re.fullmatch(r"[+-]?\d+,\d+", value):
        return "has a comma for the decimal point", value.replace(",", ".")
    if re.fullmatch(r"[+-]?\.\d+|[+-]?\d+\.", value):
        return "needs a digit on both sides of the point", repr(float(value))
    if re.fullmatch(r"[+-]?0\d+(\.\d+)?", value):
        return "begins with a nought", value.replace("0", "", 1)
    if re.fullmatch(r"[+-]?\d{1,3}([ '\u00a0\u202f]\d{3})+", value):
        return "is divided by spaces", re.sub(r"\D", "", value)
    if re.fullmatch(r"1/\d+", value):
        return "is a fraction", f"{1 / int(value[2:]):.4g}" if int(value[2:]) else None
    unit = _UNIT.match(value)
    if unit:
        return "has a unit behind the number, which the name tells already", unit[1].replace(",", ".")
    return None


def _truth(value: str) -> Found:
    if value.lower() in ("true", "false"):
        return "is written in small letters", value.lower()
    if value.lower() in ("yes", "no", "ask"):
        return "needs quotes", f'"{value.lower()}"'
    return None


def _quoted(value: str) -> Found:
    quote = value[0]
    if quote not in "\"'":
        return None
    if "\\" in value and quote == '"' and value.endswith('"') and len(value) > 1:
        return "has a backslash between double quotes; use single ones", f"'{value[1:-1]}'"
    inner = value[1:]
    if quote not in inner:
        other = "'" if quote == '"' else '"'
        return "has no closing quote", quote + inner.rstrip(other) + quote
    within = value[1:-1] if value.endswith(quote) else inner.replace(quote, "")
    if "'" not in within and value.endswith(quote):
        return "has quotes within its quotes; put single ones round it", f"'{within}'"
    return "has something behind its closing quote", quote + inner.split(quote)[0] + quote


def _listed(value: str) -> Found:
    if not value.startswith("["):
        return None
    closed = value if value.rstrip().endswith("]") else value.rstrip().rstrip(",") + "]"
    spaced = re.sub(r"(?<=[\d\"'])\s+(?=[\d\"'+-])", ", ", closed).replace(";", ",")
    if _is_toml(spaced):
        return "is a list that is not closed" if spaced == closed else "has entries without commas between", spaced
    words = [w.strip().strip("\"'") for w in closed.strip("[] ").split(",")]
    quoted = "[" + ", ".join(f'"{w}"' for w in words if w) + "]"
    return ("is a list of words without quotes", quoted) if _is_toml(quoted) else None


def _word(value: str) -> Found:
    if '"' in value or "\\" in value or len(value) > 200:
        return None
    return "is text without quotes", f'"{value}"'
