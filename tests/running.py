"""The command line, run in the tests' own process."""

from __future__ import annotations

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
