"""A mark or a sign taken out of a picture: by another frame of the view that shows what is behind it, else left.

Only where it is asked for is what is round it drawn over it (Telea 2004, as OpenCV has it), and the picture's file
and report say so: then it shows something that was not seen. Another frame is laid on by what lies round the mark
alone: points found in both (SIFT, Lowe 2004) give a homography, which is true for the wall that the mark hangs on;
then it is refined by the light itself (enhanced correlation, Evangelidis and Psarakis 2008). Its light is brought
to that of the picture, colour by colour, and it is believed only where the surroundings agree and the place itself
does not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.finish.recipe import Touch
from clerestory.finish.tone import step_of
from clerestory.finish.touch import drawn, removals

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
ROOM = 1.5  # of what is drawn: how far the surroundings that another frame is laid on by reach
LEAST_ROOM = 1 / 14  # of the longer side, at least
SEAM = 1 / 500  # of the longer side, over which what was put in passes into the picture
FITS = 0.12  # stops by which the surroundings may differ, once laid on one another (common practice, no source)
TELLS = 3.0  # times as much must the place itself differ, else the mark is in the other frame too
FEWEST = 10  # points that two frames must have in common there
FILLED = 512  # pixels along the longer side of a place at which it is drawn over; a larger one is reduced for it


@dataclass(frozen=True)
class Other:
    """Another frame of the view: its name, and its light (linear, H x W x 3, as held) when it is asked for."""

    name: str
    light: Callable[[], F32]


@dataclass(frozen=True)
class TakenOut:
    """What came of one: `how` is 'another frame', 'surroundings' or 'left'; `frame` the other frame's name; `where`
    the middle of the place, shares of the frame's width and height."""

    how: str
    where: tuple[float, float]
    frame: str = ""
    why: str = ""

    @property
    def said(self) -> str:
        """A sentence for the report."""
        at = f"at {100 * self.where[0]:.0f} % across and {100 * self.where[1]:.0f} % down"
        if self.how == "another frame":
            return f"a mark {at} was taken out: {self.frame} shows what is behind it"
        if self.how == "surroundings":
            return f"a mark {at} was drawn over from what is round it: what is shown there was not seen"
        return f"a mark {at} was left as it is: {self.why}"


@dataclass
class _Wanted:
    """A mark: the touch, its mask over the picture, the box (left, top, right, bottom) that it is looked at in; and
    the best that another frame showed of the box: how far its surroundings are off, its name, its light."""

    touch: Touch
    mask: F32
    box: tuple[int, int, int, int]
    best: tuple[float, str, F32] | None = None

    @property
    def part(self) -> tuple[slice, slice]:
        return slice(self.box[1], self.box[3]), slice(self.box[0], self.box[2])


def taken_out(rgb: F32, touches: Sequence[Touch], others: Iterable[Other]) -> tuple[F32, tuple[TakenOut, ...]]:
    """A picture (linear, H x W x 3), changed in place, without its marks; and what came of each.

    One of the other frames is in memory at a time.
    """
    asked = removals(touches)
    marks = [_wanted(rgb, touch) for touch in asked]
    held = tuple(others)
    for other in held:
        light = other.light()
        if light.shape[:2] == rgb.shape[:2]:
            for mark in marks:
                _tried(rgb, light, other.name, mark)
        del light
    return rgb, tuple(_done(rgb, touch, mark, held) for touch, mark in zip(asked, marks, strict=True))


def _wanted(rgb: F32, touch: Touch) -> _Wanted | None:
    """What is to be taken out; None where it lies outside the frame."""
    height, width = rgb.shape[:2]
    mask = cv2.resize(drawn(touch, _reduced_shape(rgb)), (width, height), interpolation=cv2.INTER_LINEAR)
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return None
    seam = max(1, round(SEAM * max(height, width)))
    mask = cv2.blur(cv2.dilate(mask, np.ones((2 * seam + 1,) * 2, np.uint8)), (2 * seam + 1,) * 2)
    far = int(max(ROOM * max(np.ptp(rows), np.ptp(columns)), LEAST_ROOM * max(height, width)))
    box = (max(0, int(columns[0]) - far), max(0, int(rows[0]) - far),
           min(width, int(columns[-1]) + far + 1), min(height, int(rows[-1]) + far + 1))  # fmt: skip
    return _Wanted(touch, np.asarray(mask, np.float32), box)


