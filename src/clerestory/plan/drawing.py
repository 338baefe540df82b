"""Scale drawings as SVG: each view in plan, section, finder and picture; sun patches; a year of light on a window."""

from __future__ import annotations

import base64
import io
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from html import escape

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory.building.model import Building, Hall, Window
from clerestory.building.windows import Calendar, Patch
from clerestory.plan.framing import Aim, Framing, sensor_corners, subject_points
from clerestory.plan.model import BodyTable
from clerestory.plan.preview import rooms_of, seen_frame, seen_picture, straightened
from clerestory.simulate.rooms import Rooms

Array = NDArray[np.float64]

ON_CARD = 220  # pixels of the longer side of a card's little pictures
INK, GREY, STONE, PAPER, ACCENT = "#33312e", "#6d6860", "#8b867d", "#fbfaf7", "#3d6b8e"
# Told apart by lightness alone too: night, then sky, then sun, for black-and-white prints and any eyes.
NIGHT, SKY_LOW, SKY_HIGH, SUN = (38, 40, 43), (84, 83, 80), (136, 133, 127), (255, 240, 200)


@dataclass(frozen=True)
class Panel:
    """A patch of paper: world coordinates in metres onto a box of the drawing, one scale both ways."""

    left: float
    top: float
    width: float
    height: float
    x0: float
    y0: float
    scale: float

    @classmethod
    def fitting(cls, box: tuple[float, float, float, float], points: Array, pad: float = 14) -> Panel:
        """The largest scale at which `points` (n, 2), y upwards, lie in `box` (left, top, width, height)."""
        left, top, width, height = box
        low, high = points.min(axis=0), points.max(axis=0)
        span = np.maximum(high - low, 1e-6)
        scale = float(min((width - 2 * pad) / span[0], (height - 2 * pad) / span[1]))
        middle = (low + high) / 2
        return cls(left, top, width, height, float(middle[0]), float(middle[1]), scale)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Paper position of a world point."""
        return (
            self.left + self.width / 2 + (x - self.x0) * self.scale,
            self.top + self.height / 2 - (y - self.y0) * self.scale,
        )

    def path(self, points: Iterable[Sequence[float]], closed: bool = True) -> str:
        """SVG path data through world points."""
        steps = " L".join("{:.1f} {:.1f}".format(*self.at(float(p[0]), float(p[1]))) for p in points)
        return f"M{steps}{'Z' if closed else ''}"


def _line(panel: Panel, points: Iterable[Sequence[float]], style: str, closed: bool = True) -> str:
    return f'<path d="{panel.path(points, closed)}" {style}/>'


def svg_text(x: float, y: float, words: str, size: float = 12, anchor: str = "start", colour: str = INK) -> str:
    """Words at a place of the drawing."""
    place = f'x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" fill="{colour}"'
    return f"<text {place}>{escape(words)}</text>"


_WALLS = f'fill="none" stroke="{STONE}" stroke-width="1.2"'
_SUBJECT = f'fill="none" stroke="{INK}" stroke-width="3" stroke-linecap="round"'
_FRAME = f'fill="none" stroke="{INK}" stroke-width="1.1"'
_RAY = f'fill="none" stroke="{STONE}" stroke-width="1" stroke-dasharray="3 3"'
_OUTLINE = f'fill="none" stroke="{INK}" stroke-width="1.6"'
_EDGE = f'fill="none" stroke="{STONE}" stroke-width="0.8"'
_EDGED = f'fill="none" stroke="{ACCENT}" stroke-width="1.8"'
_CROP_RAY = f'fill="{ACCENT}" fill-opacity="0.10" stroke="{ACCENT}" stroke-width="1.2"'


def svg_of(
    width: float, height: float, body: Iterable[str], label: str, left: float = 0, font: str = "inherit"
) -> str:
    """A drawing of some width and height from its parts; `label` says what it shows."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{left:g} 0 {width:g} {height:g}" role="img" '
        f'aria-label="{escape(label, quote=True)}" font-family="{font}">{"".join(body)}</svg>'
    )


