"""Standing and framing: from where, with what focal length, and at what cost in frame a view can be had.

The picture wanted is a rectangle in the upright picture plane: directions (X, Z) with X = right / forward and
Z = up / forward. Whether a tilted camera holds that rectangle, and with how long a lens at most, follows from turning
its corners into the camera's axes; neither depends on the lens, so one calculation serves every lens.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import WALL_TURN, Building
from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop, largest_crop
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.camera.rectification import Rectification, local_scale, project
from clerestory.plan.model import ASPECTS, BodyTable, LensTable, StationTable, ViewTable, Visit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]
How = Literal["upright", "straightened", "as seen", "join", "no"]

FLOOR_FROM = 6.0  # metres before the camera from which the floor shows when a view asks for floor
JOIN_OVERLAP = 0.3  # share of a frame shared with its neighbour (common practice, no source)
JOIN_MOST = 24  # frames by hand beyond which a join is not offered
_STEP = 0.25  # degrees between the tilts tried
_TILTS = np.arange(-20.0, 75.0 + _STEP, _STEP)


def subject_points(view: ViewTable, eye: Array) -> Array:
    """Corners of the subject and the points that must be in, (n, 3) metres in building axes."""
    points = [*subject_corners(view, *subject_axes(view, eye)), *(np.array(p) for p in view.must_have_m)]
    if view.floor:
        ahead = np.array(view.centre_m[:2]) - eye[:2]
        span = float(np.hypot(*ahead))
        floor = eye[:2] + ahead / max(span, 1e-9) * min(FLOOR_FROM, span)
        points.append(np.array([floor[0], floor[1], 0.0]))
    return np.array(points)


def subject_corners(view: ViewTable, across: Array, up: Array) -> Array:
    """Corners of the subject (4, 3), metres in building axes, where its width and height run along two unit vectors,
    each (3,)."""
    half_w, half_h = across * view.width_m / 2, up * view.height_m / 2
    return np.array(
        [np.array(view.centre_m) + a * half_w + b * half_h for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))]
    )


def subject_axes(view: ViewTable, eye: Array) -> tuple[Array, Array]:
    """Unit vectors, each (3,), along the subject's width and height, building axes; `eye` (3,) in metres."""
    if view.on in ("east", "west"):
        return np.array([1.0, 0, 0]), np.array([0, 0, 1.0])
    if view.on in ("north", "south"):
        return np.array([0, 1.0, 0]), np.array([0, 0, 1.0])
    if view.on == "vault":
        return np.array([1.0, 0, 0]), np.array([0, 1.0, 0])
    sight = np.array(view.centre_m) - eye
    sight = sight / np.linalg.norm(sight)
    across = np.array([sight[1], -sight[0], 0.0])
    if np.linalg.norm(across) < 1e-6:
        across = np.array([1.0, 0, 0])
    across = across / np.linalg.norm(across)
    return across, np.cross(across, sight)


def _basis(yaw: float, tilt: float) -> Array:
    """Rows right, up, forward in building axes of a camera without roll; radians."""
    cy, sy, cp, sp = math.cos(yaw), math.sin(yaw), math.cos(tilt), math.sin(tilt)
    return np.array([[cy, -sy, 0], [-sy * sp, -cy * sp, cp], [sy * cp, cy * cp, sp]])


@dataclass(frozen=True)
class Aim:
    """One view from one station, before any lens is chosen.

    `picture_yaw` and `yaw` (radians from the axis) are those of the picture and of the camera; `rectangle` is
    (X0, X1, Z0, Z1) in the picture plane; `tilts` (degrees) and `reach` (tilts, 2): the longest focal length, as a
    multiple of the frame's longer side, that holds the rectangle at each tilt in landscape and in portrait.
    """

    view: ViewTable
    station: StationTable
    eye: Array
    upright: bool
    picture_yaw: float
    yaw: float
    rectangle: tuple[float, float, float, float]
    tilts: Array
    reach: Array

    @property
    def turn(self) -> float:
        """Yaw in radians from the camera to the picture."""
        return (self.picture_yaw - self.yaw + math.pi) % (2 * math.pi) - math.pi

    @property
    def distance(self) -> float:
        """Metres from the eye to the subject's middle."""
        return float(np.linalg.norm(np.array(self.view.centre_m) - self.eye))

    @property
    def corners(self) -> Array:
        """Corners (4, 2) of the rectangle in the picture plane, clockwise from the top left."""
        x0, x1, z0, z1 = self.rectangle
        return np.array([[x0, z1], [x1, z1], [x1, z0], [x0, z0]])


