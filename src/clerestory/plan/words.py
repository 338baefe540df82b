"""The plan's sentences: what to do at each view, what to mind, in words a photographer uses."""

from __future__ import annotations

import math

from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.camera.optics import airy_disc, equivalent_focal
from clerestory.plan.exposure import MOST_STEPS
from clerestory.plan.framing import Framing, StandBack
from clerestory.plan.model import PlaceTable, ViewTable
from clerestory.plan.reckoning import Plan, ViewPlan

STAFF = "The building's staff decide: if they say no, it is no."
CAUTIONS = (
    "Sun: never look at it through a long lens or an optical finder, and do not point a long lens at it through "
    "clear glass: it burns eyes, shutters and sensors. Stained glass does not make it safe.",
    "Stepping back: stop, turn round, look, then move. Steps, tomb edges and chair legs are behind you.",
    "Worshippers and children: lower the camera when someone prays; no recognisable child without a parent's leave.",
    "Flash: off, with the focus lamp and the shutter's sound.",
    "Bag and strap: off the tombs, off the altar rails, off the shoulder in crowds.",
)
_ASK = {"yes": "allowed", "ask": "ask first", "no": "not allowed"}


def metres(value: float) -> str:
    """A distance in words."""
    if math.isinf(value):
        return "infinity"
    return f"{value:.1f} m" if value < 20 else f"{value:.0f} m"


def focus_mark(value: float) -> str:
    """A distance to focus at, finer near by than `metres`: the steps of a series lie close together."""
    return f"{value:.2f} m" if value < 5 else metres(value)


def house_lines(place: PlaceTable) -> list[str]:
    """What may be done in this house."""
    lines = [f"Tripod: {_ASK[place.tripod]}. Flash: {_ASK[place.flash]}. Drone: {_ASK[place.drone]}."]
    if place.permit:
        lines.append(f"Permit: {place.permit}")
    return [*lines, *place.rules]


def cautions(place: PlaceTable) -> list[str]:
    """The usual cautions, with the house's answer on tripods and drones."""
    extra = [
        {
            "no": "Tripod: not here. Lean on a pier only where nothing painted or carved is touched.",
            "ask": "Tripod: ask first, keep it out of the way and never leave it alone.",
            "yes": "Tripod: allowed; out of the way, rubber feet, never left alone.",
        }[place.tripod],
        {
            "no": "Drones: not here, inside or over the churchyard.",
            "ask": "Drones: only with the house's and the air authority's written leave, and with nobody beneath.",
            "yes": "Drones: allowed by the house; the air authority's rules still hold, and nobody beneath.",
        }[place.drone],
    ]
    return [*CAUTIONS, *extra, STAFF]


def lens_line(view: ViewPlan) -> str:
    """Lens and focal length."""
    f = view.framing
    same = equivalent_focal(f.focal, view.body.sensor_mm)
    return f"{f.lens} at {f.focal:.0f} mm (sees as {same:.0f})"


def hold_line(view: ViewPlan) -> str:
    """How the camera is held."""
    f = view.framing
    words = f"frame {'upright' if f.portrait else 'level'}"
    if abs(f.tilt) >= 0.2:
        words += f", tilted {abs(f.tilt):.0f}° {'up' if f.tilt > 0 else 'down'}"
    if f.how == "join":
        words += f", {f.frames} frames with a third of overlap"
    return words


def shot_line(view: ViewPlan) -> str:
    """Aperture, time and ISO."""
    s = view.settings
    return "\u2002".join([f_label(view.focus.f_number), time_label(s.seconds), f"ISO\u00a0{iso_label(s.iso)}"])


def focus_line(view: ViewPlan) -> str:
    """Where to focus and what is then sharp."""
    f = view.focus
    if f.steps:
        words = f"{len(f.steps)} frames focused at " + ", ".join(focus_mark(s) for s in f.steps)
        words += f": sharp from {metres(f.near)} to {metres(f.far)}"
        if f.short:
            words += f", short of the {metres(f.wanted[1])} asked for: no series longer than {MOST_STEPS} is planned"
        return words
    return f"{metres(f.distance)}: sharp from {metres(f.near)} to {metres(f.far)}"


def third_line(view: ViewPlan) -> str:
    """Whether the one-third rule would do."""
    f = view.focus
    if f.steps:
        return "does not arise: one frame cannot hold the depth"
    if math.isinf(f.far):
        return f"fails: focus is at or beyond the hyperfocal distance ({metres(f.hyperfocal)})"
    share = f"{100 * f.front:.0f} % of the sharp depth lies in front"
    return f"{'holds' if f.third else 'fails'}: {share}"


