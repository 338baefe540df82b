"""A film from the pictures alone: order by time, slow moves chosen by shape and detail."""

from __future__ import annotations

import hashlib
import json
import math
import re
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.files.toml import read_toml
from clerestory.files.wording import capital
from clerestory.film.model import Film, Shot, film_toml
from clerestory.film.pictures import (
    Picture,
    folder_pictures,
    load_linear,
    luminance,
    raw_rendering,
    read_picture,
    taken_at,
)

_HEAD = "# A draft made from the pictures; yours to edit. "
WIDE, TALL = 2.0, 1.15  # width by height over which a picture is panned, under which it is tilted


def small_luminance(path: Path, side: int = 320) -> NDArray[np.float32]:
    """A picture's luminance at about `side` pixels, quickly."""
    if path.suffix.lower() in (".jpg", ".jpeg"):
        with Image.open(path) as image:
            image.draft("RGB", (2 * side, 2 * side))
            grey = np.asarray(image.convert("L"), np.float32) / np.float32(255)
        light = np.power(grey, np.float32(2.2))
    else:
        light = luminance(load_linear(path))
    scale = side / max(light.shape)
    size = (max(16, round(light.shape[1] * scale)), max(16, round(light.shape[0] * scale)))
    out: NDArray[np.float32] = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    return out


def interest(light: NDArray[np.float32]) -> tuple[tuple[float, float], float]:
    """Where the detail of a picture is, as shares of width and height, and how gathered it is (0 even, 1 one spot).

    `light`: display-linear luminance, float32 H x W, 0 to 1.

    Detail is the local contrast of the logarithm of light, which counts carving in shade as much as in light;
    blown windows and black corners hold none.
    """
    logs = np.log(np.clip(light, 0.004, 0.9))
    fine = np.abs(logs - cv2.GaussianBlur(logs, (0, 0), 2.0))
    held = (light > 0.006) & (light < 0.85)
    detail = cv2.GaussianBlur(np.where(held, fine, 0).astype(np.float32), (0, 0), max(light.shape) / 14)
    y, x = np.unravel_index(int(np.argmax(detail)), detail.shape)
    gathered = 1 - float(detail.mean()) / max(float(detail.max()), 1e-9)
    return ((float(x) + 0.5) / light.shape[1], (float(y) + 0.5) / light.shape[0]), gathered


def _moved(shot: Shot, picture: Picture, index: int) -> Shot:
    """The slow move that suits a picture."""
    shape = picture.width / picture.height
    if shape < TALL:
        return shot.model_copy(update={"move": "tilt", "direction": "up"})
    if shape > WIDE:
        return shot.model_copy(update={"move": "pan", "direction": "right" if index % 2 == 0 else "left"})
    (x, y), gathered = interest(small_luminance(picture.path))
    if gathered > 0.45:
        towards = (round(min(max(x, 0.25), 0.75), 2), round(min(max(y, 0.25), 0.75), 2))
        return shot.model_copy(update={"move": "push", "towards": towards, "amount": 1.16})
    if index % 3 == 2:
        return shot.model_copy(update={"move": "pull", "amount": 1.12})
    return shot.model_copy(update={"move": "push", "amount": 1.1})


def _caption(picture: Picture, placed: bool) -> str:
    """What a picture shows: said in its metadata, else its name, unless a camera or tool numbered it.

    Its place, for want of a title, unless that is already said (`placed`).
    """
    if picture.title or (picture.place and not placed):
        return picture.title or picture.place
    name = re.sub(r"[-_\s]+", " ", picture.view or picture.name).strip()
    if re.fullmatch(r"(view|img|image|frame|dsc[a-z]*|picture|[a-z]{0,4})? ?\d+", name, re.IGNORECASE):
        return ""
    return capital(name)


def _one_a_view(pictures: list[Picture]) -> list[Picture]:
    """One picture of each view, the one cropped to the film's own aspect if there is one.

    Where some pictures name their view, others in the folder are not finished views: contact sheets and the like.
    """
    if any(picture.view for picture in pictures):
        pictures = [picture for picture in pictures if picture.view]
    chosen: dict[str, Picture] = {}
    for picture in pictures:
        key = picture.view or picture.name
        if key not in chosen or (picture.aspect == "16:9" and chosen[key].aspect != "16:9"):
            chosen[key] = picture
    return list(chosen.values())


