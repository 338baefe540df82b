"""Drawings that move: outlines and words on the dark, drawn anew for each frame.

Lengths and places are points of a frame 960 points wide, as in `lettering`; (0, 0) is the frame's outer corner.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from clerestory.film.lettering import lettered
from clerestory.film.levels import code_values
from clerestory.film.light import SURROUND
from clerestory.film.pictures import LINEAR_8
from clerestory.film.taps import Floats

Colour = tuple[int, int, int]
Box = tuple[float, float, float, float]
"""Left, top, width, height."""

STONE: Colour = (181, 175, 163)
PALE: Colour = (233, 229, 219)
BRASS: Colour = (179, 147, 95)
GLASS: Colour = (127, 166, 196)
ROOM: Colour = (29, 28, 26)
_PARTS = 4  # binary digits below a pixel that outlines are drawn to


class FromThePlan:
    """What a shot shows that no file holds: it is drawn from what it was given."""

    drawn_here = True

    @property
    def files(self) -> tuple[Path, ...]:
        """It is drawn from what it holds."""
        return ()


class Sheet:
    """One frame of a drawing, as code values."""

    def __init__(self, size: tuple[int, int]) -> None:
        """`size`: width and height, pixels."""
        self.size, self.scale = size, size[0] / 960
        dark = np.round(code_values()[np.round(np.array(SURROUND) * 65535).astype(int)] * 255).astype(np.uint8)
        self._code: NDArray[np.uint8] = np.empty((size[1], size[0], 3), np.uint8)
        self._code[:] = dark
        self.dark: Colour = (int(dark[0]), int(dark[1]), int(dark[2]))
        """What it is drawn on."""

    def _pixels(self, points: ArrayLike) -> NDArray[np.int32]:
        flat = np.asarray(points, float).reshape(-1, 2) * self.scale - 0.5
        return np.round(np.clip(flat, -8192, 8192) * (1 << _PARTS)).astype(np.int32)

    def fill(self, points: ArrayLike, colour: Colour, opacity: float = 1.0, within: Box | None = None) -> None:
        """A polygon (n, 2)."""
        mask = np.zeros(self._code.shape[:2], np.uint8)
        cv2.fillPoly(mask, [self._pixels(points)], 255, cv2.LINE_AA, _PARTS)
        self._mix(mask, colour, opacity, within)

    def stroke(
        self, points: ArrayLike, colour: Colour, width: float = 2.0, closed: bool = False, within: Box | None = None
    ) -> None:
        """A line through points (n, 2), `width` points wide."""
        mask = np.zeros(self._code.shape[:2], np.uint8)
        thick = max(1, round(width * self.scale))
        cv2.polylines(mask, [self._pixels(points)], closed, 255, thick, cv2.LINE_AA, _PARTS)
        self._mix(mask, colour, 1.0, within)

    def disc(self, at: ArrayLike, radius: float, colour: Colour) -> None:
        """A disc about a place (2,) with a dark edge, so that it stands out on anything."""
        mask = np.zeros(self._code.shape[:2], np.uint8)
        x, y = self._pixels(at)[0]
        for r, paint in ((radius + 2, (11, 11, 10)), (radius, colour)):
            mask[:] = 0
            size = round(r * self.scale * (1 << _PARTS))
            cv2.circle(mask, (int(x), int(y)), size, 255, -1, cv2.LINE_AA, _PARTS)
            self._mix(mask, paint, 1.0, None)

    def _mix(self, mask: NDArray[np.uint8], colour: Colour, opacity: float, within: Box | None) -> None:
        """A colour mixed in where a mask (H x W) covers, in whole or only inside a box."""
        left, top, width, height = cv2.boundingRect(mask)
        if within is not None:
            x0, y0, w, h = (round(v * self.scale) for v in within)
            right, bottom = min(left + width, x0 + w), min(top + height, y0 + h)
            left, top = max(left, x0), max(top, y0)
            width, height = right - left, bottom - top
        if width <= 0 or height <= 0:
            return
        part = np.s_[top : top + height, left : left + width]
        share = mask[part].astype(np.float32)[..., None] * np.float32(opacity / 255)
        under = self._code[part]
        self._code[part] = np.round(under + share * (np.array(colour, np.float32) - under)).astype(np.uint8)

    def words(
        self,
        at: tuple[float, float],
        words: str,
        size: float = 20.0,
        side: Literal["left", "middle", "right"] = "left",
    ) -> None:
        """Words of `size` points with their left end, middle or right end at a place, half their height above it."""
        rgba = lettered(words, size, self.size)
        height, width = rgba.shape[:2]
        left = round(at[0] * self.scale - {"left": 0.0, "middle": 0.5, "right": 1.0}[side] * width)
        top = round(at[1] * self.scale - height / 2)
        left = min(max(left, 0), self.size[0] - width)
        top = min(max(top, 0), self.size[1] - height)
        part = self._code[top : top + height, left : left + width]
        share = rgba[..., 3:].astype(np.float32) / np.float32(255)
        part[:] = np.round(part + share * (rgba[..., :3] - part.astype(np.float32))).astype(np.uint8)

    def light(self) -> Floats:
        """The drawing in linear light, float32 H x 3 W, colours side by side."""
        out: Floats = LINEAR_8[self._code].reshape(self.size[1], -1)
        return out


def covered(size: tuple[int, int], points: ArrayLike, width: float) -> Floats:
    """How much of each pixel a line through points covers, 0 to 1, float32 H x W; as `Sheet.stroke`."""
    scale, mask = size[0] / 960, np.zeros(size[::-1], np.uint8)
    flat = np.asarray(points, float).reshape(-1, 2) * scale - 0.5
    shape = np.round(flat * (1 << _PARTS)).astype(np.int32)
    cv2.polylines(mask, [shape], False, 255, max(1, round(width * scale)), cv2.LINE_AA, _PARTS)
    return mask.astype(np.float32) / np.float32(255)


def fitted(points: Iterable[ArrayLike], box: Box) -> Callable[[ArrayLike], NDArray[np.float64]]:
    """How points (n, 2), in several lots, with their second axis upwards are laid into a box.

    What it gives takes places (n, 2) in their unit to points of the frame.
    """
    all_points = np.concatenate([np.asarray(p, float).reshape(-1, 2) for p in points])
    low, high = all_points.min(axis=0), all_points.max(axis=0)
    span = np.maximum(high - low, 1e-6)
    centre = np.array([box[0] + box[2] / 2, box[1] + box[3] / 2])
    middle, scale = (low + high) / 2, float(min(box[2] / span[0], box[3] / span[1]))

    def drawn(others: ArrayLike) -> NDArray[np.float64]:
        out: NDArray[np.float64] = (np.asarray(others, float) - middle) * [scale, -scale] + centre
        return out

    return drawn
