"""Perspective views of a lat-long panorama: true radiance, gravity along the poles."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenEXR
from numpy.typing import NDArray

from clerestory.camera.geometry import Intrinsics, Pose
from clerestory.errors import UserError


def _read_exr(path: Path) -> NDArray[np.float32] | None:
    """Channels of an OpenEXR file, blue first as OpenCV orders them; None when it is not one."""
    try:
        channels = OpenEXR.File(str(path)).channels()
    except (RuntimeError, OSError):
        return None
    for name in ("RGB", "RGBA"):
        if name in channels:
            return np.asarray(channels[name].pixels[..., 2::-1], dtype=np.float32)
    return None


def load_panorama(path: Path) -> NDArray[np.float32]:
    """Linear radiance, float32 H x W x 3 RGB, of a Radiance HDR or OpenEXR lat-long panorama (W = 2 H)."""
    image = _read_exr(path) if path.suffix.lower() == ".exr" else cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    if image is None or image.ndim != 3 or image.dtype != np.float32:
        raise UserError(f"{path}: not a float panorama; give a Radiance .hdr or an OpenEXR file.")
    if image.shape[1] != 2 * image.shape[0]:
        raise UserError(f"{path}: {image.shape[1]} x {image.shape[0]} is not twice as wide as high; not lat-long.")
    return np.ascontiguousarray(np.maximum(image[..., 2::-1], 0))


def directions(camera: Intrinsics, pose: Pose) -> NDArray[np.float32]:
    """World directions of every pixel's centre, H x W x 3, not normalised."""
    x = (np.arange(camera.width, dtype=np.float32) - np.float32(camera.cx)) / np.float32(camera.focal)
    y = (np.arange(camera.height, dtype=np.float32) - np.float32(camera.cy)) / np.float32(camera.focal)
    r = pose.rotation.astype(np.float32)
    out: NDArray[np.float32] = x[None, :, None] * r[0] + y[:, None, None] * r[1] + r[2]
    return out


def panorama_view(panorama: NDArray[np.float32], camera: Intrinsics, pose: Pose) -> NDArray[np.float32]:
    """Perspective view, float32 H x W x 3, of a panorama through an ideal lens.

    Bicubic on the logarithm of radiance, so that nothing overshoots at the edge of a bright window.
    """
    height, width = panorama.shape[:2]
    margin = 4
    floor = np.float32(max(float(np.median(panorama)), 1e-6) * 1e-4)
    logs = np.log(np.maximum(panorama, floor))
    wrapped = np.concatenate([logs[:, -margin:], logs, logs[:, :margin]], axis=1)
    d = directions(camera, pose)
    azimuth = np.arctan2(d[..., 0], d[..., 1])
    altitude = np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1]))
    u = (azimuth / np.float32(2 * np.pi) + np.float32(0.5)) * width - np.float32(0.5) + margin
    v = (np.float32(0.5) - altitude / np.float32(np.pi)) * height - np.float32(0.5)
    view = cv2.remap(wrapped, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.exp(view, out=view)
