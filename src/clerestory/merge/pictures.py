"""Visitors taken out of finished pictures: what `clear` does for raw frames, where a phone left only JPEGs.

The picture stays the reference's own but where somebody stood: there it is another frame's, laid on it and in its
light. Nothing is averaged, since a phone has taken its noise out already.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.merge.agree import BlockNoise
from clerestory.merge.align import Motion, guide_of_greens
from clerestory.merge.clear import Box, Decided, Look, account, decide
from clerestory.merge.result import IN_DOUBT
from clerestory.run.bands import side_by_side

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
MOST_CELLS = 1300  # along the longer side
# Noise of an 8-bit picture: about 1.5 of 255 steps of the sRGB curve, which in square-root light is nearly even.
# Set on pictures of plain walls by phones; compression leaves more than the sensor.
SLOPE, FOOT = 4 * (1.5 / 255) ** 2, (0.5 / 255) ** 2
FITS = 5.0  # `Guide.fits`: a phone shades, smooths and sharpens each picture its own way, and that is no other place
FEATHER = 1.0  # pixels over which one frame goes over into the next; they agree there


@dataclass(frozen=True)
class ClearedPicture:
    """As `clear.Cleared`, for `rgb`: float32 H x W x 3, linear."""

    rgb: F32
    mask: U8
    taken: tuple[int, ...]
    spots: tuple[Box, ...]
    record: dict[str, Any]


def _look(rgb: F32, cell: int) -> Look:
    height, width = (n // cell * cell for n in rgb.shape[:2])
    even = np.ascontiguousarray(rgb[:height, :width])
    size = (width // cell, height // cell)
    cells = even if cell == 1 else cv2.resize(even, size, interpolation=cv2.INTER_AREA)
    half = cv2.resize(rgb[..., 1], (rgb.shape[1] // 2, rgb.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return Look(np.asarray(cells, np.float32), guide_of_greens(half, SLOPE, FOOT, FITS))


def _laid(rgb: F32, motion: Motion) -> F32:
    """A picture on the reference's grid and in its light."""
    height, width = rgb.shape[:2]
    out = np.empty_like(rgb)
    for top in range(0, height, 512):
        rows = np.arange(top, min(top + 512, height), dtype=np.float32) / motion.step
        u, v = np.meshgrid(np.arange(width, dtype=np.float32) / motion.step, rows)
        at = cv2.remap(motion.nodes, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        gain = cv2.remap(motion.gain, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        band = cv2.remap(rgb, at, None, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        out[top : top + 512] = np.maximum(band, 0) * gain
    return out


def _composed(reference: F32, reads: Sequence[Callable[[], F32]], done: Decided, mask: U8) -> F32:
    total = np.zeros_like(reference)
    weight = np.zeros(mask.shape, np.float32)

    def add(picture: F32, where: NDArray[np.bool_]) -> None:
        share = cv2.GaussianBlur(where.astype(np.float32), (0, 0), FEATHER)
        total[...] += picture * share[..., None]
        weight[...] += share

    add(reference, (mask == 0) | (mask == IN_DOUBT))
    for k, fit in enumerate(done.fits):
        where = mask == k + 2
        if where.any():
            add(_laid(reads[fit.index](), fit.motion), where)
    return np.asarray(total / np.maximum(weight, 1e-6)[..., None], np.float32)


def merge_clear_pictures(
    reference: F32, others: Sequence[Callable[[], F32]], camera: Camera, on_stage: Callable[[str], None]
) -> ClearedPicture:
    """Merge pictures (float32 H x W x 3, linear, 1 at white), each read twice. Refused with fewer than three."""
    cell = max(2, round(max(reference.shape[:2]) / MOST_CELLS))
    looks = [_look(reference, cell)]
    for look in side_by_side(lambda read: _look(read(), cell), others):
        on_stage(f"look at frame {len(looks) + 1} of {len(others) + 1}")
        looks.append(look)
    model = BlockNoise(np.full(3, SLOPE, np.float32), np.full(3, FOOT, np.float32))
    done = decide(looks, camera, model, cell, on_stage)
    del looks
    mask, boxes, record = account(done, reference.shape[:2], cell)
    on_stage("put together")
    rgb = _composed(reference, others, done, mask)
    return ClearedPicture(rgb, mask, tuple(f.index for f in done.fits), tuple(boxes), record)
