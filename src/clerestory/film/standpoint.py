"""Where a picture was taken: the floor plan with the standing point, the cone of view, and the sun on the floor."""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.building.windows import SunTrack, patches
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.film.account import Made
from clerestory.film.drawing import FromThePlan
from clerestory.film.lettering import drawn_plan
from clerestory.film.light import Renderer, StillCard
from clerestory.film.pictures import Picture
from clerestory.film.taps import Floats
from clerestory.plan.framing import subject_points
from clerestory.plan.kit import Framings, bags, best_bag
from clerestory.plan.model import StationTable, ViewTable, Visit, read_visit
from clerestory.plan.taken import taken_for
from clerestory.visit.about import read_abouts

Array = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

SECONDS = 6.0  # as long as it is seen when nothing else says; common practice, no source
_BOX = (70.0, 130.0, 820.0, 360.0)  # where the plan lies: left, top, width, height, points of a frame 960 wide
_SHORTEST = 1.0  # metres that a cone is drawn at the least
_UNTURNED = 0.5  # metres of floor between the standing point and the subject under which a view has no direction


@dataclass(frozen=True)
class Standpoint(FromThePlan):
    """A standing point in the plan, metres in building axes (x right of the axis, y along it), and what is seen."""

    rooms: tuple[Points, ...]
    windows: tuple[Points, ...]
    sun: tuple[Points, ...]
    """Patches of sunlight on the floor when the picture was taken."""
    at: tuple[float, float]
    left: float
    """Yaw of the cone's left edge, radians to the right of the axis."""
    right: float
    station: str
    eye: float
    """Metres from the room's floor to the lens."""
    clock: str = ""
    begin: int = 0
    end: int = 0

    seconds = SECONDS

    def lit(self, renderer: Renderer, picture: Path) -> StillCard:
        """The plan, drawn."""
        return StillCard(renderer, self.light((renderer.width, renderer.height)))

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame: always the same."""
        return ()

    @property
    def scale(self) -> tuple[float, Array]:
        """Points of the drawing to a metre, and the place (2,) on the plan that lies in its box's middle."""
        points = np.array([point for room in self.rooms for point in on_plan(room)])
        low, high = points.min(axis=0), points.max(axis=0)
        span = np.maximum(high - low, 1e-6)
        return float(min(_BOX[2] / span[0], _BOX[3] / span[1])), (low + high) / 2

    def drawn_at(self, points: Points | Array) -> Array:
        """Where places of the floor (n, 2), metres, are drawn: points of a frame 960 points wide."""
        scale, middle = self.scale
        centre = np.array([_BOX[0] + _BOX[2] / 2, _BOX[1] + _BOX[3] / 2])
        out: Array = (on_plan(points) - middle) * [scale, -scale] + centre
        return out

    def cone(self, steps: int = 96) -> Points:
        """The standing point, then what is seen from the left edge to the right one as far as the outer walls."""
        yaws = np.sort(np.concatenate([np.linspace(self.left, self.right, steps), self._corner_yaws()]))
        ends = [(yaw, self._to_outer_wall(yaw)) for yaw in yaws]
        return (self.at, *((self.at[0] + d * math.sin(yaw), self.at[1] + d * math.cos(yaw)) for yaw, d in ends))

    def _corner_yaws(self) -> Array:
        """Yaws within the cone at which the rooms' corners are seen: without them the cone would cut corners off."""
        corners = np.array([point for room in self.rooms for point in room], float).reshape(-1, 2) - self.at
        yaws = np.arctan2(corners[:, 0], corners[:, 1])
        middle = (self.left + self.right) / 2
        near: Array = middle + (yaws - middle + math.pi) % (2 * math.pi) - math.pi
        return near[(near > self.left) & (near < self.right)]

    def _to_outer_wall(self, yaw: float) -> float:
        """Metres along a yaw from the standing point through one room after another, which are boxes."""
        way, far = np.array([math.sin(yaw), math.cos(yaw)]), 0.0
        boxes = [(np.min(room, axis=0), np.max(room, axis=0)) for room in self.rooms]
        for _ in boxes:  # through each room once at most
            inside = np.array(self.at) + (far + 1e-6) * way
            held = [(low, high) for low, high in boxes if (low <= inside).all() and (inside <= high).all()]
            if not held:
                break
            with np.errstate(divide="ignore"):
                exits = [np.where(way > 0, high - self.at, low - np.array(self.at)) / way for low, high in held]
            far = max(float(np.where(np.abs(way) > 1e-12, exit, np.inf).min()) for exit in exits)
        return max(far, _SHORTEST)

    def words(self) -> tuple[tuple[str, str], ...]:
        """One step: where one stands, and how much is seen."""
        across = round(math.degrees(self.right - self.left))
        line = f"Lens {self.eye:.1f} m above the floor, {across}° across; altar to the right"
        return ((f"Standing point: {self.station}", line + (f"; sun at {self.clock}" if self.sun else "")),)

    def word_frames(self) -> list[tuple[int, int]]:
        """The words stand as long as the plan."""
        return [(self.begin, self.end)]

    def light(self, size: tuple[int, int], bare: bool = False) -> Floats:
        """The drawing in linear light, float32 H x 3 W, colours side by side; `bare`: rooms and windows alone."""

        def drawn(shapes: tuple[Points, ...]) -> list[list[list[float]]]:
            return [self.drawn_at(shape).round(3).tolist() for shape in shapes]

        metres = next((m for m in (1, 2, 5, 10, 20, 50) if m * self.scale[0] >= 60), 100)
        data = {
            "rooms": drawn(self.rooms), "windows": drawn(self.windows), "sun": [] if bare else drawn(self.sun),
            "cone": [] if bare else drawn((self.cone(),))[0], "stand": drawn(((self.at,),))[0][0],
            "bar": metres * self.scale[0], "metres": f"{metres} m",
        }  # fmt: skip
        return drawn_plan(json.dumps(data), size)


