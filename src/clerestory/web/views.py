"""The visit's views as the pages show them: from the catalogue at once, from a fresh sorting when that is old."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, cast

import tomli_w

from clerestory.errors import UserError
from clerestory.finish.recipe import Recipe, picked, read_recipe
from clerestory.frames.group import Kind, View
from clerestory.frames.sort import Sorted, frame_files, sort_folder
from clerestory.visit.about import read_abouts
from clerestory.visit.catalogue import Catalogue, FrameRow, ViewRow
from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.visit.index import earlier_views, plain_name, rows_of, sort_visit
from clerestory.visit.toml import read_toml

HAND = "views.toml"


@dataclass(frozen=True)
class Table:
    """Frames by name and views in order; `refused` are files that could not be used, with the reason."""

    frames: Mapping[str, FrameRow] = field(default_factory=dict)
    paths: Mapping[str, Path] = field(default_factory=dict)
    views: tuple[View, ...] = ()
    refused: tuple[tuple[str, str], ...] = ()

    def view(self, name: str) -> View:
        """The view of this name; UserError when it is gone."""
        for view in self.views:
            if view.name == name:
                return view
        raise UserError(f"There is no view {name} any more; choose another.")


def own_files(visit: VisitFolder) -> list[Path]:
    """Frames that are the visit's own: nothing that a link leads to elsewhere is shown."""
    folder = visit.taken
    if folder != visit.root and folder.is_symlink():
        raise UserError(f"{folder} is a link to another folder; the pages show only what lies in the visit itself.")
    return [p for p in frame_files(folder) if not p.is_symlink()]


def from_catalogue(visit: VisitFolder) -> Table | None:
    """What the catalogue says, when every frame is still as it was then; else None."""
    paths = {plain_name(p): p for p in own_files(visit)}
    if not paths:
        return Table()
    if not visit.catalogue.exists():
        return None
    with Catalogue(visit.catalogue) as catalogue:
        every = {row.name: row for row in catalogue.all_frames()}
        views = catalogue.views()
    gone = [name for name in every if name not in paths and not (visit.taken / name).is_symlink()]
    rows = {name: row for name, row in every.items() if name in paths}
    if gone or paths.keys() != rows.keys():
        return None
    for name, path in paths.items():
        stat = path.stat()
        if (stat.st_size, stat.st_mtime_ns) != (rows[name].bytes, rows[name].mtime_ns):
            return None
    return _table(rows.values(), views, paths)


def from_sorting(visit: VisitFolder, progress: Callable[[int, int], None]) -> Table:
    """Sort the frames, write the catalogue, and say what it holds."""
    own_files(visit)
    if visit.frames.is_dir():
        sort_visit(visit, progress)
    else:
        folder = visit.taken
        found = sort_folder(folder, progress, earlier=earlier_views(visit), memory=visit.looks)
        visit.hidden.mkdir(exist_ok=True)
        _catalogued(visit, found)
    table = from_catalogue(visit)
    if table is None:
        raise UserError(f"{visit.root}: the frames changed while they were read; read them again.")
    return table


def _catalogued(visit: VisitFolder, found: Sorted) -> None:
    frames, views = rows_of(found, read_digests(visit.digests), read_abouts(visit.about))
    with Catalogue(visit.catalogue) as catalogue:
        catalogue.replace_all(frames, views)


def _table(rows: Iterable[FrameRow], views: Sequence[ViewRow], paths: Mapping[str, Path]) -> Table:
    frames = {row.name: row for row in rows}
    members: dict[str, list[str]] = {}
    for row in sorted(frames.values(), key=lambda r: (r.time is None, r.time or "", r.name)):
        if row.view:
            members.setdefault(row.view, []).append(row.name)
    built = [
        View(v.name, cast(Kind, v.kind), tuple(paths[n] for n in members[v.name]), paths[v.pick], v.why)
        for v in views
        if v.name in members and v.pick in paths
    ]
    refused = tuple((row.name, row.refused) for row in frames.values() if row.refused)
    return Table(frames, paths, tuple(sorted(built, key=lambda v: _first(frames, v))), refused)


def _first(frames: Mapping[str, FrameRow], view: View) -> tuple[str, str]:
    row = frames[plain_name(view.frames[0])]
    return row.time or "~", row.name


# ---- what a person has put otherwise


def read_hand(root: Path) -> dict[str, list[str]]:
    """views.toml: frames by the view a person put them in; nothing when there is no such file."""
    path = root / HAND
    data = read_toml(path) or {}
    for name, frames in data.items():
        if not isinstance(frames, list) or not all(isinstance(f, str) for f in frames):
            raise UserError(f"{path}: {name} must be a list of frame names; mend or delete that line.")
    return cast(dict[str, list[str]], data)


def hand_text(hand: Mapping[str, Sequence[str]]) -> str | None:
    """The text of views.toml; None when nothing is put otherwise."""
    if not hand:
        return None
    head = "# Views put together by hand: each with its frames. Delete a line to leave that view to the sorting.\n"
    return head + tomli_w.dumps({k: list(v) for k, v in sorted(hand.items())})


def arranged(table: Table, hand: Mapping[str, Sequence[str]]) -> Table:
    """The views with those that a person put together in place of the sorting's own."""
    claimed = {f for frames in hand.values() for f in frames if f in table.paths}
    views = []
    for view in table.views:
        left = tuple(p for p in view.frames if plain_name(p) not in claimed)
        if view.name in hand or not left:
            continue
        views.append(view if left == view.frames else _regrouped(table, view.name, view, left))
    old = {view.name: view for view in table.views}
    for name, frames in hand.items():
        mine = tuple(table.paths[f] for f in dict.fromkeys(frames) if f in table.paths)
        if mine:
            views.append(_regrouped(table, name, old.get(name), mine))
    return replace(table, views=tuple(sorted(views, key=lambda v: _first(table.frames, v))))


def _regrouped(table: Table, name: str, old: View | None, frames: tuple[Path, ...]) -> View:
    best = max(frames, key=lambda p: table.frames[plain_name(p)].sharpness or 0.0)
    if old is not None and old.pick in frames:
        best = old.pick
    if len(frames) == 1:
        return View(name, "single", frames, best, "on its own, by hand")
    kind = old.kind if old is not None and old.kind != "single" and set(frames) <= set(old.frames) else "burst"
    return View(name, kind, frames, best, f"{len(frames)} frames put together by hand")


def recipe_path(root: Path, view: str) -> Path:
    """Where a view's recipe lies."""
    return root / "recipes" / f"{view}.toml"


def recipe_of(root: Path, view: str) -> Recipe:
    """The recipe of a view as its file has it."""
    return read_recipe(recipe_path(root, view))


def shown(table: Table, root: Path) -> list[dict[str, Any]]:
    """The views as plain data for the sort page."""
    out = []
    for view in table.views:
        try:
            pick = picked(view, recipe_of(root, view.name)).pick
        except UserError:
            pick = view.pick
        out.append(
            {
                "name": view.name,
                "kind": view.kind,
                "why": view.why,
                "pick": plain_name(pick),
                "own_pick": plain_name(view.pick),
                "frames": [plain_name(p) for p in view.frames],
            }
        )
    return out
