"""A demo visit to a church that does not exist: frames as one brings them home, and the truth about them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Container, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from clerestory.camera.exposure import METER_K, metered_time
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.simulate.blur import sharp_limit
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import LUMINANCE, Church, Visitor
from clerestory.simulate.shoot import Shot, bracket, shoot, write_frame

START = datetime(2027, 4, 20, 15, 6, 7)
SIZE = (2624, 1968)
SLOWEST_ISO, FASTEST_ISO = 200.0, 6400.0
STEADY = 0.45  # shake of a sharp frame, as a share of the sharp limit


@dataclass(frozen=True)
class DemoView:
    """One view: its frames' shots. `kind`: single, run (same exposure), bracket, blurred, visitors or join."""

    name: str
    kind: str
    shots: tuple[Shot, ...]


def aim(position: tuple[float, float, float], target: tuple[float, float, float], roll: float = 0.0) -> Pose:
    """The pose at `position` (m) that looks at `target`; `roll` in degrees."""
    dx, dy, dz = (b - a for a, b in zip(position, target, strict=True))
    return Pose(math.atan2(dx, dy), math.atan2(dz, math.hypot(dx, dy)), math.radians(roll), position)


def looking(yaw: float, pitch: float, roll: float, position: tuple[float, float, float]) -> Pose:
    """A pose from degrees."""
    return Pose(math.radians(yaw), math.radians(pitch), math.radians(roll), position)


def _unsteady(pose: Pose, rng: np.random.Generator, degrees: float = 0.12) -> Pose:
    """Where the hands are by the next frame."""
    yaw, pitch, roll = np.radians(rng.normal(0, [degrees, degrees, degrees / 2]))
    x, y, z = np.array(pose.position) + rng.normal(0, 0.004, 3)
    return Pose(pose.yaw + yaw, pose.pitch + pitch, pose.roll + roll, (float(x), float(y), float(z)))


def metered(church: Church, shot: Shot, body: SimulatedCamera, bias: float = 0.0) -> Shot:
    """The shot with the ISO (in thirds of a stop) that the meter asks for at its shutter time, `bias` stops above.

    Where even the slowest ISO would be too much, the time is shortened instead.
    """
    small = body.intrinsics(shot.focal_mm).scaled(160 / body.width)
    luminance = church.render(small, shot.pose).radiance @ LUMINANCE
    level = float(np.exp(np.log(np.maximum(luminance, 0.05)).mean()))
    iso = METER_K * shot.f_number**2 / (level * shot.seconds) * 2.0**bias
    iso = min(max(2.0 ** (round(math.log2(iso / 100) * 3) / 3) * 100, SLOWEST_ISO), FASTEST_ISO)
    longest = metered_time(level, shot.f_number, iso) * 2.0**bias
    seconds = shot.seconds if iso > SLOWEST_ISO else min(shot.seconds, longest)
    return replace(shot, iso=float(_nominal(iso)), seconds=_shutter(seconds))


def _nominal(iso: float) -> int:
    """ISO as it is marked on a dial: two figures count."""
    power = 10 ** (len(str(int(iso))) - 2)
    return round(iso / power) * power


def _shutter(seconds: float) -> float:
    """A time as it is marked: a whole reciprocal below half a second."""
    return 1 / round(1 / seconds) if seconds < 0.5 else seconds


def _run(shot: Shot, rng: np.random.Generator, count: int, gap: float, wander: float = 0.05) -> tuple[Shot, ...]:
    """Frames of one view, `gap` seconds apart, held by hand."""
    return tuple(
        replace(
            shot,
            pose=_unsteady(shot.pose, rng, wander),
            time=shot.time + timedelta(seconds=gap * i),
            clock=shot.clock + gap * i,
        )
        for i in range(count)
    )


@dataclass(frozen=True)
class _Day:
    church: Church
    body: SimulatedCamera
    rng: np.random.Generator

    def at(self, minutes: float) -> datetime:
        return START + timedelta(seconds=round(minutes * 60 + float(self.rng.uniform(0, 20)), 2))

    def taken(self, shot: Shot, minutes: float, bias: float = 0.0) -> Shot:
        steady = STEADY * sharp_limit(self.body.width, self.body.height)
        return metered(self.church, replace(shot, time=self.at(minutes), shake_px=steady), self.body, bias)


