"""Where a HEIC file keeps its gain map: an image derived from two, which libheif does not give out.

ISO/IEC 14496-12 (boxes) and 23008-12 (items), with its amendment 1 of 2025: an item of type `tmap` is derived, by the
reference `dimg`, from the picture and from its map, and holds one byte of version and then the numbers of ISO
21496-1, as a JPEG's segment does. Read from memory of the standards; held against open files of libavif, which keep
theirs alike. The map itself is a picture of the file like any other: with its number in the place of the primary
one's, libheif reads it.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

MOST = 4096  # bytes of a map's numbers; more is damage
_NEEDED = {b"pitm", b"iinf", b"iref", b"iloc"}


@dataclass(frozen=True)
class Box:
    """A box of a file: its type, and where its body begins and ends."""

    kind: bytes
    begin: int
    end: int


@dataclass(frozen=True)
class ToneMap:
    """A gain map of a file: its numbers, as ISO 21496-1 lays them out, and the item that its picture is."""

    numbers: bytes
    item: int


def _boxes(data: bytes, begin: int, end: int) -> Iterator[Box]:
    """The boxes side by side between two places."""
    at = begin
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1 and at + 16 <= end:
            (size,) = struct.unpack_from(">Q", data, at + 8)
            head = 16
        size = size or end - at
        if size < head or at + size > end:
            return
        yield Box(kind, at + head, at + size)
        at += size


def _inside(data: bytes) -> dict[bytes, Box]:
    """The boxes of the file's `meta`, by type."""
    for box in _boxes(data, 0, len(data)):
        if box.kind == b"meta":
            return {b.kind: b for b in _boxes(data, box.begin + 4, box.end)}
    return {}


def _number(data: bytes, at: int, size: int) -> int:
    """A whole number of 0 to 8 bytes."""
    return int.from_bytes(data[at : at + size], "big")


def _items(data: bytes, box: Box) -> Iterator[tuple[int, bytes, int]]:
    """Items of `iinf`: number, type, and where the entry's flags stand."""
    first = box.begin + (6 if _number(data, box.begin, 1) == 0 else 8)
    for entry in _boxes(data, first, box.end):
        version = _number(data, entry.begin, 1)
        if entry.kind == b"infe" and version in (2, 3):
            wide = 2 if version == 2 else 4
            at = entry.begin + 4
            yield _number(data, at, wide), data[at + wide + 2 : at + wide + 6], entry.begin + 1


def _derived_from(data: bytes, box: Box, item: int) -> list[int]:
    """The first two items that an item is derived from, in order."""
    wide = 2 if _number(data, box.begin, 1) == 0 else 4
    for entry in _boxes(data, box.begin + 4, box.end):
        if entry.kind == b"dimg" and _number(data, entry.begin, wide) == item:
            count = _number(data, entry.begin + wide, 2)
            return [_number(data, entry.begin + wide + 2 + wide * k, wide) for k in range(min(count, 2))]
    return []


def _places(data: bytes, box: Box) -> Iterator[tuple[int, int, list[tuple[int, int]]]]:
    """Of each item of `iloc`: number, how it is kept (0: in the file, 1: in `idat`), and where: from, bytes."""
    version = _number(data, box.begin, 1)
    sizes = _number(data, box.begin + 4, 1), _number(data, box.begin + 5, 1)
    offset_size, length_size, base_size, index_size = sizes[0] >> 4, sizes[0] & 15, sizes[1] >> 4, sizes[1] & 15
    wide = 4 if version == 2 else 2
    at = box.begin + 6
    count, at = _number(data, at, wide), at + wide
    for _ in range(count):
        item, at = _number(data, at, wide), at + wide
        way = 0
        if version in (1, 2):
            way, at = _number(data, at, 2) & 15, at + 2
        base, at = _number(data, at + 2, base_size), at + 2 + base_size
        extents, at = _number(data, at, 2), at + 2
        parts: list[tuple[int, int]] = []
        while len(parts) < extents and at < box.end and offset_size + length_size:
            at += index_size if version in (1, 2) else 0
            parts.append((base + _number(data, at, offset_size), _number(data, at + offset_size, length_size)))
            at += offset_size + length_size
        if at > box.end:  # damage: it tells of more than it holds
            return
        yield item, way, parts


def _body(data: bytes, meta: dict[bytes, Box], item: int) -> bytes:
    """What an item of one piece holds, as far as MOST; nothing where it is not kept in this file."""
    for number, way, parts in _places(data, meta[b"iloc"]):
        if number != item:
            continue
        start = 0 if way == 0 else meta[b"idat"].begin if way == 1 and b"idat" in meta else None
        if start is not None:
            place, length = parts[0] if len(parts) == 1 else (0, 0)
            return data[start + place : start + place + min(length, MOST)]
    return b""


def _primary(data: bytes, box: Box) -> tuple[int, int]:
    """Where the primary item's number stands, and its bytes."""
    return box.begin + 4, 2 if _number(data, box.begin, 1) == 0 else 4


def tone_map_of(data: bytes) -> ToneMap | None:
    """The gain map of a HEIC file's primary picture; None where it has none, or is damaged there."""
    first = next(_boxes(data, 0, len(data)), None)
    meta = _inside(data)
    if first is None or b"tmap" not in data[first.begin : first.end] or not meta.keys() >= _NEEDED:
        return None
    primary = _number(data, *_primary(data, meta[b"pitm"]))
    for item, kind, _ in _items(data, meta[b"iinf"]):
        parts = _derived_from(data, meta[b"iref"], item) if kind == b"tmap" else []
        body = _body(data, meta, item) if parts[:1] == [primary] and len(parts) == 2 else b""
        if body[:1] == b"\0":
            return ToneMap(body[1:], parts[1])
    return None


def with_primary(data: bytes, item: int) -> bytes:
    """The file with another of its items for the primary one, and that one not hidden."""
    meta, out = _inside(data), bytearray(data)
    at, wide = _primary(data, meta[b"pitm"])
    out[at : at + wide] = item.to_bytes(wide, "big")
    for number, _, flags in _items(data, meta[b"iinf"]):
        if number == item:
            out[flags + 2] &= 0xFE
    return bytes(out)
