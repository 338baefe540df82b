"""Faults of the pages go to a file: no one who reads the terminal has use for them."""

from __future__ import annotations

import logging
from pathlib import Path

log = logging.getLogger("clerestory.web")


def faults_to(folder: Path) -> logging.Handler:
    """Faults of ours go to a file (beside the visit's catalogue): no one reading the terminal has use for them."""
    folder.mkdir(parents=True, exist_ok=True)
    keep = logging.FileHandler(folder / "faults.log", encoding="utf-8", delay=True)
    keep.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    log.addHandler(keep)
    log.propagate = False
    return keep
