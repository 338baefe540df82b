"""Which frame each part of a view is taken from: one labelling of the whole picture.

A labelling costs what its frames lack in agreement with the others, and what can be seen where two frames meet; the
cheapest is found by expansion moves of minimum cuts (Boykov, Veksler and Zabih 2001; for photographs, Agarwala and
others 2004). Where frames agree a seam costs nothing, so that figures come in or go out whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import maxflow
import numpy as np
from numpy.typing import NDArray

F32 = NDArray[np.float32]
I16 = NDArray[np.int16]

SEAM = 5.0  # votes that a seam through a difference costs, per side and part of the grid: 2 left halves of figures
TURNED_SEAM = 2.0  # the same where hands only turned: frames lie so well that votes tell, and less is replaced
MOST = 4.0  # votes beyond which a lack tells no more
FEWER = 0.03  # votes a later frame must be better by: as few different frames as will do
ROUNDS = 3
NEVER = 1e4  # the cost of a frame that shows too little of a part
# Of a part that a frame may not show and still stand for it: slivers that it hides are mostly errors of distance, and
# where they ruled out all who showed stone somebody was taken. Set on a hall of 20 megapixels.
ABSENT = 0.4


def _parts(values: F32, block: int) -> F32:
    """A map (..., H, W) cut into block x block parts, (..., rows, block, columns, block); edges repeat."""
    height, width = values.shape[-2:]
    pad = [(0, 0)] * (values.ndim - 2) + [(0, -height % block), (0, -width % block)]
    full = np.pad(values, pad, mode="edge")
    shape = (*full.shape[:-2], full.shape[-2] // block, block, full.shape[-1] // block, block)
    return full.reshape(shape)


def _apart(pairs: F32, block: int) -> F32:
    """How far each two frames differ, (n, n, rows, columns), 0 to 1: means over block x block places of what their
    agreement `pairs` (n, n, H, W) lacks; edges repeat."""
    n, _, height, width = pairs.shape
    down, across = -height % block, -width % block
    size = ((width + across) // block, (height + down) // block)
    out = np.empty((n, n, size[1], size[0]), np.float32)
    for i in range(n):
        for j in range(i + 1):
            full = cv2.copyMakeBorder(pairs[i, j], 0, down, 0, across, cv2.BORDER_REPLICATE)
            out[i, j] = out[j, i] = 1 - cv2.resize(full, size, interpolation=cv2.INTER_AREA)
    return np.maximum(out, 0)


@dataclass(frozen=True)
class _Open:
    """Parts whose label may change: what each label costs there, `cost` (labels, parts); pairs of neighbours of which
    both may, `p` and `q` among the parts; and `gaps`, how far two frames differ over each (labels, labels, pairs)."""

    cost: F32
    p: NDArray[np.intp]
    q: NDArray[np.intp]
    gaps: F32

    @classmethod
    def of(cls, cost: F32, apart: F32, nodes: NDArray[np.intp]) -> _Open:
        """From costs (n, H, W) and differences (n, n, H, W); `nodes`: flat indices of the parts."""
        n, shape = len(cost), cost.shape[1:]
        place = np.full(shape[0] * shape[1], -1, np.intp)
        place[nodes] = np.arange(len(nodes))
        index = np.arange(place.size).reshape(shape)
        p = np.concatenate([index[:, :-1].ravel(), index[:-1].ravel()])
        q = np.concatenate([index[:, 1:].ravel(), index[1:].ravel()])
        both = (place[p] >= 0) & (place[q] >= 0)
        p, q = p[both], q[both]
        flat = apart.reshape(n, n, -1)
        gaps = flat[..., p] + flat[..., q]
        return cls(cost.reshape(n, -1)[:, nodes], place[p], place[q], gaps)

    def energy(self, label: I16) -> float:
        """What a labelling (parts,) costs."""
        e = np.arange(len(self.p))
        seams = self.gaps[label[self.p], label[self.q], e]
        return float(self.cost[label, np.arange(len(label))].sum(dtype=float) + seams.sum(dtype=float))

    def expanded(self, label: I16, alpha: int) -> I16:
        """The labelling after the best expansion of `alpha`."""
        count, p, q = len(label), self.p, self.q
        e = np.arange(len(p))
        a, b = label[p], label[q]
        stay, take = self.cost[label, np.arange(count)].astype(float), self.cost[alpha].astype(float)
        same = self.gaps[a, b, e].astype(float)
        left, right = self.gaps[a, alpha, e].astype(float), self.gaps[alpha, b, e].astype(float)
        # Cost 0-0 same, 0-1 left (p keeps a), 1-0 right, 1-1 nothing.
        stay += np.bincount(p, same, count)
        take += np.bincount(p, right, count) - np.bincount(q, right, count)
        graph = maxflow.Graph[float](count, len(p))
        ids = graph.add_nodes(count)
        weight = np.maximum(left + right - same, 0)
        graph.add_edges(ids[p], ids[q], weight, np.zeros_like(weight))
        # The sink side takes alpha: cutting source -> node costs `take`, node -> sink costs `stay`.
        least = np.minimum(stay, take)
        graph.add_grid_tedges(ids, take - least, stay - least)
        graph.maxflow()
        return np.where(np.asarray(graph.get_grid_segments(ids), bool), alpha, label).astype(np.int16)


def labelled(support: F32, pairs: F32, shown: NDArray[np.bool_], extra: F32, block: int, seam: float = SEAM) -> I16:
    """The frame for each part, int16 H x W in the maps' own places.

    `support` (n, H, W): votes for each frame; `pairs` (n, n, H, W): agreement 0 to 1; `shown` (n, H, W); `extra`
    (n, H, W): votes to take off besides; `block`: places to a part of the grid that is labelled;
    `seam`: votes that a seam through a difference costs.
    """
    n, height, width = support.shape
    best = np.where(shown, support, -1e3).max(axis=0)
    lack = np.clip(best - support, 0, MOST) + extra
    parts = _parts(np.where(shown, lack, MOST).astype(np.float32), block)
    mean, most = parts.mean(axis=(-3, -1)), parts.max(axis=(-3, -1))
    absent = _parts((~shown).astype(np.float32), block).mean(axis=(-3, -1))
    cost = np.where(absent > ABSENT, NEVER, 0.5 * (mean + most)).astype(np.float32)
    cost += (np.arange(n) * FEWER)[:, None, None].astype(np.float32)
    apart = np.float32(seam) * _apart(pairs, block)
    label = cost.argmin(axis=0).astype(np.int16)
    same = (apart.max(axis=(0, 1)) < 0.02 * seam) & (most.max(axis=0) < 0.05)
    label[same] = 0
    wide = cv2.dilate((~same).astype(np.uint8), np.ones((5, 5), np.uint8))
    nodes = np.flatnonzero(wide.ravel())
    if len(nodes):
        label.ravel()[nodes] = _solved(label.ravel()[nodes], _Open.of(cost, apart, nodes))
    big = np.repeat(np.repeat(label, block, axis=0), block, axis=1)
    return np.asarray(big[:height, :width], np.int16)


def _solved(label: I16, parts: _Open) -> I16:
    """The cheapest labelling (parts,) that is found, from one given or all of the first frame."""
    starts: Sequence[I16] = (label, np.zeros_like(label))
    start = min(starts, key=parts.energy)
    energy = parts.energy(start)
    count, stood = len(parts.cost), 0
    for k in range(ROUNDS * count):
        tried = parts.expanded(start, k % count)
        now = parts.energy(tried)
        stood += 1
        if now < energy - 1e-6:
            start, energy, stood = tried, now, 0
        if stood >= count:  # no label lowers it
            break
    return start
