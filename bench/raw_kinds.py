"""What becomes of every kind of raw file: simulated ones against their truth, and a folder of real ones.

python bench/raw.py --patterns            each form of raw at equal light, beside Bayer
python bench/raw.py --folder FOLDER       every raw file below a folder: finished or refused, and why
"""

from __future__ import annotations

import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.pose import Pose
from clerestory.develop.defects import open_corrected
from clerestory.errors import UserError
from clerestory.finish import source as light
from clerestory.finish.pipeline import look, pictures
from clerestory.finish.recipe import Recipe
from clerestory.raw.read import RAW_SUFFIXES
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame

FORMS = ("bayer", "mono", "linear", "6x6")
POSE = Pose(0.05, 0.16, 0.03, (0.2, 3.0, 1.6))
SHOTS = ((800.0, 1 / 15), (6400.0, 1 / 120))
BORDER = 24


def quality(rgb: NDArray[np.float32], truth: NDArray[np.float32]) -> float:
    """Peak signal to noise, dB, of square-rooted linear colour."""
    height, width = (min(a, b) for a, b in zip(rgb.shape[:2], truth.shape[:2], strict=True))
    cut = slice(BORDER, height - BORDER), slice(BORDER, width - BORDER)
    a, b = (np.sqrt(np.clip(v[cut], 0, 1)) for v in (rgb, truth))
    return float(-10 * np.log10(np.mean((a - b) ** 2)))


def developed(path: Path, denoise: float, quality: light.Quality = "fast") -> NDArray[np.float32]:
    """A frame's linear working RGB."""
    source = light.read_source(path)
    assert source.mosaic is not None and source.mosaic.as_shot is not None
    return light.full_size(source, source.mosaic.as_shot, denoise, quality, lambda _: None)


def patterns(width: int) -> Iterator[str]:
    """A line for each form and ISO: off the true noise, off the true vertical, quality with and without reduction."""
    yield f"{'form':8} {'ISO':>5} {'gain off':>9} {'vertical off':>14} {'as is':>8} {'reduced':>8} {'look':>7}"
    body = SimulatedCamera(width=width, height=width * 3 // 4)
    # The same light without noise, three values a pixel: what every form should come to.
    ideal = replace(body, full_well=2.55e8, read_electrons=0.0, read_units=0.0)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.dng"
        for iso, seconds in SHOTS:
            shot = Shot(POSE, 12, 5.6, seconds, iso, shake_px=0.3)
            for form in FORMS:
                filters = "linear" if form != "mono" else "mono"
                write_frame(shoot(Church(1), shot, replace(ideal, filters=filters), Lens(), seed=5), path)
                truth = developed(path, 0.0)
                frame = shoot(Church(1), shot, replace(body, filters=form), Lens(), seed=5)
                write_frame(frame, path)
                noise = open_corrected(path).noise
                off = noise.gain[1] / frame.truth["noise"]["gain"][1] - 1 if noise else float("nan")
                start = time.perf_counter()
                found = look(light.read_source(path), Recipe()).vertical
                spent = time.perf_counter() - start
                up = np.array(frame.truth["up"])
                error = np.degrees(np.arccos(min(1.0, abs(float(np.dot(found.up, up))))))
                plain, clean = (quality(developed(path, share), truth) for share in (0.0, 1.0))
                yield (
                    f"{form:8} {iso:5.0f} {100 * off:+8.1f}% {error:6.2f} (±{found.bound_deg:4.2f}) "
                    f"{plain:7.2f} {clean:8.2f} {spent:6.1f}s"
                )


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


def print_tables(by_pattern: bool, below: Path | None, width: int = 1296) -> None:
    """Print the tables asked for."""
    for table in [patterns(width)] * by_pattern + ([folder(below)] if below else []):
        for line in table:
            print(line, flush=True)
