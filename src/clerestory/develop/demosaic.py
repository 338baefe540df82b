"""From a mosaic to linear colour: our own demosaic, LibRaw's of unusual patterns on values we prepared."""

from __future__ import annotations

import io
import struct
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import cv2
import numpy as np
import rawpy
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.directional import Directional
from clerestory.develop.wide_demosaic import WideDirectional, offset_of
from clerestory.files.tiff import BYTE, LONG, RATIONAL, SHORT, SRATIONAL, directory, numbers, rationals
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands
from clerestory.run.memory import release, room

PEDESTAL = 1024  # counts kept below black so that noise is not cut in half there
CEILING = 60000  # counts of raw saturation above the pedestal
_TURNS = {3: cv2.ROTATE_180, 6: cv2.ROTATE_90_CLOCKWISE, 8: cv2.ROTATE_90_COUNTERCLOCKWISE}


@dataclass(frozen=True)
class Balanced:
    """Demosaiced camera RGB: uint16 counts H x W x 3.

    White-balanced values are counts * scale - offset, with raw saturation of channel k at multipliers[k] (the
    least of them 1).
    """

    counts: NDArray[np.uint16]
    scale: float
    offset: NDArray[np.float64]
    multipliers: NDArray[np.float64]


@njit(cache=True, nogil=True, error_model="numpy")
def _prepare(
    begin: int, end: int, signal: NDArray[np.float32], gain: NDArray[np.float32], lift: float, out: NDArray[np.uint16]
) -> None:
    for y in range(begin, end):
        for x in range(out.shape[1]):
            value = signal[y, x] * gain[y & 1, x & 1] + lift
            out[y, x] = np.uint16(min(max(value, np.float32(0)), np.float32(65535)))


def prepared(signal: NDArray[np.floating], mosaic: Mosaic) -> NDArray[np.uint16]:
    """A mosaic above black, H x W, brought to 16 bits with a pedestal and one saturation for all channels."""
    if mosaic.pattern is not None:
        return _prepared_wide(signal, mosaic, mosaic.pattern)
    gain = (CEILING / (mosaic.white - mosaic.black))[mosaic.cfa.astype(int)].astype(np.float32)
    out = np.empty(signal.shape, np.uint16)
    in_bands(_prepare, 0, len(out), np.asarray(signal, np.float32), gain, np.float32(PEDESTAL + 0.5), out)
    return out


def _prepared_wide(signal: NDArray[np.floating], mosaic: Mosaic, pattern: NDArray[np.int8]) -> NDArray[np.uint16]:
    """`prepared` behind a 6 x 6 pattern."""
    out = np.empty(signal.shape, np.uint16)
    for (row, column), colour in np.ndenumerate(pattern):
        gain = np.float32(CEILING / (mosaic.white[colour] - mosaic.black[colour]))
        plane = signal[row::6, column::6].astype(np.float32) * gain + np.float32(PEDESTAL + 0.5)
        out[row::6, column::6] = np.clip(plane, 0, 65535)
    return out


def turned(image: NDArray[np.float32], orientation: int) -> NDArray[np.float32]:
    """An image, H x W or H x W x 3, turned the way the camera was held (EXIF orientation 3, 6 or 8)."""
    out: NDArray[np.float32] = cv2.rotate(image, _TURNS[orientation]) if orientation in _TURNS else image
    return out


def signal_of(mosaic: Mosaic) -> NDArray[np.float32]:
    """Raw values above black, float32 H x W; behind a 6 x 6 pattern, of `mosaic.whole`."""
    if mosaic.form == "6x6":
        return _wide_signal(mosaic)
    out = mosaic.raw.astype(np.float32)
    for row in range(2):
        for column in range(2):
            out[row::2, column::2] -= np.float32(mosaic.black[int(mosaic.cfa[row, column])])
    return out


