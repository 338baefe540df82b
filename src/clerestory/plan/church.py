"""The short table `[church]` of a visit file: what follows from it, as the tables that one could write oneself."""

from __future__ import annotations

import math
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationInfo, field_validator, model_validator

from clerestory.building.church import BY_EYE, GUIDE, WALL, AssumedRoom, AssumedWindow, Kind, Layout, Numbers, layout
from clerestory.building.measure import Length, length_of
from clerestory.plan.table import Table

Rows = list[dict[str, Any]]
Measure = float | str
COMPASS = 2.0  # degrees by which an axis read off a compass or a street map is off (common practice, no source)
_EYE_LEVEL = ("sill", "head", "aisle_sill", "aisle_head")

# The kit that is taken where the file names none: a common one. Common practice, no source.
BODY = {"name": "a 36 x 24 mm body", "sensor_mm": (36.0, 24.0), "pixels": (6000, 4000), "stabiliser_stops": 4.0,
        "base_iso": 100.0, "max_iso": 6400.0}  # fmt: skip
LENSES = ({"name": "wide zoom", "focal_mm": (16.0, 35.0), "f_number": 4.0, "closest_m": 0.3},
          {"name": "standard zoom", "focal_mm": (24.0, 105.0), "f_number": 4.0, "closest_m": 0.45})  # fmt: skip


class ChurchTable(Table):
    """A church in some ten numbers. Lengths as numbers of metres, or in words: "25.3 m", "83 ft", "25 m ± 0.5 m".

    `length` is the whole inside from west to east, `width` the nave's between its arcades or walls, `height` to the
    crown of its vault or the ceiling. `aisles`: how many, or on which side the only one is. `transept` (from end to
    end) and `quire`: a length, or whether there is one. `sill` and `head`: the nave's own windows above the floor,
    those of the clerestory where there are aisles. `without`: assumed things that are not there.
    """

    type: Kind
    length: Measure
    width: Measure
    height: Measure
    bays: Annotated[int, Field(ge=1, le=40)] | None = None
    aisles: Literal[0, 1, 2, "north", "south"] | None = None
    transept: bool | Measure | None = None
    quire: bool | Measure | None = None
    sill: Measure | None = None
    head: Measure | None = None
    aisle_sill: Measure | None = None
    aisle_head: Measure | None = None
    aisle_width: Measure | None = None
    aisle_height: Measure | None = None
    axis_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    axis_off_deg: Annotated[float, Field(ge=0, le=45)] | None = None
    without: tuple[str, ...] = ()

    @field_validator(
        "length", "width", "height", "transept", "quire", "sill", "head", "aisle_sill", "aisle_head", "aisle_width",
        "aisle_height",
    )  # fmt: skip
    @classmethod
    def _a_length(cls, value: Any, info: ValidationInfo) -> Any:
        if value is not None and not isinstance(value, bool):
            length_of(value, GUIDE)
        return value

    @model_validator(mode="after")
    def _fits(self) -> ChurchTable:
        n = self.numbers
        quire = n.quire.metres if isinstance(n.quire, Length) else 0.0
        across = n.width.metres if isinstance(n.transept, Length) or self.type == "cruciform" else 0.0
        if quire + across >= n.length.metres - 1:
            raise ValueError(
                "the quire and the crossing leave no length for the nave; length is that of the whole inside"
            )
        if n.sill and n.head and n.head.metres <= n.sill.metres:
            raise ValueError("head must be above sill")
        if n.head and n.head.metres > n.height.metres:
            raise ValueError("head is above the ceiling: height is that of the nave")
        return self

    def _measure(self, name: str) -> Length | None:
        value = getattr(self, name)
        return None if value is None else length_of(value, BY_EYE if name in _EYE_LEVEL else GUIDE)

    def _part(self, name: str) -> Length | bool | None:
        value = getattr(self, name)
        return value if isinstance(value, bool) or value is None else self._measure(name)

    @property
    def numbers(self) -> Numbers:
        """The numbers in metres, each with how far it may be off."""
        sides = {None: None, 0: (), 1: ("south",), 2: ("north", "south")}
        long, wide, high = (length_of(value, GUIDE) for value in (self.length, self.width, self.height))
        optional = {name: self._measure(name) for name in (*_EYE_LEVEL, "aisle_width", "aisle_height")}
        aisles = (self.aisles,) if isinstance(self.aisles, str) else sides[self.aisles]
        transept, quire = self._part("transept"), self._part("quire")
        return Numbers(self.type, long, wide, high, self.bays, aisles, transept, quire, **optional)

    @property
    def axis_off(self) -> float:
        """Degrees by which the axis may be off."""
        return COMPASS if self.axis_off_deg is None else self.axis_off_deg


