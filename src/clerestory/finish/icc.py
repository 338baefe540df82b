"""Colour profiles of the outputs: small matrix and curve profiles (ICC.1:2010), always the same bytes."""

from __future__ import annotations

import struct

import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import xyz_from_rgb
from clerestory.errors import UserError
from clerestory.raw import srgb
from clerestory.raw.primaries import D65

NAMES = {"srgb": "sRGB IEC61966-2.1", "display-p3": "Display P3", "rec2020": "Rec. 2020 primaries, sRGB curve"}

# Bradford cone responses (ICC.1:2010 annex E) and the D50 white of the profile connection space.
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_D50 = np.array([0.9642, 1.0, 0.8249])


def adapted_to_d50() -> NDArray[np.float64]:
    """3 x 3 Bradford adaptation of XYZ from D65 to D50."""
    white = np.array([D65[0] / D65[1], 1.0, (1 - D65[0] - D65[1]) / D65[1]])
    out: NDArray[np.float64] = (
        np.linalg.inv(_BRADFORD) @ np.diag((_BRADFORD @ _D50) / (_BRADFORD @ white)) @ _BRADFORD
    )
    return out


def _fixed(*values: float) -> bytes:
    return b"".join(struct.pack(">i", round(v * 65536)) for v in values)


def _text(text: str) -> bytes:
    data = text.encode("utf-16-be")
    return b"mluc\0\0\0\0" + struct.pack(">II2s2sII", 1, 12, b"en", b"GB", len(data), 28) + data


def profile(space: str) -> bytes:
    """The ICC profile of an output space ('srgb', 'display-p3' or 'rec2020'), each with the sRGB transfer function.

    Display P3 has that curve by definition. The curve of ITU-R BT.2020 is a camera's, for video; a still says by its
    profile what curve it has, and the sRGB one spends its steps on the shades more evenly. UserError for another.
    """
    if space not in NAMES:
        raise UserError(f"The colour space '{space}' is not known; choose {', '.join(NAMES)}.")
    adaptation = adapted_to_d50()
    columns = (adaptation @ xyz_from_rgb(space)).T
    curve = (
        b"para\0\0\0\0"
        + struct.pack(">HH", 3, 0)
        + _fixed(srgb.POWER, 1 / (1 + srgb.OFFSET), srgb.OFFSET / (1 + srgb.OFFSET), 1 / srgb.SLOPE, srgb.CODED_BELOW)
    )
    tags: list[tuple[bytes, bytes]] = [
        (b"desc", _text(NAMES[space])),
        (b"cprt", _text("No rights reserved.")),
        (b"wtpt", b"XYZ \0\0\0\0" + _fixed(*_D50)),
        (b"chad", b"sf32\0\0\0\0" + _fixed(*adaptation.ravel())),
    ]
    tags += [
        (name, b"XYZ \0\0\0\0" + _fixed(*column))
        for name, column in zip((b"rXYZ", b"gXYZ", b"bXYZ"), columns, strict=True)
    ]
    tags += [(name, curve) for name in (b"rTRC", b"gTRC", b"bTRC")]
    table, body, places = b"", b"", {}
    start = 128 + 4 + 12 * len(tags)
    for name, data in tags:
        if data not in places:
            places[data] = start + len(body)
            body += data + b"\0" * (-len(data) % 4)
        table += struct.pack(">4sII", name, places[data], len(data))
    size = start + len(body)
    head = struct.pack(
        ">I4sI4s4s4s6H4s4sI4sIQI",
        size, b"\0\0\0\0", 0x04300000, b"mntr", b"RGB ", b"XYZ ",
        2020, 1, 1, 0, 0, 0, b"acsp", b"\0\0\0\0", 0, b"\0\0\0\0", 0, 0, 0,
    )  # fmt: skip
    head += _fixed(*_D50)
    return head.ljust(128, b"\0") + struct.pack(">I", len(tags)) + table + body
