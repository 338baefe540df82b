"""Decoding strangers' files in worker processes, so that a hostile one costs one file and not the run.

A worker that crashes, overruns its time or asks for more memory than its share (Linux) is ended and replaced; what
it was working on is reported as failed with the reason in words, and the rest goes on. A worker starts by importing
what its function needs, which takes a second or two, and then does task after task.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from multiprocessing.connection import wait
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from clerestory.errors import UserError
from clerestory.run import system

if TYPE_CHECKING:
    from clerestory.run.system import Pipe

Value = TypeVar("Value")
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


def _work(pipe: Pipe, function: Callable[..., Any], megabytes: int, threads: int) -> None:
    """A worker's life: take arguments, send back (value, reason), until the pipe closes."""
    system.leave_interrupt_to_parent()
    import cv2

    cv2.setNumThreads(threads)
    system.hush()  # the reason goes back through the pipe
    system.leave_no_core()
    system.limit_memory(megabytes)
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
        self.pipe, theirs = system.SPAWN.Pipe()
        self.process = system.SPAWN.Process(target=_work, args=(theirs, function, megabytes, threads), daemon=True)
        self.process.start()
        theirs.close()
        self.index = -1
        self.deadline = 0.0

    def begun(self) -> bool:
        """Wait until it is ready for its first task; False when it never will be."""
        return self.pipe.poll(_START_SECONDS) and self.take() is not None

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
    if crash := system.crash_of(code):
        return f"the decoder crashed ({crash}); the file is damaged"
    return f"the decoder stopped (exit {code}); the file is damaged"


class Crew:
    """Worker processes for one function, begun when first needed and kept from task to task until `close`."""

    def __init__(self, function: Callable[..., Value], workers: int = 2, megabytes: int = 2048) -> None:
        """`megabytes` beyond what the program itself takes, for each task."""
        self._function, self._workers, self._megabytes = function, workers, megabytes
        self._idle: list[_Worker] = []

    def __enter__(self) -> Crew:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the workers."""
        while self._idle:
            self._idle.pop().end(2.0)

    def _begin(self, count: int) -> None:
        """So many more idle workers, which load what they need side by side."""
        threads = max(1, (os.cpu_count() or 1) // self._workers)
        begun = [_Worker(self._function, self._megabytes, threads) for _ in range(count)]
        try:
            if not all([worker.begun() for worker in begun]):
                raise UserError(
                    "A worker process could not be started: the machine may be out of memory, or the script that "
                    "asks does not begin under: if __name__ == '__main__'."
                )
        except BaseException:
            for worker in begun:
                worker.end()
            raise
        self._idle += begun

    def _next(self) -> _Worker:
        """An idle worker that is alive."""
        while self._idle:
            worker = self._idle.pop()
            if worker.process.is_alive():
                return worker
            worker.end()
        self._begin(1)
        return self._idle.pop()

    def map(self, tasks: Iterable[tuple[Any, ...]], seconds: float = 60.0) -> Iterator[Outcome[Any]]:
        """The function on each task's arguments; outcomes as they come, each with its task's index.

        `seconds` are for each task. One call at a time.
        """
        numbered = enumerate(tasks)
        first = list(itertools.islice(numbered, self._workers))
        self._begin(max(0, len(first) - len(self._idle)))
        pending = itertools.chain(first, numbered)
        busy: list[_Worker] = []
        try:
            while True:
                while len(busy) < self._workers and (task := next(pending, None)) is not None:
                    worker = self._next()
                    busy.append(worker)
                    worker.give(*task, seconds)
                if not busy:
                    return
                nearest = min(w.deadline for w in busy) - time.monotonic()
                ready = wait([w.pipe for w in busy], timeout=max(0.0, nearest))
                for worker in [w for w in busy if w.pipe in ready]:
                    busy.remove(worker)
                    yield self._heard(worker)
                now = time.monotonic()
                for worker in [w for w in busy if w.deadline <= now]:
                    busy.remove(worker)
                    worker.end()
                    late = f"took longer than {seconds:.0f} s to read; the file is damaged"
                    yield Outcome(worker.index, None, late)
        finally:
            for worker in busy:
                worker.end()

    def _heard(self, worker: _Worker) -> Outcome[Any]:
        """What a worker that is done, or dead, has to say."""
        answer = worker.take()
        if answer is None:
            return Outcome(worker.index, None, _cause(worker.end()))
        self._idle.append(worker)
        return Outcome(worker.index, *answer)


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
    with Crew(function, workers, megabytes) as crew:
        yield from crew.map(tasks, seconds)


def run_isolated(
    function: Callable[..., Value], args: tuple[Any, ...], seconds: float = 60.0, megabytes: int = 2048
) -> Value:
    """`function(*args)` in a process of its own; UserError with the reason when it crashes, bloats or hangs."""
    with Crew(function, 1, megabytes) as crew:
        return only(crew.map([args], seconds))


def only(outcomes: Iterable[Outcome[Value]]) -> Value:
    """The value of the only outcome; UserError with its reason when there is none."""
    (outcome,) = outcomes
    if not outcome.ok:
        raise UserError(outcome.reason)
    return outcome.value  # type: ignore[return-value]
