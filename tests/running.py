"""The command line, run in the tests' own process; a disk made full for a while."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from clerestory import cli


def run(*arguments: str) -> int:
    """The exit status of `clerestory` with these arguments."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("sys.argv", ["clerestory", *arguments])
        try:
            cli.main()
        except SystemExit as end:
            return int(end.code or 0)
    return 0


@contextlib.contextmanager
def filled(disk: Path, leave: int) -> Iterator[None]:
    """The disk full but for `leave` bytes."""
    filler = disk / "filler"
    free = shutil.disk_usage(disk).free
    filler.write_bytes(bytes(max(0, free - leave)))
    try:
        yield
    finally:
        filler.unlink()
