"""Frames from a card into the open visit: looked at first, then copied in the background."""

from __future__ import annotations

import logging
import os
import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.names import folded
from clerestory.run.progress import BrokenOff
from clerestory.visit.folder import VisitFolder
from clerestory.visit.importing import Imported, card_files, copy_in
from clerestory.web.start import plain_folder

log = logging.getLogger("clerestory.web")
NAMED = 12  # files named one by one in what is said; more are counted
PICTURES_KEPT = 3000  # small pictures of a card held in memory, some 10 kB each


class Bringing:
    """What the import page does: one card looked at, one import at a time."""

    def __init__(self, say: Callable[[dict[str, Any]], None]) -> None:
        self.say = say
        self.state: dict[str, Any] = {"state": "idle"}
        self._lock = threading.Lock()
        self._stop = False
        self._card: tuple[Path, list[Path]] | None = None
        self._small: OrderedDict[Path, bytes] = OrderedDict()

    @property
    def busy(self) -> bool:
        """Whether frames are being copied."""
        return self.state["state"] == "copying"

    def look(self, text: str, visit: VisitFolder | None) -> dict[str, Any]:
        """What lies on a card or in a folder: its frames by number, how large, and what is no frame."""
        card = plain_folder(text)
        files, left = card_files(card)
        sizes = [_stat(p) for p in files]
        with self._lock:
            if self._card is None or self._card[0] != card:
                self._small.clear()
            self._card = (card, files)
        free = _free(visit.root) if visit is not None else None
        return {
            "card": str(card),
            "name": card.name or str(card),
            "frames": [{"name": p.name, "when": when} for p, (_, when) in zip(files, sizes, strict=True)],
            "bytes": sum(size for size, _ in sizes),
            "left": [p.name for p in left[:NAMED]],
            "left_more": max(0, len(left) - NAMED),
            "free": free,
        }

    def picture(self, number: int) -> bytes:
        """The small picture of one frame of the card that was looked at last, as a JPEG; nothing where it cannot be
        read, as when the card was pulled out meanwhile."""
        with self._lock:
            if self._card is None or not 0 <= number < len(self._card[1]):
                raise UserError("There is no such frame on the card; look at it again.")
            path = self._card[1][number]
            known = self._small.get(path)
        if known is None:
            from clerestory.raw.embedded import embedded_picture  # with the decoders, when there is a card

            try:
                known = embedded_picture(path)
            except UserError:
                return b""
            with self._lock:
                self._small[path] = known
                while len(self._small) > PICTURES_KEPT:
                    self._small.popitem(last=False)
        return known

    def begin(self, text: str, second: str, visit: VisitFolder, after: Callable[[], None]) -> None:
        """Copy the frames of a card into the visit in the background; `after()` when any were copied.

        UserError where an import is under way, the card is the visit itself, or a copy would lie inside another.
        """
        card = plain_folder(text)
        other = plain_folder(second) if second.strip() else None
        _apart(card, visit.root.resolve(), "the visit itself; there is nothing to import from it")
        if other is not None:
            _apart(
                other, visit.root.resolve(), "the visit itself; choose a folder on another disk for the second copy"
            )
            _apart(other, card, "the card; choose a folder on another disk for the second copy")
        files, _ = card_files(card)
        if not files:
            raise UserError(f"{card}: holds no frame. Choose the card, or the folder into which it was copied.")
        with self._lock:
            if self.busy:
                raise UserError("Frames are being imported already; wait, or break it off.")
            self._stop = False
            self._told("copying", done=0, total=len(files), visit=visit.root.name)
        threading.Thread(target=self._copy, args=(card, visit, other, after), name="clerestory-import").start()

    def stop(self) -> None:
        """Break off after the frame that is being copied."""
        self._stop = True

    def forget(self) -> None:
        """What became of the last import is told no longer: it went into a visit that is open no more."""
        if not self.busy:
            self._told("idle")

    def _told(self, state: str, **facts: Any) -> None:
        self.state = {"state": state, **facts}
        self.say(self.state)

    def _copy(self, card: Path, visit: VisitFolder, other: Path | None, after: Callable[[], None]) -> None:
        before = _names(visit)

        def told(done: int, total: int) -> None:
            self._told("copying", done=done, total=total, visit=visit.root.name)
            if self._stop and done < total:
                raise BrokenOff

        try:
            done = copy_in(card, visit, other, told)
        except BrokenOff:
            new = len(_names(visit) - before)
            said = f"Broken off. {_frames(new)} copied and verified; imported again, it goes on from there."
            self._told("stopped", said=said, keep="Leave the card as it is: it still holds frames that are not here.")
        except (UserError, OSError) as problem:
            self._told("failed", said=str(problem), keep="Leave the card as it is.")
        except Exception as problem:
            log.exception("importing")
            said = f"A fault of ours stopped the import ({type(problem).__name__}); what was copied is whole."
            self._told("failed", said=said, keep="Leave the card as it is.")
        else:
            self._told("done", card=card.name or str(card), **_account(done, other))
        if _names(visit) - before:
            after()


def _account(done: Imported, other: Path | None) -> dict[str, Any]:
    """What an import did, in words."""
    said = [f"{_frames(len(done.copied))} copied, read back from the disk and found the same."] if done.copied else []
    if done.already:
        said.append(f"{_frames(len(done.already))} of the card {'was' if len(done.already) == 1 else 'were'} here "
                    "already, the same to the last bit, and not copied again.")  # fmt: skip
    if other is not None:
        said.append(f"A second copy of each lies in {other}.")
    left = [p.name for p in done.left]
    if left:
        more = f" and {len(left) - NAMED} more" if len(left) > NAMED else ""
        said.append(f"Left on the card, as they are no frames: {', '.join(left[:NAMED])}{more}.")
    refused = [f"{path.name}: {reason}" for path, reason in done.refused]
    if refused:
        keep = (f"Keep the card as it is: {_frames(len(refused))} could not be read. Another reader or another cable "
                "may do it; import again then.")  # fmt: skip
    elif left:
        keep = "It is safe to take the card out. Its frames are here; copy the other files before you empty it."
    else:
        keep = "It is safe to take the card out. Every frame on it is here."
    return {"said": " ".join(said), "refused": refused, "keep": keep, "copied": len(done.copied),
            "already": len(done.already), "safe": not refused}  # fmt: skip


def _frames(count: int) -> str:
    return "1 frame" if count == 1 else f"{count} frames"


def _names(visit: VisitFolder) -> set[str]:
    try:
        return {folded(p.name) for p in visit.frames.iterdir() if not p.name.startswith(".")}
    except OSError:
        return set()


def _stat(path: Path) -> tuple[int, float]:
    try:
        found = path.stat()
    except OSError:
        return 0, 0.0
    return found.st_size, found.st_mtime


def _free(folder: Path) -> int | None:
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def _apart(one: Path, other: Path, words: str) -> None:
    """Refuse two folders of which one lies in the other."""
    inside = os.path.commonpath([one, other]) if one.drive == other.drive else ""
    if inside in (str(one), str(other)):
        raise UserError(f"{one}: is part of {words}.")
