"""How a picture was made upright: from the frame as held to the picture, by the camera model that finished it.

The frame is turned by shares of its true rotation, about that rotation's own axis. What straightening and crop lose
is shaded; then the view closes in on what the film's frame shows of the picture, which takes the plain frame's place.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.crop import Crop, frame_boundary
from clerestory.camera.pose import rotation_of, vector_of
from clerestory.film.account import Made
from clerestory.film.light import SURROUND, Renderer, Source, prepare
from clerestory.film.moves import Framing, eased, share_of, whole
from clerestory.film.pictures import load_linear
from clerestory.film.taps import Floats
from clerestory.finish.resample import source_positions

Array = NDArray[np.float64]

SECONDS = 13.0  # as long as it takes when nothing else says; seen on the demo's pictures
# Shares of the time at which each step begins and ends: turned upright, what is lost shaded, closed in.
TURN, SHADE, CLOSE = (0.16, 0.46), (0.48, 0.56), (0.72, 0.92)
_LOST, _CUT = 0.22, 0.55  # light left of what straightening loses, and of what the film's shape cuts off the picture
_ROOM = 0.6  # how far around the picture the straightened frame is shown, share of the picture's sides
_BRASS = np.array([0.451, 0.292, 0.114], np.float32)  # linear light


@dataclass(frozen=True)
class Moment:
    """What is seen at one frame: shares (0 to 1) turned, shaded, closed in; and the part of the picture plane."""

    turned: float
    shaded: float
    closed: float
    window: Framing
    """Picture-plane pixels as `Crop` has them: (-0.5, -0.5) is the outer corner of the frame as held."""


@dataclass(frozen=True)
class Straightening:
    """One straightening in time, drawn into frames of one size."""

    made: Made
    rendering: Path
    """The frame as held, plainly developed."""
    cut: Framing
    """What the film shows of the picture in the end, picture pixels."""
    picture: tuple[int, int]
    size: tuple[int, int]
    begin: int
    """First frame of its own, after the dissolve that leads in."""
    end: int
    still: bool = False

    seconds = SECONDS
    drawn_here = False

    @property
    def files(self) -> tuple[Path, ...]:
        """What it is drawn from beside the picture."""
        return (self.rendering,)

    def homography(self, share: float) -> Array:
        """Ideal pixels of the frame to pixels of the picture plane when a share of the rotation is done, 3 x 3."""
        vector = vector_of(self.made.rectification.rotation)
        camera = self.made.camera
        out: Array = camera.matrix @ rotation_of(share * vector) @ camera.inverse
        return out

    @property
    def last_window(self) -> Framing:
        """What the film shows in the end, in the picture plane."""
        room, k = self.made.room, self.made.room.width / self.picture[0]
        return Framing(
            room.left + self.cut.left * k, room.top + self.cut.top * k, self.cut.width * k, self.cut.height * k
        )

    def _around(self, low: Array, high: Array) -> Framing:
        """The least part of the plane with the film's shape around a box, with a margin."""
        size = (float(high[0] - low[0]), float(high[1] - low[1]))
        scale = whole((round(1000 * size[0] / size[1]), 1000), self.size)
        k = size[1] / 1000
        return Framing(low[0] + scale.left * k, low[1] + scale.top * k, scale.width * k, scale.height * k)

    def windows(self) -> tuple[Framing, Framing, Framing]:
        """The plane's parts shown: the frame as held, the straightened frame around the picture, the film's cut."""
        held = frame_boundary(self.made.camera.without_lens(), np.eye(3))
        outline = frame_boundary(self.made.camera, self.homography(1))
        room = self.made.room
        spare = _ROOM * np.array([room.width, room.height])
        low = np.maximum(outline.min(axis=0), room.corners[0] - spare)
        high = np.minimum(outline.max(axis=0), room.corners[2] + spare)
        return self._around(held.min(axis=0), held.max(axis=0)), self._around(low, high), self.last_window

    def share(self, frame: int) -> float:
        """How much of its time is over at a frame, 0 to 1."""
        return min(max(share_of(frame, self.begin, self.end), 0.0), 1.0)

    def at(self, frame: int) -> Moment:
        """What is seen at a frame. Where nothing may move, each step is done at once."""
        share = self.share(frame)

        def step(span: tuple[float, float]) -> float:
            return eased((share - span[0]) / (span[1] - span[0]), 0.4)

        turned, closed = ((float(share >= sum(span) / 2) if self.still else step(span)) for span in (TURN, CLOSE))
        first, second, third = self.windows()
        window = second.moved(third, closed) if closed > 0 else first.moved(second, turned)
        return Moment(turned, step(SHADE), closed, window)

    def lit(self, renderer: Renderer, picture: Path) -> DrawnStraightening:
        """The frame as held and the picture, read."""
        return DrawnStraightening.of(renderer, self, picture)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return (self.at(frame),)

    def corners(self, frame: int) -> Array:
        """Where the recorded frame's outer corners are drawn, clockwise from the top left: film pixels (4, 2)."""
        moment, camera = self.at(frame), self.made.camera
        w, h = camera.width, camera.height
        ideal = camera.ideal(np.array([[0, 0], [w, 0], [w, h], [0, h]], float) - 0.5)
        ahead = np.column_stack([ideal, np.ones(4)]) @ self.homography(moment.turned).T
        plane = ahead[:, :2] / ahead[:, 2:]
        window = moment.window
        out: Array = (plane - [window.left, window.top]) * (self.size[0] / window.width)
        return out

    def words(self) -> tuple[tuple[str, str], ...]:
        """What each of the three steps shows: a head and a line."""
        turned, room = self.made.rectification, self.made.room
        pitch, roll = np.degrees(turned.pitch), np.degrees(turned.roll)
        tilt = f"tilted {'up' if pitch >= 0 else 'down'} {abs(pitch):.1f}°, {abs(roll):.1f}° off level"
        head = "Verticals made parallel" if turned.plumb >= 0.995 else "Turned nearer to upright"
        done = "the tilt taken out" if turned.plumb >= 0.995 else f"{100 * turned.plumb:.0f} % of the tilt taken out"
        if turned.plumb <= 0:
            head, done = "Turned", "the tilt left as it was"
        if abs(np.degrees(turned.swing)) >= 0.05:
            way = "right" if turned.swing > 0 else "left"
            done += f", swung {abs(np.degrees(turned.swing)):.1f}° to the {way}"
        shape = self.picture[0] / self.picture[1] / (self.size[0] / self.size[1])
        then = "" if abs(shape - 1) < 0.01 else "; paler, what the film's shape cuts off"
        return (
            ("The frame as held", tilt),
            (head, done),
            ("The picture", f"dark, what is lost: {100 - 100 * room.kept:.0f} % of the frame{then}"),
        )

    def word_frames(self) -> list[tuple[int, int]]:
        """First and last frame of each of the words."""
        edges = [0.0, TURN[0], SHADE[0], CLOSE[0] + 0.03]
        frames = [self.begin + round(edge * (self.end - self.begin)) for edge in edges]
        frames[0] += 8
        return list(pairwise(frames))


