"""The plan's sentences: what to do at each view, in words a photographer uses. The cautions are in `care`."""

from __future__ import annotations

import math
import re

from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.camera.optics import airy_disc, equivalent_focal
from clerestory.files.wording import bound
from clerestory.files.wording import capital as capital
from clerestory.languages import _, decimal, few, length
from clerestory.plan.exposure import MOST_STEPS
from clerestory.plan.framing import Framing, StandBack
from clerestory.plan.model import PlaceTable, ViewTable
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.timetable import Stop

_BESIDE = re.compile(r"(above|at|before|behind|below|beneath|beside|between|by|in|near|on|opposite|under)\b", re.I)
_IN = re.compile(r"(middle|centre|corner|heart)\b", re.I)


def unbroken(words: str) -> str:
    """Words with no line end between a number and its unit, nor inside a span of hours."""
    return re.sub(r"(?<=\d:\d\d–)(?=\d)", "\u2060", bound(words))


def metres(value: float) -> str:
    """A distance in words."""
    if math.isinf(value):
        return _("infinity")
    return length(value, 1 if value < 20 else 0)


def focus_mark(value: float) -> str:
    """A distance to focus at, finer near by than `metres`: the steps of a stack lie close together."""
    return length(value, 2) if value < 5 else metres(value)


def house_lines(place: PlaceTable) -> list[str]:
    """What may be done in this building."""
    ask = {"yes": _("allowed"), "ask": _("ask first"), "no": _("not allowed")}
    lines = [
        _("Tripod: {tripod}. Flash: {flash}. Drone: {drone}.").format(
            tripod=ask[place.tripod], flash=ask[place.flash], drone=ask[place.drone]
        )
    ]
    if place.permit:
        lines.append(_("Permit: {permit}").format(permit=place.permit))
    return [*lines, *place.rules]


def standing(plan: Plan, view: ViewPlan) -> str:
    """Where one stands for a view: "at the crossing", "in the south aisle", "before the quire"."""
    name = view.framing.station
    if _BESIDE.match(name):
        return name
    inside = _IN.match(name) or name in {room.name for room in plan.visit.room}
    if name[:1].islower() and not name.startswith("the "):
        return (_("in the {place}") if inside else _("at the {place}")).format(place=name)
    return (_("in {place}") if inside else _("at {place}")).format(place=name)


def lens_line(view: ViewPlan) -> str:
    """Lens and focal length."""
    f = view.framing
    same = equivalent_focal(f.focal, view.body.sensor_mm)
    off = (
        _(", give or take {mm} mm").format(mm=decimal(view.spread.focal))
        if view.spread and view.spread.focal >= 0.5
        else ""
    )
    return _("{lens} at {mm} mm{off} ({same} mm equivalent)").format(
        lens=f.lens, mm=decimal(f.focal), off=off, same=decimal(same)
    )


def hold_line(view: ViewPlan) -> str:
    """How the camera is held."""
    f = view.framing
    off = (
        _(", give or take {degrees}°").format(degrees=decimal(view.spread.tilt))
        if view.spread and view.spread.tilt >= 0.5
        else ""
    )
    held = tilted(f) or _("level")
    words = f"{orientation(f)}, {held}{off}"
    if f.how == "join":
        words += _("; {count} frames to stitch, overlapping by a third").format(count=f.frames)
    return words


def orientation(framing: Framing) -> str:
    """How the frame is turned."""
    return _("portrait") if framing.portrait else _("landscape")


def tilted(framing: Framing) -> str:
    """The camera's tilt; nothing where it is level."""
    degrees = round(abs(framing.tilt))
    if not degrees:
        return ""
    return (_("tilted up {degrees}°") if framing.tilt > 0 else _("tilted down {degrees}°")).format(degrees=degrees)


def shot_line(view: ViewPlan) -> str:
    """Aperture, time and ISO."""
    s = view.settings
    return "\u2002".join([f_label(view.focus.f_number), time_label(s.seconds), f"ISO\u00a0{iso_label(s.iso)}"])


def focus_line(view: ViewPlan) -> str:
    """Where to focus and what is then sharp."""
    f = view.focus
    if f.steps:
        words = _("focus stack of {count} at {marks}").format(
            count=len(f.steps), marks=", ".join(focus_mark(s) for s in f.steps)
        )
        words += _("; sharp from {near} to {far}").format(near=metres(f.near), far=metres(f.far))
        if f.short:
            words += _(", short of the {far} asked for: no stack of more than {most} is planned").format(
                far=metres(f.wanted[1]), most=MOST_STEPS
            )
        return words
    return metres(f.distance) + _("; sharp from {near} to {far}").format(near=metres(f.near), far=metres(f.far))


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
        return _("{time} is too slow by hand: rest the camera, come in better light, or open up").format(
            time=time_label(s.seconds)
        )
    each = [_("each frame to stitch")] * (view.framing.how == "join")
    each += [_("each step of the bracket")] * bool(s.bracket)
    take = _("at {each} take").format(each=_(" and ").join(each)) if each else _("take")
    if s.merge > 1:
        one = _(" ({count} to get one)").format(count=s.take_one) if s.take_one not in (1, s.take) else ""
        words = _("{take} a burst of {count} to merge {merge} sharp ones").format(
            take=take, count=s.take, merge=s.merge
        )
        words += one
    else:
        words = (_("{take} {count} to get one sharp") if s.take > 1 else _("{take} {count}")).format(
            take=take, count=s.take
        )
    return words + _("; chance of sharp {share} %").format(share=decimal(100 * min(s.chance, 0.99)))


