"""Take care: which cautions a plan calls for, and their words.

`circumstances` gathers what of a plan decides, `cautions` decides for the whole visit, `view_cautions` for one view.
All of them defer to the building's staff, to the permit and to the law.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clerestory.building.model import Building, Window
from clerestory.building.windows import Interval
from clerestory.plan.model import EYE, Allowed, RoomTable, StationTable
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.suntable import called_together, row_name
from clerestory.plan.timetable import clock

LOOKING_UP = 30.0  # degrees of tilt beyond which one looks up so far as to lose sight of the floor (our choice)
HIGH = 2.0  # metres above the floor beyond which a fall is more than a stumble (our choice)
_ALONG = 60  # points at which a line of sight is asked whether it is still inside the rooms

STAFF = "The building's staff decide. Where they, your permit or the law say no, the answer is no."

# What a name tells where the visit file does not say it. Other languages: floor_m and steps say it.
_HIGH_NAMES = re.compile(r"galler(y|ies)|\bloft\b|triforium|scaffold|balcony|belfry|parapet|ringing chamber", re.I)
_STEP_NAMES = re.compile(r"crypt|undercroft|\btower\b|turret|stair|belfry|triforium|\bloft\b", re.I)
_BELL_NAMES = re.compile(r"belfry|\bbells?\b|ringing", re.I)


class Caution(NamedTuple):
    """One thing to take care of: what it is about, and what to do."""

    topic: str
    text: str

    def __str__(self) -> str:
        return f"{self.topic}: {self.text}"


@dataclass(frozen=True)
class Circumstances:
    """What of a plan decides which cautions apply.

    `sun`: windows with direct sun during the visit, each with its hours; `looking_up`: views tilted up beyond
    LOOKING_UP; `high`: stations beyond HIGH; `steps`: rooms with worn or dark steps; `bells`: whether a service falls
    on the day, or a place near bells is visited.
    """

    tripod: Allowed = "ask"
    flash: Allowed = "no"
    drone: Allowed = "no"
    permit: str = ""
    sun: tuple[str, ...] = ()
    looking_up: tuple[str, ...] = ()
    high: tuple[str, ...] = ()
    steps: tuple[str, ...] = ()
    bells: bool = False


def is_high(station: StationTable) -> bool:
    """Whether one stands more than 2 m above the floor: as the file says, else by the lens's height or the name."""
    if station.floor_m is not None:
        return station.floor_m > HIGH
    return station.eye_m > HIGH + EYE or bool(_HIGH_NAMES.search(station.name))


def has_steps(room: RoomTable) -> bool:
    """Whether a room has worn or dark steps: as the file says, else by its name."""
    return bool(_STEP_NAMES.search(room.name)) if room.steps is None else room.steps


def _here(plan: Plan) -> Interval:
    """UTC seconds from arriving to leaving."""
    visit = plan.visit.visit
    return clock(plan.day.day, visit.arrive, plan.visit), clock(plan.day.day, visit.leave, plan.visit)


def sun_spans(plan: Plan, window: str) -> list[Interval]:
    """When direct sun comes through a window while one is there, UTC seconds."""
    arrive, leave = _here(plan)
    cut = [(max(a, arrive), min(b, leave)) for a, b in plan.day.passes.get(window, [])]
    return [(a, b) for a, b in cut if b - a >= 60]


def _in_the_sun(plan: Plan, windows: Iterable[str]) -> tuple[str, ...]:
    """Windows with their hours of sun during the visit, those of one row and the same hours together."""
    alike: dict[tuple[str, str], list[str]] = {}
    for name in windows:
        if spans := sun_spans(plan, name):
            alike.setdefault((row_name(name), " and ".join(plan.span(s) for s in spans)), []).append(name)
    return tuple(f"{called_together(names)}, {hours}" for (_, hours), names in alike.items())


def _stood_in(plan: Plan) -> tuple[set[str], list[StationTable]]:
    """Rooms that the visit's views name or in which their stations stand; and those stations."""
    visit = plan.visit
    named = {s for v in visit.view for s in v.stations}
    anywhere = any(not v.stations for v in visit.view)
    stations = [s for s in visit.station if anywhere or s.name in named]
    rooms = {v.room for v in visit.view}
    rooms |= {h.name for h in visit.building.halls for s in stations if h.holds(*s.at_m)}
    return rooms, stations


