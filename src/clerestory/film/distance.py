"""Standing back with the longer lens against going near with the short one, by the view's own geometry.

Both hold the same picture: the planned view's rectangle. The plan shows where one stands and how wide the lens sees,
the drawing beside it the room in true perspective from there, upright, the subject always as large.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building, Window
from clerestory.film.drawing import BRASS, GLASS, PALE, ROOM, STONE, Box, FromThePlan, Sheet, fitted
from clerestory.film.light import InLight, Renderer
from clerestory.film.moves import share_of, stepped
from clerestory.film.standpoint import Planned, on_plan
from clerestory.film.taps import Floats
from clerestory.plan.framing import Framing, aim, frame, subject_axes, subject_corners
from clerestory.plan.model import BodyTable, LensTable, ViewTable

Array = NDArray[np.float64]
Solid = tuple[tuple[float, float, float], ...]

SECONDS = 12.0  # as long as it takes when nothing else says; seen on the demo's plan
GO = (0.36, 0.68)  # shares of the time between which one goes nearer
_PLAN: Box = (48.0, 150.0, 330.0, 300.0)
_VIEW: Box = (420.0, 128.0, 492.0, 330.0)  # where plan and perspective lie, points
_NEAREST, _FARTHEST = 0.4, 2.5  # of the picture's own distance, how near and how far one goes
_FROM_WALL = 0.6  # metres that a back needs behind the lens
_WORTH = 1.4  # ratio of the two distances below which there is nothing to see
_ANY = (8.0, 400.0)  # mm, where the plan names no lens
_AHEAD = 0.05  # metres before the lens within which nothing is drawn


@dataclass(frozen=True)
class Stand:
    """One of the two: the place (x, y), metres, and the lens that holds the view from there."""

    at: tuple[float, float]
    metres: float
    """From the subject, level."""
    focal: float
    """Longest focal length that holds the view, mm."""
    tilt: float
    """Degrees."""
    kept: float
    """Share of the frame that is in the upright picture."""


@dataclass(frozen=True)
class Distances(FromThePlan):
    """The two places and all that is drawn, metres in building axes."""

    back: Stand
    near: Stand
    eye: float
    yaw: float
    """Of the picture: radians from the axis."""
    subject: Solid
    """Its corners."""
    rooms: tuple[Solid, ...]
    """The eight corners of each room."""
    windows: tuple[Solid, ...]
    sensor: float
    """Its longer side, mm."""
    still: bool = False
    begin: int = 0
    end: int = 0

    seconds = SECONDS

    def lit(self, renderer: Renderer, picture: Path) -> DrawnDistances:
        """Ready to be drawn."""
        return DrawnDistances(renderer, self)

    def at(self, frame: int) -> float:
        """How far one has gone from back to near, 0 to 1."""
        share = share_of(frame, self.begin, self.end)
        return float(share >= sum(GO) / 2) if self.still else stepped(share, GO, 0.35)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return (self.at(frame),)

    def place(self, share: float) -> Array:
        """Where the lens is (3,), metres, a share of the way nearer: by equal ratios of distance."""
        a, b = np.array(self.back.at), np.array(self.near.at)
        ratio = self.near.metres / self.back.metres
        k = (1 - ratio**share) / (1 - ratio)
        return np.array([*(a + k * (b - a)), self.eye])

    def words(self) -> tuple[tuple[str, str], ...]:
        """What each place asks for."""

        def line(stand: Stand) -> str:
            away = f"{stand.metres:.0f} m away, {stand.focal:.0f} mm"
            return f"{away}, tilted {stand.tilt:.0f}°, {100 * stand.kept:.0f} % kept"

        return ("Standing back, long lens", line(self.back)), ("Going near, short lens", line(self.near))

    def word_frames(self) -> list[tuple[int, int]]:
        """First and last frame of each of the words."""
        turn = self.begin + round((self.end - self.begin) * sum(GO) / 2)
        return [(self.begin, turn), (turn, self.end)]

    def seen(self, points: Array, eye: Array) -> Array:
        """Where points (n, 3) are drawn from an eye: points of the frame; NaN for what is not before the lens."""
        turn = np.array([[math.cos(self.yaw), -math.sin(self.yaw), 0], [0, 0, 1.0],
                         [math.sin(self.yaw), math.cos(self.yaw), 0]])  # fmt: skip
        x, y, ahead = ((points - eye) @ turn.T).T
        sx, sy, deep = ((np.array(self.subject) - eye) @ turn.T).T
        with np.errstate(divide="ignore", invalid="ignore"):
            flat = np.stack([x / ahead, y / ahead], axis=-1)
        flat[ahead < _AHEAD] = np.nan
        target = np.stack([sx / deep, sy / deep], axis=-1)
        low, high = target.min(axis=0), target.max(axis=0)
        scale = 0.62 * min(_VIEW[2] / (high[0] - low[0]), _VIEW[3] / (high[1] - low[1]))
        middle = np.array([_VIEW[0] + _VIEW[2] / 2, _VIEW[1] + _VIEW[3] / 2])
        out: Array = (flat - (low + high) / 2) * [scale, -scale] + middle
        return out


def distances_of(planned: Planned, body: str, still: bool) -> Distances | str:
    """The two places for a planned view, or why there are none, in words. `body`: the camera's name, if known."""
    plan, view, station = planned.plan, planned.view, planned.station
    if not plan.body:
        return "the plan names no camera body"
    camera = next((b for b in plan.body if b.name.casefold() in body.casefold()), plan.body[0])
    at, centre = np.array(station.at_m, float), np.array(view.centre_m[:2], float)
    own = float(np.hypot(*(centre - at)))
    house = plan.building
    if own < 1.0 or view.on == "vault":
        return f"{view.name} is looked up at, which distance does not change"
    towards = (centre - at) / own

    def stand(metres: float) -> Stand | None:
        place = centre - metres * towards
        held = _held(planned, camera, (float(place[0]), float(place[1])))
        if held is None or not held.fits:
            return None
        return Stand((float(place[0]), float(place[1])), metres, held.focal, held.tilt, held.kept)

    steps = np.geomspace(own * _NEAREST, own * _FARTHEST, 40)
    inside = [d for d in steps if _standing(house, centre - (d + _FROM_WALL) * towards)]
    stands = [found for d in inside if (found := stand(float(d))) is not None]
    if len(stands) < 2 or stands[-1].metres / stands[0].metres < _WORTH:
        return f"from {station.name} there is no room to go nearer or farther"
    aimed = aim(view, station, min(camera.frame_mm) / max(camera.frame_mm))
    yaw = aimed.picture_yaw if aimed else math.atan2(towards[0], towards[1])
    eye = np.array([*at, station.lens_m])
    return Distances(
        stands[-1], stands[0], station.lens_m, yaw, _solid(_upright(view, eye)),
        tuple(_corners(*hall.bounds) for hall in house.halls), tuple(_pane(house, w) for w in house.windows),
        max(camera.frame_mm), still,
    )  # fmt: skip


