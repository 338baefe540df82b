"""Worker processes: a task that crashes, bloats or hangs costs itself only."""

from __future__ import annotations

import os
import signal
import sys
import time

import pytest

from clerestory.errors import UserError
from clerestory.run.isolated import map_isolated, run_isolated

# On Windows a process that signals itself ends with the signal's number.
CRASH = "exit 11" if sys.platform == "win32" else "SIGSEGV"


def behave(what: str) -> str:
    """A task that does what it is told."""
    if what == "crash":
        os.kill(os.getpid(), signal.SIGSEGV)
    if what == "bloat":
        return str(len(bytearray(1 << 30)))
    if what == "hang":
        time.sleep(60)
    if what == "refuse":
        raise UserError("this one is empty")
    if what == "trip":
        raise KeyError("surprise")
    return what.upper()


def test_each_misdeed_costs_its_own_task() -> None:
    words = ["a", "crash", "b", "hang", "c", "bloat", "d", "refuse", "trip", "e"]
    found = {o.index: o for o in map_isolated(behave, [(w,) for w in words], workers=2, seconds=1, megabytes=400)}
    assert len(found) == len(words)
    assert [found[i].value for i in (0, 2, 4, 6, 9)] == ["A", "B", "C", "D", "E"]
    assert CRASH in found[1].reason
    assert "longer than" in found[3].reason
    if sys.platform == "linux":  # the only one that keeps a process to its share
        assert "400 MB" in found[5].reason
    assert found[7].reason == "this one is empty"
    assert "KeyError" in found[8].reason


def test_one_alone() -> None:
    assert run_isolated(behave, ("x",), seconds=5, megabytes=200) == "X"
    with pytest.raises(UserError, match=CRASH):
        run_isolated(behave, ("crash",), seconds=5, megabytes=200)
