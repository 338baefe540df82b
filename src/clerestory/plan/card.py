"""The field card: an A5 PDF for print and one HTML file for the phone that needs no network."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from html import escape
from importlib.resources import files
from typing import Any

import typst

from clerestory.camera.exposure import f_label, iso_label, time_label
from clerestory.plan import words
from clerestory.plan.care import STAFF, of_plan, view_cautions
from clerestory.plan.reckoning import Plan, ViewPlan

# Latin, Greek and Cyrillic: what the typesetter's own font has. For other scripts the system's fonts are searched.
_PRINTABLE = re.compile(r"[\u0000-\u052f\u1e00-\u20bf\u2100-\u22ff]*\Z")


def _whole(data: Any) -> Any:
    """Data of any depth with its texts unbroken as by `words.unbroken`."""
    if isinstance(data, str):
        return words.unbroken(data)
    if isinstance(data, list):
        return [_whole(d) for d in data]
    return {k: _whole(v) for k, v in data.items()} if isinstance(data, dict) else data


def _view_data(plan: Plan, number: int, view: ViewPlan) -> dict[str, Any]:
    stop = next((s for s in plan.timetable.stops if s.view == view.view.name), None)
    mind = view_cautions(plan, view)
    if stop is not None and not stop.light:
        mind.append("Not the light you wanted at this hour.")
    if view.settings.snr < view.view.snr_wanted * 0.7:
        mind.append(words.capital(words.noise_line(view)) + ".")
    lines = [
        ["Stand", words.stand_line(plan, view)],
        ["Lens", words.lens_line(view)],
        ["Hold", words.hold_line(view)],
        ["Focus", words.focus_line(view)],
        ["Frames", words.frames_line(view)],
    ]
    if view.settings.glass is not None:
        lines.append(["Glass", words.glass_line(view)])
    lines.append(["Light", words.when(plan, view)])
    if view.room is not None and view.framing.how == "straightened":
        lines.append(["Crop", f"{100 * view.room.kept:.0f} % of the frame left after straightening"])
    return {
        "number": number,
        "name": view.view.name,
        "time": f"{plan.clock(stop.start)}" if stop else "–",
        "end": f"{plan.clock(stop.end)}" if stop else "",
        "start_s": stop.start if stop else None,
        "end_s": stop.end if stop else None,
        "note": view.view.note,
        "shot": words.shot_line(view),
        "station": words.standing(plan, view),
        "lines": lines,
        "mind": mind,
    }


def card_data(plan: Plan) -> dict[str, Any]:
    """Everything the card says, as plain data."""
    visit, place, sun = plan.visit.visit, plan.visit.place, plan.sun
    day = plan.day.day
    hours = [f"{h.start:%H:%M}–{h.end:%H:%M}" for h in place.open if h.falls_on(day)]
    services = [f"{h.name or 'Service'} {h.start:%H:%M}–{h.end:%H:%M}" for h in place.service if h.falls_on(day)]
    risen = f"up {plan.clock(sun.rise)}–{plan.clock(sun.set)}" if sun.rise and sun.set else "see the report"
    data = {
        "title": visit.title,
        "place": f"{place.name}, {place.town}" if place.town else place.name,
        "date": words.day_words(visit.date),
        "times": [
            ["Visit", f"{visit.arrive:%H:%M}–{visit.leave:%H:%M}"],
            ["Open", ", ".join(hours) or "see the notice at the door"],
            ["Services", ", ".join(services) or "none known"],
            ["Sun", risen],
        ],
        "bag": f"{plan.bag.bag}: " + ", ".join(next(b for b in plan.visit.bag if b.name == plan.bag.bag).lenses),
        "contacts": [[c.name, c.role, c.phone, c.email] for c in place.contact],
        "views": [_view_data(plan, k, v) for k, v in enumerate(plan.in_order, start=1)],
        "rules": words.house_lines(place),
        "cautions": [list(caution) for caution in of_plan(plan)],
        "staff": STAFF,
    }
    whole: dict[str, Any] = _whole(data)
    return whole


def card_pdf(plan: Plan) -> bytes:
    """The card as a PDF of A5 pages, black on white; the same plan gives the same bytes."""
    template = files("clerestory.plan").joinpath("card.typ").read_bytes()
    text = json.dumps(card_data(plan), ensure_ascii=False)
    content = typst.compile(
        template,
        ignore_system_fonts=_PRINTABLE.match(text) is not None,
        sys_inputs={"card": text},
        timestamp=datetime.fromtimestamp(plan.day.start, UTC),
    )
    if not isinstance(content, bytes):
        raise TypeError("the typesetter gave no PDF")
    return content


def _row(pair: list[str]) -> str:
    return f"<dt>{escape(pair[0])}</dt><dd>{escape(pair[1])}</dd>"


def _view_html(view: dict[str, Any]) -> str:
    mind = "".join(f'<p class="mind">{escape(m)}</p>' for m in view["mind"])
    note = f'<p class="note">{escape(view["note"])}</p>' if view["note"] else ""
    span = "" if view["start_s"] is None else f' data-start="{view["start_s"]:.0f}" data-end="{view["end_s"]:.0f}"'
    return (
        f'<details{span}><summary><span class="time">{view["time"]}</span>'
        f'<span class="name">{escape(view["name"])}</span><span class="shot">{escape(view["shot"])}</span></summary>'
        f"{note}<dl>{''.join(_row(p) for p in view['lines'])}</dl>{mind}</details>"
    )


def card_html(plan: Plan) -> str:
    """The card as one HTML file: dark ground, large type, its calculator inside."""
    data = card_data(plan)
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
        "views": "".join(_view_html(v) for v in data["views"]),
        "rules": "".join(f"<li>{escape(r)}</li>" for r in data["rules"]),
        "cautions": "".join(f"<li><b>{escape(topic)}:</b> {escape(c)}</li>" for topic, c in data["cautions"]),
        "staff": escape(data["staff"]),
        "contacts": people,
        "bag": escape(data["bag"]),
        "kit": json.dumps(kit).replace("<", "\\u003c"),
        "script": files("clerestory.plan").joinpath("card.js").read_text(encoding="utf-8"),
        "style": files("clerestory.plan").joinpath("card.css").read_text(encoding="utf-8"),
    }
    page = files("clerestory.plan").joinpath("card.html").read_text(encoding="utf-8")
    for name, text in parts.items():
        page = page.replace(f"<!--{name}-->", text)
    return page
