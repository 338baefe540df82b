"""A pool: a worker that dies costs its own task, after a second try."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import time
from pathlib import Path

import pytest

from clerestory.errors import UserError
from clerestory.run.pool import beside, default_workers, map_pool


def behave(what: str, folder: Path) -> str:
    """A task that does what it is told."""
    if what == "die":
        os._exit(9)
    if what == "die once" and not (folder / "died").exists():
        (folder / "died").touch()
        os._exit(9)
    if what == "refuse":
        raise UserError("not this one")
    if what == "trip":
        raise KeyError("a fault")
    if what == "linger":
        time.sleep(60)
    return what.upper()


def test_a_death_costs_its_own_task_and_only_the_second_time(tmp_path: Path) -> None:
    for words, dead in ((["a", "die", "b", "refuse", "c", "d"], 1), (["a", "die once", "b", "refuse", "c"], None)):
        found = {o.index: o for o in map_pool(behave, [(w, tmp_path) for w in words], 2)}
        for index, word in enumerate(words):
            refused = "not this one" if word == "refuse" else "also when it ran alone" if index == dead else ""
            assert found[index].value == (None if refused else word.upper()) and refused in found[index].reason


def test_a_fault_ends_the_run_and_leaves_no_worker(tmp_path: Path) -> None:
    with pytest.raises(KeyError, match="a fault"):
        list(map_pool(behave, [("trip", tmp_path), ("linger", tmp_path)], 2))
    assert multiprocessing.active_children() == []


def test_a_run_closed_early_leaves_no_worker(tmp_path: Path) -> None:
    outcomes = map_pool(behave, [("a", tmp_path), ("linger", tmp_path), ("b", tmp_path)], 2)
    with contextlib.closing(outcomes):
        assert next(outcomes).value in ("A", "B")
    assert multiprocessing.active_children() == []


def test_no_tasks_need_no_workers() -> None:
    assert list(map_pool(behave, [], 2)) == [] and default_workers(1) == 1


def test_what_is_done_beside_ends_with_the_caller_and_tells_whether_all_of_it_came_to_its_end(tmp_path: Path) -> None:
    with beside(behave, [("die once", tmp_path)], 1) as died:
        pass
    with beside(behave, [("a", tmp_path), ("b", tmp_path)], 1) as well:
        pass
    assert well() and not died()
    began = time.monotonic()
    with pytest.raises(ValueError, match="enough"), beside(behave, [("linger", tmp_path)], 1):
        raise ValueError("enough")
    assert time.monotonic() - began < 30 and not multiprocessing.active_children()