def _in_camera(corners: Array, turn: float, tilts: Array) -> tuple[Array, Array, Array]:
    """Corners (k, 2) of the picture plane seen by cameras at each tilt (radians): u, v (tilts, k) and depth."""
    ahead = corners[:, 0] * -math.sin(turn) + math.cos(turn)
    right = corners[:, 0] * math.cos(turn) + math.sin(turn)
    up = corners[:, 1]
    cos_t, sin_t = np.cos(tilts)[:, None], np.sin(tilts)[:, None]
    depth = cos_t * ahead + sin_t * up
    with np.errstate(divide="ignore", invalid="ignore"):
        return right / depth, (cos_t * up - sin_t * ahead) / depth, depth


def _shaped(x0: float, x1: float, z0: float, z1: float, view: ViewTable) -> tuple[float, float, float, float]:
    """The rectangle with breathing room added and widened to the view's aspect, about its middle."""
    w, h = (x1 - x0) * (1 + view.margin), (z1 - z0) * (1 + view.margin)
    if view.aspect != "free":
        aspect = ASPECTS[view.aspect]
        w, h = max(w, h * aspect), max(h, w / aspect)
    cx, cz = (x0 + x1) / 2, (z0 + z1) / 2
    return cx - w / 2, cx + w / 2, cz - h / 2, cz + h / 2


def aim(
    view: ViewTable, station: StationTable, side_ratio: float, at: tuple[float, float] | None = None
) -> Aim | None:
    """How `view` lies from `station` (or from the plan point `at`), or None where it cannot be faced.

    `side_ratio` is the frame's shorter side over its longer one.
    """
    x, y = at or station.at_m
    eye = np.array([x, y, station.lens_m])
    sight = np.array(view.centre_m) - eye
    level = float(np.hypot(sight[0], sight[1]))
    elevation = math.degrees(math.atan2(sight[2], level))
    upright = view.on in WALL_TURN or (view.on == "free" and elevation <= view.max_tilt_deg)
    yaw = math.atan2(sight[0], sight[1]) if level > 1e-6 and view.on != "vault" else 0.0
    if view.square_on:
        yaw = math.radians(WALL_TURN[view.on])
    basis = _basis(yaw, 0.0 if upright else math.radians(elevation))
    if view.on == "vault" and level > 1e-6 and sight[1] < 0:
        basis = _basis(math.pi, math.radians(elevation))
        yaw = math.pi
    local = (subject_points(view, eye) - eye) @ basis.T
    depth_needed = np.maximum(0.05 * np.abs(local[:, :2]).max(axis=1), 0.05)
    if bool(np.any(local[:, 2] < depth_needed)):
        return None
    across, up = local[:, 0] / local[:, 2], local[:, 1] / local[:, 2]
    rectangle = _shaped(float(across.min()), float(across.max()), float(up.min()), float(up.max()), view)
    turn = -(math.atan(rectangle[0]) + math.atan(rectangle[1])) / 2 if upright else 0.0
    tilts = _TILTS if upright else np.array([elevation])
    shell = Aim(view, station, eye, upright, yaw, yaw - turn, rectangle, tilts, np.zeros((len(tilts), 2)))
    u, v, depth = _in_camera(shell.corners, shell.turn, np.radians(tilts) if upright else np.zeros(1))
    widest_u, widest_v = np.abs(u).max(axis=1), np.abs(v).max(axis=1)
    seen = depth.min(axis=1) > 0.02
    with np.errstate(divide="ignore", invalid="ignore"):
        landscape = np.minimum(0.5 / widest_u, 0.5 * side_ratio / widest_v)
        portrait = np.minimum(0.5 * side_ratio / widest_u, 0.5 / widest_v)
    reach = np.where(seen[:, None], np.stack([landscape, portrait], axis=1), 0.0)
    return replace(shell, reach=reach)


