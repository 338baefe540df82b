"""Which places to be replaced show somebody, and all of him: not stone that lies ill, and no half of a figure.

Frames taken by a hand that moved never lie quite true: beside near pillars and at the frame's edges other frames seem
to show something else. A place stays as the first frame shows it where another shows the same a little aside, where
it is narrower than anybody, and where too little of the step at its border is in the first frame: somebody's outline
is in the picture of him and not in the other. What is left of somebody beside such a place goes with him.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from clerestory.merge.agree import BlockNoise
from clerestory.merge.disputes import FIGURE, LEAST_DISPUTE, RECURS, owned_share, picked
from clerestory.merge.drift import shown_aside
from clerestory.run.bands import side_by_side

F32 = NDArray[np.float32]
# Of a place to be replaced, within so small a part of the longer side, that other frames must show a little aside for
# it to be no visitor. Set on halls by swaying hands.
ASIDE, ASIDE_WITHIN = 0.2, 60
NO_SCRAP = 0.25  # of a place, below which a part of it is replaced with the rest
# Of the step at the border of a place to be replaced, what must be the first frame's own for it to be somebody: of
# small places much, of large ones little, between shares of the picture; and where hardly another frame shows the
# same. Set on halls by swaying hands and looked at on stacks by phones: all who stood there have more, nearly all of
# what lay ill has less.
SIZES, OWN, OWN_SELDOM = (4e-3, 2e-2), (0.8, 0.3), 0.6
# Half the width, of the longer side, under which a limb of a place is judged by itself: an edge that lies ill beside
# somebody.
LIMB = 140
BORDER = 8  # cells about a place, in which its outline is sought
# What is left of somebody: steps in root light between cells, of the level about, up to which he goes on; frames that
# show the same, himself with them; how far, a part of the longer side; and how far the frame that fills the place
# must agree with the first about it. Set on halls by swaying hands.
EVEN, LONE, REST_WITHIN, FITS_ABOUT = 0.1, 1.5, 16, 0.25
SMALLEST_SPOT = 2e-5  # of the picture: smaller places in doubt are not worth showing


def that_lie_aside(
    places: NDArray[np.bool_],
    cells: Sequence[F32],
    seen: Sequence[NDArray[np.bool_]],
    pairs: F32,
    fits: F32,
    model: BlockNoise,
    cell: int,
    slack: tuple[float, float],
) -> NDArray[np.bool_]:
    """Whichever of some places, per cell, which the first frame shows as another that shows stone there does, but for
    lying a little aside: distances told wrong, nobody. `pairs` (n, n, rows, columns): agreement of each two frames;
    `fits` (n, rows, columns): with the stone; `slack`: within which two are the same, see `agree.cells_agree`."""
    per = max(1, (cell // 2) ** 2)

    def same(k: int) -> NDArray[np.bool_]:
        asked = places & (fits[k] > 0.5) & (pairs[0, k] < 0.5)
        return asked & shown_aside(cells[0], cells[k], seen[k], model, per, slack) if asked.any() else asked

    found = np.any(list(side_by_side(same, range(1, len(cells)))), axis=0)
    window = 2 * (max(places.shape) // ASIDE_WITHIN) + 1
    share, whole = (cv2.blur(x.astype(np.float32), (window, window)) for x in (found, places))
    kept = places & (share > ASIDE * whole)
    # What would be a scrap of a place replaced for the rest goes with it.
    labels, of = (cv2.connectedComponents(x.astype(np.uint8), connectivity=8)[1] for x in (places, kept))
    areas = np.bincount(labels.ravel())
    most = np.zeros(of.max() + 1)
    np.maximum.at(most, of.ravel(), areas[labels.ravel()])
    scraps = np.bincount(of.ravel()) < NO_SCRAP * most
    return np.asarray(kept & ~scraps[of])


def of_nobody(
    places: NDArray[np.bool_], cells: Sequence[F32], label: NDArray[np.int16], votes: F32
) -> NDArray[np.bool_]:
    """Whichever of some places, per cell, have not so much of their border's step in the first frame as somebody has
    who stands there. `label`: who would stand for it; `votes` (rows, columns): of frames that show what it shows."""
    parts, boxes, areas = _limbs(places)
    new, out = picked(cells, label.astype(np.intp)), np.zeros(places.shape, bool)
    for part, (rows, columns), area in zip(range(1, len(areas)), boxes, areas[1:], strict=True):
        box = (slice(max(rows.start - BORDER, 0), rows.stop + BORDER),
               slice(max(columns.start - BORDER, 0), columns.stop + BORDER))  # fmt: skip
        place = parts[box] == part
        needed = float(np.interp(math.log(area / places.size), np.log(SIZES), OWN))
        if float(votes[box][place].mean()) < RECURS:
            needed = min(needed, OWN_SELDOM)
        if owned_share(cells[0][box], new[box], place.astype(np.uint8)) < needed:
            out[box] |= place
    return out


def _limbs(
    places: NDArray[np.bool_],
) -> tuple[NDArray[np.int32], list[tuple[slice, slice]], NDArray[np.intp]]:
    """Some places (rows, columns) in numbered parts, bodies and what is narrow beside them, 0 elsewhere; the box of
    each part from 1 on; and the area of each from 0 on."""
    wide = max(FIGURE, 2 * (max(places.shape) // LIMB) + 1)
    square = np.ones((wide, wide), np.uint8)
    body = cv2.morphologyEx(places.astype(np.uint8), cv2.MORPH_OPEN, square)
    count, parts = cv2.connectedComponents(body, connectivity=8)
    narrow_ones = (places & (body == 0)).astype(np.uint8)
    _, limbs, stats, _ = cv2.connectedComponentsWithStats(narrow_ones, connectivity=8)
    near = cv2.dilate(parts.astype(np.float32), square).astype(np.int32)
    scraps = (stats[limbs, cv2.CC_STAT_AREA] < LEAST_DISPUTE) & (near > 0)
    parts = np.where(body > 0, parts, np.where(scraps, near, limbs + (count - 1))) * places
    used, parts = np.unique(parts, return_inverse=True)
    parts = parts.reshape(places.shape).astype(np.int32)
    boxes = [found for found in ndimage.find_objects(parts) if found is not None]
    return parts, boxes, np.bincount(parts.ravel(), minlength=len(used))


def rest_of_figures(
    places: NDArray[np.bool_],
    stone: F32,
    label: NDArray[np.int16],
    first: F32,
    votes: F32,
    shown: NDArray[np.bool_],
    pairs: F32,
) -> tuple[NDArray[np.bool_], NDArray[np.int16]]:
    """What is left, beside some places, of whoever is replaced in them (rows, columns), and `label` with the frame
    beside it there, where that is `shown` (n, rows, columns) and agrees with the first about it (`pairs`).

    It is what goes on evenly in the first frame from where that is not the `stone` (0 to 1, how far it agrees with
    what stands for it), and hardly another frame shows the same (`votes`). Behind a table's edge or in a crowd no two
    frames may agree; half a figure is worse than what one of them shows.
    """
    light = np.sqrt(np.maximum(first, 0))
    even = np.float32(EVEN) * cv2.blur(light, (9, 9)).max(axis=-1)
    taken, filled = places & ~specks(places) & (stone < 0.5), label.copy()
    free = (votes < LONE) & ~places
    _flooded(taken, free, light, even, filled, shown, max(places.shape) // REST_WITHIN)
    rest = taken & ~places
    rest &= ~_ill_filled(rest, places, filled, pairs)
    return rest, np.where(rest, filled, label)


def _ill_filled(
    rest: NDArray[np.bool_], places: NDArray[np.bool_], filled: NDArray[np.int16], pairs: F32
) -> NDArray[np.bool_]:
    """Whichever of what would go with a figure have about them, where nothing is replaced, too little of the frame
    that would fill them."""
    count, parts, stats, _ = cv2.connectedComponentsWithStats(rest.astype(np.uint8), connectivity=8)
    out, fixed = np.zeros_like(rest), ~places & ~rest
    for part in range(1, count):
        x, y, w, h = (int(v) for v in stats[part, :4])
        box = (slice(max(y - 4, 0), y + h + 4), slice(max(x - 4, 0), x + w + 4))
        place = parts[box] == part
        ring = (cv2.dilate(place.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0) & fixed[box]
        by = np.bincount(filled[box][place]).argmax()
        if ring.any() and float(pairs[0, by][box][ring].mean()) < FITS_ABOUT:
            out[box] |= place
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _flooded(taken, free, light, even, label, shown, reach):  # type: ignore[no-untyped-def]
    """`taken` goes on, in place and up to `reach` cells, into what is `free` and as light as the cell before."""
    rows, columns = taken.shape
    far = np.zeros((rows, columns), np.int32)
    queue = [(0, 0) for _ in range(0)]
    for y in range(rows):
        for x in range(columns):
            if taken[y, x]:
                queue.append((y, x))
    at = 0
    while at < len(queue):
        y, x = queue[at]
        own = label[y, x]
        at += 1
        if own == 0 or far[y, x] >= reach:
            continue
        for v, u in ((y - 1, x), (y + 1, x), (y, x - 1), (y, x + 1)):
            if not (0 <= v < rows and 0 <= u < columns) or not free[v, u] or not shown[own, v, u]:
                continue
            step = np.float32(0)
            for k in range(3):
                step = max(step, abs(light[v, u, k] - light[y, x, k]))
            if step < even[v, u]:
                far[v, u] = far[y, x] + 1
                taken[v, u], free[v, u] = True, False
                label[v, u] = own
                queue.append((v, u))


def narrow(places: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whichever of some places (rows, columns) are nowhere as wide as somebody: edges that lie ill."""
    labels = cv2.connectedComponents(places.astype(np.uint8), connectivity=8)[1]
    wide = cv2.erode(np.pad(places.astype(np.uint8), 1), np.ones((FIGURE, FIGURE), np.uint8))[1:-1, 1:-1]
    return np.asarray(places & ~np.isin(labels, np.unique(labels[wide > 0])))


def specks(places: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What of some places (rows, columns) is too small to be anybody."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(places.astype(np.uint8), connectivity=8)
    small = stats[:, cv2.CC_STAT_AREA] < max(12, round(SMALLEST_SPOT * places.size))
    small[0] = False
    return np.asarray(small[labels])
