"""The visit file: what `visit.toml` may say, read and checked. Every complaint names the line and the field."""

from __future__ import annotations

import math
from datetime import date, time, timedelta
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, ValidationError, field_validator, model_validator

from clerestory.building.model import (
    WALL_TURN,
    Building,
    Hall,
    Skyline,
    Window,
    WindowOff,
    axis_from_ends,
    read_footprint,
    wall_place,
)
from clerestory.building.sun import Observer
from clerestory.camera.noise import NoiseModel
from clerestory.camera.steadiness import Hands, tells
from clerestory.errors import UserError
from clerestory.files.mistakes import Complaints, Loc, field_name, plain
from clerestory.files.toml import model_of, read_text, read_toml
from clerestory.languages import Language
from clerestory.plan.church import ChurchTable, assumed_rows
from clerestory.plan.table import Table

Date = date
Positive = Annotated[float, Field(gt=0, lt=1e9)]
Metres = Annotated[float, Field(gt=0, lt=2000)]
Coordinate = Annotated[float, Field(ge=-5000, le=5000)]
Share = Annotated[float, Field(ge=0, le=1)]


def _by_the_local_clock(value: time) -> time:
    if value.tzinfo is not None:
        raise ValueError("must be a time by the place's own clock, such as 09:30:00, with no offset")
    return value


Clock = Annotated[time, AfterValidator(_by_the_local_clock)]
Name = Annotated[str, Field(min_length=1, max_length=100)]
Point2 = tuple[Coordinate, Coordinate]
Point3 = tuple[Coordinate, Coordinate, Coordinate]
Wall = Literal["east", "west", "north", "south"]
Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
Allowed = Literal["yes", "ask", "no"]
DAYS: tuple[Day, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
ASPECTS = {"4:3": 4 / 3, "3:2": 3 / 2, "16:9": 16 / 9, "1:1": 1.0, "3:4": 3 / 4, "2:3": 2 / 3, "9:16": 9 / 16}

AXIS_ONCE = "give the axis once: axis_deg, or west_end_deg with east_end_deg, or footprint"

FULL_WELL_PER_SQUARE_MICROMETRE = 2400.0  # electrons at base ISO (common practice, no source)
READ_NOISE = 3.0  # electrons (common practice, no source)
EYE = 1.6  # metres from the floor to the lens of someone standing (common practice, no source)


class VisitTable(Table):
    """The day itself. `language`: that the field card speaks; "en-US" has feet."""

    title: Name
    date: Date
    arrive: Clock
    leave: Clock
    other_dates: tuple[Date, ...] = ()
    language: Language = "en"

    @model_validator(mode="after")
    def _in_order(self) -> VisitTable:
        if self.leave <= self.arrive:
            raise ValueError("leave must be later than arrive")
        return self


class Hours(Table):
    """A span of the local clock on some days of the week, or on one date."""

    name: str = ""
    days: tuple[Day, ...] = DAYS
    date: Date | None = None
    start: Clock = Field(alias="from")
    end: Clock = Field(alias="to")

    @model_validator(mode="after")
    def _in_order(self) -> Hours:
        if self.end <= self.start:
            raise ValueError("'to' must be later than 'from'")
        return self

    def falls_on(self, day: Date) -> bool:
        """Whether this span is on a given day."""
        return self.date == day if self.date else DAYS[day.weekday()] in self.days


class Contact(Table):
    """Someone to ask."""

    name: Name
    role: str = ""
    phone: str = ""
    email: str = ""


class SkylinePoint(Table):
    """Lowest clear altitude in one direction."""

    azimuth_deg: Annotated[float, Field(ge=0, le=360)]
    altitude_deg: Annotated[float, Field(ge=0, lt=90)]


class DrawingTable(Table):
    """A floor plan laid under the map: a picture beside this file, and two of its points, in pixels from its top left

    corner and in metres right of the axis and along it.
    """

    file: str
    points_px: tuple[Point2, Point2]
    points_m: tuple[Point2, Point2]

    @model_validator(mode="after")
    def _apart(self) -> DrawingTable:
        if self.points_px[0] == self.points_px[1] or self.points_m[0] == self.points_m[1]:
            raise ValueError("the two points must be apart")
        return self


class PlaceTable(Table):
    """The building as a place: position, axis, hours, rules.

    `axis_off_deg`: by how much the axis may be off, 95 times in 100. `closed`: dates on which it is shut, whatever
    its hours say.
    """

    name: Name
    town: str = ""
    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-180, le=180)]
    height_m: float = 0.0
    time_zone: str
    axis_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    west_end_deg: Point2 | None = None
    east_end_deg: Point2 | None = None
    footprint: str | None = None
    axis_off_deg: Annotated[float, Field(ge=0, le=45)] = 0.0
    drawing: DrawingTable | None = None
    closed: tuple[Date, ...] = ()
    rules: tuple[str, ...] = ()
    permit: str = ""
    tripod: Allowed = "ask"
    flash: Allowed = "no"
    drone: Allowed = "no"
    open: tuple[Hours, ...] = ()
    service: tuple[Hours, ...] = ()
    quiet: tuple[Hours, ...] = ()
    contact: tuple[Contact, ...] = ()
    skyline: tuple[SkylinePoint, ...] = ()

    @field_validator("time_zone")
    @classmethod
    def _known_zone(cls, value: str) -> str:
        try:
            ZoneInfo(value)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            raise ValueError(f"no time zone is called {value!r}; write one such as Europe/London") from error
        return value

    @model_validator(mode="after")
    def _one_axis(self) -> PlaceTable:
        given = [self.axis_deg is not None, self.west_end_deg is not None, self.footprint is not None]
        if sum(given) > 1 or (self.west_end_deg is None) != (self.east_end_deg is None):
            raise ValueError(AXIS_ONCE)
        return self

    def open_on(self, day: Date) -> bool:
        """Whether one can get in on a day, as far as is known."""
        return day not in self.closed and (not self.open or any(hours.falls_on(day) for hours in self.open))

    @property
    def has_axis(self) -> bool:
        """Whether the axis is given here."""
        return self.axis_deg is not None or self.west_end_deg is not None or self.footprint is not None


