"""TIFF directories, little-endian: tags packed as TIFF 6.0 and the DNG specification lay them out."""

from __future__ import annotations

import struct
from fractions import Fraction

BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
Entry = tuple[int, int, int, bytes]  # tag, kind, count, data


def numbers(tag: int, kind: int, *values: int) -> Entry:
    """A tag of whole numbers."""
    code = {BYTE: "B", UNDEFINED: "B", SHORT: "H", LONG: "I"}[kind]
    return tag, kind, len(values), struct.pack(f"<{len(values)}{code}", *values)


def rationals(tag: int, kind: int, *values: float) -> Entry:
    """A tag of fractions, signed or not by `kind`."""
    parts = []
    for value in values:
        f = Fraction(value).limit_denominator(1_000_000)
        parts += [f.numerator, f.denominator]
    return tag, kind, len(values), struct.pack(f"<{len(parts)}{'I' if kind == RATIONAL else 'i'}", *parts)


def directory(entries: list[Entry], offset: int) -> bytes:
    """An IFD at `offset`, its long values after it."""
    entries = sorted(entries)
    table, extra = struct.pack("<H", len(entries)), b""
    after = offset + 2 + 12 * len(entries) + 4
    for tag, kind, count, data in entries:
        if len(data) <= 4:
            table += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
        else:
            table += struct.pack("<HHII", tag, kind, count, after + len(extra))
            extra += data + b"\0" * (len(data) % 2)
    return table + b"\0\0\0\0" + extra
