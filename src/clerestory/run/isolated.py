"""Decoding strangers' files in worker processes, so that a hostile one costs one file and not the run.

A worker that crashes, overruns its time or asks for more memory than its share is ended and replaced; what it was
working on is reported as failed with the reason in words, and the rest goes on.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import resource
import signal
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any, Generic, TypeVar

from clerestory.errors import UserError

Value = TypeVar("Value")
_PRELOAD = ["clerestory.raw.kept"]
_START_SECONDS = 120.0


@dataclass(frozen=True)
class Outcome(Generic[Value]):
    """What became of one task: `value`, or None and the `reason` in words."""

    index: int
    value: Value | None
    reason: str = ""

    @property
    def ok(self) -> bool:
        """Whether the task came to its end."""
        return not self.reason


def _limit_memory(megabytes: int) -> None:
    """Allow this process `megabytes` beyond the address space it has already taken."""
    taken = 0
    with contextlib.suppress(OSError, ValueError, IndexError):
        taken = int(Path("/proc/self/statm").read_text().split()[0]) * os.sysconf("SC_PAGE_SIZE")
    limit = taken + (megabytes << 20)
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    if hard == resource.RLIM_INFINITY or limit < hard:
        resource.setrlimit(resource.RLIMIT_AS, (limit, limit))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _work(pipe: Connection, function: Callable[..., Any], megabytes: int, threads: int) -> None:
    """A worker's life: take arguments, send back (value, reason), until the pipe closes."""
    import cv2

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent ends its workers on Ctrl-C
    cv2.setNumThreads(threads)
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 2)  # decoders complain on stderr; the reason goes back through the pipe
    _limit_memory(megabytes)
    pipe.send("ready")
    while True:
        try:
            arguments = pipe.recv()
        except (EOFError, OSError):
            return
        try:
            answer: tuple[Any, str] = (function(*arguments), "")
        except UserError as problem:
            answer = (None, str(problem))
        except MemoryError:
            answer = (None, f"needs more than the {megabytes} MB allowed for one file; it is damaged or too large")
        except Exception as problem:
            answer = (None, f"cannot be read ({type(problem).__name__}: {str(problem)[:200]})")
        try:
            pipe.send(answer)
        except (BrokenPipeError, OSError):
            return
        except Exception as problem:
            pipe.send((None, f"gave a result that cannot be passed on ({type(problem).__name__})"))


class _Worker:
    """One worker process, its pipe, and the task it has in hand."""

    def __init__(self, function: Callable[..., Any], megabytes: int, threads: int) -> None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(_PRELOAD)
        self.pipe, theirs = context.Pipe()
        self.process = context.Process(target=_work, args=(theirs, function, megabytes, threads), daemon=True)
        self.process.start()
        theirs.close()
        if not self.pipe.poll(_START_SECONDS) or self.take() is None:
            self.end()
            raise UserError("A worker process could not be started; the machine may be out of memory.")
        self.index: int | None = None
        self.deadline = 0.0

    def give(self, index: int, arguments: tuple[Any, ...], seconds: float) -> None:
        self.index = index
        self.deadline = time.monotonic() + seconds
        with contextlib.suppress(BrokenPipeError, OSError):  # a dead worker is noticed when it is read
            self.pipe.send(arguments)

    def take(self) -> tuple[Any, str] | None:
        """The answer, or None when the worker died."""
        try:
            answer: tuple[Any, str] = self.pipe.recv()
        except (EOFError, OSError):
            return None
        return answer

    def end(self, patience: float = 0.0) -> int | None:
        """Stop it, after as many seconds in which it may end by itself, as an idle one does; its exit code."""
        self.pipe.close()
        if patience:
            self.process.join(patience)
        if self.process.is_alive():
            self.process.kill()
        self.process.join(5)
        return self.process.exitcode


def _cause(code: int | None) -> str:
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return f"the decoder crashed ({signal.Signals(-code).name}); the file is damaged"
    return f"the decoder stopped (exit {code}); the file is damaged"


def map_isolated(
    function: Callable[..., Value],
    tasks: Iterable[tuple[Any, ...]],
    workers: int = 2,
    seconds: float = 60.0,
    megabytes: int = 2048,
) -> Iterator[Outcome[Value]]:
    """`function(*task)` for each task in worker processes; outcomes as they come, each with its task's index.

    `function` must be importable by name and its arguments and value picklable. `seconds` and `megabytes` (beyond
    what the program itself takes) are for each task.
    """
    pending = enumerate(tasks)
    threads = max(1, (os.cpu_count() or 1) // workers)
    idle: list[_Worker] = []
    busy: dict[Connection, _Worker] = {}
    try:
        while True:
            while len(busy) < workers and (task := next(pending, None)) is not None:
                worker = idle.pop() if idle else _Worker(function, megabytes, threads)
                worker.give(task[0], task[1], seconds)
                busy[worker.pipe] = worker
            if not busy:
                return
            nearest = min(w.deadline for w in busy.values()) - time.monotonic()
            for pipe in wait(list(busy), timeout=max(0.0, nearest)):
                assert isinstance(pipe, Connection)
                worker = busy.pop(pipe)
                assert worker.index is not None
                index, answer = worker.index, worker.take()
                if answer is None:
                    yield Outcome(index, None, _cause(worker.end()))
                else:
                    idle.append(worker)
                    yield Outcome(index, *answer)
            now = time.monotonic()
            for pipe, worker in [(p, w) for p, w in busy.items() if w.deadline <= now]:
                del busy[pipe]
                worker.end()
                assert worker.index is not None
                yield Outcome(worker.index, None, f"took longer than {seconds:.0f} s to read; the file is damaged")
    finally:
        for worker in busy.values():
            worker.end()
        for worker in idle:
            worker.end(2.0)


def run_isolated(
    function: Callable[..., Value], args: tuple[Any, ...], seconds: float = 60.0, megabytes: int = 2048
) -> Value:
    """`function(*args)` in a process of its own; UserError with the reason when it crashes, bloats or hangs."""
    (outcome,) = map_isolated(function, [args], 1, seconds, megabytes)
    if not outcome.ok:
        raise UserError(outcome.reason)
    return outcome.value  # type: ignore[return-value]
