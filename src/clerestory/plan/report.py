"""The plan as one self-contained HTML page: the day, every view drawn to scale, kit, light, house."""

from __future__ import annotations

import math
from html import escape
from importlib.resources import files

import numpy as np

from clerestory.building.windows import Patch, SunTrack, day_span, patches
from clerestory.languages import day_words
from clerestory.plan import words
from clerestory.plan.care import STAFF, Caution, of_plan, view_cautions
from clerestory.plan.drawing import NIGHT, SKY_HIGH, SUN, calendar_drawing, patch_drawing, view_drawings
from clerestory.plan.reasons import why_here
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.suntable import alike, called_together, span_words
from clerestory.plan.timetable import SLOT

_SKY_NOTE = (
    "Clear sky by the model of Bird and Hulstrom, on the outside of the glass at its strongest; cloud takes the "
    "direct part away. Piers and arcades that stand in the beam are not known."
)


def _tag(name: str, text: str, kind: str = "") -> str:
    mark = f' class="{kind}"' if kind else ""
    return f"<{name}{mark}>{escape(words.unbroken(text))}</{name}>"


def _table(head: list[str], rows: list[list[str]]) -> str:
    top = "".join(_tag("th", h) for h in head)
    body = "".join("<tr>" + "".join(_tag("td", cell) for cell in row) + "</tr>" for row in rows)
    return f'<div class="scroll"><table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>'


def _facts(pairs: list[tuple[str, str]]) -> str:
    return '<dl class="facts">' + "".join(f"<div>{_tag('dt', k)}{_tag('dd', v)}</div>" for k, v in pairs) + "</dl>"


def _head(plan: Plan) -> str:
    visit, place, sun = plan.visit.visit, plan.visit.place, plan.sun
    if sun.always_up:
        light = "The sun does not set."
    elif sun.rise is None or sun.set is None:
        light = "The sun does not rise." if sun.length == 0 else f"Sun up for {sun.length / 3600:.1f} hours."
    else:
        top = f"highest {sun.noon_altitude:.0f}° at {plan.clock(sun.noon)}"
        light = f"Sun from {plan.clock(sun.rise)} to {plan.clock(sun.set)}, {top}."
    possible = len(plan.bag.named("possible"))
    town = f", {place.town}" if place.town else ""
    return "".join(
        [
            _tag("h1", visit.title),
            _tag("p", f"{place.name}{town} · {day_words(visit.date)}", "lead"),
            _tag("p", f"{light} The axis points to {plan.visit.axis:.1f}° (true east is 90°).", "quiet"),
            _tag("p", f"Bag: {plan.bag.bag}. {possible} of {len(plan.visit.view)} views possible in one frame."),
            *([_tag("p", words.assumed_line(plan), "accent")] if words.assumed_line(plan) else []),
        ]
    )


def _day(plan: Plan) -> str:
    rows = []
    for stop in plan.timetable.stops:
        view = plan.view(stop.view)
        notes = [] if stop.light else ["not the light you wanted"]
        notes += [words.walk_line(stop)] if words.walk_line(stop) else []
        notes += [why_here(plan, stop)]
        rows.append(
            [
                f"{plan.clock(stop.start)}–{plan.clock(stop.end)}",
                stop.view,
                stop.station,
                f"{view.framing.focal:.0f} mm\u2002{words.shot_line(view)}",
                str(view.settings.take or "not by hand"),
                ", ".join(notes),
            ]
        )
    out = "<h2>The day</h2>" + _table(
        ["Time", "View", "Station", "Camera", "Frames", "Why then, and the way there"], rows
    )
    for name in plan.timetable.left_out:
        why = plan.missing.get(name, "the building is not free for long enough on this day")
        out += _tag("p", f"No time for {name}: {why}.", "accent")
    busy = [
        f"{h.name or 'service'} {h.start:%H:%M}–{h.end:%H:%M}"
        for h in plan.visit.place.service
        if h.falls_on(plan.day.day)
    ]
    return out + (_tag("p", "Not during: " + ", ".join(busy) + ".", "quiet") if busy else "")