def _held(planned: Planned, body: BodyTable, at: tuple[float, float]) -> Framing | None:
    """The view from a place with the longest lens that holds it, among the plan's shortest to its longest."""
    aimed = aim(planned.view, planned.station, min(body.frame_mm) / max(body.frame_mm), at)
    lengths = [focal for lens in planned.plan.lens for focal in lens.focal_range] or list(_ANY)
    carried = LensTable(name="any", focal_mm=(min(lengths), max(lengths)), f_number=4.0, closest_m=0.1)
    return None if aimed is None else frame(aimed, body, carried)


def _standing(house: Building, place: Array) -> bool:
    return any(hall.holds(float(place[0]), float(place[1])) for hall in house.halls)


def _upright(view: ViewTable, eye: Array) -> Array:
    """Corners (4, 3) of the subject, metres, standing upright: one that faces the lens would lean out of the wall."""
    return subject_corners(view, subject_axes(view, eye)[0], np.array([0.0, 0.0, 1.0]))


def _solid(points: Array) -> Solid:
    return tuple((float(x), float(y), float(z)) for x, y, z in points)


def _corners(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Solid:
    return tuple((a, b, c) for c in z for a, b in ((x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])))


def _pane(house: Building, window: Window) -> Solid:
    normal = house.normal(window)
    along = np.array([-normal[1], normal[0]]) * window.width / 2
    (ax, ay), (bx, by) = window.centre - along[:2], window.centre + along[:2]
    return ((ax, ay, window.sill), (bx, by, window.sill), (bx, by, window.head), (ax, ay, window.head))


