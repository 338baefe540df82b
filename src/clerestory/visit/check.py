"""Whether a visit's originals, recipes, outputs and catalogue agree with one another."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.store import digest_of, leftovers
from clerestory.visit.about import read_abouts
from clerestory.visit.catalogue import Catalogue
from clerestory.visit.folder import VisitFolder, read_digests
from clerestory.visit.hand import HAND, read_hand
from clerestory.visit.index import plain_name
from clerestory.visit.strips import damage, read_strips


@dataclass(frozen=True)
class Difference:
    """One thing that is not as it should be: where, and what in words. `grave`: an original is concerned."""

    path: Path
    what: str
    grave: bool = False

    def __str__(self) -> str:
        return f"{self.path}: {self.what}"


def _files(folder: Path) -> list[Path]:
    if not folder.is_dir():
        return []
    return sorted(p for p in folder.iterdir() if p.is_file() and not p.name.startswith("."))


def _originals(visit: VisitFolder, on_progress: Callable[[Path], None]) -> Iterator[Difference]:
    listed = read_digests(visit.digests)
    present = {p.name: p for p in _files(visit.frames)}
    strips = read_strips(visit.root)
    for name in sorted(listed.keys() | present.keys()):
        path = visit.frames / name
        if name not in present:
            yield Difference(path, "is in the list of digests but not there; bring it back from a copy", grave=True)
            continue
        if name not in listed:
            yield Difference(path, "was laid here by hand: no digest is kept of it; sort takes it up")
            continue
        on_progress(path)
        try:
            same = digest_of(path) == listed[name]
        except OSError as problem:
            yield Difference(path, f"cannot be read ({problem.strerror}); bring it back from a copy", grave=True)
            continue
        if not same:
            where = damage(path, strips[name]) if name in strips else ""
            told = f" ({where})" if where else ""
            yield Difference(path, f"has changed since it came in{told}; bring it back from a copy", grave=True)


def _texts(visit: VisitFolder, views: set[str]) -> Iterator[Difference]:
    for path in visit.recipes_of_none(views) if views else ():
        yield Difference(path, "is a recipe for a view that does not exist; rename or delete it")
    try:
        read_hand(visit.root)
    except UserError as problem:
        yield Difference(visit.root / HAND, str(problem).removeprefix(f"{visit.root / HAND}: "))
    try:
        for name in read_abouts(visit.about).views:
            if views and name not in views:
                yield Difference(visit.about, f"speaks of the view '{name}', which does not exist")
    except UserError as problem:
        yield Difference(visit.about, str(problem).removeprefix(f"{visit.about}: "))


def _outputs(visit: VisitFolder, on_progress: Callable[[Path], None]) -> Iterator[Difference]:
    sets = sorted(p for p in visit.exported.iterdir() if p.is_dir()) if visit.exported.is_dir() else []
    yield from _made(visit.hidden / "accounts", visit.pictures, "finish", on_progress)
    for records in sets:
        yield from _made(records, visit.exports / records.name, "export", on_progress)


def _made(records: Path, folder: Path, by: str, on_progress: Callable[[Path], None]) -> Iterator[Difference]:
    """Files in a folder against the records of them; `by` is the command that makes them again."""
    for account in _files(records):
        try:
            aspects = json.loads(account.read_text(encoding="utf-8"))["aspects"]
            files = [(str(f["name"]), str(f["digest"])) for s in aspects.values() for f in s["files"]]
        except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
            yield Difference(account, f"is damaged; delete it, and {by} makes the pictures again")
            continue
        for name, digest in files:
            path = folder / name
            if "/" in name or not path.is_file():
                yield Difference(path, f"was finished but is not there; {by} makes it again")
                continue
            on_progress(path)
            if digest_of(path) != digest:
                yield Difference(path, f"has changed since it was finished; keep it elsewhere, {by} makes it again")


def _catalogue(visit: VisitFolder) -> Iterator[Difference]:
    if not visit.catalogue.exists():
        if any(_files(visit.frames)):
            yield Difference(visit.catalogue, "there is no catalogue; sort makes it")
        return
    with Catalogue(visit.catalogue) as catalogue:
        for fault in catalogue.faults():
            yield Difference(visit.catalogue, f"is damaged ({fault}); delete it, and sort makes it again")
        rows = {row.name: row for row in catalogue.all_frames()}
        listed = {plain_name(Path(n)): d for n, d in read_digests(visit.digests).items()}
        present = {plain_name(p): p for p in _files(visit.frames)}
        for name in sorted(rows.keys() - present.keys()):
            yield Difference(visit.catalogue, f"knows {name}, which is not in frames/; run sort again")
        for name in sorted(listed.keys() & present.keys() - rows.keys()):
            yield Difference(visit.catalogue, f"does not know {name}; run sort again")
        for name in sorted(rows.keys() & listed.keys()):
            if rows[name].digest != listed[name]:
                yield Difference(visit.catalogue, f"has another digest for {name}; run sort again")
        for view in catalogue.views():
            if view.pick not in rows:
                yield Difference(visit.catalogue, f"picks {view.pick} for {view.name}, which it does not know")


def check(visit: VisitFolder, on_progress: Callable[[Path], None] = lambda _: None) -> list[Difference]:
    """Everything that differs, originals first; empty when all is well. Nothing is changed.

    Originals against frames.b2sum, recipes and about.toml against the views, outputs against the digests recorded
    when they were written, the catalogue against the files. `on_progress` hears of each file whose content is read.
    """
    views: set[str] = set()
    if visit.catalogue.exists():
        with Catalogue(visit.catalogue) as catalogue:
            views = {v.name for v in catalogue.views()}
        with contextlib.suppress(UserError):  # told of below
            views |= read_hand(visit.root).keys()
    if not _files(visit.taken) and not visit.digests.exists():
        told = (
            "holds no frames, so that there is nothing to verify; give the folder of a visit, or import frames first"
        )
        return [Difference(visit.root, told)]
    out = [*_originals(visit, on_progress), *_texts(visit, views), *_outputs(visit, on_progress), *_catalogue(visit)]
    for part in visit.parts:
        out += [Difference(p, "was left by a run that was broken off; delete it") for p in leftovers(part)]
    return out
