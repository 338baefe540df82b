"""All the views of a folder to pictures: worker processes, one view each; goes on where it stopped."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from PIL import Image

from clerestory import __version__
from clerestory.develop.denoise import Quality
from clerestory.errors import UserError
from clerestory.files.store import digest_bytes, digest_of, sweep, write_atomic
from clerestory.finish import write
from clerestory.finish.icc import profile
from clerestory.finish.pipeline import Account, Picture, Seen, before, look, pictures
from clerestory.finish.recipe import Aspect, Recipe, picked, read_recipe
from clerestory.finish.source import camera_of
from clerestory.finish.sources import source_of
from clerestory.finish.tone import Headroom, WorkingNoise, exposure_headroom
from clerestory.raw.group import View
from clerestory.run.cluster import gathered
from clerestory.run.pool import map_pool
from clerestory.visit.about import About, Abouts

Kind = Literal["jpeg", "tiff"]
SUFFIX = {"jpeg": ".jpg", "tiff": ".tif"}
AT_ONCE = 2  # views, where there are the cores: a merged one of 20 megapixels takes 2.5 GB


@dataclass(frozen=True)
class Order:
    """What is asked of a whole folder: aspects (None: the frame's own), kinds of file, space, quality, size."""

    aspects: tuple[Aspect | None, ...] = (None,)
    kinds: tuple[Kind, ...] = ("jpeg",)
    space: str = "srgb"
    quality: Quality = "fast"
    long_edge: int | None = None


@dataclass(frozen=True)
class Job:
    """One view's work, complete in itself, so that any process can do it."""

    view: View
    recipe: Recipe
    order: Order
    pictures: Path
    record: Path
    about: About = field(default_factory=About)

    def key(self) -> str:
        """Fingerprint of everything the outputs depend on: the frames' bytes are taken as size and time."""
        stamp = [(p.name, p.stat().st_size, p.stat().st_mtime_ns) for p in self.view.frames]
        text = json.dumps(
            [__version__, stamp, str(self.view.pick), self.view.kind, self.recipe.digest(), repr(self.order),
             repr(self.about)]
        )  # fmt: skip
        return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


@dataclass
class Done:
    """How one view ended: its account (as plain data), or why there is none. `kept`: it was finished before."""

    view: str
    account: dict[str, Any] | None = None
    reason: str = ""
    kept: bool = False


def _name(view: str, aspect: str) -> str:
    return view if aspect == "own" else f"{view}_{aspect.replace(':', 'x')}"


def finish_view(job: Job) -> dict[str, Any]:
    """Finish one view and write its pictures; returns its account. Runs in a worker process."""
    source = source_of(job.view)
    seen = look(source, job.recipe)
    done = pictures(seen, job.recipe, job.order.aspects, job.order.quality, job.order.long_edge)
    account = account_of(job, seen, done)
    job.pictures.mkdir(parents=True, exist_ok=True)
    job.record.parent.mkdir(parents=True, exist_ok=True)
    job.record.unlink(missing_ok=True)  # from here on it speaks of pictures that are being replaced
    write_before(job, seen)
    for picture in done:
        for kind in job.order.kinds:
            path = job.pictures / (_name(job.view.name, picture.aspect) + SUFFIX[kind])
            data = picture_bytes(job, picture, kind, camera_of(seen.source) is not None)
            write_atomic(path, data)
            account.aspects[picture.aspect].setdefault("files", []).append(
                {"name": path.name, "digest": digest_bytes(data)}
            )
    out = {"key": job.key(), **account.as_dict()}
    write_atomic(job.record, json.dumps(out, indent=1, sort_keys=True).encode())
    return out


def write_before(job: Job, seen: Seen) -> None:
    """The frame as shot, beside the pictures, for the eye to compare."""
    folder = job.pictures / "before"
    folder.mkdir(exist_ok=True)
    plain = np.asarray(before(seen))
    out = io.BytesIO()
    Image.fromarray(plain).save(out, "JPEG", quality=88, icc_profile=profile("srgb"))
    write_atomic(folder / f"{job.view.name}.jpg", out.getvalue())


def picture_bytes(job: Job, picture: Picture, kind: Kind, focal_known: bool = True) -> bytes:
    """A finished picture as the bytes of its file; marked where its focal length was not in the frame."""
    height, width = picture.rgb.shape[:2]
    frames = job.view.frames
    record = write.Record(
        {
            "View": job.view.name,
            "Frames": " ".join(p.name for p in frames),
            "Merge": job.view.kind,
            "Recipe": job.recipe.digest(),
            "Aspect": picture.aspect,
            "Kept": f"{picture.room.kept:.4f}",
            **({} if focal_known else {"Doubt": "focal length not in the frame: estimated"}),
        }
    )
    data = write.encoded(picture.rgb, kind, job.order.space)
    return write.with_metadata(data, job.view.pick, job.about, record, (width, height))


def account_of(job: Job, seen: Seen, done: Sequence[Picture]) -> Account:
    """The record of what was done, in degrees, stops and shares."""
    up = seen.upright
    out = Account(job.view.name, job.view.kind, job.view.pick.name, [p.name for p in job.view.frames])
    out.recipe = job.recipe.digest()
    out.verdict = up.verdict
    out.lean_before = {"pitch": float(np.degrees(up.pitch)), "roll": float(np.degrees(up.roll))}
    out.lean_bound = float(up.bound_deg)
    out.up = [float(v) for v in up.up]
    if done:
        out.plumb = done[0].straightening.plumb
        out.swing = float(np.degrees(done[0].straightening.swing))
    out.tone = {k: float(v) for k, v in vars(seen.settings).items()}
    out.multipliers = [float(v) for v in seen.multipliers]
    out.clipped = clipped_shares(seen)
    if seen.noise is not None:
        out.noise_stops = noise_on_grey(seen.noise, seen.settings.exposure)
    if seen.source.noise is not None:
        out.noise = {"gain": list(seen.source.noise.gain), "read": list(seen.source.noise.read)}
    room = headroom_of(job, seen)
    if room is not None:
        out.exposed = {k: float(v) for k, v in vars(room).items()}
    out.lens = seen.source.lens.source
    out.merge = seen.source.record
    light_said = [f"Exposure: {room.said}"] if room is not None else []
    offer = [seen.swing.reasons] if seen.swing is not None else []
    out.remarks = [*seen.source.remarks, *seen.remarks, *offer, *light_said, up.reasons]
    for picture in done:
        height, width = picture.rgb.shape[:2]
        out.aspects[picture.aspect] = {
            "kept": picture.room.kept,
            "lost": dict(picture.room.lost),
            "width": width,
            "height": height,
            "room": [picture.room.left, picture.room.top, picture.room.width, picture.room.height],
            "white": float((picture.rgb.min(axis=-1) > 0.995).mean()),
        }
    return out


def noise_on_grey(noise: WorkingNoise, exposure: float) -> float:
    """Standard deviation in stops, before any is taken out, of what is shown as mid grey (18 %) at an exposure."""
    grey = 0.18 * 2.0**-exposure
    return float(np.log2(1 + noise.deviation(grey) / grey))


def headroom_of(job: Job, seen: Seen) -> Headroom | None:
    """How the view's frames were exposed; None where they were exposed differently or there is no raw."""
    mosaic, noise = seen.source.mosaic, seen.source.noise
    if mosaic is None or noise is None or job.view.kind == "bracket":
        return None
    return exposure_headroom(mosaic, noise)


def clipped_shares(seen: Seen) -> dict[str, float]:
    """Share of pixels with a clipped raw channel, told apart by channel, and with all of them clipped."""
    mosaic = seen.source.mosaic
    if mosaic is None:
        return {}
    flags = []
    for row in range(2):
        for column in range(2):
            channel = int(mosaic.cfa[row, column])
            flags.append((channel, mosaic.plane(row, column) >= mosaic.white[channel] - 1))
    height = min(f.shape[0] for _, f in flags)
    width = min(f.shape[1] for _, f in flags)
    out = {"red": 0.0, "green": 0.0, "blue": 0.0}
    every = np.ones((height, width), bool)
    for channel, flag in flags:
        name = {0: "red", 1: "green", 2: "blue", 3: "green"}[channel]
        out[name] = max(out[name], float(flag.mean()))
        every &= flag[:height, :width]
    out["all"] = float(every.mean())
    return out


def already_done(job: Job) -> dict[str, Any] | None:
    """The account of an earlier run when it still holds: same key, every file there with its digest."""
    try:
        account: dict[str, Any] = json.loads(job.record.read_text(encoding="utf-8"))
        if account.get("key") != job.key():
            return None
        for aspect in account["aspects"].values():
            for file in aspect["files"]:
                if digest_of(job.pictures / file["name"]) != file["digest"]:
                    return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return account


def jobs_of(views: Sequence[View], folder: Path, order: Order, abouts: Abouts | None = None) -> Iterator[Job | Done]:
    """A job for each view; a Done with the reason where its recipe cannot be read."""
    for view in views:
        try:
            recipe = read_recipe(folder / "recipes" / f"{view.name}.toml")
        except UserError as problem:
            yield Done(view.name, reason=str(problem))
            continue
        aspects = (recipe.aspect,) if order.aspects == (None,) else order.aspects
        record = folder / ".clerestory" / "accounts" / f"{view.name}.json"
        about = abouts.of(view.name) if abouts else About()
        yield Job(picked(view, recipe), recipe, replace(order, aspects=aspects), folder / "pictures", record, about)


def _work(job: Job) -> dict[str, Any]:
    try:
        return finish_view(job)
    except OSError as problem:
        where = problem.filename or job.pictures
        raise UserError(f"{where}: {problem.strerror or problem}; no half-written file was left.") from problem


def finish_jobs(
    jobs: Sequence[Job], workers: int, told: Callable[[Done], None], executor: Executor | None = None
) -> list[Done]:
    """Do all jobs in worker processes; `told` hears of each as it ends. A worker that dies costs its own view.

    `executor`: of a cluster whose workers see the same folders, instead of processes of this machine.
    """
    out = []
    waiting = []
    for job in jobs:
        account = already_done(job)
        if account is None:
            waiting.append(job)
        else:
            out.append(Done(job.view.name, account, kept=True))
            told(out[-1])
    tasks = [(job,) for job in waiting]
    try:
        outcomes = map_pool(_work, tasks, workers) if executor is None else gathered(executor, _work, tasks)
        with contextlib.closing(outcomes):  # no worker is left when this ends
            for outcome in outcomes:
                out.append(Done(waiting[outcome.index].view.name, outcome.value, outcome.reason))
                told(out[-1])
    except BaseException:
        if executor is None:
            for part in {p for job in waiting for p in (job.record.parent, job.pictures, job.pictures / "before")}:
                sweep(part, older_than=0)
        raise
    return out
