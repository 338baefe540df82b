"""A JPEG's segments (ITU-T T.81, B.1.1.4): a marker's two bytes, a length (big-endian) that counts itself, a body."""

from __future__ import annotations

import struct
from collections.abc import Iterator

APPLICATION = range(0xE0, 0xF0)
"""Second bytes of the markers of what applications say."""


def segments(data: bytes) -> Iterator[tuple[int, int, bytes]]:
    """The segments before a JPEG's coded data: marker's second byte, where the body begins, the body."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF and data[at + 1] not in (0xDA, 0xD9):
        (size,) = struct.unpack_from(">H", data, at + 2)
        if size < 2:
            return
        yield data[at + 1], at + 4, data[at + 4 : at + 2 + size]
        at += 2 + size


def segment(kind: int, body: bytes) -> bytes:
    """A body with its marker, of that second byte, and length before it."""
    return bytes([0xFF, kind]) + struct.pack(">H", 2 + len(body)) + body
