"""A part of a picture to a frame: area-true resampling, in linear light or as video levels."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise

import av
import cv2
import numpy as np
from numba import njit

from clerestory.film.levels import curve_of, decoding_of, levels_band, planes_of
from clerestory.film.moves import Framing
from clerestory.film.planes import AROUND, PictureLevels, drawings_of, light_of, planes_from
from clerestory.film.taps import AT_ONCE, Floats, Room, drawn, weights_of

SPARE = 1.25  # picture pixels kept for each frame pixel at the closest point of a move

# Chroma is brought to luma's fineness and back again: by a quarter, an eighth on either side. This undoes it.
_TWICE, _EDGE = np.array([-1 / 8, 5 / 4, -1 / 8], np.float32), cv2.BORDER_REPLICATE

SURROUND = (0.0056, 0.0054, 0.0052)  # linear light of the dark around a whole picture and behind cards


@dataclass(frozen=True)
class Source:
    """A picture averaged down as far as the closest framing allows."""

    light: Floats
    """Linear light, float32 h x w x 3."""
    factor: tuple[float, float]
    """Prepared pixels for one of the picture's, across and down."""


def prepare(linear: Floats, closest: float, frame_width: int, spare: float = SPARE) -> Source:
    """The picture, linear light float32 H x W x 3, at the one fineness that serves a whole move.

    `closest`: width of the tightest framing, picture pixels; `frame_width`: of the film's frame, pixels; `spare`:
    pixels kept for each of the frame's.

    One fineness for all frames of a shot, so that no change of level shows while the camera moves.
    """
    shrink = closest / frame_width / spare
    height, width = linear.shape[:2]
    if shrink <= 1.02:
        return Source(linear, (1.0, 1.0))
    w, h = max(4, round(width / shrink)), max(4, round(height / shrink))
    small = cv2.resize(linear, (w, h), interpolation=cv2.INTER_AREA)
    return Source(np.ascontiguousarray(small), (w / width, h / height))


@njit(cache=True, nogil=True, error_model="numpy")
def _mix_band(a: Floats, b: Floats, share: Floats, rows: tuple[int, int]) -> None:
    """b mixed into a, in place; share is how much of b, by column."""
    for y in range(rows[0], rows[1]):
        for x in range(share.size):
            s = share[x]
            for c in range(3):
                a[y, 3 * x + c] += s * (b[y, 3 * x + c] - a[y, 3 * x + c])


