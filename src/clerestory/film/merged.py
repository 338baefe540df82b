"""The shade at 100 % before and after the merge: one frame as recorded beside the picture, pixel for pixel.

The frame is laid into the picture's own geometry, and its brightness brought to the picture's by one smooth curve
over the place shown, so that only grain and detail differ.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import to_space
from clerestory.errors import UserError
from clerestory.film.account import Made
from clerestory.film.exposures import in_picture, plain_source
from clerestory.film.lettering import lay_linear, tag
from clerestory.film.light import InLight, Renderer, prepare
from clerestory.film.moves import Framing, share_of, stepped
from clerestory.film.pictures import load_linear, luminance
from clerestory.film.taps import Floats
from clerestory.finish.source import full_size

SECONDS = 9.0  # as long as it takes when nothing else says; seen on the demo's pictures
OPEN = (0.2, 0.32)  # shares of the time between which the two places come over the picture
_WIDE, _HIGH, _GAP = 0.44, 0.62, 0.02  # of each place and between them, shares of the frame's width and height
_DIM = 0.35  # light left of the picture behind
_LINE = np.array([0.451, 0.292, 0.114], np.float32)


@dataclass(frozen=True)
class Merged:
    """One place of a merged picture, and the frame that it is compared with."""

    made: Made
    frame: Path = field(repr=False, compare=False)
    cut: Framing
    """What the film shows of the picture, picture pixels."""
    picture: tuple[int, int]
    size: tuple[int, int]
    middle: tuple[float, float]
    """Of the place, shares of the picture's width and height."""
    still: bool = False
    begin: int = 0
    end: int = 0

    seconds = SECONDS
    drawn_here = False

    @property
    def files(self) -> tuple[Path, ...]:
        """What it is drawn from beside the picture."""
        return (self.frame,)

    def lit(self, renderer: Renderer, picture: Path) -> DrawnMerged:
        """The picture and the frame, read."""
        return DrawnMerged.of(renderer, self, picture)

    @property
    def pixels(self) -> tuple[int, int]:
        """Width and height of each place: as many pixels of the film as of the picture."""
        width, height = round(self.size[0] * _WIDE), round(self.size[1] * _HIGH)
        return min(width, self.picture[0]), min(height, self.picture[1])

    @property
    def place(self) -> tuple[int, int, int, int]:
        """Left, top, width, height in the picture, pixels."""
        width, height = self.pixels
        left = round(min(max(self.middle[0] * self.picture[0] - width / 2, 0), self.picture[0] - width))
        top = round(min(max(self.middle[1] * self.picture[1] - height / 2, 0), self.picture[1] - height))
        return left, top, width, height

    def at(self, frame: int) -> float:
        """How far the two places have come over the picture, 0 to 1."""
        share = share_of(frame, self.begin, self.end)
        return float(share >= OPEN[0]) if self.still else stepped(share, OPEN)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return (self.at(frame),)

    def words(self) -> tuple[tuple[str, str], ...]:
        """The places bear their own words."""
        return ()

    def word_frames(self) -> list[tuple[int, int]]:
        """The places bear their own words."""
        return []


def merged_of(
    folder: Path, made: Made, cut: Framing, picture: Path, size: tuple[int, int], region: tuple[float, ...] | None,
    still: bool,
) -> Merged:  # fmt: skip
    """What the merge gained, at a place of the picture (`region`, else the deepest shade that has detail).

    UserError where it was not merged, or the frame is not there.
    """
    if made.kind == "panorama":
        raise UserError("it was joined from frames side by side, not merged")
    if len(made.frames) < 2:
        raise UserError("it was made from one frame")
    frame = next((p for p in (folder / made.pick, *sorted(folder.rglob(Path(made.pick).name))) if p.is_file()), None)
    if frame is None:
        raise UserError(f"its frame {made.pick} is not in {folder}")
    light = load_linear(picture)
    pixels = light.shape[1], light.shape[0]
    middle = _shade(light) if region is None else ((region[0] + region[2]) / 2, (region[1] + region[3]) / 2)
    return Merged(made, frame, cut, pixels, size, middle, still)


def _shade(light: Floats) -> tuple[float, float]:
    """The middle of the deepest shade that is not black, shares of the picture: where grain shows most."""
    small = cv2.resize(
        light, (160, max(8, round(160 * light.shape[0] / light.shape[1]))), interpolation=cv2.INTER_AREA
    )
    even = cv2.blur(luminance(small), (25, 17))
    usable = np.where(even > 0.004, even, np.inf)[9:-9, 13:-13]
    y, x = np.unravel_index(int(np.argmin(usable)), usable.shape)
    return float((x + 13.5) / even.shape[1]), float((y + 9.5) / even.shape[0])