@dataclass(frozen=True)
class Framing:
    """A view from a station through a lens.

    Degrees, metres, mm. `kept` is the share of the frame inside the picture wanted (of all frames for a join);
    `pixels` the picture's recorded pixels; `across` those recorded across the subject's width; `enlarged` the
    greatest local enlargement by straightening within the picture; `why` says what stands against it;
    `distortion` the lens's radial k (DNG WarpRectilinear); `plane` the tilt of the picture plane of a stitched view,
    0 where the picture is upright.
    """

    view: str
    station: str
    body: str
    lens: str
    how: How
    focal: float
    portrait: bool
    tilt: float
    yaw: float
    turn: float
    distance: float
    rectangle: tuple[float, float, float, float]
    kept: float
    pixels: float
    across: float
    enlarged: float
    frames: int = 1
    why: str = ""
    distortion: tuple[float, float, float, float] = (1.0, 0.0, 0.0, 0.0)
    plane: float = 0.0

    @property
    def fits(self) -> bool:
        """Whether one frame holds the view."""
        return self.how in ("upright", "straightened", "as seen")

    def camera(self, body: BodyTable) -> Camera:
        """The camera held as this framing holds it."""
        w, h = body.pixels if not self.portrait else body.pixels[::-1]
        return Camera.of(w, h, self.focal, w * body.pixel_mm, Distortion(self.distortion))

    @property
    def camera_axes(self) -> Array:
        """Right, up and forward of the camera as held, rows in building axes."""
        return _basis(math.radians(self.yaw), math.radians(self.tilt))

    @property
    def picture_axes(self) -> Array:
        """Right, up and forward of the finished picture, rows in building axes."""
        if self.how == "as seen":
            return self.camera_axes
        return _basis(math.radians(self.yaw + self.turn), math.radians(self.plane))

    def pose(self, eye: Array) -> Pose:
        """The camera as held at a point `eye` (3,) in building axes, metres."""
        return Pose(
            math.radians(self.yaw), math.radians(self.tilt), 0.0, (float(eye[0]), float(eye[1]), float(eye[2]))
        )

    def picture_pose(self, eye: Array) -> Pose:
        """The camera at a point `eye` (3,) that would see the finished picture without straightening."""
        held = self.pose(eye)
        if self.how == "as seen":
            return held
        return replace(held, yaw=held.yaw + math.radians(self.turn), pitch=math.radians(self.plane))

    @property
    def rectification(self) -> Rectification:
        """How the frame is then turned upright (identity for a view taken as seen)."""
        if self.how == "as seen":
            return Rectification(plumb=0.0)
        return Rectification(math.radians(self.tilt), 0.0, 1.0, math.radians(self.turn))

    def frame_points(self, corners: Array, body: BodyTable) -> Array:
        """Where points (k, 2) of the picture plane lie in the frame, pixels."""
        camera = self.camera(body)
        tilt = 0.0 if self.how == "as seen" else math.radians(self.tilt)
        u, v, _ = _in_camera(corners, math.radians(self.turn), np.array([tilt]))
        out: Array = np.stack([camera.cx + camera.focal * u[0], camera.cy - camera.focal * v[0]], axis=-1)
        return out

    def crop(self, body: BodyTable) -> Crop:
        """What the finisher keeps: the largest rectangle of the picture's aspect in the straightened frame."""
        x0, x1, z0, z1 = self.rectangle
        return largest_crop(self.camera(body), self.rectification, (x1 - x0) / (z1 - z0))

    def enlargement(self, body: BodyTable, points: Array) -> Array:
        """Local enlargement of straightening at frame pixels (k, 2)."""
        return local_scale(self.rectification.homography(self.camera(body)), points)


def _shoelace(p: Array) -> float:
    x, y = p[:, 0], p[:, 1]
    return float(abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2)


def _measured(base: Framing, aimed: Aim, body: BodyTable) -> Framing:
    """A framing that holds its view, with what it keeps and records."""
    quad = base.frame_points(aimed.corners, body)
    kept = _shoelace(quad) / (body.pixels[0] * body.pixels[1])
    across_axis, _ = subject_axes(aimed.view, aimed.eye)
    centre = np.array(aimed.view.centre_m)
    ends = np.stack([centre - across_axis * aimed.view.width_m / 2, centre + across_axis * aimed.view.width_m / 2])
    seen = (ends - aimed.eye) @ base.camera_axes.T
    flat = seen[:, :2] / seen[:, 2:]
    across = float(np.linalg.norm(flat[1] - flat[0])) * base.camera(body).focal
    enlarged = float(base.enlargement(body, quad).max()) if base.how == "straightened" else 1.0
    return replace(base, kept=kept, pixels=kept * body.pixels[0] * body.pixels[1], across=across, enlarged=enlarged)


