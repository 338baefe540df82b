"""The catalogue made from the files: frames looked at and put into views, their digests, what is said of them."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from pathlib import Path
from typing import Literal, cast

from clerestory.errors import UserError
from clerestory.files.store import digest_of
from clerestory.raw.group import Kind, View
from clerestory.raw.inspect import Inspection
from clerestory.raw.sort import Sorted
from clerestory.raw.sort import sort_folder as sort_frames
from clerestory.run.progress import OnProgress, quiet
from clerestory.visit.about import About, Abouts, read_abouts
from clerestory.visit.catalogue import Catalogue, FrameRow, ViewRow
from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.visit.hand import arranged, in_time, read_hand
from clerestory.visit.importing import take_up


def plain_name(path: Path) -> str:
    """A file's name as text that any encoding can hold."""
    return os.fsencode(path.name).decode("utf-8", "backslashreplace")


def frame_row(path: Path, digest: str, seen: Inspection | None, view: str, refused: str = "") -> FrameRow:
    """The catalogue's row of one original."""
    stat = path.stat()
    base = FrameRow(plain_name(path), digest, stat.st_size, stat.st_mtime_ns, view=view, refused=refused)
    if seen is None:
        return base
    info = seen.info
    return FrameRow(
        base.name, digest, base.bytes, base.mtime_ns,
        time=info.time.isoformat() if info.time else None,
        make=info.make, model=info.model, lens=info.lens, serial=info.serial,
        focal_mm=info.focal_mm, equivalent_mm=info.equivalent_mm, f_number=info.f_number, seconds=info.seconds,
        iso=info.iso, width=info.width, height=info.height,
        sharpness=seen.sharpness, brightness=seen.brightness, clipped=seen.clipping.all, view=view,
    )  # fmt: skip


def rows_of(found: Sorted, digests: Mapping[str, str], abouts: Abouts) -> tuple[list[FrameRow], list[ViewRow]]:
    """Rows of a sorted folder; a digest that is not listed is computed."""
    view_of = {path: view.name for view in found.views for path in view.frames}
    everything = [(p, found.seen.get(p), "") for p in found.seen] + [(p, None, reason) for p, reason in found.refused]
    frames = []
    for path, seen, reason in everything:
        try:
            digest = digests.get(path.name) or digest_of(path)
            frames.append(frame_row(path, digest, seen, view_of.get(path, ""), reason))
        except OSError:  # unreadable or gone meanwhile: it is in `refused` already
            continue
    views = []
    for view in found.views:
        views.append(_view_row(view, abouts.of(view.name)))
    return frames, views


def _view_row(view: View, about: About) -> ViewRow:
    return ViewRow(view.name, view.kind, plain_name(view.pick), view.why, about.title, about.caption, about.place,
                   about.creator, about.rights, about.permit, ", ".join(about.keywords))  # fmt: skip


def earlier_views(visit: VisitFolder) -> dict[str, str]:
    """File name to view as the catalogue has it; nothing where there is none."""
    if not visit.catalogue.exists():
        return {}
    with Catalogue(visit.catalogue) as catalogue:
        return {row.name: row.view for row in catalogue.all_frames() if row.view}


def sort_visit(
    visit: VisitFolder,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
    executor: Executor | None = None,
) -> Sorted:
    """Sort a visit's frames and write the catalogue anew, in one transaction. Views keep the names they had."""
    if not visit.frames.is_dir():
        raise UserError(f"{visit.frames}: no such folder; bring frames in first.")
    abouts = read_abouts(visit.about)
    visit.sweep()
    take_up(visit)
    found = sort_frames(visit.frames, progress, workers, earlier_views(visit), visit.looks, executor)
    frames, views = rows_of(found, read_digests(visit.digests), abouts)
    with Catalogue(visit.catalogue) as catalogue:
        catalogue.replace_all(frames, views)
    return found


