"""Scanned floor plans that are laid under the plan's map: kept with the visit as they are shown."""

from __future__ import annotations

import io
from hashlib import blake2b
from pathlib import Path
from typing import Any

from PIL import Image, ImageOps

from clerestory.errors import UserError
from clerestory.files.store import write_atomic

DRAWING_BYTES = 40_000_000
LONGEST = 2400  # pixels of the longer side of a plan as it is kept
MOST = 200_000_000  # pixels that a picture may have to be opened


def keep_drawing(root: Path, data: bytes) -> dict[str, Any]:
    """Keep a picture of a floor plan as drawings/NAME.jpg in the visit at `root`, named after its content.

    Its `file`, the address `href` that shows it, and its `size` in pixels. UserError where it is no picture.
    """
    try:
        with Image.open(io.BytesIO(data)) as found:
            if found.width * found.height > MOST:
                raise UserError("This picture has too many pixels; scan the plan smaller.")
            found.draft("RGB", (LONGEST, LONGEST))
            picture = ImageOps.exif_transpose(found).convert("RGB")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError) as problem:
        raise UserError(
            "This is no picture that can be read; scan or photograph the plan as JPEG or PNG."
        ) from problem
    picture.thumbnail((LONGEST, LONGEST))
    held = io.BytesIO()
    picture.save(held, "JPEG", quality=85)
    name = f"plan-{blake2b(data, digest_size=6).hexdigest()}.jpg"
    folder = root / "drawings"
    folder.mkdir(exist_ok=True)
    write_atomic(folder / name, held.getvalue())
    return {"file": f"drawings/{name}", "href": f"/kept/drawings/{name}", "size": list(picture.size)}


def drawing_size(root: Path, file: str) -> tuple[int, int] | None:
    """Width and height of a kept plan in pixels; None where it is not there."""
    try:
        with Image.open(root / file) as found:
            return found.size
    except (OSError, ValueError):
        return None
