"""A visit's text with some of its values set otherwise: only those values change, comments and order stay.

What is only assumed from the church in numbers gets a table of its own when one of its values is set; its other
measures stay as far off as they are.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from clerestory.errors import UserError
from clerestory.files.toml_edit import retold
from clerestory.plan.in_full import row_of
from clerestory.plan.model import Visit

ROWS = ("room", "window", "station", "view", "body", "lens", "bag")
SINGLE = ("visit", "place", "church", "hands")
_NAMED_BY = {"station": [("view", "stations")], "window": [("view", "windows")], "room": [("view", "room"),
             ("window", "room")], "body": [("bag", "body")], "lens": [("bag", "lenses")]}  # fmt: skip
# Places that exclude each other: setting one takes the other away.
_INSTEAD = {"at_m": ("wall", "along_m"), "faces_deg": ("wall", "along_m"), "wall": ("at_m", "faces_deg"),
            "along_m": ("at_m", "faces_deg")}  # fmt: skip
_AXIS = ("axis_deg", "west_end_deg", "east_end_deg", "footprint")


@dataclass(frozen=True)
class Change:
    """One table's change. `values`: fields and what they are to be (None: left out again); `drop`: take it away.

    `name`: which of several; '' for a table of which there is one. A name that is not there yet begins a new table.
    """

    table: str
    name: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    drop: bool = False

    @property
    def said(self) -> str:
        """The change in words, for undo."""
        what = f"{self.table} {self.name}".strip()
        return f"{what} taken away" if self.drop else f"{what}: {', '.join(_spoken(n) for n in self.values)}"


def _spoken(name: str) -> str:
    return name.removesuffix("_m").removesuffix("_deg").replace("_", " ")


def edited(text: str, visit: Visit, changes: Iterable[Change]) -> str:
    """The text with some changes made. `visit`: what the text tells, with all that is assumed.

    UserError where a change asks for what there is not, or cannot be written line by line.
    """
    for change in changes:
        data = tomllib.loads(text)
        if change.table in SINGLE:
            _set_single(data, change)
        elif change.table in ROWS:
            _set_row(data, visit, change)
        else:
            raise UserError(f"'{change.table}' is no table of a visit.")
        text = retold(text, data)
    return text


def _put(table: dict[str, Any], values: Mapping[str, Any]) -> None:
    for name, value in values.items():
        if value is None:
            table.pop(name, None)
        else:
            table[name] = _listed(value)


def _listed(value: Any) -> Any:
    """Lists for tuples; whole numbers as such, so that 43.0 and 43 are no change."""
    if isinstance(value, tuple | list):
        return [_listed(v) for v in value]
    return round(value, 6) if isinstance(value, float) else value


def _set_single(data: dict[str, Any], change: Change) -> None:
    if change.drop:
        data.pop(change.table, None)
        return
    table = data.setdefault(change.table, {})
    if change.table == "place" and any(change.values.get(name) is not None for name in _AXIS):
        _put(table, {name: None for name in _AXIS if name not in change.values})
        data.get("church", {}).pop("axis_deg", None)
    _put(table, change.values)


def _stated(data: dict[str, Any], kind: str, name: str) -> dict[str, Any] | None:
    return next((row for row in data.get(kind, []) if row.get("name") == name), None)


def _set_row(data: dict[str, Any], visit: Visit, change: Change) -> None:
    if change.drop:
        _drop(data, change)
        return
    row = _stated(data, change.table, change.name)
    if row is None:
        assumed = next((r for r in getattr(visit, change.table) if r.name == change.name), None)
        row = row_of(assumed) if assumed is not None else {"name": change.name}
        data.setdefault(change.table, []).append(row)
    for name in change.values:
        if change.table == "window" and change.values[name] is not None:
            _put(row, {other: None for other in _INSTEAD.get(name, ()) if other not in change.values})
    _put(row, change.values)
    row.pop("assumed", None)
    _measured(row, change.values)
    new = change.values.get("name")
    if new and new != change.name:
        _renamed(data, change.table, change.name, str(new))


def _measured(row: dict[str, Any], values: Mapping[str, Any]) -> None:
    """What was set by hand is off by nothing."""
    off = row.pop("off", {})
    gone = {
        *values,
        *(("along_m", "up_m") if "centre_m" in values else ()),
        *(("along_m",) if "at_m" in values else ()),
    }
    left = {name: value for name, value in off.items() if name not in gone}
    if left:
        row["off"] = left


def _drop(data: dict[str, Any], change: Change) -> None:
    """Take a table away; what is assumed is named in the church's `without`. What named it forgets it."""
    row = _stated(data, change.table, change.name)
    if row is not None:
        data[change.table] = [other for other in data[change.table] if other is not row]
    if "church" in data:
        data["church"]["without"] = list(dict.fromkeys([*data["church"].get("without", []), change.name]))
    elif row is None:
        raise UserError(f"There is no {change.table} called {change.name!r}; it may be gone already.")
    for kind, name in _NAMED_BY.get(change.table, ()):
        for other in data.get(kind, []):
            held = other.get(name)
            if isinstance(held, list) and change.name in held:
                left = [n for n in held if n != change.name]
                _put(other, {name: left or None})
                if name == "windows" and not left:
                    _put(other, {"light": None})


def _renamed(data: dict[str, Any], kind: str, old: str, new: str) -> None:
    for other, name in _NAMED_BY.get(kind, ()):
        for row in data.get(other, []):
            held = row.get(name)
            if held == old:
                row[name] = new
            elif isinstance(held, list) and old in held:
                row[name] = [new if n == old else n for n in held]
