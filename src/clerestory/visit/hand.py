"""Views that a person put together otherwise than the sorting: views.toml, honoured by the commands and the pages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import cast

import tomli_w

from clerestory.errors import UserError
from clerestory.files.names import folded, in_count, legal_name
from clerestory.files.toml import read_toml
from clerestory.raw.group import SAME_EXPOSURE, View, stops_of
from clerestory.raw.read import FrameInfo
from clerestory.visit.catalogue import FrameRow

HAND = "views.toml"
LEFT_OUT = "left-out"
"""Not the name of a view: the frames listed there are in none. Nothing is deleted."""


def read_hand(root: Path) -> dict[str, list[str]]:
    """views.toml: frames by the view a person put them in, or by LEFT_OUT; nothing when there is no such file."""
    path = root / HAND
    data = read_toml(path) or {}
    for name, frames in data.items():
        if not isinstance(frames, list) or not all(isinstance(f, str) for f in frames):
            raise UserError(f"{path}: {name} must be a list of frame names; correct or delete that line.")
        if (legal := legal_name(name)) != name:
            raise UserError(f"{path}: {name!r} cannot name a view, since files are named after it; {legal!r} can.")
    return cast(dict[str, list[str]], data)


def hand_text(hand: Mapping[str, Sequence[str]]) -> str | None:
    """The text of views.toml; None when nothing is put otherwise."""
    if not hand:
        return None
    head = "# Views grouped by hand: each with its frames. Delete a line to leave that view to the sorting.\n"
    if LEFT_OUT in hand:
        head += f"# Frames under {LEFT_OUT} are in no view; they are not deleted.\n"
    return head + tomli_w.dumps({k: list(v) for k, v in sorted(hand.items())})


def in_time(row: FrameRow) -> tuple[bool, str, str, str]:
    """Sorts frames by time, those without one last, by name, in which numbers count."""
    return row.time is None, row.time or "", in_count(row.name), row.name


def arranged(
    views: Sequence[View], hand: Mapping[str, Sequence[str]], rows: Mapping[Path, FrameRow]
) -> tuple[View, ...]:
    """The views with those that a person put together in place of the sorting's own, in order of time.

    Frames under LEFT_OUT are in none. `rows`: the frames that can be used. One that the sorting put into a view of
    the same name since stays in it. UserError when two views' names could not be told apart as names of files.
    """
    paths = {row.name: path for path, row in rows.items()}
    claimed = {paths[f] for frames in hand.values() for f in frames if f in paths}
    old = {view.name: view for view in views}
    known = {path: info for view in views for path, info in zip(view.frames, view.infos, strict=False)}
    out = []
    for view in views:
        left = tuple(p for p in view.frames if p not in claimed)
        if left and view.name not in hand:
            out.append(view if left == view.frames else _regrouped(view.name, view, left, rows, known))
    left_out = {paths[f] for f in hand.get(LEFT_OUT, ()) if f in paths}
    for name, listed in hand.items():
        if name == LEFT_OUT:
            continue
        mine = {paths[f] for f in listed if f in paths}
        if name in old:
            mine |= {p for p in old[name].frames if p not in claimed}
        mine -= left_out
        if mine:
            frames = tuple(sorted(mine, key=lambda p: in_time(rows[p])))
            out.append(_regrouped(name, old.get(name), frames, rows, known))
    _told_apart([view.name for view in out])
    return tuple(sorted(out, key=lambda v: in_time(rows[v.frames[0]])))


def _told_apart(names: Sequence[str]) -> None:
    """UserError when files named after two views would be one file on some system."""
    known: dict[str, str] = {}
    for name in names:
        other = known.setdefault(folded(name), name)
        if other != name:
            raise UserError(f"{HAND}: the views {other} and {name} differ only in capitals or accents, which some "
                            "systems do not tell apart; rename one.")  # fmt: skip


def _regrouped(
    name: str,
    old: View | None,
    frames: tuple[Path, ...],
    rows: Mapping[Path, FrameRow],
    known: Mapping[Path, FrameInfo],
) -> View:
    infos = tuple(known[p] for p in frames) if all(p in known for p in frames) else ()
    best = max(frames, key=lambda p: rows[p].sharpness or 0.0)
    if old is not None and old.pick in frames:
        best = old.pick
    if len(frames) == 1:
        return View(name, "single", frames, best, "on its own, by hand", infos)
    why = f"{len(frames)} frames grouped by hand"
    if old is not None and old.kind != "single" and set(frames) <= set(old.frames):
        return View(name, old.kind, frames, best, why, infos)
    stops = [s for p in frames if (s := stops_of(rows[p].seconds, rows[p].iso, rows[p].f_number)) is not None]
    stepped = len(stops) == len(frames) and max(stops) - min(stops) >= SAME_EXPOSURE
    return View(name, "bracket" if stepped else "burst", frames, best, why, infos)
