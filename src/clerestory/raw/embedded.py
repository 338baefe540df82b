"""The small picture that a camera puts into a raw file, for looking at a card before anything is copied."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import rawpy
from PIL import Image, ImageOps

from clerestory.errors import UserError
from clerestory.raw.inspect import inspect_file
from clerestory.raw.suffixes import RENDERED_SUFFIXES


def embedded_picture(path: Path, longest: int = 320) -> bytes:
    """A frame small and upright, as a JPEG of at most `longest` pixels: the camera's own preview where the file has
    one, else made from the mosaic. UserError where neither can be had."""
    image = _camera_own(path)
    if image is None:
        image = Image.fromarray(inspect_file(path).thumbnail)
    out = io.BytesIO()
    try:
        image.draft("RGB", (2 * longest, 2 * longest))
        small = ImageOps.exif_transpose(image)
        small.thumbnail((longest, longest))
        small.convert("RGB").save(out, "JPEG", quality=82)
    except (OSError, ValueError, SyntaxError) as problem:
        raise UserError(f"{path.name} cannot be shown ({problem}).") from problem
    return out.getvalue()


def _camera_own(path: Path) -> Image.Image | None:
    try:
        if path.suffix.lower() in RENDERED_SUFFIXES:
            return Image.open(path)
        with rawpy.imread(str(path)) as raw:
            found = raw.extract_thumb()
        if found.format == rawpy.ThumbFormat.JPEG:
            return Image.open(io.BytesIO(found.data))
        return Image.fromarray(np.asarray(found.data, np.uint8))
    except (rawpy.LibRawError, rawpy.NotSupportedError, OSError, ValueError, TypeError, Image.DecompressionBombError):
        return None
