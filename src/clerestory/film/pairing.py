"""Two pictures in one frame: side by side, one over the other by a wipe that is held, an older one beside today's."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.film.detail import matched
from clerestory.film.light import SURROUND, InLight, Renderer, prepare
from clerestory.film.moves import Framing, filling, share_of, stepped
from clerestory.film.pictures import load_linear, size_of
from clerestory.film.taps import Floats

How = Literal["beside", "wipe", "older"]
Pair = tuple[tuple[float, float], tuple[float, float]]
"""The same place of the building: in today's picture, in the older one; shares of width and height."""

SECONDS = 9.0  # as long as it takes when nothing else says; common practice, no source
IN, OUT = (0.14, 0.34), (0.7, 0.86)  # shares of the time in which the line goes to the middle and on: held between
_GAP = 6.0  # points between two pictures side by side
_LEAST = 4  # pairs that fix how a plane lies in two pictures
_STROKE = np.array([0.50, 0.47, 0.42], np.float32)


@dataclass(frozen=True)
class Pairing:
    """Two pictures and how they share the frame."""

    how: How
    other: Path = field(repr=False, compare=False)
    picture: tuple[int, int]
    other_size: tuple[int, int]
    size: tuple[int, int]
    towards: tuple[float, float]
    said: tuple[str, str]
    """What the picture and the other one are called."""
    turn: tuple[float, ...] = ()
    """The older picture's pixels to today's, a homography row by row."""
    still: bool = False
    begin: int = 0
    end: int = 0

    seconds = SECONDS
    drawn_here = False

    @property
    def files(self) -> tuple[Path, ...]:
        """What it is drawn from beside the picture."""
        return (self.other,)

    def lit(self, renderer: Renderer, picture: Path) -> DrawnPairing:
        """Both pictures, read and laid into the frame."""
        return DrawnPairing.of(renderer, self, picture)

    def line(self, frame: int) -> float:
        """How far the line between the two has come, a share of the frame's width: it rests in the middle."""
        if self.how == "beside" or self.still:
            return 0.5
        share = share_of(frame, self.begin, self.end)
        return 0.5 * sum(stepped(share, span) for span in (IN, OUT))

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return (self.line(frame),)

    def words(self) -> tuple[tuple[str, str], ...]:
        """Which is which."""
        ours, other = self.said
        if not ours or not other:
            return ()
        first, second = ("Above", "Below") if self.stacked else ("Left", "Right")
        return (("", f"{first}: {ours}\n{second}: {other}"),)  # neither above the other

    def word_frames(self) -> list[tuple[int, int]]:
        """The words stand as long as the two."""
        return [(self.begin, self.end)] if self.words() else []

    @property
    def stacked(self) -> bool:
        """Whether two pictures beside each other lie one above the other: in a frame higher than wide."""
        return self.how == "beside" and self.size[1] > self.size[0]

    def cut(self, other: bool, width: int, height: int) -> Framing:
        """What a part of the frame, so many pixels wide and high, shows of one of the two, its pixels."""
        size = self.other_size if other else self.picture
        return filling(size, (width, height), *self.towards)


def pairing_of(
    how: How, picture: Path, other: Path, size: tuple[int, int], towards: tuple[float, float],
    said: tuple[str, str], pairs: tuple[Pair, ...], still: bool,
) -> Pairing:  # fmt: skip
    """Two pictures in one frame (`size`). UserError where the older one cannot be laid on today's."""
    pixels, others = size_of(picture), size_of(other)
    turn: tuple[float, ...] = ()
    if how == "older":
        found = _by_pairs(pairs, pixels, others) if pairs else matched(other, picture)
        if found is None:
            raise UserError(
                f"{other.name} and {picture.name} do not share enough that can be matched; name four or more places"
                " of the building as [[shots.match]] with here = [x, y] and there = [x, y]"
            )
        turn = tuple(float(v) for v in (found / found[2, 2]).ravel())
    return Pairing(how, other, pixels, others, size, towards, said, turn, still)


def _by_pairs(pairs: tuple[Pair, ...], here: tuple[int, int], there: tuple[int, int]) -> NDArray[np.float64] | None:
    """The homography by pairs of places; None where fewer than four, or all but on one line, are given."""
    if len(pairs) < _LEAST:
        return None
    ours = np.array([pair[0] for pair in pairs]) * here
    other = np.array([pair[1] for pair in pairs]) * there
    found, _ = cv2.findHomography(other, ours, 0)
    bad = found is None or not np.isfinite(found).all() or abs(np.linalg.det(found)) < 1e-9
    return None if bad else np.asarray(found, np.float64)


