"""Writes that leave the old or the new, whatever happens."""

from __future__ import annotations

import hashlib
import os
import random
import subprocess
import sys
import time
from pathlib import Path

import pytest

from clerestory.errors import UserError
from clerestory.files.store import PART, atomic, digest_bytes, digest_of, leftovers, sweep, write_atomic

WRITER = """
import sys
from clerestory.files.store import write_atomic
from pathlib import Path
path = Path(sys.argv[1])
print("ready", flush=True)
n = 0
while True:
    n += 1
    write_atomic(path, (b"%08d" % n) * 40000)
"""


def test_a_kill_leaves_the_old_or_the_new(tmp_path: Path) -> None:
    path = tmp_path / "whole.bin"
    rng = random.Random(4)
    for _ in range(8):
        writer = subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE)
        assert writer.stdout is not None
        writer.stdout.readline()
        time.sleep(rng.uniform(0.02, 0.12))
        writer.kill()
        writer.wait()
        data = path.read_bytes()
        assert len(data) == 320000 and data == data[:8] * 40000
    assert all(p == path or p.name.endswith(PART) for p in tmp_path.iterdir())
    sweep(tmp_path, 0)
    assert list(tmp_path.iterdir()) == [path]


def test_young_leftovers_are_left(tmp_path: Path) -> None:
    (tmp_path / f".a{PART}").write_text("another process is at it", encoding="utf-8")
    old = tmp_path / f".b{PART}"
    old.write_text("from yesterday", encoding="utf-8")
    os.utime(old, (time.time() - 7200,) * 2)
    assert leftovers(tmp_path) == [old]


def test_a_failed_write_leaves_the_old(tmp_path: Path) -> None:
    path = tmp_path / "a"
    write_atomic(path, "old")
    with pytest.raises(ZeroDivisionError), atomic(path) as file:
        file.write(b"half")
        raise ZeroDivisionError
    assert path.read_text(encoding="utf-8") == "old" and list(tmp_path.iterdir()) == [path]


def test_refusals_are_clear_lines(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="folder is gone"):
        write_atomic(tmp_path / "none" / "a", b"")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(UserError, match="is a file, not a folder"):
        write_atomic(tmp_path / "file" / "a", b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="this system has no /dev/full")
def test_a_full_disk_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("clerestory.files.store.os.fsync", full)
    with pytest.raises(UserError, match="disk is full"):
        write_atomic(tmp_path / "a", b"x")
    assert list(tmp_path.iterdir()) == []


def test_digests_are_blake2b(tmp_path: Path) -> None:
    (tmp_path / "abc").write_bytes(b"abc")
    # BLAKE2b-256 of "abc": what `printf abc | b2sum --length 256` prints (GNU coreutils).
    expected = "bddd813c634239723171ef3fee98579b94964e3bb1cb3e427262c8c068d52319"
    assert digest_bytes(b"abc") == digest_of(tmp_path / "abc") == expected
    # RFC 7693, appendix A, fixes the function itself at its full length.
    assert hashlib.blake2b(b"abc").hexdigest().startswith("ba80a53f981c4d0d6a2797b69f12f6e9")
