"""A visit's text with everything that its church in numbers leaves to be assumed written out."""

from __future__ import annotations

from datetime import date, time
from typing import Any

import tomlkit
from tomlkit.items import Table as TomlTable

from clerestory.plan.model import Visit
from clerestory.plan.table import Table

_ORDER = ("room", "window", "station", "body", "lens", "bag", "view")
_SAID = {
    "room": "rooms that follow from the church in numbers",
    "window": "windows that follow",
    "station": "points to stand at",
    "body": "a kit to begin with: put your own in its place",
    "lens": "",
    "bag": "",
    "view": "the usual views",
}


def row_of(table: Table) -> dict[str, Any]:
    """A table's fields as one writes them: what stands at its default is left out, inner tables are plain."""
    out: dict[str, Any] = {}
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if value == field.default or value is None:
            continue
        out[field.alias or name] = _plain(value)
    return out


def _plain(value: Any) -> Any:
    if isinstance(value, Table):
        return row_of(value)
    if isinstance(value, tuple | list):
        return [_plain(v) for v in value]
    return value


def toml_value(value: Any) -> Any:
    """A value as it is written: an inner table on one line, numbers without needless figures."""
    if isinstance(value, dict):
        inline = tomlkit.inline_table()
        for name, part in value.items():
            inline[name] = toml_value(part)
        return inline
    if isinstance(value, list):
        return [toml_value(v) for v in value]
    if isinstance(value, float):
        return int(value) if value == int(value) and abs(value) < 1e9 else round(value, 4)
    assert isinstance(value, str | int | bool | date | time)
    return value


def toml_table(row: dict[str, Any]) -> TomlTable:
    """A row as a table of a TOML text."""
    table = tomlkit.table()
    for name, value in row.items():
        table[name] = toml_value(value)
    return table


def in_full(text: str, visit: Visit) -> str:
    """The text with `[church]` replaced by the rooms, windows, stations, views and kit assumed from it.

    `visit`: what the text tells, with all that is assumed. Every assumed table says so (`assumed`), and by how much
    it may be off, so that the plan stays the same. The text is given back as it is where it has no `[church]`.
    """
    document = tomlkit.parse(text)
    if "church" not in document:
        return text
    place = document["place"]
    assert isinstance(place, TomlTable)
    if not any(name in place for name in ("axis_deg", "west_end_deg", "footprint")):
        place["axis_deg"] = toml_value(visit.axis)
    if visit.place.axis_off_deg:
        place["axis_off_deg"] = toml_value(visit.place.axis_off_deg)
    del document["church"]
    stated = {kind: {str(row["name"]) for row in document.get(kind, [])} for kind in _ORDER}
    parts = [tomlkit.dumps(document).rstrip("\n") + "\n"]
    for kind in _ORDER:
        rows = [row for row in getattr(visit, kind) if row.name not in stated[kind]]
        if rows and _SAID[kind]:
            parts.append(f"\n# ---- {_SAID[kind]}\n")
        for row in rows:
            parts.append(f"\n[[{kind}]]\n{tomlkit.dumps(toml_table(row_of(row)))}")
    return "".join(parts)
