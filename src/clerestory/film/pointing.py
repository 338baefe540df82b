"""Pointing at a detail: a ring, an arrow or a lightened place that keeps to its picture, with a word beside it."""

from __future__ import annotations

import re
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.film.captions import cues
from clerestory.film.lettering import Layer, tag
from clerestory.film.model import Point
from clerestory.film.moves import Framing, Path
from clerestory.film.taps import Floats

POINTED = 4.0  # seconds that a pointer timed to a word stays; common practice, no source
_STROKE, _HALO = 2.2, 1.3  # width of a stroke and of the dark on either side of it, points of a frame 960 wide
_SHAFT, _HEAD = 64.0, 15.0  # length of an arrow and of its barbs, points
_PALE, _DARK = np.array([0.914, 0.898, 0.859], np.float32), np.float32(0.045)
_DIM = 0.55  # opacity of the dark around a lightened place
_SOFT = 0.22  # width of its edge, share of its radius


def place_in_frame(
    point: Point, picture: tuple[int, int], framing: Framing, width: int
) -> tuple[float, float, float]:
    """Where a pointer's middle lies in a frame `width` pixels wide, and its radius: pixels from the outer corner.

    `picture`: its width and height, pixels.
    """
    scale = width / framing.width
    x, y = point.at[0] * picture[0], point.at[1] * picture[1]
    return (x - framing.left) * scale, (y - framing.top) * scale, point.radius * picture[0] * scale


def _bare(word: str) -> str:
    return re.sub(r"\W+", "", word).casefold()


def holds(words: str, phrase: str) -> bool:
    """Whether spoken words hold a word or some words in a row."""
    return _index([_bare(w) for w in words.split()], phrase) is not None


def _index(words: list[str], phrase: str) -> int | None:
    sought = [_bare(w) for w in phrase.split()]
    places = range(len(words) - len(sought) + 1) if sought else range(0)
    return next((i for i in places if words[i : i + len(sought)] == sought), None)


def said_at(words: str, phrase: str, start: float, seconds: float, limit: float) -> float | None:
    """When a phrase is said, seconds of the film; None where the words do not hold it.

    The words are spread over their time as the captions are (`captions.cues`), evenly by letters within each.
    """
    found: list[tuple[str, float]] = []
    for cue in cues(words, start, seconds, limit):
        text, at = cue.text.replace("\n", " "), 0
        for word in text.split():
            found.append((_bare(word), cue.start + (cue.end - cue.start) * at / len(text)))
            at += len(word) + 1
    index = _index([word for word, _ in found], phrase)
    return None if index is None else found[index][1]


def _even(low: float, high: float, most: int) -> tuple[int, int]:
    """Whole even pixels from low to high, within 0 to `most`."""
    first = min(max(int(np.floor(low)) & ~1, 0), most - 2)
    return first, min(max((int(np.ceil(high)) + 1) & ~1, first + 2), most)


