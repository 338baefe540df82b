"""Frames from a card into a visit: copied, read back, never deleted; a second run goes on where one stopped."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.names import cut, folded, free_name, legal_name
from clerestory.files.store import DIGEST_BYTES, PART, drop_from_cache, in_words, settle, sweep
from clerestory.raw.suffixes import RAW_SUFFIXES, RENDERED_SUFFIXES
from clerestory.run.isolated import map_isolated
from clerestory.visit.folder import VisitFolder, add_digest, read_digests
from clerestory.visit.strips import add_strips

_BLOCK = 1 << 20


@dataclass
class Imported:
    """What an import did: names now in frames/, names that were there before, files not copied with the reason, and
    `left`: files on the card that are no frames (films, sound), which the user must copy some other way."""

    copied: list[str] = field(default_factory=list)
    already: list[str] = field(default_factory=list)
    refused: list[tuple[Path, str]] = field(default_factory=list)
    left: list[Path] = field(default_factory=list)

    def lines(self) -> list[str]:
        """What was done, in a sentence or two."""
        out = [f"{len(self.copied)} frames copied and verified; {len(self.already)} were already there."]
        if self.left:
            out.append(f"Left on the card, as they are no frames: {', '.join(p.name for p in self.left)}.")
        return out


def card_files(card: Path) -> tuple[list[Path], list[Path]]:
    """The frames on a card and its other files, folders below it too, in order of path; links are not followed."""
    if not card.is_dir():
        raise UserError(f"{card}: no such folder; is the card in the reader?")
    gone: list[OSError] = []
    found = []
    for folder, folders, names in os.walk(card, onerror=gone.append):
        folders.sort()
        found += [Path(folder) / n for n in names if not n.startswith(".")]
    if gone and not found:
        raise UserError(f"{card}: cannot be read ({gone[0].strerror}); is the card in the reader?")
    kinds = RAW_SUFFIXES | RENDERED_SUFFIXES
    files = sorted(p for p in found if p.is_file() and not p.is_symlink())
    return [p for p in files if p.suffix.lower() in kinds], [p for p in files if p.suffix.lower() not in kinds]


def frame_name(path: Path, stamp: str) -> str:
    """The name a frame gets: its time, then its own name in plain letters, such as 20310601-100002_TDV00003.dng."""
    stem = re.sub(r"[^A-Za-z0-9-]+", "-", path.stem).strip("-")[:60] or "frame"
    return legal_name(f"{stamp or 'undated'}_{stem}{path.suffix.lower()}")


def _read_back(path: Path) -> str:
    """Digest of a file as the disk has it, past the system's memory of it where that can be had."""
    state = hashlib.blake2b(digest_size=DIGEST_BYTES)
    with path.open("rb") as file:
        drop_from_cache(file.fileno())
        while block := file.read(_BLOCK):
            state.update(block)
    return state.hexdigest()


class _CardError(Exception):
    """The source could not be read."""


def _blocks(source: Path) -> Iterator[bytes]:
    try:
        with source.open("rb") as file:
            while block := file.read(_BLOCK):
                yield block
    except OSError as problem:
        raise _CardError(problem.strerror or str(problem)) from problem


def _copy_to(source: Path, folder: Path, place: Callable[[str], str]) -> tuple[str, str]:
    """Copy a file into a folder under a temporary name, read it back, then give it the name that `place(digest)`
    says ('' means: not wanted, it is there already). Returns the digest and the name."""
    temporary = folder / f".{os.getpid()}-{cut(source.name, 80)}{PART}"
    state = hashlib.blake2b(digest_size=DIGEST_BYTES)
    try:
        try:
            with temporary.open("xb") as file:
                for block in _blocks(source):
                    state.update(block)
                    file.write(block)
                file.flush()
                os.fsync(file.fileno())
            digest = state.hexdigest()
            name = place(digest)
            if not name:
                return digest, ""
            if _read_back(temporary) != digest:
                raise UserError(f"{folder / name}: what the disk gives back is not what was written; check the disk. "
                                "The card still has the frame.")  # fmt: skip
            _stamp_as(source, temporary)
            settle(temporary, folder / name)
            return digest, name
        except OSError as problem:
            raise in_words(folder / source.name, problem) from problem
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink()


