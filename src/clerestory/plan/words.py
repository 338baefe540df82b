"""The plan's sentences: what to do at each view, in words a photographer uses. The cautions are in `care`."""

from __future__ import annotations

import math
import re
from datetime import date

from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.camera.optics import airy_disc, equivalent_focal
from clerestory.plan.exposure import MOST_STEPS
from clerestory.plan.framing import Framing, StandBack
from clerestory.plan.model import PlaceTable, ViewTable
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.timetable import Stop

_ASK = {"yes": "allowed", "ask": "ask first", "no": "not allowed"}
_IN = re.compile(r"(middle|centre|corner|heart)\b", re.I)


def day_words(day: date) -> str:
    """A date as it is said: Tuesday 20 April 2027."""
    return f"{day:%A} {day.day} {day:%B %Y}"


def unbroken(words: str) -> str:
    """Words with no line end between a number and its unit, nor inside a span of hours."""
    words = re.sub(r"(?<=\d) (?=(?:%|m|mm|s|stops)(?!\w))", "\u00a0", words)
    return re.sub(r"(?<=\d:\d\d–)(?=\d)", "\u2060", words)


def capital(words: str) -> str:
    """Words with a capital first letter, the rest as it is."""
    return words[:1].upper() + words[1:]


def metres(value: float) -> str:
    """A distance in words."""
    if math.isinf(value):
        return "infinity"
    return f"{value:.1f} m" if value < 20 else f"{value:.0f} m"


def focus_mark(value: float) -> str:
    """A distance to focus at, finer near by than `metres`: the steps of a stack lie close together."""
    return f"{value:.2f} m" if value < 5 else metres(value)


def house_lines(place: PlaceTable) -> list[str]:
    """What may be done in this building."""
    lines = [f"Tripod: {_ASK[place.tripod]}. Flash: {_ASK[place.flash]}. Drone: {_ASK[place.drone]}."]
    if place.permit:
        lines.append(f"Permit: {place.permit}")
    return [*lines, *place.rules]


def standing(plan: Plan, view: ViewPlan) -> str:
    """Where one stands for a view: "at the crossing", "in the south aisle", "at St Anne's altar"."""
    name = view.framing.station
    inside = _IN.match(name) or name in {room.name for room in plan.visit.room}
    article = "the " if name[:1].islower() and not name.startswith("the ") else ""
    return f"{'in' if inside else 'at'} {article}{name}"


def lens_line(view: ViewPlan) -> str:
    """Lens and focal length."""
    f = view.framing
    same = equivalent_focal(f.focal, view.body.sensor_mm)
    off = f", give or take {view.spread.focal:.0f} mm" if view.spread and view.spread.focal >= 0.5 else ""
    return f"{f.lens} at {f.focal:.0f} mm{off} ({same:.0f} mm equivalent)"


def hold_line(view: ViewPlan) -> str:
    """How the camera is held."""
    f = view.framing
    off = f", give or take {view.spread.tilt:.0f}°" if view.spread and view.spread.tilt >= 0.5 else ""
    words = f"{orientation(f)}, {tilted(f) or 'level'}{off}"
    if f.how == "join":
        words += f"; {f.frames} frames to stitch, overlapping by a third"
    return words


def orientation(framing: Framing) -> str:
    """How the frame is turned."""
    return "portrait" if framing.portrait else "landscape"


def tilted(framing: Framing) -> str:
    """The camera's tilt; nothing where it is level."""
    degrees = round(abs(framing.tilt))
    return f"tilted {'up' if framing.tilt > 0 else 'down'} {degrees}°" if degrees else ""


def shot_line(view: ViewPlan) -> str:
    """Aperture, time and ISO."""
    s = view.settings
    return "\u2002".join([f_label(view.focus.f_number), time_label(s.seconds), f"ISO\u00a0{iso_label(s.iso)}"])


