"""Proofs as the pages ask for them: the latest wins; a process of their own, so that no merge stands in the way."""

from __future__ import annotations

import threading
from collections.abc import Callable
from concurrent.futures import CancelledError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from clerestory.errors import UserError
from clerestory.run.pool import pool_of_one
from clerestory.visit.folder import VisitFolder

if TYPE_CHECKING:
    from clerestory.finish.job import Job
    from clerestory.finish.source import Source


@dataclass(frozen=True)
class Asked:
    """What came of asking for a proof: its key and size (width, height) where it is made; "overtaken": another was
    asked for meanwhile; "unmerged": the view's frames are not put together yet."""

    state: Literal["made", "overtaken", "unmerged"]
    key: str = ""
    size: tuple[int, int] = (0, 0)


class Proofs:
    """The proofs of one visit."""

    def __init__(self, visit: VisitFolder) -> None:
        self.visit = visit
        self._pool: ProcessPoolExecutor | None = None
        self._lock = threading.Lock()
        self._turn = threading.Lock()
        self._latest = 0

    def ask(self, job: Job, source: Callable[[], Source | None]) -> Asked:
        """A job's proof, made where it is not kept. `source`: gives the light of a view of several frames once it is
        put together; None until then."""
        from clerestory.web.proof import SourceWanted, hold, kept_at, key_of, prove, size_of

        with self._lock:
            self._latest += 1
            mine = self._latest
        with self._turn:
            if mine != self._latest:
                return Asked("overtaken")
            key = key_of(job)
            if not kept_at(self.visit, key).exists():
                try:
                    self._run(prove, self.visit, job, None)
                except SourceWanted:
                    held = source()
                    if held is None:
                        return Asked("unmerged")
                    self._run(prove, self.visit, job, held)
            elif self._pool is None:
                self._begin().submit(hold, job)  # the next change then finds the view developed
            return Asked("made", key, size_of(kept_at(self.visit, key)))

    def tile(self, key: str, level: int, column: int, row: int) -> bytes:
        """A part of a proof as PNG."""
        from clerestory.web.proof import tile

        return tile(self.kept(key), level, column, row)

    def fitted(self, key: str, width: int, height: int) -> bytes:
        """A proof reduced to a size, as PNG."""
        from clerestory.web.proof import fitted

        return fitted(self.kept(key), width, height)

    def kept(self, key: str) -> Path:
        """Where a proof that a page asks for is kept; UserError for what is no key."""
        from clerestory.web.proof import kept_at

        if not key.isalnum():
            raise UserError("There is no such picture.")
        return kept_at(self.visit, key)

    def _begin(self) -> ProcessPoolExecutor:
        with self._lock:
            if self._pool is None:
                self._pool = pool_of_one()
            return self._pool

    def _run(self, work: Callable[..., Any], *args: Any) -> Any:
        pool = self._begin()
        try:
            return pool.submit(work, *args).result()
        except (BrokenProcessPool, CancelledError) as problem:
            with self._lock:
                if self._pool is pool:
                    self._pool = None
            raise UserError("The process that makes the picture at full size died (out of memory?); "
                            "change a control to try again.") from problem  # fmt: skip

    def close(self) -> None:
        """End the process."""
        with self._lock:
            pool, self._pool = self._pool, None
        if pool is not None:
            for process in list((pool._processes or {}).values()):
                process.kill()
            pool.shutdown(wait=False, cancel_futures=True)