def on_plan(points: Points | Array) -> Array:
    """Places of the floor (n, 2) as a plan has them, y upwards: the west end on the left, the north side up."""
    flat = np.asarray(points, float)
    out: Array = np.stack([flat[..., 1], -flat[..., 0]], axis=-1)
    return out


def edges_of(made: Made) -> tuple[float, float, float]:
    """Yaw of a picture's left edge, middle and right edge at half its height: radians from where the camera pointed.

    The picture plane stands as straightening left it; the middle is that of the picture, not of the frame.
    """
    turned, room = made.rectification, made.room
    left = turned.roll if turned.plumb <= 0 else 0.0
    axes = Pose(yaw=turned.swing, pitch=turned.pitch * (1 - turned.plumb), roll=left).rotation
    y = room.top + room.height / 2
    points = np.array([[room.left + share * room.width, y] for share in (0, 0.5, 1)])
    rays = made.camera.without_lens().directions(points) @ axes
    a, b, c = np.arctan2(rays[:, 0], rays[:, 1])
    return float(a), float(b), float(c)


@dataclass(frozen=True)
class Planned:
    """The planned view that a picture is of, and where it was taken."""

    plan: Visit
    view: ViewTable
    station: StationTable


def planned_of(visit: Path, picture: Picture, station: str) -> Planned | str:
    """What the plan says of a picture, or why it says nothing, in words.

    `station`: the name of the standing point, where the film tells it.
    """
    path = visit / "visit.toml"
    if not path.exists():
        return "there is no plan (visit.toml)"
    try:
        plan = read_visit(path)
        abouts = read_abouts(visit / "about.toml")
    except UserError as error:
        return f"the plan cannot be read ({str(error).splitlines()[0]})"
    name = picture.view or picture.name
    planned = {view.name.casefold(): view for view in plan.view}
    hit = taken_for(name, abouts.of(name), planned)
    if hit is None and picture.title.casefold() in planned:
        hit = picture.title.casefold()
    if hit is None:
        return f'no planned view is that of {picture.name}; write planned = "..." for it in about.toml'
    view = planned[hit]
    stood = _station(plan, view, station)
    return stood if isinstance(stood, str) else Planned(plan, view, stood)


