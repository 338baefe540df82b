"""Whether a frame shows what another shows, but for a little aside: by dense flow between frames laid on one another.

Beside near things and at the frame's edges a distance may be told wrong, and the place then lies some pixels off:
another frame seems to show something else there. Flow (dense inverse search, Kroeger and others 2016) is believed
only where following it makes the two agree, which it does not behind somebody.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.merge.agree import BlockNoise, cells_agree

F32 = NDArray[np.float32]
FARTHEST = 16.0  # cells that a place may lie aside: farther is another thing that looks alike
# Of the difference, what may be left after following the flow. Halls by swaying hands and phone stacks come out the
# same from 0.5 to 0.7; without it the clear cap of a bottle before a plain wall counted as wall.
REST = 0.6
WIDE = 640  # cells along the longer side at which flow is sought; of more, halves of them


def _eight_bits(cells: F32, top: float) -> NDArray[np.uint8]:
    """Square-root green, in which noise and textures are about even."""
    scaled = np.sqrt(np.clip(cells[..., 1] / np.float32(top), 0, 1)) * np.float32(255)
    return np.asarray(scaled, np.uint8)


def _apart(first: F32, second: F32) -> F32:
    """How far colours differ about each place (rows, columns)."""
    return np.asarray(cv2.blur(np.abs(first - second).sum(axis=-1), (3, 3)), np.float32)


def shown_aside(
    first: F32, laid: F32, seen: NDArray[np.bool_], model: BlockNoise, per: int, slack: tuple[float, float]
) -> NDArray[np.bool_]:
    """Where a frame shows what the first one shows, or does a little aside (rows, columns).

    `first`, `laid`: cells (rows, columns, 3) on one grid and in one light, the mean of `per` blocks each; `seen`:
    where the frame shows anything; `slack`: as of `agree.cells_agree`, within which the two are the same.
    """
    rows, columns = first.shape[:2]
    half = max(rows, columns) > WIDE
    size = (columns // 2, rows // 2) if half else (columns, rows)
    top = float(np.percentile(first[::4, ::4, 1], 99))
    mine, theirs = (cv2.resize(_eight_bits(c, top), size, interpolation=cv2.INTER_AREA) for c in (first, laid))
    seeker = cv2.DISOpticalFlow.create(cv2.DISOPTICAL_FLOW_PRESET_FAST)
    seeker.setFinestScale(0)
    found = seeker.calc(mine, theirs, None)
    scale = np.array([columns / size[0], rows / size[1]], np.float32)
    flow = cv2.resize(found, (columns, rows), interpolation=cv2.INTER_LINEAR) * scale
    x, y = np.meshgrid(np.arange(columns, dtype=np.float32), np.arange(rows, dtype=np.float32))
    at = (flow + np.stack([x, y], axis=-1)).astype(np.float32)
    moved = cv2.remap(laid, at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    there = cv2.remap(seen.astype(np.float32), at, None, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT) > 0.99
    before, after = (_apart(first, other) for other in (laid, moved))
    near = (after < REST * before) & (cv2.magnitude(flow[..., 0], flow[..., 1]) < FARTHEST)
    return np.asarray((cells_agree(first, moved, model, per, *slack) > 0.5) & there & near)