def _developed(path: Path, made: Made) -> Floats:
    """One frame at full size, no noise taken out, linear light of BT.709 primaries, float32 h x w x 3, as held."""
    working = full_size(plain_source(path), made.multipliers, 0.0, "fast", lambda _: None)
    return np.asarray(cv2.transform(working, to_space("srgb").astype(np.float32)), np.float32)


def toned(frame: Floats, like: Floats) -> Floats:
    """A place of the frame with the brightness of the picture's: one gain and one gamma, by their blurred light.

    Both linear light, float32 h x w x 3, of the same place.
    """
    a, b = (np.maximum(cv2.GaussianBlur(luminance(x), (0, 0), 6.0), 1e-5).ravel() for x in (frame, like))
    logs = np.stack([np.log(a), np.ones_like(a)], axis=1)
    gamma, gain = np.linalg.lstsq(logs, np.log(b), rcond=None)[0]
    gamma = float(np.clip(gamma, 0.5, 1.5))
    gain = float(np.mean(np.log(b) - gamma * np.log(a)))
    low = np.maximum(luminance(frame), 1e-6)[..., None]
    tone: Floats = np.clip(frame * (math.exp(gain) * low ** np.float32(gamma - 1)), 0, 1).astype(np.float32)
    return tone


@dataclass
class DrawnMerged(InLight):
    """A comparison ready to be drawn."""

    renderer: Renderer
    showing: Merged
    _before: Floats
    """The picture with its place marked, and the same with the two places over it: float32 (H, 3 W)."""
    _after: Floats

    @classmethod
    def of(cls, renderer: Renderer, showing: Merged, picture: Path) -> DrawnMerged:
        """Read the picture and the frame, and draw the two states."""
        light = load_linear(picture)
        shape = (renderer.height, 3 * renderer.width)
        plain, after = np.empty(shape, np.float32), np.empty(shape, np.float32)
        renderer.linear(prepare(light, showing.cut.width, renderer.width), showing.cut, plain)
        after[:] = plain * np.float32(_DIM)
        x, y, w, h = showing.place
        ours = np.ascontiguousarray(light[y : y + h, x : x + w])
        frame = toned(_in_place(showing), ours)
        cls._marked(renderer, showing, plain)
        cls._beside(renderer, showing, after, frame, ours)
        return cls(renderer, showing, plain, after)

    @staticmethod
    def _marked(renderer: Renderer, showing: Merged, plain: NDArray[np.float32]) -> None:
        """A line around the place, on the picture."""
        k, cut = renderer.width / showing.cut.width, showing.cut
        x, y, w, h = showing.place
        a, b = round((x - cut.left) * k), round((y - cut.top) * k)
        c, d = round((x + w - cut.left) * k), round((y + h - cut.top) * k)
        thick = max(2, round(renderer.height / 216))  # seen on a phone, too
        pixels = plain.reshape(renderer.height, renderer.width, 3)
        box = pixels[max(b, 0) : d, max(a, 0) : c]
        inner = box[thick:-thick, thick:-thick].copy()
        box[:] = _LINE
        box[thick:-thick, thick:-thick] = inner

    @staticmethod
    def _beside(renderer: Renderer, showing: Merged, after: Floats, frame: Floats, ours: Floats) -> None:
        """The two places over the darkened picture, each with its words."""
        pixels = after.reshape(renderer.height, renderer.width, 3)
        k = renderer.width / showing.size[0]  # a preview is smaller than the film was planned for
        w, h = round(ours.shape[1] * k), round(ours.shape[0] * k)
        gap = round(_GAP * renderer.width)
        top = (renderer.height - h) // 2
        count = len(showing.made.frames)
        said = ("One frame, 100 %", f"Merged from {count}, 100 %")
        lefts = (renderer.width // 2 - gap // 2 - w, renderer.width // 2 + gap // 2)
        tags = [tag(words, (renderer.width, renderer.height)) for words in said]
        foot = top + h - max(word.cover.shape[0] for word in tags) - gap // 2  # letters stand on one line
        for left, place, word in zip(lefts, (frame, ours), tags, strict=True):
            pixels[top : top + h, left : left + w] = (
                place if k == 1 else cv2.resize(place, (w, h), interpolation=cv2.INTER_AREA)
            )
            lay_linear(word, pixels, left + gap // 2, foot)

    def linear(self, frame: int, out: Floats) -> None:
        """The picture, and as much as has come of the two places, into `out`, float32 (H, 3 W)."""
        share = self.showing.at(frame)
        out[:] = self._before
        if share > 0:
            self.renderer.mix(out, self._after, np.full(self.renderer.width, share, np.float32))


def _in_place(showing: Merged) -> Floats:
    """The place of the picture as the one frame has it: float32 h x w x 3."""
    x, y, w, h = showing.place
    light = _developed(showing.frame, showing.made)
    return in_picture(light, showing.made, showing.picture[0], Framing(x, y, w, h), (w, h))
