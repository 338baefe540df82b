"""A TOML text with some of its values set otherwise, line by line: every other line stays as its writer left it."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, time
from typing import Any

from clerestory.errors import UserError

_HEADER = re.compile(r"^\s*(\[\[?)\s*([A-Za-z0-9_.\- \"']+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"^(\s*)([A-Za-z0-9_\-]+)(\s*=\s*)")
_BARE = re.compile(r"[A-Za-z0-9_\-]+")
_STRINGS = re.compile(r"\"(?:\\.|[^\"\\])*\"|'[^']*'")


def value_text(value: Any) -> str:
    """A value as it is written in a TOML text: an inner table on one line, no needless figures."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return str(int(value)) if value == int(value) and abs(value) < 1e9 else str(round(value, 6))
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(value_text(v) for v in value) + "]"
    if isinstance(value, Mapping):
        inner = ", ".join(f"{_key_text(k)} = {value_text(v)}" for k, v in value.items())
        return f"{{ {inner} }}" if inner else "{}"
    if isinstance(value, date | time):
        return value.isoformat()
    return str(value)


def _key_text(name: str) -> str:
    return name if _BARE.fullmatch(name) else json.dumps(name, ensure_ascii=False)


def table_text(name: str, row: Mapping[str, Any], many: bool) -> str:
    """A table with its header, a line a value."""
    head = f"[[{name}]]" if many else f"[{name}]"
    return "\n".join([head, *(f"{_key_text(k)} = {value_text(v)}" for k, v in row.items())]) + "\n"


@dataclass
class _Part:
    """A table as it stands in the text: its header's line, and the lines (first, behind the last) of each value."""

    name: str
    start: int
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)

    @property
    def end(self) -> int:
        """The line behind the last one that says something."""
        return max((e for _, e in self.keys.values()), default=self.start + 1)


def _depth(line: str) -> int:
    bare = _STRINGS.sub("", line).split("#")[0]
    return sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")


def _parts(lines: list[str]) -> list[_Part]:
    """The tables of a text in order; what stands before the first header is a table without a name."""
    parts, depth, quoted, key = [_Part("", -1)], 0, "", ""
    for number, line in enumerate(lines):
        if depth == 0 and not quoted:
            header, found = _HEADER.match(line), _KEY.match(line)
            if header:
                parts.append(_Part(header[2].strip(), number))
                key = ""
                continue
            key = found[2] if found else ""
            if found:
                parts[-1].keys[key] = (number, number + 1)
        elif key:
            parts[-1].keys[key] = (parts[-1].keys[key][0], number + 1)
        for mark in ('"""', "'''"):
            if line.count(mark) % 2 and quoted in ("", mark):
                quoted = "" if quoted else mark
        if not quoted:
            depth = max(0, depth + _depth(_KEY.sub("", line)))
    return parts


def _comment(line: str) -> str:
    """The comment behind a value, with the blanks before it; '' where there is none."""
    bare = _STRINGS.sub(lambda m: "x" * len(m[0]), line)
    at = bare.find("#")
    if at < 0:
        return ""
    return line[len(line[:at].rstrip()) :]


def _set(lines: list[str], part: _Part, name: str, value: Any) -> None:
    if name in part.keys:
        first, last = part.keys[name]
        found = _KEY.match(lines[first])
        assert found is not None
        comment = _comment(lines[last - 1])
        new = f"{found[1]}{name}{found[3]}{value_text(value)}"
        if comment:
            column = len(lines[last - 1]) - len(comment.lstrip())
            new = new.ljust(column - 1) + " " + comment.lstrip()
        lines[first:last] = [new]
    else:
        lines.insert(part.end, f"{_key_text(name)} = {value_text(value)}")


def _changed(lines: list[str], find: Any, before: Mapping[str, Any], after: Mapping[str, Any]) -> None:
    """Set, add and take away the values of one table in which the two differ. `find`: where it is now."""
    for name in before:
        if name not in after:
            first, last = find().keys.get(name, (0, 0))
            del lines[first:last]
    for name, value in after.items():
        if name not in before or before[name] != value:
            _set(lines, find(), name, value)


def _several(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, dict) for v in value)


def _one(lines: list[str], name: str, before: Any, after: Any) -> None:
    """A single table's change."""
    if before is None:
        while lines and not lines[-1].strip():
            lines.pop()
        lines += ["", *table_text(name, after, False).splitlines()]
        return

    def find() -> _Part:
        return next((p for p in _parts(lines) if p.name == name), _Part(name, len(lines)))

    if after is None:
        _cut(lines, find())
        return
    own = find().keys  # tables within it that have headers of their own are left alone
    inner = {k for k, v in before.items() if (isinstance(v, dict) or _several(v)) and k not in own}
    flat = ({k: v for k, v in table.items() if k not in inner} for table in (before, after))
    _changed(lines, find, *flat)


def _cut(lines: list[str], part: _Part) -> None:
    """Take a table's lines away, and one of the empty lines round it."""
    end = part.end
    if end < len(lines) and not lines[end].strip():
        end += 1
    del lines[part.start : end]


def _many(lines: list[str], name: str, before: list[Any], after: list[Any]) -> None:
    """The change of a table of which there are several: rows set otherwise, one taken away, some added at the end."""

    def rows() -> list[_Part]:
        return [p for p in _parts(lines) if p.name == name]

    if len(after) < len(before):
        gone = next((k for k, row in enumerate(after) if row != before[k]), len(after))
        _cut(lines, rows()[gone])
        before = before[:gone] + before[gone + 1 :]
    for k in range(len(before)):
        _changed(lines, lambda k=k: rows()[k], before[k], after[k])
    for row in after[len(before) :]:
        own = rows()
        text = table_text(name, row, True).splitlines()
        if own:
            lines[own[-1].end : own[-1].end] = ["", *text]
        else:
            while lines and not lines[-1].strip():
                lines.pop()
            lines += ["", *text]


def retold(text: str, after: Mapping[str, Any]) -> str:
    """The text changed to say `after`: in each table the values that differ, a row taken away, rows added at the end.

    Comments and the order of lines stay. UserError where this cannot be done line by line (a text written in another
    form, such as with dotted names).
    """
    before = tomllib.loads(text)
    lines = text.split("\n")
    if lines[-1] == "":
        lines.pop()
    for name in dict.fromkeys([*before, *after]):
        old, new = before.get(name), after.get(name)
        if old == new:
            continue
        if _several(old) or (old is None and _several(new)):
            _many(lines, name, old or [], new or [])
        else:
            _one(lines, name, old, new)
    out = "\n".join(lines) + "\n"
    try:
        right = tomllib.loads(out) == {k: v for k, v in after.items() if v != []}
    except tomllib.TOMLDecodeError:
        right = False
    if not right:
        raise UserError("This change cannot be written into the text as it stands; write it in the text yourself.")
    return out
