"""What tests of several rooms need of this computer."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest


@pytest.fixture
def disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 6 MB of its own."""
    if shutil.which("mount") is None:
        pytest.skip("this system has no mount")
    place = tmp_path / "disk"
    place.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=6m", "none", str(place)], capture_output=True)
    if made.returncode:
        assert "CLERESTORY_MOUNT_REQUIRED" not in os.environ, made.stderr
        pytest.skip("mounting a small disk is not allowed here")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)