def _scale_bar(panel: Panel, label_below: bool = True) -> str:
    metres = next((m for m in (1, 2, 5, 10, 20, 50, 100) if m * panel.scale >= 34), 100)
    x, y = panel.left + 8, panel.top + panel.height - 6
    bar = f'<path d="M{x:.1f} {y - 4:.1f}v4h{metres * panel.scale:.1f}v-4" {_FRAME}/>'
    return bar + svg_text(x + metres * panel.scale + 5, y, f"{metres} m", 13)


def on_plan(points: Array) -> Array:
    """Plan points (..., 2), x right and y along, as drawn: west on the left, the north side up."""
    return np.stack([points[..., 1], -points[..., 0]], axis=-1)


def hall_outline(hall: Hall) -> Array:
    """A room's corners (4, 2) as drawn."""
    (x0, x1), (y0, y1), _ = hall.bounds
    return on_plan(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))


def window_ends(window: Window, building: Building) -> Array:
    """The two ends (2, 2) of a window as drawn."""
    normal = building.normal(window)
    along = np.array([-normal[1], normal[0]]) * window.width / 2
    centre = np.array(window.centre)
    return on_plan(np.stack([centre - along, centre + along]))


def _building_plan(panel: Panel, building: Building) -> list[str]:
    out = [_line(panel, hall_outline(h), _WALLS) for h in building.halls]
    glass = f'stroke="{ACCENT}" stroke-width="3.5"'
    return out + [_line(panel, window_ends(w, building), glass, closed=False) for w in building.windows]


def _world_directions(framing: Framing, corners: Array, straight: bool, body: BodyTable) -> Array:
    """Directions (n, 3) in building axes of frame points in pixels, or of picture-plane points when `straight`."""
    if straight:
        flat = corners
    else:
        camera = framing.camera(body)
        flat = np.stack([corners[:, 0] - camera.cx, camera.cy - corners[:, 1]], axis=-1) / camera.focal
    rows = framing.picture_axes if straight else framing.camera_axes
    out: Array = np.column_stack([flat, np.ones(len(flat))]) @ rows
    return out


def _edges(framing: Framing, body: BodyTable) -> tuple[Array, Array]:
    """Directions of the middles of the edges (top, right, bottom, left): of the frame, and of the picture wanted."""
    camera = framing.camera(body)
    w, h = camera.width, camera.height
    frame = np.array([[w / 2, 0], [w, h / 2], [w / 2, h], [0, h / 2]]) - 0.5
    x0, x1, z0, z1 = framing.rectangle
    picture = np.array([[(x0 + x1) / 2, z1], [x1, (z0 + z1) / 2], [(x0 + x1) / 2, z0], [x0, (z0 + z1) / 2]])
    return _world_directions(framing, frame, False, body), _world_directions(framing, picture, True, body)


def _plan_panel(
    box: tuple[float, float, float, float], aimed: Aim, framing: Framing, body: BodyTable, place: Building
) -> list[str]:
    outlines = np.vstack([hall_outline(h) for h in place.halls])
    panel = Panel.fitting(box, outlines)
    frame, picture = _edges(framing, body)
    eye = aimed.eye[:2]
    reach = max(aimed.distance, 3.0)

    def wedge(directions: Array) -> Array:
        sides = directions[[3, 1], :2]
        sides = sides / np.maximum(np.linalg.norm(sides, axis=1, keepdims=True), 1e-9)
        return on_plan(np.stack([eye + sides[0] * reach, eye, eye + sides[1] * reach]))

    key = f"p{hash_of(framing)}"
    left, top, width, height = box
    body_parts = [f'<clipPath id="{key}"><rect x="{left}" y="{top}" width="{width}" height="{height}"/></clipPath>']
    body_parts += [*_building_plan(panel, place), f'<g clip-path="url(#{key})">']
    body_parts += [_line(panel, wedge(picture), _CROP_RAY, False), _line(panel, wedge(frame), _RAY, False), "</g>"]
    corners = subject_points(aimed.view, aimed.eye)[:4]
    body_parts.append(_line(panel, on_plan(corners[:, :2]), _SUBJECT))
    x, y = panel.at(*on_plan(eye))
    body_parts.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{INK}"/>')
    return [*body_parts, _scale_bar(panel)]


