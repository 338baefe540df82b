"""Perspective views of a lat-long panorama: true radiance, gravity along the poles."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import OpenEXR
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.simulate.scene import Rendered, Visitor

MARGIN = 4
# Linear Rec. 709 to linear Rec. 2020, ITU-R BT.2087.
REC709_TO_REC2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]], dtype=np.float32
)


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


def directions(camera: Camera, pose: Pose) -> NDArray[np.float32]:
    """World directions of every pixel's centre, H x W x 3, not normalised."""
    x = (np.arange(camera.width, dtype=np.float32) - np.float32(camera.cx)) / np.float32(camera.focal)
    y = (np.arange(camera.height, dtype=np.float32) - np.float32(camera.cy)) / np.float32(camera.focal)
    r = pose.rotation.astype(np.float32)
    out: NDArray[np.float32] = x[None, :, None] * r[0] + y[:, None, None] * r[1] + r[2]
    return out


def _rays(camera: Camera, pose: Pose, rows: slice) -> NDArray[np.float32]:
    """World directions of recorded pixels in some rows, through the lens."""
    if not camera.bends:
        return directions(camera, pose)[rows]
    y, x = np.mgrid[rows.start : rows.stop, 0 : camera.width].astype(float)
    away = camera.unproject(np.stack([x, y], axis=-1))
    r = pose.rotation
    return np.asarray(away[..., :1] * r[0] + away[..., 1:2] * r[1] + r[2], dtype=np.float32)


def _wrapped_logs(panorama: NDArray[np.float32]) -> NDArray[np.float32]:
    """Logarithm of radiance with `MARGIN` columns from the other side at either end."""
    floor = np.float32(max(float(np.median(panorama)), 1e-6) * 1e-4)
    logs = np.log(np.maximum(panorama, floor))
    return np.concatenate([logs[:, -MARGIN:], logs, logs[:, :MARGIN]], axis=1)


def _sampled(logs: NDArray[np.float32], d: NDArray[np.float32]) -> NDArray[np.float32]:
    """Radiance along directions: bicubic on its logarithm, so that nothing overshoots at a bright window's edge."""
    height, width = logs.shape[0], logs.shape[1] - 2 * MARGIN
    azimuth = np.arctan2(d[..., 0], d[..., 1])
    altitude = np.arctan2(d[..., 2], np.hypot(d[..., 0], d[..., 1]))
    u = (azimuth / np.float32(2 * np.pi) + np.float32(0.5)) * width - np.float32(0.5) + MARGIN
    v = (np.float32(0.5) - altitude / np.float32(np.pi)) * height - np.float32(0.5)
    view = cv2.remap(logs, u, v, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    return np.exp(view, out=view)


def panorama_view(panorama: NDArray[np.float32], camera: Camera, pose: Pose) -> NDArray[np.float32]:
    """Perspective view, float32 H x W x 3, of a panorama through an ideal lens."""
    return _sampled(_wrapped_logs(panorama), directions(camera, pose))


@dataclass(frozen=True)
class PanoramaScene:
    """A panorama to photograph: everything very far away, its luminance `scale` cd/m2 for a radiance of 1.

    Its RGB is taken as linear Rec. 709 and brought to linear Rec. 2020. Nobody walks in it.
    """

    panorama: NDArray[np.float32]
    scale: float = 1.0

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The panorama through a lens, band by band to keep memory low."""
        if visitors or reflectance:
            raise UserError("A panorama has no visitors and no known reflectance; use the church for those.")
        radiance = np.empty((camera.height, camera.width, 3), np.float32)
        logs = _wrapped_logs(self.panorama)
        colour = REC709_TO_REC2020.T * np.float32(self.scale)
        for top in range(0, camera.height, 256):
            rows = slice(top, min(top + 256, camera.height))
            radiance[rows] = _sampled(logs, _rays(camera, pose, rows)) @ colour
        shape = (camera.height, camera.width)
        return Rendered(np.maximum(radiance, 0), np.full(shape, 1e4, np.float32), np.zeros(shape, np.bool_))