def glass_line(view: ViewPlan) -> str:
    """What to do about the glass."""
    s = view.settings
    if s.glass is None:
        return _("none in the picture")
    if s.bracket:
        stops = ", ".join(f"\u2212{decimal(-stop, 1)}" if stop else "0" for stop in s.bracket)
        return _("bracket: {stops} stops").format(stops=stops)
    if s.held > 0.05:
        advice = _("; bracket instead") if s.held > 3 else ""
        return _("held, {stops} stops under the meter").format(stops=decimal(s.held, 1)) + advice
    if not s.clips:
        return _("holds at the metered exposure")
    if view.clipped:
        return _("clips over {share} % of the frame: let it go").format(share=decimal(100 * view.clipped, 1))
    return _("clips: let it go")


def noise_line(view: ViewPlan) -> str:
    """Noise in the stone."""
    s = view.settings
    words = _("signal-to-noise ratio {ratio} in one frame").format(ratio=decimal(s.snr_one))
    if s.merge > 1:
        words += _(", {ratio} merged from {count}").format(ratio=decimal(s.snr), count=s.merge)
    if s.snr < view.view.snr_wanted * 0.98:
        words += _("; {ratio} was wanted").format(ratio=decimal(view.view.snr_wanted))
    return words


def loss_line(view: ViewPlan) -> str:
    """What straightening and cropping cost."""
    f = view.framing
    if f.how == "join":
        words = _("stitched from {count} frames: about {pixels} megapixels; {why}")
        return words.format(count=f.frames, pixels=decimal(f.pixels / 1e6), why=f.why)
    words = _("the picture fills {share} % of the frame, {pixels} megapixels")
    words = words.format(share=decimal(100 * f.kept), pixels=decimal(f.pixels / 1e6, 1))
    if f.how == "straightened":
        wide = _("; straightening enlarges the top {times} times") if f.tilt > 0 else \
            _("; straightening enlarges the bottom {times} times")  # fmt: skip
        words += wide.format(times=decimal(f.enlarged, 2))
    return words


def room_line(view: ViewPlan) -> str:
    """How much of the frame to leave round the picture, in per cent of its height and width."""
    f = view.framing
    if f.how == "join":
        return _("a third of each frame shared with the next")
    quad = f.frame_points(view.aim.corners, view.body)
    camera = f.camera(view.body)
    left, top = quad.min(axis=0)
    right, foot = camera.width - quad[:, 0].max(), camera.height - quad[:, 1].max()
    above, below = (100 * max(v, 0) / camera.height for v in (top, foot))
    sides = 100 * max(min(left, right), 0) / camera.width
    return _("{above} % above, {below} % below, {sides} % at each side").format(
        above=decimal(above), below=decimal(below), sides=decimal(sides)
    )


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
    stairs = _(" and {length} of stairs").format(length=length(stop.stairs_m)) if stop.stairs_m >= 0.5 else ""
    return _("{length}{stairs}, {minutes} min on the way").format(
        length=length(stop.walk_m), stairs=stairs, minutes=max(1, round(stop.walk_s / 60))
    )


def sun_up(plan: Plan) -> str:
    """When the sun is up."""
    sun = plan.sun
    if sun.rise and sun.set:
        return _("up {rise}–{set}").format(rise=plan.clock(sun.rise), set=plan.clock(sun.set))
    if sun.always_up:
        return _("does not set")
    if sun.length == 0:
        return _("does not rise")
    return _("up for {hours} hours").format(hours=decimal(sun.length / 3600, 1))


def assumed_line(plan: Plan) -> str:
    """What of the building nobody measured, in a sentence; nothing where all is stated."""
    visit = plan.visit
    rooms, windows, views = (
        sum(bool(row.assumed) for row in rows) for rows in (visit.room, visit.window, visit.view)
    )
    counts = [
        (rooms, few("{count} room", "{count} rooms", rooms)),
        (windows, few("{count} window", "{count} windows", windows)),
        (views, few("{count} view", "{count} views", views)),
    ]
    said = [words.format(count=n) for n, words in counts if n]
    if not said:
        return ""
    several = _("{list} and {last}").format(list=", ".join(said[:-1]), last=said[-1]) if len(said) > 1 else said[0]
    return _("Assumed from the church in numbers: {several}. Times and settings say how far they may be off.").format(
        several=several
    )


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


def noise_note(view: ViewPlan) -> str:
    """Where the noise of the view's body comes from: measured, or assumed."""
    body = view.body
    if body.noise_at:
        return f"Noise as measured at ISO {iso_label(body.nearest(view.settings.iso).iso)}."
    given = {"full_well_e", "read_noise_e"} & body.model_fields_set
    told = "as visit.toml has it" if len(given) == 2 else "in part assumed" if given else "assumed"
    return (
        f"Noise {told}: {body.full_well:.0f} electrons at saturation at ISO {body.base_iso:.0f}, "
        f"{body.read_noise_e:.1f} of read noise."
    )


def stand_line(plan: Plan, view: ViewPlan) -> str:
    """Where to stand, and how far away the subject then is."""
    return _("{standing}; subject {distance} away").format(
        standing=standing(plan, view), distance=metres(view.framing.distance)
    )


def when(plan: Plan, view: ViewPlan) -> str:
    """The view's good hours."""
    return ", ".join(plan.span(i) for i in view.good) or _("none while the building is free")
