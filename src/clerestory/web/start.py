"""What the start page knows: the visits opened lately, the drives, and the folders of this computer by name.

Of a folder only names of folders below it and counts of frames are told, never what a file holds.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.names import legal_name
from clerestory.files.places import drives, pictures_folder
from clerestory.files.store import digest_bytes, write_atomic
from clerestory.raw.suffixes import RAW_SUFFIXES, RENDERED_SUFFIXES
from clerestory.visit.folder import VisitFolder
from clerestory.web.paths import names_in, plain_file

KEPT = 24  # visits remembered; more do not fit a page that is taken in at a glance
MOST_FOLDERS = 500  # folders shown of one folder
MOST_FILES = 20_000  # files looked at to count frames: a card holds fewer, and a larger number says no more


@dataclass(frozen=True)
class Recent:
    """A visit that was open: its folder, what it is called, when (seconds since 1970), a picture's name in it."""

    path: str
    title: str
    when: float
    picture: str = ""

    @property
    def key(self) -> str:
        """What the pages call it by."""
        return key_of_folder(Path(self.path))


def key_of_folder(folder: Path) -> str:
    """A short name for a folder, of letters that an address may hold."""
    return digest_bytes(str(folder).encode("utf-8", "surrogateescape"))[:16]


class Recents:
    """The visits opened lately, newest first, kept in one small file of the user's."""

    def __init__(self, file: Path) -> None:
        self.file = file
        self._lock = threading.Lock()

    def all(self) -> list[Recent]:
        """Those that are remembered; none where the file is not there or damaged."""
        try:
            found = json.loads(self.file.read_text(encoding="utf-8"))
            return [Recent(str(r["path"]), str(r["title"]), float(r["when"]), str(r["picture"])) for r in found]
        except (OSError, ValueError, KeyError, TypeError):
            return []

    def find(self, key: str) -> Recent | None:
        """The one of that key."""
        return next((recent for recent in self.all() if recent.key == key), None)

    def add(self, folder: Path) -> None:
        """Put a visit in front. Where it cannot be kept, it is simply not remembered."""
        new = Recent(str(folder), folder.name, time.time(), picture_name(VisitFolder(folder)))
        self._keep(lambda old: [new, *(r for r in old if r.path != new.path)][:KEPT])

    def drop(self, key: str) -> None:
        """Take a visit out of the list; its folder stays as it is."""
        self._keep(lambda old: [r for r in old if r.key != key])

    def _keep(self, change: Any) -> None:
        with self._lock, contextlib.suppress(OSError, UserError):
            self.file.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(self.file, json.dumps([asdict(r) for r in change(self.all())], ensure_ascii=False) + "\n")

    def shown(self) -> list[dict[str, Any]]:
        """The list as the page draws it: with whether the folder is there, and whether a picture is."""
        out = []
        for recent in self.all():
            folder = Path(recent.path)
            there = folder.is_dir()
            picture = there and picture_file(VisitFolder(folder)) is not None
            out.append({"key": recent.key, "title": recent.title, "path": recent.path, "when": recent.when,
                        "there": there, "picture": picture})  # fmt: skip
        return out


def picture_name(visit: VisitFolder) -> str:
    """Which picture stands for a visit: its first finished one; '' where there is none."""
    return next(iter(names_in(visit.root, "pictures", (".jpg", ".jpeg"))), "")


def picture_file(visit: VisitFolder) -> tuple[Path, bool] | None:
    """The picture that stands for a visit, and whether it is small already; None where there is none yet."""
    if name := picture_name(visit):
        return visit.root / "pictures" / name, False
    small = next(iter(names_in(visit.root, ".clerestory/previews/small", (".jpg",))), "")
    path = plain_file(visit.root, ".clerestory/previews/small", small) if small else None
    return (path, True) if path is not None else None


def small_picture(folder: Path) -> Path | None:
    """The file to show for a visit; None where there is none, or no visit any more."""
    try:
        visit = VisitFolder.open(folder)
    except UserError:  # moved or deleted since the page was told of it
        return None
    found = picture_file(visit)
    if found is None:
        return None
    path, small = found
    if small:
        return path
    from clerestory.web.stills import small_picture as made_smaller

    return made_smaller(visit, path)


# ---- folders


@dataclass(frozen=True)
class Held:
    """How many raw frames and how many finished pictures (JPEG and the like) lie in a folder, or below it."""

    raw: int = 0
    rendered: int = 0

    def __add__(self, other: Held) -> Held:
        return Held(self.raw + other.raw, self.rendered + other.rendered)


def held_in(folder: Path) -> Held:
    """Counts of a folder itself, not below it; nothing where it cannot be read."""
    raw = rendered = 0
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for number, entry in enumerate(entries):
            if number >= MOST_FILES:
                break
            ending = os.path.splitext(entry.name)[1].lower()  # noqa: PTH122 - a Path for each of thousands is slow
            raw += ending in RAW_SUFFIXES
            rendered += ending in RENDERED_SUFFIXES
    return Held(raw, rendered)


