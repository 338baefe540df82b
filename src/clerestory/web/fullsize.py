"""Frames at full size, made in a worker process and kept beside the catalogue."""

from __future__ import annotations

import os
from pathlib import Path

from clerestory.files.store import write_atomic
from clerestory.raw.kept import key_of
from clerestory.visit.folder import VisitFolder
from clerestory.web.preview import frame_at_full_size
from clerestory.web.stills import kept_at

KEPT_FULL = 16  # full-size JPEGs kept, some 5 MB each


def full_frame(visit: VisitFolder, path: Path) -> Path:
    """The frame at full size, plainly developed. Runs in a worker process."""
    out = kept_at(visit, "full", key_of(path))
    if not out.exists():
        out.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(out, frame_at_full_size(path))
        _prune(out.parent)
    os.utime(out)
    return out


def _prune(folder: Path) -> None:
    """Keep the last used."""
    files = sorted(folder.glob("*.jpg"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in files[KEPT_FULL:]:
        path.unlink(missing_ok=True)
