"""The floor plan on the card: numbered points to stand at, arrows of sight, the way between, north and scale.

Black on white, told apart by form alone, so that it serves in any print.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clerestory.plan.drawing import Array, Panel, hall_outline, on_plan, svg_of, svg_text, window_ends
from clerestory.plan.reckoning import Plan, ViewPlan
from clerestory.plan.suntable import SunRow

BLACK, WALL, PALE = "#000", "#555", "#999"
WIDTH, TALLEST = 720.0, 270.0  # units of the drawing; six to a millimetre of an A5 page's width
_FONT = "Libertinus Serif"


HALF = 13.0  # half the height of a number's ground
APART = 3.0  # between two numbers' grounds
FOOT = 20.0  # below the building, for the scale
ROUNDS = 60  # of moving numbers apart; a dozen points in one spot take twenty


@dataclass
class _Mark:
    """A point on the plan, with the numbers of the views taken from it and where they are written: at the point
    itself, unless others are in the way."""

    at: tuple[float, float]
    said: str
    x: float
    y: float

    @property
    def half(self) -> float:
        """Half the width of the ground."""
        return max(HALF, 5.2 * len(self.said) + 5)


def floor_plan(plan: Plan, rows: list[SunRow]) -> str:
    """The building from above as SVG, altar to the right; windows bear the letters of `rows`."""
    building = plan.visit.building
    outlines = np.vstack([hall_outline(h) for h in building.halls])
    eyes = np.array([v.aim.eye[:2] for v in plan.views]).reshape(-1, 2)
    points = np.vstack([outlines, on_plan(eyes)]) if len(eyes) else outlines
    span = np.maximum(np.ptp(points, axis=0), 1.0)
    height = min(max(WIDTH * span[1] / span[0], 120.0), TALLEST) + 44
    panel = Panel.fitting((0, 0, WIDTH, height), points, pad=24)
    height += FOOT
    out = ['<defs><marker id="tip" viewBox="0 0 10 10" refX="9" refY="5" markerWidth="7" markerHeight="7" '
           'orient="auto"><path d="M0 0L10 5L0 10Z"/></marker></defs>']  # fmt: skip
    walls = f'fill="#fff" stroke="{WALL}" stroke-width="2"'
    out += [f'<path d="{panel.path(hall_outline(h))}" {walls}/>' for h in building.halls]
    out += _windows(plan, panel, rows)
    marks = _apart(_marks(plan, panel), height - FOOT)
    out += _way(plan, panel)
    out += _arrows(plan, panel)
    out += _numbers(marks)
    out += [_north(plan, WIDTH - 34, 34), _scale(panel, height)]
    return svg_of(WIDTH, height, out, "Floor plan: points to stand at in the order of the day", font=_FONT)


def _windows(plan: Plan, panel: Panel, rows: list[SunRow]) -> list[str]:
    building, out = plan.visit.building, list[str]()
    letters = {name: row.letter for row in rows for name in row.names}
    told: set[str] = set()
    for window in building.windows:
        ends = window_ends(window, building)
        wide = 7 if window.name in letters else 4
        out.append(f'<path d="{panel.path(ends, closed=False)}" stroke="{BLACK}" stroke-width="{wide}"/>')
        letter = letters.get(window.name, "")
        if letter and letter not in told:
            told.add(letter)
            normal = building.normal(window)
            x, y = panel.at(*ends.mean(axis=0))
            out.append(
                svg_text(x + 15 * float(normal[1]), y + 15 * float(normal[0]) + 6, letter, 18, "middle", BLACK)
            )
    return out


def _marks(plan: Plan, panel: Panel) -> list[_Mark]:
    seen: dict[str, list[int]] = {}
    for number, view in enumerate(plan.in_order, 1):
        seen.setdefault(view.framing.station, []).append(number)
    out = []
    for station, numbers in seen.items():
        eye = next(v.aim.eye for v in plan.views if v.framing.station == station)
        x, y = panel.at(*on_plan(eye[:2]))
        out.append(_Mark((x, y), _listed(numbers), x, y))
    return out


def _apart(marks: list[_Mark], height: float) -> list[_Mark]:
    """Numbers moved off each other, within the drawing, the shorter way and both by the same."""
    for _ in range(ROUNDS):
        _within(marks, height)
        moved = False
        for k, one in enumerate(marks):
            for other in marks[k + 1 :]:
                over_x = one.half + other.half + APART - abs(one.x - other.x)
                over_y = 2 * HALF + APART - abs(one.y - other.y)
                if min(over_x, over_y) < 0.1:
                    continue
                moved = True
                step = min(over_x, over_y) / 2
                if over_y <= over_x:
                    way = 1 if one.y >= other.y else -1
                    one.y, other.y = one.y + way * step, other.y - way * step
                else:
                    way = 1 if one.x > other.x else -1
                    one.x, other.x = one.x + way * step, other.x - way * step
        if not moved:
            break
    _within(marks, height)
    return marks


def _within(marks: list[_Mark], height: float) -> None:
    """Numbers moved back into the drawing."""
    for one in marks:
        one.x = min(max(one.x, one.half), WIDTH - one.half)
        one.y = min(max(one.y, HALF), height - HALF)


def _listed(numbers: list[int]) -> str:
    """Numbers, those that follow each other drawn together: 2–4, 7."""
    runs: list[list[int]] = []
    for n in numbers:
        if runs and n == runs[-1][-1] + 1:
            runs[-1].append(n)
        else:
            runs.append([n])
    return ", ".join(str(r[0]) if len(r) == 1 else f"{r[0]}\u2013{r[-1]}" for r in runs)


def _numbers(marks: list[_Mark]) -> list[str]:
    out = []
    for mark in marks:
        x, y = mark.at
        if math.hypot(mark.x - x, mark.y - y) > HALF / 2:  # the point itself, and a line to it
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="{BLACK}"/>'
                       f'<path d="M{x:.1f} {y:.1f}L{mark.x:.1f} {mark.y:.1f}" stroke="{BLACK}"/>')  # fmt: skip
    for mark in marks:
        out.append(f'<rect x="{mark.x - mark.half:.1f}" y="{mark.y - HALF:.1f}" width="{2 * mark.half:.1f}" '
                   f'height="{2 * HALF:.0f}" rx="{HALF:.0f}" fill="{BLACK}" stroke="#fff"/>')  # fmt: skip
        out.append(svg_text(mark.x, mark.y + 6.5, mark.said, 19, "middle", "#fff"))
    return out


def _at(panel: Panel, view: ViewPlan) -> tuple[float, float]:
    return panel.at(*on_plan(view.aim.eye[:2]))


def _way(plan: Plan, panel: Panel) -> list[str]:
    """The way from point to point in the order of the day."""
    spots = [_at(panel, plan.view(stop.view)) for stop in plan.timetable.stops]
    steps = " L".join(f"{x:.1f} {y:.1f}" for x, y in spots)
    return (
        [f'<path d="M{steps}" fill="none" stroke="{PALE}" stroke-width="2" stroke-dasharray="2 5"/>'] if spots else []
    )


def _arrows(plan: Plan, panel: Panel) -> list[str]:
    out = []
    for view in plan.views:
        x, y = _at(panel, view)
        if abs(view.framing.tilt) > 60:  # straight up: a ring
            out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="20" fill="none" stroke="{BLACK}" stroke-width="1.6"/>')
            continue
        yaw = math.radians(view.framing.yaw)
        way: Array = on_plan(np.array([math.sin(yaw), math.cos(yaw)]))
        long = min(64.0, 0.8 * view.framing.distance * panel.scale + 16)
        out.append(f'<path d="M{x:.1f} {y:.1f}l{way[0] * long:.1f} {-way[1] * long:.1f}" stroke="{BLACK}" '
                   'stroke-width="2" marker-end="url(#tip)"/>')  # fmt: skip
    return out


def _north(plan: Plan, x: float, y: float) -> str:
    """An arrow to true north: the altar, at the axis's bearing, lies to the right."""
    turn = 90 - plan.visit.axis
    arrow = f'<path d="M0 20V-14" stroke="{BLACK}" stroke-width="2"/><path d="M0 -22L6 -8L0 -12L-6 -8Z"/>'
    turned = f'<g transform="translate({x:.0f} {y:.0f}) rotate({turn:.1f})">{arrow}</g>'
    return turned + svg_text(x - 26, y + 6, "N", 18, "middle", BLACK)


def _scale(panel: Panel, height: float) -> str:
    metres = next((m for m in (1, 2, 5, 10, 20, 50) if m * panel.scale >= 60), 50)
    y = height - 6
    return (
        f'<path d="M4 {y - 6:.1f}v6h{metres * panel.scale:.1f}v-6" fill="none" stroke="{BLACK}" stroke-width="2"/>'
        f"{svg_text(metres * panel.scale + 12, y, f'{metres} m', 18, 'start', BLACK)}"
    )
