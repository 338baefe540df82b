"""A pool: a worker that dies costs its own task, after a second try."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import subprocess
import sys
import time
from pathlib import Path

import psutil
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


LONE_WORKER = """
import os, sys, time
from clerestory.run.pool import pool_of_one
if __name__ == "__main__":
    pool = pool_of_one()
    print(pool.submit(os.getpid).result(), flush=True)
    time.sleep(60)
"""


@pytest.mark.skipif(os.name == "nt", reason="needs signals that cannot be refused")
def test_a_worker_that_stays_does_not_outlive_a_program_that_was_killed(tmp_path: Path) -> None:
    program = tmp_path / "lone.py"
    program.write_text(LONE_WORKER)
    with subprocess.Popen([sys.executable, program], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        worker = int(parent.stdout.readline())
        parent.kill()
    patience = time.monotonic() + 20
    while time.monotonic() < patience and _lives(worker):
        time.sleep(0.05)
    assert not _lives(worker)


def _lives(process: int) -> bool:
    """Whether a process runs; one that nobody has waited for yet (a zombie) does not."""
    return psutil.pid_exists(process) and psutil.Process(process).status() != psutil.STATUS_ZOMBIE