def _chosen(aimed: Aim, longest: float, focal: float, allowed: Mask) -> tuple[float, bool] | None:
    """Smallest allowed tilt (degrees) at which `focal` holds the view, and whether the frame stands upright."""
    holds = (aimed.reach * longest >= focal * (1 - 1e-9)) & allowed[:, None]
    if not holds.any():
        return None
    cost = np.where(holds, np.abs(aimed.tilts)[:, None], np.inf)
    index = np.unravel_index(int(np.argmin(cost)), cost.shape)
    return float(aimed.tilts[index[0]]), bool(index[1])


def frame(aimed: Aim, body: BodyTable, lens: LensTable) -> Framing:
    """The best way to take a view from its station with one lens."""
    # A pincushion sees less than a perfect lens; a barrel sees a little more, which is left in hand.
    longest = max(body.frame_mm) * (1 - max(sum(lens.radial) - 1, 0.0))
    short, long = lens.focal_range
    sight = np.array(aimed.view.centre_m) - aimed.eye
    nothing = Framing(
        aimed.view.name,
        aimed.station.name,
        body.name,
        lens.name,
        "no",
        short,
        False,
        0.0,
        math.degrees(aimed.yaw),
        math.degrees(aimed.turn),
        float(np.linalg.norm(sight)),
        aimed.rectangle,
        0.0,
        0.0,
        0.0,
        1.0,
        distortion=lens.radial,
    )
    if nothing.distance < lens.closest_m:
        return replace(nothing, why=f"closer than the lens can focus ({lens.closest_m:g} m)")
    allowed: Mask = np.abs(aimed.tilts) <= (aimed.view.max_tilt_deg if aimed.upright else 90)
    level: Mask = allowed & (aimed.tilts == 0)
    options: list[Framing] = []
    for how, mask in (("upright", level), ("straightened", allowed)):
        best = float((aimed.reach * longest * mask[:, None]).max())
        focal = min(best, long)
        found = _chosen(aimed, longest, focal, mask) if best >= short else None
        if found is not None:
            kind: How = "as seen" if not aimed.upright else ("upright" if found[0] == 0 else how)  # type: ignore[assignment]
            option = replace(nothing, how=kind, focal=focal, tilt=found[0], portrait=found[1])
            options.append(_measured(option, aimed, body))
    if options:
        return max(options, key=lambda f: f.kept)
    return _joined(nothing, aimed, body, longest, float((aimed.reach * longest).max()))


def _joined(nothing: Framing, aimed: Aim, body: BodyTable, longest: float, widest: float) -> Framing:
    """A wide view joined from several frames at the lens's shortest focal length, or why not even that."""
    if widest >= nothing.focal:
        return replace(nothing, why=f"only with more than {aimed.view.max_tilt_deg:g}° of tilt")
    x0, x1, z0, z1 = aimed.rectangle
    wide, high = math.atan(x1) - math.atan(x0), math.atan(z1) - math.atan(z0)
    counts = []
    for portrait in (False, True):
        sides = body.frame_mm[::-1] if portrait else body.frame_mm
        fields = [2 * math.atan(s / (2 * nothing.focal)) for s in sides]
        n = [1 + math.ceil((a - f) / (f * (1 - JOIN_OVERLAP))) for a, f in zip((wide, high), fields, strict=True)]
        counts.append((max(n[0], 1) * max(n[1], 1), portrait))
    frames, portrait = min(counts)
    if frames > JOIN_MOST:
        return replace(nothing, why=f"needs a {widest:.1f} mm lens; stitched, it would take {frames} frames")
    plane = 0.0 if aimed.upright else float(aimed.tilts[0])
    across = 2 * math.atan(aimed.view.width_m / 2 / nothing.distance) * nothing.focal / body.pixel_mm
    return replace(
        nothing,
        how="join",
        portrait=portrait,
        tilt=plane + math.degrees(math.atan((z0 + z1) / 2)),
        plane=plane,
        frames=frames,
        kept=wide * high / (frames * math.prod(2 * math.atan(s / (2 * nothing.focal)) for s in body.frame_mm)),
        pixels=wide * high * (nothing.focal / body.pixel_mm) ** 2,
        across=across,
        why=f"one frame would need a {widest:.1f} mm lens",
    )


@dataclass(frozen=True)
class StandBack:
    """Where the tilt falls to a limit: metres from the subject, the focal length there, whether the floor reaches."""

    limit: float
    distance: float
    focal: float
    inside: bool


