"""The field card: an A5 PDF for print and one HTML file for the phone that needs no network."""

from __future__ import annotations

import json
import math
import re
import tempfile
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import Any

from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.files.typeset import pdf_of
from clerestory.languages import _, day_words, decimal, later, marked, speaking
from clerestory.plan import words
from clerestory.plan.care import STAFF, in_short, of_plan, view_cautions
from clerestory.plan.drawing import card_picture
from clerestory.plan.floor import floor_plan
from clerestory.plan.reasons import why_here
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.suntable import sun_rows

# Latin, Greek and Cyrillic: what the typesetter's own font has. For other scripts the system's fonts are searched.
_PRINTABLE = re.compile(r"[\u0000-\u052f\u1e00-\u20bf\u2100-\u22ff]*\Z")


def _whole(data: Any) -> Any:
    """Data of any depth with its texts unbroken as by `words.unbroken`."""
    if isinstance(data, str):
        return words.unbroken(data)
    if isinstance(data, list):
        return [_whole(d) for d in data]
    return {k: _whole(v) for k, v in data.items()} if isinstance(data, dict) else data


GIGABYTES = 1.75e-9  # of a raw frame, for a pixel: 14 bits, packed (common practice, no source)
ON_A_CHARGE = 300  # frames that a battery is good for, screen in use (common practice, no source)


def frames_of(view: ViewPlan) -> int:
    """How many frames a view takes in all: of a burst, a bracket, a focus series, a stitched picture."""
    joined = view.framing.frames if view.framing.how == "join" else 1
    return (view.settings.take or 1) * joined * max(len(view.settings.bracket), 1) * max(len(view.focus.steps), 1)


def carry(plan: Plan) -> list[list[str]]:
    """What to put into the bag: body, lenses with the focal lengths wanted, cards, batteries."""
    bag = next(b for b in plan.visit.bag if b.name == plan.bag.bag)
    used: dict[str, list[float]] = {}
    for view in plan.views:
        used.setdefault(view.lens.name, []).append(view.framing.focal)
    lenses = []
    for name in bag.lenses:
        focals = sorted({round(f) for f in used.get(name, [])})
        span = (
            f"{focals[0]}–{focals[-1]} mm" if len(focals) > 1 else f"{focals[0]} mm" if focals else _("not planned")
        )
        lenses.append(f"{name} ({span})")
    frames = sum(frames_of(v) for v in plan.views)
    body = next(b for b in plan.visit.body if b.name == bag.body)
    size = frames * body.pixels[0] * body.pixels[1] * GIGABYTES
    cells = math.ceil(frames / ON_A_CHARGE) + 1
    return [
        [_("Bag"), bag.name],
        [_("Body"), bag.body],
        [_("Lenses"), ", ".join(lenses)],
        [
            _("Cards"),
            _("about {count} frames, {size} GB; twice that for second tries").format(
                count=frames, size=decimal(max(size, 0.1), 1)
            ),
        ],
        [_("Batteries"), _("{count}, charged, one of them to spare").format(count=cells)],
    ]


