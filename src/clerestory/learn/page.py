"""What was learned as one self-contained HTML page."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from html import escape

import numpy as np

from clerestory.camera.exposure import iso_label, settings_words, time_label
from clerestory.camera.steadiness import SHARP_SHARE, HandsFit, frames_needed
from clerestory.finish.report import ACCENT, QUIET, STYLE, TEXT
from clerestory.learn.measure import Judged, Learned, Light, Noise
from clerestory.learn.planned import Compared, Taken

WIDE, HIGH, LEFT, FOOT = 720, 310, 46, 50  # an SVG plot, its room for labels left and below
FOCALS = (24, 35, 50, 85, 135, 200)
_MOST_ROWS = 24
_MORE = (
    """
svg { width: 100%; max-width: 900px; height: auto; display: block; margin: 18px 0 6px; }
.line { fill: none; stroke: ACCENT; stroke-width: 2.4; } .band { fill: ACCENT; fill-opacity: 0.2; }
.dash { fill: none; stroke: QUIET; stroke-width: 1.8; stroke-dasharray: 7 5; }
.grid { stroke: #34322e; } .dot { fill: TEXT; } svg text { fill: QUIET; font-size: 14px; } p { max-width: 46em; }
td.n, th.n { text-align: right; }
""".replace("ACCENT", ACCENT)
    .replace("QUIET", QUIET)
    .replace("TEXT", TEXT)
)


def _text(x: float, y: float, words: str, anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _line(xs: Iterable[float], ys: Iterable[float], kind: str) -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in zip(xs, ys, strict=True))
    return f'<polyline class="{kind}" points="{points}"/>'


def _svg(height: float, parts: Sequence[str], label: str) -> str:
    return (
        f'<svg viewBox="0 0 {WIDE} {height:.0f}" role="img" aria-label="{escape(label, quote=True)}" '
        f'font-family="inherit">{"".join(parts)}</svg>'
    )


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    top = "".join(f"<th>{escape(h)}</th>" for h in head)
    body = "".join("<tr>" + "".join(f"<td>{escape(c)}</td>" for c in row) + "</tr>" for row in rows)
    return f"<table><tr>{top}</tr>{body}</table>"


def _say(words: str, kind: str = "") -> str:
    return f"<p{f' class={kind}' if kind else ''}>{escape(words)}</p>"


def _percent(share: float | None) -> str:
    return "" if share is None else f"{100 * share:.0f} %"


def shares(judged: Sequence[Judged], most: int = 12) -> list[tuple[float, float, int]]:
    """Frames in bins of equal width in stops: middle of the bin, share of sharp ones, count."""
    stops = np.array([math.log2(j.seconds * j.equivalent_mm) for j in judged])
    width = max(0.5, math.ceil(2 * (stops.max() - stops.min() + 1e-9) / most) / 2)
    bins = np.floor(stops / width).astype(int)
    sharp = np.array([j.sharp for j in judged])
    return [
        (float(stops[bins == b].mean()), float(sharp[bins == b].mean()), int((bins == b).sum()))
        for b in np.unique(bins)
    ]


def hands_drawing(fit: HandsFit, judged: Sequence[Judged]) -> str:
    """Chance of a sharp frame over shutter time in stops beyond 1 / equivalent focal length, with its 95 % band."""
    seen = shares(judged)
    low = math.floor(min(s for s, _, _ in seen) - 1)
    high = math.ceil(max(s for s, _, _ in seen) + 1)

    def place(stops: float) -> float:
        return LEFT + (WIDE - LEFT - 20) * (stops - low) / (high - low)

    def level(chance: float) -> float:
        return 12 + (HIGH - FOOT - 12) * (1 - chance)

    parts = []
    for chance in (0.0, 0.25, 0.5, 0.75, 1.0):
        parts.append(f'<path class="grid" d="M{LEFT} {level(chance):.1f}H{WIDE - 20}"/>')
        parts.append(_text(LEFT - 6, level(chance) + 5, f"{100 * chance:.0f}", "end"))
    for whole in range(low, high + 1, max(1, (high - low) // 10)):
        parts.append(_text(place(whole), HIGH - FOOT + 22, f"{whole:+d}" if whole else "0"))
    parts.append(_text((LEFT + WIDE) / 2, HIGH - 8, "stops slower than 1 / equivalent focal length"))
    x = np.linspace(low, high, 121)
    below, middle, above = fit.band(x)
    edge = [*zip(x, above, strict=True), *zip(x[::-1], below[::-1], strict=True)]
    points = " ".join(f"{place(a):.1f},{level(b):.1f}" for a, b in edge)
    parts.append(f'<polygon class="band" points="{points}"/>')
    parts.append(_line(map(place, x), map(level, middle), "line"))
    for stops, share, count in seen:
        radius = 2.5 + 1.2 * math.sqrt(count)
        parts.append(
            f'<circle class="dot" cx="{place(stops):.1f}" cy="{level(share):.1f}" r="{min(radius, 11):.1f}"/>'
        )
    return _svg(HIGH, parts, "Chance of a sharp frame, per cent, over shutter time")


def _hands(learned: Learned) -> str:
    fit = learned.fit
    if fit is None:
        return _say(
            "No burst of one view was found, so nothing can be said yet of how steady your hands are. Take a few "
            "views five times over, at several shutter times, and learn again."
        )
    t0, slope, doubt = fit.hands.t0_stops, fit.hands.slope, 1.96 * fit.t0_error
    out = _say(
        f"Half the frames are sharp at {t0:+.1f} stops (95 %: {t0 - doubt:+.1f} to {t0 + doubt:+.1f}) from 1 / "
        f"equivalent focal length, stabiliser included; slope {slope:.2f}. From {fit.frames} frames, "
        f"{fit.sharp} sharp."
    )
    if not 0 < fit.sharp < fit.frames:
        kind = "sharp" if fit.sharp else "soft"
        out += _say(
            f"All of them are {kind}: the figures are mostly what was assumed before"
            f"{'' if fit.told else ', and are left out of learned.toml'}. Try other shutter times.",
            "bad",
        )
    elif not fit.told:
        out += _say("That tells nothing, and is left out of learned.toml. Try other shutter times.", "bad")
    elif doubt > 0.75:
        out += _say("These are few frames: the figures may well be off by as much as that.", "bad")
    rows = []
    for focal in FOCALS:
        times = [fit.hands.slowest(chance, focal) for chance in (0.95, 0.75, 0.5)]
        rows.append(
            [
                f"{focal} mm equivalent",
                *map(time_label, times),
                str(frames_needed(fit.hands.chance(times[2] * 2, focal))),
            ]
        )
    head = [
        "focal length",
        "95 % sharp at",
        "75 % sharp at",
        "half sharp at",
        "frames for one sharp, a stop slower still",
    ]
    return out + hands_drawing(fit, learned.judged) + _by_focal(learned) + _table(head, rows)


def _by_focal(learned: Learned) -> str:
    """Whether the rule of 1 / focal length holds over the focal lengths used."""
    assert learned.fit is not None
    hands, rows = learned.fit.hands, []
    for low, high in ((0, 28), (28, 45), (45, 75), (75, 150), (150, math.inf)):
        group = [j for j in learned.judged if low <= j.equivalent_mm < high]
        if group:
            told = sum(hands.chance(j.seconds, j.equivalent_mm) for j in group)
            mean = math.exp(sum(math.log(j.equivalent_mm) for j in group) / len(group))
            rows.append(
                [f"{mean:.0f} mm equivalent", str(len(group)), str(sum(j.sharp for j in group)), f"{told:.1f}"]
            )
    return _table(["focal length, about", "frames", "sharp", "expected by the curve"], rows)


def snr_at_grey(noise: Noise) -> float:
    """Signal to noise of a pixel an eighth of the way to saturation, in green."""
    signal = noise.range / 8
    return signal / math.sqrt(float(noise.model.variance(np.array(signal), 1)))


def noise_drawing(noise: Sequence[Noise]) -> str:
    """Signal to noise three stops below saturation, over ISO, one line a camera."""
    isos = [n.iso for n in noise]
    ratios = [snr_at_grey(n) for n in noise]
    low, high = math.floor(math.log2(min(isos))), math.ceil(math.log2(max(isos)) + 1e-6)
    least, most = math.floor(math.log2(min(ratios))), math.ceil(math.log2(max(ratios)) + 1e-6)

    def place(iso: float) -> float:
        return LEFT + (WIDE - LEFT - 20) * (math.log2(iso) - low) / max(high - low, 1)

    def level(ratio: float) -> float:
        return 12 + (HIGH - FOOT - 12) * (most - math.log2(ratio)) / max(most - least, 1)

    parts = []
    for power in range(least, most + 1):
        parts.append(f'<path class="grid" d="M{LEFT} {level(2.0**power):.1f}H{WIDE - 20}"/>')
        parts.append(_text(LEFT - 6, level(2.0**power) + 5, f"{2.0**power:.0f}", "end"))
    for iso in (100 * 2**k for k in range(12) if low <= math.log2(100 * 2**k) <= high):
        parts.append(_text(place(iso), HIGH - FOOT + 20, str(iso)))
    parts.append(_text((LEFT + WIDE) / 2, HIGH - 8, "ISO"))
    for camera in dict.fromkeys(n.camera for n in noise):
        mine = sorted((n.iso, snr_at_grey(n)) for n in noise if n.camera == camera)
        parts.append(_line([place(i) for i, _ in mine], [level(r) for _, r in mine], "line"))
        parts += [f'<circle class="dot" cx="{place(i):.1f}" cy="{level(r):.1f}" r="3.5"/>' for i, r in mine]
        parts.append(_text(place(mine[0][0]) + 12, level(mine[0][1]) - 4, camera, "start"))
    return _svg(HIGH, parts, "Signal to noise over ISO")


def _noise(learned: Learned) -> str:
    if not learned.noise:
        return _say("No raw frame gave a noise model.")
    rows = [
        [
            noise.camera,
            f"{noise.iso:g}",
            " ".join(f"{g:.3g}" for g in noise.model.gain),
            " ".join(f"{r:.3g}" for r in noise.model.read),
            f"{noise.model.read[1] / noise.model.gain[1]:.1f}",
            f"{noise.range / noise.model.gain[1]:.0f}",
            str(noise.frames),
        ]
        for noise in learned.noise
    ]
    head = ["camera", "ISO", "gain, raw units per electron (R G G B)", "read noise, raw units", "read, electrons",
            "electrons at saturation", "frames"]  # fmt: skip
    return (
        noise_drawing(learned.noise)
        + _say("Signal to noise of one raw pixel three stops below saturation, in green; upwards is cleaner.", "lead")
        + _table(head, rows)
    )


def lens_drawing(lens: str, counts: dict[float, int]) -> str:
    """Frames by focal length, one bar each."""
    items = sorted(counts.items())
    if len(items) > _MOST_ROWS:
        wide: dict[float, int] = {}
        for focal, count in items:
            near = float(round(2.0 ** (round(math.log2(focal) * 4) / 4)))
            wide[near] = wide.get(near, 0) + count
        items = sorted(wide.items())
    most = max(counts for _, counts in items)
    parts = []
    for row, (focal, count) in enumerate(items):
        y = 8 + 24 * row
        length = max(2.0, (WIDE - 180) * count / most)
        parts.append(_text(84, y + 14, f"{focal:g} mm", "end"))
        parts.append(f'<rect x="92" y="{y}" width="{length:.1f}" height="18" fill="{ACCENT}"/>')
        parts.append(_text(100 + length, y + 14, str(count), "start"))
    return f"<h3>{escape(lens)}</h3>" + _svg(16 + 24 * len(items), parts, f"Frames by focal length, {lens}")


def settings_of(taken: Taken, between: str = ", ") -> str:
    """One view's focal length, aperture, shutter time and ISO in words, as far as they are known."""
    return settings_words(taken.focal, taken.f_number, taken.seconds, taken.iso, between)


def _cd(light: float) -> str:
    return "" if math.isnan(light) else f"{float(f'{light:.2g}'):g}"


def _spare(light: Light) -> str:
    """How much lighter the view's darkest frame could have been."""
    if abs(light.spare) < 0.15:
        return "as taken"
    return f"{'about ' if light.guessed else ''}{abs(light.spare):.1f} stops {'more' if light.spare > 0 else 'less'}"


def _light(found: Compared) -> str:
    """Light expected and seen."""
    rows = [
        [name, _cd(p.light.stone), _cd(m.light.stone), _cd(p.light.glass), _cd(m.light.glass), _spare(m.light)]
        for name, p, m in found.views
        if p.light and m.light
    ]
    head = [
        "view",
        "stone planned, cd/m²",
        "seen",
        "glass planned, cd/m²",
        "seen",
        "exposure that just keeps the glass",
    ]
    return _table(head, rows) if rows else ""


def _compared(found: Compared, learned: Learned) -> str:
    out = f"<h3>{escape(found.title)}</h3>"
    if found.judged:
        out += _say(f"Of {found.judged} frames judged, the plan expected {found.expected:.1f} to be sharp; "
                    f"{found.sharp} are.")  # fmt: skip
    if found.views:
        rows = [
            [name, settings_of(p, "  "), _percent(p.sharp), settings_of(m, "  "), _percent(m.sharp)]
            for name, p, m in found.views
        ]
        out += _table(["view", "planned", "chance of sharp", "taken", "share sharp"], rows) + _light(found)
    else:
        out += _say("No view could be matched: give the views the plan's names as titles in about.toml.", "lead")
    rows = []
    for noise in learned.noise:
        for body in found.visit.body:
            if body.name.casefold() == noise.camera.casefold():
                told = Noise(noise.camera, noise.iso, body.noise(noise.iso, noise.range), noise.range, 1)
                off = 20 * math.log10(snr_at_grey(noise) / snr_at_grey(told))
                rows.append([noise.camera, iso_label(noise.iso), f"{off:+.1f} dB"])
    return out + (_table(["camera", "ISO", "signal to noise against the plan"], rows) if rows else "")


def learned_page(learned: Learned, compared: Sequence[Compared], folders: Sequence[str]) -> str:
    """The whole page."""
    frames = len(learned.judged) + learned.alone
    lead = f"{frames} frames of {len(folders)} folder{'s' if len(folders) > 1 else ''}: {', '.join(folders)}"
    parts = [
        "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>Learned from your frames</title><style>{STYLE}{_MORE}</style><main>",
        "<h1>Learned from your frames</h1>",
        _say(lead, "lead"),
        "<h2>Steadiness</h2>",
        _hands(learned),
        _say(
            f"A frame counts as sharp while the hand's movement stays below 1/{1 / SHARP_SHARE:.0f} of the frame's "
            "diagonal (twice its RMS radius): it then shows at least the fine detail that its view would show "
            "blurred by that much. Where every frame of a view is soft, none counts as sharp. Dots are "
            f"shares of sharp frames, the larger the more frames; the band holds 95 %. {learned.alone} frames stand "
            "alone in their view, belong to a bracket or a panorama, or do not tell how they were taken: they were "
            "not judged.",
            "lead",
        ),
        "<h2>Noise</h2>",
        _noise(learned),
        "<h2>Lenses</h2>",
        "".join(lens_drawing(lens, counts) for lens, counts in sorted(learned.lenses.items()))
        or _say("No frame tells its focal length."),
    ]
    if compared:
        parts += ["<h2>Planned and measured</h2>", *(_compared(c, learned) for c in compared)]
    if learned.refused:
        items = "".join(f"<li>{escape(f'{path}: {why}')}</li>" for path, why in learned.refused)
        parts.append(f"<h2>Not measured</h2><ul>{items}</ul>")
    return "".join(parts) + "</main></html>\n"
