"""The lens database is a help, not a need: the smallest Linux systems lack a library that it wants."""

from __future__ import annotations

import subprocess
import sys

SCRIPT = """
import sys
sys.modules["lensfunpy"] = None  # as where the system lacks GLib: importing it fails
import clerestory.cli
from pathlib import Path
from clerestory.raw.lens import lens_correction
from clerestory.raw.read import FrameInfo, _crop_factor
info = FrameInfo(Path("a.dng"), 600, 400, make="Maker", model="Body", lens="24-70 mm f/2.8", focal_mm=35.0)
print(lens_correction(info).source)
assert _crop_factor("Maker", "Body") is None
"""


def test_without_the_database_all_goes_on_and_says_what_to_install() -> None:
    done = subprocess.run([sys.executable, "-c", SCRIPT], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "install libglib2.0-0" in done.stdout
