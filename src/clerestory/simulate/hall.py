"""A hall of painted walls with stalls and pillars near by and people who stay: frames as swaying hands take them.

Everything is a flat piece in space, so that what is near shifts against what is far and hides it as it should. The
far wall carries a view of a modelled church. People are flat figures that face the camera and throw shadows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.pose import Pose
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church, Rendered, Visitor
from clerestory.simulate.shoot import Shot, SimulatedFrame, shoot

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

FINER = 2  # rays along either side of a pixel
DEEP, WIDE, HIGH = 11.0, 7.0, 6.5  # metres: the hall before the camera
EYES = 1.55  # metres above the floor

Habit = Literal["walks", "lingers", "sways", "sits", "turns"]


@dataclass(frozen=True)
class Piece:
    """A flat piece: `corner` (3,) of its picture's top left, `across` and `down` (3,) to its other corners, metres;
    `picture` H x W x 4, reflectance in linear Rec. 2020 and cover 0 to 1."""

    corner: F64
    across: F64
    down: F64
    picture: F32
    person: bool = False
    shade: bool = False


@dataclass(frozen=True)
class Guest:
    """Somebody in the hall: at (x, y) metres, in frames `first` to `last`, and what he does meanwhile."""

    x: float
    y: float
    habit: Habit
    first: int
    last: int
    speed: float = 0.0
    height: float = 1.72
    seed: int = 0

    def place(self, frame: int, rng: np.random.Generator) -> tuple[float, float, float]:
        """Where he stands in a frame, and by how much he leans (metres at the head)."""
        k = frame - self.first
        if self.habit == "walks":
            return self.x + self.speed * k, self.y, 0.0
        if self.habit == "sways":
            return self.x + float(rng.normal(0, 0.05)), self.y, float(rng.normal(0, 0.04))
        if self.habit == "turns":
            return self.x, self.y, float(rng.normal(0, 0.02))
        return self.x + float(rng.normal(0, 0.006)), self.y, float(rng.normal(0, 0.008))


@lru_cache(maxsize=4)
def _ideal(width: int, height: int, distortion: Distortion | None) -> F32:
    """Where pixels' centres would lie without the lens's distortion, which no focal length changes: H x W x 2."""
    y, x = np.mgrid[0:height, 0:width].astype(float)
    camera = Camera.centred(width, height, float(width), distortion)
    return camera.ideal(np.stack([x, y], axis=-1)).astype(np.float32)


def _rays(camera: Camera, pose: Pose) -> F32:
    """World directions of recorded pixels, H x W x 3."""
    away = _ideal(camera.width, camera.height, camera.distortion)
    away = (away - np.array([camera.cx, camera.cy], np.float32)) / np.float32(camera.focal)
    r = pose.rotation.astype(np.float32)
    return away[..., :1] * r[0] + away[..., 1:] * r[1] + r[2]


def _noise(rng: np.random.Generator, shape: tuple[int, int], size: float) -> F32:
    """Smooth noise of deviation 1."""
    small = max(4, round(shape[0] / size)), max(4, round(shape[1] / size))
    grid = rng.normal(size=small).astype(np.float32)
    out = cv2.resize(grid, (shape[1], shape[0]), interpolation=cv2.INTER_CUBIC)
    return np.asarray(out / max(float(out.std()), 1e-6), np.float32)


def stone(rng: np.random.Generator, shape: tuple[int, int], course: int, plain: float = 0.0) -> F32:
    """Reflectance H x W x 3 of coursed stone, `course` texels high; `plain` 1 leaves bare plaster."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    row = y // course
    column = (x + row % 2 * course) // (2 * course)
    tone = ((row * 7919 + column * 104729) % 101 / 101.0 - 0.5) * 0.35
    joint = np.minimum(y % course, (x + row % 2 * course) % (2 * course)) < max(1, course // 16)
    value = 0.42 * (1 + (1 - plain) * (tone - 0.35 * joint))
    value = value * (1 + 0.05 * _noise(rng, shape, 3) + 0.07 * _noise(rng, shape, 60))
    tint = np.array([1.05, 1.0, 0.88], np.float32) * (1 + 0.05 * rng.normal(size=3)).astype(np.float32)
    return np.asarray(np.clip(value, 0.02, 0.9)[..., None] * tint, np.float32)


def wood(rng: np.random.Generator, shape: tuple[int, int]) -> F32:
    """Reflectance of dark carved wood with panels."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    grain = 0.12 * (1 + 0.25 * np.sin(x / 3.0 + 2 * _noise(rng, shape, 40)) + 0.12 * _noise(rng, shape, 4))
    panel = (np.abs((y % 120) - 60) > 52) | (np.abs((x % 90) - 45) > 38)
    grain = grain * np.where(panel, 1.5, 0.8)
    return np.asarray(np.clip(grain, 0.01, 0.6)[..., None] * np.array([1.2, 0.85, 0.55], np.float32), np.float32)


def tiles(rng: np.random.Generator, shape: tuple[int, int], size: int) -> F32:
    """Reflectance of a floor of two colours."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    dark = (y // size + x // size) % 2
    value = np.where(dark, 0.16, 0.36) * (1 + 0.06 * _noise(rng, shape, 3) + 0.08 * _noise(rng, shape, 50))
    return np.asarray(np.clip(value, 0.02, 0.9)[..., None] * np.array([1.0, 0.93, 0.85], np.float32), np.float32)


def figure(seed: int, sits: bool, leaning: float) -> F32:
    """A person's picture 480 x 240 x 4: head, coat, arms, legs in colours drawn from the seed."""
    rng = np.random.default_rng(seed)
    coats = (
        (0.05, 0.05, 0.06),
        (0.35, 0.05, 0.04),
        (0.05, 0.1, 0.3),
        (0.4, 0.36, 0.3),
        (0.1, 0.2, 0.08),
        (0.6, 0.58, 0.55),
    )
    coat, legs = np.array(coats[rng.integers(len(coats))]), np.array(coats[rng.integers(3)]) * 0.8
    skin = np.array([0.42, 0.28, 0.2]) * rng.uniform(0.4, 1.2)
    out = np.zeros((480, 240, 4), np.float32)

    def put(mask: NDArray[np.uint8], colour: F64) -> None:
        out[mask > 0, :3] = colour
        out[mask > 0, 3] = 1

    def shape() -> NDArray[np.uint8]:
        return np.zeros((480, 240), np.uint8)

    lean = round(leaning * 280)
    hip = 330 if sits else 250
    if not sits:
        for side in (-1, 1):
            put(cv2.line(shape(), (120 + 18 * side, hip), (120 + 24 * side, 470), 1, 34), legs)
    else:
        put(cv2.rectangle(shape(), (62, 320), (178, 470), 1, -1), legs)
    top = hip - 165
    body = np.array([[84, hip + 20], [156, hip + 20], [166 + lean, top + 12], [74 + lean, top + 12]], np.int32)
    put(cv2.fillPoly(shape(), [body], 1), coat)
    for side in (-1, 1):
        hand = 120 + side * int(rng.integers(48, 70))
        put(
            cv2.line(shape(), (120 + 44 * side + lean, top + 22), (hand, top + int(rng.integers(110, 170))), 1, 24),
            coat * 0.9,
        )
    put(cv2.ellipse(shape(), (120 + lean, top - 30), (26, 36), 0, 0, 360, 1, -1), skin)
    put(cv2.ellipse(shape(), (120 + lean, top - 48), (28, 22), 0, 0, 360, 1, -1), np.array([0.06, 0.04, 0.03]))
    fold = 1 + 0.12 * _noise(rng, (480, 240), 14)
    out[..., :3] *= fold[..., None]
    out[..., 3] = cv2.GaussianBlur(out[..., 3], (0, 0), 0.7)
    return np.clip(out, 0, 1)


def _opaque(rgb: F32) -> F32:
    return np.concatenate([rgb, np.ones((*rgb.shape[:2], 1), np.float32)], axis=-1)


def _v(*numbers: float) -> F64:
    return np.array(numbers, float)


@dataclass(frozen=True)
class Hall:
    """A hall drawn from a seed; `near`: pillars and stalls at 1 to 3 m; `light`: luminance of white, cd/m2."""

    seed: int = 1
    near: int = 3
    light: float = 120.0
    pieces: tuple[Piece, ...] = ()  # people, for one frame

    @cached_property
    def walls(self) -> tuple[Piece, ...]:
        """What stays, the farthest first."""
        rng = np.random.default_rng(self.seed)
        w, h, d = WIDE / 2, HIGH, DEEP
        plain = float(rng.uniform(0, 0.8))
        far = _opaque(self._far(rng))
        left, right = (_opaque(stone(rng, (520, 900), 34, plain)) for _ in range(2))
        floor, roof = _opaque(tiles(rng, (900, 560), 44)), _opaque(stone(rng, (900, 560), 60, 0.9))
        out = [
            Piece(_v(-w, d, h), _v(2 * w, 0, 0), _v(0, 0, -h), far),
            Piece(_v(-w, -1, h), _v(0, d + 1, 0), _v(0, 0, -h), left),
            Piece(_v(w, d, h), _v(0, -d - 1, 0), _v(0, 0, -h), right),
            Piece(_v(-w, d, 0), _v(2 * w, 0, 0), _v(0, -d - 1, 0), floor),
            Piece(_v(-w, -1, h), _v(2 * w, 0, 0), _v(0, d + 1, 0), roof),
        ]
        for _ in range(3):  # columns half-way
            x, y = float(rng.uniform(-w, w)), float(rng.uniform(5, 9))
            out.append(Piece(_v(x, y, h), _v(0.5, 0, 0), _v(0, 0, -h), _opaque(stone(rng, (900, 80), 30, 0.3))))
        for k in range(self.near):
            y = float(rng.uniform(1.0, 3.0))
            x = y * float(rng.uniform(0.25, 0.62)) * (-1) ** k
            if rng.uniform() < 0.5:
                out.append(
                    Piece(_v(x - 0.11, y, h), _v(0.22, 0, 0), _v(0, 0, -h), _opaque(stone(rng, (1800, 90), 40, 0.2)))
                )
            else:
                top = float(rng.uniform(0.85, 1.15))
                out.append(
                    Piece(_v(x - 0.5, y, top), _v(1.0, 0.2, 0), _v(0, 0, -top), _opaque(wood(rng, (420, 420))))
                )
        out[5:] = sorted(out[5:], key=lambda p: -p.corner[1])
        return tuple(out)

    def _far(self, rng: np.random.Generator) -> F32:
        """The far wall: a view of a church, as reflectance."""
        seen = Church(self.seed % 7 + 1).render(
            Camera(1120, 1040, 760.0, 559.5, 519.5), Pose(0.0, 0.22, 0.0, (0.4, 6.0, 1.6))
        )
        level = float(np.percentile(seen.radiance, 92))
        return np.asarray(np.clip(seen.radiance / level * 0.6, 0.01, 2.5), np.float32)

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The hall through a lens, four rays a pixel. Its people are its own `pieces`; `visitors` are not shown."""
        height, width = camera.height, camera.width
        fine = camera.scaled(FINER)
        rays = _rays(fine, pose)
        colour = np.zeros((fine.height, fine.width, 3), np.float32)
        depth = np.full(colour.shape[:2], 1e4, np.float32)
        people = np.zeros(colour.shape[:2], np.float32)
        ahead = pose.rotation[2]
        walls = self.walls
        nearer = sorted([*walls[5:], *(p for p in self.pieces if not p.shade)], key=lambda p: -p.corner[1])
        for piece in (*walls[:5], *(p for p in self.pieces if p.shade), *nearer):
            _lay(piece, rays, np.array(pose.position), ahead, colour, depth, people)
        size = (width, height)
        light = cv2.resize(colour, size, interpolation=cv2.INTER_AREA) * np.float32(self.light)
        far = cv2.resize(depth, size, interpolation=cv2.INTER_NEAREST)
        return Rendered(light, far, cv2.resize(people, size, interpolation=cv2.INTER_AREA) > 0.02)


def _lay(piece: Piece, rays: F32, eye: F64, ahead: F64, colour: F32, depth: F32, people: F32) -> None:
    """One piece over what is there already; a shade darkens it."""
    normal = np.cross(piece.across, piece.down)
    along = rays @ normal.astype(np.float32)
    far = np.float32((piece.corner - eye) @ normal) / np.where(np.abs(along) < 1e-9, np.float32(1e-9), along)
    ok = far > 0.05
    rows, columns = np.flatnonzero(ok.any(axis=1)), np.flatnonzero(ok.any(axis=0))
    if not len(rows) or not len(columns):
        return
    base = (eye - piece.corner).astype(np.float32)
    height, width = piece.picture.shape[:2]

    def on(axis: F64, size: int) -> F32:
        unit = (axis / (axis @ axis)).astype(np.float32)
        return np.asarray(((rays @ unit) * far + base @ unit) * size - np.float32(0.5), np.float32)

    u, v = on(piece.across, width), on(piece.down, height)
    ok &= (u > -1) & (v > -1) & (u < width) & (v < height)
    if not ok.any():
        return
    rows, columns = np.flatnonzero(ok.any(axis=1)), np.flatnonzero(ok.any(axis=0))
    box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
    seen = cv2.remap(piece.picture, u[box], v[box], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    cover = (seen[..., 3] * ok[box])[..., None]
    if piece.shade:
        colour[box] *= 1 - cover
        people[box] = np.maximum(people[box], 0)
        return
    colour[box] = colour[box] * (1 - cover) + seen[..., :3] * cover
    if piece.person:
        people[box] = np.maximum(people[box], cover[..., 0])
    else:
        people[box] *= 1 - cover[..., 0]
        depth[box] = np.where(cover[..., 0] > 0.5, far[box] * (rays[box] @ ahead.astype(np.float32)), depth[box])


def people_of(guests: Sequence[Guest], frame: int, seed: int) -> tuple[Piece, ...]:
    """The guests in a frame, with their shadows."""
    out = []
    for g in guests:
        if not g.first <= frame <= g.last:
            continue
        rng = np.random.default_rng([seed, g.seed, frame])
        x, y, lean = g.place(frame, rng)
        picture = figure(g.seed, g.habit == "sits", lean)
        width = g.height / 2
        out.append(Piece(_v(x - width / 2, y, g.height), _v(width, 0, 0), _v(0, 0, -g.height), picture, person=True))
        soft = np.zeros((64, 64, 4), np.float32)
        cv2.ellipse(soft, (32, 32), (22, 26), 0, 0, 360, (0, 0, 0, 0.45), -1)
        soft = cv2.GaussianBlur(soft, (0, 0), 4)
        out.append(
            Piece(_v(x - 0.45, y + 0.25, 0.001), _v(1.3, 0, 0), _v(0.5, -0.7, 0), soft, person=True, shade=True)
        )
    return tuple(out)


def guests_of(seed: int, frames: int, count: int) -> tuple[Guest, ...]:
    """People drawn from a seed: some walk through, some stay for a while, sit, sway or turn in place."""
    rng = np.random.default_rng([seed, 77])
    habits: tuple[Habit, ...] = ("walks", "lingers", "sways", "walks", "sits", "turns")
    out = []
    for k in range(count):
        y = float(rng.uniform(3.2, 9.5))
        x = float(rng.uniform(-0.55, 0.55)) * y
        habit = habits[k % len(habits)]
        stays = int(np.clip(round(frames * rng.uniform(0.25, 0.6)), 1, frames - 1))
        first = int(rng.integers(0, frames - stays + 1))
        if habit == "walks":
            first, stays = 0, frames
            speed = float(rng.choice([-1, 1]) * rng.uniform(0.35, 1.1))
            x = -speed * frames / 2 + x * 0.5
        else:
            speed = 0.0
        height = 1.3 if habit == "sits" else float(rng.uniform(1.55, 1.85))
        out.append(Guest(x, y, habit, first, first + stays - 1, speed, height, seed * 100 + k))
    return tuple(out)


@dataclass(frozen=True)
class _Drifted:
    """A scene whose light comes out by three factors brighter."""

    scene: Hall
    gain: tuple[float, float, float]

    def render(
        self,
        camera: Camera,
        pose: Pose,
        visitors: Sequence[Visitor] = (),
        seconds: float = 0.0,
        exposure: float = 0.0,
        reflectance: bool = False,
    ) -> Rendered:
        """The scene's own, with the factors."""
        seen = self.scene.render(camera, pose, visitors, seconds, exposure, reflectance)
        return replace(seen, radiance=seen.radiance * np.array(self.gain, np.float32))


@dataclass
class Swayed:
    """Frames of a hall as hands took them, and the truth: `shots`, `frames`, `clean`: the first frame with nobody in
    the hall, at its own light and without noise; `empty`: the frame that goes with it."""

    body: SimulatedCamera
    shots: list[Shot]
    frames: list[SimulatedFrame]
    empty: SimulatedFrame = field(repr=False)


def sway(
    seed: int,
    count: int,
    body: SimulatedCamera,
    lens: Lens = Lens(),
    people: int = 5,
    near: int = 3,
    reach: float = 0.15,
    drift: float = 0.3,
    iso: float = 400.0,
) -> Swayed:
    """Frames a few seconds apart by swaying hands.

    `reach`: metres between the farthest standpoints at most; `drift`: stops of exposure at most, a third of it in
    white balance; the focal length breathes by up to 0.4 %.
    """
    rng = np.random.default_rng([seed, 5])
    hall = Hall(seed, near)
    guests = guests_of(seed, count, people)
    base = Shot(focal_mm=12.0, f_number=5.6, seconds=1 / 30, iso=iso, focus_m=None, shake_px=0.3)
    shots, frames = [], []
    empty: SimulatedFrame | None = None
    for k in range(count):
        a = np.zeros(10) if k == 0 else rng.uniform(-1, 1, 10)
        where = np.array([a[0], 0.5 * a[1], 0.6 * a[2]]) * reach / 2
        pose = Pose(
            0.05 * a[3],
            0.03 + 0.04 * a[4],
            0.012 + 0.03 * a[5],
            (float(where[0]), float(where[1]), EYES + float(where[2])),
        )
        focal = 12.0 * (1 + 0.004 * a[6])
        stops = drift / 2 * a[7]
        gain = 2.0 ** (stops + drift / 6 * a[8]), 2.0**stops, 2.0 ** (stops + drift / 6 * a[9])
        shot = replace(base, pose=pose, focal_mm=focal)
        scene = _Drifted(
            replace(hall, pieces=people_of(guests, k, seed)), (float(gain[0]), float(gain[1]), float(gain[2]))
        )
        scene.scene.__dict__["walls"] = hall.walls
        frame = shoot(scene, shot, body, lens, seed=seed * 1000 + k)
        frame.meta = replace(frame.meta, focal_mm=12.0)
        frames.append(frame)
        shots.append(shot)
        if k == 0:
            empty = shoot(hall, shot, body, lens, seed=seed * 1000)
    assert empty is not None
    return Swayed(body, shots, frames, empty)