def _wrapped(values: NDArray[np.uint16], mosaic: Mosaic, neutral: NDArray[np.floating]) -> bytes:
    """A minimal DNG in memory around prepared values, so that LibRaw demosaics them (DNG specification 1.4)."""
    height, width = values.shape
    cell = mosaic.cfa if mosaic.pattern is None else mosaic.pattern
    colour = np.where(cell == 3, 1, cell).astype(int).ravel()
    matrix = mosaic.xyz_to_camera if mosaic.xyz_to_camera is not None else np.linalg.inv(_SRGB)
    entries = [
        numbers(254, LONG, 0),
        numbers(256, LONG, width),
        numbers(257, LONG, height),
        numbers(258, SHORT, 16),
        numbers(259, SHORT, 1),
        numbers(262, SHORT, 32803),
        numbers(277, SHORT, 1),
        numbers(278, LONG, height),
        numbers(279, LONG, width * height * 2),
        numbers(33421, SHORT, *cell.shape),
        numbers(33422, BYTE, *(int(c) for c in colour)),
        numbers(50706, BYTE, 1, 4, 0, 0),
        numbers(50714, SHORT, 0),  # the pedestal is taken off afterwards: LibRaw would clip what lies below it
        numbers(50717, SHORT, PEDESTAL + CEILING),
        rationals(50721, SRATIONAL, *(round(float(v), 4) for v in matrix.ravel())),
        rationals(50728, RATIONAL, *(round(float(v), 4) for v in neutral)),
        numbers(50778, SHORT, 21),
    ]
    start = 8 + len(directory([*entries, numbers(273, LONG, 0)], 8))
    return b"II*\0" + struct.pack("<I", 8) + directory([*entries, numbers(273, LONG, start)], 8) + values.tobytes()


_SRGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])

DEMOSAIC = {
    "ahd": rawpy.DemosaicAlgorithm.AHD,
    "dht": rawpy.DemosaicAlgorithm.DHT,
    "one pass": rawpy.DemosaicAlgorithm.PPG,  # of a 6 x 6 pattern; 'ahd' asks for three
    "linear": rawpy.DemosaicAlgorithm.LINEAR,
}
WIDE_LEAST = 512  # rows and columns below which LibRaw does not demosaic a 6 x 6 pattern but linearly


STRIP = 256  # rows brought to 16 bits at a time
STRIPS = 8  # a frame is demosaiced in strips, side by side; always as many, so that the bytes never differ
MARGIN = 32  # rows a strip sees beyond its own, more than the demosaic reaches
WIDE_MARGIN = 36  # the same of a 6 x 6 pattern, whole cells of it


