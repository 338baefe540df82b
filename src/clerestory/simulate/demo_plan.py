"""The demo's plan: the same day, body and church as its frames, as a `visit.toml`."""

from __future__ import annotations

import json
import math
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from clerestory.building.sun import Observer, sun_position
from clerestory.camera.pose import Pose
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.form import Form
from clerestory.simulate.scene import LUMINANCE, Church
from clerestory.simulate.visit import START, DemoView

Table = dict[str, Any]
HEADER = """\
# The demo's visit: an invented church, photographed by the simulator with an invented camera.
# `clerestory plan` reckons it; `clerestory plan --new` writes an example with a note at every field.

"""
LATITUDE, LONGITUDE, HEIGHT, ZONE = 54.312, -1.154, 62.0, "Europe/London"
LASTS = 55.0  # minutes from the first frame to the last
WITHIN = 0.85  # share of the frame's width and height that the subject takes: room to straighten and crop


def axis_for(church: Church) -> float:
    """Compass direction of the altar, degrees, that puts the sun where the church has it half way through."""
    half_way = START.replace(tzinfo=ZoneInfo(ZONE)).timestamp() + LASTS * 30
    azimuth = float(sun_position(half_way, Observer(LATITUDE, LONGITUDE, HEIGHT)).azimuth)
    return (azimuth - math.degrees(math.atan2(church.form.sun_x, church.form.sun_y))) % 360


def pointed(half: float, radius: float) -> float:
    """Height in metres of a pointed arch above its springing: two circles of `radius`, `half` a span apart each."""
    return math.sqrt(radius**2 - (radius - half) ** 2)


def rooms(f: Form) -> list[Table]:
    """Nave and aisles as boxes to their vaults' crowns; an aisle reaches to the nave's face of the arcade wall."""
    wide = f.wall + f.aisle
    aside = f.half + wide / 2
    aisle = {"length_m": f.length, "width_m": wide, "height_m": f.aisle_spring + _crown(f, f.aisle)}
    nave = {"length_m": f.length, "width_m": 2 * f.half, "height_m": f.vault_spring + _crown(f, 2 * f.half)}
    return [
        {"name": "nave", **nave},
        {"name": "south aisle", "west_end_m": [aside, 0.0], **aisle},
        {"name": "north aisle", "west_end_m": [-aside, 0.0], **aisle},
    ]


def _crown(f: Form, span: float) -> float:
    return pointed(span / 2, f.vault_k * span / 2)


def windows(f: Form) -> list[Table]:
    """The clerestory and the aisles' windows, bay by bay; the two roses; the east lancets as one."""
    out: list[Table] = []
    high = {"width_m": 2 * f.clere_half, "sill_m": f.clere_sill,
            "head_m": f.clere_spring + pointed(f.clere_half, 2 * f.clere_half)}  # fmt: skip
    low = {"width_m": 2 * f.light_half, "sill_m": f.light_sill,
           "head_m": f.light_spring + pointed(f.light_half, 2 * f.light_half)}  # fmt: skip
    for side in ("south", "north"):
        for bay in range(int(f.bays)):
            place = {"wall": side, "along_m": (bay + 0.5) * f.bay}
            out.append({"name": f"{side} clerestory {bay + 1}", "room": "nave", **place, **high})
            out.append({"name": f"{side} aisle {bay + 1}", "room": f"{side} aisle", **place, **low})
    rose = {"width_m": 2 * f.rose_r, "sill_m": f.rose_z - f.rose_r, "head_m": f.rose_z + f.rose_r}
    out += [{"name": f"{end} rose", "room": "nave", "wall": end, "along_m": 0.0, **rose} for end in ("east", "west")]
    lancets = {"width_m": 4 * f.lancet_pitch + 2 * f.lancet_half, "sill_m": f.lancet_sill,
               "head_m": f.lancet_spring + pointed(f.lancet_half, 2.4 * f.lancet_half)}  # fmt: skip
    out.append({"name": "east lancets", "room": "nave", "wall": "east", "along_m": 0.0, **lancets})
    return out


def _room_of(f: Form, x: float) -> Table:
    nave, south, north = rooms(f)
    return nave if abs(x) < f.half else south if x > 0 else north


