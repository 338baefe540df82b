"""A compiled loop over rows, dealt out to the processor's cores in bands; and whole steps side by side.

Kernels are plain loops over `first` to `last` that let go of Python's lock (`nogil`), not numba's own parallel loops:
those take three to five times as long to compile, and a photographer's first picture waits for it.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from functools import cache
from itertools import pairwise
from typing import Any, TypeVar

Item = TypeVar("Item")
Value = TypeVar("Value")
BANDS = 4
"""Bands to a core, so that a core which ends early finds more to do. Common practice, no source."""


def cores() -> int:
    """Processor cores that this process may use, at least 1."""
    if sys.platform == "linux":
        return max(1, len(os.sched_getaffinity(0)))
    return max(1, os.cpu_count() or 1)


@cache
def _threads() -> ThreadPoolExecutor:
    return ThreadPoolExecutor(cores(), thread_name_prefix="rows")


def in_bands(kernel: Callable[..., Any], first: int, last: int, *given: Any, least: int = 16) -> None:
    """`kernel(a, b, *given)` for bands a to b that together cover `first` to `last`, side by side in threads.

    The kernel writes into arrays it is given, each row by itself, so that the bands
    make no difference to what comes out.
    `least`: rows below which a band is not worth a thread. What a band raises is raised here.
    """
    count = last - first
    if count <= 0:
        return
    bands = min(BANDS * cores(), count // max(least, 1))
    if bands <= 1 or cores() == 1:
        kernel(first, last, *given)
        return
    edges = [first + count * k // bands for k in range(bands + 1)]
    running = [_threads().submit(kernel, a, b, *given) for a, b in pairwise(edges)]
    for one in running:
        one.result()


def side_by_side(step: Callable[[Item], Value], items: Sequence[Item]) -> Iterator[Value]:
    """`step(item)` for each item, as many at once as there are cores; values in the items' order as they come.

    For steps that spend most of their time without Python's lock: in OpenCV, or in kernels of `in_bands`, which these
    threads may use. What a step raises is raised here, and no further step is begun then.
    """
    hands = min(cores(), len(items))
    if hands <= 1:
        yield from map(step, items)
        return
    with ThreadPoolExecutor(hands, thread_name_prefix="steps") as threads:
        running = [threads.submit(step, item) for item in items]
        try:
            for one in running:
                yield one.result()
        finally:
            threads.shutdown(cancel_futures=True)


def both(one: Callable[[], Value], other: Callable[[], Item]) -> tuple[Value, Item]:
    """What two steps give, taken at once where there are cores for it; for steps as of `side_by_side`."""
    if cores() == 1:
        return one(), other()
    with ThreadPoolExecutor(1, thread_name_prefix="steps") as thread:
        running = thread.submit(other)
        return one(), running.result()


def one_ahead(step: Callable[[Item], Value], items: Iterable[Item]) -> Iterator[Value]:
    """`step(item)` for each item in order, each begun while the caller is busy with the value before it.

    So one value more than the caller's lies in memory. Where there is but one core none is begun ahead.
    """
    if cores() == 1:
        yield from map(step, items)
        return
    with ThreadPoolExecutor(1, thread_name_prefix="ahead") as thread:
        coming: Future[Value] | None = None
        for item in items:
            begun = thread.submit(step, item)
            if coming is not None:
                yield coming.result()
            coming = begun
        if coming is not None:
            yield coming.result()