def sort_folder(folder: Path, on_progress: OnProgress = quiet, executor: Executor | None = None) -> Sorted:
    """Sort a visit's frames, or those of a plain folder, telling progress; names of views stay.

    Views that a person put together (views.toml) are as that person put them. A visit's catalogue is written anew.
    UserError when the folder is not there or holds a wrong views.toml.
    """
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; give the folder that holds your raw frames.")
    visit = VisitFolder(folder)

    def told(done: int, total: int) -> None:
        on_progress("Reading frames", done, total)

    if visit.taken != folder:
        found = sort_visit(visit, told, executor=executor)
    else:
        found = sort_frames(folder, told, memory=visit.looks, executor=executor)
    rows = {path: frame_row(path, "", seen, "") for path, seen in found.seen.items()}
    return replace(found, views=arranged(found.views, read_hand(folder), rows))


def catalogue_text(folder: Path, form: Literal["csv", "json"], having: str = "") -> str:
    """A visit's catalogue as CSV (RFC 4180) or JSON, views as put together by hand, words as about.toml has them now;
    sorted first where there is none. `having`: only frames in which each of these words is found.

    The catalogue itself keeps the sorting's own views, so that what was done by hand can be undone.
    """
    visit = VisitFolder.open(folder)
    if not visit.catalogue.exists():
        if not visit.frames.is_dir():
            raise UserError(f"{folder}: has no catalogue, as it is no visit: it has no folder frames/.")
        sort_visit(visit)
    hand = read_hand(folder)
    with Catalogue(visit.catalogue) as kept:
        if not hand and _said(visit) is None:
            return kept.as_csv(having) if form == "csv" else kept.as_json(having)
        frames, rows = _by_hand(visit, list(kept.all_frames()), kept.views(), hand)
    with tempfile.TemporaryDirectory() as aside, Catalogue(Path(aside) / "catalogue.sqlite") as shown:
        shown.replace_all(frames, rows)
        return shown.as_csv(having) if form == "csv" else shown.as_json(having)


def _by_hand(
    visit: VisitFolder, frames: Sequence[FrameRow], rows: Sequence[ViewRow], hand: Mapping[str, Sequence[str]]
) -> tuple[list[FrameRow], list[ViewRow]]:
    """Rows of frames and views with those views that a person put together."""
    usable = {visit.taken / row.name: row for row in frames if not row.refused}
    views = arranged(views_of(rows, frames, {row.name: path for path, row in usable.items()}), hand, usable)
    view_of = {plain_name(path): view.name for view in views for path in view.frames}
    message = _said(visit)
    out = [replace(row, view=view_of.get(row.name, "")) for row in frames]
    if message is None:  # as it was when the frames were sorted
        kept = {row.name: row for row in rows}
        return out, [
            replace(kept.get(v.name, _view_row(v, About())), kind=v.kind, pick=plain_name(v.pick), why=v.why)
            for v in views
        ]
    return out, [_view_row(view, message.of(view.name)) for view in views]


def _said(visit: VisitFolder) -> Abouts | None:
    """What about.toml says of the pictures; None where there is none, or one that cannot be read."""
    with contextlib.suppress(UserError):
        return read_abouts(visit.about) if visit.about.exists() else None
    return None


def _kind(word: str) -> Kind:
    """A view's kind by the catalogue's word; "wide" is what the first catalogues called a panorama."""
    return "panorama" if word == "wide" else cast(Kind, word)


def views_of(rows: Sequence[ViewRow], frames: Iterable[FrameRow], paths: Mapping[str, Path]) -> list[View]:
    """Views from the catalogue's rows, in the rows' order; frames that are not in `paths` are left out."""
    members: dict[str, list[str]] = {}
    for row in sorted(frames, key=in_time):
        if row.view and row.name in paths:
            members.setdefault(row.view, []).append(row.name)
    return [
        View(
            v.name,
            _kind(v.kind),
            tuple(paths[n] for n in members[v.name]),
            paths[v.pick],
            v.why,
        )
        for v in rows
        if v.name in members and v.pick in paths
    ]