def _stamp_as(source: Path, copy: Path) -> None:
    with contextlib.suppress(OSError):
        stat = source.stat()
        os.utime(copy, ns=(stat.st_atime_ns, stat.st_mtime_ns))


def _stamps(files: list[Path]) -> dict[Path, str]:
    """The time of each frame as 20310601-100002, '' where the file does not say or cannot be read."""
    out: dict[Path, str] = {}
    from clerestory.raw.read import read_info  # decoders are loaded when there is something to decode

    for outcome in map_isolated(read_info, [(f,) for f in files], workers=1, seconds=30, megabytes=2048):
        when = outcome.value.time if outcome.value is not None else None
        out[files[outcome.index]] = when.strftime("%Y%m%d-%H%M%S") if when else ""
    return out


def copy_in(
    card: Path,
    visit: VisitFolder,
    second: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Imported:
    """Copy every frame on a card into frames/, and to a second disk in the same pass if asked.

    Each copy is written under a temporary name, synced, read back and compared by digest, then named; its digest is
    then added to frames.b2sum. What is already there (by content) is passed over, so that an import broken off goes
    on. The card is only read. A file that cannot be read is named and the rest goes on; UserError when the card, or
    the disk written to, is gone or full: what was copied until then is whole.
    """
    VisitFolder.create(visit.root)
    other = VisitFolder.create(second) if second is not None else None
    with visit.writing("import"):
        sweep(visit.frames, 0)
        if other is not None:
            sweep(other.frames, 0)
        files, left = card_files(card)
        stamps = _stamps(files)
        shelf, spare = _Shelf(visit), _Shelf(other) if other is not None else None
        out = Imported(left=left)
        for done, source in enumerate(files, 1):
            try:
                name, fresh = shelf.take(source, frame_name(source, stamps[source]))
                if spare is not None:
                    # From the copy that has just been verified: both disks then hold the same bytes.
                    spare.take(visit.frames / name, name)
            except _CardError as problem:
                if not card.is_dir():
                    raise UserError(f"{card}: the card is gone; put it back and import again. "
                                    f"{len(out.copied)} frames were copied whole.") from problem  # fmt: skip
                out.refused.append((source, f"cannot be read from the card ({problem})"))
            else:
                (out.copied if fresh else out.already).append(name)
            if progress is not None:
                progress(done, len(files))
    return out


def take_up(visit: VisitFolder) -> None:
    """Add the digests of frames that were laid in frames/ by hand to the list."""
    VisitFolder.create(visit.root)
    with visit.writing("import"):
        _Shelf(visit)


class _Shelf:
    """One folder that frames are copied to, with what it holds."""

    def __init__(self, visit: VisitFolder) -> None:
        self.visit = visit
        listed = read_digests(visit.digests)
        present = {p.name for p in visit.frames.iterdir() if p.is_file() and not p.name.startswith(".")}
        self.by_digest = {digest: name for name, digest in listed.items() if name in present}
        self.taken = {folded(n) for n in present} | {folded(n) for n in listed}
        for name in sorted(present - listed.keys()):
            # Named but not yet listed when a crash came, or laid there by hand: as it is now counts.
            with contextlib.suppress(OSError):  # an unreadable one is named when frames are sorted
                digest = _read_back(visit.frames / name)
                self.by_digest.setdefault(digest, name)
                if "\n" not in name:
                    add_digest(visit.digests, name, digest)
                    add_strips(visit.root, visit.frames / name)

    def take(self, source: Path, wanted: str) -> tuple[str, bool]:
        """Copy a frame here, as `wanted` or close to it, unless its content is here; its name, whether it is new."""

        def place(digest: str) -> str:
            return "" if digest in self.by_digest else free_name(wanted, self.taken)

        if folded(wanted) in self.taken:
            # Most likely from an earlier run: reading is enough to know.
            state = hashlib.blake2b(digest_size=DIGEST_BYTES)
            for block in _blocks(source):
                state.update(block)
            if state.hexdigest() in self.by_digest:
                return self.by_digest[state.hexdigest()], False
        digest, name = _copy_to(source, self.visit.frames, place)
        if not name:
            return self.by_digest[digest], False
        try:
            add_digest(self.visit.digests, name, digest)
        except OSError as problem:
            raise in_words(self.visit.digests, problem) from problem
        add_strips(self.visit.root, self.visit.frames / name)
        self.by_digest[digest] = name
        self.taken.add(folded(name))
        return name, True
