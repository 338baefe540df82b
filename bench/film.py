"""The film measured: speed against the bare encoder, memory, motion, shimmer, the cost of holds.

    python bench/film.py [--seconds 60] [--only motion,shimmer,speed,pushes,holds,memory]

Every figure of speed is a ratio within one process; times alone mean little on a shared machine.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray

from clerestory import film
from clerestory.film.light import Renderer
from clerestory.film.model import Film, Shot, film_toml
from clerestory.film.moves import Framing, path_of
from clerestory.film.moves import Path as MovePath
from clerestory.film.parts import Coding
from clerestory.film.planes import PictureLevels

Floats = NDArray[np.float32]


def tracery(width: int, height: int) -> Floats:
    """A made picture with fine, sharp, regular and irregular detail, linear light, H x W x 3."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    wall = cv2.resize(rng.random((height // 8, width // 8)).astype(np.float32), (width, height))
    grain = cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), 1.1)
    out = 0.16 + 0.10 * wall + 0.07 * grain
    for cx, cy, r in ((0.25, 0.45, 0.20), (0.6, 0.35, 0.24), (0.85, 0.6, 0.16)):
        d = np.hypot(x - cx * width, y - cy * height) / (r * height)
        turn = np.arctan2(y - cy * height, x - cx * width)
        bars = (np.abs(np.sin(turn * 12)) * d < 0.05) | (np.abs((d * 6) % 1 - 0.5) < 0.06)
        out = np.where(d < 1, np.where(bars, 0.02, 0.75 + 0.2 * np.sin(turn * 5 + d * 9)), out)
    return np.repeat(np.clip(out, 0, 1).astype(np.float32)[..., None], 3, axis=2) * np.float32([1.0, 0.95, 0.85])


def visit_of(folder: Path, picture: Floats, shots: list[Shot]) -> Path:
    """A visit with one picture and a film of it."""
    (folder / "pictures").mkdir(parents=True)
    (folder / "film").mkdir()
    v = np.where(picture <= 0.0031308, 12.92 * picture, 1.055 * np.maximum(picture, 1e-9) ** (1 / 2.4) - 0.055)
    tifffile.imwrite(folder / "pictures" / "made.tif", np.round(v * 65535).astype(np.uint16), photometric="rgb")
    (folder / "film" / "film.toml").write_text(film_toml(Film(shots=shots)))
    return folder


def clocks() -> NDArray[np.float64]:
    """The wall clock and this process's processor time, seconds."""
    return np.array([time.perf_counter(), time.process_time()])


def bare_encoder(coding: Coding, picture: Floats, path: MovePath) -> NDArray[np.float64]:
    """Seconds, by the clock and of the processors, that the encoder alone takes over a move's frames.

    The frames are drawn ahead in lots, which is not counted.
    """
    renderer = Renderer(coding.width, coding.height, 2)
    source = renderer.settled(picture, path.start, path.end)
    lot = [av.VideoFrame(coding.width, coding.height, "yuv420p") for _ in range(250)]
    spent = np.zeros(2)
    with tempfile.TemporaryDirectory() as folder, av.open(f"{folder}/bare.mp4", "w") as container:
        stream = container.add_stream("libx264", rate=25, options=coding.options())
        stream.width, stream.height, stream.pix_fmt = coding.width, coding.height, "yuv420p"
        for begin in range(0, path.frames, len(lot)):
            count = min(len(lot), path.frames - begin)
            for i in range(count):
                renderer.video(source, path.at(begin + i), lot[i])
            begun = clocks()
            for i in range(count):
                lot[i].pts, lot[i].time_base = begin + i, Fraction(1, 25)
                container.mux(stream.encode(lot[i]))
            spent += clocks() - begun
        begun = clocks()
        container.mux(stream.encode())
        spent += clocks() - begun
    renderer.close()
    return spent


def speed(seconds: float, move: str) -> dict[str, float]:
    """A whole film of one pan or push, from TIFF to MP4, against the bare encoder on the same frames."""
    width, height = (7200, 2700) if move == "pan" else (5184, 2916)
    picture = tracery(width, height)
    shot = Shot(picture="made", move=move, seconds=seconds, join_seconds=0.08, settings=False)
    coding = Coding(1920, 1080)
    with tempfile.TemporaryDirectory() as folder:
        visit = visit_of(Path(folder) / "warm", picture, [shot.model_copy(update={"seconds": 2.0})])
        film.make(visit)
        visit = visit_of(Path(folder) / "visit", picture, [shot])
        begun = clocks()
        result = film.make(visit)
        whole = clocks() - begun
        bytes_ = result.film.stat().st_size
    path = path_of(shot, (width, height), (1920, 1080), round(seconds * 25))
    bare = bare_encoder(coding, picture, path)
    frames = result.length * 25
    return {
        "film seconds": result.length,
        "made at, frames a second": frames / whole[0],
        "bare encoder, frames a second": path.frames / bare[0],
        "share of the bare encoder's speed": frames / whole[0] / (path.frames / bare[0]),
        "the same by processor time": frames / whole[1] / (path.frames / bare[1]),
        "processor seconds a frame": whole[1] / frames,
        "Mbit a second": bytes_ * 8 / result.length / 1e6,
    }


