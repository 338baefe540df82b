"""What a raw file asks of its reader beyond levels and colours, and what is not yet done for each form of it.

A DNG's own requests: DNG specification 1.4, chapter 4 (levels) and chapter 7 (opcode lists). Numbers and layouts of
opcodes from memory of it; the tests write files by the same layout.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.raw.tags import Tags, opcodes

F32 = NDArray[np.float32]
BAD_CONSTANT, BAD_LIST, GAIN_MAP = 4, 5, 9
MOST_BAD = 0.01  # share of a frame that a list of bad pixels is believed up to
SHADING_CELLS = 48  # along the longer side of the map that a file's shading is brought to
_KNOWN = {1: (), 2: (GAIN_MAP,), 3: (1, 3, GAIN_MAP)}
# What cannot be done, in words, by opcode.
_UNDONE = {
    1: "its lens correction before demosaicing",
    2: "its fisheye correction",
    3: "its correction of light fall-off before demosaicing",
    6: "trimming its bounds",
    7: "its table of values",
    8: "its curve of values",
    9: "its shading map before the levels",
    10: "its offsets by row",
    11: "its offsets by column",
    12: "its gains by row",
    13: "its gains by column",
}
_FORMS = {
    "mono": ("the sensor is monochrome: the picture is grey, neutral unless its toning is set",),
    "linear": (
        "the file holds three colours at every pixel: whoever wrote it made them, so that no defects are looked for",
    ),
    "6x6": (
        "the colour filter pattern is 6 x 6: row pattern is not looked for, and noise is reduced after the demosaic",
    ),
}


@dataclass(frozen=True)
class Facts:
    """What a DNG asks for. `bad`: places (n, 2), row and column in the visible area. `constant`: the value that marks
    a bad pixel. `rows`, `columns`: what black is above its mean there, raw units. `shading`: gains, float32
    h x w x 3 of R, G, B over the visible area, cell by cell. `undone`: sentences on what is not done.
    """

    bad: NDArray[np.int32] | None = None
    constant: int | None = None
    rows: NDArray[np.float64] | None = None
    columns: NDArray[np.float64] | None = None
    shading: F32 | None = None
    undone: tuple[str, ...] = ()


def said_of(form: str) -> tuple[str, ...]:
    """What a photographer should know of a form of raw file."""
    return _FORMS.get(form, ())


def asks(tags: Tags) -> bool:
    """Whether a file asks for anything that `facts_of` would find."""
    if tags.data("OpcodeList1") or tags.data("OpcodeList2"):
        return True
    if any(kind not in (1, 3) for kind, _ in opcodes(tags.data("OpcodeList3"))):
        return True
    return bool(tags.numbers("BlackLevelDeltaV", "BlackLevelDeltaH"))


def facts_of(
    tags: Tags, size: tuple[int, int], margins: tuple[int, int], cfa: NDArray[np.int8] | None, three: bool = False
) -> Facts:
    """What a DNG's tags ask for. `size`: height and width of the visible area, `margins`: rows and columns before it,
    `cfa`: the 2 x 2 of a Bayer mosaic, None for other forms; `three`: whether there are three values a pixel."""
    lists = {n: opcodes(tags.data(f"OpcodeList{n}")) for n in (1, 2, 3)}
    bad = [_listed(body) for kind, body in lists[1] if kind == BAD_LIST]
    places = np.concatenate([b - np.array(margins, np.int32) for b in bad]) if bad else None
    if places is not None:
        inside = ((places >= 0) & (places < np.array(size))).all(axis=1)
        places = places[inside] if inside.sum() <= MOST_BAD * size[0] * size[1] else None
    constants = [struct.unpack_from(">I", b)[0] for kind, b in lists[1] if kind == BAD_CONSTANT and len(b) > 3]
    undone = [
        f"the file asks for {_UNDONE[kind]} (opcode {kind} of list {n}), which is not done"
        for n, codes in lists.items()
        for kind, _ in codes
        if kind in _UNDONE and kind not in _KNOWN[n]
    ]
    shading, missed = _shading(
        [body for n in (2, 3) for kind, body in lists[n] if kind == GAIN_MAP], size, cfa, three
    )
    return Facts(
        places,
        int(constants[0]) if constants and constants[0] <= 65535 else None,
        _delta(tags.numbers("BlackLevelDeltaV"), size[0]),
        _delta(tags.numbers("BlackLevelDeltaH"), size[1]),
        shading,
        (*dict.fromkeys(undone), *missed),
    )


def _delta(values: list[float], length: int) -> NDArray[np.float64] | None:
    """Black by row or column above its mean, which LibRaw has taken into the level itself."""
    if len(values) < length or not np.isfinite(values).all() or np.ptp(values) < 0.5:
        return None
    found = np.array(values[len(values) - length :])  # LibRaw leaves an odd first row or column out
    return np.asarray(found - found.mean())


def _listed(body: bytes) -> NDArray[np.int32]:
    """Places of FixBadPixelsList: points and rectangles, (n, 2), in the coordinates of the whole sensor."""
    if len(body) < 12:
        return np.zeros((0, 2), np.int32)
    _phase, points, boxes = struct.unpack_from(">3I", body)
    if len(body) < 12 + 8 * points + 16 * boxes:
        return np.zeros((0, 2), np.int32)
    found = [np.frombuffer(body, ">u4", 2 * points, 12).reshape(-1, 2).astype(np.int64)]
    for top, left, bottom, right in np.frombuffer(body, ">u4", 4 * boxes, 12 + 8 * points).reshape(-1, 4).tolist():
        if 0 < (bottom - top) * (right - left) <= 100_000:
            found.append(np.argwhere(np.ones((bottom - top, right - left), bool)) + np.array((top, left)))
    places = np.concatenate(found)
    return places[(places < 2**30).all(axis=1)].astype(np.int32)


@dataclass(frozen=True)
class _Map:
    """One GainMap: where it begins, its planes, and its gains (rows x columns x planes) on a grid of shares."""

    top: int
    left: int
    plane: int
    planes: int
    pitch: tuple[int, int]
    spacing: tuple[float, float]
    origin: tuple[float, float]
    gains: F32

    def at(self, rows: int, columns: int) -> F32:
        """Gains at the middles of rows x columns even cells of the frame."""
        y = ((np.arange(rows) + 0.5) / rows - self.origin[0]) / max(self.spacing[0], 1e-9)
        x = ((np.arange(columns) + 0.5) / columns - self.origin[1]) / max(self.spacing[1], 1e-9)
        y, x = np.clip(y, 0, self.gains.shape[0] - 1), np.clip(x, 0, self.gains.shape[1] - 1)
        i, j = np.minimum(y.astype(int), self.gains.shape[0] - 2), np.minimum(x.astype(int), self.gains.shape[1] - 2)
        i, j = np.maximum(i, 0), np.maximum(j, 0)
        i1, j1 = np.minimum(i + 1, self.gains.shape[0] - 1), np.minimum(j + 1, self.gains.shape[1] - 1)
        f, g = (y - i)[:, None, None], (x - j)[None, :, None]
        upper = self.gains[i][:, j] * (1 - g) + self.gains[i][:, j1] * g
        lower = self.gains[i1][:, j] * (1 - g) + self.gains[i1][:, j1] * g
        return np.asarray(upper * (1 - f) + lower * f, np.float32)


def _map_of(body: bytes) -> _Map | None:
    if len(body) < 76:
        return None
    top, left, _bottom, _right, plane, planes, *pitch, rows, columns = struct.unpack_from(">10I", body)
    spacing_v, spacing_h, origin_v, origin_h = struct.unpack_from(">4d", body, 40)
    (deep,) = struct.unpack_from(">I", body, 72)
    count = rows * columns * deep
    if not 0 < count <= 1_000_000 or len(body) < 76 + 4 * count or deep > 4:
        return None
    gains = np.frombuffer(body, ">f4", count, 76).reshape(rows, columns, deep).astype(np.float32)
    numbers = (spacing_v, spacing_h, origin_v, origin_h)
    if not np.isfinite(gains).all() or gains.min() <= 0 or gains.max() > 64 or not np.isfinite(numbers).all():
        return None
    return _Map(top, left, plane, planes, (pitch[0], pitch[1]), (spacing_v, spacing_h), (origin_v, origin_h), gains)


def _shading(
    bodies: list[bytes], size: tuple[int, int], cfa: NDArray[np.int8] | None, three: bool
) -> tuple[F32 | None, tuple[str, ...]]:
    """All gain maps as one of R, G, B, and what could not be taken up."""
    if not bodies:
        return None, ()
    scale = SHADING_CELLS / max(size)
    rows, columns = max(2, round(size[0] * scale)), max(2, round(size[1] * scale))
    total, count = np.zeros((rows, columns, 3), np.float32), np.zeros(3)
    for body in bodies:
        found = _map_of(body)
        channels = _channels_of(found, cfa, three) if found is not None else ()
        if found is None or not channels:
            return None, ("the file's shading map is not laid out as its pixels are: corners may be dark or tinted",)
        at = found.at(rows, columns)
        for k in channels:
            total[..., k] += at[..., min(k - found.plane if three else 0, at.shape[2] - 1)]
            count[k] += 1
    if not (count > 0).all():
        return None, ("the file's shading map covers some colours only and is left out: corners may be tinted",)
    return np.asarray(total / count.astype(np.float32), np.float32), ()


def _channels_of(found: _Map, cfa: NDArray[np.int8] | None, three: bool) -> tuple[int, ...]:
    """Which of R, G, B a map is for."""
    if three:
        return tuple(range(found.plane, min(found.plane + found.planes, 3)))
    if found.pitch == (1, 1):
        return 0, 1, 2
    if found.pitch == (2, 2) and cfa is not None:
        channel = int(cfa[found.top % 2, found.left % 2])
        return (1 if channel == 3 else channel,)
    return ()
