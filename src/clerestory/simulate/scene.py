"""Scenes to photograph: a church that does not exist, or an HDR panorama, seen by any camera from anywhere."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.run.bands import in_bands
from clerestory.simulate import trace
from clerestory.simulate.form import Form, form, packed
from clerestory.simulate.shell import VISITOR

LUMINANCE = np.array([0.2627, 0.6780, 0.0593], dtype=np.float32)  # linear Rec. 2020, ITU-R BT.2020


@dataclass(frozen=True)
class Visitor:
    """Someone in the church: at (x, y) at time 0, walking `speed` m/s towards `heading` (radians, right of the axis).

    Colours are reflectances, linear Rec. 2020.
    """

    x: float
    y: float
    heading: float = 0.0
    speed: float = 0.0
    height: float = 1.72
    coat: tuple[float, float, float] = (0.10, 0.05, 0.05)
    legs: tuple[float, float, float] = (0.04, 0.05, 0.09)
    skin: tuple[float, float, float] = (0.42, 0.28, 0.20)

    def at(self, seconds: float) -> list[float]:
        """The row compiled code takes: place, heading, height and stride at a time."""
        way = self.speed * seconds
        stride = 0.22 * math.sin(way * 2 * math.pi / 1.4) if self.speed else 0.02
        place = (self.x + way * math.sin(self.heading), self.y + way * math.cos(self.heading))
        return [*place, self.heading, self.height, stride, *self.coat, *self.legs, *self.skin]


@dataclass
class Rendered:
    """What reaches an ideal sensor.

    `radiance`: float32 H x W x 3, linear Rec. 2020, cd/m2 (its luminance is `radiance @ LUMINANCE`); `depth`: float32
    H x W, metres along the optical axis; `visitors`: bool H x W. `reflectance`: float32 H x W x 3 when asked for
    (0 in glass), else None.
    """

    radiance: NDArray[np.float32]
    depth: NDArray[np.float32]
    visitors: NDArray[np.bool_]
    reflectance: NDArray[np.float32] | None = None


class Scene(Protocol):
    """Anything that can be photographed."""

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = ...,
        seconds: float = ...,
        exposure: float = ...,
        reflectance: bool = ...,
    ) -> Rendered:
        """The scene through a lens, one pixel to each of the camera's."""
        ...


def view_numbers(camera: Camera, pose: Pose) -> tuple[NDArray[np.float64], ...]:
    """A camera as compiled code takes it: (view, lens, origin); see `trace.ray`."""
    distortion = camera.distortion or Distortion()
    w, h = camera.width, camera.height
    c = (distortion.centre[0] * (w - 1), distortion.centre[1] * (h - 1))
    reach = math.hypot(max(c[0], w - 1 - c[0]), max(c[1], h - 1 - c[1]))
    head = [camera.focal, camera.cx, camera.cy, *c, reach]
    view = np.concatenate([head, pose.rotation.ravel()])
    lens = np.array([*distortion.radial, *distortion.tangential], dtype=float)
    return view, lens, np.array(pose.position, dtype=float)


@dataclass(frozen=True)
class Church:
    """A church that does not exist, its dimensions drawn from `seed`.

    `glass`: luminance of the sky behind clear glass, cd/m2. `sun`: illuminance behind the south clerestory, lux (0:
    overcast). `lamp`: candela of a warm lamp (about 2700 K) at the north-east pier, 0 for none.
    """

    seed: int = 1
    glass: float = 5200.0
    sun: float = 9000.0
    lamp: float = 0.0
    name: str = field(default="Priory church of St Osmerin, Vellingham")

    @cached_property
    def form(self) -> Form:
        """Its dimensions, metres."""
        return form(self.seed, self.glass, self.sun, self.lamp)

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The church through a lens: one ray a pixel, six where an edge runs. The camera must stand inside.

        Visitors move during the `exposure` (seconds), which begins at `seconds`.
        """
        self._check(pose)
        shape = (camera.height, camera.width)
        view, lens, origin = view_numbers(camera, pose)
        rays = len(trace.OFFSETS)
        people = np.array([_crowd(visitors, seconds + exposure * (k + 0.5) / rays) for k in range(rays)])
        middle = _crowd(visitors, seconds + exposure / 2)[None]
        radiance = np.empty((*shape, 3), np.float32)
        colour = np.zeros((*shape, 3) if reflectance else (1, 1, 3), np.float32)
        depth, kind = np.empty(shape, np.float32), np.empty(shape, np.uint8)
        record = packed(self.form)
        chosen = np.ones(shape, np.bool_)
        place, found = (view, lens, origin, record), (radiance, colour, depth, kind)
        in_bands(trace.cast, 0, len(depth), *place, middle, trace.MIDDLE, chosen, *found)
        in_bands(trace.find_edges, 1, len(depth) - 1, kind, depth, radiance, chosen)
        if any(v.speed for v in visitors) and exposure > 0:
            _near_moving(chosen, kind, depth, visitors, camera.focal, exposure)
        in_bands(trace.cast, 0, len(depth), *place, people, trace.OFFSETS, chosen, *found)
        return Rendered(radiance, depth, kind == VISITOR, colour if reflectance else None)

    def _check(self, pose: Pose) -> None:
        x, y, z = pose.position
        f = self.form
        outside = abs(x) >= f.half + f.wall + f.aisle or not 0 < y < f.length or not 0 < z < f.aisle_spring
        pier = abs(abs(x) - f.half - f.wall / 2) < 0.95 and abs(y - round(y / f.bay) * f.bay) < 0.95
        if outside or pier:
            place = "in a pier" if pier else "outside the church"
            raise UserError(f"{self.name}: a camera at ({x:.2f}, {y:.2f}, {z:.2f}) m stands {place}; move it.")


def _crowd(visitors: Sequence[Visitor], seconds: float) -> NDArray[np.float64]:
    return np.array([v.at(seconds) for v in visitors], dtype=float).reshape(-1, 14)


def _near_moving(
    chosen: NDArray[np.bool_],
    kind: NDArray[np.uint8],
    depth: NDArray[np.float32],
    visitors: Sequence[Visitor],
    focal: float,
    exposure: float,
) -> None:
    """Choose, too, the pixels a moving visitor may cross during the exposure."""
    seen = (kind == VISITOR).astype(np.uint8)
    if not seen.any():
        return
    way = max(v.speed for v in visitors) * exposure * focal / max(float(depth[kind == VISITOR].min()), 0.3)
    size = 2 * math.ceil(min(way, 200.0)) + 3
    chosen |= cv2.dilate(seen, np.ones((size, size), np.uint8)).astype(bool)