class Renderer:
    """Turns framings into frames of one size, on a few threads."""

    def __init__(self, width: int, height: int, threads: int = 2) -> None:
        self.width, self.height = width, height
        bands = max(1, threads)
        self._pool = ThreadPoolExecutor(bands)
        edges = [AT_ONCE * round(i * height / bands / AT_ONCE) for i in range(bands)]
        self._rows = list(pairwise([*edges, height]))
        self._room = Room()

    def close(self) -> None:
        self._pool.shutdown()

    def _each(self, work: Callable[[tuple[int, int]], None]) -> None:
        """Some rows at a time, on all threads."""

        def share(rows: tuple[int, int]) -> None:
            for first in range(*rows, AT_ONCE):
                work((first, min(first + AT_ONCE, rows[1])))

        list(self._pool.map(share, self._rows))

    def settled(self, linear: Floats, start: Framing, end: Framing) -> PictureLevels:
        """A picture ready for a move, as video levels. linear: its linear light, float32 H x W x 3.

        start, end: what its first frame shows, and its last. A pan is laid on two pixels to one of the frame: then
        all pixels of a frame are shifted by the same share.
        """
        closest = min(start.width, end.width)
        if (start.top, start.height) == (end.top, end.height) and start.width == end.width:
            return self._pan(prepare(linear, closest, self.width, 2.0), start)
        source = prepare(linear, closest, self.width)
        return planes_from(source.light, source.factor)

    def _pan(self, source: Source, framing: Framing) -> PictureLevels:
        """A pan's source: the frame's rows, and half pixels across, its edges repeated."""
        (fx, fy), (height, width) = source.factor, source.light.shape[:2]
        tall = weights_of(framing.top * fy, framing.height * fy / self.height, self.height, height)
        step = framing.width * fx / self.width / 2
        count = 2 * AROUND + int(np.ceil(width / step))
        count += -count % 4
        side = weights_of(-AROUND * step, step, count, width)
        fine = np.empty((self.height, 3 * count), np.float32)
        flat, axis = source.light.reshape(height, -1), (side[0], side[1], np.ones(count, np.float32))
        self._each(lambda lot: drawn(self._room, flat, tall, axis, SURROUND, lot, fine[lot[0] : lot[1]]))
        return planes_from(fine.reshape(self.height, count, 3), source.factor, halves=True)

    def linear(self, source: Source | PictureLevels, framing: Framing, out: Floats) -> None:
        """A framing in linear light into `out`, float32 height x 3 width."""
        if isinstance(source, PictureLevels):
            self._undone(source, framing, out)
            return
        (fx, fy), (height, width) = source.factor, source.light.shape[:2]
        ys = weights_of(framing.top * fy, framing.height * fy / self.height, self.height, height)
        xs = weights_of(framing.left * fx, framing.width * fx / self.width, self.width, width)
        flat = source.light.reshape(height, -1)
        self._each(lambda rows: drawn(self._room, flat, ys, xs, SURROUND, rows, out[rows[0] : rows[1]]))

    def _undone(self, planes: PictureLevels, framing: Framing, out: Floats) -> None:
        """A move's frame in linear light: what its video shows, before it is rounded to whole levels."""
        drawings = drawings_of(planes, framing, (self.width, self.height), SURROUND)
        luma, *chroma = (drawing.floats(self._room) for drawing in drawings)
        blue, red = (cv2.sepFilter2D(c, -1, _TWICE, _TWICE, borderType=_EDGE) for c in chroma)
        self._each(lambda rows: light_of(luma, blue, red, decoding_of(), rows, out[rows[0] : rows[1]]))

    def video(self, source: Source | PictureLevels, framing: Framing, frame: av.VideoFrame) -> None:
        """A framing as video.

        A move's is drawn on one thread: the encoder beside it takes several times as long, and all cores. Shared out
        among threads, a frame cost half as much again.
        """
        if isinstance(source, PictureLevels):
            drawings = drawings_of(source, framing, (self.width, self.height), SURROUND)
            for drawing, plane in zip(drawings, planes_of(frame), strict=True):
                drawing.whole(self._room, plane)
            return
        light = np.empty((self.height, 3 * self.width), np.float32)
        self.linear(source, framing, light)
        self.levels(light, frame)

    def levels(self, linear: Floats, frame: av.VideoFrame) -> None:
        """Linear light, height x 3 width, to video levels."""
        luma, u, v = planes_of(frame)
        self._each(lambda rows: levels_band(linear[rows[0] : rows[1]], curve_of(), rows, luma, u, v))

    def mix(self, a: Floats, b: Floats, share: Floats) -> None:
        """b mixed into a, in place, in linear light: both float32 (H, 3 W), colours side by side.

        `share` of b by column, float32 (W,), 0 to 1.
        """
        self._each(lambda rows: _mix_band(a, b, share, rows))


class InLight:
    """What is drawn in linear light, and made video from that."""

    renderer: Renderer

    def linear(self, frame: int, out: Floats) -> None:
        """The frame of this number in linear light, into `out`, float32 (H, 3 W), colours side by side."""
        raise NotImplementedError

    def video(self, frame: int, out: av.VideoFrame) -> None:
        """The frame as video."""
        light = np.empty((self.renderer.height, 3 * self.renderer.width), np.float32)
        self.linear(frame, light)
        self.renderer.levels(light, out)


@dataclass
class StillCard:
    """A card: the same light in every frame."""

    renderer: Renderer
    light: Floats

    def linear(self, frame: int, out: Floats) -> None:
        """The card, the same at every frame, into `out`, float32 (H, 3 W)."""
        out[:] = self.light

    def video(self, frame: int, out: av.VideoFrame) -> None:
        self.renderer.levels(self.light, out)
