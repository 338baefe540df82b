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
from clerestory.merge.agree import BlockNoise, agreement, cells_agree
from clerestory.merge.align import Guide, Motion, align, checked, guide_of
from clerestory.merge.burst import motion_record
from clerestory.merge.labels import SEAM, TURNED_SEAM, labelled
from clerestory.merge.lay import LARGE, Laying, cell_of, cells_laid, cells_of, evened, laying_of, motion_of
from clerestory.merge.resample import laid, own
from clerestory.merge.result import IN_DOUBT, Refused
from clerestory.merge.stack import Stack, merged_mosaic, merged_noise, typical_count
from clerestory.raw.read import Mosaic
from clerestory.run.bands import one_ahead, side_by_side
from clerestory.run.progress import OnStage

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
Box = tuple[int, int, int, int]
LABELLED = 324  # parts along the longer side of the grid whose seams are chosen
# Of the level, what light may change between frames once evened; of the local spread, what a misplacement may change.
# A camera that only turned, set on modelled churches; one that moved, on halls with pillars near by.
TURNED, MOVED = (0.008, 0.2), (0.022, 0.36)
FEWEST = 3
ENOUGH = 0.5  # of the frames, that must agree to be believed before the median
CLOSE_RACE = 1.2  # frames by which the first answer may lead the second and still be doubted
OUT = 4 * CLOSE_RACE  # votes that a party which lost loses
PARTIES = 3  # that may dispute a place
LEAN = 0.15  # of the step, beyond a half, that a camp of all frames must own to show a visitor
NEAR_ENOUGH = 0.4  # how near to all of the step must be one camp's own for the border to speak clearly
THINNEST = 400  # places in dispute thinner than so small a part of the picture's longer side are left out
LEAST_DISPUTE = 24  # cells: smaller places have no outline to judge by
OF_ITSELF = 60  # cells: larger places tell by their own borders
NEIGHBOURS = 40  # places in dispute within so small a part of the picture's longer side may be of one figure
ABOUT = 3  # blocks left out about a figure: the alignment did not follow it
SMALLEST_OWNED = 2e-4  # of the picture: whoever is smaller and stands in most frames is left where he is
STEEP = 0.8  # of a step in the logarithm of light, per cell of a place's side: fainter ones tell nothing
FLOOR = 0.1  # of the level about, below which a step in the logarithm counts for less: noise and veil
OF_A_STEP = (-0.5, 1.5)  # the share of one place of the border is held to: the stone's own edges say anything
# Of the step, what must lie in what recurs for it to be somebody: where two frames agree on what is behind, and where
# one alone shows it. Set on halls in which people stay for half of the frames.
OWNED_BY_TWO, OWNED = 0.6, 0.75
DISOWNED = 0.3  # of the step, below which the frame that differs shows somebody
SWAY = 9  # cells that the outline of one who stays may move between frames
FIGURE = 5  # cells: narrower places that differ are edges that lie ill, not somebody
RECURS = 1.75  # frames that must agree on a place, on its mean, to say that something recurs there
OUTVOTED = 0.7  # of the frames: an answer that more of them show is believed before its border
LEAST_WEAK = 2e-4  # of the picture: smaller places that few frames agree with are not worth naming
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


