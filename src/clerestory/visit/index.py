"""The catalogue made from the files: frames looked at and put into views, their digests, what is said of them."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.store import digest_of
from clerestory.raw.inspect import Inspection
from clerestory.raw.sort import Sorted, sort_folder
from clerestory.visit.about import Abouts, read_abouts
from clerestory.visit.catalogue import Catalogue, FrameRow, ViewRow
from clerestory.visit.folder import VisitFolder, read_digests
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
        said = abouts.of(view.name)
        views.append(
            ViewRow(view.name, view.kind, plain_name(view.pick), view.why, said.title, said.caption, said.place,
                    said.creator, said.rights, said.permit, ", ".join(said.keywords))
        )  # fmt: skip
    return frames, views


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
    found = sort_folder(visit.frames, progress, workers, earlier_views(visit), visit.looks, executor)
    frames, views = rows_of(found, read_digests(visit.digests), abouts)
    with Catalogue(visit.catalogue) as catalogue:
        catalogue.replace_all(frames, views)
    return found
