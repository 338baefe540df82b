"""What becomes of every kind of raw file: simulated ones against their truth, and a folder of real ones.

python bench/raw.py --patterns            each form of raw at equal light, beside Bayer
python bench/raw.py --folder FOLDER       every raw file below a folder: finished or refused, and why
"""

from __future__ import annotations

import math
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose, vector_of
from clerestory.develop.colour import LUMINANCE, balanced_values
from clerestory.develop.defects import measured
from clerestory.develop.demosaic import demosaic, signal_of
from clerestory.develop.wide_demosaic import CELL
from clerestory.errors import UserError
from clerestory.finish import source as light
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
from clerestory.finish.sources import source_of
from clerestory.raw.frame import open_frame
from clerestory.raw.group import View
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import Mosaic
from clerestory.raw.suffixes import RAW_SUFFIXES
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.panorama import load_panorama
from clerestory.simulate.scene import Church, Rendered, Visitor
from clerestory.simulate.shoot import Shot, shoot, write_frame

FORMS = ("bayer", "mono", "linear", "6x6")
POSE = Pose(0.05, 0.16, 0.03, (0.2, 3.0, 1.6))
SHOTS = ((800.0, 1 / 15), (6400.0, 1 / 120))
BORDER = 24
JOINS = 24


def quality(rgb: NDArray[np.float32], truth: NDArray[np.float32]) -> float:
    """Peak signal to noise, dB, of square-rooted linear colour."""
    height, width = (min(a, b) for a, b in zip(rgb.shape[:2], truth.shape[:2], strict=True))
    cut = slice(BORDER, height - BORDER), slice(BORDER, width - BORDER)
    a, b = (np.sqrt(np.clip(v[cut], 0, 1)) for v in (rgb, truth))
    return float(-10 * np.log10(np.mean((a - b) ** 2)))


@dataclass
class Remembered:
    """A scene whose pictures are kept: every form photographs the same."""

    scene: Church
    kept: dict[str, Rendered] = field(default_factory=dict)

    def render(self, camera: Camera, pose: Pose, **how: Any) -> Rendered:
        """As the scene renders it."""
        key = repr((camera, pose, sorted(how.items())))
        if key not in self.kept:
            self.kept[key] = self.scene.render(camera, pose, **how)
        return self.kept[key]


