"""Depth of field over a section of the room: where it was focused, how near and how far is sharp."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from clerestory.camera.optics import focus_between, sharp_limits
from clerestory.film.account import Made
from clerestory.film.drawing import BRASS, GLASS, PALE, ROOM, STONE, Box, FromThePlan, Sheet, fitted
from clerestory.film.light import InLight, Renderer
from clerestory.film.moves import share_of, stepped
from clerestory.film.pictures import Picture
from clerestory.film.standpoint import Planned
from clerestory.film.taps import Floats

Array = NDArray[np.float64]
Flat = tuple[tuple[float, float], ...]

SECONDS = 9.0  # as long as it takes when nothing else says; seen on the demo's plan
CONE, DEPTH = (0.08, 0.24), (0.3, 0.62)  # shares of the time in which the cone opens and the sharp depth spreads
_BOX: Box = (60.0, 140.0, 840.0, 330.0)
# Room over what is seen; share of the ceiling from which the whole height is drawn: seen on the demo's plan.
_SPARE, _WORTH = 1.15, 0.8
_APART = 72.0  # points between two distances written under the section


@dataclass(frozen=True)
class Section(FromThePlan):
    """A standing point in a section along the picture's middle: metres along and up from below the lens."""

    rooms: tuple[tuple[float, float, float], ...]
    """From and to along, and height, of each room that the section cuts."""
    eye: float
    pitch: float
    """The lens's axis above the level, radians."""
    half: float
    """Half the angle of view in the section, radians."""
    subject: tuple[float, float]
    focus: float
    near: float
    far: float
    """Along the lens's axis, metres; infinite from the hyperfocal distance on."""
    setting: str
    how: str
    """Where the focus distance comes from."""
    still: bool = False
    begin: int = 0
    end: int = 0

    seconds = SECONDS

    def lit(self, renderer: Renderer, picture: Path) -> DrawnSection:
        """Ready to be drawn."""
        return DrawnSection(renderer, self)

    def at(self, frame: int) -> tuple[float, float]:
        """Shares (0 to 1) of the cone opened and of the sharp depth spread at a frame."""
        share = share_of(frame, self.begin, self.end)
        if self.still:
            return 1.0, 1.0
        return stepped(share, CONE), stepped(share, DEPTH)

    def at_frame(self, frame: int) -> tuple[object, ...]:
        """What is seen at a frame, to be compared with other frames."""
        return self.at(frame)

    def words(self) -> tuple[tuple[str, str], ...]:
        """One step: what is sharp, and with what."""
        far = "as far as one sees" if math.isinf(self.far) else f"to {self.far:.1f} m"
        return (
            (f"Sharp from {self.near:.1f} m {far}", f"Focused at {self.focus:.1f} m ({self.how}), {self.setting}"),
        )

    def word_frames(self) -> list[tuple[int, int]]:
        """The words come with the sharp depth."""
        first = self.begin + (0 if self.still else round((self.end - self.begin) * DEPTH[0]))
        return [(first, self.end)]

    def across(self, depth: float) -> Array:
        """The two ends (2, 2) of the plane at a depth along the lens's axis, within the angle of view."""
        way, up = self._axes
        half = depth * math.tan(self.half)
        middle = np.array([0.0, self.eye]) + depth * way
        return np.stack([middle - half * up, middle + half * up])

    @property
    def _axes(self) -> tuple[Array, Array]:
        way = np.array([math.cos(self.pitch), math.sin(self.pitch)])
        return way, np.array([-way[1], way[0]])

    @property
    def shown_to(self) -> float:
        """How high the section is drawn, metres: not far above what is seen, so that this is drawn large."""
        ceiling = max(top for _, _, top in self.rooms)
        rise = math.tan(min(self.pitch + self.half, 1.5))
        seen = [min(top, self.eye + rise * end) for _, end, top in self.rooms if end > 0]
        needed = _SPARE * max(*seen, self.subject[1], self.eye + 1)
        return needed if needed < _WORTH * ceiling else ceiling

    def outlines(self) -> list[Array]:
        """Each room's outline (n, 2), metres, from one wall's top along the floor to the other's: closed where its
        ceiling is drawn, else four points."""
        out = []
        for a, b, top in self.rooms:
            high = min(top, self.shown_to)
            out.append(np.array([(a, high), (a, 0), (b, 0), (b, high), *([(a, high)] if top <= high else [])]))
        return out

    @property
    def reach(self) -> float:
        """How far along the section goes, metres."""
        return max(room[1] for room in self.rooms)


