"""What is known of the lens: its own coefficients in the file, or the open lens database's."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.lens import Distortion, Vignetting
from clerestory.raw.lens_database import WANTED, database, modifier
from clerestory.raw.read import FrameInfo


@dataclass(frozen=True)
class LensCorrection:
    """Distortion and light fall-off of one frame's lens, and where they come from."""

    distortion: Distortion | None
    vignetting: Vignetting | None
    source: str


def lens_correction(info: FrameInfo) -> LensCorrection:
    """The correction for a frame: from the file where it carries one, else from the database, else none."""
    if not info.is_raw:
        return LensCorrection(None, None, "not corrected: a rendered file is taken as already corrected")
    if info.distortion or info.vignetting:
        fall_off = Vignetting(info.vignetting) if info.vignetting else None
        return LensCorrection(info.distortion, fall_off, "coefficients in the file")
    if not (info.make and info.model and info.lens and info.focal_mm):
        return LensCorrection(None, None, "not corrected: the file does not name camera, lens and focal length")
    return _from_database(info)


def _plain(text: str) -> str:
    return re.sub(r"[^a-z0-9]", "", text.lower())


def _matches(lens: Any, name: str, focal_mm: float) -> bool:
    """Whether a database lens has the very focal range and widest aperture that a lens's name states."""
    stated = [float(n) for n in re.findall(r"\d+(?:\.\d+)?", name)]
    wanted = [lens.min_focal, lens.max_focal] + ([lens.min_aperture] if lens.min_aperture else [])
    inside = lens.min_focal - 0.5 <= focal_mm <= lens.max_focal + 0.5
    return inside and all(any(abs(w - n) < 0.06 for n in stated) for w in wanted)


def _from_database(info: FrameInfo) -> LensCorrection:
    known = database()
    if known is None:
        return LensCorrection(None, None, WANTED)
    cameras = [
        c for c in known.find_cameras(info.make, info.model, True) if _plain(info.model).endswith(_plain(c.model))
    ]
    found = known.find_lenses(cameras[0], None, info.lens, True) if cameras else []
    lenses = [lens for lens in found if _matches(lens, info.lens, info.focal_mm or 0.0)]
    if not lenses:
        return LensCorrection(None, None, f"not corrected: the lens database does not know '{info.lens}'")
    width, height = 961, 2 * (round(961 * info.height / info.width) // 2) + 1
    reckoned = modifier(lenses[0], cameras[0].crop_factor, width, height)
    reckoned.initialize(
        float(info.focal_mm or 0), float(info.f_number or 8.0), distance=10.0, scale=1.0, pixel_format=np.float32
    )
    distortion = _fitted_distortion(reckoned.apply_geometry_distortion())
    stitched = np.ones((height, width, 3), np.float32)
    fall_off = _fitted_fall_off(stitched) if reckoned.apply_color_modification(stitched) else None
    return LensCorrection(distortion, fall_off, f"lens database: {lenses[0].model}")


def _radii(width: int, height: int) -> tuple[NDArray[np.float64], float]:
    y, x = np.mgrid[:height, :width].astype(float)
    dx, dy = x - (width - 1) / 2, y - (height - 1) / 2
    reach = float(np.hypot((width - 1) / 2, (height - 1) / 2))
    return np.hypot(dx, dy) / reach, reach


def _fitted_distortion(positions: NDArray[np.float32] | None) -> Distortion | None:
    """Even-power coefficients that follow a map of recorded positions (H x W x 2) of ideal pixels."""
    if positions is None:
        return None
    height, width = positions.shape[:2]
    r, reach = _radii(width, height)
    dx = positions[..., 0] - (width - 1) / 2
    dy = positions[..., 1] - (height - 1) / 2
    recorded = np.hypot(dx, dy) / reach
    keep = r > 0.02
    basis = np.stack([r[keep] ** n for n in range(1, 16, 2)], axis=1)
    k, *_ = np.linalg.lstsq(basis, recorded[keep], rcond=None)
    return Distortion(radial=tuple(float(c) for c in k))


def _fitted_fall_off(gain: NDArray[np.float32]) -> Vignetting:
    """FixVignetteRadial coefficients that follow a plate of correction gains (H x W x 3)."""
    r, _ = _radii(gain.shape[1], gain.shape[0])
    target = gain[..., 1] / gain[gain.shape[0] // 2, gain.shape[1] // 2, 1] - 1
    basis = np.stack([r.ravel() ** n for n in (2, 4, 6, 8, 10)], axis=1)
    k, *_ = np.linalg.lstsq(basis, target.ravel(), rcond=None)
    return Vignetting((float(k[0]), float(k[1]), float(k[2]), float(k[3]), float(k[4])))