def focus_line(view: ViewPlan) -> str:
    """Where to focus and what is then sharp."""
    f = view.focus
    if f.steps:
        words = f"focus stack of {len(f.steps)} at " + ", ".join(focus_mark(s) for s in f.steps)
        words += f"; sharp from {metres(f.near)} to {metres(f.far)}"
        if f.short:
            words += f", short of the {metres(f.wanted[1])} asked for: no stack of more than {MOST_STEPS} is planned"
        return words
    return f"{metres(f.distance)}; sharp from {metres(f.near)} to {metres(f.far)}"


def third_line(view: ViewPlan) -> str:
    """Whether the one-third rule would do."""
    f = view.focus
    if f.steps:
        return "does not apply: one frame cannot hold the depth"
    if math.isinf(f.far):
        return f"does not hold: focus is at or beyond the hyperfocal distance ({metres(f.hyperfocal)})"
    share = f"{100 * f.front:.0f} % of the depth of field is in front of the focus"
    return f"{'holds' if f.third else 'does not hold'}: {share}"


def frames_line(view: ViewPlan) -> str:
    """How many frames, and for what."""
    s = view.settings
    if s.take is None:
        return f"{time_label(s.seconds)} is too slow by hand: rest the camera, come in better light, or open up"
    sharp = f"chance of sharp {100 * min(s.chance, 0.99):.0f} %"
    each = ["each frame to stitch"] * (view.framing.how == "join") + ["each step of the bracket"] * bool(s.bracket)
    take = f"at {' and '.join(each)} take" if each else "take"
    if s.merge > 1:
        one = f" ({s.take_one} to get one)" if s.take_one not in (1, s.take) else ""
        return f"{take} a burst of {s.take} to merge {s.merge} sharp ones{one}; {sharp}"
    return f"{take} {s.take}{' to get one sharp' if s.take > 1 else ''}; {sharp}"


def glass_line(view: ViewPlan) -> str:
    """What to do about the glass."""
    s = view.settings
    if s.glass is None:
        return "none in the picture"
    if s.bracket:
        return "bracket: " + ", ".join(f"\u2212{-stop:.1f}" if stop else "0" for stop in s.bracket) + " stops"
    if s.held > 0.05:
        advice = "; bracket instead" if s.held > 3 else ""
        return f"held, {s.held:.1f} stops under the meter{advice}"
    if not s.clips:
        return "holds at the metered exposure"
    share = f" over {100 * view.clipped:.1f} % of the frame" if view.clipped else ""
    return f"clips{share}: let it go"


def noise_line(view: ViewPlan) -> str:
    """Noise in the stone."""
    s = view.settings
    words = f"signal-to-noise ratio {s.snr_one:.0f} in one frame"
    if s.merge > 1:
        words += f", {s.snr:.0f} merged from {s.merge}"
    if s.snr < view.view.snr_wanted * 0.98:
        words += f"; {view.view.snr_wanted:.0f} was wanted"
    return words


def loss_line(view: ViewPlan) -> str:
    """What straightening and cropping cost."""
    f = view.framing
    if f.how == "join":
        return f"stitched from {f.frames} frames: about {f.pixels / 1e6:.0f} megapixels; {f.why}"
    words = f"the picture fills {100 * f.kept:.0f} % of the frame, {f.pixels / 1e6:.1f} megapixels"
    if f.how == "straightened":
        words += f"; straightening enlarges the {'top' if f.tilt > 0 else 'bottom'} {f.enlarged:.2f} times"
    return words


def room_line(view: ViewPlan) -> str:
    """How much of the frame to leave round the picture, in per cent of its height and width."""
    f = view.framing
    if f.how == "join":
        return "a third of each frame shared with the next"
    quad = f.frame_points(view.aim.corners, view.body)
    camera = f.camera(view.body)
    left, top = quad.min(axis=0)
    right, foot = camera.width - quad[:, 0].max(), camera.height - quad[:, 1].max()
    above, below = (100 * max(v, 0) / camera.height for v in (top, foot))
    sides = 100 * max(min(left, right), 0) / camera.width
    return f"{above:.0f} % above, {below:.0f} % below, {sides:.0f} % at each side"


