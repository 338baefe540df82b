"""Small stills for the pages, made when first asked for and kept beside the catalogue."""

from __future__ import annotations

import io
from pathlib import Path

from PIL import Image

from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.raw.kept import inspect_kept, key_of
from clerestory.visit.folder import VisitFolder


def kept_at(visit: VisitFolder, kind: str, key: str) -> Path:
    """Where a still of a kind is kept."""
    return visit.hidden / "previews" / kind / f"{key}.jpg"


def thumbnail(visit: VisitFolder, path: Path) -> Path:
    """The frame's small picture as a JPEG file; taken from what sorting saw of it."""
    out = kept_at(visit, "small", key_of(path))
    if not out.exists():
        seen = inspect_kept(path, visit.looks)
        data = io.BytesIO()
        Image.fromarray(seen.thumbnail).save(data, "JPEG", quality=86)
        out.parent.mkdir(parents=True, exist_ok=True)
        write_atomic(out, data.getvalue())
    return out


def small_picture(visit: VisitFolder, path: Path) -> Path:
    """A finished picture at 480 pixels as a JPEG file."""
    out = kept_at(visit, "shown", key_of(path))
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
