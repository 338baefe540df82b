"""The visit folder's layout, and the list of its originals' digests."""

from __future__ import annotations

import os
from collections.abc import Collection
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from clerestory.errors import UserError
from clerestory.files.lock import held
from clerestory.files.store import DIGEST_BYTES, in_words, sweep

DIGESTS = "frames.b2sum"
Stage = Literal["import", "finish", "film", "keep"]
_DOING: dict[Stage, str] = {
    "import": "copying frames into it",
    "finish": "finishing it",
    "film": "making its film",
    "keep": "packing it",
}


@dataclass(frozen=True)
class VisitFolder:
    """A visit's files. Only `hidden` may be deleted: all in it is made again from the rest.

    visit.toml, about.toml (what is said of the pictures), frames.b2sum (digests of the originals, in the form that
    `b2sum --length 256 --check` reads), frames/ (originals, never written to), recipes/, pictures/, film/.
    """

    root: Path

    @classmethod
    def open(cls, root: Path) -> VisitFolder:
        """An existing folder, as a visit. UserError when it is not there."""
        if not Path(root).is_dir():
            raise UserError(f"{root}: no such folder; give the folder of a visit.")
        return cls(Path(root))

    @classmethod
    def create(cls, root: Path) -> VisitFolder:
        """The folder with its parts made where missing."""
        visit = cls(Path(root))
        try:
            for part in (visit.frames, visit.recipes, visit.pictures, visit.film, visit.hidden):
                part.mkdir(parents=True, exist_ok=True)
        except OSError as problem:
            raise in_words(Path(problem.filename or root), problem) from problem
        return visit

    @property
    def frames(self) -> Path:
        """The originals."""
        return self.root / "frames"

    @property
    def taken(self) -> Path:
        """Where the frames lie: frames/ when there is one, else the folder itself (a plain folder of raw files)."""
        return self.frames if self.frames.is_dir() else self.root

    @property
    def recipes(self) -> Path:
        """How each picture is finished, one TOML a view."""
        return self.root / "recipes"

    @property
    def pictures(self) -> Path:
        """Finished stills."""
        return self.root / "pictures"

    @property
    def exports(self) -> Path:
        """Pictures for a purpose, in a folder for each export set."""
        return self.root / "exports"

    @property
    def exported(self) -> Path:
        """What was exported, one record a view in a folder for each set."""
        return self.hidden / "exports"

    @property
    def film(self) -> Path:
        """The film and its parts."""
        return self.root / "film"

    @property
    def hidden(self) -> Path:
        """Catalogue and previews."""
        return self.root / ".clerestory"

    @property
    def catalogue(self) -> Path:
        """The catalogue's SQLite file."""
        return self.hidden / "catalogue.sqlite"

    @property
    def looks(self) -> Path:
        """What was seen of each frame."""
        return self.hidden / "looks"

    @property
    def about(self) -> Path:
        """Titles, captions, place, creator, rights and permit."""
        return self.root / "about.toml"

    @property
    def digests(self) -> Path:
        """Digests of the originals."""
        return self.root / DIGESTS

    @property
    def parts(self) -> tuple[Path, ...]:
        """Every folder the program writes files to."""
        kept = [self.looks, self.hidden / "accounts", self.hidden / "film", self.pictures / "before"]
        sets = [p for top in (self.exports, self.exported) for p in (top.iterdir() if top.is_dir() else ())]
        kept += sorted(p for p in sets if p.is_dir() and not p.is_symlink())
        return self.root, self.frames, self.recipes, self.pictures, self.film, self.hidden, *kept

    def writing(self, stage: Stage, wait: float | None = None) -> AbstractContextManager[None]:
        """Hold the visit for one long work; it is let go when the process ends, however it ends.

        One lock for all of them: a film is made of pictures, pictures of frames. `Taken` (a UserError that says who
        and since when) where another process holds it after `wait` seconds (some, when left out); UserError where the
        folder cannot be written to.
        """
        refusal = f"{self.root}: is in use by another process; wait for it to end"
        return held(self.hidden / "work.lock", _DOING[stage], refusal, wait)

    def serving(self) -> AbstractContextManager[None]:
        """Hold the visit's pages, which one server at a time may show and change. `Taken` at once where they are."""
        return held(self.hidden / "pages.lock", "showing its pages", f"{self.root}: its pages are open already", 0.5)

    def recipes_of_none(self, views: Collection[str]) -> list[Path]:
        """Recipes whose view is not among these, in order."""
        found = (p for p in sorted(self.recipes.glob("*.toml")) if p.is_file() and not p.name.startswith("."))
        return [path for path in found if path.stem not in views]

    def sweep(self) -> int:
        """Delete temporary files that a crash left more than an hour ago; how many."""
        return sum(sweep(part) for part in self.parts)


def read_digests(path: Path) -> dict[str, str]:
    """File name to BLAKE2b digest. A line that a crash cut short is passed over; of two for a file the last holds."""
    out: dict[str, str] = {}
    try:
        lines = path.read_text(encoding="utf-8", errors="surrogateescape").split("\n")
    except FileNotFoundError:
        return out
    for line in lines[:-1]:  # what follows the last line end was cut short
        digest, _, name = line.partition("  ")
        if len(digest) == 2 * DIGEST_BYTES and name.startswith("frames/") and "/" not in name[7:]:
            out[name[7:]] = digest
    return out


def _line(name: str, digest: str) -> str:
    return f"{digest}  frames/{name}\n"


def add_digest(path: Path, name: str, digest: str) -> None:
    """Add one file's digest to the list, synced before it returns. A line that a crash cut short is taken off."""
    with path.open("a+b") as file:
        start = max(0, file.seek(0, os.SEEK_END) - 4096)  # longer than any line
        file.seek(start)
        file.truncate(start + file.read().rfind(b"\n") + 1)
        file.write(_line(name, digest).encode(errors="surrogateescape"))
        file.flush()
        os.fsync(file.fileno())
