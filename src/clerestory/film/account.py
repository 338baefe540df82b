"""How a picture was made, from the account that finishing keeps: camera, straightening, crop, frames."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clerestory.camera.camera import Camera
from clerestory.camera.crop import Crop
from clerestory.camera.lens import Distortion
from clerestory.camera.rectification import Rectification
from clerestory.film.pictures import Picture


@dataclass(frozen=True)
class Made:
    """How one picture came from its frames."""

    view: str
    kind: str
    """single, burst, bracket, clear or panorama."""
    pick: str
    frames: tuple[str, ...]
    """Names of its frames' files, as under frames/."""
    camera: Camera
    """Of the frame as held."""
    rectification: Rectification
    room: Crop
    """The picture's own rectangle, pixels of the straightened picture plane."""
    multipliers: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """White balance."""
    exposure: float = 0.0
    """Stops that the picture was made brighter than its frame."""

    @property
    def straightened(self) -> bool:
        """Whether anything was turned."""
        turned = self.rectification
        return self.kind != "panorama" and (turned.plumb > 0 or turned.swing != 0)


def read_made(visit: Path, picture: Picture) -> Made | None:
    """How a picture of a visit was made; None where no account of it says so, or one of an earlier version."""
    name = picture.view or picture.name
    try:
        record = visit / ".clerestory" / "accounts" / f"{name}.json"
        return _made(name, json.loads(record.read_text(encoding="utf-8")), picture)
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def _made(name: str, account: dict[str, Any], picture: Picture) -> Made:
    lean, about = account["lean_before"], account["aspects"][picture.aspect or "own"]
    room = [float(v) for v in about["room"]]
    rectification = Rectification(
        math.radians(lean["pitch"]),
        math.radians(lean["roll"]),
        float(account["plumb"]),
        math.radians(account["swing"]),
    )
    crop = Crop(room[0], room[1], room[2], room[3], float(about["kept"]))
    frames = tuple(str(frame) for frame in account["frames"])
    red, green, blue = (float(v) for v in account["multipliers"])
    camera, exposure = _camera(account["camera"]), float(account["tone"]["exposure"])
    return Made(
        name, account["kind"], account["pick"], frames, camera, rectification, crop, (red, green, blue), exposure
    )


def _camera(facts: dict[str, Any]) -> Camera:
    bent = facts["distortion"]
    lens = None if bent is None else Distortion.of_json(bent)
    size = int(facts["width"]), int(facts["height"])
    return Camera(*size, facts["focal"], facts["cx"], facts["cy"], lens)
