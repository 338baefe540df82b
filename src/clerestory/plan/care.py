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
from clerestory.languages import _, later
from clerestory.plan.model import EYE, Allowed, RoomTable, StationTable
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.suntable import called_together, row_name
from clerestory.plan.timetable import clock

LOOKING_UP = 30.0  # degrees of tilt beyond which one looks up so far as to lose sight of the floor (our choice)
HIGH = 2.0  # metres above the floor beyond which a fall is more than a stumble (our choice)
_ALONG = 60  # points at which a line of sight is asked whether it is still inside the rooms

STAFF = later("The building's staff decide. Where they, your permit or the law say no, the answer is no.")

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
            alike.setdefault((row_name(name), _(" and ").join(plan.span(s) for s in spans)), []).append(name)
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
    later("Eyes"),
    later(
        "never look at the sun, neither with the naked eye nor through a lens or an optical finder. Glass, clear or "
        "stained, does not make it safe, and a lens burns shutter and sensor too."
    ),
)
_BACKWARDS = Caution(
    later("Walking backwards"),
    later("do not. Stop, turn round, look, then move: steps, tomb edges and chair legs are behind you."),
)
_PEOPLE = (
    Caution(
        later("Worshippers"),
        later("lower the camera when someone prays; photograph nobody who does not want it."),
    ),
    Caution(
        later("Children and privacy"),
        later("no recognisable child without a parent's consent; local law on pictures of people holds in here too."),
    ),
    Caution(
        later("Funerals and weddings"),
        later(
            "not in any timetable. Put the camera away and leave, unless the family and the staff ask you to stay."
        ),
    ),
)
_ROOM = (
    Caution(
        later("Naked flames"), later("keep hair, sleeves and straps clear of candles; do not light or move any.")
    ),
    Caution(later("Exits"), later("keep doors, aisles and escape routes clear, of your bag too.")),
    Caution(later("Working alone"), later("tell the staff where you are and until when, and keep a phone on you.")),
    Caution(
        later("Bag and straps"), later("off tombs, altars and altar rails; in a crowd carry the bag in your hand.")
    ),
)
_FLASH_WHY = later("Strong light fades paintings and textiles for good, and a flash disturbs prayer.")
_FLASH: dict[Allowed, str] = {
    "no": later("not here. {why} Switch off the focus lamp and the shutter sound too."),
    "ask": later("ask first, and never near paintings or textiles. {why}"),
    "yes": later("allowed here, but not near paintings, textiles or people at prayer. {why}"),
}
_TRIPOD: dict[Allowed, str] = {
    "no": later("not here. Lean on a pier only where nothing painted or carved is touched."),
    "ask": later("ask first; keep it out of the way, on rubber feet, and never leave it alone."),
    "yes": later("allowed; keep it out of the way, on rubber feet, and never leave it alone."),
}
_DRONE: dict[Allowed, str] = {
    "no": later("not here, neither inside nor over the grounds."),
    "ask": later(
        "only with written permission from the building and where aviation law allows it, with nobody beneath."
    ),
    "yes": later("allowed by the building; aviation law still holds, and nobody may be beneath."),
}


def _said(caution: Caution) -> Caution:
    """One of those that always hold, in the language spoken."""
    return Caution(_(caution.topic), _(caution.text))


def _listed(names: tuple[str, ...]) -> str:
    if len(names) == 1:
        return names[0]
    return _("{list} and {last}").format(list=", ".join(names[:-1]), last=names[-1])


def cautions(c: Circumstances) -> list[Caution]:
    """The cautions that apply, those that hang on this plan first."""
    out = [_said(_EYES)]
    if c.sun:
        words = _(
            "it shines through these windows during your visit: {windows}. Keep the lens down then, or stay out of "
            "the patch of sunlight."
        )
        out.append(Caution(_("Sun"), words.format(windows="; ".join(c.sun))))
    if c.looking_up:
        words = _("{views}. Stand still first; never walk with your eyes on the vault or the screen.")
        out.append(Caution(_("Looking up"), words.format(views=_listed(c.looking_up))))
    if c.high:
        words = _(
            "{places}. Ask before you go up, stay behind the guard rail, keep the strap on, and have nothing loose "
            "over the edge: no cap, no filter, no lens in hand."
        )
        out.append(Caution(_("Height"), words.format(places=_listed(c.high))))
    if c.steps:
        words = _("{places}. Worn, uneven or dark: camera slung, a hand on the rail, a torch on the steps.")
        out.append(Caution(_("Steps"), words.format(places=_listed(c.steps))))
    if c.bells:
        words = _("they can start without warning and harm hearing; keep clear of bells and ropes.")
        out.append(Caution(_("Bells"), words))
    out += [_said(caution) for caution in (_BACKWARDS, *_PEOPLE)]
    out.append(Caution(_("Flash"), _(_FLASH[c.flash]).format(why=_(_FLASH_WHY))))
    out += [_said(caution) for caution in _ROOM]
    out += [Caution(_("Tripod"), _(_TRIPOD[c.tripod])), Caution(_("Drones"), _(_DRONE[c.drone]))]
    permit = (
        _("carry it and keep to it; pictures for sale or print may need another.")
        if c.permit
        else _("ask whether you need one; pictures for sale or print may need another.")
    )
    return [*out, Caution(_("Permit"), permit)]


def of_plan(plan: Plan) -> list[Caution]:
    """The cautions for a whole visit."""
    return cautions(circumstances(plan))


def in_short(plan: Plan) -> list[Caution]:
    """The cautions that hang on this plan, each in a line, for a card's first page; the full ones stand behind."""
    c = circumstances(plan)
    out = [
        Caution(_("Eyes"), _("never look at the sun, with or without a lens; stained glass does not make it safe."))
    ]
    if c.sun:
        out.append(Caution(_("Sun"), _("lens down, or stand out of the patch, in the hours above.")))
    if c.looking_up:
        out.append(Caution(_("Looking up"), _("{views}: stand still first.").format(views=_listed(c.looking_up))))
    if c.high:
        out.append(
            Caution(_("Height"), _("{places}: ask first, strap on, nothing loose.").format(places=_listed(c.high)))
        )
    if c.steps:
        out.append(
            Caution(_("Steps"), _("{places}: camera slung, a hand on the rail.").format(places=_listed(c.steps)))
        )
    if c.bells:
        out.append(Caution(_("Bells"), _("keep clear of bells and ropes.")))
    return [*out, Caution(_("People"), _("lower the camera when someone prays; never walk backwards."))]


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
        out.append(_("Sun in {windows}: keep the lens down or stay out of the patch.").format(windows="; ".join(lit)))
    if view.framing.tilt > LOOKING_UP:
        out.append(_("Stand still before you look up."))
    if is_high(view.aim.station):
        out.append(_("Ask before you go up; stay behind the guard rail, with nothing loose over the edge."))
    return out