Off = Annotated[float, Field(ge=0, le=500)]


class RoomOffTable(Table):
    """By how much a room's measures may be off, metres, 95 times in 100."""

    length_m: Off = 0.0
    width_m: Off = 0.0
    height_m: Off = 0.0


class WindowOffTable(Table):
    """By how much a window's measures may be off, metres, 95 times in 100."""

    along_m: Off = 0.0
    width_m: Off = 0.0
    sill_m: Off = 0.0
    head_m: Off = 0.0
    wall_thickness_m: Off = 0.0

    @property
    def off(self) -> WindowOff:
        """The same as the building takes it."""
        return WindowOff(self.along_m, self.width_m, self.sill_m, self.head_m, self.wall_thickness_m)


class ViewOffTable(Table):
    """By how much a view's subject may be off, 95 times in 100: its middle, metres, and its size, a share."""

    along_m: Off = 0.0
    up_m: Off = 0.0
    size: Annotated[float, Field(ge=0, lt=1)] = 0.0


class RoomTable(Table):
    """A room as a box. `steps`: whether its steps are worn or dark; left out, its name tells (see `care`).

    `assumed`, here and in other tables: that nobody measured this, and what it was assumed from; `off`: by how much.
    """

    name: Name
    length_m: Metres
    width_m: Metres
    height_m: Metres
    west_end_m: Point2 = (0.0, 0.0)
    steps: bool | None = None
    assumed: str = ""
    off: RoomOffTable = RoomOffTable()


