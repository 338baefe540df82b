"""Where two answers recur about equally often: which is the stone, and which somebody who stayed.

A visitor's outline lies along the edge of the place in dispute, the building's edges do not: of the step between two
answers at their common border, nearly all is in the picture of the one that shows somebody. So a camp of frames that
owns the step loses the place; and whoever stands in what most frames show is found out by the frames that differ.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
CLOSE_RACE = 1.2  # frames by which the first answer may lead the second and still be doubted
OUT = 4 * CLOSE_RACE  # votes that a party which lost loses
PARTIES = 3  # that may dispute a place
LEAN = 0.15  # of the step, beyond a half, that a camp of all frames must own to show a visitor
NEAR_ENOUGH = 0.4  # how near to all of the step must be one camp's own for the border to speak clearly
THINNEST = 400  # places in dispute thinner than so small a part of the picture's longer side are left out
LEAST_DISPUTE = 24  # cells: smaller places have no outline to judge by
OF_ITSELF = 60  # cells: larger places tell by their own borders
NEIGHBOURS = 40  # places in dispute within so small a part of the picture's longer side may be of one figure
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


def owned_share(a: F32, b: F32, place: U8) -> float:
    """Of the step between two answers at the border of a place (rows, columns), how much is the first one's own."""
    own, whole = _step(a, b, place)
    return own / max(whole, 1e-9)


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


def judge_disputes(cells: Sequence[F32], pairs: F32, support: F32, exact: bool = False) -> F32:
    """Support with close races decided: in each place in dispute the answer that the border speaks against loses.

    `cells`: of each of n frames, rows x columns x 3; `pairs` (n, n, rows, columns): how far two frames agree, 0 to 1;
    `support` (n, rows, columns): votes for each. `exact`: frames lie exactly, see `_step`.
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


def picked(cells: Sequence[F32], which: NDArray[np.intp]) -> F32:
    """At each place the cells of the frame `which` (rows, columns) tells."""
    out = np.empty_like(cells[0])
    for k, own in enumerate(cells):
        np.copyto(out, own, where=(which == k)[..., None])
    return out


def judge_owners(cells: Sequence[F32], pairs: F32, support: F32, shown: NDArray[np.bool_]) -> F32:
    """Support with whoever stands in what most frames show found out.

    Wherever frames differ from what recurs most, one of the two shows somebody: the one in whose picture the whole
    step at the border lies. Where that is what recurs, the frames that show it lose and those that differ gain; where
    it is the frame that differs, that one loses over the whole figure, whatever of it agrees with another by chance.
    Each frame is tried by itself, then what is left of the second answer of two frames or more. Arrays as of
    `judge_disputes`; `shown` (n, rows, columns): what each frame shows.
    """
    first = support.argmax(axis=0)
    common = picked(cells, first)
    agree_first = np.take_along_axis(pairs, first[None, None], axis=0)[0]
    away = ((agree_first < 0.5) & shown & (support > 0)).astype(np.float32)
    out = support.copy()
    for k in range(len(cells)):
        alone = np.broadcast_to((np.arange(len(cells)) == k)[:, None, None], out.shape)
        away[k][_overrule(out, common, cells[k], away[k] > 0, agree_first, alone, pairs[k], OWNED)] = 0
    seconds = np.einsum("kjhw,jhw->khw", pairs, away) * away
    second = seconds.argmax(axis=0)
    other = picked(cells, second)
    agree_second = np.take_along_axis(pairs, second[None, None], axis=0)[0] * away
    _overrule(out, common, other, seconds.max(axis=0) > 1.5, agree_first, agree_second, agree_second, OWNED_BY_TWO)
    return out


def _overrule(
    out: F32,
    common: F32,
    other: F32,
    differs: NDArray[np.bool_],
    losers: F32,
    winners: F32 | NDArray[np.bool_],
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
