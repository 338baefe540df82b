"""Small and large stills for the pages, made when first asked for and kept beside the catalogue."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
from pathlib import Path
from typing import Any

from PIL import Image

from clerestory.errors import UserError
from clerestory.finish.folder import Job, finish_view
from clerestory.frames.kept import inspect_kept, key_of
from clerestory.visit.folder import VisitFolder
from clerestory.visit.store import write_atomic
from clerestory.web.preview import frame_at_full_size

KEPT_FULL = 16  # full-size JPEGs kept, some 5 MB each


def _kept(visit: VisitFolder, kind: str, key: str) -> Path:
    return visit.hidden / "previews" / kind / f"{key}.jpg"


def thumbnail(visit: VisitFolder, path: Path) -> Path:
    """The frame's small picture as a JPEG file; taken from what sorting saw of it."""
    out = _kept(visit, "small", key_of(path))
    if not out.exists():
        seen = inspect_kept(path, visit.looks)
        data = io.BytesIO()
        Image.fromarray(seen.thumbnail).save(data, "JPEG", quality=86)
        out.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(out, data.getvalue())
    return out


def small_picture(visit: VisitFolder, path: Path) -> Path:
    """A finished picture at 480 pixels as a JPEG file."""
    out = _kept(visit, "shown", key_of(path))
    if not out.exists():
        data = io.BytesIO()
        try:
            with Image.open(path) as image:
                image.draft("RGB", (480, 480))
                image.thumbnail((480, 480))
                image.convert("RGB").save(data, "JPEG", quality=86)
        except (OSError, ValueError) as problem:
            raise UserError(f"{path.name} cannot be shown ({problem}).") from problem
        out.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(out, data.getvalue())
    return out


def full_frame(visit: VisitFolder, path: Path) -> Path:
    """The frame at full size, plainly developed. Runs in a worker process."""
    out = _kept(visit, "full", key_of(path))
    if not out.exists():
        out.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(out, frame_at_full_size(path))
        _prune(out.parent)
    os.utime(out)
    return out


def full_picture(visit: VisitFolder, job: Job) -> Path:
    """The picture at full size exactly as it would be written. Runs in a worker process."""
    key = hashlib.blake2b(job.key().encode(), digest_size=12).hexdigest()
    out = _kept(visit, "finished", key)
    if not out.exists():
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = Job(job.view, job.recipe, job.order, out.parent / key, out.parent / key / "account.json", job.caption)
        aside.pictures.mkdir(exist_ok=True)
        account: dict[str, Any] = finish_view(aside)
        name = next(iter(account["shapes"].values()))["files"][0]["name"]
        (aside.pictures / name).replace(out)
        _clear(aside.pictures)
        _prune(out.parent)
    os.utime(out)
    return out


def _clear(folder: Path) -> None:
    for at, folders, files in os.walk(folder, topdown=False):
        for name in files:
            (Path(at) / name).unlink(missing_ok=True)
        for name in folders:
            with contextlib.suppress(OSError):
                (Path(at) / name).rmdir()
    with contextlib.suppress(OSError):
        folder.rmdir()


def _prune(folder: Path) -> None:
    """Keep the last used."""
    files = sorted(folder.glob("*.jpg"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in files[KEPT_FULL:]:
        path.unlink(missing_ok=True)


def account_of(visit: VisitFolder, view: str) -> dict[str, Any]:
    """What is recorded of a finished view; nothing when it is not finished."""
    with contextlib.suppress(OSError, ValueError):
        found = json.loads((visit.hidden / "accounts" / f"{view}.json").read_text(encoding="utf-8"))
        if isinstance(found, dict):
            return found
    return {}
