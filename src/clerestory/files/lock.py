"""One process at a time at what only one may do, and who that is."""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from filelock import FileLock, Timeout

from clerestory.errors import UserError
from clerestory.files.store import in_words

# A process that was killed while it started another lets go only when that one has begun.
WAIT_SECONDS = 5.0
_POLL_SECONDS = 0.05


@dataclass(frozen=True)
class Holder:
    """Who holds a lock: the process, what it does ('finishing it'), and since when (seconds since 1970)."""

    process: int
    doing: str
    since: float

    def __str__(self) -> str:
        began = datetime.fromtimestamp(self.since)
        day = "" if began.date() == datetime.now().date() else f"{began:%Y-%m-%d} "
        return f"process {self.process}, {self.doing} since {day}{began:%H:%M}"


class Taken(UserError):  # noqa: N818 - a state, said in a sentence
    """Another process holds the lock; `holder` where it has said who it is."""

    def __init__(self, words: str, holder: Holder | None) -> None:
        super().__init__(words)
        self.holder = holder


def holder_of(path: Path) -> Holder | None:
    """Who last took the lock file at `path`, as it said itself; None where nothing can be read."""
    try:
        found = json.loads(_note(path).read_text(encoding="utf-8"))
        return Holder(int(found["process"]), str(found["doing"]), float(found["since"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _note(path: Path) -> Path:
    return path.with_suffix(".who.json")


@contextlib.contextmanager
def held(path: Path, doing: str, refusal: str, wait: float | None = None) -> Iterator[None]:
    """Hold the lock file at `path`; the system lets go when the process ends, however it ends.

    The file itself may stay behind; it means nothing. `doing` is noted beside it, with the process and the time, for
    whoever finds it taken. Threads of one process keep each other out as processes do. Raises `Taken`, with the words
    of `refusal` and who holds it, when another one holds it still after `wait` seconds (WAIT_SECONDS when left out);
    UserError with the system's reason when the file cannot be made. To read needs no lock.
    """
    lock = FileLock(
        path, timeout=WAIT_SECONDS if wait is None else wait, poll_interval=_POLL_SECONDS, thread_local=False
    )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as problem:
        holder = holder_of(path)
        raise Taken(f"{refusal} ({holder})." if holder else f"{refusal}.", holder) from problem
    except OSError as problem:
        raise in_words(path, problem) from problem
    try:
        with contextlib.suppress(OSError):  # without the note the lock holds as well
            note = {"process": os.getpid(), "doing": doing, "since": time.time()}
            _note(path).write_text(json.dumps(note), encoding="utf-8")
        yield
    finally:
        with contextlib.suppress(OSError):
            _note(path).unlink()
        lock.release()
