"""TIFF directories, little-endian: tags packed as TIFF 6.0 and the DNG specification lay them out."""

from __future__ import annotations

import struct
from fractions import Fraction

STRIP_OFFSETS, EXIF_IFD = 273, 34665
BYTE, ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 1, 2, 3, 4, 5, 7, 10
Entry = tuple[int, int, int, bytes]  # tag, kind, count, data


def numbers(tag: int, kind: int, *values: int) -> Entry:
    """A tag of whole numbers."""
    code = {BYTE: "B", UNDEFINED: "B", SHORT: "H", LONG: "I"}[kind]
    return tag, kind, len(values), struct.pack(f"<{len(values)}{code}", *values)


def text(tag: int, words: str) -> Entry:
    """A tag of ASCII text."""
    data = words.encode("ascii", "replace") + b"\0"
    return tag, ASCII, len(data), data


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


def one_strip(width: int, height: int, samples: int) -> list[Entry]:
    """What a plain picture of 16-bit values says of itself: `samples` to a pixel, side by side, in one strip."""
    return [
        numbers(254, LONG, 0),
        numbers(256, LONG, width),
        numbers(257, LONG, height),
        numbers(258, SHORT, *[16] * samples),
        numbers(259, SHORT, 1),
        numbers(277, SHORT, samples),
        numbers(278, LONG, height),
        numbers(279, LONG, width * height * samples * 2),
        numbers(284, SHORT, 1),
    ]


def with_exif(main: list[Entry], exif: list[Entry]) -> bytes:
    """All of a TIFF file before its pixels, which follow at once in one strip: its directory with an EXIF one."""
    pointers = [numbers(STRIP_OFFSETS, LONG, 0), numbers(EXIF_IFD, LONG, 0)]
    exif_at = 8 + len(directory(main + pointers, 8))
    block = directory(exif, exif_at)
    data_at = (exif_at + len(block) + 511) // 512 * 512
    pointers = [numbers(STRIP_OFFSETS, LONG, data_at), numbers(EXIF_IFD, LONG, exif_at)]
    head = b"II*\0" + struct.pack("<I", 8) + directory(main + pointers, 8) + block
    return head.ljust(data_at, b"\0")
