"""A church from some ten numbers: its rooms, a window in every bay, points to stand at; what is assumed of it.

Proportions. Where a number is not given it follows from the others:

- an aisle is half as wide as the nave, as in the building on squares of the Romanesque (ad quadratum: the nave's bays
  are twice the aisles'; F. Kugler and after him the handbooks, here from memory);
- larger English churches are about six times as long as wide (J. Fergusson, A History of Architecture in All
  Countries, vol. 2), which serves only to ask about slips, not to assume a length;
- all other shares are common practice, no source, with the width of the span in `_SPAN` beside each.

Every assumed length carries by how much it may be off, 95 times in 100, so that what is calculated from it can say
so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

from clerestory.building.measure import Length

Kind = Literal["hall", "aisled basilica", "cruciform", "rotunda", "chapel"]
GUIDE = 0.03  # share by which a guidebook's length is off (common practice, no source)
BY_EYE = 0.08  # the same of a window's sill or head, judged from below (common practice, no source)

# Share of what, and by what share of the result it may be off. Common practice, no source, but for the aisle's width.
_SPAN: dict[str, tuple[float, float]] = {
    "aisle width": (0.5, 0.3),  # of the nave's width (ad quadratum)
    "aisle height": (0.42, 0.25),  # of the nave's height
    "bay": (0.5, 0.0),  # of the nave's width, where the number of bays is not given
    "quire length": (0.3, 0.3),  # of the whole length
    "quire width": (1.0, 0.2),  # of the nave's
    "quire height": (0.95, 0.15),  # of the nave's
    "transept": (2.6, 0.3),  # of the nave's width, from end to end
    "window width": (0.42, 0.4),  # of the bay
    "low sill": (0.3, 0.35),  # of the room's height: windows of an aisle, a hall, a chapel
    "low head": (0.78, 0.2),
    "high sill": (0.63, 0.14),  # of the nave's height: a clerestory
    "high head": (0.86, 0.1),
    "end width": (0.55, 0.45),  # of the room's width: an end wall's window
    "end sill": (0.28, 0.6),
    "end head": (0.84, 0.2),
    "west width": (0.4, 0.5),
    "west sill": (0.5, 0.35),
    "west head": (0.84, 0.15),
}
WALL = Length(1.0, 0.5)  # thickness of the wall in which a window stands
UNEVEN = 0.08  # share of a bay by which a window is off its middle
FROM_DOOR = 2.0  # metres from the west wall at which one stands by the door


def _share(of: Length, what: str) -> Length:
    share, loose = _SPAN[what]
    return of.scaled(share, loose)


@dataclass(frozen=True)
class Numbers:
    """What is known of a church. Lengths in metres; None where it is to be assumed.

    `width` is the nave's between its arcades or walls, `length` the whole of the inside. `quire` and `transept`
    (from end to end): a length, True for one of a length to be assumed, False for none. `sides`: on which sides there
    are aisles. `sill` and `head`: the nave's own windows: those of the clerestory where there are aisles.
    """

    kind: Kind
    length: Length
    width: Length
    height: Length
    bays: int | None = None
    sides: tuple[str, ...] | None = None
    transept: Length | bool | None = None
    quire: Length | bool | None = None
    sill: Length | None = None
    head: Length | None = None
    aisle_sill: Length | None = None
    aisle_head: Length | None = None
    aisle_width: Length | None = None
    aisle_height: Length | None = None


@dataclass(frozen=True)
class AssumedRoom:
    """A room: `west_end` (x, y) is the middle of its west wall; `why` in words."""

    name: str
    length: Length
    width: Length
    height: Length
    west_end: tuple[float, float]
    why: str


@dataclass(frozen=True)
class AssumedWindow:
    """A window in a wall of a room, or (`faces`, from the axis, and `at`) turned otherwise."""

    name: str
    room: str
    wall: str
    along: Length
    width: Length
    sill: Length
    head: Length
    why: str
    faces: float | None = None
    at: tuple[float, float] | None = None


@dataclass(frozen=True)
class AssumedPoint:
    """A point to stand at, metres right of the axis and along it."""

    name: str
    at: tuple[float, float]


@dataclass
class Layout:
    """All that follows from the numbers. `crossing`: where it begins along the axis, None where there is none."""

    rooms: list[AssumedRoom] = field(default_factory=list)
    windows: list[AssumedWindow] = field(default_factory=list)
    points: list[AssumedPoint] = field(default_factory=list)
    crossing: float | None = None

    def room(self, name: str) -> AssumedRoom | None:
        """The room of this name."""
        return next((r for r in self.rooms if r.name == name), None)


def layout(n: Numbers) -> Layout:
    """The church that some numbers tell of."""
    out = Layout()
    if n.kind == "rotunda":
        _rotunda(n, out)
        return out
    main = "chapel" if n.kind == "chapel" else "hall" if n.kind == "hall" else "nave"
    quire = _optional(n.quire, n.kind == "cruciform", _share(n.length, "quire length"))
    transept = _optional(n.transept, n.kind == "cruciform", _share(n.width, "transept"))
    long = n.length.metres - (quire.metres if quire else 0.0)
    body = Length(max(long, 1.0), math.hypot(n.length.off, quire.off if quire else 0.0))
    out.rooms.append(AssumedRoom(main, body, n.width, n.height, (0.0, 0.0), "length less the quire" if quire else ""))
    arms = n.width if transept else None
    west = max(body.metres - (arms.metres if arms else 0.0), 1.0)  # the part with bays
    bays = n.bays or max(2, round(west / (n.width.metres * _SPAN["bay"][0])))
    out.crossing = west if arms else None
    _aisles(n, out, main, Length(west, body.off), bays)
    _sides(n, out, main, Length(west, body.off), bays)
    if transept:
        _transepts(n, out, transept, west)
    if quire:
        _quire(n, out, quire, body.metres, west / bays)
    _ends(out, main)
    _points(out, main)
    return out


def _optional(given: Length | bool | None, usual: bool, assumed: Length) -> Length | None:
    if isinstance(given, Length):
        return given
    return assumed if given or (given is None and usual) else None


def _row(
    out: Layout, label: str, room: str, wall: str, bays: int, step: float, off: float, opening: tuple[Length, Length],
    why: str, first: float = 0.0,
) -> None:  # fmt: skip
    """A window in the middle of every bay of a wall."""
    width = _share(Length(step, step * off), "window width")
    for bay in range(bays):
        along = first + (bay + 0.5) * step
        place = Length(along, math.hypot(UNEVEN * step, along * off))
        out.windows.append(AssumedWindow(f"{label} {bay + 1}", room, wall, place, width, *opening, why))


def _opening(sill: Length | None, head: Length | None, height: Length, row: str) -> tuple[Length, Length]:
    """Sill and head as given, else as shares of the room's height; the head below the ceiling, above the sill."""
    low = sill or _share(height, f"{row} sill")
    top = head or _share(height, f"{row} head")
    top = Length(min(top.metres, height.metres), top.off)
    if top.metres <= low.metres + 0.3:
        low = Length(max(top.metres * 0.5, 0.0), top.metres * 0.3) if sill is None else low
        top = Length(min(low.metres + 1.0, height.metres), low.metres * 0.3 + 0.3) if head is None else top
    return low, top