def ahead(f: Form, pose: Pose) -> tuple[float, str]:
    """Metres along the lens's axis to a side of the room it stands in, and which: a wall's name, vault or floor."""
    room = _room_of(f, pose.position[0])
    middle = room.get("west_end_m", [0.0, 0.0])[0]
    way, at = pose.rotation[2], np.array(pose.position)
    sides = (
        (0, middle + room["width_m"] / 2, "south"), (0, middle - room["width_m"] / 2, "north"),
        (1, f.length, "east"), (1, 0.0, "west"), (2, room["height_m"], "vault"), (2, 0.0, "floor"),
    )  # fmt: skip
    far = [((where - at[k]) / way[k] if abs(way[k]) > 1e-9 else math.inf, name) for k, where, name in sides]
    return min(item for item in far if item[0] > 0)


def _light(church: Church, body: SimulatedCamera, focal: float, pose: Pose) -> Table:
    """What a spot meter would read: the middle of the stone, and the glass where there is any."""
    seen = church.render(body.intrinsics(focal).scaled(160 / body.width), pose).radiance @ LUMINANCE
    stone, glass = float(np.percentile(seen, 40)), float(np.percentile(seen, 99.5))
    out = {"stone_cd_m2": float(f"{stone:.2g}")}
    return out | ({"glass_cd_m2": float(f"{glass:.2g}")} if glass > 16 * stone else {})


def _view(church: Church, body: SimulatedCamera, view: DemoView) -> tuple[Table, Table]:
    """A station and a view: where the demo stands, and what stands in the middle of its frame."""
    f, shot = church.form, view.shots[len(view.shots) // 2]
    room = _room_of(f, shot.pose.position[0])
    distance, side = ahead(f, shot.pose)
    # Along a nave or an aisle: no farther than where the frame spans it from wall to wall.
    spans = room["width_m"] * shot.focal_mm / (WITHIN * body.sensor_mm[0])
    distance = distance if side == "vault" else min(distance, spans)
    centre = np.array(shot.pose.position) + distance * shot.pose.rotation[2]
    x, y, z = shot.pose.position
    station = {"name": f"{view.name} spot", "at_m": [x, y], "eye_m": z}
    across, up = (WITHIN * distance * mm / shot.focal_mm for mm in body.sensor_mm)
    wanted = {
        "name": view.name, "room": room["name"], "centre_m": [float(v) for v in centre],
        "width_m": min(across, room["width_m"]), "height_m": up, "on": "vault" if side == "vault" else "free",
        "stations": [station["name"]], "minutes": 4.0, **_light(church, body, shot.focal_mm, shot.pose),
    }  # fmt: skip
    return station, wanted


def demo_plan(church: Church, body: SimulatedCamera, lens: Lens, views: list[DemoView]) -> str:
    """The text of a `visit.toml` for the day of `views`: the church's own measures, its light, the camera, the lens.

    The views are named as the demo names them, so that `learn` sets plan and frames side by side.
    """
    name, town = church.name.split(", ")
    stations, wanted = zip(*(_view(church, body, view) for view in views), strict=True)
    table = {
        "visit": {
            "title": f"{town}, the demo", "date": START.date(), "arrive": START.replace(minute=0, second=0).time(),
            "leave": START.replace(hour=START.hour + 1, minute=30, second=0).time(),
        },
        "place": {
            "name": name, "town": town, "latitude_deg": LATITUDE, "longitude_deg": LONGITUDE, "height_m": HEIGHT,
            "time_zone": ZONE, "axis_deg": axis_for(church), "tripod": "no", "flash": "no", "drone": "no",
        },
        "room": rooms(church.form),
        "window": windows(church.form),
        "station": list(stations),
        "body": [{
            "name": body.model, "sensor_mm": list(body.sensor_mm), "pixels": [body.width, body.height],
            "base_iso": body.base_iso, "full_well_e": body.full_well, "read_noise_e": body.read_electrons,
        }],
        "lens": [{
            "name": lens.name, "focal_mm": list(lens.focal_mm), "f_number": lens.widest_f,
            "distortion": list(lens.distortion.radial), "vignetting": list(lens.vignetting),
            "stabiliser_stops": lens.stabiliser_stops,
        }],
        "bag": [{"name": "all of it", "body": body.model, "lenses": [lens.name]}],
        "view": list(wanted),
    }  # fmt: skip
    return HEADER + "\n".join(_written(table))


def _written(table: Table) -> list[str]:
    """TOML, one line a field."""
    out: list[str] = []
    for name, held in table.items():
        several = isinstance(held, list)
        for part in held if several else [held]:
            out += [f"[[{name}]]" if several else f"[{name}]", *(f"{k} = {_value(v)}" for k, v in part.items()), ""]
    return out


def _value(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    return str(round(value, 3)) if isinstance(value, float) else str(value)