class WindowTable(Table):
    """A window in a wall of a room."""

    name: Name
    room: Name
    wall: Wall | None = None
    along_m: float | None = None
    faces_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    at_m: Point2 | None = None
    width_m: Metres
    sill_m: Annotated[float, Field(ge=0)]
    head_m: Positive
    wall_thickness_m: Annotated[float, Field(ge=0)] = 0.8
    assumed: str = ""
    off: WindowOffTable = WindowOffTable()

    @model_validator(mode="after")
    def _placed(self) -> WindowTable:
        if self.head_m <= self.sill_m:
            raise ValueError("head_m must be above sill_m")
        by_wall, by_point = self.wall is not None and self.along_m is not None, self.at_m is not None
        if by_wall == by_point or (by_point and self.faces_deg is None):
            raise ValueError("place it once: wall with along_m, or at_m with faces_deg")
        return self


class StationTable(Table):
    """Where one may stand. `eye_m`: the lens above what one stands on; `floor_m`: that above the room's floor.

    `floor_m` left out counts as 0 and says nothing: an earlier file may have a gallery's height in `eye_m`.
    """

    name: Name
    at_m: Point2
    eye_m: Annotated[float, Field(gt=0, lt=100)] = EYE
    floor_m: Annotated[float, Field(ge=0, lt=100)] | None = None
    note: str = ""
    assumed: str = ""

    @property
    def lens_m(self) -> float:
        """Metres from the room's floor to the lens."""
        return (self.floor_m or 0.0) + self.eye_m


class HandsTable(Table):
    """This user's hands: see `camera.steadiness.Hands`.

    `learned`: the file that `learn` wrote, from this file's folder; it then says what the hands are, and the noise of
    every body that bears the name of a camera in it.
    """

    t0_stops: float = Hands.t0_stops
    slope: Positive = Hands.slope
    stabilised: bool = False
    learned: str = ""

    @property
    def hands(self) -> Hands:
        """The hands as the camera model takes them."""
        return Hands(self.t0_stops, self.slope, self.stabilised)


Four = tuple[Positive, Positive, Positive, Positive]


class NoiseTable(Table):
    """A camera's noise at one ISO, measured on `frames` frames: raw units, channels R, G beside R, G beside B, B.

    `range`: raw units from black to saturation.
    """

    iso: Positive
    range: Positive
    gain: Four
    read: Four
    frames: Annotated[int, Field(ge=1)] = 1

    @property
    def model(self) -> NoiseModel:
        """The noise in raw units."""
        return NoiseModel(self.gain, self.read)


class BodyTable(Table):
    """A camera body. `noise_at`: its noise as `learn` measured it."""

    name: Name
    sensor_mm: tuple[Positive, Positive]
    pixels: tuple[Annotated[int, Field(gt=0)], Annotated[int, Field(gt=0)]]
    stabiliser_stops: Annotated[float, Field(ge=0, le=10)] = 0.0
    base_iso: Positive = 200.0
    max_iso: Positive = 6400.0
    full_well_e: Positive | None = None
    read_noise_e: Positive = READ_NOISE
    sharp_um: Positive | None = None
    noise_at: tuple[NoiseTable, ...] = ()
    assumed: str = ""

    @model_validator(mode="after")
    def _square_pixels(self) -> BodyTable:
        (w, h), (pw, ph) = self.sensor_mm, self.pixels
        if abs(w / pw * ph / h - 1) > 0.05:
            raise ValueError("sensor_mm and pixels do not agree: the pixels would not be square; check both orders")
        return self

    @property
    def pixel_mm(self) -> float:
        """Width of a pixel in mm."""
        return self.sensor_mm[0] / self.pixels[0]

    @property
    def frame_mm(self) -> tuple[float, float]:
        """Width and height in mm of the pixels read, taken as square."""
        return self.pixels[0] * self.pixel_mm, self.pixels[1] * self.pixel_mm

    @property
    def coc_mm(self) -> float:
        """Circle of confusion in mm: as given, else the sensor's diagonal / 1500 (common practice, no source)."""
        if self.sharp_um is not None:
            return self.sharp_um / 1000
        return float((self.sensor_mm[0] ** 2 + self.sensor_mm[1] ** 2) ** 0.5 / 1500)

    @property
    def full_well(self) -> float:
        """Electrons at saturation at base ISO."""
        return self.full_well_e or FULL_WELL_PER_SQUARE_MICROMETRE * (self.pixel_mm * 1000) ** 2

    def nearest(self, iso: float) -> NoiseTable:
        """Of what was measured, that at the nearest ISO."""
        return min(self.noise_at, key=lambda n: abs(math.log2(n.iso / iso)))

    def noise(self, iso: float, saturation: float = 1.0) -> NoiseModel:
        """Noise with signals in units where `saturation` is full (1: shares of saturation).

        As measured at the nearest ISO, in electrons, where `noise_at` has any; else four equal channels.
        """
        if self.noise_at:
            near = self.nearest(iso)
            return near.model.scaled(saturation / near.range * iso / near.iso)
        gain = saturation / self.full_well * max(iso / self.base_iso, 1e-9)
        return NoiseModel((gain,) * 4, (gain * self.read_noise_e,) * 4)