def _view_data(plan: Plan, number: int, view: ViewPlan) -> dict[str, Any]:
    stop = next((s for s in plan.timetable.stops if s.view == view.view.name), None)
    mind = view_cautions(plan, view)
    if stop is not None and not stop.light:
        mind.append(_("Not the light you wanted at this hour."))
    if view.settings.snr < view.view.snr_wanted * 0.7:
        mind.append(words.capital(words.noise_line(view)) + ".")
    if view.spread is not None and view.spread.fails:
        mind.append(_("What is assumed of the building may be off by so much that this lens does not hold it."))
    note = words.station_note(view)
    sun = plan.sun_vector(plan.middle_of(view))
    lines = [
        [_("Stand"), words.stand_line(plan, view)],
        *([[_("There"), note]] if note else []),
        [_("Lens"), words.lens_line(view)],
        [_("Hold"), words.hold_line(view)],
        [_("Focus"), words.focus_line(view)],
        [_("Frames"), words.frames_line(view)],
    ]
    if view.settings.glass is not None:
        lines.append([_("Glass"), words.glass_line(view)])
    lines.append([_("Light"), words.when(plan, view)])
    lines.append([_("Room"), words.room_line(view)])
    if view.room is not None and view.framing.how == "straightened":
        lines.append(
            [
                _("Crop"),
                _("{share} % of the frame left after straightening").format(share=decimal(100 * view.room.kept)),
            ]
        )
    if stop is not None:
        lines.append([_("Why then"), why_here(plan, stop)])
    return {
        "number": number,
        "name": view.view.name,
        "time": f"{plan.clock(stop.start)}" if stop else "–",
        "end": f"{plan.clock(stop.end)}" if stop else "",
        "start_s": stop.start if stop else None,
        "end_s": stop.end if stop else None,
        "walk": words.walk_line(stop) if stop else "",
        "note": view.view.note,
        "shot": words.shot_line(view),
        "focal": f"{view.framing.focal:.0f} mm",
        "frames": f"× {frames_of(view)}",
        "hold": words.hold_short(view),
        "station": words.standing(plan, view),
        "at": view.framing.station,
        "station_note": note,
        "picture": card_picture(view.aim, view.framing, view.body, plan.visit.building, sun),
        "lines": lines,
        "mind": mind,
    }


# What the printed card says of itself, by the name that its template has for it.
LABELS = {
    "impossible": later("Not possible:"),
    "sun": later("Sun in the windows"),
    "no_sun": later("None while you are there."),
    "on_floor": later("on the floor"),
    "not_on_floor": later("not on the floor"),
    "carry": later("Carry"),
    "house": later("House"),
    "rules": later("House rules"),
    "care": later("Take care"),
    "rest": later("The rest is on the last page."),
    "notes": later("Notes"),
}


def card_data(plan: Plan) -> dict[str, Any]:
    """Everything the card says, as plain data, in the visit's language."""
    with speaking(plan.visit.visit.language):
        return _card_data(plan)


def _card_data(plan: Plan) -> dict[str, Any]:
    visit, place = plan.visit.visit, plan.visit.place
    day = plan.day.day
    hours = [f"{h.start:%H:%M}–{h.end:%H:%M}" for h in place.open if h.falls_on(day)]
    unnamed = _("Service")
    services = [f"{h.name or unnamed} {h.start:%H:%M}–{h.end:%H:%M}" for h in place.service if h.falls_on(day)]
    quiet = [f"{h.start:%H:%M}–{h.end:%H:%M}" for h in place.quiet if h.falls_on(day)]
    rows = sun_rows(plan)
    data = {
        "title": visit.title,
        "place": f"{place.name}, {place.town}" if place.town else place.name,
        "date": day_words(visit.date),
        "times": [
            [_("Visit"), f"{visit.arrive:%H:%M}–{visit.leave:%H:%M}"],
            [_("Open"), ", ".join(hours) or _("see the notice at the door")],
            [_("Services"), ", ".join(services) or _("none known")],
            *([[_("Quiet"), ", ".join(quiet)]] if quiet else []),
            [_("Sun"), words.sun_up(plan)],
        ],
        "bag": f"{plan.bag.bag}: " + ", ".join(next(b for b in plan.visit.bag if b.name == plan.bag.bag).lenses),
        "carry": carry(plan),
        "floor": floor_plan(plan, rows),
        "sun": [[r.letter, r.called, r.passes, r.floor] for r in rows],
        "assumed": words.assumed_line(plan),
        "contacts": [[c.name, c.role, c.phone, c.email] for c in place.contact],
        "views": [_view_data(plan, k, v) for k, v in enumerate(plan.in_order, start=1)],
        "missing": [[name, why] for name, why in plan.missing.items()],
        "rules": words.house_lines(place),
        "care": [list(caution) for caution in in_short(plan)],
        "cautions": [list(caution) for caution in of_plan(plan)],
        "staff": _(STAFF),
        "language": plan.visit.visit.language,
        "words": {key: _(text) for key, text in LABELS.items()},
    }
    whole: dict[str, Any] = _whole(data)
    return whole


