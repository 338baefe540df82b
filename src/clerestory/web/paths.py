"""Files of the visit that may be shown: plain files in named folders of it, reached through no link."""

from __future__ import annotations

import os
import re
import stat
from pathlib import Path

LONGEST_TAKE = 15 * 60  # seconds of narration in one recording
TAKE_BYTES = LONGEST_TAKE * 48_000 * 2 + 4096  # 16-bit mono at 48 kHz, with its header
# The field card and reports carry their own styles and scripts: they are shown as strangers, with nothing to reach.
STRANGER = (
    "sandbox allow-scripts allow-popups; default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "img-src data:; frame-ancestors 'none'"
)
_NAME = re.compile(r"[^/\\\0]{1,200}")


def plain_file(root: Path, folder: str, name: str) -> Path | None:
    """The file `name` in a folder of the visit ('film', 'film/narration'), or None.

    None for anything hidden, missing, not a plain file, or reached through a symbolic link below `root`.
    """
    if not _NAME.fullmatch(name) or name.startswith("."):
        return None
    at = root
    parts = [*folder.split("/"), name]
    for number, part in enumerate(parts, 1):
        at = at / part
        try:
            mode = os.lstat(at).st_mode
        except (OSError, ValueError):
            return None
        wanted = stat.S_ISREG(mode) if number == len(parts) else stat.S_ISDIR(mode)
        if not wanted:
            return None
    return at


def names_in(root: Path, folder: str, suffixes: tuple[str, ...]) -> list[str]:
    """Names of the plain files of a folder of the visit that end so, in order."""
    try:
        names = sorted(p.name for p in (root / folder).iterdir())
    except OSError:
        return []
    return [n for n in names if n.lower().endswith(suffixes) and plain_file(root, folder, n) is not None]