def circumstances(plan: Plan) -> Circumstances:
    """What of a plan decides which cautions apply."""
    place, visit = plan.visit.place, plan.visit
    rooms, stations = _stood_in(plan)
    names = [*rooms, *(s.name for s in stations)]
    return Circumstances(
        place.tripod,
        place.flash,
        place.drone,
        place.permit,
        _in_the_sun(plan, (w.name for w in visit.building.windows)),
        tuple(v.view.name for v in plan.in_order if v.framing.tilt > LOOKING_UP),
        tuple(s.name for s in stations if is_high(s)),
        tuple(r.name for r in visit.room if r.name in rooms and has_steps(r)),
        any(h.falls_on(plan.day.day) for h in place.service) or any(_BELL_NAMES.search(n) for n in names),
    )


_EYES = Caution(
    "Eyes",
    "never look at the sun, neither with the naked eye nor through a lens or an optical finder. Glass, clear or "
    "stained, does not make it safe, and a lens burns shutter and sensor too.",
)
_BACKWARDS = Caution(
    "Walking backwards",
    "do not. Stop, turn round, look, then move: steps, tomb edges and chair legs are behind you.",
)
_PEOPLE = (
    Caution("Worshippers", "lower the camera when someone prays; photograph nobody who does not want it."),
    Caution(
        "Children and privacy",
        "no recognisable child without a parent's consent; local law on pictures of people holds in here too.",
    ),
    Caution(
        "Funerals and weddings",
        "not in any timetable. Put the camera away and leave, unless the family and the staff ask you to stay.",
    ),
)
_ROOM = (
    Caution("Naked flames", "keep hair, sleeves and straps clear of candles; do not light or move any."),
    Caution("Exits", "keep doors, aisles and escape routes clear, of your bag too."),
    Caution("Working alone", "tell the staff where you are and until when, and keep a phone on you."),
    Caution("Bag and straps", "off tombs, altars and altar rails; in a crowd carry the bag in your hand."),
)
_FLASH_WHY = "Strong light fades paintings and textiles for good, and a flash disturbs prayer."
_FLASH: dict[Allowed, Caution] = {
    "no": Caution("Flash", f"not here. {_FLASH_WHY} Switch off the focus lamp and the shutter sound too."),
    "ask": Caution("Flash", f"ask first, and never near paintings or textiles. {_FLASH_WHY}"),
    "yes": Caution("Flash", f"allowed here, but not near paintings, textiles or people at prayer. {_FLASH_WHY}"),
}
_TRIPOD: dict[Allowed, Caution] = {
    "no": Caution("Tripod", "not here. Lean on a pier only where nothing painted or carved is touched."),
    "ask": Caution("Tripod", "ask first; keep it out of the way, on rubber feet, and never leave it alone."),
    "yes": Caution("Tripod", "allowed; keep it out of the way, on rubber feet, and never leave it alone."),
}
_DRONE: dict[Allowed, Caution] = {
    "no": Caution("Drones", "not here, neither inside nor over the grounds."),
    "ask": Caution(
        "Drones",
        "only with written permission from the building and where aviation law allows it, with nobody beneath.",
    ),
    "yes": Caution("Drones", "allowed by the building; aviation law still holds, and nobody may be beneath."),
}


def _listed(names: tuple[str, ...]) -> str:
    return names[0] if len(names) == 1 else ", ".join(names[:-1]) + " and " + names[-1]


def cautions(c: Circumstances) -> list[Caution]:
    """The cautions that apply, those that hang on this plan first."""
    out = [_EYES]
    if c.sun:
        words = f"it shines through these windows during your visit: {'; '.join(c.sun)}."
        out.append(Caution("Sun", f"{words} Keep the lens down then, or stay out of the patch of sunlight."))
    if c.looking_up:
        words = f"{_listed(c.looking_up)}. Stand still first; never walk with your eyes on the vault or the screen."
        out.append(Caution("Looking up", words))
    if c.high:
        words = f"{_listed(c.high)}. Ask before you go up, stay behind the guard rail, keep the strap on, and have"
        out.append(Caution("Height", f"{words} nothing loose over the edge: no cap, no filter, no lens in hand."))
    if c.steps:
        words = f"{_listed(c.steps)}. Worn, uneven or dark: camera slung, a hand on the rail, a torch on the steps."
        out.append(Caution("Steps", words))
    if c.bells:
        out.append(
            Caution("Bells", "they can start without warning and harm hearing; keep clear of bells and ropes.")
        )
    out += [_BACKWARDS, *_PEOPLE, _FLASH[c.flash], *_ROOM, _TRIPOD[c.tripod], _DRONE[c.drone]]
    permit = "carry it and keep to it" if c.permit else "ask whether you need one"
    return [*out, Caution("Permit", f"{permit}; pictures for sale or print may need another.")]