def _title(visit: Path) -> tuple[str, str]:
    """Title and subtitle from visit.toml: the place, and what the day is called; empty without one."""
    try:
        values = read_toml(visit / "visit.toml") or {}
    except UserError:
        return "", ""
    place, day = values.get("place"), values.get("visit")
    name = str(place.get("name", "")) if isinstance(place, dict) else ""
    called = str(day.get("title", "")) if isinstance(day, dict) else ""
    return (name, called if called != name else "") if name else (called, "")


def _lean_taken_out(visit: Path, picture: Picture) -> float:
    """Degrees that straightening took out of a picture's view, by its account; -1 where nothing was or is known.

    A joined view has no frame that shows the same before.
    """
    try:
        record = visit / ".clerestory" / "accounts" / f"{picture.view}.json"
        account = json.loads(record.read_text(encoding="utf-8"))
        lean = math.hypot(*(float(account["lean_before"][way]) for way in ("pitch", "roll")))
        return -1.0 if account["kind"] == "panorama" else lean * float(account["plumb"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return -1.0


def _to_wipe(visit: Path, pictures: list[Picture]) -> int | None:
    """Which picture shows before and after: with a raw rendering, not the first, no tall one, the most leaning."""
    folder = visit / "pictures"
    able = [i for i, picture in enumerate(pictures) if i > 0 and raw_rendering(folder, picture)]

    def worth(i: int) -> tuple[bool, float]:
        return pictures[i].width > pictures[i].height, _lean_taken_out(visit, pictures[i])

    return max(able, key=worth, default=None)


def draft_film(visit: Path, title: str = "", subtitle: str = "") -> Film:
    """A film of a visit's pictures with nothing written: order, moves, captions, before and after, credits.

    Where the pictures name several places, each change of place is a chapter. A picture's description becomes words
    under it.
    """
    folder = visit / "pictures"
    pictures = [read_picture(path) for path in folder_pictures(folder)]
    if not pictures:
        raise UserError(f"{folder}: there are no pictures to make a film from; finish some first.")
    pictures = sorted(_one_a_view(pictures), key=lambda p: (taken_at(p), p.name))
    places = {p.place for p in pictures if p.place}
    place = next(iter(places)) if len(places) == 1 else ""
    shots, here, wiped = [], "", _to_wipe(visit, pictures)
    for i, picture in enumerate(pictures):
        caption = _caption(picture, bool(places))
        shot = Shot(picture=picture.name, caption=caption, words=picture.description)
        if len(places) > 1 and picture.place and picture.place != here:
            here = picture.place
            shot = shot.model_copy(update={"chapter": here})
        if i == wiped:
            shots.append(shot.model_copy(update={"before": True} | ({} if shot.words else {"seconds": 9.0})))
        else:
            shots.append(_moved(shot, picture, i))
    makers = sorted({p.creator for p in pictures if p.creator})
    rights = sorted({p.rights for p in pictures if p.rights})
    credit = ([f"Photographs: {', '.join(makers)}"] if makers else []) + rights
    planned, called = _title(visit)
    subtitle = subtitle or called
    name = title or planned or place or visit.resolve().name.replace("-", " ").replace("_", " ").title()
    return Film(title=name, subtitle=subtitle, credits=credit, shots=shots)


def _mark(body: str) -> str:
    return hashlib.blake2b(body.encode(), digest_size=6).hexdigest()


def write_draft(visit: Path, film: Film) -> Path:
    """film/film.toml of a drafted film; one that a person has edited is never written over."""
    path = visit / "film" / "film.toml"
    if path.exists():
        first, _, body = path.read_text("utf-8-sig").partition("\n")
        if not first.startswith(_HEAD) or first.removeprefix(_HEAD).strip() != _mark(body):
            raise UserError(f"{path}: this film has been edited by hand; rename it before you make a new draft.")
    path.parent.mkdir(parents=True, exist_ok=True)
    body = film_toml(film)
    write_atomic(path, f"{_HEAD}{_mark(body)}\n{body}")
    return path
