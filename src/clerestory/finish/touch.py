"""Places of a picture treated by themselves: lighter or darker, a wall's colour evened out, a mark taken out.

All of it is done to the scene-linear light of the whole frame, before it is straightened: a place keeps to the stone
whatever the crop or the swing. Where a place ends is drawn roughly and follows the edges of the scene: the drawn mask
goes through a guided filter whose guide is the log of the light (He, Sun and Tang 2013), its coefficients found at
reduced size and laid over the light at full size (He and Sun 2015). A curve then takes away what little the filter
leaves on the other side of an edge, so that there is no halo; beyond its reach nothing is changed, not by a bit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.finish.recipe import Touch
from clerestory.finish.tone import FLOOR, _norm, reduced_log, step_of
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
# The filter's radius: at most so large a part of the longer side, and so large a part of what is drawn.
SOFTEST, OF_ITSELF = 1 / 40, 1 / 5
PASSES = 2  # of the filter, each on what the one before it left
EDGE = 0.2  # stops: steps of the light well above it are edges
# Of the filter's answer, what counts as none and as all. These and SOFTEST set on a window four stops brighter than
# its wall, drawn a ninetieth of the longer side past its edge and as much short of it: half of SOFTEST leaves a rim
# of up to 0.4 of the stops on the wall; narrower bounds leave less, but a steeper fall-off where there is no edge.
NONE, ALL = 0.25, 0.75
DRIFT = 1 / 4  # of what is drawn: radius over which a wall's colour is one
LIKE = 0.35  # stops of red or blue to green within which a place counts as the wall itself


@dataclass(frozen=True)
class Place:
    """A touch's mask, still to be evaluated on the light: mask = slope x log2 of the light + offset, then its curve.

    `maps`: float32, 2 x h x w, at 1 / `step` of the size, nought beyond its reach. `box`: left, top, right, bottom of
    its reach at that size.
    """

    maps: F32
    box: tuple[int, int, int, int]


def drawn(touch: Touch, shape: tuple[int, int]) -> F32:
    """What was drawn, h x w, 0 to 1: the inside of an outline, or a stroke."""
    rows, columns = shape
    points = np.array(touch.at) * [columns, rows] - 0.5
    fine = np.rint(points * 16).astype(np.int32).reshape(-1, 1, 2)
    out = np.zeros(shape, np.uint8)
    if touch.width is None:
        cv2.fillPoly(out, [fine], 255, cv2.LINE_AA, 4)
    elif len(points) == 1:
        radius = max(8, round(8 * touch.width * max(shape)))
        cv2.circle(out, tuple(int(v) for v in fine[0, 0]), radius, 255, -1, cv2.LINE_AA, 4)
    else:
        cv2.polylines(out, [fine], False, 255, max(1, round(touch.width * max(shape))), cv2.LINE_AA, 4)
    return out.astype(np.float32) / np.float32(255)


def _across(touch: Touch, mask: F32) -> float:
    """How wide what was drawn is: a stroke's width, or the root of an area, pixels."""
    return max(1.0, touch.width * max(mask.shape)) if touch.width else max(1.0, math.sqrt(float(mask.sum())))


def _mean(image: F32, radius: int) -> F32:
    size = 2 * radius + 1
    out: F32 = cv2.blur(image, (size, size), borderType=cv2.BORDER_REFLECT)
    return out