def _view(plan: Plan, number: int, view: ViewPlan) -> str:
    facts = [
        ("Lens", words.lens_line(view)),
        ("Camera", words.hold_line(view)),
        ("Focus", words.focus_line(view)),
        ("Frames", words.frames_line(view)),
        ("Glass", words.glass_line(view)),
        ("Light", f"{words.light_words(view.view)}: {words.when(plan, view)}"),
        ("Use of frame", words.loss_line(view)),
        ("Detail", f"{view.framing.across:.0f} pixels across the subject"),
        ("Noise", words.noise_line(view)),
        ("One-third rule", words.third_line(view)),
        ("Less tilt", words.back_line(view.back)),
    ]
    if view.view.light == "sun":
        facts.append(("Sun in it", words.sun_inside_words(plan, view)))
    if view.room is not None:
        facts.append(("Crop", f"at most {100 * view.room.kept:.0f} % of the frame at this aspect ratio"))
    others = [
        [
            f.station,
            f.lens,
            words.how_words(f),
            f"{100 * f.kept:.0f} %" if f.fits else "",
            f"{f.across:.0f}" if f.across else "",
        ]
        for f in (view.framing, *view.others)
    ]
    seconds = plan.middle_of(view)
    hour, sun = plan.clock(seconds), plan.sun_vector(seconds)
    drawing = "".join(view_drawings(view.aim, view.framing, view.body, plan.visit.building, sun))
    light = f"Shown with the light at {hour} under a clear sky; piers, vaults and furniture are not in the model."
    counts = "Frame counts are by hand, for 95 % certainty."
    care = "".join(_tag("p", line, "care") for line in view_cautions(plan, view))
    note = "".join(_tag("p", said, "quiet") for said in (view.view.note, words.station_note(view)) if said)
    return (
        f'<section class="view">{_tag("h3", f"{number}  {view.view.name}")}{note}'
        f"{_tag('p', words.capital(words.stand_line(plan, view)), 'quiet')}"
        f'<p class="shot">{escape(words.shot_line(view))}</p>{care}'
        f'<div class="drawing">{drawing}</div>{_facts(facts)}'
        f"<details><summary>Every station and lens</summary>"
        f"{_table(['Station', 'Lens', 'How', 'Frame used', 'Pixels across'], others)}</details>"
        f"{_tag('p', f'{light} {words.depth_note(view)} {words.noise_note(view)} {counts}', 'quiet')}</section>"
    )


def _kit(plan: Plan) -> str:
    rows = []
    for bag in plan.bags:
        short = [f"{v} ({kind})" for v, kind in bag.outcome.items() if kind != "possible"]
        weight = f"{bag.weight_g:.0f} g" if bag.weight_g else ""
        rows.append([bag.bag, f"{100 * bag.share:.0f} %", "; ".join(short) or "none", weight])
    out = "<h2>Kit</h2>" + _table(["Bag", "Views possible", "Limited or not possible", "Weight of lenses"], rows)
    worth = [[w.lens, str(len(w.lost)), ", ".join(w.lost) or "none"] for w in plan.worth]
    out += _tag("p", "If you leave one lens at home and bring all the others:", "quiet")
    out += _table(["Lens", "Views worse off", "Which"], worth)
    stitched = plan.bag.named("only stitched")
    if stitched:
        out += _tag("p", f"Possible only stitched from several frames: {', '.join(stitched)}.")
    saved = [
        v.view.name for v in plan.views if v.settings.snr_one < v.view.snr_wanted * 0.98 and v.settings.merge > 1
    ]
    if saved:
        out += _tag("p", f"Merging a burst makes up for the noise in {', '.join(saved)}.")
    return out


def _stops(direct: float, diffuse: float) -> str:
    return f"{math.log2(max(direct, 1) / max(diffuse, 1)):+.1f} stops".replace("-", "\u2212")


def _light(plan: Plan) -> str:
    building, visit = plan.visit.building, plan.visit
    track = SunTrack.over(day_span(visit.visit.date, visit.zone), SLOT, visit.observer, building)
    rows, drawings, years = [], [], []
    groups = {names[0]: names for names in alike(plan)}
    for window, calendar in zip(building.windows, plan.calendars, strict=True):
        if window.name not in groups:
            continue
        called = called_together(groups[window.name])
        direct, diffuse = track.illuminance(window)
        peak = int(np.argmax(direct)) if direct.max() > 0 else int(np.argmax(diffuse))
        times = plan.day.times[window.name]
        spans = span_words(plan, times.passes) or "none"
        against = _stops(float(direct[peak]), float(diffuse[peak])) if direct.max() > 0 else ""
        rows.append(
            [
                called,
                f"{window.faces:.0f}°",
                spans,
                span_words(plan, times.floor) or "not",
                f"{direct[peak] / 1000:.0f} / {diffuse[peak] / 1000:.0f}",
                against,
            ]
        )
        hall = building.hall(window.hall)
        found = _patches_by_hour(plan, track, window.name)
        if any(p for _, p in found):
            drawings.append(
                _tag("h3", called) + f'<div class="drawing">{patch_drawing(window, hall, building, found)}</div>'
            )
        hours = calendar.hours_of_sun
        note = f"{hours.sum():.0f} hours of direct sun in a year of clear skies, at most {hours.max():.1f} in a day"
        years.append(
            f"<div>{_tag('h3', called)}{calendar_drawing(calendar, visit.visit.date)}"
            + f"{_tag('p', note, 'quiet')}</div>"
        )
    head = [
        "Window",
        "Faces",
        "Direct sun on the day",
        "On the floor",
        "Direct / sky, thousand lux",
        "Direct against sky",
    ]
    colours = [
        f"<span style='background:rgb{c}'></span>{w}"
        for c, w in ((NIGHT, "night"), (SKY_HIGH, "sky only"), (SUN, "direct sun"))
    ]
    return (
        "<h2>Light</h2>"
        + _table(head, rows)
        + _tag(
            "p",
            _SKY_NOTE,
            "quiet",
        )
        + ("<h2>Sun patches on the day</h2>" + "".join(drawings) if drawings else "")
        + f'<h2>The year</h2><p class="key">{"".join(colours)}</p>'
        + _tag("p", "Local time upwards, months across; the line marks the day of the visit.", "quiet")
        + f'<div class="windows">{"".join(years)}</div>'
    )


