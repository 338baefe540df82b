"""Finished pictures of phones: HEIC files, and light above white where a picture carries a gain map.

ISO 21496-1: beside a picture lies a smaller one, the map, whose values say by how many stops each place is lighter in
the light of the scene. With the map's value m from 0 to 1, for each channel

    stops = least + (most - least) m^(1 / gamma),   bright = (picture + k) 2^stops - l

Of a JPEG the map is the second picture (CIPA DC-007, multi-picture format), and its numbers stand in an APP2 segment
that the standard names. Their layout is from memory of open implementations; what `finish.bright` writes is checked
with one of them, and read back here. HEIC is read by libheif (ISO/IEC 23008-12), its map found by `heif_boxes`; maps
of makers' own kinds are left out: a remark says so.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.files.jpeg import segments
from clerestory.raw.heif_boxes import tone_map_of, with_primary

F32 = NDArray[np.float32]
NAME = b"urn:iso:std:iso:ts:21496:-1\0"
_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1", b"miaf")
# Flags: a set of numbers a channel; the picture is the bright one; one denominator for all.
MANY, BACKWARDS, ONE_DENOMINATOR = 0x80, 0x04, 0x08
MOST_STOPS = 8.0  # more is damage


def is_heif(start: bytes) -> bool:
    """Whether a file that begins so (12 bytes or more) is a HEIF picture."""
    return start[4:8] == b"ftyp" and start[8:12] in _BRANDS


def open_heif(path: Path) -> Any:
    """libheif's handle on a HEIC file. UserError, one sentence, where it cannot be read."""
    try:
        import pillow_heif
    except ImportError as problem:
        raise UserError(
            f"{path}: is a HEIC picture, and the package pillow-heif that reads those is not installed; install it, "
            "or set the phone to save JPEG."
        ) from problem
    try:
        return pillow_heif.open_heif(path, convert_hdr_to_8bit=False)
    except Exception as problem:  # of a damaged file libheif raises nearly everything there is
        raise UserError(
            f"{path}: cannot be read as a HEIC picture ({problem}); it is damaged or cut short: copy it again."
        ) from problem


