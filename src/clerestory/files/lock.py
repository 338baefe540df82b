"""One process at a time at what only one may do."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from clerestory.errors import UserError
from clerestory.files.store import in_words

# A process that was killed while it started another lets go only when that one has begun.
WAIT_SECONDS = 5.0
_POLL_SECONDS = 0.05


@contextlib.contextmanager
def held(path: Path, refusal: str) -> Iterator[None]:
    """Hold the lock file at `path`; the system lets go when the process ends, however it ends.

    The file itself may stay behind; it means nothing. Threads of one process keep each other out as processes do.
    UserError with the words of `refusal` when another one holds it still after WAIT_SECONDS, and with the system's
    reason when the file cannot be made.
    """
    lock = FileLock(path, timeout=WAIT_SECONDS, poll_interval=_POLL_SECONDS, thread_local=False)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout as problem:
        raise UserError(refusal) from problem
    except OSError as problem:
        raise in_words(path, problem) from problem
    try:
        yield
    finally:
        lock.release()
