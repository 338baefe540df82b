"""How true the uprights come out: error, honesty and speed, on a modelled church and on open panoramas.

python bench/verticals.py                         all tables, default counts and seeds
python bench/verticals.py --church 40 --seed 7    other views of another church
python bench/verticals.py --panoramas vestibule,old_hall --views 60 --church 0
python bench/verticals.py --church 0 --views 0 --joins 24      frames turned about one spot, read together
python bench/verticals.py --church 0 --from-truth              where the edges themselves lead, begun at the truth
"""

from __future__ import annotations

import argparse
import math
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import rawpy
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.exposure import raw_fraction
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.finish.report import angle_between
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.panorama import load_panorama, panorama_view
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from clerestory.vertical.find import find_vertical, find_vertical_together
from clerestory.vertical.segments import find_segments
from clerestory.vertical.vanishing import axis_about, fit

PANORAMAS = Path(__file__).resolve().parents[2] / "shared" / "data" / "panoramas"
ISOS = (200, 400, 800, 1600, 3200, 6400)
LUMINANCE = np.array([0.2627, 0.6780, 0.0593], np.float32)


@dataclass(frozen=True)
class View:
    """One view whose truth is known: its luminance plane, the plane's camera with its lens, and the pose."""

    source: str
    label: str
    luma: NDArray[np.float32]
    camera: Camera
    pose: Pose


def drawn(rng: np.random.Generator) -> tuple[float, float, float, float]:
    """Equivalent focal length (16 to 50 mm), yaw, pitch (-5 to 25 degrees) and roll (+-3), radians."""
    equivalent = math.exp(rng.uniform(math.log(16), math.log(50)))
    pitch, roll = math.radians(rng.uniform(-5, 25)), math.radians(rng.uniform(-3, 3))
    return equivalent, rng.uniform(-math.pi, math.pi), pitch, roll


