"""One view's work from frames to files, complete in itself, so that any process can do it; and the record of it."""

from __future__ import annotations

import hashlib
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
from PIL import Image

from clerestory import __version__
from clerestory.camera.camera import Camera
from clerestory.develop.denoise import Quality
from clerestory.errors import UserError
from clerestory.files.store import digest_bytes, digest_of, write_atomic
from clerestory.finish import write
from clerestory.finish.bright import gain_map, with_gain_map
from clerestory.finish.icc import NAMES, profile
from clerestory.finish.output import made, resolution_of
from clerestory.finish.pipeline import Account, Picture, Seen, before, look
from clerestory.finish.recipe import ASPECTS, Aspect, Recipe, picked
from clerestory.finish.source import camera_of, said_of_network
from clerestory.finish.sources import source_of
from clerestory.finish.take_out import TakenOut
from clerestory.finish.tone import WorkingNoise
from clerestory.raw.clipping import clipping_of
from clerestory.raw.group import View
from clerestory.raw.headroom import Headroom, exposure_headroom
from clerestory.visit.about import About

Kind = Literal["jpeg", "tiff", "bright", "avif", "jxl"]
SUFFIX = {"bright": "_bright.jpg", "jpeg": ".jpg", "tiff": ".tif", "avif": ".avif", "jxl": ".jxl"}


@dataclass(frozen=True)
class Order:
    """What is asked of a whole folder: aspects (None: the frame's own), kinds of file, space, quality, size.

    Of size one of three, or all pixels there are: `long_edge`; `within` (width, height), in pixels; `paper`, its long
    and short edge in mm at `per_inch` pixels to the inch. `for_paper`: sharpened to be printed at `per_inch`. `jpeg`:
    quality of all but the TIFF, 1 to 95.
    """

    aspects: tuple[Aspect | None, ...] = (None,)
    kinds: tuple[Kind, ...] = ("jpeg",)
    space: str = "srgb"
    quality: Quality = "fast"
    long_edge: int | None = None
    within: tuple[int, int] | None = None
    paper: tuple[float, float] | None = None
    per_inch: float | None = None
    for_paper: bool = False
    jpeg: int = 93


@dataclass(frozen=True)
class Job:
    """One view's work, complete in itself, so that any process can do it. `stem`: what its files are called, the
    view's name where it is empty; `compare`: whether the frame as shot is written beside them."""

    view: View
    recipe: Recipe
    order: Order
    pictures: Path
    record: Path
    about: About = field(default_factory=About)
    stem: str = ""
    compare: bool = True

    def key(self) -> str:
        """Fingerprint of everything the outputs depend on: the frames' bytes are taken as size and time."""
        stamp = [(p.name, p.stat().st_size, p.stat().st_mtime_ns) for p in self.view.frames]
        text = json.dumps(
            [__version__, stamp, self.view.pick.name, self.view.kind, self.recipe.digest(), repr(self.order),
             repr(self.about), self.stem]
        )  # fmt: skip
        return hashlib.blake2b(text.encode(), digest_size=16).hexdigest()


def order_of(aspects: Sequence[str | None], tiff: bool, space: str, better: bool, long_edge: int | None) -> Order:
    """The order that words amount to; UserError for one that is not known."""
    unknown = [a for a in aspects if a is not None and a not in ASPECTS]
    if unknown or not aspects:
        message = f"The aspect '{unknown[0]}' is not known" if unknown else "No aspect is given"
        raise UserError(f"{message}; choose from own, {', '.join(ASPECTS)}.")
    if space not in NAMES:
        raise UserError(f"The colour space '{space}' is not known; choose {', '.join(NAMES)}.")
    kinds: tuple[Kind, ...] = ("jpeg", "tiff") if tiff else ("jpeg",)
    known = tuple(a if a is None else ASPECTS[ASPECTS.index(cast(Aspect, a))] for a in aspects)
    return Order(known, kinds, space, "better" if better else "fast", long_edge)


def job_of(
    view: View, recipe: Recipe, order: Order, folder: Path, about: About, planned: Aspect | None = None
) -> Job:
    """The one way to a view's work, whoever asks for its picture: the commands and the pages make the same.

    The recipe's pick becomes the view's; where the order leaves the aspect open it is the recipe's, else that of the
    view as planned (`planned`), else the frame's own. `folder`: the visit's.
    """
    aspects = (recipe.aspect or planned,) if order.aspects == (None,) else order.aspects
    record = folder / ".clerestory" / "accounts" / f"{view.name}.json"
    plain = recipe.model_copy(update={"pick": None})
    return Job(picked(view, recipe), plain, replace(order, aspects=aspects), folder / "pictures", record, about)


@dataclass
class Done:
    """How one view ended: its account (as plain data), or why there is none. `kept`: it was finished before."""

    view: str
    account: dict[str, Any] | None = None
    reason: str = ""
    kept: bool = False


def file_name(stem: str, aspect: str, kind: Kind) -> str:
    """What a picture's file is called."""
    return (stem if aspect == "own" else f"{stem}_{aspect.replace(':', 'x')}") + SUFFIX[kind]