class LensTable(Table):
    """A lens: a zoom has two focal lengths, and two smallest f-numbers if they differ.

    `distortion_pct` is how far the frame's corner is moved, in per cent of its distance from the middle: negative
    for a barrel. `vignetting` is how many stops darker the corner is than the middle; what mends it is then taken to
    grow with the square of the distance. Both as lens tests state them, 0 where not known. A lens profile tells more:
    `distortion` then is the four radial k of the DNG specification's WarpRectilinear, and `vignetting` the five of
    its FixVignetteRadial.
    """

    name: Name
    focal_mm: Positive | tuple[Positive, Positive]
    f_number: Positive | tuple[Positive, Positive]
    f_number_max: Positive = 22.0
    closest_m: Positive = 0.4
    distortion_pct: Annotated[float, Field(ge=-15, le=15)] = 0.0
    distortion: tuple[float, float, float, float] | None = None
    vignetting: Annotated[float, Field(ge=0, le=5)] | tuple[float, float, float, float, float] = 0.0
    stabiliser_stops: Annotated[float, Field(ge=0, le=10)] = 0.0
    weight_g: Annotated[float, Field(ge=0)] = 0.0
    assumed: str = ""

    @model_validator(mode="after")
    def _range(self) -> LensTable:
        low, high = self.focal_range
        if high < low:
            raise ValueError("focal_mm must run from short to long")
        return self

    @property
    def focal_range(self) -> tuple[float, float]:
        """Shortest and longest focal length, mm."""
        return self.focal_mm if isinstance(self.focal_mm, tuple) else (self.focal_mm, self.focal_mm)

    @property
    def radial(self) -> tuple[float, float, float, float]:
        """The four radial k of the DNG specification's WarpRectilinear."""
        return self.distortion or (1.0, self.distortion_pct / 100, 0.0, 0.0)

    def light_left(self, width: int, height: int) -> NDArray[np.float64]:
        """Share of the light that reaches each pixel of a frame, (height, width): 1 in the middle."""
        across, down = (((np.arange(n) + 0.5) * 2 - n) ** 2 for n in (width, height))
        square = (across[None] + down[:, None]) / (width**2 + height**2)
        k = self.vignetting if isinstance(self.vignetting, tuple) else (2.0**self.vignetting - 1,)
        out: NDArray[np.float64] = 1 / np.maximum(np.polyval([*k[::-1], 1.0], square), 1e-3)
        return out

    def widest(self, focal: float) -> float:
        """Smallest f-number at a focal length, straight between the ends in the logarithm."""
        if not isinstance(self.f_number, tuple):
            return self.f_number
        (f0, f1), (n0, n1) = self.focal_range, self.f_number
        if f1 == f0:
            return n0
        t = min(max((focal - f0) / (f1 - f0), 0), 1)
        return float(n0 * (n1 / n0) ** t)