def _cm(value: float) -> float:
    return round(value, 2)


def _room(room: AssumedRoom) -> dict[str, Any]:
    off = {"length_m": room.length.off, "width_m": room.width.off, "height_m": room.height.off}
    row: dict[str, Any] = {"name": room.name}
    if room.west_end != (0.0, 0.0):
        row["west_end_m"] = tuple(_cm(v) for v in room.west_end)
    return row | {
        "length_m": _cm(room.length.metres), "width_m": _cm(room.width.metres), "height_m": _cm(room.height.metres),
        "assumed": room.why or "as [church] says", "off": {k: _cm(v) for k, v in off.items()},
    }  # fmt: skip


def _window(window: AssumedWindow, axis: float) -> dict[str, Any]:
    off = {"along_m": window.along.off, "width_m": window.width.off, "sill_m": window.sill.off,
           "head_m": window.head.off, "wall_thickness_m": WALL.off}  # fmt: skip
    place: dict[str, Any]
    if window.at is None:
        place = {"wall": window.wall, "along_m": _cm(window.along.metres)}
    else:
        place = {"faces_deg": round((axis + (window.faces or 0.0)) % 360, 2) % 360, "at_m": window.at}
    return {"name": window.name, "room": window.room, **place, "width_m": _cm(window.width.metres),
            "sill_m": _cm(window.sill.metres), "head_m": _cm(window.head.metres), "wall_thickness_m": WALL.metres,
            "assumed": window.why, "off": {k: _cm(v) for k, v in off.items()}}  # fmt: skip


def _sunlit_side(axis: float, latitude: float) -> str:
    """The side wall, by the altar's compass, that the sun at noon shines on from across.

    It then stands in the south of the northern half of the earth, in the north of the southern.
    """
    to_the_left = math.cos(math.radians(axis - 90)) > 0  # the liturgical north lies to the compass's north
    return "north" if to_the_left == (latitude >= 0) else "south"


def assumed_rows(church: ChurchTable, axis: float, latitude: float) -> dict[str, Rows]:
    """The tables of rooms, windows, stations, views and kit that follow, by the name of their kind.

    `axis`: degrees from true north; `latitude`: degrees.
    """
    plan = layout(church.numbers)
    out: dict[str, Rows] = {
        "room": [_room(r) for r in plan.rooms],
        "window": [_window(w, axis) for w in plan.windows],
        "station": [{"name": p.name, "at_m": p.at, "assumed": "usual"} for p in plan.points],
        "view": _views(plan, _sunlit_side(axis, latitude)),
        "body": [{**BODY, "assumed": "a common one"}],
        "lens": [{**lens, "assumed": "a common one"} for lens in LENSES],
        "bag": [{"name": "everything", "body": BODY["name"], "lenses": tuple(str(k["name"]) for k in LENSES)}],
    }
    gone = set(church.without)
    return {kind: [row for row in rows if row["name"] not in gone] for kind, rows in out.items()}


def _views(plan: Layout, lit: str) -> Rows:
    """The usual views of such a church; `lit`: the side whose wall the sun reaches at noon."""
    main = plan.rooms[0]
    quire = plan.room("quire")
    names = [p.name for p in plan.points]
    ends = [w.name for w in plan.windows if w.name in ("east window", "west window")]
    east = ["east window"] if "east window" in ends else []
    rows = [_along(main, names[:2]), _vault(main, names[1])]
    if "west window" in ends:
        rows.append(_end_window(plan, "west window", main, [names[-1 if len(names) < 3 else 2], names[1]]))
    if east:
        rows.append(
            _end_window(plan, "east window", quire or main, [names[1]] if len(names) < 3 else [names[2], names[1]])
        )
    rows.append(_side_wall(plan, names[1], lit))
    for side in ("south", "north"):
        aisle = plan.room(f"{side} aisle")
        if aisle is not None:
            rows.append(_down_aisle(aisle, f"{side} aisle"))
    if plan.crossing is not None:
        rows.append(_crossing(main, plan.crossing))
    return rows


def _off(room: AssumedRoom, along: float, up: float, size: float) -> dict[str, float]:
    """How far a view's subject may be off: its middle along and up, and its size as a share."""
    return {"along_m": _cm(along), "up_m": _cm(up), "size": round(size, 3)}