def _aisles(n: Numbers, out: Layout, main: str, west: Length, bays: int) -> None:
    sides = n.sides if n.sides is not None else (("north", "south") if n.kind == "aisled basilica" else ())
    wide = n.aisle_width or _share(n.width, "aisle width")
    high = n.aisle_height or (n.height if n.kind in ("hall", "chapel") else _share(n.height, "aisle height"))
    why = "half the nave's width (ad quadratum)" if n.aisle_width is None else ""
    for side in sides:
        sign = 1 if side == "south" else -1
        name = f"{side} aisle"
        across = sign * (n.width.metres + wide.metres) / 2
        out.rooms.append(AssumedRoom(name, west, wide, high, (across, 0.0), why))
        opening = _opening(n.aisle_sill, n.aisle_head, high, "low")
        _row(out, f"{side} aisle window", name, side, bays, west.metres / bays, west.off / west.metres, opening,
             "one in the middle of every bay")  # fmt: skip


def _sides(n: Numbers, out: Layout, main: str, west: Length, bays: int) -> None:
    """The nave's own windows: above the aisles a clerestory, elsewhere in the wall."""
    for side in ("north", "south"):
        aisled = out.room(f"{side} aisle") is not None
        if aisled and n.kind in ("hall", "chapel"):
            continue  # aisles as high as the nave leave it no windows of its own
        label = f"{side} clerestory" if aisled else f"{side} window"
        opening = _opening(n.sill, n.head, n.height, "high" if aisled else "low")
        _row(out, label, main, side, bays, west.metres / bays, west.off / west.metres, opening,
             "one in the middle of every bay")  # fmt: skip