class BagTable(Table):
    """One body and the lenses carried."""

    name: Name
    body: Name
    lenses: Annotated[tuple[Name, ...], Field(min_length=1)]


class Spot(Table):
    """A spot meter's reading: what the meter proposed for the surface."""

    f_number: Positive
    seconds: Positive
    iso: Positive


class ViewTable(Table):
    """A picture one means to have."""

    name: Name
    room: Name
    note: str = ""
    centre_m: Point3
    width_m: Metres
    height_m: Metres
    on: Literal["east", "west", "north", "south", "vault", "free"] = "free"
    square_on: bool = False
    must_have_m: tuple[Point3, ...] = ()
    aspect: Literal["4:3", "3:2", "16:9", "1:1", "3:4", "2:3", "9:16", "free"] = "free"
    floor: bool = False
    margin: Annotated[float, Field(ge=0, le=0.5)] = 0.04
    stations: tuple[Name, ...] = ()
    max_tilt_deg: Annotated[float, Field(ge=0, le=60)] = 30.0
    tilt_under_deg: Annotated[float, Field(ge=1, le=60)] = 10.0
    pixels_across: Annotated[int, Field(ge=0)] = 0
    sharp_from_m: Positive | None = None
    sharp_to_m: Positive | None = None
    stone_cd_m2: Positive | Spot = 4.0
    glass_cd_m2: Positive | Spot | None = None
    glass: Literal["hold", "bracket", "let go"] = "hold"
    light: Literal["any", "sun", "no sun"] = "any"
    windows: tuple[Name, ...] = ()
    frames_max: Annotated[int, Field(ge=1, le=64)] = 8
    snr_wanted: Positive = 30.0
    minutes: Annotated[float, Field(gt=0, le=240)] = 6.0
    first: bool = False
    assumed: str = ""
    off: ViewOffTable = ViewOffTable()

    @model_validator(mode="after")
    def _sensible(self) -> ViewTable:
        if self.sharp_from_m and self.sharp_to_m and self.sharp_to_m <= self.sharp_from_m:
            raise ValueError("sharp_to_m must be farther than sharp_from_m")
        if self.square_on and self.on not in WALL_TURN:
            raise ValueError("square_on needs 'on' to name a wall: east, west, north or south")
        if self.light != "any" and not self.windows:
            raise ValueError(f"light = {self.light!r} needs 'windows' to name those meant")
        return self