def _reach(mask: F32, far: int) -> tuple[int, int, int, int] | None:
    """Left, top, right and bottom of what is drawn and `far` pixels about it; None where that is nothing."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not rows.size:
        return None
    height, width = mask.shape
    return (max(0, int(columns[0]) - far), max(0, int(rows[0]) - far),
            min(width, int(columns[-1]) + far + 1), min(height, int(rows[-1]) + far + 1))  # fmt: skip


def place_of(touch: Touch, log: F32) -> Place | None:
    """A touch's mask on a picture whose reduced log2 of light is `log` (h x w); None where nothing is drawn on it."""
    mask = drawn(touch, (log.shape[0], log.shape[1]))
    radius = max(2, round(min(SOFTEST * max(log.shape), OF_ITSELF * _across(touch, mask))))
    far = 2 * radius * PASSES + 1
    box = _reach(mask, far)
    wide = _reach(mask, 2 * far)
    if box is None or wide is None:
        return None
    part = np.s_[wide[1] : wide[3], wide[0] : wide[2]]
    share: F32 = mask[part]
    guide: F32 = np.clip(log[part], np.float32(-14), np.float32(4)).astype(np.float32)
    mean = _mean(guide, radius)
    spread: F32 = _mean(guide * guide, radius) - mean * mean + np.float32(EDGE**2)
    for _ in range(PASSES):
        level: F32 = _mean(share, radius)
        slope = np.asarray((_mean(guide * share, radius) - mean * level) / spread, np.float32)
        coefficients = _mean(slope, radius), _mean(np.asarray(level - slope * mean, np.float32), radius)
        share = _curved(np.asarray(coefficients[0] * guide + coefficients[1], np.float32))
    maps = np.zeros((2, *log.shape), np.float32)
    within = np.s_[:, box[1] : box[3], box[0] : box[2]]
    maps[0][part], maps[1][part] = coefficients
    held = np.zeros_like(maps)
    near = cv2.dilate((mask > 0).astype(np.uint8), np.ones((2 * far + 1, 2 * far + 1), np.uint8))
    held[within] = (maps * near)[within]
    return Place(held, box)


def _curved(share: F32) -> F32:
    t = np.clip((share - np.float32(NONE)) / np.float32(ALL - NONE), 0, 1)
    out: F32 = (t * t * (3 - 2 * t)).astype(np.float32)
    return out


