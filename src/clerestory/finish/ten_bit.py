"""AVIF and JPEG XL, 10 bits a channel: a third of a 16-bit TIFF's steps are never seen, and a tenth of its bytes do.

The pictures are encoded by imagecodecs (libavif with aom; libjxl). Neither says anything of the picture but its
colour, so that EXIF and XMP are put in here, into the boxes both files are made of (ISO/IEC 14496-12): in AVIF as
items that describe the picture (ISO/IEC 23008-12, annex A.2 and A.3), in JPEG XL as boxes of their own behind it
(ISO/IEC 18181-2). Colour is told in AVIF by its code points (ITU-T H.273), never by an ICC profile; JPEG XL is
written in sRGB alone, since the library at hand has no way to write another.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import STRIP, encode
from clerestory.errors import UserError
from clerestory.raw.primaries import CODES

BITS = 10
# ITU-T H.273: colour primaries, and the matrix to luma and chroma that goes with them; curve 13 is that of sRGB.
CODE_POINTS = {space: (code, 9 if space == "rec2020" else 1) for space, code in CODES.items()}
SRGB_CURVE = 13
# 20 megapixels: AVIF 10 s at 9, 26 s at 8 for a tenth fewer bytes; JPEG XL 14 s at 5, 3 s at 3 (one core).
AVIF_SPEED, JXL_EFFORT = 9, 3
AVIF_LEVEL = 3  # over the JPEG's quality: then no coarser than the JPEG at 93 beside the 16-bit TIFF
JXL_DISTANCE = 14.0  # JPEG quality under 100 to one unit of the encoder's distance: 0.5 at 93


def ten_bits(rgb: NDArray[np.float32], space: str) -> NDArray[np.uint16]:
    """Display-linear working RGB, H x W x 3, 0 to 1, as codes of 10 bits, 0 to 1023, in an output space."""
    out = np.empty(rgb.shape, np.uint16)
    for first in range(0, len(rgb), STRIP):
        part = encode(rgb[first : first + STRIP], space, 16)
        out[first : first + STRIP] = (part.astype(np.uint32) * 1023 + 32767) // 65535
    return out


def avif(rgb: NDArray[np.float32], space: str, quality: int) -> bytes:
    """A picture (H x W x 3, as for `ten_bits`) as an AVIF file, 4:4:4; `quality`: as of a JPEG, 1 to 95."""
    import imagecodecs

    kind = imagecodecs.AVIF
    primaries, matrix = CODE_POINTS[space]
    return bytes(
        imagecodecs.avif_encode(
            ten_bits(rgb, space), level=min(quality + AVIF_LEVEL, 100), speed=AVIF_SPEED, bitspersample=BITS,
            pixelformat=kind.PIXEL_FORMAT.YUV444, codec=kind.CODEC_CHOICE.AOM, primaries=primaries,
            transfer=SRGB_CURVE, matrix=matrix, numthreads=0,
        )
    )  # fmt: skip


def jxl(rgb: NDArray[np.float32], space: str, quality: int) -> bytes:
    """A picture (H x W x 3, as for `ten_bits`) as a JPEG XL file; `quality`: as of a JPEG. UserError unless sRGB."""
    import imagecodecs

    if space != "srgb":
        raise UserError(f"JPEG XL is written in sRGB only, not in {space}; ask for srgb, or for avif or tiff.")
    distance = (100 - quality) / JXL_DISTANCE
    return bytes(
        imagecodecs.jpegxl_encode(
            ten_bits(rgb, space), distance=distance, effort=JXL_EFFORT, bitspersample=BITS, usecontainer=True,
            numthreads=0,
        )
    )  # fmt: skip


def with_words(data: bytes, exif: bytes, xmp: bytes) -> bytes:
    """An AVIF or JPEG XL file with EXIF (a TIFF directory, as in EXIF 2.32) and an XMP packet put in."""
    exif = struct.pack(">I", 0) + exif  # the directory begins right behind these four bytes
    if data[4:8] == b"JXL ":
        return data + _box(b"Exif", exif) + _box(b"xml ", xmp)
    top = {kind: (first, last) for kind, first, last in _boxes(data, 0, len(data))}
    first, last = top[b"meta"]
    # The sizes do not hang on the places, so that a first pass tells where everything will lie.
    grown = len(_meta(data[first:last], 0, 0, exif, xmp)) - (last - first)
    meta = _meta(data[first:last], grown, len(data) + grown + 8, exif, xmp)
    return data[: first - 8] + _box(b"meta", meta) + data[last:] + _box(b"mdat", exif + xmp)


def _box(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I4s", 8 + len(body), kind) + body


def _boxes(data: bytes, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Kind, begin and end of what is in each box between two places of a file."""
    while at + 8 <= end:
        size, kind = struct.unpack_from(">I4s", data, at)
        last = end if size == 0 else at + size
        yield kind, at + 8, last
        at = last


def _meta(meta: bytes, shift: int, at: int, exif: bytes, xmp: bytes) -> bytes:
    """What is in the meta box, with two more items: EXIF at byte `at` of the file, XMP behind it; what lies behind
    this box moves by `shift` bytes."""
    out = meta[:4]
    items = [(b"Exif", at, len(exif)), (b"mime", at + len(exif), len(xmp))]
    for kind, first, last in _boxes(meta, 4, len(meta)):
        body = meta[first:last]
        if kind == b"iloc":
            body = _places(body, shift, items)
        elif kind == b"iinf":
            body = _named(body, items)
        out += _box(kind, body)
    described = b"".join(_box(b"cdsc", struct.pack(">3H", k, 1, 1)) for k in (2, 3))
    return out + _box(b"iref", bytes(4) + described)


def _places(iloc: bytes, shift: int, items: list[tuple[bytes, int, int]]) -> bytes:
    """The box of the items' places with each moved and more behind. Of one picture in one piece."""
    head = struct.unpack_from(">IBBHHHHII", iloc)
    if head[:6] != (0, 0x44, 0, 1, 1, 0) or head[6] != 1:
        raise UserError("The AVIF encoder at hand lays its files out in another way; ask for tiff or jpeg.")
    out = struct.pack(">IBBH", 0, 0x44, 0, 1 + len(items))
    out += struct.pack(">HHHII", 1, 0, 1, head[7] + shift, head[8])
    for number, (_, at, length) in enumerate(items, 2):
        out += struct.pack(">HHHII", number, 0, 1, at, length)
    return out


def _named(iinf: bytes, items: list[tuple[bytes, int, int]]) -> bytes:
    """The box of the items' kinds with more behind; XMP by its media type."""
    out = iinf[:4] + struct.pack(">H", 1 + len(items)) + iinf[6:]
    for number, (kind, _, _) in enumerate(items, 2):
        said = b"\0application/rdf+xml\0" if kind == b"mime" else b"\0"
        out += _box(b"infe", struct.pack(">BBHHH4s", 2, 0, 0, number, 0, kind) + said)
    return out