class Visit(Table):
    """A whole visit file. With `church`, what is not stated in the other tables is assumed from it."""

    visit: VisitTable
    place: PlaceTable
    church: ChurchTable | None = None
    room: tuple[RoomTable, ...] = ()
    window: tuple[WindowTable, ...] = ()
    station: tuple[StationTable, ...] = ()
    hands: HandsTable = HandsTable()
    body: tuple[BodyTable, ...] = ()
    lens: tuple[LensTable, ...] = ()
    bag: tuple[BagTable, ...] = ()
    view: tuple[ViewTable, ...] = ()
    folder: Path = Field(default=Path(), exclude=True)

    @property
    def zone(self) -> ZoneInfo:
        """The place's time zone."""
        return ZoneInfo(self.place.time_zone)

    @property
    def observer(self) -> Observer:
        """The place for the sun's sake, with the standard pressure at its height (ICAO standard atmosphere)."""
        p = self.place
        pressure = 1013.25 * (1 - 2.25577e-5 * min(p.height_m, 11000)) ** 5.25588
        return Observer(p.latitude_deg, p.longitude_deg, p.height_m, pressure)

    @cached_property
    def axis(self) -> float:
        """Compass azimuth of the axis in degrees."""
        p = self.place
        if p.axis_deg is not None:
            return p.axis_deg
        if p.west_end_deg is not None and p.east_end_deg is not None:
            return axis_from_ends(p.west_end_deg, p.east_end_deg)[0]
        return read_footprint(self.folder / str(p.footprint)).axis

    @cached_property
    def building(self) -> Building:
        """The building in its own axes."""
        halls = {
            r.name: Hall(r.name, r.length_m, r.width_m, r.height_m, r.west_end_m,
                         (r.off.length_m, r.off.width_m, r.off.height_m))
            for r in self.room
        }  # fmt: skip
        windows = []
        for w in self.window:
            centre = w.at_m or wall_place(halls[w.room], str(w.wall), w.along_m or 0.0)
            faces = w.faces_deg if w.faces_deg is not None else (self.axis + WALL_TURN[str(w.wall)]) % 360
            windows.append(
                Window(w.name, w.room, faces, centre, w.width_m, w.sill_m, w.head_m, w.wall_thickness_m, w.off.off)
            )
        points = self.place.skyline
        skyline = Skyline(tuple(s.azimuth_deg for s in points), tuple(s.altitude_deg for s in points))
        return Building(self.axis, tuple(halls.values()), tuple(windows), skyline, self.place.axis_off_deg)


_FORMER = {"shape": "aspect"}  # what earlier versions wrote in a view, and its name now


def parse_visit(text: str, path: Path) -> Visit:
    """The visit in a TOML text; `path` is for messages and for the files it names. UserError names line and field."""
    visit = model_of(Visit, text, path, _FORMER, {"folder": path.parent})
    complaints = Complaints(path, text)
    _check_there(visit, complaints)
    _check_axis(visit, complaints)
    complaints.check()
    visit = with_church(visit)
    _check_names(visit, complaints)
    complaints.check()
    _check_places(visit, complaints)
    _check_open(visit, complaints)
    complaints.check()
    return visit


_NEEDED = ("room", "station", "body", "lens", "bag", "view")
_TABLES: dict[str, type[Table]] = {
    "room": RoomTable, "window": WindowTable, "station": StationTable, "view": ViewTable, "body": BodyTable,
    "lens": LensTable, "bag": BagTable,
}  # fmt: skip


def _check_there(visit: Visit, complaints: Complaints) -> None:
    """What a visit needs is there, or follows from the church in numbers."""
    kit = ("body", "lens", "bag")
    needed = _NEEDED if visit.church is None else kit if any(getattr(visit, k) for k in kit) else ()
    for kind in needed:
        if not getattr(visit, kind):
            or_church = "" if kind in kit else ", or a [church] from which rooms and views follow"
            complaints.add((kind,), f"is missing; add a [[{kind}]]{or_church}")
    given = visit.place.has_axis, visit.church is not None and visit.church.axis_deg is not None
    if sum(given) != 1:
        complaints.add(("place",), AXIS_ONCE + ("; or axis_deg in [church]" if visit.church is not None else ""))


def with_church(visit: Visit) -> Visit:
    """The visit with all that its church in numbers leaves to be assumed; what is stated stays, and comes first.

    The kit is assumed only where none is named. An assumed view keeps to windows and stations that are there.
    """
    church = visit.church
    if church is None:
        return visit
    place = visit.place
    if church.axis_deg is not None:
        place = place.model_copy(update={"axis_deg": church.axis_deg})
    place = place.model_copy(update={"axis_off_deg": place.axis_off_deg or church.axis_off})
    visit = visit.model_copy(update={"place": place, "church": None})
    visit.__dict__.pop("axis", None)  # as it was before the church's axis was put in
    rows = assumed_rows(church, visit.axis, place.latitude_deg)
    if visit.body or visit.lens or visit.bag:
        rows |= {"body": [], "lens": [], "bag": []}
    found: dict[str, tuple[Any, ...]] = {}
    for kind, table in _TABLES.items():
        stated = getattr(visit, kind)
        names = {row.name for row in stated}
        more = (table.model_validate(row) for row in rows[kind] if row["name"] not in names)
        found[kind] = (*stated, *more)
    known = {kind: {row.name for row in found[kind]} for kind in ("room", "window", "station")}
    found["window"] = tuple(w for w in found["window"] if not w.assumed or w.room in known["room"])
    known["window"] = {w.name for w in found["window"]}
    found["view"] = tuple(v for view in found["view"] if (v := _possible(view, known)) is not None)
    return visit.model_copy(update=found)