def is_visit(folder: Path) -> bool:
    """Whether a folder has been a visit's before."""
    return (folder / "visit.toml").is_file() or (folder / ".clerestory").is_dir()


def plain_folder(text: str) -> Path:
    """A folder by the words of its path. UserError where it is none, or is reached through a link."""
    path = Path(text).expanduser() if text.strip() else Path.home().resolve()
    if not path.is_absolute():
        raise UserError(f"{text}: write the whole path of the folder, from the drive or the root on.")
    if not path.is_dir():
        raise UserError(f"{path}: no such folder. Look for it from Home, or put its drive in and try again.")
    if path.resolve() != Path(os.path.normpath(path)):
        raise UserError(f"{path}: is a link to {path.resolve()}; open that folder itself.")
    return path.resolve()


def folders_in(text: str) -> dict[str, Any]:
    """A folder as the page shows it: what is above, the folders in it with how many frames each holds."""
    folder = plain_folder(text)
    names: list[str] = []
    try:
        with os.scandir(folder) as entries:
            names = [e.name for e in entries if not e.name.startswith(".") and e.is_dir(follow_symlinks=False)]
    except OSError as problem:
        raise UserError(f"{folder}: cannot be read ({problem.strerror}).") from problem
    names.sort(key=str.casefold)
    inside = [_entry(folder / name) for name in names[:MOST_FOLDERS]]
    own = held_in(folder) + held_in(folder / "frames")
    return {
        "path": str(folder),
        "name": folder.name or str(folder),
        "up": str(folder.parent) if folder.parent != folder else "",
        "folders": inside,
        "more": max(0, len(names) - MOST_FOLDERS),
        "visit": is_visit(folder),
        **asdict(own),
    }


def _entry(folder: Path) -> dict[str, Any]:
    own = held_in(folder)
    if (folder / "frames").is_dir() and not (folder / "frames").is_symlink():
        own += held_in(folder / "frames")
    return {"name": folder.name, "path": str(folder), "visit": is_visit(folder), **asdict(own)}


def places() -> list[dict[str, Any]]:
    """Where one may begin to look: home, the pictures, and each drive with what it is."""
    home, pictures = Path.home().resolve(), pictures_folder().resolve()
    out = [{"path": str(home), "name": "Home", "kind": "home"}]
    if pictures != home:
        out.append({"path": str(pictures), "name": pictures.name, "kind": "pictures"})
    for drive in drives():
        kind = "card" if drive.card else "removable" if drive.removable else "drive"
        out.append({"path": str(drive.path), "name": drive.name, "kind": kind})
    return out


# ---- beginning and opening


def begin_visit(name: str, place: str) -> Path:
    """A new visit's folder, made with its parts. UserError where the name is none, or something lies there."""
    if not name.strip():
        raise UserError("Give the visit a name, such as the church and the year.")
    folder = plain_folder(place) / legal_name(name)
    if folder.exists() and any(folder.iterdir() if folder.is_dir() else [folder]):
        raise UserError(f"{folder}: there is something of that name already; open it, or choose another name.")
    return VisitFolder.create(folder).root


def doubts_of(folder: Path) -> dict[str, Any] | None:
    """Why a folder may not be the one meant, and what can be done; None where it can be opened as it is."""
    if is_visit(folder):
        return None
    own = held_in(folder) + held_in(folder / "frames")
    if own.raw:
        return None
    if (folder / "DCIM").is_dir():
        return {"said": f"{folder} is a camera's card. Frames are worked on from a disk: import them into a visit "
                        "first.", "ways": ["import"]}  # fmt: skip
    below = sum(held_in(p).raw for p in _below(folder))
    if own.rendered:
        said = (f"{folder} holds {own.rendered} finished pictures (JPEG or the like) and no raw frame. Straightening "
                "and the light need what the sensor saw: open the folder that holds the raw frames, or bring them in "
                "from the card.")  # fmt: skip
        return {"said": said, "ways": ["other", "import", "anyway"]}
    if below:
        said = (f"{folder} holds no frame itself; the folders in it hold {below}. Open one of them, or begin a visit "
                "and import them all from here.")  # fmt: skip
        return {"said": said, "ways": ["other", "import"]}
    empty = "is empty" if not any(folder.iterdir()) else "holds no frame"
    return {"said": f"{folder} {empty}. A visit can begin here: plan the day, or import frames from a card.",
            "ways": ["begin", "import", "other"]}  # fmt: skip


def _below(folder: Path) -> list[Path]:
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        return [Path(e.path) for e in entries if not e.name.startswith(".") and e.is_dir(follow_symlinks=False)]
    return []
