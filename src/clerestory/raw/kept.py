"""What was seen of a frame, kept in a file, so that the next sorting need not look again."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
from dataclasses import asdict, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zipfile import BadZipFile

import numpy as np

from clerestory import __version__
from clerestory.camera.lens import Distortion
from clerestory.files.store import write_atomic
from clerestory.raw.clipping import Clipping
from clerestory.raw.inspect import Inspection, inspect_file
from clerestory.raw.read import FrameInfo

FORM = 4  # raise when Inspection, or the way its figures are made, changes


def key_of(path: Path) -> str:
    """Digest of a file's name, size and time of change, and of this program's version: what a look depends on."""
    stat = path.stat()
    text = f"{FORM} {__version__} {path.name!r} {stat.st_size} {stat.st_mtime_ns}"
    return hashlib.blake2b(text.encode("utf-8", "backslashreplace"), digest_size=16).hexdigest()


def packed(seen: Inspection) -> bytes:
    """An inspection as bytes: a NumPy archive of two small pictures and a text."""
    words: dict[str, Any] = asdict(replace(seen.info, path=Path(), time=None))
    words |= {"path": "", "time": seen.info.time.isoformat() if seen.info.time else None}
    text = {
        "info": words,
        "clipping": asdict(seen.clipping),
        "sharpness": seen.sharpness,
        "edge_blur": seen.edge_blur,
        "brightness": seen.brightness,
    }
    out = io.BytesIO()
    np.savez(out, look=seen.look, thumbnail=seen.thumbnail, text=np.frombuffer(json.dumps(text).encode(), np.uint8))
    return out.getvalue()


def _tuples(value: Any) -> Any:
    """JSON's lists as the tuples they were."""
    return tuple(_tuples(v) for v in value) if isinstance(value, list) else value


def unpacked(data: bytes, path: Path) -> Inspection | None:
    """The inspection of the frame at `path` from its bytes; None when they are damaged."""
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as parts:
            text = json.loads(bytes(parts["text"]))
            look, thumbnail = parts["look"], parts["thumbnail"]
        words = {k: _tuples(v) for k, v in text["info"].items()}
        words["path"] = path
        words["time"] = datetime.fromisoformat(words["time"]) if words["time"] else None
        if words["distortion"] is not None:
            words["distortion"] = Distortion.of_json(text["info"]["distortion"])
        clipping = Clipping(**{k: _tuples(v) for k, v in text["clipping"].items()})
        return Inspection(
            FrameInfo(**words), clipping, text["sharpness"], text["brightness"], look, thumbnail, text["edge_blur"]
        )
    except (ValueError, KeyError, TypeError, OSError, BadZipFile, EOFError):
        return None


def inspect_kept(path: Path, folder: Path | None) -> Inspection:
    """`inspect_file`, remembered in `folder` (made when missing); a folder that cannot be written is done without."""
    if folder is None:
        return inspect_file(path)
    with contextlib.suppress(OSError):
        kept = folder / f"{key_of(path)}.npz"
        if kept.exists():
            seen = unpacked(kept.read_bytes(), path)
            if seen is not None:
                return seen
    seen = inspect_file(path)
    with contextlib.suppress(Exception):  # a memory that cannot be written costs time, nothing else
        folder.mkdir(parents=True, exist_ok=True)
        write_atomic(folder / f"{key_of(path)}.npz", packed(seen))
    return seen


def forget_others(folder: Path, paths: list[Path]) -> int:
    """Delete what is kept of frames that are no longer there; how many."""
    wanted = set()
    for path in paths:
        with contextlib.suppress(OSError):
            wanted.add(f"{key_of(path)}.npz")
    gone = 0
    for kept in folder.glob("*.npz") if folder.is_dir() else []:
        if kept.name not in wanted:
            with contextlib.suppress(OSError):
                kept.unlink()
                gone += 1
    return gone
