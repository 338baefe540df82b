"""The picture exactly as it will be written, at full size, while a view is being finished.

A process of its own keeps the last view developed: at full size, then straightened. A tone control that moves needs
only toning and sharpening again, a crop one resampling more. What comes out is the export's own JPEG, decoded: what
the page shows is what the file has, pixel for pixel; at smaller scales it is that picture averaged down.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory import __version__
from clerestory.errors import UserError
from clerestory.files.store import replace as put_in_place
from clerestory.finish import tone, write
from clerestory.finish.job import Job
from clerestory.finish.pipeline import Seen, Straight, asked, developed, effort, laid, look, mended, mends, shown
from clerestory.finish.recipe import Recipe
from clerestory.finish.source import Source
from clerestory.finish.sources import source_of
from clerestory.visit.folder import VisitFolder

TILE = 512  # pixels along a tile's side, at any scale
COARSEST = 5  # halvings of the picture at most
KEPT = 3  # proofs kept, some 60 MB each at 20 megapixels
# Settings that a first look does not depend on. With a swing set, none is sought to be offered.
SEEN_WITHOUT = {**dict.fromkeys(("exposure", "window_hold", "shade_lift", "local_contrast", "toning", "denoise",
                                 "crop", "crop_size", "aspect", "pick")), "swing": 0.0, "touches": ()}  # fmt: skip
T = TypeVar("T")


class SourceWanted(Exception):  # noqa: N818 - a question, not a mistake
    """The view has several frames, and this process does not hold them put together."""


def key_of(job: Job) -> str:
    """Fingerprint of everything the pixels of a job's picture depend on; 24 hexadecimal digits."""
    stamp = [(p.name, p.stat().st_size, p.stat().st_mtime_ns) for p in job.view.frames]
    order = job.order
    text = json.dumps([__version__, stamp, job.view.pick.name, job.view.kind, job.recipe.digest(),
                       order.aspects[:1], order.space, order.quality, order.long_edge])  # fmt: skip
    return hashlib.blake2b(text.encode(), digest_size=12).hexdigest()


@dataclass
class _Kept:
    """One thing made, and from what."""

    key: Hashable = None
    value: Any = None

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        if self.key != key:
            self.key, self.value = None, None  # let go before the next is made
            value = make()
            self.key, self.value = key, value
        found: T = self.value
        return found


_SOURCE, _SEEN, _FULL, _MENDED, _STRAIGHT = (_Kept() for _ in range(5))


def prove(visit: VisitFolder, job: Job, source: Source | None) -> str:
    """Make a job's proof, or find it made; returns its key. Runs in the process that keeps the last view developed.

    `source`: the light of a view of several frames. Raises SourceWanted where it is needed and not given.
    """
    key = key_of(job)
    out = kept_at(visit, key)
    if not out.exists():
        pixels = decoded(_bytes(job, source))
        out.parent.mkdir(parents=True, exist_ok=True)
        aside = out.with_suffix(f".{os.getpid()}.part")
        with aside.open("wb") as file:
            np.save(file, pixels)
        put_in_place(aside, out)
        _prune(out.parent)
    os.utime(out)
    return key


def hold(job: Job) -> None:
    """Develop a job's view, where it is one frame, so that its next proof is quick."""
    with contextlib.suppress(SourceWanted, UserError, OSError):
        _laid(job, None)


def _bytes(job: Job, given: Source | None) -> bytes:
    """The picture's JPEG without its metadata, from as much as is kept of the same view."""
    seen, straight, layers = _laid(job, given)
    return write.encoded(shown(seen, straight, layers).rgb, "jpeg", job.order.space)