def frames_line(view: ViewPlan) -> str:
    """How many frames, and for what."""
    s = view.settings
    if s.take is None:
        return f"{time_label(s.seconds)} is too slow by hand: rest the camera, come in better light, or open up"
    sharp = f"{100 * min(s.chance, 0.99):.0f} % sharp by hand"
    each = " at each step of the bracket" if s.bracket else ""
    each += " for each part of the join" if view.framing.how == "join" else ""
    if s.merge > 1:
        one = f"{s.take_one} for a single one, " if s.take_one != s.take else ""
        return f"{s.take}{each}, to merge {s.merge} sharp ones ({one}{sharp})"
    return f"{s.take}{each} for a sharp one ({sharp})"


def glass_line(view: ViewPlan) -> str:
    """What to do about the glass."""
    s = view.settings
    if s.glass is None:
        return "none in the picture"
    if s.bracket:
        return "bracket at " + ", ".join(f"\u2212{-stop:.1f}" if stop else "0" for stop in s.bracket) + " stops"
    if s.held > 0.05:
        advice = "; better bracketed" if s.held > 3 else ""
        return f"held back {s.held:.1f} stops already{advice}"
    if not s.clips:
        return "holds as metered"
    share = f" over {100 * view.clipped:.1f} % of the frame" if view.clipped else ""
    return f"clips{share}: let it go"


def noise_line(view: ViewPlan) -> str:
    """Noise in the stone."""
    s = view.settings
    words = f"signal to noise {s.snr_one:.0f} in one frame"
    if s.merge > 1:
        words += f", {s.snr:.0f} in the merge of {s.merge}"
    if s.snr < view.view.snr_wanted * 0.98:
        words += f"; {view.view.snr_wanted:.0f} was wanted"
    return words


def loss_line(view: ViewPlan) -> str:
    """What straightening and cropping cost."""
    f = view.framing
    if f.how == "join":
        return f"join of {f.frames}: about {f.pixels / 1e6:.0f} megapixels; {f.why}"
    words = f"the picture fills {100 * f.kept:.0f} % of the frame, {f.pixels / 1e6:.1f} megapixels"
    if f.how == "straightened":
        words += f"; top enlarged {f.enlarged:.2f} times"
    return words


def back_line(back: StandBack | None) -> str:
    """How far back brings the tilt down."""
    if back is None:
        return "no distance helps: it is overhead"
    words = f"{back.limit:.0f}° or less from {metres(back.distance)}, with {back.focal:.0f} mm"
    return words if back.inside else words + " (outside the walls)"


def light_words(view: ViewTable) -> str:
    """The light wished."""
    names = " or ".join(view.windows)
    return {"any": "any daylight", "sun": f"sun through {names}", "no sun": f"no sun through {names}"}[view.light]


def sun_inside_words(plan: Plan, view: ViewPlan) -> str:
    """When most of the picture lies in the sun."""
    sun = plan.day.inside.get(view.view.name)
    if sun is None:
        return "the rooms as modelled show none in this picture"
    seconds, share = sun.best
    return f"most at {plan.clock(seconds)}: {100 * share:.0f} % of the picture"


def how_words(framing: Framing) -> str:
    """How a framing holds its view, in a table cell."""
    if framing.how == "no":
        return framing.why
    tilt = f"tilt {framing.tilt:.0f}°, " if abs(framing.tilt) >= 0.2 else ""
    if framing.how == "join":
        return f"join of {framing.frames}; {framing.why}"
    how = {"upright": "without tilt", "straightened": "straightened", "as seen": "left as seen"}[framing.how]
    return f"{tilt}{framing.focal:.0f} mm, frame {'upright' if framing.portrait else 'level'}, {how}"


def depth_note(view: ViewPlan) -> str:
    """A word on diffraction where it matters."""
    f = view.focus
    disc = airy_disc(f.f_number) * 1000
    if f.soft:
        return f"Diffraction (Airy disc {disc:.0f} µm) is larger than the blur allowed ({f.blur * 1000:.0f} µm)."
    return f"Blur allowed {f.blur * 1000:.0f} µm, Airy disc {disc:.0f} µm."


def when(plan: Plan, view: ViewPlan) -> str:
    """The view's good hours."""
    return ", ".join(plan.span(i) for i in view.good) or "none while the house is free"