def _done(rgb: F32, touch: Touch, mark: _Wanted | None, others: Sequence[Other]) -> TakenOut:
    middle = np.mean(touch.at, axis=0)
    where = (float(middle[0]), float(middle[1]))
    if mark is None:
        return TakenOut("left", where, why="it lies outside the frame")
    part, share = mark.part, mark.mask[mark.part][..., None]
    if mark.best is not None:
        _, name, light = mark.best
        rgb[part] = rgb[part] * (1 - share) + light * share
        return TakenOut("another frame", where, name)
    if touch.by != "surroundings":
        why = "the view has no other frame" if not others else "no other frame of the view shows what is behind it"
        return TakenOut("left", where, why=f"{why}; it can be drawn over from what is round it, if you ask for that")
    rgb[part] = rgb[part] * (1 - share) + _drawn_over(rgb[part], mark.mask[part] > 0) * share
    return TakenOut("surroundings", where)


def _reduced_shape(rgb: F32) -> tuple[int, int]:
    step = step_of(rgb.shape)
    return -(-rgb.shape[0] // step), -(-rgb.shape[1] // step)


def _coded(rgb: F32) -> tuple[F32, U8]:
    """log2 of the green light, and the same as 8 bits over the stops there are in it."""
    log: F32 = np.log2(np.maximum(rgb[..., 1], np.float32(2.0**-13)))
    low, high = np.percentile(log[::4, ::4], (1, 99))
    grey = np.clip(255 * (log - low) / max(high - low, 0.5), 0, 255).astype(np.uint8)
    return log, grey


def _tried(rgb: F32, other: F32, name: str, mark: _Wanted | None) -> None:
    """Note another frame's light for a mark where it shows what is behind it better than any before."""
    laid = _laid_on(rgb, other, mark.mask, mark.box) if mark is not None else None
    if mark is None or laid is None:
        return
    light, seen = laid
    off, mask = _apart(rgb[mark.part], light), mark.mask[mark.part]
    ring, inside = seen & (mask == 0), mask > 0.5
    if not seen[inside].all() or not ring.any():
        return
    about, within = float(np.median(off[ring])), float(np.percentile(off[inside], 80))
    if about < FITS and within > TELLS * max(about, FITS / 6) and (mark.best is None or about < mark.best[0]):
        mark.best = about, name, light


def _apart(a: F32, b: F32) -> F32:
    """Stops between two pictures of one thing, of the colour that differs most, fine detail left out."""
    size = 2 * max(1, max(a.shape) // 200) + 1
    floor = np.float32(2.0**-13)
    logs = [np.log2(np.maximum(cv2.blur(x, (size, size)), floor)) for x in (a, b)]
    out: F32 = np.abs(logs[0] - logs[1]).max(axis=-1)
    return out


def _laid_on(rgb: F32, other: F32, mask: F32, box: tuple[int, int, int, int]) -> tuple[F32, NDArray[np.bool_]] | None:
    """Another frame's light as it lies in a box of the picture, brought to its light, and where it shows anything."""
    part = np.s_[box[1] : box[3], box[0] : box[2]]
    across = _homography(rgb, other, mask, box)
    if across is None:
        return None
    size = (box[2] - box[0], box[3] - box[1])
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    light: F32 = cv2.warpPerspective(other, across, size, flags=flags, borderMode=cv2.BORDER_REFLECT)
    inside = np.ones(other.shape[:2], np.uint8)
    seen = cv2.warpPerspective(inside, across, size, flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP) > 0
    ring = seen & (mask[part] == 0)
    if not ring.any():
        return None
    floor = np.float32(2.0**-13)
    gain = [np.median(np.log2(np.maximum(rgb[part][ring][:, k], floor) / np.maximum(light[ring][:, k], floor)))
            for k in range(3)]  # fmt: skip
    return np.maximum(light * np.exp2(np.array(gain, np.float32)), 0).astype(np.float32), seen


def _homography(rgb: F32, other: F32, mask: F32, box: tuple[int, int, int, int]) -> NDArray[np.float64] | None:
    """From a box of the picture to the other frame, by what lies round the mark."""
    left, top, right, bottom = box
    mine, grey = _coded(rgb[top:bottom, left:right])
    far = max(right - left, bottom - top) // 2  # hands move by less
    x0, y0 = max(0, left - far), max(0, top - far)
    theirs, near = _coded(other[y0 : bottom + far, x0 : right + far])
    sift = cv2.SIFT_create(2000)  # type: ignore[attr-defined]
    round_it = (mask[top:bottom, left:right] == 0).astype(np.uint8)
    (points, words), (ends, others) = sift.detectAndCompute(grey, round_it), sift.detectAndCompute(near, None)
    if words is None or others is None or len(points) < FEWEST or len(ends) < FEWEST:
        return None
    pairs = cv2.BFMatcher().knnMatch(words, others, k=2)
    good = [p[0] for p in pairs if len(p) == 2 and p[0].distance < 0.75 * p[1].distance]
    if len(good) < FEWEST:
        return None
    start = np.array([points[m.queryIdx].pt for m in good])
    end = np.array([ends[m.trainIdx].pt for m in good])
    across, inliers = cv2.findHomography(start, end, cv2.RANSAC, 2.0)
    if across is None or int(inliers.sum()) < FEWEST:
        return None
    fine = _refined(mine, theirs, across, round_it)
    return np.array([[1, 0, x0], [0, 1, y0], [0, 0, 1.0]]) @ fine


def _refined(mine: F32, theirs: F32, across: NDArray[np.float64], round_it: U8) -> NDArray[np.float64]:
    """A homography refined by the light of both, at no more than 900 pixels; as it was where that does not settle."""
    factor = min(1.0, 900 / max(mine.shape))
    small, large = (cv2.resize(v, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA) for v in (mine, theirs))
    fine = np.array([[factor, 0, 0.5 * factor - 0.5], [0, factor, 0.5 * factor - 0.5], [0, 0, 1.0]])
    start = (fine @ across @ np.linalg.inv(fine)).astype(np.float32)
    ring = cv2.resize(round_it, small.shape[::-1], interpolation=cv2.INTER_NEAREST)
    ends = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 1e-6)
    try:
        _, found = cv2.findTransformECC(small, large, start / start[2, 2], cv2.MOTION_HOMOGRAPHY, ends, ring, 3)
    except cv2.error:
        return across
    return np.asarray(np.linalg.inv(fine) @ found.astype(float) @ fine)


def _drawn_over(rgb: F32, mask: NDArray[np.bool_]) -> F32:
    """A part of a picture with a place drawn over from what is round it, in log light."""
    factor = min(1.0, FILLED / max(rgb.shape[:2]))
    size = (max(8, round(rgb.shape[1] * factor)), max(8, round(rgb.shape[0] * factor)))
    log: F32 = np.log2(np.maximum(rgb, np.float32(2.0**-16)))
    small = cv2.resize(log, size, interpolation=cv2.INTER_AREA)
    where = (cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0).astype(np.uint8)
    where = cv2.dilate(where, np.ones((3, 3), np.uint8))
    filled = np.dstack([cv2.inpaint(np.ascontiguousarray(small[..., k]), where, 4, cv2.INPAINT_TELEA)
                        for k in range(3)])  # fmt: skip
    out: F32 = np.exp2(cv2.resize(filled, rgb.shape[1::-1], interpolation=cv2.INTER_LINEAR)).astype(np.float32)
    return out
