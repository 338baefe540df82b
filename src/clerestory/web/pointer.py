"""What lies at a place of a preview, in stops, and marks over it where the recorded light ends."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop.colour import LUMINANCE
from clerestory.finish.tone import WorkingNoise

F32 = NDArray[np.float32]
SEEN_NOISE = 0.012  # display-linear deviation in the shade that shows as grain at preview size


def reading(scene: F32, shown: F32, noise: WorkingNoise | None, x: float, y: float) -> dict[str, float | bool]:
    """Stops at a place of a preview (shares of its width and height), averaged over 5 x 5 pixels.

    `scene`, `shown`: before and after tone, linear, H x W x 3. Of what is told, `shown` is below the display's white;
    `raw` below raw saturation of the least amplified channel; `grain` the noise as a share of the light there, in
    stops; `clipped`: the raw has nothing there in some channel.
    """
    height, width = scene.shape[:2]
    column, row = int(np.clip(x * width, 2, width - 3)), int(np.clip(y * height, 2, height - 3))
    patch = np.s_[row - 2 : row + 3, column - 2 : column + 3]
    raw = float((scene[patch].mean(axis=(0, 1)) @ LUMINANCE).clip(1e-6))
    out = float((shown[patch].mean(axis=(0, 1)) @ LUMINANCE).clip(1e-6))
    found: dict[str, float | bool] = {"shown": math.log2(out), "raw": math.log2(raw)}
    if noise is not None:
        found["grain"] = math.log2(1 + noise.deviation(raw) / raw)
    found["clipped"] = bool(scene[patch].max() >= 1.0)
    return found


def marks(scene: F32, shown: F32, noise: WorkingNoise | None, lost: NDArray[np.bool_]) -> bytes:
    """A PNG with an alpha channel: gold where raw is clipped (`lost`, H x W), violet where noise shows. `scene`,
    `shown`: as of `reading`."""
    out = np.zeros((*scene.shape[:2], 4), np.uint8)
    rows, columns = np.indices(scene.shape[:2])
    if noise is not None:
        luma = np.maximum(cv2.transform(scene, LUMINANCE.astype(np.float32)[None]), np.float32(1e-6))
        lit = cv2.transform(shown, LUMINANCE.astype(np.float32)[None])
        grain = np.sqrt(np.maximum(noise.slope * luma + noise.floor, 0)) / luma * lit
        out[(grain > SEEN_NOISE) & (lit < 0.18) & ((rows + columns) % 12 < 4)] = (214, 130, 176, 235)
    out[lost & ((rows - columns) % 10 < 5)] = (70, 190, 240, 240)
    ok, data = cv2.imencode(".png", out)
    return data.tobytes() if ok else b""