@dataclass
class DrawnPairing(InLight):
    """Two pictures ready to be drawn: each as it fills the frame, float32 (H, 3 W)."""

    renderer: Renderer
    showing: Pairing
    _ours: Floats
    _other: Floats

    @classmethod
    def of(cls, renderer: Renderer, showing: Pairing, picture: Path) -> DrawnPairing:
        """Read both."""
        light, other = load_linear(picture), load_linear(showing.other)
        if showing.how == "beside":
            both = _side_by_side(renderer, showing, light, other)
            return cls(renderer, showing, both, both)
        ours = _filled(renderer, light, showing.cut(False, renderer.width, renderer.height))
        if showing.how == "wipe":
            return cls(
                renderer, showing, ours, _filled(renderer, other, showing.cut(True, renderer.width, renderer.height))
            )
        return cls(renderer, showing, ours, _laid(renderer, showing, other))

    def linear(self, frame: int, out: Floats) -> None:
        """The picture to the left of the line, the other to its right, into `out`, float32 (H, 3 W)."""
        out[:] = self._other
        line = self.showing.line(frame) * (self.renderer.width + 4) - 2
        if self.showing.how == "beside":
            return
        x = np.arange(self.renderer.width, dtype=np.float32)
        self.renderer.mix(out, self._ours, np.clip(line - x, 0, 1).astype(np.float32))
        half = np.float32(self.renderer.height / 720)
        stroke = np.clip(half + np.float32(0.5) - np.abs(x + np.float32(0.5) - np.float32(line)), 0, 1)
        pixels = out.reshape(self.renderer.height, self.renderer.width, 3)
        columns = np.flatnonzero(stroke)
        pixels[:, columns] += stroke[columns, None] * (_STROKE - pixels[:, columns])


def _filled(renderer: Renderer, light: Floats, cut: Framing) -> Floats:
    out = np.empty((renderer.height, 3 * renderer.width), np.float32)
    renderer.linear(prepare(light, cut.width, renderer.width), cut, out)
    return out


def _side_by_side(renderer: Renderer, showing: Pairing, ours: Floats, other: Floats) -> Floats:
    """Both halves of the frame, a dark gap between them."""
    gap = round(_GAP * renderer.width / 960) & ~1
    width, height = renderer.width, renderer.height
    half = (width, (height - gap) // 2) if showing.stacked else ((width - gap) // 2, height)
    second = (height - half[1], 0) if showing.stacked else (0, width - half[0])
    out = np.empty((height, width, 3), np.float32)
    out[:] = np.array(SURROUND, np.float32)
    part = Renderer(*half, 1)
    try:
        for (top, left), light, other_one in (((0, 0), ours, False), (second, other, True)):
            shown = _filled(part, light, showing.cut(other_one, *half))
            out[top : top + half[1], left : left + half[0]] = shown.reshape(half[1], half[0], 3)
    finally:
        part.close()
    return out.reshape(height, -1)


def _laid(renderer: Renderer, showing: Pairing, older: Floats) -> Floats:
    """The older picture where it lies on today's, the dark surround where it shows nothing."""
    cut = showing.cut(False, renderer.width, renderer.height)
    k = renderer.width / cut.width
    into = np.array([[k, 0, -k * cut.left], [0, k, -k * cut.top], [0, 0, 1.0]])
    whole = into @ np.array(showing.turn).reshape(3, 3)
    shrink = _shrinkage(whole, older.shape)
    if shrink > 1.3:
        size = (max(8, round(older.shape[1] / shrink)), max(8, round(older.shape[0] / shrink)))
        whole = whole @ np.diag([older.shape[1] / size[0], older.shape[0] / size[1], 1.0])
        older = cv2.resize(older, size, interpolation=cv2.INTER_AREA)
    # places count from the picture's outer corner, cv2's from the middle of its first pixel
    middle = np.array([[1, 0, 0.5], [0, 1, 0.5], [0, 0, 1.0]])
    turned = cv2.warpPerspective(
        older, np.linalg.inv(middle) @ whole @ middle, (renderer.width, renderer.height), flags=cv2.INTER_CUBIC,
        borderMode=cv2.BORDER_CONSTANT, borderValue=SURROUND,
    )  # fmt: skip
    return np.ascontiguousarray(np.clip(turned, 0, 1).reshape(renderer.height, -1), np.float32)


def _shrinkage(whole: NDArray[np.float64], shape: tuple[int, ...]) -> float:
    """Pixels of the older picture to one of the frame, about its middle."""
    x, y = shape[1] / 2, shape[0] / 2
    points = np.array([[[x, y], [x + 1, y], [x, y + 1]]])
    a, b, c = cv2.perspectiveTransform(points, whole)[0]
    return float(1 / max(np.hypot(*(b - a)), np.hypot(*(c - a)), 1e-6))
