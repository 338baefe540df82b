"""Frames of one exposure that will not lie on the reference by the camera's turn alone: hands swayed, light drifted.

They are laid near and far (`standpoint`, `depth`), their light evened to the reference's, and what a nearer thing
hides in them is told: there fewer frames count, and nothing is lost for it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.merge.align import CLIPPED, Motion, guide_of
from clerestory.merge.lay import Laying, cell_of, cells_laid, cells_of, evened, laying_of, motion_of
from clerestory.merge.resample import channel_gains, own
from clerestory.merge.result import Refused
from clerestory.raw.read import Mosaic

F32 = NDArray[np.float32]


@dataclass(frozen=True)
class Way:
    """Where a frame lies, its light's gain included, and what it shows of the reference: 0 or 1, H/2 x W/2."""

    motion: Motion
    shows: F32


def swayed(
    reference: Mosaic,
    reads: Mapping[int, Callable[[], Mosaic]],
    noise: NoiseModel,
    camera: Camera,
    say: Callable[[int], None],
    exposures: Mapping[int, float] | None = None,
) -> dict[int, Way]:
    """The frames (by index) that can be laid on the reference, each read once; `say` hears of each before.

    `exposures`: each frame's light over the reference's by the settings, where they differ; the gain found is on top.
    """
    if not reads:
        return {}
    cell = cell_of(reference.raw.shape)
    cells, guides = [cells_of(own(reference), reference.cfa, cell)], [guide_of(reference, noise)]
    for index, read in reads.items():
        say(index)
        mosaic = read()
        exposure = 1.0 if exposures is None else exposures[index]
        cells.append(cells_of(own(mosaic), mosaic.cfa, cell) / np.float32(exposure))
        guides.append(guide_of(mosaic, noise, exposure))
    try:
        laying: Laying | None = laying_of(cells, camera)
    except Refused:
        laying = None
    out = {}
    for k, index in enumerate(reads):
        try:
            motion = motion_of(guides[0], guides[k + 1], laying, k, camera)
        except Refused:
            continue
        laid, seen = cells_laid(cells[k + 1], motion, cell, cells[0].shape[:2])
        if laying is not None and laying.deep:
            seen &= ~laying.hidden(k, cell, camera)
        # What is clipped in either tells nothing of the light.
        exposure = 1.0 if exposures is None else exposures[index]
        level = np.float32(CLIPPED * float(np.min(channel_gains(reference) * (reference.white - reference.black))))
        told = seen & (laid.max(axis=-1) < level / np.float32(max(exposure, 1.0))) & (cells[0].max(axis=-1) < level)
        _, gain = evened(laid, told, cells[0], motion, cell, (camera.height, camera.width))
        size = (reference.raw.shape[1] // 2, reference.raw.shape[0] // 2)
        shows = cv2.resize(seen.astype(np.float32), size, interpolation=cv2.INTER_NEAREST)
        out[index] = Way(replace(motion, gain=gain), np.asarray(shows, np.float32))
    return out
