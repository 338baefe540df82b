"""The inner loops that pictures pass through, compiled before the first is asked for, in two processes at once.

Numba compiles a loop when it is first called and keeps it beside the code or in the user's cache folder. Two workers
that begin on two views would each compile all of them; here each of two processes runs one half of the way from frame
to picture on a frame too small to take time.
"""

from __future__ import annotations

import contextlib
import sys
from pathlib import Path

import numba
import numpy as np
from numpy.typing import NDArray

from clerestory import __version__
from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop
from clerestory.camera.noise import NoiseModel
from clerestory.develop.colour import encode
from clerestory.develop.defects import correct_defects
from clerestory.develop.denoise import denoise_mosaic
from clerestory.files.places import cache_folder
from clerestory.files.store import digest_bytes
from clerestory.finish import source as light
from clerestory.finish import tone
from clerestory.finish.pipeline import look
from clerestory.finish.recipe import Recipe
from clerestory.finish.resample import resample
from clerestory.finish.sharpen import sharpen
from clerestory.finish.source import Source
from clerestory.raw.lens import LensCorrection
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.run.pool import map_pool
from clerestory.run.progress import OnProgress, quiet

FIRST_TIME = "First time on this computer: preparing, about a quarter of a minute"
SIZE = 384, 512  # of the small frame, rows and columns: enough tiles for the noise to be fitted


def _mosaic() -> Mosaic:
    """A frame of squares, light and dark, a few of them clipped, with noise; the same at every call."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    light = 200 + 1500 * ((x // 32 % 2) ^ (y // 96 % 2)) + 30000 * (x // 64 == 3) * (y < 200) + y
    noise = np.random.default_rng(5).normal(0, 1, SIZE) * np.sqrt(0.5 * light + 20)
    raw = np.clip(512 + light + noise, 0, 16383).astype(np.uint16)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    return Mosaic(raw, cfa, np.full(4, 512.0), np.full(4, 16383.0), (1.9, 1.0, 1.6), None, None)


def _source() -> Source:
    mosaic = _mosaic()
    info = FrameInfo(Path("small"), SIZE[1], SIZE[0], equivalent_mm=24.0, f_number=8.0, focal_mm=24.0, iso=800.0)
    return Source(info, LensCorrection(None, None, "none"), mosaic, noise=NoiseModel((0.5,) * 4, (4.5,) * 4))


def first_half() -> None:
    """What comes before colour: noise, defects, noise reduction."""
    mosaic = _mosaic()
    noise = fit_noise([mosaic])
    denoise_mosaic(correct_defects(mosaic, noise), noise)


def second_half() -> None:
    """The rest: edges, demosaicing, highlights, colour, resampling, tone, sharpening, encoding."""
    source = _source()
    seen = look(source, Recipe())
    full: NDArray[np.float32] = light.full_size(source, (1.9, 1.0, 1.6), 0.0, "fast", lambda _: None)
    camera = Camera.equivalent(SIZE[1], SIZE[0], 24.0)
    whole = Crop(0.0, 0.0, float(SIZE[1]), float(SIZE[0]), 1.0, {})
    shown = resample(full, camera, np.eye(3), whole, (SIZE[1], SIZE[0]))
    encode(sharpen(tone.apply(shown, seen.settings, seen.noise, in_place=True), in_place=True))


HALVES = 2


def compile_half(which: int) -> None:
    """Compile one of the HALVES, in the process that calls it."""
    (first_half, second_half)[which]()


def prepare(on_progress: OnProgress = quiet) -> None:
    """Compile what a picture needs, once on a computer; says so through `on_progress`. Never fails: what it leaves
    undone is compiled when it is called."""
    here = digest_bytes(f"{Path(__file__).parent} {sys.version} {numba.__version__}".encode())
    mark = cache_folder() / f"prepared-{__version__}-{here[:8]}"
    if mark.exists():
        return
    on_progress(FIRST_TIME, 0, None)
    reasons = [outcome.reason for outcome in map_pool(compile_half, [(k,) for k in range(HALVES)], HALVES)]
    if not any(reasons):
        with contextlib.suppress(OSError):  # a note to ourselves; without it the word is said again
            mark.parent.mkdir(parents=True, exist_ok=True)
            mark.touch()
