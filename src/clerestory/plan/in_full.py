"""A visit's text with everything that its church in numbers leaves to be assumed written out."""

from __future__ import annotations

import tomllib
from typing import Any

from clerestory.files.toml_edit import retold, table_text
from clerestory.plan.model import Visit
from clerestory.plan.table import Table

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


def in_full(text: str, visit: Visit) -> str:
    """The text with `[church]` replaced by the rooms, windows, stations, views and kit assumed from it.

    `visit`: what the text tells, with all that is assumed. Every assumed table says so (`assumed`), and by how much
    it may be off, so that the plan stays the same. The text is given back as it is where it has no `[church]`.
    """
    data = tomllib.loads(text)
    if "church" not in data:
        return text
    place = dict(data["place"])
    if not any(name in place for name in ("axis_deg", "west_end_deg", "footprint")):
        place["axis_deg"] = visit.axis
    if visit.place.axis_off_deg:
        place["axis_off_deg"] = visit.place.axis_off_deg
    kept = {name: table for name, table in data.items() if name != "church"}
    parts = [retold(text, {**kept, "place": place})]
    for kind, said in _SAID.items():
        stated = {str(row["name"]) for row in data.get(kind, [])}
        rows = [row for row in getattr(visit, kind) if row.name not in stated]
        if rows and said:
            parts.append(f"\n# ---- {said}\n")
        parts += [f"\n{table_text(kind, row_of(row), True)}" for row in rows]
    return "".join(parts)