def _laid(job: Job, given: Source | None) -> tuple[Seen, Straight, tone.Layers]:
    """A job's view straightened, and what tone needs to know of it."""
    recipe, aspect = job.recipe, job.order.aspects[0]
    frames = tuple((str(p), p.stat().st_mtime_ns) for p in job.view.frames)
    light = (frames, job.view.kind, str(job.view.pick))

    def source() -> Source:
        if given is not None:
            return given
        if len(job.view.frames) > 1:
            raise SourceWanted
        return source_of(job.view)

    held = _SOURCE.get(light, source)
    plain = recipe.model_copy(update=SEEN_WITHOUT)
    first: Seen = _SEEN.get((light, plain.digest()), lambda: look(held, plain))
    seen = replace(first, settings=asked(first.settings, recipe))
    hard = effort(seen, job.order.quality)
    made = (light, seen.multipliers, recipe.mixed_light, recipe.veiling_glare, recipe.denoise, hard)
    full = _FULL.get(made, lambda: developed(seen, recipe, job.order.quality))
    mending = mends(recipe)
    if mending:
        full = _MENDED.get((made, mending), lambda: mended(seen, full.copy(), recipe, job.order.quality)[0])
    lie = (made, recipe.touches, *_geometry(recipe), aspect, job.order.long_edge)

    def straight() -> tuple[Straight, tone.Layers]:
        found, layers = laid(seen, full, recipe, aspect, job.order.long_edge)
        return found, layers or tone.layers_of(found.rgb)

    return seen, *_STRAIGHT.get(lie, straight)


def _geometry(recipe: Recipe) -> tuple[Hashable, ...]:
    return recipe.plumb, recipe.swing, recipe.lines, recipe.crop, recipe.crop_size


def decoded(data: bytes) -> NDArray[np.uint8]:
    """A JPEG's pixels, H x W x 3."""
    with Image.open(io.BytesIO(data)) as image:
        return np.asarray(image.convert("RGB"))


def kept_at(visit: VisitFolder, key: str) -> Path:
    """Where a proof is kept."""
    return visit.hidden / "previews" / "proofs" / f"{key}.npy"


def _prune(folder: Path) -> None:
    files = sorted(folder.glob("*.npy"), key=lambda p: p.stat().st_mtime, reverse=True)
    for path in files[KEPT:]:
        path.unlink(missing_ok=True)


def size_of(path: Path) -> tuple[int, int]:
    """Width and height of a kept proof, pixels."""
    height, width = np.load(path, mmap_mode="r").shape[:2]
    return int(width), int(height)


def tile(path: Path, level: int, column: int, row: int) -> bytes:
    """A tile of a kept proof as PNG: TILE pixels each way of the picture halved `level` times, fewer at its edges.

    UserError where there is none.
    """
    pixels = at_hand(path)
    step = TILE << level
    y, x = row * step, column * step
    if not 0 <= level <= COARSEST or not (0 <= y < pixels.shape[0] and 0 <= x < pixels.shape[1]):
        raise UserError("There is no such part of the picture.")
    return png(reduced(np.ascontiguousarray(pixels[y : y + step, x : x + step]), level))


def fitted(path: Path, width: int, height: int) -> bytes:
    """A kept proof averaged down to a size in pixels, as PNG. UserError where there is none, or it is no smaller."""
    pixels = at_hand(path)
    if not (0 < width <= pixels.shape[1] and 0 < height <= pixels.shape[0]):
        raise UserError("The picture has no such size.")
    return png(cv2.resize(np.asarray(pixels), (width, height), interpolation=cv2.INTER_AREA).astype(np.uint8))


def at_hand(path: Path) -> NDArray[np.uint8]:
    """A kept proof's pixels, H x W x 3, read as they are needed. UserError where it is there no longer."""
    try:
        found: NDArray[np.uint8] = np.load(path, mmap_mode="r")
    except (OSError, ValueError) as problem:
        raise UserError("This picture is no longer at hand; it is being made again.") from problem
    return found


def png(part: NDArray[np.uint8]) -> bytes:
    """A picture (8 bits, H x W x 3) as a PNG file, packed quickly rather than small."""
    ok, data = cv2.imencode(".png", cv2.cvtColor(part, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_PNG_COMPRESSION, 1])
    if not ok:
        raise UserError("A part of the picture could not be made ready for the page.")
    return data.tobytes()


def reduced(pixels: NDArray[np.uint8], level: int) -> NDArray[np.uint8]:
    """A picture (H x W x 3) averaged down by 2 ** level; what is left over at the edges is averaged by itself."""
    if level == 0:
        return pixels
    height, width = pixels.shape[:2]
    by = 1 << level
    room = [(0, -height % by), (0, -width % by), (0, 0)]
    whole = np.pad(pixels, room, mode="edge") if any(sum(r) for r in room) else pixels
    size = (whole.shape[1] // by, whole.shape[0] // by)
    out: NDArray[np.uint8] = cv2.resize(whole, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    return out
