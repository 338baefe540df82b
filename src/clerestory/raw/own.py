"""What this program notes in a DNG of its own making, that no tag of the DNG specification holds.

DNGPrivateData (DNG 1.4, tag 50740) begins with the maker's name and a zero byte; what follows is the maker's own:
here a line of JSON, a zero byte, and a map of float32, its bytes sorted by their place in a value and deflated. From
it a merged mosaic read back is as well known as it was when it was written: its noise, and by how much more there is
where fewer frames count.
"""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.raw.tags import Tags

F32 = NDArray[np.float32]
NAME = b"Clerestory\0"
HEAD = 1 << 16  # bytes of a file in which its directory names us, if any
LARGEST = 400_000_000  # places a map may have: more is damage


@dataclass(frozen=True)
class Noted:
    """`noise` of the mosaic as it is; `excess`, float32 H/2 x W/2 or None: by how much more there is, at least 1;
    `frames`: how many frames its light is from."""

    noise: NoiseModel
    excess: F32 | None
    frames: int


def packed(noted: Noted) -> bytes:
    """The bytes of DNGPrivateData."""
    facts = {"version": 1, "gain": noted.noise.gain, "read": noted.noise.read, "frames": noted.frames}
    data = b""
    if noted.excess is not None:
        facts["excess"] = noted.excess.shape
        values = np.maximum(noted.excess, 1).astype("<f4")  # exactly: noise reduction deals places to classes by it
        data = zlib.compress(values.view(np.uint8).reshape(-1, 4).T.tobytes(), 1)
    return NAME + json.dumps(facts).encode() + b"\0" + data


def noted_in(path: Path) -> Noted | None:
    """What a DNG of our own making notes; None of every other file."""
    try:
        with path.open("rb") as file:
            if NAME not in file.read(HEAD):
                return None
    except OSError:
        return None
    return unpacked(Tags(path).data("DNGPrivateData"))


def unpacked(data: bytes) -> Noted | None:
    """What such bytes say; None of those of another maker, and of damaged ones."""
    if not data.startswith(NAME):
        return None
    head, _, rest = data[len(NAME) :].partition(b"\0")
    try:
        facts = json.loads(head)
        gain, read = ([float(v) for v in facts[name]] for name in ("gain", "read"))
        if facts["version"] != 1 or len(gain) != 4 or len(read) != 4 or not np.isfinite([*gain, *read]).all():
            return None
        noise = NoiseModel((gain[0], gain[1], gain[2], gain[3]), (read[0], read[1], read[2], read[3]))
        excess = None
        if "excess" in facts:
            rows, columns = (int(v) for v in facts["excess"])
            if not 0 < rows * columns <= LARGEST:
                return None
            plain = zlib.decompressobj().decompress(rest, 4 * rows * columns)
            bytes_of_it = np.frombuffer(plain, np.uint8).reshape(4, rows * columns).T
            excess = np.ascontiguousarray(bytes_of_it).view("<f4").reshape(rows, columns).astype(np.float32)
            if not np.isfinite(excess).all():
                return None
        return Noted(noise, excess, int(facts["frames"]))
    except (ValueError, KeyError, TypeError, zlib.error):
        return None