def _along(main: AssumedRoom, stations: list[str]) -> dict[str, Any]:
    high = main.height.metres
    return {
        "name": f"{main.name} to the altar", "room": main.name,
        "centre_m": (main.west_end[0], _cm(main.west_end[1] + main.length.metres), _cm(0.46 * high)),
        "width_m": _cm(main.width.metres), "height_m": _cm(0.9 * high), "on": "east", "square_on": True,
        "aspect": "3:4", "floor": True, "stations": tuple(stations), "first": True, "minutes": 10.0,
        "assumed": "usual", "off": _off(main, main.length.off, 0.46 * main.height.off, main.height.off / high),
    }  # fmt: skip


def _vault(main: AssumedRoom, station: str) -> dict[str, Any]:
    middle, long = 0.5 * main.length.metres, min(1.2 * main.width.metres, 0.8 * main.length.metres)
    return {
        "name": f"{main.name} vault", "room": main.name,
        "centre_m": (main.west_end[0], _cm(middle), _cm(main.height.metres)),
        "width_m": _cm(0.9 * main.width.metres), "height_m": _cm(long),
        "on": "vault", "stations": (station,), "assumed": "usual",
        "off": _off(main, 0.0, main.height.off, main.width.off / main.width.metres),
    }  # fmt: skip


def _end_window(plan: Layout, name: str, room: AssumedRoom, stations: list[str]) -> dict[str, Any]:
    w = next(w for w in plan.windows if w.name == name)
    east = w.wall == "east"
    y = room.west_end[1] + (room.length.metres if east else 0.0)
    tall = w.head.metres - w.sill.metres
    return {
        "name": name, "room": room.name,
        "centre_m": (room.west_end[0], _cm(y), _cm((w.sill.metres + w.head.metres) / 2)),
        "width_m": _cm(1.06 * w.width.metres), "height_m": _cm(1.06 * tall), "on": w.wall, "square_on": True,
        "stations": tuple(dict.fromkeys(stations)), "glass": "bracket", "glass_cd_m2": 800.0, "light": "no sun",
        "windows": (name,), "assumed": "usual",
        "off": _off(room, room.length.off if east else 0.0, math.hypot(w.sill.off, w.head.off) / 2,
                    min(math.hypot(w.sill.off, w.head.off) / tall, 0.9)),
    }  # fmt: skip


def _side_wall(plan: Layout, station: str, side: str) -> dict[str, Any]:
    """The wall across from the sun at its highest, which its light reaches."""
    main = plan.rooms[0]
    x = main.west_end[0] + main.width.metres / 2 * (1 if side == "south" else -1)
    high = 0.7 * main.height.metres
    return {
        "name": f"{side} {'wall' if plan.room(f'{side} aisle') is None else 'arcade'}", "room": main.name,
        "centre_m": (_cm(x), _cm(0.6 * main.length.metres), _cm(high / 2)),
        "width_m": _cm(min(1.1 * high, 0.6 * main.length.metres)), "height_m": _cm(high), "on": side,
        "stations": (station,), "assumed": "usual",
        "off": _off(main, 0.0, main.height.off / 4, main.height.off / main.height.metres),
    }  # fmt: skip


def _down_aisle(aisle: AssumedRoom, station: str) -> dict[str, Any]:
    high = aisle.height.metres
    return {
        "name": f"{station} to the east", "room": aisle.name,
        "centre_m": (_cm(aisle.west_end[0]), _cm(aisle.length.metres), _cm(0.46 * high)),
        "width_m": _cm(aisle.width.metres), "height_m": _cm(0.9 * high), "on": "east", "aspect": "3:4", "floor": True,
        "stations": (station,), "assumed": "usual",
        "off": _off(aisle, aisle.length.off, 0.46 * aisle.height.off, aisle.height.off / high),
    }  # fmt: skip


def _crossing(main: AssumedRoom, start: float) -> dict[str, Any]:
    side = 0.9 * main.width.metres
    return {
        "name": "crossing vault", "room": main.name,
        "centre_m": (0.0, _cm(start + main.width.metres / 2), _cm(main.height.metres)), "width_m": _cm(side),
        "height_m": _cm(side), "on": "vault", "stations": ("crossing",), "aspect": "1:1", "assumed": "usual",
        "off": _off(main, 0.0, main.height.off, main.width.off / main.width.metres),
    }  # fmt: skip