def card_pdf(plan: Plan, data: dict[str, Any] | None = None) -> bytes:
    """The card as a PDF of A5 pages, black on white; the same plan gives the same bytes."""
    template = files("clerestory.plan").joinpath("card.typ").read_bytes()
    text = json.dumps(data or card_data(plan), ensure_ascii=False)
    return pdf_of(template, {"card": text}, plan.day.start, _PRINTABLE.match(text) is not None)


def card_folded(plan: Plan, card: bytes) -> bytes:
    """The card's A5 pages two to a side of A4, in the order in which sheets printed on both sides (turned on the
    short edge) and folded once make a booklet. `card`: the PDF that `card_pdf` gave."""
    pages = max(len(re.findall(rb"/Type\s*/Page\b(?!s)", card)), 1)
    whole = 4 * math.ceil(pages / 4)
    order = []
    for sheet in range(whole // 4):
        first, last = 2 * sheet + 1, whole - 2 * sheet
        order += [[last, first], [first + 1, last - 1]]
    sides = [[p if p <= pages else 0 for p in side] for side in order]
    with tempfile.TemporaryDirectory() as folder:  # the typesetter takes a PDF to be placed from a file only
        page = Path(folder) / "folded.typ"
        page.write_bytes(files("clerestory.plan").joinpath("folded.typ").read_bytes())
        (Path(folder) / "card.pdf").write_bytes(card)
        return pdf_of(page, {"sides": json.dumps(sides)}, plan.day.start, True)


# What the phone's calculator says.
CALCULATOR = (
    later("infinity"), later("metered on"), later("enter mm and m"), later("enter mm"), later("to"),
    later("hyperfocal"), later("too slow by hand"), later("take"), later("frame"), later("frames"),
    later("chance of sharp"),
)  # fmt: skip


def _row(pair: list[str]) -> str:
    return f"<dt>{escape(pair[0])}</dt><dd>{escape(pair[1])}</dd>"


def _span_of(view: dict[str, Any]) -> str:
    return "" if view["start_s"] is None else f' data-start="{view["start_s"]:.0f}" data-end="{view["end_s"]:.0f}"'


def _tick(view: dict[str, Any]) -> str:
    name = escape(_("{view} taken").format(view=view["name"]), quote=True)
    return f'<input type="checkbox" data-keep="{escape(view["name"], quote=True)}" aria-label="{name}">'


def _order_html(view: dict[str, Any]) -> str:
    """A view's line in the order of the day."""
    return (
        f"<li{_span_of(view)}>{_tick(view)}"
        f'<a href="#view-{view["number"]}"><span class="time">{view["time"]}</span> <b>{view["number"]}</b> '
        f'<span class="name">{escape(view["name"])}</span><span class="shot">{escape(view["focal"])} '
        f"{escape(view['shot'])}</span></a></li>"
    )


def _view_html(view: dict[str, Any]) -> str:
    mind = "".join(f'<p class="mind">{escape(m)}</p>' for m in view["mind"])
    said = "; ".join(t for t in (view["note"], view["walk"]) if t)
    note = f'<p class="note">{escape(said)}</p>' if said else ""
    keep = escape(f"note {view['name']}", quote=True)
    about = escape(_("Note on {view}").format(view=view["name"]), quote=True)
    return (
        f'<article id="view-{view["number"]}"{_span_of(view)}>'
        f'<h3>{_tick(view)}<span class="time">{view["time"]}</span> '
        f'{view["number"]} <span class="name">{escape(view["name"])}</span></h3>'
        f'<p class="shot">{escape(view["shot"])}</p>{note}<figure>{view["picture"]}</figure>'
        f"<dl>{''.join(_row(p) for p in view['lines'])}</dl>{mind}"
        f'<textarea data-keep="{keep}" aria-label="{about}" rows="2"></textarea>'
        "</article>"
    )


def _sun_html(rows: list[list[str]]) -> str:
    if not rows:
        return f'<p class="note">{escape(_("None while you are there."))}</p>'
    lines = (
        f"<dt>{escape(letter)}</dt><dd>{escape(name)}: {escape(passes)}"
        + "<br>"
        + escape(" ".join([_("on the floor"), floor]) if floor else _("not on the floor"))
        + "</dd>"
        for letter, name, passes, floor in rows
    )
    return f'<dl class="sun">{"".join(lines)}</dl>'


def card_html(plan: Plan, data: dict[str, Any] | None = None) -> str:
    """The card as one HTML file, in the visit's language: dark ground, large type, all of it in sight, its calculator
    inside.

    What is ticked and noted on it stays on the phone. `data`: what `card_data` gave, where that is at hand.
    """
    with speaking(plan.visit.visit.language):
        return _card_html(plan, data or card_data(plan))


def _card_html(plan: Plan, data: dict[str, Any]) -> str:
    body = plan.visit.body[0] if not plan.views else plan.views[0].body
    lenses = {v.lens.name for v in plan.views} or {lens.name for lens in plan.visit.lens}
    ranges = [lens.focal_range for lens in plan.visit.lens if lens.name in lenses]
    kit = {
        "sensor": list(body.sensor_mm),
        "coc": body.coc_mm,
        "stops": 0 if plan.visit.hands.stabilised else body.stabiliser_stops,
        "t0": plan.visit.hands.t0_stops,
        "slope": plan.visit.hands.slope,
        "marks": {
            "f": [[f_label(2 ** (k / 6)), 2 ** (k / 6)] for k in range(3, 28)],  # f/1.4 to f/22
            "t": [[time_label(2 ** (k / 3)), 2 ** (k / 3)] for k in range(-39, 16)],  # 1/8000 to 30 s
            "s": [[iso_label(100 * 2 ** (k / 3)), 100 * 2 ** (k / 3)] for k in range(22)],  # 100 to 12800
        },
        "visit": f"{data['title']} {data['date']}",
        "words": {text: _(text) for text in CALCULATOR},
        "point": decimal(0.1, 1)[1],
        "focal": round((plan.views[0].framing.focal if plan.views else ranges[0][0]), 1),
    }
    people = "".join(
        f"<p>{escape(n)}{f', {escape(r)}' if r else ''}"
        + (f'<br><a href="tel:{escape(t.replace(" ", ""), quote=True)}">{escape(t)}</a>' if t else "")
        + (f'<br><a href="mailto:{escape(m, quote=True)}">{escape(m)}</a>' if m else "")
        + "</p>"
        for n, r, t, m in data["contacts"]
    )
    parts = {
        "title": escape(data["title"]),
        "place": escape(data["place"]),
        "date": escape(data["date"]),
        "times": "".join(_row(p) for p in data["times"]),
        "floor": data["floor"],
        "order": "".join(_order_html(v) for v in data["views"]),
        "missing": "".join(
            f'<p class="note">{escape(_("Not possible:"))} {escape(n)} ({escape(w)}).</p>' for n, w in data["missing"]
        ),
        "sun": _sun_html(data["sun"]),
        "assumed": f'<p class="note">{escape(data["assumed"])}</p>' if data["assumed"] else "",
        "carry": "".join(_row(p) for p in data["carry"]),
        "views": "".join(_view_html(v) for v in data["views"]),
        "rules": "".join(f"<li>{escape(r)}</li>" for r in data["rules"]),
        "cautions": "".join(f"<li><b>{escape(topic)}:</b> {escape(c)}</li>" for topic, c in data["cautions"]),
        "staff": escape(data["staff"]),
        "contacts": people,
        "kit": json.dumps(kit).replace("<", "\\u003c"),
        "script": files("clerestory.plan").joinpath("card.js").read_text(encoding="utf-8"),
        "style": files("clerestory.plan").joinpath("card.css").read_text(encoding="utf-8"),
    }
    page = files("clerestory.plan").joinpath("card.html").read_text(encoding="utf-8")
    page = marked(page)
    for name, text in parts.items():
        page = page.replace(f"<!--{name}-->", text)
    return page