def _possible(view: ViewTable, known: dict[str, set[str]]) -> ViewTable | None:
    """An assumed view without the windows and stations that are not there; None where nothing is left of it."""
    if not view.assumed:
        return view
    stations = tuple(s for s in view.stations if s in known["station"])
    if view.room not in known["room"] or not stations:
        return None
    windows = tuple(w for w in view.windows if w in known["window"])
    light = view.light if windows else "any"
    return view.model_copy(update={"stations": stations, "windows": windows, "light": light})


def _check_names(visit: Visit, complaints: Complaints) -> None:
    tables: dict[str, tuple[Any, ...]] = {
        kind: getattr(visit, kind) for kind in ("room", "window", "station", "body", "lens", "bag", "view")
    }
    names = {kind: [t.name for t in rows] for kind, rows in tables.items()}
    for kind, known in names.items():
        for k, name in enumerate(known):
            if name in known[:k]:
                complaints.add((kind, k, "name"), f"{name!r} is used twice; give each {kind} its own name")

    def need(loc: Loc, name: str, kind: str) -> None:
        if name not in names[kind]:
            complaints.add(loc, f"no {kind} is called {name!r}; known: {', '.join(names[kind]) or 'none'}")

    for k, window in enumerate(visit.window):
        need(("window", k, "room"), window.room, "room")
    for k, bag in enumerate(visit.bag):
        need(("bag", k, "body"), bag.body, "body")
        for lens in bag.lenses:
            need(("bag", k, "lenses"), lens, "lens")
    for k, view in enumerate(visit.view):
        need(("view", k, "room"), view.room, "room")
        for station in view.stations:
            need(("view", k, "stations"), station, "station")
        for name in view.windows:
            need(("view", k, "windows"), name, "window")


def _check_axis(visit: Visit, complaints: Complaints) -> None:
    if not visit.place.has_axis:
        return
    try:
        visit.axis  # noqa: B018
    except UserError as error:
        complaints.add(("place", "footprint"), str(error))
    except ValueError as error:
        complaints.add(("place", "west_end_deg"), f"{error}; give the middles of the west and of the east wall")


def _check_places(visit: Visit, complaints: Complaints) -> None:
    halls = visit.building.halls
    for k, station in enumerate(visit.station):
        if not any(hall.holds(*station.at_m) for hall in halls):
            complaints.add(("station", k, "at_m"), "lies in no room; at_m is [right of the axis, along the axis]")
    for k, window in enumerate(visit.window):
        if window.head_m > visit.building.hall(window.room).height + 0.01:
            complaints.add(("window", k, "head_m"), "is above the room's ceiling")


def _check_open(visit: Visit, complaints: Complaints) -> None:
    """A day on which the place is closed is no day for a visit; where no hours are given nothing is known."""
    days: list[tuple[Loc, Date]] = [(("visit", "date"), visit.visit.date)]
    days += [(("visit", "other_dates", k), day) for k, day in enumerate(visit.visit.other_dates)]
    for loc, day in days:
        if visit.place.open_on(day):
            continue
        following = (day + timedelta(days=k) for k in range(1, 400))
        first = next((d for d in following if visit.place.open_on(d)), None)
        offered = f"; the next open day is {first.isoformat()} ({_called(first)})" if first else ""
        by = "closed" if day in visit.place.closed else "[[place.open]]"
        complaints.add(
            loc, f"{visit.place.name} is closed on {_called(day)}, by {by}{offered}; write an open day, or correct "
            "the hours"
        )  # fmt: skip


