"""Many machines: pure tasks given to the workers of an existing Dask cluster, which see the same folders."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from contextlib import contextmanager
from typing import Any, TypeVar

from clerestory.errors import UserError
from clerestory.run.isolated import Crew, Outcome, only

Value = TypeVar("Value")
ANSWER_SECONDS = 10
TRIES = 3
_ONE = threading.Lock()
_CREWS: dict[tuple[Callable[..., Any], int], Crew] = {}  # of this worker, kept from task to task


@contextmanager
def executor_at(address: str | None) -> Iterator[Executor | None]:
    """An executor over the Dask cluster whose scheduler has this address; None without an address.

    Work whose worker is lost is given to another one. UserError when the library is missing or nobody answers.
    """
    if address is None:
        yield None
        return
    try:
        from distributed import Client
    except ImportError as problem:
        raise UserError("--scheduler needs the extra 'cluster': pip install 'clerestory[cluster]'.") from problem
    try:
        client = Client(address, timeout=ANSWER_SECONDS, set_as_default=False)
    except (OSError, ValueError, TypeError) as problem:
        raise UserError(
            f"--scheduler {address}: no Dask scheduler answers there; give the address it printed when it was "
            "started, such as tcp://10.0.0.5:8786."
        ) from problem
    with client:
        yield client.get_executor(pure=False, retries=TRIES)


def _alone(function: Callable[..., Value], arguments: tuple[Any, ...], limits: tuple[float, int] | None) -> Value:
    """One task at a time in a worker, however many threads it has: each task takes all its cores by itself."""
    with _ONE:
        if limits is None:
            return function(*arguments)
        # Dask marks its workers as daemons, which may not have children; theirs end with their pipe.
        multiprocessing.current_process()._config["daemon"] = False  # type: ignore[attr-defined]
        seconds, megabytes = limits
        crew = _CREWS.setdefault((function, megabytes), Crew(function, 1, megabytes))
        return only(crew.map([arguments], seconds))


def gathered(
    executor: Executor,
    function: Callable[..., Value],
    tasks: Sequence[tuple[Any, ...]],
    limits: tuple[float, int] | None = None,
) -> Generator[Outcome[Value]]:
    """`function(*task)` for each task by an executor; outcomes as they come, each with its task's index.

    `limits`, seconds and megabytes: each task then runs in a process beside the worker, as of
    `map_isolated`, so that a hostile file costs itself and not the worker.
    """
    futures: dict[Future[Value], int] = {
        executor.submit(_alone, function, task, limits): index for index, task in enumerate(tasks)
    }
    for future in as_completed(futures):
        index = futures[future]
        try:
            yield Outcome(index, future.result())
        except UserError as problem:
            yield Outcome(index, None, str(problem))
        except Exception as problem:
            kind = type(problem).__name__
            if kind == "KilledWorker":
                yield Outcome(index, None, "every worker that took it was lost; it is damaged or too large")
            else:
                yield Outcome(index, None, f"cannot be done ({kind}: {str(problem)[:200]})")