class Cards:
    """Neutral cards of rising luminance side by side, blurred into each other: what noise is told from."""

    def render(self, camera: Camera, pose: Pose, **_: Any) -> Rendered:
        """The cards, whatever the pose."""
        level = 1.5 * 2.0 ** (np.arange(camera.width) * 14 // camera.width / 2)
        across = cv2.GaussianBlur(np.tile(level, (2, 1)), (0, 0), 6)[0]
        light = np.broadcast_to(across[None, :, None], (camera.height, camera.width, 3)).astype(np.float32)
        depth = np.full(light.shape[:2], 10, np.float32)
        return Rendered(np.ascontiguousarray(light), depth, np.zeros(light.shape[:2], bool))


@dataclass
class Bench:
    """One form's frames of one church, photographed on demand into a folder."""

    scene: Remembered | Cards
    body: SimulatedCamera
    folder: Path
    count: int = 0

    def ideal(self) -> Bench:
        """The same without noise."""
        clean = replace(self.body, full_well=2.55e8, read_electrons=0.0, read_units=0.0)
        return replace(self, body=clean)

    def path(self, shot: Shot, seed: int) -> Path:
        """A frame, written."""
        self.count += 1
        path = self.folder / f"{self.body.full_well:.0f}-{self.count}.dng"
        self.frame = shoot(self.scene, shot, self.body, Lens(), seed=seed)
        write_frame(self.frame, path)
        return path

    def light(self, source: light.Source, denoise: float = 0.0) -> NDArray[np.float32]:
        """Linear working RGB, as recorded."""
        balance = (1.0, 1.0, 1.0)
        if source.mosaic is not None and source.mosaic.as_shot is not None:
            balance = source.mosaic.as_shot
        return light.full_size(source, balance, denoise, "fast", lambda _: None)

    def merged(self, kind: str, paths: Sequence[Path]) -> light.Source:
        """A view of these frames."""
        found = source_of(View("v", kind, tuple(paths), paths[0], ""))  # type: ignore[arg-type]
        assert "refused" not in found.record, found.record
        return found


BASE = Shot(POSE, 12, 5.6, 1 / 60, 1600, shake_px=0.0, focus_m=None)
WALKING = (
    Visitor(-2.5, 13, heading=math.pi / 2, speed=0.55),
    Visitor(1.8, 16, heading=-1.4, speed=0.5, coat=(0.3, 0.28, 0.25)),
)


def held(k: int, reach: float = 0.004) -> Pose:
    """A pose by hand, the first the usual."""
    rng = np.random.default_rng(50 + k)
    yaw, pitch, roll, x, y, z = rng.uniform(-1, 1, 6) * (k > 0)
    at = POSE.position
    moved = (at[0] + reach * x, at[1] + reach * y, at[2] + reach * z)
    return Pose(POSE.yaw + 0.03 * yaw, POSE.pitch + 0.03 * pitch, POSE.roll + 0.01 * roll, moved)


def spread(a: NDArray[np.float32], b: NDArray[np.float32], where: NDArray[np.bool_]) -> float:
    """Noise of one of two pictures of the same light: their difference's, robustly, in luminance."""
    apart = ((a - b) @ LUMINANCE.astype(np.float32))[where]
    return float(np.median(np.abs(apart - np.median(apart)))) * 1.4826 / math.sqrt(2)


def stone(truth: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Away from the frame's edges and from what is nearly clipped."""
    near = cv2.dilate((truth.max(axis=2) > 0.7).astype(np.uint8), np.ones((25, 25), np.uint8)) == 0
    near[:BORDER], near[-BORDER:], near[:, :BORDER], near[:, -BORDER:] = False, False, False, False
    return np.asarray(near & (truth.max(axis=2) > 0.002))


def verticals(bench: Bench) -> dict[str, float]:
    """Root mean square error over eight frames, degrees."""
    errors = []
    for k in range(8):
        shot = replace(BASE, pose=replace(held(k), roll=0.03 - 0.01 * k), iso=(800.0, 6400.0)[k % 2],
                       seconds=(1 / 15, 1 / 120)[k % 2])  # fmt: skip
        found = look(light.read_source(bench.path(shot, 20 + k)), Recipe()).vertical
        up = np.array(bench.frame.truth["up"])
        errors.append(np.degrees(np.arccos(min(1.0, abs(float(np.dot(found.up, up)))))))
    return {"vertical, degrees": float(np.sqrt(np.mean(np.square(errors))))}


def noise_told(bench: Bench) -> dict[str, float]:
    """The model from four still frames of grey cards, against the true one, percent."""
    bench = replace(bench, scene=Cards())
    shot = replace(BASE, iso=800.0, seconds=1 / 60)
    read = [measured(open_frame(bench.path(shot, 30 + k)).mosaic) for k in range(4)]
    found, true = fit_noise(read), bench.frame.truth["noise"]
    gain = max(abs(a / b - 1) for a, b in zip(found.gain, true["gain"], strict=True))
    foot = max(abs(a / b - 1) for a, b in zip(found.read, true["read"], strict=True))
    return {"gain off, % (3)": 100 * gain, "read noise off, % (8)": 100 * foot}


def noise_reduced(bench: Bench) -> dict[str, float]:
    """What noise reduction gains, dB, against the same light without noise and filters."""
    out = {}
    whole = replace(bench.body, filters="mono" if bench.body.filters == "mono" else "linear")
    for iso, seconds in SHOTS:
        shot = replace(BASE, iso=iso, seconds=seconds)
        ideal = replace(bench, body=whole).ideal()
        truth = ideal.light(light.read_source(ideal.path(shot, 5)))
        source = light.read_source(bench.path(shot, 5))
        plain, clean = (quality(bench.light(source, share), truth) for share in (0.0, 1.0))
        out[f"as it is, ISO {iso:.0f}, dB"], out[f"noise reduced by, ISO {iso:.0f}, dB"] = plain, clean - plain
    return out


def gained(bench: Bench, kind: str, shots: Sequence[Shot]) -> tuple[float, light.Source]:
    """Noise of one frame over that of a merge, dB, by two sets that differ in nothing else."""
    lone, done = [], []
    for seed in (100, 200):
        paths = [bench.path(shot, seed + k) for k, shot in enumerate(shots)]
        lone.append(bench.light(light.read_source(paths[0])))
        source = bench.merged(kind, paths)
        done.append(bench.light(source))
    where = stone(lone[0])
    if kind == "bracket":
        dark = lone[0].max(axis=2)
        where &= dark < np.median(dark[where])
        # A bracket that reaches higher is written with more room above: the same light is a smaller number.
        done = [d * np.float32(np.median(lone[0][where]) / np.median(d[where])) for d in done]
    return 20 * math.log10(spread(lone[0], lone[1], where) / spread(done[0], done[1], where)), source


def merges(bench: Bench) -> dict[str, float]:
    """Bursts and brackets: noise gained, dB."""
    burst = [replace(BASE, pose=held(k)) for k in range(4)]
    stepped = [replace(BASE, pose=held(k), seconds=BASE.seconds * step) for k, step in enumerate((1.0, 0.25, 4.0))]
    return {
        "burst of 4, dB": gained(bench, "burst", burst)[0],
        "bracket of 3, shade, dB": gained(bench, "bracket", stepped)[0],
    }


def cleared(bench: Bench) -> dict[str, float]:
    """Visitors: of what the first frame shows of them, the share that goes."""
    shots = [replace(BASE, pose=held(k), visitors=WALKING, clock=2.0 * k) for k in range(5)]
    paths = [bench.path(shot, 300 + k) for k, shot in enumerate(shots)]
    empty = bench.light(light.read_source(bench.ideal().path(replace(shots[0], visitors=()), 300)))
    there = bench.ideal()
    seen = bench.light(light.read_source(there.path(shots[0], 300)))
    done = bench.light(bench.merged("clear", paths))
    people = there.frame.rendered.visitors[: seen.shape[0], : seen.shape[1]]
    people = cv2.erode(people.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0
    figure = np.sqrt(np.clip(seen, 0, 1)) - np.sqrt(np.clip(empty, 0, 1))
    left = np.sqrt(np.clip(done, 0, 1)) - np.sqrt(np.clip(empty, 0, 1))
    share = float((left * figure)[people].sum() / (figure**2)[people].sum())
    return {"visitors taken out, %": 100 * (1 - abs(share))}


def joined(bench: Bench) -> dict[str, float]:
    """Three frames turned about one spot, JOINS times from another direction: how far their turns are off, pixels,
    root mean square and median."""
    off = []
    for n in range(JOINS):
        yaw, pitch, roll = np.random.default_rng(n).uniform(-1, 1, 3) * (n > 0)
        poses = [replace(POSE, yaw=POSE.yaw + 0.25 * yaw + 0.45 * k, pitch=0.1 + 0.05 * pitch, roll=0.02 * roll)
                 for k in (-1, 0, 1)]  # fmt: skip
        paths = [bench.path(replace(BASE, pose=pose), 400 + 10 * n + k) for k, pose in enumerate(poses)]
        turns = [np.array(r) for r in bench.merged("panorama", paths).record["rotations"]]
        for k in (0, 2):
            true = poses[k].rotation @ poses[1].rotation.T
            off.append(float(np.linalg.norm(vector_of(turns[k] @ turns[1].T @ true.T))))
    pixels = bench.body.intrinsics(12).focal * np.array(off)
    return {
        "join: turn off, px": float(np.sqrt(np.mean(pixels**2))),
        "join: the same, median": float(np.median(pixels)),
    }


PARTS = (verticals, noise_told, noise_reduced, merges, cleared, joined)
LESS_IS_BETTER = ("vertical", "gain off", "read noise", "join")
# Below these nobody sees a difference, whatever the ratio: degrees, percent as the noise fit is asked for, pixels.
GOOD_ENOUGH = {"vertical": 0.1, "gain off": 3.0, "read noise": 8.0, "join": 0.5}


def holds(name: str, value: float, bayer: float) -> bool:
    """Whether a figure is within 10 % of Bayer's, or better."""
    if name.startswith(LESS_IS_BETTER):
        enough = next(v for k, v in GOOD_ENOUGH.items() if name.startswith(k))
        return value <= max(1.1 * bayer, enough)
    return value >= 0.9 * bayer


def patterns(width: int) -> Iterator[str]:
    """A line for each figure: each form's at equal light, and which are more than 10 % worse than Bayer's."""
    scene = Remembered(Church(1))
    yield f"{width} x {width * 3 // 4} pixels\n{'':26}" + "".join(f"{form:>12}" for form in FORMS)
    for part in PARTS:
        rows: dict[str, list[float]] = {}
        for form in FORMS:
            body = SimulatedCamera(width=width, height=width * 3 // 4, filters=form)  # type: ignore[arg-type]
            with tempfile.TemporaryDirectory() as folder:
                for name, value in part(Bench(scene, body, Path(folder))).items():
                    rows.setdefault(name, []).append(value)
        for name, values in rows.items():
            digits = 3 if name.startswith("join") else 2
            told = [f"{v:.{digits}f}{' ' if holds(name, v, values[0]) else '!'}" for v in values]
            yield f"{name:26}" + "".join(f"{t:>12}" for t in told)
    yield "!: more than 10 % worse than Bayer's"


def folder(root: Path) -> Iterator[str]:
    """A line for each raw file: how it is held, what it took, or why it is refused."""
    counts = {"finished": 0, "refused": 0, "FAULT": 0}
    for path in sorted(p for p in root.rglob("*") if p.suffix.lower() in RAW_SUFFIXES | {".gpr", ".cam"}):
        start = time.perf_counter()
        try:
            source = light.read_source(path)
            made = pictures(look(source, Recipe()), Recipe(), (None,), long_edge=1600)[0]
            form = source.mosaic.form if source.mosaic is not None else "picture"
            what, told = "finished", f"{form}, {made.rgb.shape[1]} x {made.rgb.shape[0]}; {'; '.join(source.remarks)}"
        except UserError as problem:
            what, told = "refused", str(problem).removeprefix(f"{path}: ")
        except Exception as problem:
            what, told = "FAULT", f"{type(problem).__name__}: {problem}"
        counts[what] += 1
        yield f"{what:8} {time.perf_counter() - start:5.1f}s  {path.name}: {told}"
    yield ", ".join(f"{n} {what}" for what, n in counts.items())


def six_by_six() -> Iterator[str]:
    """A line for each picture without noise: PSNR, dB, of LibRaw's demosaics of a 6 x 6 pattern and of ours.

    The panoramas of Poly Haven (CC0), scikit-image's photographs, the modelled church of seed 1, and open raw frames
    developed and halved; none was seen when our weights were made. Small ones are mirrored, since below 512 pixels
    LibRaw works linearly.
    """
    from raw import BALANCE, BLACK, WHITE, pictures, shown

    found = pictures()
    for path in sorted(Path("../shared/data/panoramas").glob("*_1k.*")):
        panorama = load_panorama(path)[96:-96]
        found[path.stem.split("_")[0]] = np.asarray(panorama * 0.18 / np.median(panorama), np.float32)
    for path in sorted(Path("../shared/data/raws").glob("*.CRW")):
        source = light.read_source(path)
        halved = light.balanced_half(light.half_size(source), source, source.mosaic.as_shot or (1.0, 1.0, 1.0))
        found[path.stem] = np.ascontiguousarray(halved)
    balance, ways = np.array(BALANCE, np.float32), ("one pass", "ahd", "directional")
    yield f"{'':14}{'LibRaw, 1':>10}{'LibRaw, 3':>10}{'ours':>10}"
    rows = []
    for name, picture in found.items():
        seen = np.minimum(picture, balance)
        for axis in (0, 1):
            while seen.shape[axis] < 520:
                seen = np.concatenate([seen, np.flip(seen, axis)], axis=axis)
        height, width = (n // 12 * 12 for n in seen.shape[:2])
        seen = seen[:height, :width]
        filters = np.tile(CELL, (height // 6, width // 6)).astype(int)
        values = np.take_along_axis(seen / balance, filters[..., None], 2)[..., 0] * (WHITE - BLACK) + BLACK
        raw, levels = np.clip(np.rint(values), 0, WHITE).astype(np.uint16), (np.full(4, BLACK), np.full(4, WHITE))
        mosaic = Mosaic(raw[:96, :96], np.array([[0, 1], [3, 2]], np.int8), *levels, BALANCE, BALANCE, None,
                        form="6x6", whole=raw, pattern=CELL)  # fmt: skip
        made = [balanced_values(demosaic(signal_of(mosaic), mosaic, BALANCE, way)) for way in ways]
        rows.append([float(-10 * np.log10(np.mean((shown(seen) - shown(rgb)) ** 2))) for rgb in made])
        yield f"{name:14}" + "".join(f"{v:>10.2f}" for v in rows[-1])
    yield f"{'mean':14}" + "".join(f"{v:>10.2f}" for v in np.mean(rows, axis=0))


def print_tables(by_pattern: bool, below: Path | None, width: int = 1296) -> None:
    """Print the tables asked for."""
    for table in [six_by_six(), patterns(width)] * by_pattern + ([folder(below)] if below else []):
        for line in table:
            print(line, flush=True)
