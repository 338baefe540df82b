"""A JPEG made by all cores: bands of rows are coded side by side and joined at restart markers (ITU-T T.81, B.2.1).

A restart marker stands after each row of 8 x 8 blocks; what follows it depends on nothing before it, so that the
coded data of bands are the coded data of the whole. They are numbered 0 to 7 over and over: a band is a multiple of
eight such rows, and the next one begins as if it were the first.
"""

from __future__ import annotations

import struct
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.files.jpeg import APPLICATION, segment, segments
from clerestory.run.bands import side_by_side

BAND = 64 * 8
"""Rows of a band: a multiple of 64, eight rows of blocks. At 512 a frame of 20 megapixels is dealt out evenly to two
cores; not swept."""
MOST = 65535
"""Pixels across or down that the format can tell of (ITU-T T.81, B.2.2)."""
_START, _END, _SEVENTH = b"\xff\xd8", b"\xff\xd9", b"\xff\xd7"
_FRAME = 0xC0  # baseline
_PROFILE = b"ICC_PROFILE\0"
_ROOM = 65535 - 2 - len(_PROFILE) - 2  # bytes of a profile in one segment (ICC.1:2022, annex B.4)


def jpeg(coded: NDArray[np.uint8], quality: int, profile: bytes, per_inch: float | None = None) -> bytes:
    """Coded values R, G, B (uint8, H x W x 3) as a baseline JPEG, 4:4:4, with a colour profile.

    `quality` 1 to 100; `per_inch`: resolution, pixels to an inch; None says nothing of it. UserError for a picture of
    more than MOST pixels across or down.
    """
    height, width = coded.shape[:2]
    if max(height, width) > MOST:
        raise UserError(f"A picture of {width} x {height} pixels is too large for a JPEG, which holds {MOST} "
                        "across and down; write tiff, or ask for a smaller one.")  # fmt: skip
    edges = [*range(0, height, BAND), height]
    bands = list(side_by_side(lambda rows: _coded(coded[rows[0] : rows[1]], quality), list(pairwise(edges))))
    told = [segment(APPLICATION[0], _density(per_inch)), *_profile_segments(profile)]
    heads, scans = zip(*(_parts(band, height) for band in bands), strict=True)
    return b"".join([_START, *told, heads[0], _SEVENTH.join(scans), _END])


def _coded(rows: NDArray[np.uint8], quality: int) -> bytes:
    """Rows as a JPEG of their own, a restart marker after each row of blocks."""
    ok, data = cv2.imencode(".jpg", cv2.cvtColor(rows, cv2.COLOR_RGB2BGR), [
        cv2.IMWRITE_JPEG_QUALITY, quality,
        cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
        cv2.IMWRITE_JPEG_RST_INTERVAL, -(-rows.shape[1] // 8),
    ])  # fmt: skip
    if not ok:
        raise RuntimeError("the JPEG could not be coded")
    return data.tobytes()


def _parts(data: bytes, height: int) -> tuple[bytes, bytes]:
    """A JPEG's segments but for what applications say, its frame of another height, and its coded data."""
    told = list(segments(data))
    scan = told[-1][1] + len(told[-1][2])
    coded = scan + 2 + struct.unpack_from(">H", data, scan + 2)[0]
    tall = struct.pack(">H", height)
    kept = [
        segment(kind, body[:1] + tall + body[3:] if kind == _FRAME else body)
        for kind, _, body in told
        if kind not in APPLICATION
    ]
    return b"".join([*kept, data[scan:coded]]), data[coded : -len(_END)]


def _density(per_inch: float | None) -> bytes:
    """The body of the first segment (JFIF, ITU-T T.871, 10.1): resolution, or the shape of pixels alone."""
    unit, value = (0, 1) if per_inch is None else (1, round(per_inch))
    return b"JFIF\0" + struct.pack(">BBBHHBB", 1, 1, unit, value, value, 0, 0)


def _profile_segments(profile: bytes) -> list[bytes]:
    parts = [profile[i : i + _ROOM] for i in range(0, len(profile), _ROOM)]
    return [segment(0xE2, _PROFILE + bytes([k, len(parts)]) + part) for k, part in enumerate(parts, 1)]