def stand_back(aimed: Aim, body: BodyTable, building: Building, limit: float, shortest: float) -> StandBack | None:
    """How far back, on the line from subject to station, the best-filling tilt is at most `limit` degrees.

    Nearer than a lens of `shortest` mm can hold the view is not considered. None when no distance up to 200 m does.
    """
    start = np.array(aimed.view.centre_m[:2])
    line = np.array(aimed.station.at_m) - start
    if not aimed.upright or np.linalg.norm(line) < 0.1:
        return None
    line = line / np.linalg.norm(line)
    ratio = min(body.pixels) / max(body.pixels)
    low, high = 0.5, 200.0

    def at(distance: float) -> tuple[float, float]:
        spot = start + line * distance
        there = aim(aimed.view, aimed.station, ratio, (float(spot[0]), float(spot[1])))
        if there is None:
            return 90.0, 0.0
        best = int(np.argmax(there.reach.max(axis=1)))
        focal = float(there.reach[best].max() * max(body.frame_mm))
        return (abs(float(there.tilts[best])) if focal >= shortest else 90.0), focal

    if at(high)[0] > limit:
        return None
    for _ in range(14):
        middle = math.sqrt(low * high)
        low, high = (low, middle) if at(middle)[0] <= limit else (middle, high)
    spot = start + line * high
    inside = any(hall.holds(float(spot[0]), float(spot[1])) for hall in building.halls)
    return StandBack(limit, high, at(high)[1], inside)


@dataclass(frozen=True)
class Spread:
    """How far a framing may be off where its view was assumed, 95 times in 100: millimetres and degrees.

    `fails`: whether the lens may not hold the view at all.
    """

    focal: float
    tilt: float
    fails: bool


def spread_of(aimed: Aim, framing: Framing, body: BodyTable, lens: LensTable) -> Spread | None:
    """What the uncertainty of a view's place and size does to its framing; None where it is known exactly."""
    view, off, ratio = aimed.view, aimed.view.off, min(body.pixels) / max(body.pixels)
    x, y, z = view.centre_m
    pairs: list[list[dict[str, Any]]] = []
    if off.along_m:
        pairs.append([{"centre_m": (x, y + d, z)} for d in (off.along_m, -off.along_m)])
    if off.up_m:
        pairs.append([{"centre_m": (x, y, max(z + d, 0.1))} for d in (off.up_m, -off.up_m)])
    if off.size:
        sizes = (1 + off.size, 1 - off.size)
        pairs.append([{"width_m": view.width_m * k, "height_m": view.height_m * k} for k in sizes])
    if not pairs:
        return None
    square, fails = np.zeros(2), False
    for changes in pairs:
        moved = []
        for change in changes:
            there = aim(view.model_copy(update=change), aimed.station, ratio)
            other = frame(there, body, lens) if there is not None else None
            fits = other is not None and other.how != "no"
            fails = fails or not fits
            moved.append([other.focal, other.tilt] if fits and other is not None else [framing.focal, framing.tilt])
        square += (np.abs(np.array(moved) - [framing.focal, framing.tilt]).max(axis=0)) ** 2
    focal, tilt = np.sqrt(square)
    return Spread(float(focal), float(tilt), fails)


def aims(visit: Visit, body: BodyTable) -> dict[tuple[str, str], Aim]:
    """Every view from every station it may be taken from, by their names."""
    ratio = min(body.pixels) / max(body.pixels)
    out = {}
    for view in visit.view:
        for station in visit.station:
            if view.stations and station.name not in view.stations:
                continue
            aimed = aim(view, station, ratio)
            if aimed is not None:
                out[view.name, station.name] = aimed
    return out


def sensor_corners(framing: Framing, body: BodyTable) -> Array:
    """Outline (4, 2) of the whole frame in the picture plane (X, Z), clockwise from its top left."""
    camera = framing.camera(body)
    edge = np.array(
        [
            [-0.5, -0.5],
            [camera.width - 0.5, -0.5],
            [camera.width - 0.5, camera.height - 0.5],
            [-0.5, camera.height - 0.5],
        ]
    )
    flat = project(framing.rectification.homography(camera), edge)
    out: Array = np.stack([(flat[:, 0] - camera.cx) / camera.focal, (camera.cy - flat[:, 1]) / camera.focal], axis=-1)
    return out