def _bracket(day: _Day, shot: Shot, stops: Sequence[float]) -> tuple[Shot, ...]:
    """The same shot at other times, by hand: the hands move after the first."""
    first, *rest = (replace(s, seconds=_shutter(s.seconds)) for s in bracket(shot, stops))
    return first, *(replace(s, pose=_unsteady(s.pose, day.rng, 0.04)) for s in rest)


def _first(day: _Day) -> list[DemoView]:
    f = day.church.form
    high = f.length / 2
    capital = (f.half + f.wall / 2 - 0.6, f.bay * 3, f.arcade_spring - 0.42)
    aisle = f.half + f.wall + f.aisle / 2
    nave = Shot(looking(0.4, 9.0, 1.3, (0.1, 2.2, 1.62)), 12, 5.6, 1 / 20, focus_m=9.0)
    views = [
        ("rose", Shot(aim((0.3, high, 1.6), (0, f.length, f.rose_z - 0.4), 0.8), 30, 5.6, 1 / 125, focus_m=22), -2.4),
        ("capital", Shot(aim((0.4, f.bay * 2 - 1.0, 1.6), capital, -1.1), 75, 5.0, 1 / 60, focus_m=7.2), 0.0),
        ("vault", Shot(looking(0.0, 88.6, 0.9, (0.0, high + 1.0, 1.1)), 12, 5.6, 1 / 30, focus_m=14), 0.3),
        ("south aisle", Shot(looking(-1.5, 5.5, -2.4, (aisle, 1.6, 1.6)), 14, 5.6, 1 / 15, focus_m=8), -0.5),
        ("west end", Shot(looking(181, 13.0, 2.1, (-0.5, f.screen_y - 2.5, 1.6)), 14, 5.6, 1 / 25, focus_m=12), -1.7),
        ("arcade", Shot(looking(-52.0, 17.5, -1.6, (3.2, f.bay * 2.4, 1.6)), 15, 5.6, 1 / 20, focus_m=8), -1.9),
    ]
    out = [DemoView("nave", "bracket", _bracket(day, day.taken(nave, 0.0, -1.6), (0, -2, -4)))]
    for i, (name, shot, bias) in enumerate(views, 1):
        out.append(DemoView(name, "single", (day.taken(shot, 4.0 * i, bias),)))
    return out


def _sets(day: _Day) -> list[DemoView]:
    f, rng = day.church.form, day.rng
    limit = sharp_limit(day.body.width, day.body.height)
    aisle = -(f.half + f.wall + f.aisle / 2)
    dark = Shot(looking(3.0, 6.0, 0.7, (aisle + 0.5, f.bay * 1.6, 1.58)), 18, 4.0, 1 / 200, focus_m=9)
    run = _run(day.taken(dark, 31, -2.0), rng, 6, 0.12)
    east = Shot(looking(0.0, 12.0, 0.6, (0.2, f.screen_y - 8.0, 1.6)), 17, 5.6, 1 / 15, focus_m=14)
    steps = _bracket(day, day.taken(east, 36, -1.8), (0, -2, 2))
    shaky = Shot(looking(38.0, 8.0, -0.9, (-3.4, f.bay * 4.2, 1.6)), 20, 5.6, 1 / 4, focus_m=9)
    tries = _run(day.taken(shaky, 41, -1.2), rng, 4, 1.4)
    extents = (3.6 * limit, 7.5 * limit, 0.6 * limit, 5.0 * limit)
    tries = tuple(replace(s, shake_px=e) for s, e in zip(tries, extents, strict=True))
    return [
        DemoView("north aisle", "run", run),
        DemoView("sanctuary", "bracket", steps),
        DemoView("south arcade", "blurred", tries),
        _crowded(day),
        _join(day),
    ]


