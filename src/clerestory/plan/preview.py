"""What a view will show: the planned rooms photographed by the simulator, as the frame has them and straightened.

Rooms are boxes with windows: it shows where walls, windows and sunlight will lie, not what they look like.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building
from clerestory.camera.camera import Camera
from clerestory.plan.exposure import Settings, luminance
from clerestory.plan.framing import Framing
from clerestory.plan.model import BodyTable, LensTable, ViewTable
from clerestory.raw import srgb
from clerestory.simulate.rooms import GLASS, Rooms

Array = NDArray[np.float64]
Pixels = NDArray[np.uint8]
Box = tuple[float, float, float, float]

LONGEST = 360  # pixels of a preview's longer side
COUNTED = 320  # pixels of the longer side when shares of a frame are counted
KEPT = 64  # previews of late kept: report, card and page show the same ones
BRIGHT = 100.0  # luminance of glass in those of the stone where a view says nothing of it
_SHOULDER = 0.55  # how fast the preview's highlights run out


def _tone() -> Pixels:
    """sRGB values (IEC 61966-2-1) of luminances up to 16 times the stone's, in 4096 steps, with a soft shoulder."""
    shown = 1 - np.exp(-_SHOULDER * np.arange(4096) / 256)
    out: Pixels = np.round(255 * np.clip(srgb.encoded(shown), 0, 1)).astype(np.uint8)
    return out


_TONE = _tone()


def rooms_of(view: ViewTable, building: Building, sun: Array | None) -> Rooms:
    """The rooms in a view's light, luminances relative to its stone; `sun`: unit vector (3,) towards it, or None."""
    bright = luminance(view.glass_cd_m2) / luminance(view.stone_cd_m2) if view.glass_cd_m2 is not None else BRIGHT
    towards = (float(sun[0]), float(sun[1]), float(sun[2])) if sun is not None else None
    return Rooms(building, 1.0, bright, towards)


def _picture_camera(rectangle: Box, longest: int) -> Camera:
    """The camera that sees just a rectangle (X0, X1, Z0, Z1) of the picture plane."""
    x0, x1, z0, z1 = rectangle
    scale = longest / max(x1 - x0, z1 - z0)
    width, height = max(8, round((x1 - x0) * scale)), max(8, round((z1 - z0) * scale))
    return Camera(width, height, scale, -x0 * scale - 0.5, z1 * scale - 0.5)


def _small(framing: Framing, body: BodyTable, longest: int) -> Camera:
    camera = framing.camera(body).without_lens()
    return camera.scaled(longest / max(camera.width, camera.height))


def _shown(radiance: NDArray[np.float32]) -> Pixels:
    return _TONE[np.minimum(radiance * np.float32(256), np.float32(4095)).astype(np.int16)]


def seen_frame(rooms: Rooms, framing: Framing, body: BodyTable, eye: Array) -> Pixels:
    """The frame as the camera has it from `eye` (3,), sRGB (h, w, 3); one made of late is given again."""
    return _frame(rooms, framing, body, tuple(float(v) for v in eye))


@lru_cache(maxsize=KEPT)
def _frame(rooms: Rooms, framing: Framing, body: BodyTable, eye: tuple[float, ...]) -> Pixels:
    out = _shown(rooms.render(_small(framing, body, LONGEST), framing.pose(np.array(eye))).radiance)
    out.setflags(write=False)
    return out


def seen_picture(rooms: Rooms, framing: Framing, eye: Array) -> Pixels:
    """The picture wanted from `eye` (3,), sRGB (h, w, 3), where one frame does not hold it."""
    return _picture(rooms, framing, tuple(float(v) for v in eye))


@lru_cache(maxsize=KEPT)
def _picture(rooms: Rooms, framing: Framing, eye: tuple[float, ...]) -> Pixels:
    camera = _picture_camera(framing.rectangle, LONGEST)
    out = _shown(rooms.render(camera, framing.picture_pose(np.array(eye))).radiance)
    out.setflags(write=False)
    return out


def straightened(frame: Pixels, framing: Framing, body: BodyTable, box: Box) -> Pixels:
    """A frame, uint8 H x W x 3, turned upright as the finisher does, cut to (X0, X1, Z0, Z1) of the picture plane."""
    camera = _small(framing, body, LONGEST)
    onto = _picture_camera(box, LONGEST)
    turn = onto.matrix @ camera.inverse @ framing.rectification.homography(camera)
    out: Pixels = cv2.warpPerspective(frame, turn, (onto.width, onto.height), flags=cv2.INTER_LINEAR)
    return out


def sun_shares(building: Building, framing: Framing, eye: Array, suns: Array) -> Array:
    """Share of a picture (0 to 1) that lies in direct sun, for each of `suns` (n, 3), unit vectors towards it."""
    return Rooms(building).sun_shares(_picture_camera(framing.rectangle, 28), framing.picture_pose(eye), suns)


def clipped_share(
    building: Building, framing: Framing, eye: Array, body: BodyTable, lens: LensTable, settings: Settings
) -> float | None:
    """Share of the frame (of the picture, for a join) in which glass is above saturation in the darkest exposure.

    `eye` (3,): metres, building axes. The glass is that of the windows in the visit file; the lens's loss of
    light towards the corners is counted in.
    None where the view gives no luminance of its glass.
    """
    if settings.glass is None:
        return None
    level = settings.glass * 2.0 ** min(settings.bracket, default=0.0)
    joined = framing.how == "join"
    camera = _picture_camera(framing.rectangle, COUNTED) if joined else _small(framing, body, COUNTED)
    pose = framing.picture_pose(eye) if joined else framing.pose(eye)
    glass = Rooms(building).look(camera, pose, lit=False, fine=False)[0][..., GLASS]
    left = 1.0 if joined else lens.light_left(camera.width, camera.height)
    return float((glass * left * level > 1).mean())