@dataclass(frozen=True)
class Pointer:
    """One pointer over a shot's whole move; each frame's layers are drawn where the move has come to."""

    point: Point
    picture: tuple[int, int]
    path: Path
    size: tuple[int, int]
    middle: int
    """A frame in the midst of its time, which decides on what side the word stands."""

    def layers(self, frame: int) -> list[Layer]:
        """The mark and the word at a frame."""
        x, y, r = place_in_frame(self.point, self.picture, self.path.at(frame), self.size[0])
        side = self._side()
        mark = self._light(x, y, r) if self.point.mark == "light" else self._mark(x, y, r, side)
        return [mark, *([self._word(x, y, r, side)] if self.point.word else [])]

    @property
    def _points(self) -> float:
        """Pixels to a point of a frame 960 points wide."""
        return self.size[0] / 960

    def _side(self) -> int:
        """1 where the word stands on the right of its place, -1 on the left: towards the frame's middle."""
        x, _, _ = place_in_frame(self.point, self.picture, self.path.at(self.middle), self.size[0])
        return 1 if x < self.size[0] / 2 else -1

    def _grid(self, low: tuple[float, float], high: tuple[float, float]) -> tuple[int, int, Floats, Floats]:
        """The part of the frame between two corners: its left and top, and its pixels' places across and down."""
        left, right = _even(low[0], high[0], self.size[0])
        top, bottom = _even(low[1], high[1], self.size[1])
        across = np.arange(left, right, dtype=np.float32) + np.float32(0.5)
        down = np.arange(top, bottom, dtype=np.float32) + np.float32(0.5)
        return left, top, across[None, :], down[:, None]

    def _mark(self, x: float, y: float, r: float, side: int) -> Layer:
        """A ring, or an arrow whose tip touches the place's edge: strokes with dark beside them."""
        pt = self._points
        reach = r + (_SHAFT + _HALO + _STROKE) * pt
        left, top, across, down = self._grid((x - reach, y - reach), (x + reach, y + reach))
        if self.point.mark == "ring":
            far = np.abs(np.hypot(across - np.float32(x), down - np.float32(y)) - np.float32(r))
        else:
            tip = x + side * r
            barb = _HEAD * pt
            ends = (
                (tip + side * _SHAFT * pt, y),
                (tip + side * barb, y - 0.6 * barb),
                (tip + side * barb, y + 0.6 * barb),
            )
            far = np.min([_to_segment(across, down, (tip, y), end) for end in ends], axis=0)
        half = np.float32(max(_STROKE * pt / 2, 0.6))
        pale = np.clip(half + np.float32(0.5) - far, 0, 1)
        dark = np.float32(0.75) * np.clip(half + np.float32(_HALO * pt + 0.5) - far, 0, 1)
        return _mixed(left, top, pale, dark, self.point.word)

    def _light(self, x: float, y: float, r: float) -> Layer:
        """Dark over all but the place, its edge soft: over a bright picture, too, the place stands out."""
        left, top, across, down = self._grid((0, 0), self.size)
        far = (np.hypot(across - np.float32(x), down - np.float32(y)) / np.float32(r) - 1) / np.float32(_SOFT)
        share = np.clip(far, 0, 1)
        cover = np.float32(_DIM) * share * share * (3 - 2 * share)
        return _mixed(left, top, np.zeros_like(cover), cover, self.point.word)

    def _word(self, x: float, y: float, r: float, side: int) -> Layer:
        """The word on its plate, moved by parts of a pixel, and never out of the frame."""
        word = tag(self.point.word, self.size)
        height, width = word.cover.shape
        gap = r + (12 + (_SHAFT if self.point.mark == "arrow" else 0)) * self._points
        left = x + gap if side > 0 else x - gap - width
        margin = 0.02 * self.size[0]
        left = min(max(left, margin), self.size[0] - margin - width - 2)
        top = min(max(y - height / 2, margin), self.size[1] - margin - height - 2)
        return _moved(word, left, top)


def _to_segment(across: Floats, down: Floats, a: tuple[float, float], b: tuple[float, float]) -> Floats:
    """Distance of pixels from the segment a to b."""
    run, rise = b[0] - a[0], b[1] - a[1]
    share = np.clip(((across - a[0]) * run + (down - a[1]) * rise) / (run * run + rise * rise), 0, 1)
    out: Floats = np.hypot(across - (a[0] + share * run), down - (a[1] + share * rise)).astype(np.float32)
    return out


def _mixed(left: int, top: int, pale: NDArray[np.float32], dark: NDArray[np.float32], words: str) -> Layer:
    """A layer of pale strokes (cover, H x W) over dark (cover, H x W)."""
    cover = pale + dark * (1 - pale)
    share = (pale / np.maximum(cover, 1e-6))[..., None]
    colour = (_PALE * share + _DARK * (1 - share)).astype(np.float32)
    return Layer(left, top, colour, cover.astype(np.float32), words)


def _moved(layer: Layer, left: float, top: float) -> Layer:
    """A layer drawn anew with its outer corner at a place between pixels."""
    x, y = int(np.floor(left)) & ~1, int(np.floor(top)) & ~1
    height, width = (layer.cover.shape[0] + 3) & ~1, (layer.cover.shape[1] + 3) & ~1
    shift = np.array([[1, 0, left - x], [0, 1, top - y]], np.float32)
    held = np.dstack([layer.colour * layer.cover[..., None], layer.cover])
    turned = cv2.warpAffine(held, shift, (width, height), flags=cv2.INTER_LINEAR)
    cover = np.ascontiguousarray(turned[..., 3])
    colour = turned[..., :3] / np.maximum(cover, np.float32(1e-6))[..., None]
    return Layer(x, y, np.ascontiguousarray(colour), cover, layer.words)