def _figure(differs: F32, place: U8) -> U8:
    """What differs between two answers in and about a place in dispute, filled: a visitor's whole figure, 0 or 1."""
    figure = (differs > 0.35 * np.quantile(differs[place > 0], 0.7)).astype(np.uint8)
    figure = cv2.morphologyEx(figure, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    figure = cv2.morphologyEx(figure, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    outlines, _ = cv2.findContours(figure, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    filled = np.zeros_like(figure)
    cv2.drawContours(filled, outlines, -1, 1, cv2.FILLED)
    parts = cv2.connectedComponents(filled)[1]
    inside = np.unique(parts[place > 0])
    return np.isin(parts, inside[inside > 0]).astype(np.uint8)


def _answer(camp: tuple[int, ...], cells: Sequence[F32], pairs: F32) -> tuple[F32, NDArray[np.bool_]]:
    """What a camp of frames shows, and where it has one answer. `pairs` (n, n, rows, columns), of the same part as
    `cells`.

    It is the picture of the frame that the others agree with most, outlines and all, though those of somebody who
    sways lie a little apart in each; elsewhere that of whichever more than half of the camp agree with.
    """
    within = pairs[np.ix_(camp, camp)].sum(axis=1)
    lead = int(within.mean(axis=(1, 2)).argmax())
    enough = within > 0.5 * len(camp) + 0.25
    held = cv2.morphologyEx(enough[lead].astype(np.uint8), cv2.MORPH_CLOSE, np.ones((SWAY, SWAY), np.uint8)) > 0
    from_whom = np.where(held, lead, within.argmax(axis=0))
    shown = np.take_along_axis(np.stack([cells[j] for j in camp]), from_whom[None, ..., None], axis=0)[0]
    return np.asarray(shown, np.float32), held | enough.any(axis=0)


def _step(
    a: F32, b: F32, place: U8, told: NDArray[np.bool_] | None = None, exact: bool = False
) -> tuple[float, float]:
    """Of the step between two answers at their common border: how much is the first one's own, and all of it.

    The stone runs on across a visitor's outline whatever it looks like, so that all of the step between the two is in
    the visitor's picture. The share of the two is the first one's slope across the border on the slope of the
    difference, about 0 or 1, its mean over the border by the steepness of the difference: edges of the stone that
    cross the border count at a few of its places only. Slopes are those of the logarithm of light, in which a shadow
    is even over light and dark tiles. `told`: where the two are answers at all; the border counts only there.
    `exact`: of frames that lie exactly, in square-root light by least squares, as set on modelled churches.
    """
    if exact:
        first, second = (np.sqrt(np.maximum(x, 0)) for x in (a, b))
    else:
        floor = FLOOR * max(float(np.maximum(a, 0).mean()), 1e-6)
        first, second = (np.log(np.maximum(x, 0) + np.float32(floor)) for x in (a, b))
    step = first - second
    figure = _figure(cv2.blur(np.abs(step).sum(axis=-1), (3, 3)), place)
    three = np.ones((3, 3), np.uint8)
    ring = cv2.dilate(figure, three) > cv2.erode(figure, three)
    if told is not None:
        ring &= cv2.erode(told.astype(np.uint8), three) > 0
    soft = cv2.GaussianBlur(figure.astype(np.float32), (0, 0), 2)
    nx, ny = cv2.Sobel(soft, cv2.CV_32F, 1, 0)[ring], cv2.Sobel(soft, cv2.CV_32F, 0, 1)[ring]
    size = np.maximum(np.hypot(nx, ny), 1e-6)

    def across(light: F32) -> F32:
        gx, gy = cv2.Sobel(light, cv2.CV_32F, 1, 0)[ring], cv2.Sobel(light, cv2.CV_32F, 0, 1)[ring]
        return np.asarray(gx * (nx / size)[:, None] + gy * (ny / size)[:, None], np.float32)

    whole, own = across(step), across(first)
    if exact:
        return float((own * whole).sum()), float((whole * whole).sum())
    steep = np.sqrt((whole * whole).sum(axis=1))
    share = (own * whole).sum(axis=1) / np.maximum(steep * steep, 1e-12)
    return float((np.clip(share, *OF_A_STEP) * steep).sum()), float(steep.sum())


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

    def likeness(self, other: _Dispute) -> int:
        """How many frames stand on the same sides in both, less those that stand in one of them only."""
        return sum(
            2 * len(set(a) & set(b)) - len(set(a) ^ set(b)) for a, b in zip(self.camps, other.camps, strict=True)
        )

    @property
    def stone(self) -> int | None:
        """Which camp shows the stone; None where the border does not tell."""
        if self.whole <= 0 or min(abs(self.own / self.whole - 1), abs(self.own / self.whole)) >= NEAR_ENOUGH:
            return None
        return int(self.own > 0.5 * self.whole)

    def contradicts(self, other: _Dispute) -> bool:
        """Whether the borders tell of both, and not the same: they are not of one figure."""
        return self.stone is not None and other.stone is not None and self.stone != other.stone


def _disputes(
    dispute: U8, cells: Sequence[F32], pairs: F32, support: F32, exact: bool = False
) -> list[list[_Dispute]]:
    """Places in dispute between the same parties, in groups of neighbours: parts of one figure, as between chairs."""
    count, labels, stats, _ = cv2.connectedComponentsWithStats(dispute, connectivity=8)
    reach = 2 * (max(dispute.shape) // NEIGHBOURS) + 1
    wide = cv2.connectedComponents(cv2.dilate(dispute, np.ones((reach, reach), np.uint8)))[1]
    found = []
    for k in range(1, count):
        x, y, w, h = (int(v) for v in stats[k, :4])
        far = 4 + min(max(w, h), max(dispute.shape) // 12)  # a figure reaches beyond where it is in dispute
        box = (slice(max(y - far, 0), min(y + h + far, dispute.shape[0])),
               slice(max(x - far, 0), min(x + w + far, dispute.shape[1])))  # fmt: skip
        place = (labels[box] == k).astype(np.uint8)
        near, shown = pairs[(slice(None), slice(None), *box)], [c[box] for c in cells]
        camps = _camps(near, place, support[(slice(None), *box)])
        told = (0.0, 0.0)
        if all(camps) and exact:
            larger, other = (np.median([shown[j] for j in camp], axis=0) for camp in camps)
            told = _step(larger, other, place, exact=True)
        elif all(camps):
            (larger, here), (other, there) = (_answer(camp, shown, near) for camp in camps)
            told = _step(larger, other, place, here & there)
        found.append((int(wide[box][place > 0][0]), _Dispute(box, place, camps, *told)))
    groups: list[tuple[int, list[_Dispute]]] = []
    for at, one in sorted(found, key=lambda f: -f[1].whole):
        alike = [
            (seen.likeness(group[0]), group, seen)
            for where, group in groups
            if where == at
            and (seen := one.seen_as(group[0])) is not None
            and (exact or seen.camps == group[0].camps or not seen.contradicts(group[0]))
        ]
        if alike and (exact or int(one.place.sum()) < OF_ITSELF):
            _, group, seen = alike[0] if exact else max(alike, key=lambda a: a[0])
            group.append(seen)
        else:
            groups.append((at, [one]))
    return [g for _, g in groups if sum(int(d.place.sum()) for d in g) >= LEAST_DISPUTE]


def _judge_disputes(cells: Sequence[F32], pairs: F32, support: F32, exact: bool = False) -> F32:
    """Support with close races decided: in each place in dispute the answer that the border speaks against loses.

    What is left may have others to meet: with three parties the winner of the first two is judged again.
    """
    for _ in range(PARTIES - 1):
        support, decided = _judge_round(cells, pairs, support, exact)
        if not decided:
            break
    return support


def _judge_round(cells: Sequence[F32], pairs: F32, support: F32, exact: bool = False) -> tuple[F32, bool]:
    """One round: of every place in dispute the two largest parties; whether there was any."""
    first = support.argmax(axis=0)
    agree_first = np.take_along_axis(pairs, first[None, None], axis=0)[0]
    rest = np.where(agree_first < 0.5, support, 0)
    most, next_most = support.max(axis=0), rest.max(axis=0)
    dispute = ((most - next_most < CLOSE_RACE) & (next_most > 1.5)).astype(np.uint8)
    # Places so thin show no figure, only stone that fits ill: they have no vote in what is taken for stone near by.
    thin = max(3, 2 * (max(dispute.shape) // THINNEST) + 1)
    dispute = cv2.morphologyEx(dispute, cv2.MORPH_OPEN, np.ones((thin, thin), np.uint8))
    out = support.copy()
    groups = _disputes(dispute, cells, pairs, support, exact)
    for group in groups:
        stone = _stone_of(group, exact)
        if stone is None:  # votes and seams tell
            continue
        for d in group:
            # The loser is shut out a little beyond the place, where its own edge blurs.
            wide = cv2.dilate(d.place, np.ones((7, 7), np.uint8)) > 0
            for j in d.camps[1 - stone]:
                out[j][d.box] -= np.where(wide, np.float32(OUT), 0)
    return np.asarray(out, np.float32), bool(groups)


def _stone_of(group: Sequence[_Dispute], exact: bool) -> int | None:
    """Which camp of a group of places shows the stone; None where no border tells."""
    whole = sum(d.whole for d in group)
    sizes = [sum(len(d.camps[k]) * int(d.place.sum()) for d in group) for k in range(2)]
    share = sum(d.own for d in group) / max(whole, 1e-9)
    if exact:  # where the border does not tell, the larger camp, by area, is believed
        near = [abs(share) < NEAR_ENOUGH, abs(share - 1) < NEAR_ENOUGH]
        return near.index(True) if any(near) else int(sizes[1] > sizes[0])
    if whole <= 0:
        return None
    return int(share > 0.5 + LEAN * (sizes[0] - sizes[1]) / sum(sizes))


def _camps(pairs: F32, place: U8, support: F32) -> tuple[tuple[int, ...], tuple[int, ...]]:
    """Frames that agree with each other over a place: the two largest parties, the larger first; none of fewer than
    two but the larger. Who has lost before (`support` below nothing) is of none."""
    between = pairs[:, :, place > 0].mean(axis=-1) > 0.5
    left = support[:, place > 0].mean(axis=-1) > 0
    camps: list[tuple[int, ...]] = []
    for _ in range(2):
        size = np.where(left, (between & left).sum(axis=1), -1)
        camps.append(tuple(int(j) for j in np.flatnonzero(between[int(size.argmax())] & left)))
        left[list(camps[-1])] = False
    return camps[0], camps[1] if len(camps[1]) >= 2 else ()


def _judge_owners(cells: Sequence[F32], pairs: F32, support: F32, shown: NDArray[np.bool_]) -> F32:
    """Support with whoever stands in what most frames show found out.

    Wherever frames differ from what recurs most, one of the two shows somebody: the one in whose picture the whole
    step at the border lies. Where that is what recurs, the frames that show it lose and those that differ gain; where
    it is the frame that differs, that one loses over the whole figure, whatever of it agrees with another by chance.
    Each frame is tried by itself, then what is left of the second answer of two frames or more.
    """
    stacked, first = np.stack(cells), support.argmax(axis=0)
    common = np.take_along_axis(stacked, first[None, ..., None], axis=0)[0]
    agree_first = np.take_along_axis(pairs, first[None, None], axis=0)[0]
    away = ((agree_first < 0.5) & shown & (support > 0)).astype(np.float32)
    out = support.copy()
    for k in range(len(cells)):
        alone = np.zeros_like(agree_first)
        alone[k] = 1
        away[k][_overrule(out, common, cells[k], away[k] > 0, agree_first, alone, pairs[k], OWNED)] = 0
    seconds = np.einsum("kjhw,jhw->khw", pairs, away) * away
    second = seconds.argmax(axis=0)
    other = np.take_along_axis(stacked, second[None, ..., None], axis=0)[0]
    agree_second = np.take_along_axis(pairs, second[None, None], axis=0)[0] * away
    _overrule(out, common, other, seconds.max(axis=0) > 1.5, agree_first, agree_second, agree_second, OWNED_BY_TWO)
    return out


def _overrule(
    out: F32,
    common: F32,
    other: F32,
    differs: NDArray[np.bool_],
    losers: F32,
    winners: F32,
    backers: F32,
    owned: float,
) -> NDArray[np.bool_]:
    """Change votes where what differs has all of its border's step in one of two answers; where it is the other's.

    `losers`, `backers` (n, rows, columns): how far each frame agrees with the one and with the other; `winners`:
    whose votes rise with the other. A frame by itself never beats frames that agree, but for the first, which is the
    picture asked for: nobody who is not in it is put into it.
    """
    places = cv2.morphologyEx(differs.astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    count, parts, stats, _ = cv2.connectedComponentsWithStats(places, connectivity=8)
    theirs = np.zeros(differs.shape, bool)
    most = np.float32(len(out))
    for part in range(1, count):
        x, y, w, h, area = (int(v) for v in stats[part])
        if area < max(LEAST_DISPUTE, SMALLEST_OWNED * differs.size):
            continue
        box = (slice(max(y - 5, 0), y + h + 5), slice(max(x - 5, 0), x + w + 5))
        place, deep = (parts[box] == part).astype(np.uint8), (slice(None), *box)
        mine, whole = _step(common[box], other[box], place)
        if whole < STEEP * np.sqrt(area):
            continue
        wide = cv2.dilate(place, np.ones((5, 5), np.uint8)) > 0
        if mine < DISOWNED * whole:
            out[deep] -= most * np.where(place > 0, winners[deep], np.float32(0))
            theirs[box] |= place > 0
            continue
        against, backed = (float(v[deep].sum(axis=0)[place > 0].mean()) for v in (losers, backers))
        alone = backed < RECURS <= against and not winners[0].any()
        thin = not cv2.erode(np.pad(place, 1), np.ones((FIGURE, FIGURE), np.uint8)).any()
        if mine > owned * whole and against <= OUTVOTED * len(out) and not alone and not thin:
            out[deep] += most * np.where(place > 0, winners[deep], np.float32(0))
            out[deep] -= most * np.where(wide, losers[deep], np.float32(0))
    return theirs


def _choose(view: _View, model: BlockNoise, cell: int) -> Choice:
    cells, seen = view.cells, view.seen
    pairs = _supports(cells, seen, model, cell, MOVED if view.deep else TURNED)
    shown = np.stack(seen)
    votes = pairs.sum(axis=1)
    agreed = votes.max(axis=0)
    support = _judge_disputes(cells, pairs, votes, exact=not view.deep)
    if view.deep:  # frames that lie well tell close races alone better: measured on modelled churches
        support = _judge_owners(cells, pairs, support, shown)
    best = support.max(axis=0)
    few = shown.sum(axis=0) < FEWEST
    unknown = (agreed < 1.5) & ~few
    block = max(1, round(max(unknown.shape) / LABELLED))
    seam = SEAM if view.deep else TURNED_SEAM
    sure = _sureness(shown, agreed) if view.deep else np.float32(1) - (agreed < 1.5)
    # A few votes among many frames are no evidence: there whatever is nearest to the median of all is taken.
    label = labelled(support - (1 - sure) * votes, pairs, shown, _off_middle(cells, shown, sure), block, seam)
    stone = np.take_along_axis(pairs, label[None, None].astype(np.intp), axis=0)[0, 0]
    unknown = cv2.morphologyEx(unknown.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8)) > 0
    if (
        not view.deep
    ):  # frames that lie well and still differ show visitors: no reason to take one rather than another
        label[unknown] = 0
    # Where hands moved, one frame that agrees by chance is not enough to keep the reference, and as many votes for
    # the reference as for another are no reason to leave half of its figure.
    kept = (stone > 0.5) & (support[0] > best - 1.2) if view.deep else (stone > 0.5) | (support[0] > best - 0.35)
    stays = _without_specks(kept | (label == 0))
    if view.deep:
        stays |= _narrow(~stays)
    # An edge pixel of someone half covers its cell: a cell more is replaced all round.
    stays = cv2.erode(stays.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    stays |= label == 0
    chosen = label[None].astype(np.intp)
    others = np.stack(
        list(side_by_side(lambda p: _figures(np.take_along_axis(p, chosen, axis=0)[0] < 0.5), list(pairs)))
    )
    taken = np.where(stays, 0, label)[None].astype(np.intp)
    weak = np.take_along_axis(votes, taken, axis=0)[0] < np.maximum(ENOUGH * shown.sum(axis=0), 1.5)
    return Choice(label, stays, unknown, others, _figures(weak & ~few))


def _choose_roughly(view: _View, model: BlockNoise, cell: int) -> Choice:
    """A first choice, on cells twice as wide where there are many: who stands where is seen as well in a quarter."""
    height, width = view.cells[0].shape[:2]
    if max(height, width) * cell < LARGE:
        return _choose(view, model, cell)
    size = (width // 2, height // 2)
    even = (slice(0, height // 2 * 2), slice(0, width // 2 * 2))
    cells = [cv2.resize(c[even], size, interpolation=cv2.INTER_AREA) for c in view.cells]
    seen = [np.asarray(s[even].reshape(size[1], 2, size[0], 2).all(axis=(1, 3))) for s in view.seen]
    found = _choose(_View(view.fits, cells, seen, view.laying), model, 2 * cell)

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


def _without_specks(stays: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Replaced places too small to be anybody stay as they are."""
    return stays | _specks(~stays)


def _narrow(places: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Whichever of some places, per cell, are nowhere as wide as somebody: edges that lie ill."""
    labels = cv2.connectedComponents(places.astype(np.uint8), connectivity=8)[1]
    wide = cv2.erode(np.pad(places.astype(np.uint8), 1), np.ones((FIGURE, FIGURE), np.uint8))[1:-1, 1:-1]
    return np.asarray(places & ~np.isin(labels, np.unique(labels[wide > 0])))


def _specks(places: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """What of some places, per cell, is too small to be anybody."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(places.astype(np.uint8), connectivity=8)
    small = stats[:, cv2.CC_STAT_AREA] < max(12, round(SMALLEST_SPOT * places.size))
    small[0] = False
    return np.asarray(small[labels])


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
    finest = int(max(camera.width, camera.height) >= LARGE)  # who stands where is told by cells of 4 x 4 pixels
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
    choice = _choose_roughly(view, model, cell)
    on_stage("look again")
    _again(view, looks, choice, camera)
    visitors = cv2.dilate((~choice.reference_is_stone).astype(np.uint8), np.ones((7, 7), np.uint8)) > 0
    _with_cells(view, looks, camera, cell, visitors)
    return Decided(view.fits, _choose(view, model, cell), left_out)


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
