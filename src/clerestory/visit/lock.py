"""One writer of originals at a time."""

from __future__ import annotations

import contextlib
import fcntl
import os
import time
from collections.abc import Iterator

from clerestory.errors import UserError
from clerestory.visit.folder import VisitFolder

# A process that was killed while it started another lets go only when that one has begun.
WAIT_SECONDS = 5.0


@contextlib.contextmanager
def writing(visit: VisitFolder) -> Iterator[None]:
    """Hold the visit's frames for writing; the system lets go when the process ends, however it ends."""
    handle = os.open(visit.hidden / "import.lock", os.O_RDWR | os.O_CREAT, 0o644)
    try:
        deadline = time.monotonic() + WAIT_SECONDS
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError as problem:
                if time.monotonic() > deadline:
                    raise UserError(f"{visit.root}: another process is copying frames into it; wait for it to "
                                    "end.") from problem  # fmt: skip
                time.sleep(0.05)
        yield
    finally:
        os.close(handle)
