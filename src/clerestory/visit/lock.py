"""One process at a time at what only one may do: bring frames in, write pictures, write the film."""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from collections.abc import Iterator
from typing import Literal

from clerestory.errors import UserError
from clerestory.files.store import in_words
from clerestory.visit.folder import VisitFolder

# A process that was killed while it started another lets go only when that one has begun.
WAIT_SECONDS = 5.0
Stage = Literal["import", "finish", "film"]
_DOING: dict[Stage, str] = {"import": "copying frames into it", "finish": "finishing it", "film": "making its film"}


@contextlib.contextmanager
def writing(visit: VisitFolder, stage: Stage = "import") -> Iterator[None]:
    """Hold what a stage writes in a visit; the system lets go when the process ends, however it ends.

    UserError when another process holds it, or the visit's folder cannot be written to.
    """
    path = visit.hidden / f"{stage}.lock"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as problem:
        raise in_words(path, problem) from problem
    try:
        deadline = time.monotonic() + WAIT_SECONDS
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError as problem:
                if time.monotonic() > deadline:
                    raise UserError(f"{visit.root}: another process is {_DOING[stage]}; wait for it to "
                                    "end.") from problem  # fmt: skip
                time.sleep(0.05)
        yield
    finally:
        os.close(handle)
