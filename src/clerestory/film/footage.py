"""A clip: a stretch of a video file as a shot, its frames conformed to the film's, speed and colour left alone.

A film frame shows the clip's frame that stands at its middle, so that picture and sound are never more than half a
film frame (20 ms) apart, whatever the clip's frame rate.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import av
import cv2
import numpy as np

from clerestory.errors import UserError
from clerestory.film.light import InLight, Renderer
from clerestory.film.moves import Framing
from clerestory.film.pictures import LINEAR_8
from clerestory.film.taps import Floats

RATE = 25  # the film's frames a second
_TURNS = {90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_CLOCKWISE}


@dataclass(frozen=True)
class Footage:
    """What a video file is, as far as the film needs to know."""

    path: Path = field(repr=False, compare=False)
    width: int
    height: int
    """As shown: turned by the file's own rotation."""
    begin: float
    """When its first picture is shown, seconds by the file's own clock."""
    seconds: float
    sound: float | None
    """When its sound begins by the same clock; None without sound."""


def read_footage(path: Path) -> Footage:
    """A video file's size, length and beginnings. UserError where it holds no video that can be decoded."""
    if not path.is_file():
        raise UserError(f"there is no clip {path}")
    try:
        with av.open(path) as container:
            if not container.streams.video:
                raise UserError(f"{path} has no video in it")
            stream = container.streams.video[0]
            first = next(container.decode(stream), None)
            if first is None or first.time is None:
                raise UserError(f"{path} cannot be decoded: there is no picture in it")
            base = stream.time_base
            length = float(stream.duration * base) if stream.duration and base else (container.duration or 0) / 1e6
            sound = container.streams.audio[0] if container.streams.audio else None
            began = None
            if sound is not None:
                began = float((sound.start_time or 0) * sound.time_base) if sound.time_base else 0.0
            size = (first.width, first.height) if first.rotation % 180 == 0 else (first.height, first.width)
            return Footage(path, *size, float(first.time), length, began)
    except av.error.FFmpegError as error:
        raise UserError(f"{path} cannot be decoded as video: {error.strerror or error}") from None
    except (UnicodeDecodeError, AttributeError, ValueError) as error:  # what PyAV cannot express
        raise UserError(f"{path} cannot be decoded as video: {error}") from None


@dataclass(frozen=True)
class Stretch:
    """The part of a clip that a shot shows."""

    footage: Footage
    start: float
    """Seconds into the clip at the scene's first frame."""
    cut: Framing
    """What the film shows of its pictures, pixels."""
    sound: str
    begin: int = 0
    end: int = 0

    seconds = 0.0
    drawn_here = False

    @property
    def files(self) -> tuple[Path, ...]:
        """The clip itself is the scene's picture."""
        return ()

    def lit(self, renderer: Renderer, picture: Path) -> DrawnFootage:
        """The clip, to be read as it is shown."""
        return DrawnFootage(renderer, self)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """Every frame is its own."""
        return (frame,)

    def words(self) -> tuple[tuple[str, str], ...]:
        """A clip is not explained."""
        return ()

    def word_frames(self) -> list[tuple[int, int]]:
        """A clip is not explained."""
        return []

    def first_sample(self, rate: int) -> int:
        """The sample of the clip's sound that is heard with the scene's first frame; below 0 before it begins."""
        return round((self.footage.begin + self.start - (self.footage.sound or 0.0)) * rate)


@dataclass
class DrawnFootage(InLight):
    """A clip being read, in order where frames are asked for in order."""

    renderer: Renderer
    showing: Stretch
    _frames: Iterator[av.VideoFrame] | None = None
    _now: av.VideoFrame | None = None
    _next: av.VideoFrame | None = None
    _light: tuple[float, Floats] | None = None

    def _opened(self, time: float) -> Iterator[av.VideoFrame]:
        """Frames from a little before a time of the file's own clock."""
        with av.open(self.showing.footage.path) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            container.seek(max(0, int((time - 0.5) * av.time_base)), backward=True)
            yield from container.decode(stream)

    def _frame_at(self, time: float) -> av.VideoFrame:
        """The clip's frame that stands at a time of its own clock."""
        if self._frames is None or (self._now is not None and (self._now.time or 0.0) > time):
            self._frames = self._opened(time)
            self._now = next(self._frames, None)
            self._next = next(self._frames, None)
        while self._frames and self._next is not None and (self._next.time or 0.0) <= time + 1e-6:
            self._now, self._next = self._next, next(self._frames, None)
        if self._now is None:
            raise UserError(f"{self.showing.footage.path} cannot be decoded at {time:.1f} s; make it again.")
        return self._now

    def linear(self, frame: int, out: Floats) -> None:
        """The clip's picture at a frame's middle, into `out`, float32 (H, 3 W)."""
        footage, cut = self.showing.footage, self.showing.cut
        time = footage.begin + self.showing.start + (frame + 0.5) / RATE
        try:
            found = self._frame_at(time)
        except av.error.FFmpegError as error:
            raise UserError(f"{footage.path} cannot be decoded at {time:.1f} s: {error.strerror or error}.") from None
        if self._light is None or self._light[0] != found.time:
            rgb = found.to_ndarray(format="rgb24")
            turn = found.rotation % 360
            rgb = cv2.rotate(rgb, _TURNS[turn]) if turn in _TURNS else rgb
            left, top = round(cut.left), round(cut.top)
            part = LINEAR_8[rgb[top : top + round(cut.height), left : left + round(cut.width)]]
            size = (self.renderer.width, self.renderer.height)
            kind = cv2.INTER_AREA if part.shape[1] > size[0] else cv2.INTER_CUBIC
            light = np.clip(cv2.resize(part, size, interpolation=kind), 0, 1)
            self._light = (float(found.time or 0.0), np.ascontiguousarray(light.reshape(size[1], -1), np.float32))
        out[:] = self._light[1]
