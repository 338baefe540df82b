"""Heavy work of our own in worker processes: one that dies costs its own task, and that only at the second time."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import threading
from collections import deque
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

from clerestory.errors import UserError
from clerestory.run import system
from clerestory.run.isolated import Outcome

Value = TypeVar("Value")


def default_workers(most: int) -> int:
    """As many as there are cores, at most `most`."""
    return max(1, min(most, os.cpu_count() or 1))


def map_pool(
    function: Callable[..., Value], tasks: Sequence[tuple[Any, ...]], workers: int
) -> Generator[Outcome[Value]]:
    """`function(*task)` for each task in worker processes; outcomes as they come, each with its task's index.

    `function` must be importable by name and its arguments and value picklable. A UserError that it raises is the
    task's reason; anything else it raises is a fault and ends the run. Tasks under way when a worker dies are tried
    once more, each alone, so that a second death tells whose it is. However the run ends, also when the caller closes
    it early, no worker is left at work.
    """
    waiting, suspects = deque(range(len(tasks))), deque[int]()
    while waiting or suspects:
        queue, hands = (suspects, 1) if suspects else (waiting, workers)
        again = queue is suspects
        executor = ProcessPoolExecutor(hands, system.SPAWN, initializer=_begin)
        running: dict[Future[Value], int] = {}
        try:
            broken = yield from _drain(executor, function, tasks, queue, running, hands)
            executor.shutdown(wait=not broken, cancel_futures=True)
            if again:
                for index in running.values():
                    reason = "the process doing it died, also when it ran alone (out of memory, or a damaged file)"
                    yield Outcome(index, None, reason)
            else:
                suspects.extend(running.values())
        except BaseException:
            _kill(executor)
            raise


@contextlib.contextmanager
def beside(
    function: Callable[..., object], tasks: Sequence[tuple[Any, ...]], workers: int
) -> Iterator[Callable[[], bool]]:
    """Do tasks in worker processes while the caller does something else; waits for them at the end.

    What is yielded tells, after the end, whether all of them came to theirs. No worker is left when the caller fails.
    """
    executor = ProcessPoolExecutor(workers, system.SPAWN, initializer=_begin)
    futures: list[Future[object]] = []
    try:
        futures = [executor.submit(function, *task) for task in tasks]
        yield lambda: all(f.done() and not f.cancelled() and f.exception() is None for f in futures)
        wait(futures)
    except BaseException:
        _kill(executor)
        raise
    executor.shutdown()


def pool_of_one() -> ProcessPoolExecutor:
    """One worker that stays for more than one task, and ends when this process does, however that ends; it lets
    others go first (system.BEHIND)."""
    return ProcessPoolExecutor(1, system.SPAWN, _begin_behind)


def _drain(
    executor: ProcessPoolExecutor,
    function: Callable[..., Value],
    tasks: Sequence[tuple[Any, ...]],
    queue: deque[int],
    running: dict[Future[Value], int],
    hands: int,
) -> Generator[Outcome[Value], None, bool]:
    """Run tasks until none is left or the pool breaks (True); what was under way then stays in `running`."""
    while queue or running:
        while queue and len(running) < hands:
            index = queue.popleft()
            running[executor.submit(function, *tasks[index])] = index
        finished, _ = wait(running, return_when=FIRST_COMPLETED)
        for future in finished:
            try:
                outcome = Outcome(running[future], future.result())
            except BrokenProcessPool:
                return True
            except UserError as problem:
                outcome = Outcome(running[future], None, str(problem))
            del running[future]
            yield outcome
    return False


def _begin() -> None:
    """A worker leaves Ctrl-C to its parent, and ends with it, lest it write while the next run does, or stay."""
    system.leave_interrupt_to_parent()
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _begin_behind() -> None:
    system.let_others_first()
    _begin()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _kill(executor: ProcessPoolExecutor) -> None:
    processes = list((executor._processes or {}).values())
    for process in processes:
        process.kill()
    for process in processes:
        process.join()
    executor.shutdown(wait=True, cancel_futures=True)  # its own thread, too, waits for the processes to be gone