def _peak(visit: Path) -> float:
    """Highest resident memory, MiB, of this process alone: getrusage would count the one that started it, too."""
    film.make(visit)
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024


def memory(seconds: float) -> dict[str, float]:
    """Peak memory of a short and a long film of 20-megapixel pictures, each made in a process of its own."""
    picture = tracery(5184, 2916)
    out = {}
    for move in ("push", "pan"):
        for length in (seconds / 4, seconds):
            with tempfile.TemporaryDirectory() as folder:
                shot = Shot(picture="made", move=move, seconds=4.0, settings=False)
                visit = visit_of(Path(folder) / "visit", picture, [shot] * round(length / 4))
                with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
                    out[f"peak MiB, film of {length:.0f} s, move {move}"] = pool.submit(_peak, visit).result()
    return out


def displacement(a: Floats, b: Floats) -> tuple[float, float]:
    """Sub-pixel shift from a to b (x, y): the slope of the cross-power spectrum's phase, weighted by its power."""
    window = np.outer(np.hanning(a.shape[0]), np.hanning(a.shape[1]))
    total = np.zeros(2)
    for _ in range(6):  # shift b back by what is found so far, and look again
        fy, fx = np.meshgrid(np.fft.fftfreq(a.shape[0]), np.fft.fftfreq(a.shape[1]), indexing="ij")
        turn = np.exp(2j * np.pi * (fx * total[0] + fy * total[1]))
        back = np.fft.ifft2(np.fft.fft2(b) * turn).real
        cross = np.conj(np.fft.fft2((a - a.mean()) * window)) * np.fft.fft2((back - back.mean()) * window)
        keep = (np.hypot(fx, fy) < 0.2) & (np.hypot(fx, fy) > 0.01)
        weight, phase = np.abs(cross[keep]), np.angle(cross[keep])
        basis = -2 * np.pi * np.stack([fx[keep], fy[keep]], axis=1)
        step = np.linalg.lstsq(basis * weight[:, None], phase * weight, rcond=None)[0]
        total += step
        if np.abs(step).max() < 1e-5:
            break
    return float(total[0]), float(total[1])


def rough_wall(width: int, height: int) -> Floats:
    """Detail that is alike everywhere, so that a patch's displacement is its centre's."""
    rng = np.random.default_rng(5)
    out = 0.5 + sum(
        0.5 * s * cv2.GaussianBlur(rng.standard_normal((height, width)).astype(np.float32), (0, 0), s)
        for s in (2.0, 4.0, 8.0)
    ).clip(-0.45, 0.45)
    return np.repeat(out.astype(np.float32)[..., None], 3, axis=2)