def read_heif(path: Path, handle: Any) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Coded values of a HEIC file, uint8 or (10 bits and more) uint16, H x W x 3, upright; `handle`: as opened."""
    try:
        values = np.asarray(handle)
    except Exception as problem:  # as above
        raise UserError(
            f"{path}: cannot be read as a HEIC picture ({problem}); it is damaged or cut short: copy it again."
        ) from problem
    return np.ascontiguousarray(_colour(values))


def _colour(values: NDArray[Any]) -> NDArray[Any]:
    """Values as libheif gives them, of grey, of colour or with a fourth channel, as H x W x 3."""
    return np.repeat(values[..., None], 3, axis=2) if values.ndim == 2 else values[..., :3]


def said_of_heif(path: Path, handle: Any) -> tuple[str, ...]:
    """What is left out of a HEIC file, sentences; `handle`: as opened."""
    maps = [kind for kind, found in handle.info.get("aux", {}).items() if found and "gainmap" in str(kind).lower()]
    if not maps or tone_map_of(path.read_bytes()) is not None:
        return ()
    return ("the file's map of light above white is of its maker's own kind and is left out",)


@dataclass(frozen=True)
class GainMap:
    """A map, `values` 0 to 1, float32 h x w x 3, and its numbers, each (3,): see this module."""

    values: F32
    least: F32
    most: F32
    gamma: F32
    before: F32
    after: F32

    def brightened(self, picture: F32) -> F32:
        """A linear picture (H x W x 3, 1 at white) with its light above white, in place."""
        height, width = picture.shape[:2]
        values = cv2.resize(self.values, (width, height), interpolation=cv2.INTER_LINEAR)
        for row in range(0, height, 256):
            part, share = picture[row : row + 256], values[row : row + 256]
            if (self.gamma != 1).any():
                share = share ** (1 / self.gamma)
            stops = self.least + (self.most - self.least) * share
            lit = np.maximum(part + self.before, 0) * np.exp2(stops) - self.after
            picture[row : row + 256] = np.where(part < 0, part, np.maximum(lit, 0))  # below 0: a colour beyond sRGB
        return picture


def _others(jpeg: bytes) -> Iterator[bytes]:
    """The further pictures in a file, as its index (CIPA DC-007) has them."""
    for marker, at, body in segments(jpeg):
        if marker != 0xE2 or not body.startswith(b"MPF\0") or len(body) < 12:
            continue
        order = "<" if body[4:6] == b"II" else ">"
        (first,) = struct.unpack_from(f"{order}I", body, 8)
        if 4 + first + 2 > len(body):
            return
        (count,) = struct.unpack_from(f"{order}H", body, 4 + first)
        for k in range(min(count, 16)):
            place = 4 + first + 2 + 12 * k
            if place + 12 > len(body):
                return
            tag, _, size, where = struct.unpack_from(f"{order}HHII", body, place)
            if tag != 0xB002 or 4 + where + size > len(body):
                continue
            for entry in range(size // 16):
                _, length, offset, _, _ = struct.unpack_from(f"{order}IIIHH", body, 4 + where + 16 * entry)
                start = at + 4 + offset
                if offset and length and start + length <= len(jpeg):
                    yield jpeg[start : start + length]
        return


def _numbers(body: bytes) -> dict[str, F32] | None:
    """The map's numbers, each (3,); None where the standard's version is another or they cannot be meant."""
    try:
        least_version, _, flags = struct.unpack_from(">HHB", body)
        channels, at = 3 if flags & MANY else 1, 5
        if least_version != 0 or flags & BACKWARDS:
            return None
        count = 2 + 5 * channels
        if flags & ONE_DENOMINATOR:
            (below,) = struct.unpack_from(">I", body, at)
            pairs = [(n, below) for n in struct.unpack_from(f">2I{'iiIii' * channels}", body, at + 4)]
        else:
            flat = struct.unpack_from(">4I" + "iIiIIIiIiI" * channels, body, at)
            pairs = [(flat[2 * k], flat[2 * k + 1]) for k in range(count)]
        values = [n / d for n, d in pairs]
    except (struct.error, ZeroDivisionError):
        return None
    if values[0] >= values[1]:  # screens' room over white for which the picture, and its brighter other, is meant
        return None
    names = ("least", "most", "gamma", "before", "after")
    rows = np.array(values[2:], np.float32).reshape(channels, 5)
    out = {name: np.broadcast_to(rows[:, k], (3,)).astype(np.float32) for k, name in enumerate(names)}
    believed = np.isfinite(rows).all() and np.abs(rows[:, :2]).max() <= MOST_STOPS and (rows[:, 2] > 0.05).all()
    return out if believed and (rows[:, 1] >= rows[:, 0]).all() and np.abs(rows[:, 3:]).max() <= 1 else None


def gain_map_in(data: bytes) -> GainMap | None:
    """The gain map of a JPEG or HEIC file; None where it has none, or one that cannot be meant."""
    return _of_heif(data) if is_heif(data) else _of_jpeg(data)


def _of_heif(data: bytes) -> GainMap | None:
    found = tone_map_of(data)
    numbers = _numbers(found.numbers) if found is not None else None
    if found is None or numbers is None:
        return None
    import pillow_heif

    try:
        values = np.asarray(
            pillow_heif.open_heif(io.BytesIO(with_primary(data, found.item)), convert_hdr_to_8bit=False)
        )
    except Exception:  # of a damaged file libheif raises nearly everything there is; the picture itself was read
        return None
    most = np.float32(255 if values.dtype == np.uint8 else 65535)
    return GainMap(_colour(values).astype(np.float32) / most, **numbers)


def _of_jpeg(jpeg: bytes) -> GainMap | None:
    if NAME not in jpeg:
        return None
    for other in _others(jpeg):
        found = [body[len(NAME) :] for marker, _, body in segments(other) if marker == 0xE2 and body.startswith(NAME)]
        numbers = _numbers(found[0]) if found else None
        if numbers is None:
            continue
        values = cv2.imdecode(np.frombuffer(other, np.uint8), cv2.IMREAD_COLOR | cv2.IMREAD_IGNORE_ORIENTATION)
        if values is not None:
            return GainMap(values[..., ::-1].astype(np.float32) / np.float32(255), **numbers)
    return None