def of_plan(plan: Plan) -> list[Caution]:
    """The cautions for a whole visit."""
    return cautions(circumstances(plan))


def in_short(plan: Plan) -> list[Caution]:
    """The cautions that hang on this plan, each in a line, for a card's first page; the full ones stand behind."""
    c = circumstances(plan)
    out = [Caution("Eyes", "never look at the sun, with or without a lens; stained glass does not make it safe.")]
    if c.sun:
        out.append(Caution("Sun", "lens down, or stand out of the patch, in the hours above."))
    if c.looking_up:
        out.append(Caution("Looking up", f"{_listed(c.looking_up)}: stand still first."))
    if c.high:
        out.append(Caution("Height", f"{_listed(c.high)}: ask first, strap on, nothing loose."))
    if c.steps:
        out.append(Caution("Steps", f"{_listed(c.steps)}: camera slung, a hand on the rail."))
    if c.bells:
        out.append(Caution("Bells", "keep clear of bells and ropes."))
    return [*out, Caution("People", "lower the camera when someone prays; never walk backwards.")]


def windows_in(view: ViewPlan, building: Building) -> list[str]:
    """Windows of which any part shows in a view's frame (in the picture, where it is stitched from several)."""
    return [w.name for w in building.windows if _shows(view, w, building)]


def _shows(view: ViewPlan, window: Window, building: Building) -> bool:
    eye, framing = view.aim.eye, view.framing
    normal = building.normal(window)
    along = np.array([-normal[1], normal[0], 0.0])
    spread = np.linspace(-0.49, 0.49, 5)
    middle = np.array([window.centre[0], window.centre[1], (window.sill + window.head) / 2])
    across, up = np.meshgrid(spread * window.width, spread * (window.head - window.sill))
    points = middle + across.reshape(-1, 1) * along + up.reshape(-1, 1) * np.array([0, 0, 1.0])
    stitched = framing.how == "join"
    local = (points - eye) @ (framing.picture_axes if stitched else framing.camera_axes).T
    ahead = local[:, 2] > 0.01
    flat = local[:, :2] / np.where(ahead, local[:, 2], 1.0)[:, None]
    if stitched:
        x0, x1, z0, z1 = framing.rectangle
    else:
        camera = framing.camera(view.body)
        x1, z1 = camera.width / 2 / camera.focal, camera.height / 2 / camera.focal
        x0, z0 = -x1, -z1
    inside = (flat[:, 0] > x0) & (flat[:, 0] < x1) & (flat[:, 1] > z0) & (flat[:, 1] < z1)
    seen = ahead & inside & ((points - eye) @ normal > 0)
    return any(_open(eye, point, building) for point in points[seen])


def _open(eye: NDArray[np.float64], point: NDArray[np.float64], building: Building) -> bool:
    """Whether the line from an eye to a point on a wall stays in the rooms."""
    way = eye + np.linspace(0.0, 0.98, _ALONG)[:, None] * (point - eye)
    held = np.zeros(len(way), bool)
    for hall in building.halls:
        low, high = (np.array([b[k] for b in hall.bounds]) for k in (0, 1))
        held |= np.all((way >= low - 1e-6) & (way <= high + 1e-6), axis=1)
    return bool(held.all())


def view_cautions(plan: Plan, view: ViewPlan) -> list[str]:
    """What to take care of at one view: the sun in its windows, looking up, standing high."""
    out = []
    lit = _in_the_sun(plan, windows_in(view, plan.visit.building))
    if lit:
        out.append(f"Sun in {'; '.join(lit)}: keep the lens down or stay out of the patch.")
    if view.framing.tilt > LOOKING_UP:
        out.append("Stand still before you look up.")
    if is_high(view.aim.station):
        out.append("Ask before you go up; stay behind the guard rail, with nothing loose over the edge.")
    return out
