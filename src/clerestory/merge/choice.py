"""Which frame stands for the stone at every place: one labelling of the whole picture, from frames laid on one.

What recurs in most frames is taken for the stone; of answers that recur about equally often, `disputes` tells. Where
no two frames agree nothing is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.merge.agree import BlockNoise, cells_agree
from clerestory.merge.disputes import judge_disputes, judge_owners
from clerestory.merge.labels import SEAM, TURNED_SEAM, labelled
from clerestory.merge.lay import LARGE
from clerestory.merge.result import Refused
from clerestory.merge.somebody import narrow, of_nobody, rest_of_figures, specks, that_lie_aside
from clerestory.run.bands import side_by_side

F32 = NDArray[np.float32]
LABELLED = 324  # parts along the longer side of the grid whose seams are chosen
# Of the level, what light may change between frames once evened; of the local spread, what a misplacement may change.
# A camera that only turned, set on modelled churches; one that moved, on halls with pillars near by.
TURNED, MOVED = (0.008, 0.2), (0.022, 0.36)
# Of the agreement that a camera that moved is allowed, what must be left under the narrower bounds of one that turned
# for the frames to have lain so well; not asked where two frames agree in more than the first of these at once.
# Modelled churches give 0.96 and more, pictures of phones whose light was bent place by place 0.65 to 0.8.
SURELY_WELL, LIES_WELL = 0.8, 0.87
LEAST_AGREED = 0.25  # of what two frames show, below which nothing is told; real frames by hand give 0.6 and more
FEWEST = 3
ENOUGH = 0.5  # of the frames, that must agree to be believed before the median


@dataclass(frozen=True)
class Choice:
    """Per cell: the frame that stands for the stone, whether the reference shows it, and whether it is unknown;
    `others`: per frame whether it shows something else than the stone; `weak`: whether so few frames agree with what
    was chosen that it may be what is left of somebody."""

    label: NDArray[np.int16]
    reference_is_stone: NDArray[np.bool_]
    unknown: NDArray[np.bool_]
    others: NDArray[np.bool_]
    weak: NDArray[np.bool_]


def _supports(
    cells: Sequence[F32], seen: Sequence[NDArray[np.bool_]], model: BlockNoise, cell: int, slack: tuple[float, float]
) -> F32:
    """Agreement of every pair of frames, (n, n, rows, columns), 0 to 1."""
    n = len(cells)
    out = np.zeros((n, n, *cells[0].shape[:2]), np.float32)

    def fill(pair: tuple[int, int]) -> None:
        i, j = pair
        fits = cells_agree(cells[i], cells[j], model, max(1, (cell // 2) ** 2), *slack)
        out[i, j] = out[j, i] = fits * (seen[i] & seen[j])

    for i in range(n):
        out[i, i] = seen[i]
    for _ in side_by_side(fill, [(i, j) for i in range(n) for j in range(i)]):
        pass
    return out


def _agreed_share(pairs: F32, shown: NDArray[np.bool_]) -> float:
    """Of what two frames both show, over all pairs, the share in which they agree. Arrays as of `_supports`."""
    count = shown.sum(axis=0, dtype=np.float64)
    both = float((count * (count - 1)).sum())
    return (float(pairs.sum(dtype=np.float64)) - float(count.sum())) / both if both else 1.0


def _agreements(
    cells: Sequence[F32], seen: Sequence[NDArray[np.bool_]], model: BlockNoise, cell: int, deep: bool
) -> tuple[F32, bool]:
    """Agreement of every pair of frames as of `_supports`, and whether as of frames whose camera moved: also where
    they lie no better. Raises Refused where they hardly agree at all."""
    shown = np.stack(seen)
    pairs = _supports(cells, seen, model, cell, MOVED if deep else TURNED)
    share = _agreed_share(pairs, shown)
    if not deep and share < SURELY_WELL:
        loosely = _supports(cells, seen, model, cell, MOVED)
        allowed = _agreed_share(loosely, shown)
        if share < LIES_WELL * allowed:
            deep, pairs, share = True, loosely, allowed
    if share < LEAST_AGREED:
        raise Refused(f"its frames show the same in only {share * 100:.0f} % of their area, too little to tell stone "
                      "from visitors. Choose frames of one exposure.")  # fmt: skip
    return pairs, deep


def choose(
    cells: Sequence[F32],
    seen: Sequence[NDArray[np.bool_]],
    model: BlockNoise,
    cell: int,
    deep: bool,
    asks_somebody: bool = True,
) -> Choice:
    """The choice from frames on the first one's grid: their cells (rows x columns x 3), a cell `cell` pixels wide,
    and which of them each frame shows. `deep`: hands moved so far that near things shift against far ones;
    `asks_somebody`: whether what is nobody is kept and nobody left by half, where frames lie as well as they will.
    Raises Refused where the frames hardly agree at all.
    """
    pairs, deep = _agreements(cells, seen, model, cell, deep)
    shown = np.stack(seen)
    votes = pairs.sum(axis=1)
    agreed = votes.max(axis=0)
    support = judge_disputes(cells, pairs, votes, exact=not deep)
    if deep:  # frames that lie well tell close races alone better: measured on modelled churches
        support = judge_owners(cells, pairs, support, shown)
    few = shown.sum(axis=0) < FEWEST
    unknown = (agreed < 1.5) & ~few
    block = max(1, round(max(unknown.shape) / LABELLED))
    seam = SEAM if deep else TURNED_SEAM
    sure = _sureness(shown, agreed) if deep else np.float32(1) - (agreed < 1.5)
    # A few votes among many frames are no evidence: there whatever is nearest to the median of all is taken.
    label = labelled(support - (1 - sure) * votes, pairs, shown, _off_middle(cells, shown, sure), block, seam)
    unknown = cv2.morphologyEx(unknown.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0
    if not deep:  # frames that lie well and still differ show visitors: no reason to take one rather than another
        label[unknown] = 0
    fits = np.take_along_axis(pairs, label[None, None].astype(np.intp), axis=0)[0]
    replaced = ~_kept(label, fits[0], support, deep)
    if deep:
        replaced &= ~narrow(replaced)
    if deep and asks_somebody:
        replaced &= ~that_lie_aside(replaced, cells, seen, pairs, fits, model, cell, MOVED)
        replaced &= ~of_nobody(replaced, cells, label, votes[0])
        rest, label = rest_of_figures(replaced, fits[0], label, cells[0], votes[0], shown, pairs)
        replaced |= rest
    # An edge pixel of someone half covers its cell: a cell more is replaced all round.
    wide = cv2.dilate((replaced & ~specks(replaced)).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    stays = ~wide | (label == 0)
    others = np.stack(list(side_by_side(lambda fit: _figures(fit < 0.5), list(fits))))
    taken = np.where(stays, 0, label)[None].astype(np.intp)
    weak = np.take_along_axis(votes, taken, axis=0)[0] < np.maximum(ENOUGH * shown.sum(axis=0), 1.5)
    return Choice(label, stays, unknown, others, _figures(weak & ~few))


def _kept(label: NDArray[np.int16], stone: F32, support: F32, deep: bool) -> NDArray[np.bool_]:
    """Where the first frame is kept (rows, columns). `stone`: how far it agrees with what was chosen.

    Where hands moved, one frame that agrees by chance is not enough to keep it, and as many votes for it as for
    another are no reason to leave half of its figure.
    """
    best = support.max(axis=0)
    good = (stone > 0.5) & (support[0] > best - 1.2) if deep else (stone > 0.5) | (support[0] > best - 0.35)
    return np.asarray(good | (label == 0))


def choose_roughly(
    cells: Sequence[F32], seen: Sequence[NDArray[np.bool_]], model: BlockNoise, cell: int, deep: bool
) -> Choice:
    """As `choose`, roughly: where there are many cells (rows x columns x 3), on cells twice as wide. Who stands where
    is seen there as well."""
    height, width = cells[0].shape[:2]
    if max(height, width) * cell < LARGE:
        return choose(cells, seen, model, cell, deep, asks_somebody=False)
    size = (width // 2, height // 2)
    even = (slice(0, height // 2 * 2), slice(0, width // 2 * 2))
    small = [cv2.resize(c[even], size, interpolation=cv2.INTER_AREA) for c in cells]
    there = [np.asarray(s[even].reshape(size[1], 2, size[0], 2).all(axis=(1, 3))) for s in seen]
    found = choose(small, there, model, 2 * cell, deep, asks_somebody=False)

    def wide(values: NDArray[Any]) -> NDArray[Any]:
        big = values.repeat(2, axis=-2).repeat(2, axis=-1)
        room = [(0, 0)] * (values.ndim - 2) + [(0, height - big.shape[-2]), (0, width - big.shape[-1])]
        return np.pad(big, room, mode="edge")

    return Choice(
        wide(found.label), wide(found.reference_is_stone), wide(found.unknown), wide(found.others), wide(found.weak)
    )


def _sureness(shown: NDArray[np.bool_], agreed: F32) -> F32:
    """How surely what recurs most is the stone, 0 to 1 (rows, columns): 1 from half of the frames on."""
    enough = np.maximum(shown.sum(axis=0) * np.float32(ENOUGH), 2)
    return np.asarray(np.clip((agreed - 1) / (enough - 1), 0, 1), np.float32)


def _off_middle(cells: Sequence[F32], shown: NDArray[np.bool_], sure: F32) -> F32:
    """Votes (n, rows, columns) off a frame where few agree, by how far it is from the median of all."""
    doubt = sure < 1
    out = np.zeros(shown.shape, np.float32)
    if doubt.any():
        there = np.stack([np.where(s[doubt][:, None], np.sqrt(np.maximum(c[doubt], 0)), np.nan)
                          for c, s in zip(cells, shown, strict=True)])  # fmt: skip
        with np.errstate(all="ignore"):
            middle = np.nan_to_num(np.nanmedian(there, axis=0))
        far = np.abs(np.nan_to_num(there) - middle).sum(axis=-1) / np.maximum(middle.sum(axis=-1), 1e-3)
        out[:, doubt] = (1 - sure[doubt]) * np.minimum(6 * far, 2)
    return out


def _figures(differs: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What differs, without specks and a little beyond."""
    opened = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    return np.asarray(cv2.dilate(opened, np.ones((5, 5), np.uint8)) > 0)
