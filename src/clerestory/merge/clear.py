"""The view without its visitors, from frames in which they pass.

Stone stays, people do not: frames are first laid on one another near and far (`standpoint`, `depth`); at every place
the light that recurs in most frames is then taken for the stone, and only frames that show it are used, in one
labelling of the whole picture (`labels`). Where two answers recur about equally often (someone stood there for half
of the time), the one without an outline of its own is the stone: a person's outline lies along the edge of the place
in dispute, that of the building does not. Where no two frames agree nothing is known, and the reference stands as it
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
from clerestory.merge.agree import BlockNoise, agreement
from clerestory.merge.align import Guide, Motion, align, checked, guide_of
from clerestory.merge.burst import motion_record
from clerestory.merge.choice import FEWEST, Choice, choose, choose_roughly
from clerestory.merge.lay import LARGE, Laying, cell_of, cells_laid, cells_of, evened, laying_of, motion_of
from clerestory.merge.resample import laid, own
from clerestory.merge.result import IN_DOUBT, Refused
from clerestory.merge.somebody import SMALLEST_SPOT
from clerestory.merge.stack import Stack, merged_mosaic, merged_noise, typical_count
from clerestory.raw.read import Mosaic
from clerestory.run.bands import one_ahead, side_by_side
from clerestory.run.progress import OnStage

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Box = tuple[int, int, int, int]
ABOUT = 3  # blocks left out about a figure: the alignment did not follow it
LEAST_WEAK = 2e-4  # of the picture: smaller places that few frames agree with are not worth naming


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


def _to_blocks(cells: NDArray[np.bool_], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Cells to 2 x 2 blocks of a mosaic; edges repeat."""
    times = max(1, round(shape[1] / cells.shape[1]))
    big = np.repeat(np.repeat(cells, times, axis=0), times, axis=1)
    pad = ((0, max(0, shape[0] - big.shape[0])), (0, max(0, shape[1] - big.shape[1])))
    return np.asarray(np.pad(big, pad, mode="edge")[: shape[0], : shape[1]])