_EDGES = [(k, (k + 1) % 4) for k in range(4)] + [(4 + k, 4 + (k + 1) % 4) for k in range(4)] + [
    (k, 4 + k) for k in range(4)
]  # fmt: skip


@dataclass
class DrawnDistances(InLight):
    """Two distances ready to be drawn."""

    renderer: Renderer
    showing: Distances

    def linear(self, frame: int, out: Floats) -> None:
        """Plan and perspective at a frame, into `out`, float32 (H, 3 W)."""
        eye = self.showing.place(self.showing.at(frame))
        sheet = Sheet((self.renderer.width, self.renderer.height))
        self._perspective(sheet, eye)
        self._plan(sheet, eye)
        out[:] = sheet.light()

    def _perspective(self, sheet: Sheet, eye: Array) -> None:
        show = self.showing
        left, top, width, height = _VIEW
        for room in show.rooms:
            corners = np.array(room)
            for a, b in _EDGES:
                line = show.seen(_ahead(corners[a], corners[b], eye, show.yaw), eye)
                if np.isfinite(line).all():
                    sheet.stroke(line, STONE, 1.5, within=_VIEW)
        for pane in show.windows:
            shape = show.seen(np.array(pane), eye)
            if np.isfinite(shape).all():
                sheet.fill(shape, GLASS, 0.35, within=_VIEW)
                sheet.stroke(shape, GLASS, 1.5, closed=True, within=_VIEW)
        subject = show.seen(np.array(show.subject), eye)
        sheet.fill(subject, BRASS, 0.4, within=_VIEW)
        sheet.stroke(subject, BRASS, 3.0, closed=True, within=_VIEW)
        frame = [(left, top), (left + width, top), (left + width, top + height), (left, top + height)]
        sheet.stroke(frame, STONE, 2.0, closed=True)

    def _plan(self, sheet: Sheet, eye: Array) -> None:
        show = self.showing
        floors = [on_plan(np.array(room)[:4, :2]) for room in show.rooms]
        drawn = fitted(floors, _PLAN)
        for floor in floors:
            sheet.fill(drawn(floor), ROOM)
        for floor in floors:
            sheet.stroke(drawn(floor), STONE, 2.0, closed=True)
        here = on_plan(eye[:2])
        ends = on_plan(np.array(show.subject)[:, :2])
        across = ends[[0, 1]]
        cone = drawn(np.vstack([here, across]))
        sheet.fill(cone, BRASS, 0.4)
        sheet.stroke(cone[[1, 0, 2]], PALE, 2.2)
        sheet.stroke(cone[[1, 2]], BRASS, 5.0)
        sheet.disc(cone[0], 7, PALE)


def _ahead(a: Array, b: Array, eye: Array, yaw: float) -> Array:
    """The part of an edge (2, 3) that lies before the lens."""
    way = np.array([math.sin(yaw), math.cos(yaw), 0.0])
    da, db = float((a - eye) @ way), float((b - eye) @ way)
    least = 2 * _AHEAD
    if da < least and db < least:
        return np.stack([a, b])
    if da < least:
        a = a + (b - a) * (least - da) / (db - da)
    elif db < least:
        b = b + (a - b) * (least - db) / (da - db)
    return np.stack([a, b])
