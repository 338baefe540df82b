"""Frames at full size, made in a worker process and kept beside the catalogue."""

from __future__ import annotations

import os
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import LUMINANCE, encode
from clerestory.files.store import write_atomic
from clerestory.finish import source as light
from clerestory.raw.kept import key_of
from clerestory.visit.folder import VisitFolder
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


def frame_at_full_size(path: Path) -> bytes:
    """A frame at full size as JPEG for comparing sharpness: demosaiced, white balanced, nothing else."""
    source = light.read_source(path)
    seen = _plain(source)
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(seen, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not ok:
        raise RuntimeError(f"{path.name} could not be encoded")
    return data.tobytes()


def _plain(source: light.Source) -> NDArray[np.uint8]:
    mosaic = source.mosaic
    multipliers = (mosaic.as_shot or mosaic.daylight or (2.0, 1.0, 1.6)) if mosaic is not None else (1.0, 1.0, 1.0)
    full = light.full_size(source, multipliers, 0.0, "fast", lambda _: None)
    step = max(1, max(full.shape[:2]) // 1000)
    level = np.median(np.maximum(full[::step, ::step] @ LUMINANCE.astype(np.float32), 1e-5))
    full *= np.float32(0.16 / level)
    np.clip(full, 0, 1, out=full)
    return encode(full, "srgb", 8).astype(np.uint8)