def standpoint_of(visit: Path, picture: Picture, made: Made | None, station: str) -> Standpoint | str:
    """Where a picture was taken, or why that cannot be drawn, in words.

    The plan tells the standing point and what the view looks at, the picture's own camera how wide the cone is.
    `station`: the name of the standing point, where the film tells it.
    """
    found = planned_of(visit, picture, station)
    if isinstance(found, str):
        return found
    return _placed(found.plan, found.view, found.station, picture, made)


def _station(plan: Visit, view: ViewTable, named: str) -> StationTable | str:
    """Where a view was taken from: as named, else its only station, else the one that the plan chose."""
    stations = {station.name: station for station in plan.station}
    if named and named not in stations:
        return f"no station of the plan is called '{named}' (it has: {', '.join(stations)})"
    if not named and len(view.stations) == 1:
        named = view.stations[0]
    if not named:
        chosen = best_bag(bags(Framings(plan))).best[view.name]
        if chosen is None:
            return f'the plan found nowhere to take {view.name} from; write station = "..." in the shot'
        named = chosen.station
    return stations[named]


def _placed(
    plan: Visit, view: ViewTable, station: StationTable, picture: Picture, made: Made | None
) -> Standpoint | str:
    at, aim = np.array(station.at_m, float), np.array(view.centre_m[:2], float)
    if np.hypot(*(aim - at)) < _UNTURNED:
        return f"{view.name} looks straight up from {station.name}, which a plan cannot show"
    towards = math.atan2(aim[0] - at[0], aim[1] - at[1])
    if made is not None and made.kind != "panorama":
        left, middle, right = edges_of(made)
    else:
        eye = np.array([*at, station.lens_m])
        sides = subject_points(view, eye)[:4, :2] - at
        yaws = (np.arctan2(sides[:, 0], sides[:, 1]) - towards + math.pi) % (2 * math.pi) - math.pi
        left, middle, right = float(yaws.min()), 0.0, float(yaws.max())
    house = plan.building
    rooms = tuple(
        ((x0, y0), (x1, y0), (x1, y1), (x0, y1)) for (x0, x1), (y0, y1), _ in (hall.bounds for hall in house.halls)
    )
    openings = []
    for window in house.windows:
        normal = house.normal(window)
        along = np.array([-normal[1], normal[0]]) * window.width / 2
        openings.append(_points(np.array([window.centre - along, window.centre + along])))
    sun, clock = _sun(plan, picture)
    return Standpoint(
        rooms, tuple(openings), sun, (float(at[0]), float(at[1])), towards + left - middle, towards + right - middle,
        station.name, station.lens_m, clock,
    )  # fmt: skip


def _points(array: Array) -> Points:
    return tuple((float(x), float(y)) for x, y in array)


def _sun(plan: Visit, picture: Picture) -> tuple[tuple[Points, ...], str]:
    """Sunlight on the floors when a picture was taken, by its camera's clock taken as the place's; none unknown."""
    try:
        taken = datetime.strptime(picture.taken, "%Y:%m:%d %H:%M:%S").replace(tzinfo=plan.zone)
    except ValueError:
        return (), ""
    house = plan.building
    track = SunTrack.over((taken.timestamp(),) * 2, 1.0, plan.observer, house)
    if track.clearance[0] <= 0:
        return (), ""
    found = [
        _points(patch.corners[:, :2])
        for window in house.windows
        for patch in patches(window, house.hall(window.hall), house, track.vectors[0])
        if patch.face == "floor"
    ]
    return tuple(found), taken.strftime("%H:%M")