def _called(day: Date) -> str:
    return f"{day:%A}, {day.day} {day:%B %Y}"


def read_visit(path: Path) -> Visit:
    """The visit file at `path`, with what was learned. UserError names the line and field of whatever is wrong."""
    text = read_text(path)
    if text is None:
        raise UserError(f"{path}: there is no such visit file; check the name, or begin one: clerestory plan --new.")
    return visit_of(text, path)


def visit_of(text: str, path: Path) -> Visit:
    """The visit that a text at `path` would tell of, with what was learned. Errors as of `read_visit`."""
    visit = parse_visit(text, path)
    return with_learned(visit, path.parent / visit.hands.learned) if visit.hands.learned else visit


class CameraTable(Table):
    """A camera in the learned file, by the name that its frames carry."""

    name: Name
    noise: Annotated[tuple[NoiseTable, ...], Field(min_length=1)]


class LearnedHands(Table):
    """The hands in the learned file: how many frames they rest on, and the standard error of `t0_stops`."""

    t0_stops: float
    slope: Positive
    t0_error: Annotated[float, Field(ge=0)]
    frames: Annotated[int, Field(ge=1)]
    sharp: Annotated[int, Field(ge=0)]


class LearnedView(Table):
    """The light of a view in the learned file, as the camera saw it on an earlier visit."""

    name: Name
    stone_cd_m2: Positive
    glass_cd_m2: Positive


class LearnedTable(Table):
    """What `learn` wrote: learned.toml."""

    hands: LearnedHands | None = None
    camera: tuple[CameraTable, ...] = ()
    view: tuple[LearnedView, ...] = ()


def read_learned(path: Path) -> LearnedTable:
    """The learned file at `path`. UserError when it is not there or not as `learn` writes it."""
    data = read_toml(path)
    if data is None:
        raise UserError(f"{path}: there is no such learned file; run learn, or take 'learned' out of [hands].")
    try:
        out = LearnedTable.model_validate(data)
    except ValidationError as error:
        item = error.errors()[0]
        where = field_name(tuple(item["loc"]))
        raise UserError(f"{path}: {where} {plain(dict(item))}; run learn again.") from error
    if out.hands is not None and not tells(out.hands.t0_error):
        raise UserError(f"{path}: hands: its frames do not tell how steady your hands are (t0_error "
                        f"{out.hands.t0_error:g} stops); delete that table, or run learn again.")  # fmt: skip
    return out


def with_learned(visit: Visit, path: Path) -> Visit:
    """The visit with hands, noise and light of the learned file at `path` in place of its own.

    Glass is taken over only where the view's own table speaks of glass.
    """
    learned = read_learned(path)
    noise = {camera.name.casefold(): camera.noise for camera in learned.camera}
    bodies = tuple(
        body.model_copy(update={"noise_at": noise.get(body.name.casefold(), body.noise_at)}) for body in visit.body
    )
    hands = visit.hands
    if learned.hands is not None:
        found = {"t0_stops": learned.hands.t0_stops, "slope": learned.hands.slope, "stabilised": True}
        hands = hands.model_copy(update=found)
    light = {view.name.casefold(): view for view in learned.view}
    views = tuple(_as_seen(view, light.get(view.name.casefold())) for view in visit.view)
    return visit.model_copy(update={"hands": hands, "body": bodies, "view": views})


def _as_seen(view: ViewTable, seen: LearnedView | None) -> ViewTable:
    if seen is None:
        return view
    glass = None if view.glass_cd_m2 is None else seen.glass_cd_m2
    return view.model_copy(update={"stone_cd_m2": seen.stone_cd_m2, "glass_cd_m2": glass})
