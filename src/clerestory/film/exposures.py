"""How the light was held: the frames of a bracket or burst one after another, then the picture made from them.

Each frame is plainly developed, all with one gain, so that they differ as the exposures did; and laid into the
picture's own geometry, so that nothing moves but the light.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from clerestory.camera.crop import Crop
from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.develop.colour import to_space
from clerestory.errors import UserError
from clerestory.film.account import Made
from clerestory.film.light import InLight, Renderer, prepare
from clerestory.film.moves import Framing, eased
from clerestory.film.pictures import load_linear
from clerestory.film.taps import Floats
from clerestory.finish.resample import resample
from clerestory.finish.source import Source, balanced_half, half_size, working_of_srgb
from clerestory.raw.lens import lens_correction
from clerestory.raw.read import FrameInfo, read_info, read_mosaic, read_rendered

MOST = 9  # frames shown of a long burst, evenly chosen; more are gone before they are seen
EACH, LAST = 1.4, 4.0  # seconds of a frame and of the picture when nothing else says; common practice, no source
_CHANGE = 0.35  # share of a frame's time in which it gives way to the next
_LONG_EDGE = 1600  # pixels that a frame is developed at


@dataclass(frozen=True)
class Exposure:
    """One frame as it was exposed."""

    path: Path = field(repr=False, compare=False)
    label: str
    stops: float
    """More light than the view's pick had, stops."""


@dataclass(frozen=True)
class Exposures:
    """The frames in the order they are shown, and the picture they became."""

    made: Made
    frames: tuple[Exposure, ...]
    count: int
    """Frames of the view, of which those shown are some."""
    cut: Framing
    """What the film shows of the picture, picture pixels."""
    picture: tuple[int, int]
    begin: int = 0
    end: int = 0

    drawn_here = False

    @property
    def files(self) -> tuple[Path, ...]:
        """What it is drawn from beside the picture."""
        return tuple(frame.path for frame in self.frames)

    @property
    def gain(self) -> float:
        """Stops by which every frame is brightened: the pick then stands as bright as the picture.

        A bracket is merged on the scale of its darkest frame, which the picture's exposure starts from.
        """
        darkest = min(frame.stops for frame in self.frames)
        return self.made.exposure + (min(darkest, 0.0) if self.made.kind == "bracket" else 0.0)

    @property
    def seconds(self) -> float:
        """As long as it takes when nothing else says."""
        return EACH * len(self.frames) + LAST

    def _starts(self) -> list[float]:
        """At which frame of the film each frame begins to show, the picture last, and the end."""
        each = (self.end - self.begin) * EACH / self.seconds
        return [self.begin + k * each for k in range(len(self.frames) + 1)] + [float(self.end)]

    def at(self, frame: int) -> tuple[int, float]:
        """Which frame is seen (the picture counts last), and the share of the next one laid over it."""
        starts = self._starts()
        index = max(k for k in range(len(self.frames) + 1) if k == 0 or starts[k] <= frame)
        if index == len(self.frames):
            return index, 0.0
        length = starts[index + 1] - starts[index]
        share = (frame - starts[index + 1] + _CHANGE * length) / (_CHANGE * length)
        return index, eased(share, 0.5)

    def lit(self, renderer: Renderer, picture: Path) -> DrawnExposures:
        """Its frames, developed as they are shown."""
        return DrawnExposures(renderer, self, picture)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return self.at(frame)

    def words(self) -> tuple[tuple[str, str], ...]:
        """What each frame is, then the picture."""
        out = [(f"Frame {k} of {len(self.frames)}", frame.label) for k, frame in enumerate(self.frames, 1)]
        return (*out, ("The picture", f"merged from {self.count} frames"))

    def word_frames(self) -> list[tuple[int, int]]:
        """First and last frame of each of the words."""
        starts = [round(start) for start in self._starts()]
        return [(a, max(b, a + 1)) for a, b in pairwise(starts)]


def exposures_of(folder: Path, made: Made, cut: Framing, picture: tuple[int, int]) -> Exposures | str:
    """The frames of a picture's view, or why they cannot be shown, in words.

    `folder`: where the frames lie; `cut`: what the film shows of the picture, pixels.
    """
    if made.kind == "panorama":
        return "it was joined from frames side by side, none of which shows it all"
    if len(made.frames) < 2:
        return "it was made from one frame"
    infos = []
    for name in made.frames:
        path = _found(folder, name)
        if path is None:
            return f"its frame {name} is not in {folder}"
        try:
            infos.append(read_info(path))
        except UserError as error:
            return f"its frame cannot be read ({error})"
    pick = next((info for info in infos if info.path.name == made.pick), infos[0])
    shown = [Exposure(info.path, _label(info, pick), _stops(info, pick)) for info in infos]
    if max(e.stops for e in shown) - min(e.stops for e in shown) > 0.3:
        shown.sort(key=lambda exposure: exposure.stops)
    chosen = np.unique(np.round(np.linspace(0, len(shown) - 1, min(MOST, len(shown)))).astype(int))
    return Exposures(made, tuple(shown[k] for k in chosen), len(shown), cut, picture)