@dataclass
class DrawnStraightening:
    """A straightening ready to be drawn."""

    renderer: Renderer
    showing: Straightening
    _texture: Floats
    _source: Source

    @classmethod
    def of(cls, renderer: Renderer, showing: Straightening, picture: Path) -> DrawnStraightening:
        """Read the frame as held and the picture."""
        plain = load_linear(showing.rendering)
        first = showing.windows()[0]
        shown = showing.made.camera.width / first.width * renderer.width
        if plain.shape[1] > 1.25 * shown:
            factor = shown / plain.shape[1]
            size = (max(8, round(plain.shape[1] * factor)), max(8, round(plain.shape[0] * factor)))
            plain = np.ascontiguousarray(cv2.resize(plain, size, interpolation=cv2.INTER_AREA))
        return cls(renderer, showing, plain, prepare(load_linear(picture), showing.cut.width, renderer.width))

    def linear(self, frame: int, out: Floats) -> None:
        """The frame at its share of the turn, shaded, and the picture over it, into `out`, float32 (H, 3 W)."""
        moment, room = self.showing.at(frame), self.showing.made.room
        k = self.showing.picture[0] / room.width
        window = moment.window
        part = Framing(
            (window.left - room.left) * k, (window.top - room.top) * k, window.width * k, window.height * k
        )
        if moment.closed >= 1:
            self.renderer.linear(self._source, self.showing.cut, out)
            return
        light = out.reshape(self.renderer.height, self.renderer.width, 3)
        light[:] = self._turned(moment)
        self._shade(light, moment)
        if moment.closed > 0:
            over = np.empty_like(out)
            self.renderer.linear(self._source, part, over)
            inside = self._cover(moment, room.left, room.top, room.width, room.height)[..., None]
            light += np.float32(moment.closed) * inside * (over.reshape(light.shape) - light)

    def video(self, frame: int, out: av.VideoFrame) -> None:
        """The frame as video."""
        light = np.empty((self.renderer.height, 3 * self.renderer.width), np.float32)
        self.linear(frame, light)
        self.renderer.levels(light, out)

    def _turned(self, moment: Moment) -> Floats:
        """The plain frame through the lens and the share of the rotation, in one resampling."""
        camera, window = self.showing.made.camera, moment.window
        stretch = (self._texture.shape[1] / camera.width, self._texture.shape[0] / camera.height)
        crop = Crop(window.left, window.top, window.width, window.height, 0.0)
        size = (self.renderer.width, self.renderer.height)
        xs, ys = source_positions(camera, self.showing.homography(moment.turned), crop, size, stretch=stretch)
        out: Floats = cv2.remap(
            self._texture, xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=SURROUND
        )
        return out

    def _cover(self, moment: Moment, left: float, top: float, width: float, height: float, grow: float = 0) -> Floats:
        """Share of each film pixel inside a rectangle of the picture plane grown by `grow` film pixels: H x W."""
        window, k = moment.window, self.renderer.width / moment.window.width

        def along(count: int, low: float, high: float) -> Floats:
            place = np.arange(count, dtype=np.float32)
            return np.clip(np.minimum(place + 1, high + grow) - np.maximum(place, low - grow), 0, 1).astype(
                np.float32
            )

        x, y = (left - window.left) * k, (top - window.top) * k
        across = along(self.renderer.width, x, x + width * k)
        return np.outer(along(self.renderer.height, y, y + height * k), across)

    def _shade(self, light: Floats, moment: Moment) -> None:
        """Darken what is lost, and less what the film's shape cuts off; a line around what stays."""
        if moment.shaded <= 0:
            return
        room, cut, share = self.showing.made.room, self.showing.last_window, np.float32(moment.shaded)
        kept = self._cover(moment, room.left, room.top, room.width, room.height)
        shown = self._cover(moment, cut.left, cut.top, cut.width, cut.height)
        left = np.float32(_LOST) + np.float32(_CUT - _LOST) * kept + np.float32(1 - _CUT) * shown
        light *= (1 - share * (1 - left))[..., None]
        np.maximum(light, np.array(SURROUND, np.float32), out=light)  # what is no frame stays as it was
        thick = max(1.0, self.renderer.height / 270)
        line = self._cover(moment, cut.left, cut.top, cut.width, cut.height, thick) - shown
        light += (share * np.float32(1 - moment.closed) * line)[..., None] * (_BRASS - light)