def _transepts(n: Numbers, out: Layout, whole: Length, west: float) -> None:
    arm = Length(max((whole.metres - n.width.metres) / 2, 1.0), whole.off / 2)
    for side in ("north", "south"):
        sign = 1 if side == "south" else -1
        name = f"{side} transept"
        across = sign * (n.width.metres + arm.metres) / 2
        out.rooms.append(AssumedRoom(name, n.width, arm, n.height, (across, west), "as wide and high as the nave"))
        low, top = _opening(None, None, n.height, "end")
        middle = Length(n.width.metres / 2, 0.1 * n.width.metres)
        width = _share(n.width, "end width")
        out.windows.append(
            AssumedWindow(f"{side} transept window", name, side, middle, width, low, top, "one in its end wall")
        )


def _quire(n: Numbers, out: Layout, quire: Length, start: float, bay: float) -> None:
    wide, high = _share(n.width, "quire width"), _share(n.height, "quire height")
    out.rooms.append(AssumedRoom("quire", quire, wide, high, (0.0, start), "about as wide and high as the nave"))
    bays = max(1, round(quire.metres / bay))
    head = Length(min(n.head.metres, high.metres), n.head.off) if n.head else None
    opening = _opening(n.sill, head, high, "high")
    for side in ("north", "south"):
        _row(out, f"quire {side} window", "quire", side, bays, quire.metres / bays, quire.off / quire.metres, opening,
             "one in the middle of every bay of the quire")  # fmt: skip


def _ends(out: Layout, main: str) -> None:
    """A window in the east wall and one in the west."""
    last = out.room("quire") or out.rooms[0]
    for label, room, wall, row in (
        ("east window", last, "east", "end"),
        ("west window", out.rooms[0], "west", "west"),
    ):
        low, top = _opening(None, None, room.height, row)
        width = _share(room.width, f"{row} width")
        middle = Length(0.0, 0.05 * room.width.metres)
        out.windows.append(AssumedWindow(label, room.name, wall, middle, width, low, top, f"one in the {wall} wall"))


def _points(out: Layout, main: str) -> None:
    nave = out.rooms[0]
    long = nave.length.metres
    out.points.append(AssumedPoint("west door", (0.0, min(FROM_DOOR, long / 4))))
    out.points.append(AssumedPoint(f"middle of the {main}", (0.0, round(0.45 * long, 2))))
    if out.crossing is not None:
        out.points.append(AssumedPoint("crossing", (0.0, round(out.crossing + nave.width.metres / 2, 2))))
    elif out.room("quire"):
        out.points.append(AssumedPoint("before the quire", (0.0, round(long - min(3.0, long / 5), 2))))
    else:
        out.points.append(AssumedPoint("before the altar", (0.0, round(0.8 * long, 2))))
    for side in ("south", "north"):
        aisle = out.room(f"{side} aisle")
        if aisle is not None:
            out.points.append(
                AssumedPoint(f"{side} aisle", (round(aisle.west_end[0], 2), round(0.2 * aisle.length.metres, 2)))
            )


def _rotunda(n: Numbers, out: Layout) -> None:
    """A round room, drawn as the square about it; a window in every bay of the circle but over the door."""
    across = Length((n.length.metres + n.width.metres) / 2, max(n.length.off, n.width.off))
    out.rooms.append(AssumedRoom("rotunda", across, across, n.height, (0.0, 0.0), "the square about the circle"))
    bays, radius = n.bays or 8, across.metres / 2
    opening = _opening(n.sill, n.head, n.height, "low")
    step = 2 * math.pi * radius / bays
    width = _share(Length(step, step * across.off / across.metres), "window width")
    for bay in range(bays):
        turn = 360.0 * bay / bays  # from the altar, clockwise
        if abs(turn - 180) < 1e-6:
            continue
        a = math.radians(turn)
        at = (round(radius * math.sin(a), 3), round(radius + radius * math.cos(a), 3))
        place = Length(0.0, UNEVEN * step)
        out.windows.append(
            AssumedWindow(f"window {bay + 1}", "rotunda", "", place, width, *opening, "one in every bay", turn, at)
        )
    out.points.append(AssumedPoint("west door", (0.0, min(FROM_DOOR, radius / 2))))
    out.points.append(AssumedPoint("middle of the rotunda", (0.0, round(radius, 2))))