def panorama_views(path: Path, count: int, seed: int, width: int = 2000) -> Iterator[View]:
    """Views of one panorama through an ideal lens, 4:3."""
    panorama = load_panorama(path)
    rng = np.random.default_rng([seed, *path.stem.encode()])
    for _ in range(count):
        equivalent, yaw, pitch, roll = drawn(rng)
        camera = Camera.of(width, width * 3 // 4, equivalent * 17.3 / 36, 17.3)
        pose = Pose(yaw, pitch, roll)
        luma = np.ascontiguousarray(panorama_view(panorama, camera, pose) @ LUMINANCE)
        yield View(path.stem, f"{equivalent:.0f} mm", luma, camera, pose)


def exposure_for(scene: Church, body: SimulatedCamera, shot: Shot, pose: Pose) -> float:
    """Seconds that put the view's median luminance at an eighth of saturation."""
    small = Camera.of(160, 120, shot.focal_mm, body.sensor_mm[0])
    luminance = float(np.median(scene.render(small, pose).radiance @ LUMINANCE))
    return 0.125 / max(raw_fraction(luminance, shot.f_number, 1.0, shot.iso), 1e-9)


def church_views(count: int, seed: int) -> Iterator[View]:
    """20-megapixel raw frames of a modelled church, half size as the finisher takes them, noise and lens and all."""
    body, lens = SimulatedCamera(), Lens()
    rng = np.random.default_rng(seed)
    scene = Church(seed)
    made = 0
    while made < count:
        equivalent, yaw, pitch, roll = drawn(rng)
        f = scene.form
        place = (rng.uniform(-0.8, 0.8) * f.half, rng.uniform(0.1, 0.85) * f.length, rng.uniform(1.3, 1.75))
        pose = Pose(yaw, pitch, roll, place)
        iso = float(ISOS[made % len(ISOS)])
        focal = equivalent * 17.3 / 36
        shot = Shot(pose, focal, 5.6, 1 / 30, iso, None, shake_px=0.0)
        try:
            shot = Shot(pose, focal, 5.6, exposure_for(scene, body, shot, pose), iso, None, shake_px=0.5)
            frame = shoot(scene, shot, body, lens, seed * 1000 + made)
        except UserError:
            continue
        raw = frame.raw.astype(np.float32) - body.black
        luma = cv2.resize(raw, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) / body.range
        made += 1
        camera = body.intrinsics(focal, lens).scaled(0.5)
        yield View("church", f"{equivalent:.0f} mm ISO {iso:.0f}", luma, camera, pose)


def plain_vote(view: View) -> float:
    """Error in degrees of a plain answer, for scale: segments of an 8-bit picture and one robust vote of pairs."""
    small = cv2.resize(view.luma, (1000, 750), interpolation=cv2.INTER_AREA)
    eight = np.clip(255 * (small / np.percentile(small, 99)) ** (1 / 2.2), 0, 255).astype(np.uint8)
    found = cv2.createLineSegmentDetector().detect(eight)[0]
    if found is None:
        return 90.0
    ends = (found.reshape(-1, 2, 2).astype(float) + 0.5) * (view.camera.width / 1000) - 0.5
    ends = view.camera.ideal(ends)
    length = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    ends, length = ends[length > 40], length[length > 40]
    normal = np.cross(view.camera.directions(ends[:, 0]), view.camera.directions(ends[:, 1]))
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    steep = np.abs(normal[:, 1]) < 0.5
    normal, length = normal[steep], length[steep]
    if len(normal) < 2:
        return 90.0
    pairs = np.random.default_rng(1).integers(0, len(normal), (1000, 2))
    tries = np.cross(normal[pairs[:, 0]], normal[pairs[:, 1]])
    size = np.linalg.norm(tries, axis=1)
    tries = tries[size > 1e-3] / size[size > 1e-3, None]
    tries = tries[np.abs(tries[:, 1]) > 0.7]
    if not len(tries):
        return 90.0
    votes = (np.maximum(1 - (np.abs(tries @ normal.T) / math.radians(1)) ** 2, 0) * length).sum(axis=1)
    best = tries[int(np.argmax(votes))]
    return math.degrees(math.acos(min(1.0, abs(float(best @ view.pose.up)))))


@dataclass(frozen=True)
class Result:
    """What came of one view."""

    source: str
    error: float
    bound: float
    verdict: str
    plain: float
    seconds: float


def judged(view: View, show: bool) -> Result:
    """The view's error, bound, verdict, the plain vote's error and the time taken."""
    start = time.perf_counter()
    found = find_vertical(view.luma, view.camera)
    seconds = time.perf_counter() - start
    error = angle_between(found.up, np.asarray(view.pose.up))
    result = Result(view.source, error, found.bound_deg, found.verdict, plain_vote(view), seconds)
    if show:
        tilt = math.degrees(view.pose.pitch)
        print(
            f"  {view.source:26s} {view.label:16s} tilt {tilt:5.1f} error {error:6.3f} bound {found.bound_deg:6.3f} "
            f"{found.verdict:12s} plain {result.plain:6.3f}",
            flush=True,
        )
    return result


def table(title: str, results: list[Result], median: float, high: tuple[int, float]) -> None:
    """One line of figures for a group of views, beside what is asked."""
    if not results:
        print(f"{title:26s}    no views")
        return
    error, bound = (np.array([getattr(r, name) for r in results]) for name in ("error", "bound"))
    sure = np.array([r.verdict == "sure" for r in results])
    plain = np.array([r.plain for r in results])
    share, value = high
    wrong = float(np.mean(error[sure] > 1)) if sure.any() else 0.0
    votes = (
        f"plain vote {np.median(plain):.2f} / p90 {np.percentile(plain, 90):.2f}" if np.isfinite(plain).all() else ""
    )
    print(
        f"{title:26s} {len(results):4d} views  median {np.median(error):.3f} (asked {median})  "
        f"p{share} {np.percentile(error, share):.3f} (asked {value})  sure {sure.mean():.0%}  "
        f"sure but off > 1 deg {wrong:.1%}  bound holds {np.mean(error <= bound):.0%}  "
        f"median bound {np.median(bound):.3f}  {votes}"
    )


def from_truth(path: Path, count: int, seed: int) -> None:
    """How far from the truth the likeliest vertical of a view's straight edges lies, looked for from the truth on.

    No reading of these edges can be expected to do better: it tells views that have no upright edge from misses.
    """
    errors = []
    for view in panorama_views(path, count, seed):
        edges = find_segments(view.luma, view.camera)
        up = np.asarray(view.pose.up)
        errors.append(angle_between(fit(edges, axis_about(edges, up)).frame[0], up))
    print(
        f"{path.stem:26s} {count:4d} views, begun at the truth: median {np.median(errors):.3f}  "
        f"p90 {np.percentile(errors, 90):.3f}  within 0.6 degrees {np.mean(np.array(errors) < 0.6):.0%}"
    )


def joined(path: Path, count: int, seed: int, show: bool) -> list[Result]:
    """Three to six frames turned about one spot, 24 to 50 mm, lying over one another by two fifths, read together."""
    panorama = load_panorama(path)
    rng = np.random.default_rng([seed, 7, *path.stem.encode()])
    out = []
    for _ in range(count):
        equivalent, frames = math.exp(rng.uniform(math.log(24), math.log(50))), int(rng.integers(3, 7))
        _, yaw, pitch, _ = drawn(rng)
        camera = Camera.of(1600, 1200, equivalent * 17.3 / 36, 17.3)
        step = 0.6 * 2 * math.atan(18 / equivalent)
        hand = np.radians(rng.normal(0, (1.0, 1.2), (frames, 2)))
        poses = [Pose(yaw + k * step, pitch + hand[k, 0], hand[k, 1]) for k in range(frames)]
        planes = [np.ascontiguousarray(panorama_view(panorama, camera, pose) @ LUMINANCE) for pose in poses]
        start = time.perf_counter()
        found = find_vertical_together(planes, camera, [p.rotation @ poses[0].rotation.T for p in poses])
        seconds = time.perf_counter() - start
        error = angle_between(found.up, np.asarray(poses[0].up))
        out.append(Result(path.stem, error, found.bound_deg, found.verdict, math.nan, seconds))
        if show:
            print(f"  {path.stem:26s} {frames} x {equivalent:.0f} mm  error {error:.3f}  {found.reasons}", flush=True)
    return out


def speed(raw: Path, view: View, times: int = 7) -> None:
    """Median time of an upright on a 20-megapixel frame's half-size plane against LibRaw's AHD of the same frame."""
    own, ahd = [], []
    for _ in range(times):
        start = time.perf_counter()
        find_vertical(view.luma, view.camera)
        own.append(time.perf_counter() - start)
        with rawpy.imread(str(raw)) as handle:
            start = time.perf_counter()
            handle.postprocess(demosaic_algorithm=rawpy.DemosaicAlgorithm.AHD)
            ahd.append(time.perf_counter() - start)
    ratio = np.array(own) / np.array(ahd)
    print(
        f"time: {np.median(own):.2f} s (least {min(own):.2f}); AHD of the frame {np.median(ahd):.2f} s "
        f"(least {min(ahd):.2f}); ratio {np.median(ratio):.2f}"
    )


def one_frame(seed: int) -> None:
    """The speed table, on a frame of the modelled church written as DNG."""
    body, lens = SimulatedCamera(), Lens()
    scene = Church(seed)
    pose = Pose(0.1, math.radians(12), math.radians(1), (0.5, 0.4 * scene.form.length, 1.6))
    frame = shoot(scene, Shot(pose, 12.0, 5.6, 1 / 30, 1600.0, None, shake_px=0.5), body, lens, seed)
    raw = frame.raw.astype(np.float32) - body.black
    luma = cv2.resize(raw, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) / body.range
    view = View("church", "24 mm", luma, body.intrinsics(12.0, lens).scaled(0.5), pose)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "frame.dng"
        write_frame(frame, path)
        speed(path, view)


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--church", type=int, default=12, help="frames of the modelled church")
    parser.add_argument("--views", type=int, default=40, help="views of each panorama")
    parser.add_argument("--panoramas", default="", help="names, comma between; all by default")
    parser.add_argument("--joins", type=int, default=0, help="sets of turned frames of each panorama")
    parser.add_argument("--from-truth", action="store_true", help="also look for the vertical from the truth on")
    parser.add_argument("--folder", type=Path, default=PANORAMAS)
    parser.add_argument("--no-speed", action="store_true")
    parser.add_argument("--each", action="store_true", help="print every view")
    args = parser.parse_args()
    chosen = [name for name in args.panoramas.split(",") if name]
    paths = [
        p
        for p in sorted(args.folder.glob("*"))
        if p.suffix in (".hdr", ".exr") and (not chosen or any(p.name.startswith(name) for name in chosen))
    ]
    results: list[Result] = []
    for path in paths if args.views else []:
        part = [judged(view, args.each) for view in panorama_views(path, args.views, args.seed)]
        table(path.stem, part, 0.25, (90, 0.6))
        results += part
    if results:
        table("all panoramas", results, 0.25, (90, 0.6))
        table("of these, answered", [r for r in results if r.verdict != "cannot tell"], 0.25, (90, 0.6))
    for path in paths if args.from_truth else []:
        from_truth(path, args.views, args.seed)
    for path in paths if args.joins else []:
        table(f"{path.stem}, joins", joined(path, args.joins, args.seed, args.each), 0.25, (90, 0.6))
    if args.church:
        table("church", [judged(v, args.each) for v in church_views(args.church, args.seed)], 0.03, (95, 0.10))
    if not args.no_speed:
        one_frame(args.seed)


if __name__ == "__main__":
    main()