@njit(cache=True, inline="always", error_model="numpy")
def _share(slope, offset, log):  # type: ignore[no-untyped-def]
    """The mask itself, 0 to 1."""
    t = (slope * log + offset - np.float32(NONE)) / np.float32(ALL - NONE)
    t = min(max(t, np.float32(0)), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


@njit(cache=True, inline="always", error_model="numpy")
def _between(maps, k, i, i2, fy, j, j2, fx):  # type: ignore[no-untyped-def]
    one = np.float32(1)
    above = maps[k, i, j] * (one - fx) + maps[k, i, j2] * fx
    below = maps[k, i2, j] * (one - fx) + maps[k, i2, j2] * fx
    return above * (one - fy) + below * fy


@njit(cache=True, inline="always", error_model="numpy")
def _node(at, step, count):  # type: ignore[no-untyped-def]
    """The reduced pixels on either side of a full one, and how far it lies between them."""
    u = min(max((np.float32(at) + np.float32(0.5)) / np.float32(step) - np.float32(0.5), np.float32(0)),
            np.float32(count - 1))  # fmt: skip
    i = min(int(u), max(count - 2, 0))
    return i, min(i + 1, count - 1), u - np.float32(i)


@njit(cache=True, nogil=True, error_model="numpy")
def _masked(begin, end, rgb, maps, box, step, out):  # type: ignore[no-untyped-def]
    """A place's mask at full size into `out`, within its box (left, top, right, bottom at full size)."""
    rows, columns = maps.shape[1:]
    nil, low, high = np.float32(0), np.float32(-14), np.float32(4)
    for y in range(begin, end):
        i, i2, fy = _node(y, step, rows)
        for x in range(box[0], box[2]):
            j, j2, fx = _node(x, step, columns)
            slope = _between(maps, 0, i, i2, fy, j, j2, fx)
            offset = _between(maps, 1, i, i2, fy, j, j2, fx)
            if slope == nil and offset == nil:
                continue
            r, g, b = max(rgb[y, x, 0], nil), max(rgb[y, x, 1], nil), max(rgb[y, x, 2], nil)
            log = np.log2(max(_norm(r, g, b), np.float32(FLOOR)))
            out[y - box[1], x - box[0]] = _share(slope, offset, min(max(log, low), high))


def _full_box(place: Place, step: int, shape: tuple[int, ...]) -> tuple[int, int, int, int]:
    left, top, right, bottom = place.box
    return left * step, top * step, min(right * step, shape[1]), min(bottom * step, shape[0])


def mask_of(place: Place, rgb: F32) -> tuple[F32, tuple[int, int, int, int]]:
    """A place's mask on a picture (H x W x 3), 0 to 1, and the box of the picture that it covers: left, top, right,
    bottom. Beyond the box it is nought."""
    step = step_of(rgb.shape)
    box = _full_box(place, step, rgb.shape)
    out = np.zeros((box[3] - box[1], box[2] - box[0]), np.float32)
    in_bands(_masked, box[1], box[3], rgb, place.maps, np.array(box), step, out)
    return out, box


def lights(touches: Sequence[Touch]) -> tuple[Touch, ...]:
    """Those that make a place lighter or darker."""
    return tuple(t for t in touches if t.kind == "light" and not t.off and t.stops)


def evens(touches: Sequence[Touch]) -> tuple[Touch, ...]:
    """Those that even out a wall's colour."""
    return tuple(t for t in touches if t.kind == "even colour" and not t.off and t.share != 0)


def removals(touches: Sequence[Touch]) -> tuple[Touch, ...]:
    """Those that take something out."""
    return tuple(t for t in touches if t.kind == "take out" and not t.off)


def mask_on(rgb: F32, touch: Touch) -> F32:
    """A touch's mask on the whole of a picture (H x W x 3): H x W, 0 to 1."""
    out = np.zeros(rgb.shape[:2], np.float32)
    place = place_of(touch, reduced_log(rgb, step_of(rgb.shape)))
    if place is not None:
        mask, box = mask_of(place, rgb)
        out[box[1] : box[3], box[0] : box[2]] = mask
    return out


def stops_map(rgb: F32, touches: Sequence[Touch]) -> F32:
    """Stops by which touches make each place of a picture (H x W x 3) lighter: H x W."""
    out = np.zeros(rgb.shape[:2], np.float32)
    log = reduced_log(rgb, step_of(rgb.shape))
    for touch in lights(touches):
        place = place_of(touch, log)
        if place is None:
            continue
        mask, box = mask_of(place, rgb)
        out[box[1] : box[3], box[0] : box[2]] += mask * np.float32(touch.stops or 0.0)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _lit(begin, end, rgb, stops):  # type: ignore[no-untyped-def]
    for y in range(begin, end):
        for x in range(rgb.shape[1]):
            if stops[y, x] != np.float32(0):
                gain = np.float32(2) ** stops[y, x]
                for k in range(3):
                    rgb[y, x, k] *= gain


def lit(rgb: F32, touches: Sequence[Touch]) -> F32:
    """A picture (linear, H x W x 3) with places lighter or darker by their stops; changed in place and returned."""
    if lights(touches):
        in_bands(_lit, 0, len(rgb), rgb, stops_map(rgb, touches))
    return rgb


# ---- a wall's colour


def _drift(rgb: F32, mask: F32, across: float) -> F32:
    """How far the colour at each place of an area lies from the area's own middle one, over distances that light
    falls off in: log2 of red and blue to green, 2 x h x w. `rgb`: reduced, h x w x 3; `mask`: h x w, 0 to 1."""
    floor = np.float32(FLOOR)
    red, green, blue = (np.maximum(rgb[..., k], floor) for k in range(3))
    colour = np.stack([np.log2(red / green), np.log2(blue / green)])
    usable = mask * (rgb.max(axis=-1) < 1) * (green > 4 * floor)
    inside = usable > 0.5
    if inside.sum() < 16:
        return np.zeros_like(colour)
    radius = max(2, round(DRIFT * across))
    middle = np.median(colour[:, inside], axis=1).astype(np.float32)
    smooth = np.broadcast_to(middle[:, None, None], colour.shape)
    for bound in (3 * LIKE, LIKE, LIKE):  # what is of another colour, a banner or a painted shield, has no say
        off = ((colour - smooth) ** 2).sum(axis=0)
        weight = (usable * np.exp(-off / np.float32(2 * bound**2))).astype(np.float32)
        total = np.maximum(_even_mean(weight, radius), np.float32(1e-6))
        smooth = np.stack([_even_mean(weight * c, radius) / total for c in colour])
    known = _even_mean(weight, radius) > 1e-4
    middle = np.median(smooth[:, inside], axis=1).astype(np.float32)
    return np.where(known, smooth - middle[:, None, None], np.float32(0)).astype(np.float32)


def _even_mean(image: F32, radius: int) -> F32:
    """Three means over one another: as good as a bell curve, and of compact reach."""
    third = max(1, radius // 3)
    return _mean(_mean(_mean(image, third), third), third)


@njit(cache=True, nogil=True, error_model="numpy")
def _evened(begin, end, rgb, mask, drift, box, step, share):  # type: ignore[no-untyped-def]
    rows, columns = drift.shape[1:]
    nil, two = np.float32(0), np.float32(2)
    for y in range(begin, end):
        i, i2, fy = _node(y, step, rows)
        for x in range(box[0], box[2]):
            m = mask[y - box[1], x - box[0]] * share
            if m == nil:
                continue
            j, j2, fx = _node(x, step, columns)
            r, g, b = rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2]
            r2 = r * two ** (-m * _between(drift, 0, i, i2, fy, j, j2, fx))
            b2 = b * two ** (-m * _between(drift, 1, i, i2, fy, j, j2, fx))
            was = np.float32(0.2627) * r + np.float32(0.6780) * g + np.float32(0.0593) * b
            now = np.float32(0.2627) * r2 + np.float32(0.6780) * g + np.float32(0.0593) * b2
            k = was / now if now > nil and was > nil else np.float32(1)
            rgb[y, x, 0], rgb[y, x, 1], rgb[y, x, 2] = r2 * k, g * k, b2 * k


def evened(rgb: F32, touches: Sequence[Touch]) -> F32:
    """A picture (linear, H x W x 3) with the drift of colour taken out of walls, their brightness kept; changed in
    place and returned."""
    step = step_of(rgb.shape)
    for touch in evens(touches):
        place = place_of(touch, reduced_log(rgb, step))
        if place is None:
            continue
        mask, box = mask_of(place, rgb)
        small = _reduced(rgb, step)
        shape = small.shape[1], small.shape[0]
        whole = np.zeros(rgb.shape[:2], np.float32)
        whole[box[1] : box[3], box[0] : box[2]] = mask
        seen = cv2.resize(whole, shape, interpolation=cv2.INTER_AREA)
        drift = _drift(small, seen, _across(touch, drawn(touch, (small.shape[0], small.shape[1]))))
        share = np.float32(1.0 if touch.share is None else touch.share)
        in_bands(_evened, box[1], box[3], rgb, mask, drift, np.array(box), step, share)
    return rgb


def evening(rgb: F32, touch: Touch) -> F32:
    """Stops by which evening all of a wall's drift out makes each place's red, green and blue lighter: H x W x 3."""
    whole = touch.model_copy(update={"share": 1.0, "off": False})
    floor = np.float32(FLOOR)
    out: F32 = np.log2(np.maximum(evened(rgb.copy(), [whole]), floor) / np.maximum(rgb, floor)).astype(np.float32)
    return out


def _reduced(rgb: F32, step: int) -> F32:
    """A picture averaged down by a whole number, what is left over at the edges averaged by itself."""
    if step == 1:
        return rgb
    height, width = rgb.shape[:2]
    padded = cv2.copyMakeBorder(rgb, 0, -height % step, 0, -width % step, cv2.BORDER_REPLICATE)
    size = (padded.shape[1] // step, padded.shape[0] // step)
    out: F32 = cv2.resize(padded, size, interpolation=cv2.INTER_AREA)
    return out
