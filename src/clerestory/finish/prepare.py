"""The inner loops that pictures pass through, compiled before the first is asked for, in two processes at once.

Numba compiles a loop when it is first called and keeps it beside the code or in the user's cache folder. Two workers
that begin on two views would each compile all of them; here two processes run parts of the way from frame to picture,
each by itself, on a frame too small to take time.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
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
from clerestory.merge.burst import merge_burst
from clerestory.raw.lens import LensCorrection
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.run.pool import beside, map_pool
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


NOISE = NoiseModel((0.5,) * 4, (4.5,) * 4)  # of the small frame
CAMERA = Camera.equivalent(SIZE[1], SIZE[0], 24.0)


def _source() -> Source:
    mosaic = _mosaic()
    info = FrameInfo(Path("small"), SIZE[1], SIZE[0], equivalent_mm=24.0, f_number=8.0, focal_mm=24.0, iso=800.0)
    return Source(info, LensCorrection(None, None, "none"), mosaic, noise=NOISE)


def before_colour() -> None:
    """Noise, defects, noise reduction."""
    mosaic = _mosaic()
    noise = fit_noise([mosaic])
    denoise_mosaic(correct_defects(mosaic, noise), noise)


def to_colour() -> None:
    """Demosaicing, highlights, colour."""
    light.full_size(_source(), (1.9, 1.0, 1.6), 0.0, "fast", lambda _: None)


def first_look() -> None:
    """Half size, white balance, edges, and what tone to give."""
    look(_source(), Recipe())


def to_picture() -> None:
    """Resampling, tone, sharpening, encoding."""
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    level = (0.02 + 0.1 * ((x // 32 % 2) ^ (y // 96 % 2)) + 4.0 * (x // 64 == 3) * (y < 200)).astype(np.float32)
    linear: NDArray[np.float32] = np.repeat(level[..., None], 3, 2)
    settings = tone.judge(linear)
    whole = Crop(0.0, 0.0, float(SIZE[1]), float(SIZE[0]), 1.0, {})
    shown = resample(linear, CAMERA, np.eye(3), whole, (SIZE[1], SIZE[0]))
    encode(sharpen(tone.apply(shown, settings, in_place=True), in_place=True))


def merging() -> None:
    """Laying frame on frame, and where they agree."""
    merge_burst(_mosaic(), [_mosaic], NOISE, CAMERA, lambda _: None)


PARTS: tuple[Callable[[], None], ...] = (before_colour, to_colour, merging, to_picture, first_look)
"""What is compiled in one process each, the longest first; every kernel stands in one of them alone, or nearly."""
HANDS = 2


def compile_part(which: int) -> None:
    """Compile one of the PARTS, in the process that calls it."""
    PARTS[which]()


def _mark(part: int) -> Path:
    """The note that a part is compiled: for this place, this interpreter, this compiler."""
    kept = os.environ.get("NUMBA_CACHE_DIR", "")
    here = digest_bytes(f"{Path(__file__).parent} {sys.version} {numba.__version__} {kept}".encode())
    return cache_folder() / f"prepared-{__version__}-{here[:8]}-{PARTS[part].__name__}"


def _wanting(merged: bool) -> list[int]:
    """Parts still to be compiled; `merged`: of pictures of several frames, too."""
    parts = [k for k, part in enumerate(PARTS) if merged or part is not merging]
    return [k for k in parts if not _mark(k).exists()]


def _note(parts: list[int]) -> None:
    """Note what is done; without the note the word is said again."""
    with contextlib.suppress(OSError):
        for mark in map(_mark, parts):
            mark.parent.mkdir(parents=True, exist_ok=True)
            mark.touch()


def prepare(on_progress: OnProgress = quiet, merged: bool = False) -> None:
    """Compile what a picture needs, once on a computer; says so through `on_progress`. Never fails: what it leaves
    undone is compiled when it is called. `merged`: also what a picture of several frames needs."""
    parts = _wanting(merged)
    if not parts:
        return
    on_progress(FIRST_TIME, 0, None)
    outcomes = map_pool(compile_part, [(k,) for k in parts], min(HANDS, len(parts)))
    _note([parts[outcome.index] for outcome in outcomes if not outcome.reason])


@contextlib.contextmanager
def preparing() -> Iterator[None]:
    """Compile all of it in one process beside what the caller does meanwhile; ends when both have."""
    parts = _wanting(merged=True)
    if not parts:
        yield
        return
    with beside(compile_part, [(k,) for k in parts], 1) as all_done:
        yield
    if all_done():
        _note(parts)
