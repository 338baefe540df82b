"""The visit's views as the pages show them: from the catalogue at once, from a fresh sorting when that is old."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from clerestory.camera.exposure import settings_words
from clerestory.errors import UserError
from clerestory.finish.recipe import Recipe, picked, read_recipe
from clerestory.raw.group import KIND_WORDS, View
from clerestory.raw.sort import Sorted, frame_files, sort_folder
from clerestory.visit.about import Abouts, read_abouts
from clerestory.visit.catalogue import Catalogue, FrameRow, ViewRow
from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.visit.hand import arranged, in_time
from clerestory.visit.index import earlier_views, plain_name, rows_of, sort_visit, views_of


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
    built = views_of(views, frames.values(), paths)
    refused = tuple((row.name, row.refused) for row in frames.values() if row.refused)
    return Table(frames, paths, tuple(sorted(built, key=lambda v: in_time(frames[plain_name(v.frames[0])]))), refused)


def by_hand(table: Table, hand: Mapping[str, Sequence[str]]) -> Table:
    """The table with the views that a person put together."""
    rows = {table.paths[name]: row for name, row in table.frames.items() if not row.refused}
    return replace(table, views=arranged(table.views, hand, rows))


def recipe_path(root: Path, view: str) -> Path:
    """Where a view's recipe lies."""
    return root / "recipes" / f"{view}.toml"


def recipe_of(root: Path, view: str) -> Recipe:
    """The recipe of a view as its file has it."""
    return read_recipe(recipe_path(root, view))


def settings_of(row: FrameRow) -> str:
    """Focal length, aperture, shutter time and ISO of a frame, as far as its file tells them."""
    return settings_words(row.focal_mm, row.f_number, row.seconds, row.iso) or "settings not told"


def shown(table: Table, root: Path) -> list[dict[str, Any]]:
    """The views as plain data for the sort page."""
    out = []
    abouts = Abouts()
    with contextlib.suppress(UserError):  # told of when pictures are written
        abouts = read_abouts(root / "about.toml")
    for view in table.views:
        try:
            pick = picked(view, recipe_of(root, view.name)).pick
        except UserError:
            pick = view.pick
        out.append(
            {
                "name": view.name,
                "title": abouts.views[view.name].title if view.name in abouts.views else "",
                "kind_words": KIND_WORDS[view.kind],
                "why": view.why,
                "pick": plain_name(pick),
                "own_pick": plain_name(view.pick),
                "frames": [plain_name(p) for p in view.frames],
            }
        )
    return out