def demosaic(
    signal: NDArray[np.floating],
    mosaic: Mosaic,
    multipliers: tuple[float, float, float],
    method: str = "directional",
) -> Balanced:
    """Full-resolution camera RGB from a mosaic above black (H x W, raw units), white balanced by `multipliers`.

    `method`: "directional", our own (of patterns it does not know: LibRaw's "ahd"), or one of DEMOSAIC. The
    multipliers are used inside the demosaic, so that it sees grey as grey. Even-sized frames only: an odd last row or
    column is dropped. Of a monochrome frame every channel is the value itself. Behind a 6 x 6 pattern `signal` is of
    `mosaic.whole`.
    """
    height, width = signal.shape[0] // 2 * 2, signal.shape[1] // 2 * 2
    least = np.asarray(multipliers, np.float64) / min(multipliers)
    if method == "directional":
        found = _directional(signal, mosaic, least)
        if found is not None:
            return counted(found.rows, (height, width), least)
        method = "ahd"
    ready = prepared(signal[:height, :width], mosaic)
    if mosaic.form == "mono":
        return Balanced(np.repeat(ready[..., None], 3, axis=2), 1 / CEILING, least * PEDESTAL / CEILING, least)
    counts = np.empty((height, width, 3), np.uint16)
    strips = STRIPS if height >= STRIPS * 4 * MARGIN else 1
    period, margin = 2, MARGIN
    if mosaic.pattern is not None:
        period, margin = len(mosaic.pattern), WIDE_MARGIN
        strips = max(1, min(STRIPS, height // (WIDE_LEAST + period)))
        method = method if min(height, width) >= WIDE_LEAST else "linear"
    edges = [height * k // strips // period * period for k in range(strips)] + [height]

    def strip(k: int) -> None:
        first, last = max(0, edges[k] - margin), min(height, edges[k + 1] + margin)
        try:
            rows = _demosaiced(ready[first:last], mosaic, least, method)
        except rawpy.LibRawError:
            if mosaic.pattern is None:
                raise
            rows = _demosaiced(ready[first:last], mosaic, least, "linear")  # a pattern its better ways do not know
        counts[edges[k] : edges[k + 1]] = rows[edges[k] - first : edges[k + 1] - first]

    with ThreadPoolExecutor(min(strips, 2)) as hands:
        list(hands.map(strip, range(strips)))
    # With highlights left alone LibRaw brings the most amplified channel's white level to 65535.
    scale = float(least.max()) * (PEDESTAL + CEILING) / (65535.0 * CEILING)
    return Balanced(counts, scale, least * PEDESTAL / CEILING, least)


def demosaiced(
    signal: NDArray[np.floating], mosaic: Mosaic, multipliers: tuple[float, float, float], orientation: int = 1
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """As `demosaic` in its default way, but values: white-balanced camera RGB, float32 H x W x 3; and where channels
    saturate: the multipliers, the least of them 1. A signal of `run.memory.room` is spent.

    `orientation` (EXIF): the picture comes out turned so. A 2 x 2 pattern is turned first, as one plane: three of a
    hundred megapixels, turned, would lie in memory twice.
    """
    least = np.asarray(multipliers, np.float64) / min(multipliers)
    if orientation in _TURNS and mosaic.form == "bayer":
        signal, mosaic, orientation = *_turned_mosaic(signal, mosaic, orientation), 1
    found = _directional(signal, mosaic, least)
    if found is not None:
        return turned(_all_rows(found), orientation), least
    done = demosaic(signal, mosaic, multipliers)
    values = done.counts * np.float32(done.scale) - done.offset.astype(np.float32)
    return turned(values, orientation), least


def _turned_mosaic(
    signal: NDArray[np.floating], mosaic: Mosaic, orientation: int
) -> tuple[NDArray[np.float32], Mosaic]:
    """A mosaic above black (H x W) turned as the camera was held, and what its cells are then. An odd last row or
    column is left out: turned, it would come first, and the pattern begin with another colour."""
    height, width = (n // 2 * 2 for n in signal.shape)
    size = (height, width) if orientation == 3 else (width, height)
    out = room(*size)
    cv2.rotate(np.asarray(signal[:height, :width], np.float32), _TURNS[orientation], dst=out)
    return out, replace(mosaic, cfa=cv2.rotate(mosaic.cfa, _TURNS[orientation]))


def _all_rows(found: Directional | WideDirectional) -> NDArray[np.float32]:
    """All of its colour; what it is made from is given back on the way."""
    height, width = found.signal.shape
    out = room(height, width, 3)
    for first in range(0, height, STRIP):
        last = min(first + STRIP, height)
        if isinstance(found, Directional):
            found.rows(first, last, out[first:last])
        else:
            out[first:last] = found.rows(first, last)
        for spent in (found.signal, found.green) if isinstance(found, Directional) else (found.signal,):
            release(spent, last - MARGIN)
    return out


def _directional(
    signal: NDArray[np.floating], mosaic: Mosaic, least: NDArray[np.floating]
) -> Directional | WideDirectional | None:
    """Our own way, where it serves: two greens on one diagonal of a 2 x 2 pattern, or the usual 6 x 6 one."""
    height, width = signal.shape[0] // 2 * 2, signal.shape[1] // 2 * 2
    even = np.ascontiguousarray(signal[:height, :width], np.float32)
    if mosaic.form == "6x6" and mosaic.pattern is not None:
        offset, cell = offset_of(mosaic.pattern), mosaic.pattern.astype(int)
        if offset is None:
            return None
        return WideDirectional(even, offset, least[cell] / (mosaic.white - mosaic.black)[cell], least)
    colour = np.where(mosaic.cfa == 3, 1, mosaic.cfa).astype(int)
    diagonal = 1 in (colour[0, 0], colour[0, 1]) and (colour[0, 0] == colour[1, 1] or colour[0, 1] == colour[1, 0])
    if mosaic.form != "bayer" or sorted(colour.ravel()) != [0, 1, 1, 2] or not diagonal:
        return None
    gain = least[colour] / (mosaic.white - mosaic.black)[mosaic.cfa.astype(int)]
    return Directional(even, colour, gain, least)


def counted(
    rows: Callable[[int, int], NDArray[np.float32]], size: tuple[int, int], least: NDArray[np.float64]
) -> Balanced:
    """White-balanced colour, had by rows from and to (N x W x 3), in 16 bits.

    `size`: rows and columns; `least`: where channels saturate (3,), the least of them 1.
    """
    counts = np.empty((*size, 3), np.uint16)
    scale = float(least.max()) / CEILING
    for first in range(0, size[0], STRIP):
        last = min(first + STRIP, size[0])
        values = rows(first, last)
        values *= np.float32(1 / scale)
        values += np.float32(PEDESTAL + 0.5)
        counts[first:last] = np.clip(values, 0, 65535, out=values)
    return Balanced(counts, scale, np.full(3, PEDESTAL * scale), least)


def _demosaiced(
    values: NDArray[np.uint16], mosaic: Mosaic, least: NDArray[np.floating], method: str
) -> NDArray[np.uint16]:
    data = _wrapped(values, mosaic, 1 / least)
    with rawpy.imread(io.BytesIO(data)) as handle:
        out: NDArray[np.uint16] = handle.postprocess(
            demosaic_algorithm=DEMOSAIC[method],
            output_color=rawpy.ColorSpace.raw,
            output_bps=16,
            gamma=(1, 1),
            no_auto_bright=True,
            no_auto_scale=False,
            user_wb=[float(least[0]), float(least[1]), float(least[2]), float(least[1])],
            highlight_mode=rawpy.HighlightMode.Ignore,
            user_flip=0,
            adjust_maximum_thr=0.0,
        )
    return out


def small(signal: NDArray[np.floating], mosaic: Mosaic) -> NDArray[np.float32]:
    """Half-size camera RGB from a mosaic above black: each 2 x 2 block one pixel, 1.0 at raw saturation."""
    height, width = signal.shape[0] // 2, signal.shape[1] // 2
    out = np.zeros((height, width, 3), np.float32)
    for row in range(2):
        for column in range(2):
            channel = int(mosaic.cfa[row, column])
            share = 0.5 if channel in (1, 3) else 1.0
            gain = np.float32(share / (mosaic.white[channel] - mosaic.black[channel]))
            plane = signal[row : 2 * height : 2, column : 2 * width : 2]
            out[..., 1 if channel == 3 else channel] += plane.astype(np.float32) * gain
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _halved(
    begin: int,
    end: int,
    raw: NDArray[np.uint16],
    colour: NDArray[np.int64],
    black: NDArray[np.float32],
    gain: NDArray[np.float32],
    out: NDArray[np.float32],
) -> None:
    for y in range(begin, end):
        for x in range(out.shape[1]):
            for k in range(3):
                out[y, x, k] = np.float32(0)
            for p in range(2):
                for q in range(2):
                    value = (np.float32(raw[2 * y + p, 2 * x + q]) - black[p, q]) * gain[p, q]
                    out[y, x, colour[p, q]] += value


def small_of(mosaic: Mosaic) -> NDArray[np.float32]:
    """Half-size camera RGB from a mosaic's own values, 1.0 at raw saturation: as `small`, or as its form asks."""
    if mosaic.form != "bayer":
        return _small_of_form(mosaic)
    colour = np.where(mosaic.cfa == 3, 1, mosaic.cfa).astype(np.int64)
    black = mosaic.black[mosaic.cfa.astype(int)].astype(np.float32)
    share = np.where(colour == 1, 0.5, 1.0)
    gain = (share / (mosaic.white - mosaic.black)[mosaic.cfa.astype(int)]).astype(np.float32)
    out = np.empty((mosaic.raw.shape[0] // 2, mosaic.raw.shape[1] // 2, 3), np.float32)
    in_bands(_halved, 0, len(out), mosaic.raw, colour, black, gain, out)
    return out


def _small_of_form(mosaic: Mosaic) -> NDArray[np.float32]:
    """Half-size camera RGB of a frame that is no Bayer mosaic: means of 2 x 2 pixels."""
    black, span = mosaic.black[:3].astype(np.float32), (mosaic.white - mosaic.black)[:3].astype(np.float32)
    values = mosaic.raw if mosaic.whole is None else mosaic.whole
    height, width = (n // 2 for n in values.shape[:2])
    if mosaic.form == "6x6":
        # LibRaw's own half size draws edges in steps, which spoils verticals.
        done = demosaic(_wide_signal(mosaic), mosaic, mosaic.as_shot or (1.0, 1.0, 1.0), "directional")
        halved = cv2.resize(done.counts, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
        rgb = halved * np.float32(done.scale) - done.offset.astype(np.float32)
        return np.asarray(rgb / done.multipliers.astype(np.float32), np.float32)
    even = np.ascontiguousarray(values[: 2 * height, : 2 * width], np.float32)
    shrunk = np.asarray(cv2.resize(even, (width, height), interpolation=cv2.INTER_AREA), np.float32)
    rgb = np.repeat(shrunk[..., None], 3, axis=2) if shrunk.ndim == 2 else shrunk
    return np.asarray((rgb - black) / span, np.float32)


def _wide_signal(mosaic: Mosaic) -> NDArray[np.float32]:
    """Values above black behind a 6 x 6 pattern, float32 H x W."""
    assert mosaic.whole is not None and mosaic.pattern is not None
    out = mosaic.whole.astype(np.float32)
    for (row, column), colour in np.ndenumerate(mosaic.pattern):
        out[row::6, column::6] -= np.float32(mosaic.black[colour])
    return out