def section_of(
    planned: Planned, picture: Picture, made: Made | None, focus: float | None, still: bool
) -> Section | str:
    """The depth of field of a picture over a section of its room, or why it cannot be drawn, in words.

    `focus`: metres that it was focused at, where the film tells them; else the depth that the plan asks for, else the
    subject's own distance.
    """
    if not picture.focal or not picture.f_number:
        return f"{picture.name} does not say its focal length and aperture"
    if made is None or made.kind == "panorama":
        return f"what lens {picture.name} was seen through is not on record; finish it again"
    plan, view, station = planned.plan, planned.view, planned.station
    at, centre = np.array(station.at_m, float), np.array(view.centre_m, float)
    level = float(np.hypot(*(centre[:2] - at)))
    if level < 0.5:
        return f"{view.name} looks straight up, which a section along it cannot show"
    towards = (centre[:2] - at) / level
    camera, turned = made.camera, made.rectification
    height = made.camera.height
    half = math.atan(height / 2 / camera.focal)
    sensor = camera.width / camera.focal * picture.focal
    blur = math.hypot(sensor, sensor * camera.height / camera.width) / 1500
    along = level * math.cos(turned.pitch) + (centre[2] - station.lens_m) * math.sin(turned.pitch)
    distance, how = _focus(focus, view.sharp_from_m, view.sharp_to_m, along)
    near, far = sharp_limits(distance, picture.focal, picture.f_number, blur)
    rooms = []
    for hall in plan.building.halls:
        (x0, x1), (y0, y1), (_, top) = hall.bounds
        a, b = _crossed(at, towards, np.array([x0, y0]), np.array([x1, y1]))
        if b - a > 0.2 and b > -2:
            rooms.append((max(a, -3.0), b, top))
    if not rooms:
        return f"the standing point {station.name} lies in none of the plan's rooms"
    setting = f"{picture.focal:g} mm at f/{picture.f_number:g}"
    subject = (level, float(centre[2]))
    return Section(
        tuple(rooms), station.lens_m, turned.pitch, half, subject, distance, near, far, setting, how, still
    )  # fmt: skip


def _focus(told: float | None, near: float | None, far: float | None, subject: float) -> tuple[float, str]:
    if told:
        return told, "as noted"
    if near and far:
        return focus_between(near, far), "as planned"
    return max(subject, 0.3), "on the subject"


def _crossed(at: Array, way: Array, low: Array, high: Array) -> tuple[float, float]:
    """From where to where a line from a point along a unit way is in a box, metres; the second smaller if never."""
    with np.errstate(divide="ignore", invalid="ignore"):
        a, b = (low - at) / way, (high - at) / way
    inside = (low <= at) & (at <= high)
    flat = np.abs(way) < 1e-9
    first = np.where(flat, np.where(inside, -np.inf, np.inf), np.minimum(a, b))
    last = np.where(flat, np.where(inside, np.inf, -np.inf), np.maximum(a, b))
    return float(first.max()), float(last.min())


@dataclass
class DrawnSection(InLight):
    """A section ready to be drawn."""

    renderer: Renderer
    showing: Section

    @cached_property
    def drawn_at(self) -> Callable[[ArrayLike], Array]:
        """Where places of the section (n, 2), metres along and up, are drawn: points of the frame."""
        return fitted(self.showing.outlines(), _BOX)

    def linear(self, frame: int, out: Floats) -> None:
        """The section at a frame, into `out`, float32 (H, 3 W)."""
        show = self.showing
        opened, spread = show.at(frame)
        sheet = Sheet((self.renderer.width, self.renderer.height))
        outlines = [self.drawn_at(outline) for outline in show.outlines()]
        for outline in outlines:
            sheet.fill(outline, ROOM)
        corners = np.concatenate(outlines)
        low, high = corners.min(axis=0), corners.max(axis=0)
        inside: Box = (low[0], low[1], high[0] - low[0], high[1] - low[1])
        far = opened * show.reach * 1.5
        sheet.fill(self.drawn_at(np.vstack([[0, show.eye], show.across(far)])), BRASS, 0.16, within=inside)
        if spread > 0:
            self._depth(sheet, spread, inside)
        for end in show.across(far):
            sheet.stroke(self.drawn_at(np.array([[0, show.eye], end])), PALE, 1.8, within=inside)
        ceiling = show.shown_to
        for a, b, top in show.rooms:  # nothing is seen through a vault: the dark above a lower room
            if not any(c < b - 0.1 and a < d - 0.1 and top < other for c, d, other in show.rooms):
                sheet.fill(self.drawn_at(np.array([(a, top), (b, top), (b, ceiling), (a, ceiling)])), sheet.dark)
        for outline in outlines:
            sheet.stroke(outline, STONE, 2.0)
        sheet.disc(self.drawn_at(np.array([show.subject])), 5, BRASS)
        sheet.disc(self.drawn_at(np.array([[0, show.eye]])), 7, PALE)
        out[:] = sheet.light()

    def _depth(self, sheet: Sheet, spread: float, inside: Box) -> None:
        """The sharp depth, spread from the focus both ways by a share, and its limits."""
        show, most = self.showing, self.showing.reach * 1.5
        near = show.focus + spread * (show.near - show.focus)
        far = show.focus + spread * (min(show.far, most) - show.focus)
        a, b = show.across(near), show.across(far)
        sheet.fill(self.drawn_at(np.vstack([a, b[::-1]])), GLASS, 0.5, within=inside)
        for depth in (near, far):
            sheet.stroke(self.drawn_at(show.across(depth)), GLASS, 2.5, within=inside)
        sheet.stroke(self.drawn_at(show.across(show.focus)), PALE, 3.0, within=inside)
        if spread < 1:
            return
        foot = inside[1] + inside[3] + 18
        taken: list[float] = []  # where a distance is written already: those too near to it are left to the words
        for depth in (d for d in (show.focus, show.near, show.far) if math.isfinite(d)):
            x = float(self.drawn_at(np.array([[depth * math.cos(show.pitch), 0]]))[0, 0])
            if inside[0] < x < inside[0] + inside[2] and all(abs(x - other) > _APART for other in taken):
                taken.append(x)
                sheet.stroke(np.array([[x, foot - 16], [x, foot - 8]]), PALE, 1.5)
                sheet.words((x, foot + 4), f"{depth:.1f} m", 24, "middle")
