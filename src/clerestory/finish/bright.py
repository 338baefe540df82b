"""A JPEG for bright screens too: the picture as it is, and a gain map that leads to the light of the scene.

ISO 21496-1: a screen with H stops over white shows base x 2^(w g), where g is the map's stops and w how much of them
it has room for. On any other screen, and to any program that knows nothing of this, it is the plain picture: the base
is the very JPEG that is written otherwise. The bright picture is that same picture up to near white, and from there
on the light of the scene itself, no longer held down: glass as much lighter than stone as the screen can show.

The map lies behind the base as a second picture (CIPA DC-007, multi-picture format), with its numbers in an APP2
segment named by the standard. Those numbers' layout is from memory of open implementations of the standard; it is
checked with one of them (libultrahdr, through imagecodecs) in the tests.
"""

from __future__ import annotations

import io
import struct
from itertools import takewhile

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory.develop.colour import to_space
from clerestory.files.jpeg import APPLICATION, segment, segments
from clerestory.files.tiff import LONG, UNDEFINED, Entry, directory, numbers
from clerestory.raw import srgb
from clerestory.raw.rendered import NAME

F32 = NDArray[np.float32]
STOPS = 3.0  # over white that the bright picture goes to
# Shares of white, of the scene's light as exposed, between which the bright picture goes over from the one that is
# shown otherwise to that light. By eye on the demo's roses: lower, lit stone glares.
FROM, TO = 0.6, 1.0
OFFSET = 1 / 64  # added to both sides before the ratio is taken, as the standard recommends: no ratio of nothing
LEAST = -1.0  # stops that the map takes away at most
QUALITY = 92  # of the map
UNIT = 1_000_000  # denominator of the numbers


def bright(straight: F32, shown: F32, exposure: float) -> F32:
    """The bright picture, linear, 1 at white, H x W x 3: of the scene's light (`straight`, scene-linear) and the
    picture shown otherwise (`shown`, 0 to 1), both in working colour. `exposure` in stops."""
    light = straight * np.float32(2.0**exposure)
    top = light.max(axis=2, keepdims=True)
    t = np.clip((top - np.float32(FROM)) / np.float32(TO - FROM), 0, 1)
    share = t * t * (3 - 2 * t)
    light *= np.minimum(1, np.float32(2.0**STOPS) / np.maximum(top, np.float32(1e-6)))
    return np.asarray(np.maximum(shown + share * (light - shown), 0), np.float32)


def gain_map(base: NDArray[np.uint8], brighter: F32, space: str) -> NDArray[np.uint8]:
    """The map from a picture as its file decodes (sRGB-coded H x W x 3 in `space`) to a brighter one (linear working
    colour): stops of each channel, 0 to 255 from LEAST to STOPS."""
    linear = srgb.linear(np.arange(256) / 255).astype(np.float32)
    out = np.empty(base.shape, np.uint8)
    matrix = to_space(space).T.astype(np.float32)
    for row in range(0, len(base), 256):
        part = slice(row, row + 256)
        goal = np.clip(brighter[part] @ matrix, 0, 2.0**STOPS)
        stops = np.log2((goal + np.float32(OFFSET)) / (linear[base[part]] + np.float32(OFFSET)))
        out[part] = np.rint(np.clip((stops - LEAST) / (STOPS - LEAST), 0, 1) * 255).astype(np.uint8)
    return out


def with_gain_map(jpeg: bytes, gains: NDArray[np.uint8]) -> bytes:
    """A JPEG file with a gain map (H x W x 3) behind it; its own picture and all it says stay as they are."""
    out = io.BytesIO()
    Image.fromarray(gains).save(out, "JPEG", quality=QUALITY, subsampling=0)
    second = _with_segments(out.getvalue(), [NAME + _numbers()])
    first_length = len(_with_segments(jpeg, [NAME + struct.pack(">HH", 0, 0), b"MPF\0" + _index(0, 0, 0)]))
    at = _after_segments(jpeg) + len(NAME) + 4 + 4 + 4 + 4  # where the index's own TIFF header begins
    index = _index(first_length, len(second), first_length - at)
    return _with_segments(jpeg, [NAME + struct.pack(">HH", 0, 0), b"MPF\0" + index]) + second


def _numbers() -> bytes:
    """The map's numbers: version, one set for all channels, in the base's colours, headrooms and range."""
    head = struct.pack(">HHB", 0, 0, 0x40)
    values: list[tuple[str, float]] = [("I", 0.0), ("I", STOPS), ("i", LEAST), ("i", STOPS), ("I", 1.0),
                                       ("i", OFFSET), ("i", OFFSET)]  # fmt: skip
    return head + b"".join(struct.pack(f">{code}I", round(v * UNIT), UNIT) for code, v in values)


def _index(first: int, second: int, offset: int) -> bytes:
    """The two pictures in the file: their lengths, and where the second lies (bytes from the index's own start)."""
    primary = 0x030000
    entries = struct.pack("<IIIHH", primary, first, 0, 0, 0) + struct.pack("<IIIHH", 0, second, offset, 0, 0)
    table: list[Entry] = [(0xB000, UNDEFINED, 4, b"0100"), numbers(0xB001, LONG, 2), (0xB002, UNDEFINED, 32, entries)]
    return b"II*\0" + struct.pack("<I", 8) + directory(table, 8)


def _after_segments(jpeg: bytes) -> int:
    """Where the application segments of a JPEG end."""
    told = takewhile(lambda one: one[0] in APPLICATION, segments(jpeg))
    return 2 + sum(4 + len(body) for _, _, body in told)


def _with_segments(jpeg: bytes, bodies: list[bytes]) -> bytes:
    at = _after_segments(jpeg)
    return jpeg[:at] + b"".join(segment(0xE2, body) for body in bodies) + jpeg[at:]