def finish_view(job: Job) -> dict[str, Any]:
    """Finish one view and write its pictures; returns its account. Runs in a worker process."""
    source = source_of(job.view)
    seen = look(source, job.recipe)
    done = made(seen, job.recipe, job.order)
    account = account_of(job, seen, done)
    job.pictures.mkdir(parents=True, exist_ok=True)
    job.record.parent.mkdir(parents=True, exist_ok=True)
    job.record.unlink(missing_ok=True)  # from here on it speaks of pictures that are being replaced
    if job.compare:
        write_before(job, seen)
    for picture in done:
        for kind in job.order.kinds:
            path = job.pictures / file_name(job.stem or job.view.name, picture.aspect, kind)
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
            "Kept": f"{picture.crop.kept:.4f}",
            **({} if focal_known else {"Doubt": "focal length not in the frame: estimated"}),
            **({"TakenOut": "; ".join(one.said for one in gone)} if (gone := _gone(picture)) else {}),
        }
    )
    per_inch = resolution_of(job.order, (width, height))
    form = "jpeg" if kind == "bright" else kind
    plain = write.encoded(picture.rgb, form, job.order.space, job.order.jpeg, per_inch)
    data = write.with_metadata(plain, job.view.pick, job.about, record, (width, height), per_inch)
    if kind == "bright" and picture.brighter is not None:
        base = np.asarray(Image.open(io.BytesIO(plain)).convert("RGB"))
        data = with_gain_map(data, gain_map(base, picture.brighter, job.order.space))
    return data


def _gone(picture: Picture) -> list[TakenOut]:
    return [one for one in picture.taken_out if one.how != "left"]


def account_of(job: Job, seen: Seen, done: Sequence[Picture]) -> Account:
    """The record of what was done, in degrees, stops and shares."""
    up = seen.vertical
    out = Account(job.view.name, job.view.kind, job.view.pick.name, [p.name for p in job.view.frames])
    out.recipe = job.recipe.digest()
    out.verdict = up.verdict
    out.lean_before = {"pitch": float(np.degrees(up.pitch)), "roll": float(np.degrees(up.roll))}
    out.lean_bound = float(up.bound_deg)
    out.up = [float(v) for v in up.up]
    if done:
        out.plumb = done[0].rectification.plumb
        out.swing = float(np.degrees(done[0].rectification.swing))
    out.camera = camera_facts(seen.camera)
    out.tone = {k: float(v) for k, v in vars(seen.settings).items()}
    out.veiling_glare = None if seen.glare is None else 100 * seen.glare.share
    out.multipliers = [float(v) for v in seen.multipliers]
    out.clipped = clipped_shares(seen)
    if seen.noise is not None:
        out.noise_stops = noise_on_grey(seen.noise, seen.settings.exposure)
    if seen.source.noise is not None:
        out.noise = {"gain": list(seen.source.noise.gain), "read": list(seen.source.noise.read)}
    crop = headroom_of(job, seen)
    if crop is not None:
        out.exposed = {k: float(v) for k, v in vars(crop).items()}
    out.lens = seen.source.lens.source
    out.merge = seen.source.record
    light_said = [f"Exposure: {crop.message}"] if crop is not None else []
    offer = [seen.swing.reasons] if seen.swing is not None else []
    asked = said_of_network(seen.source, job.order.quality)
    marks = [one.said for one in done[0].taken_out] if done else []
    out.remarks = [*seen.source.remarks, *asked, *seen.remarks, *marks, *offer, *light_said, up.reasons]
    for picture in done:
        height, width = picture.rgb.shape[:2]
        out.aspects[picture.aspect] = {
            "kept": picture.crop.kept,
            "lost": dict(picture.crop.lost),
            "width": width,
            "height": height,
            "room": [picture.crop.left, picture.crop.top, picture.crop.width, picture.crop.height],
            "white": float((picture.rgb.min(axis=-1) > 0.995).mean()),
        }
        if (per_inch := resolution_of(job.order, (width, height))) is not None:
            out.aspects[picture.aspect]["per_inch"] = round(per_inch, 2)
            if job.order.per_inch is not None and per_inch < job.order.per_inch - 0.5:
                out.remarks.append(
                    f"{picture.aspect}: has {per_inch:.0f} pixels an inch at the size asked for, not "
                    f"{job.order.per_inch:.0f}; it was not enlarged"
                )
    return out


def camera_facts(camera: Camera) -> dict[str, Any]:
    """The camera of the frame as held, in pixels, with its lens: what `rectification` and `room` are reckoned in."""
    facts = {name: getattr(camera, name) for name in ("width", "height", "focal", "cx", "cy")}
    lens = camera.distortion
    bent = None if lens is None else {k: list(v) for k, v in vars(lens).items()}
    return {**{name: float(value) for name, value in facts.items()}, "distortion": bent}


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
    seen_clipped = clipping_of(mosaic, patches=False)
    red, green, blue, other = seen_clipped.share
    return {"red": red, "green": max(green, other), "blue": blue, "all": seen_clipped.all}


def already_done(job: Job) -> dict[str, Any] | None:
    """The account of an earlier run when it still holds: same key, every file there with its digest."""
    try:
        account: dict[str, Any] = json.loads(job.record.read_text(encoding="utf-8"))
        if account.get("key") != job.key() or "camera" not in account:
            return None
        for aspect in account["aspects"].values():
            for file in aspect["files"]:
                if digest_of(job.pictures / file["name"]) != file["digest"]:
                    return None
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return account
