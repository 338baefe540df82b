"""Frames and pictures at full size, made in a worker process and kept beside the catalogue."""

from __future__ import annotations

import hashlib
import os
import shutil
from pathlib import Path
from typing import Any

from clerestory.files.store import replace, write_atomic
from clerestory.finish.job import Job, finish_view
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


def full_picture(visit: VisitFolder, job: Job) -> Path:
    """The picture at full size exactly as it would be written. Runs in a worker process."""
    key = hashlib.blake2b(job.key().encode(), digest_size=12).hexdigest()
    out = kept_at(visit, "finished", key)
    if not out.exists():
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Job(job.view, job.recipe, job.order, out.parent / key, out.parent / key / "account.json", job.about)
        aside.pictures.mkdir(exist_ok=True)
        account: dict[str, Any] = finish_view(aside)
        name = next(iter(account["aspects"].values()))["files"][0]["name"]
        replace(aside.pictures / name, out)
        shutil.rmtree(aside.pictures, ignore_errors=True)
        _prune(out.parent)
    os.utime(out)
    return out


def _prune(folder: Path) -> None:
    """Keep the last used."""
    files = sorted(folder.glob("*.jpg"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in files[KEPT_FULL:]:
        path.unlink(missing_ok=True)
