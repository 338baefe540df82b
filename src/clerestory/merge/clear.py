"""The view without its visitors, from frames in which they pass.

Stone stays, people do not: at every place the light that recurs in most frames is taken for the stone, and only
frames that show it are used. Where two answers recur about equally often (someone stood there for half of the
time), the one without an outline of its own is the stone: a person's outline lies along the edge of the place in
dispute, that of the building does not. Where no two frames agree nothing is known, and the reference stands as it
is. No pixel is made up: each comes from frames that saw the place.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.merge.agree import BlockNoise, agreement, cells_agree
from clerestory.merge.align import Guide, Motion, align, guide_of
from clerestory.merge.burst import OnStage, checked, fitting, motion_record
from clerestory.merge.resample import laid, own
from clerestory.merge.result import IN_DOUBT, Refused
from clerestory.merge.stack import Stack, merged_mosaic, merged_noise, typical_count
from clerestory.raw.read import Mosaic

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Box = tuple[int, int, int, int]
CELL = 4  # pixels: decisions are taken per 4 x 4 pixels
FEWEST = 3
CLOSE_RACE = 1.2  # frames by which the first answer may lead the second and still be doubted
NEAR_ENOUGH = 0.4  # how near to all of the step must be one camp's own for it to show a visitor
THINNEST = 400  # places in dispute thinner than so small a part of the picture's longer side are left out
LEAST_DISPUTE = 24  # cells: smaller places have no outline to judge by
NEIGHBOURS = 40  # places in dispute within so small a part of the picture's longer side may be of one figure
ABOUT = 3  # blocks left out about a figure: the alignment did not follow it
SMALLEST_SPOT = 2e-5  # of the picture: smaller places in doubt are not worth showing


@dataclass(frozen=True)
class Cleared:
    """A merged mosaic without what moved; `mask` as `Merged.mask` (frames counted as the reference first, then the
    others in the order given); `spots`: boxes (left, top, width, height) in pixels where visitors never moved off.
    """

    mosaic: Mosaic
    noise: NoiseModel
    excess: F32
    mask: U8
    taken: tuple[int, ...]
    spots: tuple[Box, ...]
    record: dict[str, Any]


@dataclass(frozen=True)
class _Choice:
    """Per cell: the frame that stands for the stone, whether the reference shows it, and whether it is unknown;
    `others`: per frame whether it shows something else than the stone."""

    label: NDArray[np.int16]
    reference_is_stone: NDArray[np.bool_]
    unknown: NDArray[np.bool_]
    others: NDArray[np.bool_]


def cells_of(values: F32, cfa: NDArray[np.int8]) -> tuple[F32, NDArray[np.bool_]]:
    """Mean colours per CELL x CELL pixels (rows, columns, 3) of a laid mosaic, and where it shows anything."""
    height, width = (n // CELL * CELL for n in values.shape)
    out = np.zeros((height // CELL, width // CELL, 3), np.float32)
    seen = np.ones(out.shape[:2], bool)
    size = (width // CELL, height // CELL)
    for row in range(2):
        for column in range(2):
            c = int(cfa[row, column])
            plane = cv2.resize(np.ascontiguousarray(values[row:height:2, column:width:2]), size,
                               interpolation=cv2.INTER_AREA)  # fmt: skip
            seen &= plane > -1e6
            out[..., 1 if c == 3 else c] += plane * np.float32(0.5 if c in (1, 3) else 1.0)
    out[~seen] = 0
    return out, seen


def _supports(cells: Sequence[F32], seen: Sequence[NDArray[np.bool_]], model: BlockNoise) -> F32:
    """Agreement of every pair of frames, (n, n, rows, columns), 0 to 1."""
    n = len(cells)
    out = np.zeros((n, n, *cells[0].shape[:2]), np.float32)
    for i in range(n):
        out[i, i] = seen[i]
        for j in range(i):
            fits = cells_agree(cells[i], cells[j], model)
            out[i, j] = out[j, i] = fits * (seen[i] & seen[j])
    return out


def _figure(differs: F32, place: U8) -> U8:
    """What differs between two answers in a place in dispute, filled: a visitor's whole figure, 0 or 1 per cell."""
    near = cv2.dilate(place, np.ones((9, 9), np.uint8)) > 0
    figure = ((differs > 0.35 * np.quantile(differs[place > 0], 0.7)) & near).astype(np.uint8)
    figure = cv2.morphologyEx(figure, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    figure = cv2.morphologyEx(figure, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    outlines, _ = cv2.findContours(figure, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(figure)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    return filled


def _step(a: F32, b: F32, place: U8) -> tuple[float, float]:
    """Of the step between two answers at their common border: how much is the first one's own, and all of it.

    The stone runs on across a visitor's outline whatever it looks like, so that all of the step between the two is in
    the visitor's picture. The share of the two is the first one's slope across the border on the slope of the
    difference, least squares: about 0 or 1.
    """
    first, second = (np.sqrt(np.maximum(x, 0)) for x in (a, b))
    step = first - second
    figure = _figure(cv2.blur(np.abs(step).sum(axis=-1), (3, 3)), place)
    three = np.ones((3, 3), np.uint8)
    ring = cv2.dilate(figure, three) > cv2.erode(figure, three)
    soft = cv2.GaussianBlur(figure.astype(np.float32), (0, 0), 2)
    nx, ny = cv2.Sobel(soft, cv2.CV_32F, 1, 0)[ring], cv2.Sobel(soft, cv2.CV_32F, 0, 1)[ring]
    size = np.maximum(np.hypot(nx, ny), 1e-6)

    def across(light: F32) -> F32:
        gx, gy = cv2.Sobel(light, cv2.CV_32F, 1, 0)[ring], cv2.Sobel(light, cv2.CV_32F, 0, 1)[ring]
        return np.asarray(gx * (nx / size)[:, None] + gy * (ny / size)[:, None], np.float32)

    whole = across(step)
    return float((across(first) * whole).sum()), float((whole * whole).sum())


@dataclass(frozen=True)
class _Dispute:
    """A place where two camps of frames give different answers: its box and cells, the camps, and of the step at
    their common border the first camp's own and all of it."""

    box: tuple[slice, slice]
    place: U8
    camps: tuple[tuple[int, ...], tuple[int, ...]]
    own: float
    whole: float

    def seen_as(self, other: _Dispute) -> _Dispute | None:
        """The same with its camps in the other's order; None where the camps are not the same parties."""
        for this in (self, replace(self, camps=self.camps[::-1], own=self.whole - self.own)):
            (a, b), (c, d) = ([set(camp) for camp in x.camps] for x in (this, other))
            if a & c and b & d and not a & d and not b & c:
                return this
        return None


def _disputes(dispute: U8, cells: Sequence[F32], pairs: F32) -> list[list[_Dispute]]:
    """Places in dispute between the same parties, in groups of neighbours: parts of one figure, as between chairs."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dispute, connectivity=8)
    reach = 2 * (max(dispute.shape) // NEIGHBOURS) + 1
    wide = cv2.connectedComponents(cv2.dilate(dispute, np.ones((reach, reach), np.uint8)))[1]
    found = []
    for k in range(1, count):
        x, y, w, h = (int(v) for v in stats[k, :4])
        box = (slice(max(y - 4, 0), min(y + h + 4, dispute.shape[0])),
               slice(max(x - 4, 0), min(x + w + 4, dispute.shape[1])))  # fmt: skip
        place = (labels[box] == k).astype(np.uint8)
        camps = _camps(pairs[(slice(None), slice(None), *box)], place)
        larger, other = (np.median([cells[j][box] for j in camp], axis=0) if camp else None for camp in camps)
        told = (0.0, 0.0) if larger is None or other is None else _step(larger, other, place)
        found.append((int(wide[box][place > 0][0]), _Dispute(box, place, camps, *told)))
    groups: list[tuple[int, list[_Dispute]]] = []
    for at, one in sorted(found, key=lambda f: -f[1].whole):
        for where, group in groups:
            if where == at and (seen := one.seen_as(group[0])) is not None:
                group.append(seen)
                break
        else:
            groups.append((at, [one]))
    return [g for _, g in groups if sum(int(d.place.sum()) for d in g) >= LEAST_DISPUTE]


def _judge_disputes(cells: Sequence[F32], pairs: F32, support: F32, first: NDArray[np.intp]) -> F32:
    """Support with close races decided: in each place in dispute the answer that the border speaks for is lifted."""
    agree_first = np.take_along_axis(pairs, first[None, None], axis=0)[0]
    rest = np.where(agree_first < 0.5, support, 0)
    most, next_most = support.max(axis=0), rest.max(axis=0)
    dispute = ((most - next_most < CLOSE_RACE) & (next_most > 1.5)).astype(np.uint8)
    # Places so thin show no figure, only stone that fits ill: they have no vote in what is taken for stone near by.
    thin = max(3, 2 * (max(dispute.shape) // THINNEST) + 1)
    dispute = cv2.morphologyEx(dispute, cv2.MORPH_OPEN, np.ones((thin, thin), np.uint8))
    out = support.copy()
    for group in _disputes(dispute, cells, pairs):
        share = sum(d.own for d in group) / max(sum(d.whole for d in group), 1e-9)
        if abs(share - 1) < NEAR_ENOUGH:
            stone = 1
        elif abs(share) < NEAR_ENOUGH:
            stone = 0
        else:  # the border does not tell: the larger camp, by area, is believed
            sizes = [sum(len(d.camps[k]) * int(d.place.sum()) for d in group) for k in range(2)]
            stone = int(sizes[1] > sizes[0])
        for d in group:
            winner, loser = d.camps[stone], d.camps[1 - stone]
            # The loser is shut out a little beyond the place, where its own edge blurs.
            wide = cv2.dilate(d.place, np.ones((7, 7), np.uint8)) > 0
            for j in winner:
                lift = pairs[j][list(winner)][(slice(None), *d.box)].mean(axis=0) * 2 * CLOSE_RACE
                out[j][d.box] += np.where(d.place > 0, lift, 0)
            for j in loser:
                out[j][d.box] -= np.where(wide, np.float32(2 * CLOSE_RACE), 0)
    return np.asarray(out, np.float32)


def _camps(pairs: F32, place: U8) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Frames that agree with each other over a place: the two largest parties, the larger first; none of fewer than
    two but the larger."""
    between = pairs[:, :, place > 0].mean(axis=-1) > 0.5
    camps: list[tuple[int, ...]] = []
    left = np.ones(len(pairs), bool)
    for _ in range(2):
        size = np.where(left, (between & left).sum(axis=1), -1)
        camps.append(tuple(int(j) for j in np.flatnonzero(between[int(size.argmax())] & left)))
        left[list(camps[-1])] = False
    return camps[0], camps[1] if len(camps[1]) >= 2 else ()


def _choose(cells: Sequence[F32], seen: Sequence[NDArray[np.bool_]], model: BlockNoise) -> _Choice:
    pairs = _supports(cells, seen, model)
    support = pairs.sum(axis=1)
    first = support.argmax(axis=0)
    agreed = support.max(axis=0)
    support = _judge_disputes(cells, pairs, support, first)
    best = support.max(axis=0)
    shown = np.stack(seen)
    few = shown.sum(axis=0) < FEWEST
    cost = np.stack([cv2.blur(best - s, (7, 7)) for s in support])
    # The reference where it will do; few different frames elsewhere.
    cost += np.arange(len(cells), dtype=np.float32)[:, None, None] * 0.02
    cost[(support < best - 0.6) | ~shown] = 1e6
    label = cost.argmin(axis=0).astype(np.int16)
    stone = np.take_along_axis(pairs, label[None, None].astype(np.intp), axis=0)[0, 0]
    unknown = (agreed < 1.5) & ~few
    unknown = cv2.morphologyEx(unknown.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0
    label[unknown | few] = 0
    stays = _without_specks((stone > 0.5) | (support[0] > best - 0.35) | unknown | few)
    # An edge pixel of someone half covers its cell: a cell more is replaced all round.
    stays = cv2.erode(stays.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    stays |= (label == 0) & ~(cv2.dilate((label > 0).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0)
    others = np.stack([_figures(np.take_along_axis(p, label[None].astype(np.intp), axis=0)[0] < 0.5) for p in pairs])
    return _Choice(_settled(label, stays), stays, unknown, others)


def _figures(differs: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What differs, without specks and a little beyond."""
    opened = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.dilate(opened, np.ones((5, 5), np.uint8)) > 0)


def _without_specks(stays: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Replaced places too small to be anybody stay as they are."""
    return stays | _specks(~stays)


def _specks(places: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What of some places, per cell, is too small to be anybody."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(places.astype(np.uint8), connectivity=8)
    small = stats[:, cv2.CC_STAT_AREA] < max(12, round(SMALLEST_SPOT * places.size))
    small[0] = False
    return np.asarray(small[labels])


def _settled(label: NDArray[np.int16], stays: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Labels of replaced cells, a fleck of one in the midst of another taken in by it: nobody is so small."""
    flecks = np.zeros(stays.shape, bool)
    for k in np.unique(label[~stays]):
        flecks |= _specks((label == k) & ~stays)
    out = _spread(np.where(flecks, np.int16(0), label), stays)
    return np.where(~stays & (out == 0), label, out)


def _spread(label: NDArray[np.int16], stays: NDArray[np.bool_]) -> NDArray[np.int16]:
    """Labels of replaced cells whose own label is the reference: the nearest replaced neighbour's."""
    out = label.copy()
    for _ in range(4):
        bare = ~stays & (out == 0)
        if not bare.any():
            break
        grown = cv2.dilate(out.astype(np.float32), np.ones((3, 3), np.uint8)).astype(np.int16)
        out[bare] = grown[bare]
    return out


def _to_blocks(cells: NDArray[np.bool_], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Cells to 2 x 2 blocks of a mosaic; edges repeat."""
    big = np.repeat(np.repeat(cells, 2, axis=0), 2, axis=1)
    pad = ((0, max(0, shape[0] - big.shape[0])), (0, max(0, shape[1] - big.shape[1])))
    return np.asarray(np.pad(big, pad, mode="edge")[: shape[0], : shape[1]])


def _spots(unknown: NDArray[np.bool_], shape: tuple[int, int]) -> tuple[NDArray[np.bool_], list[Box]]:
    """Places in doubt closed to whole figures, per cell, and their boxes in pixels."""
    reach = 2 * (max(unknown.shape) // 120) + 3
    closed = cv2.morphologyEx(unknown.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(unknown.shape, np.uint8)
    boxes = []
    for outline in outlines:
        if cv2.contourArea(outline) < max(4.0, SMALLEST_SPOT * unknown.size):
            continue
        cv2.drawContours(filled, [outline], -1, 1, cv2.FILLED)
        x, y, w, h = cv2.boundingRect(outline)
        boxes.append((x * CELL, y * CELL, min(w * CELL, shape[1]), min(h * CELL, shape[0])))
    return filled > 0, boxes


@dataclass(frozen=True)
class _Laid:
    """A frame that fits: how to read it, where it lies, its light over the reference's."""

    index: int
    read: Callable[[], Mosaic]
    motion: Motion
    light: float


def _looked_at(
    reference: Mosaic,
    mine: F32,
    guide: Guide,
    others: Sequence[Callable[[], Mosaic]],
    noise: NoiseModel,
    camera: Camera,
    told: OnStage,
) -> tuple[list[_Laid], list[F32], list[NDArray[np.bool_]], dict[int, str]]:
    """First pass: where the frames lie, and their cells."""
    first, seen_first = cells_of(mine, reference.cfa)
    cells, seen, fits = [first], [seen_first], []
    left_out: dict[int, str] = {}

    def say(index: int) -> None:
        told(f"look at frame {index + 2} of {len(others) + 1}")

    for index, other, motion in fitting(guide, others, noise, camera, left_out, say):
        colours, shown = cells_of(laid(other, motion, noise), reference.cfa)
        level = shown & (first[..., 1] > np.median(first[..., 1]))
        light = float(np.median(colours[level][:, 1] / np.maximum(first[level][:, 1], 1e-3))) if level.any() else 1.0
        fits.append(_Laid(index, others[index], motion, light))
        cells.append(_in_light(colours, shown, light, first))
        seen.append(shown)
    return fits, cells, seen, left_out


def _in_light(colours: F32, shown: NDArray[np.bool_], light: float, first: F32) -> F32:
    """A frame's cells in the reference's light; where it shows nothing it must not seem to disagree."""
    return np.where(shown[..., None], colours / np.float32(light), first)


def _looked_again(
    reference: Mosaic,
    first: F32,
    seen_first: NDArray[np.bool_],
    guide: Guide,
    fits: Sequence[_Laid],
    choice: _Choice,
    noise: NoiseModel,
    camera: Camera,
    told: OnStage,
) -> tuple[list[_Laid], list[F32], list[NDArray[np.bool_]]]:
    """Second pass: where the frames lie by what shows stone in both; local alignment had followed the visitors."""
    again, cells, seen = [], [first], [seen_first]
    for k, fit in enumerate(fits, 1):
        told(f"look again at frame {fit.index + 2}")
        other, hidden = fit.read(), ~choice.reference_is_stone | choice.others[k]
        try:
            motion = align(guide.without(hidden), guide_of(other, noise), camera, start=fit.motion.rotation)
            fit = replace(fit, motion=checked(motion))
        except Refused:  # too little is left to go by
            pass
        colours, shown = cells_of(laid(other, fit.motion, noise), reference.cfa)
        again.append(fit)
        cells.append(_in_light(colours, shown, fit.light, first))
        seen.append(shown)
    return again, cells, seen


def merge_clear(
    reference: Mosaic, others: Sequence[Callable[[], Mosaic]], noise: NoiseModel, camera: Camera, told: OnStage
) -> Cleared:
    """Merge frames, each read up to four times, one at a time. Raises Refused with fewer than three that fit."""
    mine, guide = own(reference), guide_of(reference, noise)
    fits, cells, seen, left_out = _looked_at(reference, mine, guide, others, noise, camera, told)
    if len(cells) < FEWEST:
        raise Refused(f"only {len(cells)} frames fit each other, and at least {FEWEST} are needed to tell stone from "
                      "visitors. " + " ".join(dict.fromkeys(left_out.values())))  # fmt: skip
    model = BlockNoise.of(noise, reference)
    choice = _choose(cells, seen, model)
    fits, cells, seen = _looked_again(reference, cells[0], seen[0], guide, fits, choice, noise, camera, told)
    choice = _choose(cells, seen, model)
    del cells
    stack = _stacked(reference, mine, fits, choice, noise, told)
    mosaic, finer = merged_mosaic(stack, reference, mine)
    typical = typical_count(stack.count)
    excess = (np.float32(typical) / np.maximum(stack.count, 1e-3)).astype(np.float32)
    mask, boxes, sources = _account(choice, reference.raw.shape, fits)
    record = {
        "motions": {f.index: motion_record(f.motion) for f in fits},
        "light": {f.index: round(f.light, 4) for f in fits},
        "left_out": left_out,
        "replaced_pixels": int(np.count_nonzero((mask > 0) & (mask < IN_DOUBT))),
        "replaced_from": sources,
        "in_doubt_pixels": int(np.count_nonzero(mask == IN_DOUBT)),
        "in_doubt_boxes": [list(b) for b in boxes],
        "frames_behind_a_place": round(typical, 2),
    }
    taken = tuple(f.index for f in fits)
    return Cleared(mosaic, merged_noise(noise, typical, finer), excess, mask, taken, tuple(boxes), record)


def _values(fit: _Laid, noise: NoiseModel) -> F32:
    """A frame laid on the reference, in its light."""
    values = laid(fit.read(), fit.motion, noise)
    values /= np.float32(fit.light)
    values[values < np.float32(-1e6)] = np.float32(-1e9)
    return values


def _shown(values: F32, weights: F32) -> F32:
    """Weights per 2 x 2 block, 0 where the frame shows nothing."""
    rows, columns = weights.shape
    weights[values[: 2 * rows : 2, : 2 * columns : 2] < -1e6] = 0
    return weights


def _stacked(
    reference: Mosaic,
    mine: F32,
    fits: Sequence[_Laid],
    choice: _Choice,
    noise: NoiseModel,
    told: OnStage,
) -> Stack:
    """Last pass: the reference where it shows stone, the chosen frames elsewhere, and all that agree with them."""
    model = BlockNoise.of(noise, reference)
    stack = Stack.empty(*reference.raw.shape)
    shape = stack.weight.shape
    stack.add(mine, _to_blocks(choice.reference_is_stone, shape).astype(np.float32))
    bare = ~choice.reference_is_stone
    order = sorted(range(len(fits)), key=lambda k: -int(((choice.label == k + 1) & bare).sum()))
    # What stands for the stone comes first: every frame is judged by it.
    for k in order:
        stands = _to_blocks((choice.label == k + 1) & bare, shape)
        if stands.any():
            told(f"take stone from frame {fits[k].index + 2}")
            values = _values(fits[k], noise)
            stack.add(values, _shown(values, stands.astype(np.float32)))
    for k in order:
        told(f"merge frame {fits[k].index + 2}")
        values = _values(fits[k], noise)
        weights = agreement(values, stack, reference, model, about=ABOUT)
        weights[_to_blocks((choice.label == k + 1) & bare, shape) | (stack.weight <= 0)] = 0
        stack.add(values, _shown(values, weights))
    return stack


def _account(choice: _Choice, shape: tuple[int, int], fits: Sequence[_Laid]) -> tuple[U8, list[Box], dict[int, int]]:
    """The mask at full size, boxes in doubt, and pixels taken from each frame (by its index)."""
    doubt, boxes = _spots(choice.unknown, shape)
    cells = np.where(choice.reference_is_stone, 0, np.minimum(choice.label + 1, IN_DOUBT - 1)).astype(np.uint8)
    cells[doubt & (cells == 0)] = IN_DOUBT
    big = np.repeat(np.repeat(cells, CELL, axis=0), CELL, axis=1)
    pad = ((0, shape[0] - big.shape[0]), (0, shape[1] - big.shape[1]))
    mask = np.pad(big, pad, mode="edge")
    sources = {f.index: int((mask == k + 2).sum()) for k, f in enumerate(fits)}
    return mask, boxes, sources
