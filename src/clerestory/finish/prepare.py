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


def _source() -> Source:
    mosaic = _mosaic()
    info = FrameInfo(Path("small"), SIZE[1], SIZE[0], equivalent_mm=24.0, f_number=8.0, focal_mm=24.0, iso=800.0)
    return Source(info, LensCorrection(None, None, "none"), mosaic, noise=NoiseModel((0.5,) * 4, (4.5,) * 4))


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
    camera = Camera.equivalent(SIZE[1], SIZE[0], 24.0)
    whole = Crop(0.0, 0.0, float(SIZE[1]), float(SIZE[0]), 1.0, {})
    shown = resample(linear, camera, np.eye(3), whole, (SIZE[1], SIZE[0]))
    encode(sharpen(tone.apply(shown, settings, in_place=True), in_place=True))


def merging() -> None:
    """Laying frame on frame, and where they agree."""
    noise = NoiseModel((0.5,) * 4, (4.5,) * 4)
    merge_burst(_mosaic(), [_mosaic], noise, Camera.equivalent(SIZE[1], SIZE[0], 24.0), lambda _: None)


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


PARTS: tuple[Callable[[], None], ...] = (before_colour, to_colour, merging, to_picture, first_look)
"""What is compiled in one process each, the longest first; every kernel stands in one of them alone, or nearly."""
HANDS = 2


def compile_part(which: int) -> None:
    """Compile one of the PARTS, in the process that calls it."""
    PARTS[which]()


def _mark() -> Path:
    """The note that this computer is prepared: for this place, this interpreter, this compiler."""
    kept = os.environ.get("NUMBA_CACHE_DIR", "")
    here = digest_bytes(f"{Path(__file__).parent} {sys.version} {numba.__version__} {kept}".encode())
    return cache_folder() / f"prepared-{__version__}-{here[:8]}"


def _tasks(merged: bool) -> list[tuple[int]]:
    return [(k,) for k, part in enumerate(PARTS) if merged or part is not merging]


def _note(merged: bool) -> None:
    """Note what is done; without the note the word is said again."""
    mark = _mark()
    with contextlib.suppress(OSError):
        mark.parent.mkdir(parents=True, exist_ok=True)
        for each in (mark, mark.with_name(f"{mark.name}-merged")) if merged else (mark,):
            each.touch()


def _noted(merged: bool) -> bool:
    mark = _mark()
    return (mark.with_name(f"{mark.name}-merged") if merged else mark).exists()


def prepare(on_progress: OnProgress = quiet, merged: bool = False) -> None:
    """Compile what a picture needs, once on a computer; says so through `on_progress`. Never fails: what it leaves
    undone is compiled when it is called. `merged`: also what a picture of several frames needs."""
    if _noted(merged):
        return
    tasks = [(PARTS.index(merging),)] if merged and _noted(False) else _tasks(merged)
    on_progress(FIRST_TIME, 0, None)
    reasons = [outcome.reason for outcome in map_pool(compile_part, tasks, min(HANDS, len(tasks)))]
    if not any(reasons):
        _note(merged)


@contextlib.contextmanager
def preparing() -> Iterator[None]:
    """Compile all of it in one process beside what the caller does meanwhile; ends when both have."""
    if _noted(True):
        yield
        return
    with beside(compile_part, _tasks(True), 1) as all_done:
        yield
    if all_done():
        _note(True)