def motion() -> dict[str, float]:
    """Measured displacement between frames against the curve asked for: a pan, a tilt, and a push by patches."""
    picture = rough_wall(5184, 3456)
    renderer = Renderer(1920, 1080, 2)
    worst: dict[str, float] = {}
    cases = {
        "pan": (Shot(picture="x", move="pan", amount=1.3), 200),
        "tilt": (Shot(picture="x", move="tilt"), 330),
        "push": (Shot(picture="x", move="push", amount=1.3), 150),
    }
    for name, (shot, frames) in cases.items():
        path = path_of(shot, (5184, 3456), (1920, 1080), frames)
        source = renderer.settled(picture, path.start, path.end)
        errors = []
        for frame in (13, 16, 21, 33, 48, frames // 2, frames - 40, frames - 20, frames - 15):
            a, b = _grey(renderer, source, path.at(frame)), _grey(renderer, source, path.at(frame + 1))
            errors += _patch_errors(a, b, path.at(frame), path.at(frame + 1))
        worst[f"{name}: largest error, pixel"] = max(errors)
    renderer.close()
    return worst


def _grey(renderer: Renderer, source: PictureLevels, framing: Framing) -> Floats:
    out = np.empty((1080, 5760), np.float32)
    renderer.linear(source, framing, out)
    return out[:, 1::3].copy()


def _patch_errors(a: Floats, b: Floats, before: Framing, after: Framing) -> list[float]:
    """Distance between measured and asked displacement in six patches."""
    errors, side = [], 256
    for cy in (300, 760):
        for cx in (360, 960, 1560):
            patch = np.s_[cy - side // 2 : cy + side // 2, cx - side // 2 : cx + side // 2]
            found = displacement(a[patch], b[patch])
            asked = []
            for centre, start, size, start2, size2, count in (
                (cx, before.left, before.width, after.left, after.width, 1920),
                (cy, before.top, before.height, after.top, after.height, 1080),
            ):
                place = start + centre / count * size
                asked.append((place - start2) / size2 * count - centre)
            errors.append(float(np.hypot(found[0] - asked[0], found[1] - asked[1])))
    return errors


def zone_plate(side: int, rate: float) -> Floats:
    """0.5 + 0.5 cos(pi rate r^2), H x W x 3: at radius r there are rate * r cycles a pixel."""
    c = np.arange(side, dtype=np.float64) - side / 2 + 0.5
    stitched = 0.5 + 0.45 * np.cos(np.pi * rate * (c[:, None] ** 2 + c[None, :] ** 2))
    return np.repeat(stitched.astype(np.float32)[..., None], 3, axis=2)


def shimmer() -> dict[str, float]:
    """Energy in a moving zone plate that is not the plate's own motion, against a bicubic crop-and-resize.

    Where the plate is finer than the frame can hold, the ideal is even grey: any change there is shimmer. Where the
    frame can hold it, what is left of each pixel's course after fitting the plate's known motion is shimmer.
    """
    side, frames, size = 3240, 40, (640, 360)
    rate = 0.5 / (side / 2)  # reaches the picture's own limit at its edge
    stitched = zone_plate(side, rate)
    step, scale = 0.9, 4.0
    renderer = Renderer(*size, 2)
    begin = Framing(200.0, 900.0, size[0] * scale, size[1] * scale)
    source = renderer.settled(stitched, begin, replace(begin, left=300.0))
    ours, theirs, phases = [], [], []
    x = (np.arange(size[0]) + 0.5) * scale
    y = (np.arange(size[1]) + 0.5) * scale
    for t in range(frames):
        left, top = 200 + t * step * scale * 0.37, 900.0
        out = np.empty((size[1], 3 * size[0]), np.float32)
        renderer.linear(source, Framing(left, top, size[0] * scale, size[1] * scale), out)
        ours.append(out[:, 1::3].copy())
        crop = stitched[int(top) : int(top + size[1] * scale), int(left) : int(left + size[0] * scale), 1]
        theirs.append(cv2.resize(crop, size, interpolation=cv2.INTER_CUBIC))
        px, py = left + x - side / 2, top + y - side / 2
        phases.append(np.pi * rate * (px[None, :] ** 2 + py[:, None] ** 2))
    renderer.close()
    px, py = 200 + x - side / 2, 900 + y - side / 2
    fineness = rate * scale * np.hypot(px[None, :], py[:, None])  # cycles a frame pixel
    beyond, held = fineness > 0.62, (fineness > 0.05) & (fineness < 0.4)
    a, b = _shimmer(np.array(ours), np.array(phases), beyond, held), None
    b = _shimmer(np.array(theirs), np.array(phases), beyond, held)
    return {
        "too fine to show: ours": a[0], "too fine to show: bicubic": b[0],
        "fine enough: ours": a[1], "fine enough: bicubic": b[1],
        "all, ours to bicubic": (a[0] + a[1]) / (b[0] + b[1]),
    }  # fmt: skip


def _shimmer(
    frames: NDArray[np.float32], phases: NDArray[np.float64], beyond: NDArray[np.bool_], held: NDArray[np.bool_]
) -> tuple[float, float]:
    flicker = float(frames[:, beyond].var(axis=0).mean())
    picked = np.flatnonzero(held.ravel())[::37]
    left = []
    for at in picked:
        course, phase = frames.reshape(len(frames), -1)[:, at], phases.reshape(len(phases), -1)[:, at]
        basis = np.stack([np.ones_like(phase), np.cos(phase), np.sin(phase)], axis=1)
        rest = course - basis @ np.linalg.lstsq(basis, course, rcond=None)[0]
        left.append(float((rest**2).mean()))
    return flicker, float(np.mean(left))


def holds(seconds: float) -> dict[str, float]:
    """A held picture against the same picture panned, and a film made again with nothing changed."""
    picture = tracery(7200, 2700)
    took: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, move, length in (("pan", "pan", 1), ("hold", "hold", 1), ("long hold", "hold", 3)):
            shot = Shot(picture="made", move=move, seconds=length * seconds, join_seconds=0.08, caption="A caption")
            visit = visit_of(Path(folder) / name, picture, [shot])
            begun = clocks()[1]
            film.make(visit)
            took[name] = clocks()[1] - begun
        begun = clocks()[1]
        film.make(visit)
        took["again"] = clocks()[1] - begun
    return {
        "pan, processor seconds for one of film": took["pan"] / seconds,
        "hold, share of the pan": took["hold"] / took["pan"],
        "each further second of a hold, share of a panned one": (took["long hold"] - took["hold"]) / 2 / took["pan"],
        "nothing changed, share of the pan": took["again"] / took["pan"],
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--only", default="motion,shimmer,speed,pushes,holds,memory")
    asked = parser.parse_args()
    jobs = {
        "motion": motion,
        "shimmer": shimmer,
        "speed": lambda: speed(asked.seconds, "pan"),
        "pushes": lambda: speed(asked.seconds, "push"),
        "holds": lambda: holds(asked.seconds / 3),
        "memory": lambda: memory(asked.seconds),
    }
    for name in asked.only.split(","):
        print(name, json.dumps({k: float(f"{v:.4g}") for k, v in jobs[name]().items()}, indent=1), flush=True)


if __name__ == "__main__":
    main()