def hold_short(view: ViewPlan) -> str:
    """How the camera is held, in two words."""
    f = view.framing
    arrow = "\u2191" if f.tilt > 0 else "\u2193"
    tilt = f" {arrow}\u202f{round(abs(f.tilt))}°" if round(abs(f.tilt)) else ""
    return f"{orientation(f)}{tilt}"


def walk_line(stop: Stop) -> str:
    """The way from the stop before: metres, stairs and minutes; nothing where one stands there already."""
    if stop.walk_m < 1 and stop.stairs_m < 0.5:
        return ""
    stairs = f" and {stop.stairs_m:.0f} m of stairs" if stop.stairs_m >= 0.5 else ""
    return f"{stop.walk_m:.0f} m{stairs}, {max(1, round(stop.walk_s / 60))} min on the way"


def sun_up(plan: Plan) -> str:
    """When the sun is up."""
    sun = plan.sun
    if sun.rise and sun.set:
        return f"up {plan.clock(sun.rise)}–{plan.clock(sun.set)}"
    if sun.always_up:
        return "does not set"
    return "does not rise" if sun.length == 0 else f"up for {sun.length / 3600:.1f} hours"


def assumed_line(plan: Plan) -> str:
    """What of the building nobody measured, in a sentence; nothing where all is stated."""
    visit = plan.visit
    counts = [
        (sum(bool(row.assumed) for row in rows), kind)
        for rows, kind in ((visit.room, "room"), (visit.window, "window"), (visit.view, "view"))
    ]
    said = [f"{n} {kind}{'' if n == 1 else 's'}" for n, kind in counts if n]
    if not said:
        return ""
    several = f"{', '.join(said[:-1])} and {said[-1]}" if len(said) > 1 else said[0]
    return f"Assumed from the church in numbers: {several}. Times and settings say how far they may be off."


def station_note(view: ViewPlan) -> str:
    """What the visit's text says of the point one stands at."""
    return view.aim.station.note


def back_line(back: StandBack | None) -> str:
    """How far back, and with what focal length, the tilt is small."""
    if back is None:
        return "no distance helps: it is overhead"
    words = f"{back.limit:.0f}° or less from {metres(back.distance)} away, at {back.focal:.0f} mm"
    return words if back.inside else words + " (outside the walls)"


def light_words(view: ViewTable) -> str:
    """The light wanted."""
    names = " or ".join(view.windows)
    return {"any": "any daylight", "sun": f"sun through {names}", "no sun": f"no sun through {names}"}[view.light]


def sun_inside_words(plan: Plan, view: ViewPlan) -> str:
    """When most of the picture lies in the sun."""
    sun = plan.day.inside.get(view.view.name)
    if sun is None:
        return "none falls in this picture in the model of the rooms"
    seconds, share = sun.best
    return f"most at {plan.clock(seconds)}, over {100 * share:.0f} % of the picture"


def how_words(framing: Framing) -> str:
    """How a framing holds its view, in a table cell."""
    if framing.how == "no":
        return framing.why
    if framing.how == "join":
        return f"stitched from {framing.frames} frames; {framing.why}"
    how = {"upright": "", "straightened": "straightened", "as seen": "not straightened"}[framing.how]
    held = tilted(framing) or "level"
    return ", ".join(p for p in (f"{framing.focal:.0f} mm", orientation(framing), held, how) if p)


def depth_note(view: ViewPlan) -> str:
    """A word on diffraction where it matters."""
    f = view.focus
    disc = airy_disc(f.f_number) * 1000
    if f.soft:
        return f"Diffraction (Airy disc {disc:.0f} µm) exceeds the circle of confusion ({f.blur * 1000:.0f} µm)."
    return f"Circle of confusion {f.blur * 1000:.0f} µm, Airy disc {disc:.0f} µm."


def stand_line(plan: Plan, view: ViewPlan) -> str:
    """Where to stand, and how far away the subject then is."""
    return f"{standing(plan, view)}; subject {metres(view.framing.distance)} away"


def when(plan: Plan, view: ViewPlan) -> str:
    """The view's good hours."""
    return ", ".join(plan.span(i) for i in view.good) or "none while the building is free"