def _crowded(day: _Day) -> DemoView:
    """The nave with people walking through: over the frames nearly every place is bare twice or more."""
    f = day.church.form
    right = math.pi / 2
    walkers = (
        Visitor(-0.6, f.bay * 2.6, math.pi, 0.8, 1.76, (0.16, 0.03, 0.03), (0.03, 0.03, 0.05)),
        Visitor(0.95, f.bay * 4.0, math.pi, 0.9, 1.64, (0.30, 0.27, 0.20), (0.05, 0.07, 0.13)),
        Visitor(-4.6, f.bay * 1.02 + 2.0, right, 0.7, 1.81, (0.03, 0.06, 0.12), (0.08, 0.06, 0.04)),
        Visitor(0.1, f.bay * 4.6, right, 0.55, 1.58, (0.05, 0.14, 0.07), (0.02, 0.02, 0.02), (0.16, 0.09, 0.06)),
        Visitor(7.2, f.bay * 2.6, -right, 0.8, 1.70, (0.22, 0.14, 0.04), (0.04, 0.05, 0.06)),
        Visitor(0.2, f.bay * 2.9, math.pi, 0.45, 1.22, (0.25, 0.08, 0.12), (0.10, 0.10, 0.12)),
    )
    shot = Shot(looking(-0.5, 6.5, -0.8, (0.3, 2.4, 1.6)), 16, 5.6, 1 / 30, focus_m=9, visitors=walkers)
    return DemoView("nave with visitors", "visitors", _run(day.taken(shot, 47, -2.6), day.rng, 7, 4.5))


def _join(day: _Day) -> DemoView:
    """Four frames across the nave's south side, about a third of each shared with the next."""
    f, rng = day.church.form, day.rng
    place = (-1.2, f.bay * 3.5, 1.6)
    first = day.taken(Shot(looking(45.0, 10.0, 0.0, place), 17, 6.3, 1 / 25, focus_m=8), 53, -1.2)
    shots = []
    for i, yaw in enumerate((6.0, 41.0, 76.0, 111.0)):
        pose = _unsteady(looking(yaw, 10.0, 0.5, place), rng, 0.8)
        shots.append(replace(first, pose=pose, time=first.time + timedelta(seconds=2.3 * i)))
    return DemoView("south side", "join", tuple(shots))


def demo_views(church: Church, body: SimulatedCamera, seed: int = 1) -> list[DemoView]:
    """Every view of the demo visit, in the order they were taken; about an hour in all."""
    day = _Day(church, body, np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 11]))))
    return _first(day) + _sets(day)


def demo_of(size: tuple[int, int] = SIZE, seed: int = 1) -> tuple[Church, SimulatedCamera, Lens]:
    """The demo's church, body and lens, for frames of `size` pixels."""
    return Church(seed), SimulatedCamera(width=size[0], height=size[1], hot_share=1e-5), Lens()


def demo_visit(
    folder: Path,
    size: tuple[int, int] = SIZE,
    seed: int = 1,
    on_frame: Callable[[int, int, Path], None] | None = None,
    without: Container[str] = (),
) -> list[Path]:
    """Photograph the demo visit: FOLDER/frames/*.dng and, in FOLDER/truth/, a truth.json for each and visit.json.

    `size`: width and height in pixels, even, about 4:3; `on_frame(done, of, path)` is called after each; `without`:
    kinds of views left out. A frame that is there already is kept, so an interrupted demo goes on where it stopped.
    """
    width, height = size
    if width < 64 or height < 64 or width % 2 or height % 2:
        raise UserError(f"Demo frames of {width} x {height} pixels: give even numbers of at least 64.")
    church, body, lens = demo_of(size, seed)
    frames, truth = folder / "frames", folder / "truth"
    frames.mkdir(parents=True, exist_ok=True)
    truth.mkdir(parents=True, exist_ok=True)
    views = [view for view in demo_views(church, body, seed) if view.kind not in without]
    total = sum(len(v.shots) for v in views)
    paths: list[Path] = []
    listing: list[dict[str, str]] = []
    for view in views:
        for shot in view.shots:
            number = len(paths) + 1
            path = frames / f"TDV{4170 + number:05d}.dng"
            if not (path.exists() and (truth / f"{path.stem}.truth.json").exists()):
                frame = shoot(church, shot, body, lens, seed * 1000 + number)
                frame.truth["view"] = {"name": view.name, "kind": view.kind}
                write_frame(frame, path, truth)
            paths.append(path)
            listing.append({"frame": path.name, "view": view.name, "kind": view.kind})
            if on_frame is not None:
                on_frame(number, total, path)
    record = {"building": church.name, "seed": seed, "size": list(size), "frames": listing}
    write_atomic(truth / "visit.json", json.dumps(record, indent=1) + "\n")
    return paths