def _found(folder: Path, name: str) -> Path | None:
    path = folder / name
    return path if path.is_file() else next(iter(sorted(folder.rglob(name))), None)


def _light(info: FrameInfo) -> float | None:
    """How much light a frame had, in stops of an arbitrary beginning; None where it does not say."""
    if not info.seconds or not info.f_number or not info.iso:
        return None
    return math.log2(info.seconds * info.iso / info.f_number**2)


def _stops(info: FrameInfo, pick: FrameInfo) -> float:
    a, b = _light(info), _light(pick)
    return 0.0 if a is None or b is None else a - b


def _label(info: FrameInfo, pick: FrameInfo) -> str:
    """'1/15 s · f/4 · ISO 400 · +2 stops' of a frame."""
    time = time_label(info.seconds) if info.seconds else ""
    stops = _stops(info, pick)
    parts = [
        time if not time or time.endswith("s") else f"{time} s",
        f_label(info.f_number) if info.f_number else "",
        f"ISO {iso_label(info.iso)}" if info.iso else "",
        f"{stops:+.1f}".removesuffix(".0") + (" stop" if abs(abs(stops) - 1) < 0.05 else " stops")
        if abs(stops) >= 0.05
        else "",
    ]
    return " · ".join(part for part in parts if part)


def plain_source(path: Path) -> Source:
    """A frame as it was recorded: nothing taken out of it."""
    info = read_info(path)
    lens = lens_correction(info)
    if info.is_raw:
        return Source(info, lens, mosaic=read_mosaic(path, info))
    return Source(info, lens, rendered=working_of_srgb(read_rendered(path)[0]))


def in_picture(light: Floats, made: Made, pictured: int, cut: Framing, size: tuple[int, int]) -> Floats:
    """A part (`cut`) of a picture `pictured` pixels wide as a frame of it has it, float32 h x w x 3.

    `light`: the frame's, h x w x 3, as held; `size`: width and height of what is given back.
    """
    camera, room = made.camera, made.room
    k = room.width / pictured
    part = Crop(room.left + cut.left * k, room.top + cut.top * k, cut.width * k, cut.height * k, 0.0)
    stretch = (light.shape[1] / camera.width, light.shape[0] / camera.height)
    return resample(light, camera, made.rectification.homography(camera), part, size, stretch)


def plain_light(path: Path, made: Made, stops: float) -> Floats:
    """A frame plainly developed: linear light of BT.709 primaries, float32 h x w x 3, 0 to 1, turned as held.

    White balance is the picture's own, and brightness, a gain of `stops`, the same for each frame.
    """
    source = plain_source(path)
    image = half_size(source)
    factor = min(1.0, _LONG_EDGE / max(image.shape[:2]))
    image = np.asarray(cv2.resize(image, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA), np.float32)
    working = balanced_half(image, source, made.multipliers) * np.float32(2.0**stops)
    out: Floats = np.clip(cv2.transform(working, to_space("srgb").astype(np.float32)), 0, 1)
    return np.ascontiguousarray(out)


@dataclass
class DrawnExposures(InLight):
    """Exposures ready to be drawn; at most two frames' light is kept."""

    renderer: Renderer
    showing: Exposures
    picture: Path
    _kept: dict[int, Floats] = field(default_factory=dict)

    def _light(self, index: int) -> Floats:
        """A frame of the view, or the picture last, as it fills the film's frame: float32 (H, 3 W)."""
        if index not in self._kept:
            for old in [k for k in self._kept if k < index - 1]:
                del self._kept[old]
            last = index == len(self.showing.frames)
            self._kept[index] = self._picture() if last else self._frame(self.showing.frames[index].path)
        return self._kept[index]

    def _picture(self) -> Floats:
        out = np.empty((self.renderer.height, 3 * self.renderer.width), np.float32)
        source = prepare(load_linear(self.picture), self.showing.cut.width, self.renderer.width)
        self.renderer.linear(source, self.showing.cut, out)
        return out

    def _frame(self, path: Path) -> Floats:
        show, size = self.showing, (self.renderer.width, self.renderer.height)
        light = plain_light(path, show.made, show.gain)
        turned = in_picture(light, show.made, show.picture[0], show.cut, size)
        out: Floats = np.clip(turned, 0, 1).reshape(self.renderer.height, -1)
        return out

    def linear(self, frame: int, out: Floats) -> None:
        """The frame whose turn it is, and a share of the next, into `out`, float32 (H, 3 W)."""
        index, share = self.showing.at(frame)
        out[:] = self._light(index)
        if share > 0:
            self.renderer.mix(out, self._light(index + 1), np.full(self.renderer.width, share, np.float32))
