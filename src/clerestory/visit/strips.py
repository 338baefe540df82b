"""Check values of each strip of a frame's file, so that damage is not only known of but found.

CRC-32 as of ISO 3309 over strips of STRIP bytes, one line of JSON a frame in frames.crc32 beside the list of digests.
The digest decides whether a file is as it was; the strips tell where it is not.
"""

from __future__ import annotations

import contextlib
import json
import os
import zlib
from collections.abc import Iterator
from pathlib import Path

STRIPS = "frames.crc32"
STRIP = 1 << 14  # bytes: about two rows of an uncompressed frame


def strips_of(path: Path) -> list[int]:
    """CRC-32 of each strip of a file, in order."""
    out = []
    with path.open("rb") as file:
        while block := file.read(STRIP):
            out.append(zlib.crc32(block))
    return out


def add_strips(root: Path, frame: Path) -> None:
    """Keep the check values of a frame in the visit's list, synced. Where it cannot be kept, only the place of a
    later damage is not told."""
    with contextlib.suppress(OSError):
        line = json.dumps({"name": frame.name, "bytes": frame.stat().st_size, "strips": _packed(strips_of(frame))})
        with (root / STRIPS).open("a+b") as file:
            start = file.seek(0, os.SEEK_END)
            if start:
                file.seek(start - 1)
                if file.read(1) != b"\n":  # a line that a crash cut short
                    file.write(b"\n")
            file.write(line.encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())


def _packed(sums: list[int]) -> str:
    return "".join(f"{value:08x}" for value in sums)


def read_strips(root: Path) -> dict[str, tuple[int, list[int]]]:
    """Bytes and check values by frame; a line that cannot be read is passed over, of two the last holds."""
    out: dict[str, tuple[int, list[int]]] = {}
    with contextlib.suppress(OSError):
        for line in (root / STRIPS).read_text(encoding="utf-8", errors="replace").splitlines():
            with contextlib.suppress(ValueError, KeyError, TypeError):
                found = json.loads(line)
                text = str(found["strips"])
                sums = [int(text[k : k + 8], 16) for k in range(0, len(text), 8)]
                out[str(found["name"])] = int(found["bytes"]), sums
    return out


def damage(path: Path, known: tuple[int, list[int]]) -> str:
    """Where a file differs from what was kept of it, in words; '' where no strip differs."""
    size, sums = known
    now = path.stat().st_size
    spans = list(_spans(strips_of(path), sums))
    parts = [f"bytes {first * STRIP:,} to {min(last * STRIP, size):,} of {size:,}" for first, last in spans[:3]]
    if len(spans) > 3:
        parts.append(f"and {len(spans) - 3} more places")
    if now != size:
        parts.append(f"it has {now:,} bytes and had {size:,}")
    share = sum(last - first for first, last in spans) / max(len(sums), 1)
    return f"{', '.join(parts)}; {share:.1%} of the frame" if parts else ""


def _spans(now: list[int], then: list[int]) -> Iterator[tuple[int, int]]:
    """Runs of strips, first and one past the last, that are not as they were."""
    first = None
    for k, value in enumerate(then):
        same = k < len(now) and now[k] == value
        if not same and first is None:
            first = k
        elif same and first is not None:
            yield first, k
            first = None
    if first is not None:
        yield first, len(then)