def hash_of(framing: Framing) -> int:
    """A number that names a drawing, the same on every run."""
    name = f"{framing.view}/{framing.station}/{framing.lens}"
    return int.from_bytes(name.encode(), "big") % 1_000_000_007


def _section_panel(
    box: tuple[float, float, float, float], aimed: Aim, framing: Framing, body: BodyTable, hall: Hall
) -> list[str]:
    """Along the line of sight: level distance to the right, height up."""
    frame, picture = _edges(framing, body)
    sight = np.array(aimed.view.centre_m) - aimed.eye
    level = max(float(np.hypot(sight[0], sight[1])), 0.5)
    ahead = np.array([sight[0], sight[1]]) / level if np.hypot(sight[0], sight[1]) > 0.1 else np.array([0, 1.0])
    eye_z = float(aimed.eye[2])
    length = max(level * 1.12, 4.0)
    panel = Panel.fitting(box, np.array([[-1.5, -0.5], [length, hall.height + 0.5]]))

    def wedge(directions: Array) -> Array:
        ends = []
        for d in directions[[0, 2]]:
            run, rise = float(d[:2] @ ahead), float(d[2])
            steep = run < 0.2 * math.hypot(run, rise)
            reach = aimed.distance / math.hypot(run, rise) if steep else level * 1.03 / run
            ends.append([run * reach, eye_z + rise * reach])
        return np.array([ends[0], [0, eye_z], ends[1]])

    key = f"s{hash_of(framing)}"
    left, top, width, height = box
    out = [f'<clipPath id="{key}"><rect x="{left}" y="{top}" width="{width}" height="{height}"/></clipPath>']
    out.append(_line(panel, [[-1.5, 0], [length, 0]], _WALLS, False))
    out.append(_line(panel, [[-1.5, hall.height], [length, hall.height]], _WALLS, False))
    out += [f'<g clip-path="url(#{key})">', _line(panel, wedge(picture), _CROP_RAY, False)]
    out += [_line(panel, wedge(frame), _RAY, False), "</g>"]
    corners = subject_points(aimed.view, aimed.eye)[:4]
    flat = np.stack([(corners[:, :2] - aimed.eye[:2]) @ ahead, corners[:, 2]], axis=-1)
    out.append(_line(panel, flat, _SUBJECT))
    x, y = panel.at(0, eye_z)
    _, foot = panel.at(0, 0)
    out.append(f'<path d="M{x:.1f} {y:.1f}V{foot:.1f}" stroke="{INK}"/>')
    out.append(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{INK}"/>')
    return [*out, _scale_bar(panel)]


def _picture_panels(
    finder: tuple[float, float, float, float],
    straight: tuple[float, float, float, float],
    aimed: Aim,
    framing: Framing,
    body: BodyTable,
    rooms: Rooms,
) -> list[str]:
    """The frame with the picture inside it, and the straightened frame with the crop; what is lost is paler."""
    camera = framing.camera(body)
    flip, middle = np.array([1, -1]), np.array([camera.cx, camera.cy])
    edge = np.array([[0, 0], [camera.width, 0], [camera.width, camera.height], [0, camera.height]], float) - 0.5
    edge = (edge - middle) / camera.focal * flip
    quad = (framing.frame_points(aimed.corners, body) - middle) / camera.focal * flip
    subject = subject_points(aimed.view, aimed.eye)[:4]
    shown = seen_frame(rooms, framing, body, aimed.eye)
    panel = Panel.fitting(finder, edge)
    out = [_image(panel, edge, shown), _lost(panel, edge, quad), _line(panel, quad, _EDGED)]
    out += [_line(panel, _flat(subject - aimed.eye, framing.camera_axes), _OUTLINE), _line(panel, edge, _FRAME)]
    outline = sensor_corners(framing, body)
    panel = Panel.fitting(straight, np.vstack([outline, aimed.corners]))
    (x0, z0), (x1, z1) = outline.min(axis=0), outline.max(axis=0)
    turned = straightened(shown, framing, body, (float(x0), float(x1), float(z0), float(z1)))
    key = f"u{hash_of(framing)}"
    out.append(f'<clipPath id="{key}"><path d="{panel.path(outline)}"/></clipPath><g clip-path="url(#{key})">')
    out += [_image(panel, np.array([[x0, z1], [x1, z1], [x1, z0], [x0, z0]]), turned), "</g>"]
    out += [_lost(panel, outline, aimed.corners), _line(panel, outline, _EDGE)]
    return [*out, _line(panel, aimed.corners, _EDGED)]


def _lost(panel: Panel, whole: Array, kept: Array) -> str:
    """Makes paler what lies in one outline and outside another."""
    return f'<path d="{panel.path(whole)} {panel.path(kept)}" fill="{PAPER}" fill-opacity="0.5" fill-rule="evenodd"/>'


def _flat(vectors: Array, rows: Array) -> Array:
    """Picture-plane points (n, 2), y up, of vectors from the eye."""
    local = vectors @ rows.T
    out: Array = local[:, :2] / local[:, 2:]
    return out


def _image(panel: Panel, corners: Array, pixels: NDArray[np.uint8]) -> str:
    """Pixels laid into a rectangle given by its corners, clockwise from the top left."""
    (x0, y0), (x1, y1) = panel.at(*corners[0]), panel.at(*corners[2])
    held = io.BytesIO()
    Image.fromarray(pixels).save(held, "JPEG", quality=82)
    data = base64.b64encode(held.getvalue()).decode()
    place = f'x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}" preserveAspectRatio="none"'
    return f'<image {place} href="data:image/jpeg;base64,{data}"/>'


_PLAN, _SECTION = (0.0, 22.0, 300.0, 200.0), (304.0, 22.0, 212.0, 200.0)
_FINDER, _PICTURE = (520.0, 22.0, 216.0, 200.0), (740.0, 22.0, 220.0, 200.0)


def _title(box: tuple[float, float, float, float], words: str) -> str:
    return svg_text(box[0] + 4, 15, words, 15, colour=GREY)


def _place_parts(aimed: Aim, framing: Framing, body: BodyTable, place: Building) -> list[str]:
    """A view in plan and section."""
    out = [_title(_PLAN, "Plan, altar to the right"), _title(_SECTION, "Section, along the view")]
    out += _plan_panel(_PLAN, aimed, framing, body, place)
    return out + _section_panel(_SECTION, aimed, framing, body, place.hall(aimed.view.room))


def _picture_parts(aimed: Aim, framing: Framing, body: BodyTable, place: Building, sun: Array | None) -> list[str]:
    """A view as the frame has it and straightened."""
    rooms = rooms_of(aimed.view, place, sun)
    out = [_title(_PICTURE, "Straightened" if framing.how == "straightened" else "Picture")]
    if framing.how != "join":
        return [*out, _title(_FINDER, "Frame"), *_picture_panels(_FINDER, _PICTURE, aimed, framing, body, rooms)]
    out.append(svg_text(_FINDER[0] + 4, 110, f"stitched from {framing.frames} frames", 15))
    panel = Panel.fitting(_PICTURE, aimed.corners)
    return [*out, _image(panel, aimed.corners, seen_picture(rooms, framing, aimed.eye))]


def view_drawing(aimed: Aim, framing: Framing, body: BodyTable, place: Building, sun: Array | None) -> str:
    """A view in plan, section, frame and straightened frame, to scale, as SVG text; the last two as the rooms show.

    `sun`: unit vector (3,) towards it in building axes for the sunlight in the picture, None when it does not shine.
    """
    parts = _place_parts(aimed, framing, body, place) + _picture_parts(aimed, framing, body, place, sun)
    return svg_of(960, 226, parts, f"{framing.view} from {framing.station}: plan, section, frame and picture")


def view_drawings(
    aimed: Aim, framing: Framing, body: BodyTable, place: Building, sun: Array | None
) -> tuple[str, str]:
    """`view_drawing` in two halves, for a narrow page: plan and section, frame and straightened one. `sun`: (3,)."""
    name = f"{framing.view} from {framing.station}"
    return (
        svg_of(518, 226, _place_parts(aimed, framing, body, place), f"{name}: plan and section"),
        svg_of(442, 226, _picture_parts(aimed, framing, body, place, sun), f"{name}: frame and picture", 518),
    )


def card_picture(aimed: Aim, framing: Framing, body: BodyTable, place: Building, sun: Array | None) -> str:
    """The frame as held, with the picture in it and what is lost paler, in greys, as SVG text; of a stitched view the
    picture. `sun`: unit vector (3,) towards it in building axes, or None."""
    rooms = rooms_of(aimed.view, place, sun)
    joined = framing.how == "join"
    if joined:
        corners = aimed.corners
        shown = seen_picture(rooms, framing, aimed.eye)
    else:
        camera = framing.camera(body)
        flip, middle = np.array([1, -1]), np.array([camera.cx, camera.cy])
        edge = np.array([[0, 0], [camera.width, 0], [camera.width, camera.height], [0, camera.height]], float) - 0.5
        corners = (edge - middle) / camera.focal * flip
        shown = seen_frame(rooms, framing, body, aimed.eye)
    wide, high = np.ptp(corners, axis=0)
    width, height = (240.0, 240.0 * high / wide) if wide > high else (240.0 * wide / high, 240.0)
    panel = Panel.fitting((0, 0, width, height), corners, pad=1)
    out = [_image(panel, corners, _grey(shown))]
    if not joined:
        quad = (framing.frame_points(aimed.corners, body) - middle) / camera.focal * flip
        out.append(_lost(panel, corners, quad))
        out.append(_line(panel, quad, 'fill="none" stroke="#fff" stroke-width="5"'))
        out.append(_line(panel, quad, 'fill="none" stroke="#000" stroke-width="2"'))
    out.append(_line(panel, corners, 'fill="none" stroke="#000" stroke-width="2"'))
    return svg_of(width, height, out, f"{framing.view}: the frame and the picture in it")


def _grey(pixels: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Greys of some pixels, uint8 H x W x 3, at the size of a card's little pictures."""
    scale = ON_CARD / max(pixels.shape[:2])
    size = max(1, round(pixels.shape[1] * scale)), max(1, round(pixels.shape[0] * scale))
    return np.asarray(Image.fromarray(pixels).resize(size).convert("L"))


def _wall_points(patch: Patch) -> Array:
    axis = 1 if patch.face in ("north", "south") else 0
    return patch.corners[:, [axis, 2]]


def patch_drawing(window: Window, hall: Hall, building: Building, patches: list[tuple[str, list[Patch]]]) -> str:
    """Where the sun through a window falls on the floor and on the most lit wall; `patches` carry clock labels."""
    faces: dict[str, float] = {}
    for _, found in patches:
        for patch in found:
            faces[patch.face] = faces.get(patch.face, 0.0) + patch.area
    walls = {face: area for face, area in faces.items() if face != "floor"}
    wall = max(walls, key=lambda face: walls[face]) if walls else None
    (x0, x1), (y0, y1), (_, top) = hall.bounds
    plan = Panel.fitting((0, 22, 470, 190), hall_outline(hall))
    out = [_title((0, 0, 0, 0), "Floor, altar to the right"), _line(plan, hall_outline(hall), _WALLS)]
    out.append(_line(plan, window_ends(window, building), f'stroke="{ACCENT}" stroke-width="5"', False))
    out += _patches(
        plan, [(w, on_plan(p.corners[:, :2])) for w, found in patches for p in found if p.face == "floor"]
    )
    out.append(_scale_bar(plan))
    drawn = svg_of(480, 216, out, f"Sun patches of {window.name} on the floor")
    if wall is not None:
        ends = (y0, y1) if wall in ("north", "south") else (x0, x1)
        outline = np.array([[ends[0], 0], [ends[1], 0], [ends[1], top], [ends[0], top]])
        mirror = np.array([-1.0 if wall in ("south", "west") else 1.0, 1.0])
        panel = Panel.fitting((490, 22, 470, 190), outline * mirror)
        out = [_title((490, 0, 0, 0), f"{wall.capitalize()} wall, seen from inside")]
        out.append(_line(panel, outline * mirror, _WALLS))
        shapes = [(w, _wall_points(p) * mirror) for w, found in patches for p in found if p.face == wall]
        out += _patches(panel, shapes)
        drawn += svg_of(480, 216, out, f"Sun patches of {window.name} on the {wall} wall", 480)
    return drawn


def _patches(panel: Panel, shapes: list[tuple[str, Array]]) -> list[str]:
    """Patches of sunlight, then their labels, those left out that would lie on one another."""
    style = f'fill="#f3dfa6" fill-opacity="0.55" stroke="{INK}" stroke-width="0.8"'
    out, taken = [_line(panel, points, style) for _, points in shapes], list[tuple[float, float]]()
    for label, points in shapes:
        x, y = panel.at(*points.mean(axis=0))
        if not any(abs(x - a) < 30 and abs(y - b) < 12 for a, b in taken):
            taken.append((x, y))
            out.append(svg_text(x, y + 4, label, 13, "middle"))
    return out


def calendar_pixels(calendar: Calendar) -> NDArray[np.uint8]:
    """A year of one window as pixels (slots, days, 3): night dark, sky grey, direct sun pale gold."""
    direct, diffuse = calendar.direct.T, calendar.diffuse.T
    sky = np.clip(diffuse / 12000, 0, 1)[..., None] ** 0.6
    low, high = np.array(SKY_LOW, float), np.array(SKY_HIGH, float)
    pixels = np.where(diffuse[..., None] > 0, low + (high - low) * sky, np.array(NIGHT, float))
    sun = np.clip(direct / 40000, 0, 1)[..., None] ** 0.5
    lit = direct[..., None] > 0
    base = np.array([214, 186, 118], float)
    pixels = np.where(lit, base + (np.array(SUN, float) - base) * sun, pixels)
    out: NDArray[np.uint8] = np.round(pixels).astype(np.uint8)
    return out


def _png(pixels: NDArray[np.uint8]) -> str:
    image = Image.fromarray(pixels).quantize(32, dither=Image.Dither.NONE)
    held = io.BytesIO()
    image.save(held, "PNG", optimize=False)
    return "data:image/png;base64," + base64.b64encode(held.getvalue()).decode()


def calendar_drawing(calendar: Calendar, day: date) -> str:
    """Hours by days for one window: the local clock upwards from 4 to 22 h, months across, the visit's day marked."""
    slots = 60 // calendar.minutes
    pixels = calendar_pixels(calendar)[4 * slots : 22 * slots][::-1]
    left, top, width, height = 34.0, 6.0, 426.0, 180.0
    out = [
        f'<image x="{left}" y="{top}" width="{width}" height="{height}" preserveAspectRatio="none" '
        f'style="image-rendering:pixelated" href="{_png(np.ascontiguousarray(pixels))}"/>'
    ]
    for hour in (6, 9, 12, 15, 18, 21):
        y = top + height * (22 - hour) / 18
        out.append(f'<path d="M{left} {y:.1f}h{width}" stroke="#fff" stroke-opacity="0.16"/>')
        out.append(svg_text(left - 5, y + 4, f"{hour}", 12, "end"))
    days = calendar.direct.shape[0]
    for month in range(1, 13):
        first = (date(calendar.year, month, 1) - date(calendar.year, 1, 1)).days
        x = left + width * first / days
        out.append(f'<path d="M{x:.1f} {top}v{height}" stroke="#fff" stroke-opacity="0.16"/>')
        out.append(svg_text(x + width / 24, top + height + 16, "JFMAMJJASOND"[month - 1], 12, "middle"))
    if day.year == calendar.year:
        x = left + width * ((day - date(day.year, 1, 1)) / timedelta(days=1) + 0.5) / days
        out.append(f'<path d="M{x:.1f} {top}v{height}" stroke="{ACCENT}" stroke-width="2"/>')
    return svg_of(466, 208, out, f"A year of light on {calendar.window}")