def _patches_by_hour(plan: Plan, track: SunTrack, name: str) -> list[tuple[str, list[Patch]]]:
    """Patches on the hour by the place's clock while sun passes; on the half hour too where it passes briefly."""
    building = plan.visit.building
    window = next(w for w in building.windows if w.name == name)
    spans = plan.day.passes[name]
    total = sum(b - a for a, b in spans)
    every = 3600 if total > 3 * 3600 else 1800
    out = []
    for k in range(len(track.seconds)):
        seconds = float(track.seconds[k])
        local = plan.local(seconds)
        on_mark = (local.hour * 3600 + local.minute * 60) % every == 0
        if on_mark and any(a <= seconds <= b for a, b in spans):
            found = patches(window, building.hall(window.hall), building, track.vectors[k])
            out.append((f"{local:%H:%M}" if local.minute else f"{local.hour}", found))
    return out


def _assumed(plan: Plan) -> str:
    """What of the building nobody measured, and by how much it may be off."""
    visit, rows = plan.visit, list[list[str]]()
    for room in visit.room:
        if room.assumed:
            off = room.off
            sizes = zip(
                (room.length_m, room.width_m, room.height_m), (off.length_m, off.width_m, off.height_m), strict=True
            )
            rows.append([room.name, " x ".join(f"{v:.1f} ± {o:.1f}" for v, o in sizes) + " m", room.assumed])
    seen: set[str] = set()
    for names in alike(plan):
        window = next(w for w in visit.window if w.name == names[0])
        if window.assumed and names[0] not in seen:
            seen.update(names)
            o = window.off
            size = (
                f"{window.width_m:.1f} ± {o.width_m:.1f} m wide, from {window.sill_m:.1f} ± {o.sill_m:.1f} "
                f"to {window.head_m:.1f} ± {o.head_m:.1f} m"
            )
            rows.append([called_together(names), size, window.assumed])
    if not rows:
        return ""
    head = ["What", "Taken as, and how far it may be off", "Why"]
    return "<h2>Assumed</h2>" + _table(head, rows) + _tag("p", "95 times in 100 it is not off by more.", "quiet")


def _house(plan: Plan) -> str:
    place = plan.visit.place
    rules = "".join(_tag("li", line) for line in words.house_lines(place))
    people = "".join(_tag("li", ", ".join(p for p in (c.name, c.role, c.phone, c.email) if p)) for c in place.contact)
    care = "".join(_caution(c) for c in of_plan(plan))
    ask = f"<h2>Contacts</h2><ul>{people}</ul>" if people else ""
    return f"<h2>House rules</h2>{_tag('p', STAFF, 'care')}<ul>{rules}</ul>{ask}<h2>Take care</h2><ul>{care}</ul>"


def _caution(caution: Caution) -> str:
    return f"<li><b>{escape(caution.topic)}:</b> {escape(words.unbroken(caution.text))}</li>"


def report_html(plan: Plan) -> str:
    """The whole report as HTML text that needs no other file."""
    style = files("clerestory.plan").joinpath("report.css").read_text(encoding="utf-8")
    views = "".join(_view(plan, k, v) for k, v in enumerate(plan.in_order, start=1))
    missing = "".join(_tag("p", f"{name}: {why}.", "accent") for name, why in plan.missing.items())
    body = (
        _head(plan)
        + _day(plan)
        + "<h2>Views</h2>"
        + views
        + missing
        + _kit(plan)
        + _light(plan)
        + _assumed(plan)
        + _house(plan)
    )
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"{_tag('title', plan.visit.visit.title)}<style>{style}</style></head>"
        f"<body><main>{body}</main></body></html>\n"
    )