def _spots(
    unknown: NDArray[np.bool_], shape: tuple[int, int], cell: int, least: float = SMALLEST_SPOT
) -> tuple[NDArray[np.bool_], list[Box]]:
    """Places in doubt closed to whole figures, per cell, and their boxes in pixels: those above `least` (share)."""
    reach = 2 * (max(unknown.shape) // 120) + 3
    closed = cv2.morphologyEx(unknown.astype(np.uint8), cv2.MORPH_CLOSE, np.ones((reach, reach), np.uint8))
    outlines, _ = cv2.findContours(closed, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros(unknown.shape, np.uint8)
    boxes = []
    for outline in outlines:
        if cv2.contourArea(outline) < max(4.0, least * unknown.size):
            continue
        cv2.drawContours(filled, [outline], -1, 1, cv2.FILLED)
        x, y, w, h = cv2.boundingRect(outline)
        boxes.append((x * cell, y * cell, min(w * cell, shape[1]), min(h * cell, shape[0])))
    return filled > 0, boxes


@dataclass(frozen=True)
class Laid:
    """A frame that fits: where it lies, and its light there."""

    index: int
    motion: Motion


@dataclass(frozen=True)
class Look:
    """A first look at a frame: its cells where it recorded them, and what alignment sees of it."""

    cells: F32
    guide: Guide


def _look(mosaic: Mosaic, noise: NoiseModel, cell: int) -> Look:
    return Look(cells_of(own(mosaic), mosaic.cfa, cell), guide_of(mosaic, noise))


@dataclass
class _View:
    """The frames on the first one's grid: which, and per frame, the first included, cells and what shows there."""

    fits: list[Laid]
    cells: list[F32]
    seen: list[NDArray[np.bool_]]
    laying: Laying | None

    @property
    def deep(self) -> bool:
        """Whether hands moved so far that near things shift against far ones."""
        return self.laying is not None and self.laying.deep


def _placed(looks: Sequence[Look], camera: Camera, left_out: dict[int, str], on_stage: OnStage) -> _View:
    """Where the frames lie: by their standpoints and the distances of things, else by the camera's turn."""
    first = looks[0]
    try:
        laying: Laying | None = laying_of([x.cells for x in looks], camera)
    except Refused:
        laying = None
    finest = int(max(camera.width, camera.height) >= LARGE)  # who stands where is told by cells of 4 pixels and more
    view = _View([], [first.cells], [np.ones(first.cells.shape[:2], bool)], laying)

    def lie(index: int) -> Motion | Refused:
        try:
            return motion_of(first.guide, looks[index + 1].guide, laying, index, camera, finest)
        except Refused as why:
            return why

    found = side_by_side(lie, range(len(looks) - 1))
    for index in range(len(looks) - 1):
        on_stage(f"lay frame {index + 2} of {len(looks)}")
        motion = next(found)
        if isinstance(motion, Refused):
            left_out[index] = str(motion)
        else:
            view.fits.append(Laid(index, motion))
    return view


def _with_cells(
    view: _View, looks: Sequence[Look], camera: Camera, cell: int, visitors: NDArray[np.bool_] | None = None
) -> None:
    """Fill in the frames' cells on the first one's grid, their light evened to the first's.

    `visitors`, per cell: where the first frame was seen to show somebody. Distances there are guessed, and where
    they would hide the place from nearly all the others they are not believed.
    """
    del view.cells[1:], view.seen[1:]
    size, shape = (camera.height, camera.width), view.cells[0].shape[:2]
    found = list(side_by_side(lambda f: cells_laid(looks[f.index + 1].cells, f.motion, cell, shape), view.fits))
    hides = np.zeros((len(found), *shape), bool)
    if view.laying is not None and view.laying.deep:
        hides = np.stack([view.laying.hidden(f.index, cell, camera) for f in view.fits])
        if visitors is not None:
            left = np.sum([seen & ~h for (_, seen), h in zip(found, hides, strict=True)], axis=0)
            hides &= ~(visitors & (left < FEWEST))
    view.seen += [seen & ~h for (_, seen), h in zip(found, hides, strict=True)]

    def even(k: int) -> tuple[F32, F32]:
        return evened(found[k][0], view.seen[k + 1], view.cells[0], view.fits[k].motion, cell, size)

    for k, (cells, gain) in enumerate(side_by_side(even, range(len(found)))):
        fit = view.fits[k]
        view.fits[k] = replace(fit, motion=replace(fit.motion, gain=gain))
        view.cells.append(cells)


def _again(view: _View, looks: Sequence[Look], choice: Choice, camera: Camera) -> None:
    """Second look: where frames lie by what shows stone in both; distances and shifts had followed visitors."""
    laying, first = view.laying, looks[0].guide
    if laying is not None and laying.deep:
        laying = laying.again([x.cells for x in looks], camera, ~choice.reference_is_stone)
        view.laying, first = laying, first.without(~choice.reference_is_stone)

    def lie(k: int) -> Laid:
        fit = view.fits[k]
        other = looks[fit.index + 1].guide
        try:
            if laying is not None and laying.deep and laying.stands.frames[fit.index] is not None:
                motion = laying.motion(fit.index, first, other, camera)
            else:
                hidden = ~choice.reference_is_stone | choice.others[k + 1]
                motion = checked(align(first.without(hidden), other, camera, start=fit.motion.rotation))
        except Refused:  # too little is left to go by
            return fit
        return replace(fit, motion=motion)

    view.fits[:] = list(side_by_side(lie, range(len(view.fits))))


@dataclass(frozen=True)
class Decided:
    """Which frames fit, where each lies, which shows what stays, and why others were left out (by index)."""

    fits: list[Laid]
    choice: Choice
    left_out: dict[int, str]


def decide(looks: Sequence[Look], camera: Camera, model: BlockNoise, cell: int, on_stage: OnStage) -> Decided:
    """Where frames lie and what of each stays. `looks`: the reference's first; a cell is `cell` pixels (H x W) wide.

    Raises Refused with fewer than three that fit.
    """
    left_out: dict[int, str] = {}
    view = _placed(looks, camera, left_out, on_stage)
    if len(view.fits) + 1 < FEWEST:
        raise Refused(f"only {len(view.fits) + 1} frames fit each other, and at least {FEWEST} are needed to tell "
                      "stone from visitors. " + " ".join(dict.fromkeys(left_out.values())))  # fmt: skip
    _with_cells(view, looks, camera, cell)
    on_stage("choose what stays")
    choice = choose_roughly(view.cells, view.seen, model, cell, view.deep)
    on_stage("look again")
    _again(view, looks, choice, camera)
    visitors = cv2.dilate((~choice.reference_is_stone).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    _with_cells(view, looks, camera, cell, visitors)
    return Decided(view.fits, choose(view.cells, view.seen, model, cell, view.deep), left_out)


def merge_clear(
    reference: Mosaic, others: Sequence[Callable[[], Mosaic]], noise: NoiseModel, camera: Camera, on_stage: OnStage
) -> Cleared:
    """Merge frames, each read up to three times. Raises Refused with fewer than three that fit."""
    cell = cell_of(reference.raw.shape)
    looks = [_look(reference, noise, cell)]
    for look in side_by_side(lambda read: _look(read(), noise, cell), others):
        on_stage(f"look at frame {len(looks) + 1} of {len(others) + 1}")
        looks.append(look)
    done = decide(looks, camera, BlockNoise.of(noise, reference), cell, on_stage)
    del looks
    mine = own(reference)
    stack = _stacked(reference, mine, done.fits, others, done.choice, noise, on_stage)
    mosaic, finer = merged_mosaic(stack, reference, mine)
    typical = typical_count(stack.count)
    excess = (np.float32(typical) / np.maximum(stack.count, 1e-3)).astype(np.float32)
    mask, boxes, record = account(done, reference.raw.shape, cell)
    record["frames_behind_a_place"] = round(typical, 2)
    taken = tuple(f.index for f in done.fits)
    return Cleared(mosaic, merged_noise(noise, typical, finer), excess, mask, taken, tuple(boxes), record)


def _shown(values: F32, weights: F32) -> F32:
    """Weights per 2 x 2 block, 0 where the frame shows nothing."""
    rows, columns = weights.shape
    weights[values[..., : 2 * rows : 2, : 2 * columns : 2].reshape(-1, rows, columns)[0] < -1e6] = 0
    return weights


def _stacked(
    reference: Mosaic,
    mine: F32,
    fits: Sequence[Laid],
    reads: Sequence[Callable[[], Mosaic]],
    choice: Choice,
    noise: NoiseModel,
    on_stage: OnStage,
) -> Stack:
    """Last pass: the reference where it shows stone, the chosen frames elsewhere, and all that agree with them."""
    model = BlockNoise.of(noise, reference)
    stack = Stack.empty(reference)
    shape = stack.weight.shape
    stack.add(mine, _to_blocks(choice.reference_is_stone, shape).astype(np.float32))
    bare = ~choice.reference_is_stone
    order = sorted(range(len(fits)), key=lambda k: -int(((choice.label == k + 1) & bare).sum()))
    # What stands for the stone comes first: every frame is judged by it.
    own_stone = {k: _to_blocks((choice.label == k + 1) & bare, shape) for k in order}

    def lay(k: int, wanted: NDArray[np.bool_] | None = None) -> F32:
        return laid(reads[fits[k].index](), fits[k].motion, noise, wanted)

    lending = [k for k in order if own_stone[k].any()]
    for k, values in zip(lending, one_ahead(lambda k: lay(k, own_stone[k]), lending), strict=True):
        on_stage(f"take stone from frame {fits[k].index + 2}")
        stack.add(values, _shown(values, own_stone[k].astype(np.float32)))
    for k, values in zip(order, one_ahead(lay, order), strict=True):
        on_stage(f"merge frame {fits[k].index + 2}")
        weights = agreement(values, stack, reference, model, about=ABOUT)
        weights[own_stone[k] | (stack.weight <= 0)] = 0
        stack.add(values, _shown(values, weights))
    return stack


def account(done: Decided, shape: tuple[int, int], cell: int) -> tuple[U8, list[Box], dict[str, Any]]:
    """The mask at full size (see `Cleared`), boxes in doubt, and the record."""
    choice, fits = done.choice, done.fits
    doubt, boxes = _spots(choice.unknown, shape, cell)
    weak = _spots(choice.weak & ~doubt, shape, cell, LEAST_WEAK)[1]
    cells = np.where(choice.reference_is_stone, 0, np.minimum(choice.label + 1, IN_DOUBT - 1)).astype(np.uint8)
    cells[doubt & (cells == 0)] = IN_DOUBT
    big = np.repeat(np.repeat(cells, cell, axis=0), cell, axis=1)
    pad = ((0, shape[0] - big.shape[0]), (0, shape[1] - big.shape[1]))
    mask = np.pad(big, pad, mode="edge")
    record = {
        "motions": {f.index: motion_record(f.motion) for f in fits},
        "light": {f.index: round(float(1 / np.median(f.motion.gain)), 4) for f in fits},
        "left_out": done.left_out,
        "replaced_pixels": int(np.count_nonzero((mask > 0) & (mask < IN_DOUBT))),
        "replaced_from": {f.index: int((mask == k + 2).sum()) for k, f in enumerate(fits)},
        "in_doubt_pixels": int(np.count_nonzero(mask == IN_DOUBT)),
        "in_doubt_boxes": [list(b) for b in boxes],
        "weak_boxes": [list(b) for b in weak],
    }
    return mask, boxes, record
