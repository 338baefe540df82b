"""Locks: one at a time, and gone with the process that held them."""

from __future__ import annotations

import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from clerestory.errors import UserError
from clerestory.files import lock

HOLDER = """
import sys, time
from pathlib import Path
from clerestory.files.lock import held
with held(Path(sys.argv[1]), "busy", "somebody else has it"):
    print("held", flush=True)
    time.sleep(60)
"""


def test_a_lock_goes_with_the_process_that_held_it(tmp_path: Path) -> None:
    path = tmp_path / "folder" / "finish.lock"
    holder = subprocess.Popen([sys.executable, "-c", HOLDER, str(path)], stdout=subprocess.PIPE)
    assert holder.stdout is not None and holder.stdout.readline().strip() == b"held"
    refused = pytest.raises(lock.Taken, match=rf"else has it \(process {holder.pid}, busy since \d\d:\d\d\)")
    with refused, lock.held(path, "me", "somebody else has it", wait=0.1):
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    with lock.held(path, "busy", "somebody else has it"):
        pass


def test_threads_keep_each_other_out(tmp_path: Path) -> None:
    inside = 0

    def enter(_: int) -> int:
        nonlocal inside
        with lock.held(tmp_path / "a.lock", "busy", "taken"):
            inside += 1
            seen = inside
            inside -= 1
        return seen

    with ThreadPoolExecutor(4) as pool:
        assert list(pool.map(enter, range(12))) == [1] * 12


def test_where_no_lock_can_be_made_it_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    with (
        pytest.raises(UserError, match="cannot be written"),
        lock.held(tmp_path / "file" / "a.lock", "busy", "taken"),
    ):
        pass
