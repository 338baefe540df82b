"""Where a frame was taken: its straight edges, its vertical and the rooms give the point and the direction.

Which way is up, and the building's level directions, turn the camera into one of four ways of standing in the
building. For each, and for points all over its rooms, the edges that a room has there (corners, skirting, ceiling,
the four sides of each window) are held against the straight edges of the frame: an edge of the frame and the eye span
a plane, and an edge of the building that is the same one lies in it, at the place along it that the frame shows. The
points that explain most, and miss least of what should show there, are moved until nothing gains. Others that do
nearly as well count in proportion, and what all of them together leave open is said. Our own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.building.model import WALL_TURN, Building, Hall, Window
from clerestory.camera.camera import Camera
from clerestory.plan.model import EYE, Wall
from clerestory.vertical.result import Vertical
from clerestory.vertical.segments import Segments

Array = NDArray[np.float64]

STEP = 0.6  # metres between the points tried first
TRIED = 24  # points of each way of standing that are moved on
ANGLE = math.radians(
    0.25
)  # deviation of a frame's edge from the building's, a measured building (set on bench/placing)
SLANT = math.sin(math.radians(1.6))  # sine of the angle by which an edge may be off a direction of the building
WORTH = 60.0  # how much more an edge in its place speaks for a point than one by chance (set on bench/placing)
SHARE = (
    0.35  # share of the evidence that is taken as independent: edges come in pairs and rows (set on bench/placing)
)
EYE_OFF = 0.15  # metres by which the height of a standing person's eye differs, one standard deviation
FULL_STEP = 1.5  # stops from one side of an edge to the other at which it weighs fully: glass against a wall
FAINT = 0.08  # what an edge without any step weighs
BESIDE = (3.0, 4.5, 6.0)  # pixels from an edge at which its two sides are looked at
TURN = 0.25  # degrees between the level directions tried
TURN_OFF = 0.4  # degrees by which the best of them is off, one standard deviation (set on bench/placing)
RIVAL = 0.7  # a second level direction borne out by this share of the first's edges is tried as well
BEST, POLISHED = 8, 40  # answers that are moved on at random, and moves of each size
MOST = 90  # edges of a frame that are held against the building's: those that weigh most
SEEN_WINDOW, SEEN_ROOM = 0.8, 0.35  # chance that an edge in view is found in the frame (set on bench/placing)
MISSED = 1.0  # how much an edge that is not found counts beside one that is
CLEAR = 0.78  # share of the edges of light that a point must explain to be believed (set on bench/placing)
VAGUE, VAGUE_TURN = 0.35, 25.0  # else: off by this share of the building's length, and by so many degrees
LEAST_OFF, LEAST_TURN = 0.2, 0.6  # metres and degrees that are always left open (set on bench/placing)
TORN_TURN = 4.0  # degrees left open where several places explain a frame (set on bench/placing)
WIDER = 1.3  # bounds as reckoned are widened by this factor (set on bench/placing)
SURE = 0.9  # share of the belief that the best point must hold to be called sure
LEAST = 6  # edges below which no point is told


@dataclass(frozen=True)
class Placed:
    """Where a frame was taken: metres right of the axis, along it and up; direction in degrees from the axis.

    `off_m` and `turn_off_deg` bound the error 95 times in 100; `sure`: whether no other point explains as much;
    `others`: points (x, y) that explain nearly as much; `edges`: edges of the frame that were held against the
    building's; `explained`: share of those of light that the point explains.
    """

    at: tuple[float, float]
    eye: float
    direction: float
    pitch: float
    off_m: float
    turn_off_deg: float
    sure: bool
    others: tuple[tuple[float, float], ...]
    edges: int
    explained: float


def building_edges(building: Building) -> Array:
    """Edges of the rooms and windows: (n, 10): two ends (x, y, z), which way it runs (0 to 2), and for those of a

    window the outward normal (x, y) and 1, for others zeros.
    """
    rows: list[list[float]] = []
    for hall in building.halls:
        rows += _box(hall)
    for window in building.windows:
        rows += _opening(window, building)
    return np.array(rows, float).reshape(-1, 10)


def _box(hall: Hall) -> list[list[float]]:
    (x0, x1), (y0, y1), (z0, z1) = hall.bounds
    out = [[x, y, z0, x, y, z1, 2, 0, 0, 0] for x in (x0, x1) for y in (y0, y1)]
    out += [[x, y0, z, x, y1, z, 1, 0, 0, 0] for x in (x0, x1) for z in (z0, z1)]
    return out + [[x0, y, z, x1, y, z, 0, 0, 0, 0] for y in (y0, y1) for z in (z0, z1)]


def _opening(window: Window, building: Building) -> list[list[float]]:
    normal = building.normal(window)
    if max(abs(normal[0]), abs(normal[1])) < 0.999:  # of a round room: its level edges run neither way
        return []
    along = np.array([-normal[1], normal[0]])
    way = 1 if abs(along[1]) > 0.5 else 0
    a, b = (np.array(window.centre) + side * along * window.width / 2 for side in (-1, 1))
    tail = [normal[0], normal[1], 1.0]
    out = [[p[0], p[1], window.sill, p[0], p[1], window.head, 2, *tail] for p in (a, b)]
    return out + [[a[0], a[1], z, b[0], b[1], z, way, *tail] for z in (window.sill, window.head)]


def level_directions(segments: Segments, steps: Array, vertical: Vertical) -> list[Array]:
    """Level directions of the building, unit vectors (3,) in camera axes, that its edges of light bear out best.

    Those that the vertical was found with come from all edges; glass and walls say it more plainly. At most two.
    """
    up = np.array(vertical.up)
    start = np.array(vertical.axes[0].vector) if vertical.axes else np.cross(up, [1.0, 0.0, 0.0])
    start = start - up * float(start @ up)
    start /= np.linalg.norm(start)
    side = np.cross(start, up)
    flat = np.abs(segments.normal @ up) > SLANT  # what stands upright says nothing of the level
    normals = segments.normal[flat]
    weight = segments.length[flat] * np.clip(steps[flat] / FULL_STEP, FAINT, 1.0)
    turns = np.radians(np.arange(0.0, 90.0, TURN))
    ways = np.cos(turns)[:, None] * start + np.sin(turns)[:, None] * side
    aside = -np.sin(turns)[:, None] * start + np.cos(turns)[:, None] * side
    off = np.minimum(np.abs(normals @ ways.T), np.abs(normals @ aside.T))
    borne = (weight[:, None] * np.exp(-0.5 * (off / math.radians(0.5)) ** 2)).sum(axis=0)
    best = int(np.argmax(borne))
    apart = np.abs((turns - turns[best] + math.pi / 4) % (math.pi / 2) - math.pi / 4) > math.radians(2.5)
    second = int(np.argmax(np.where(apart, borne, -1.0)))
    return [ways[best], ways[second]] if borne[second] > RIVAL * borne[best] else [ways[best]]


def ways_of_standing(up: Array, level: Array) -> list[Array]:
    """Rotations (3, 3) from the building's axes to the camera's that up and a level direction, each (3,), leave open:

    four.
    """
    aside = np.cross(level, up)
    return [np.stack([np.cross(ahead, up), ahead, up], axis=1) for ahead in (level, aside, -level, -aside)]


@njit(cache=True, nogil=True, error_model="numpy")
def _in_view(p, edges, boxes):  # type: ignore[no-untyped-def]
    """Whether any of three places on each edge can be seen from `p` through the rooms."""
    out = np.zeros(edges.shape[0], np.bool_)
    for j in range(edges.shape[0]):
        if edges[j, 9] > 0 and (edges[j, 0] - p[0]) * edges[j, 7] + (edges[j, 1] - p[1]) * edges[j, 8] <= 0.05:
            continue  # a window seen from outside
        for part in (0.2, 0.5, 0.8):
            free = True
            for n in range(1, 15):
                u = 0.985 * n / 14.0
                inside = False
                for b in range(boxes.shape[0]):
                    held = True
                    for k in range(3):
                        q = edges[j, k] + part * (edges[j, 3 + k] - edges[j, k])
                        v = p[k] + u * (q - p[k])
                        if v < boxes[b, 2 * k] - 1e-3 or v > boxes[b, 2 * k + 1] + 1e-3:
                            held = False
                            break
                    if held:
                        inside = True
                        break
                if not inside:
                    free = False
                    break
            if free:
                out[j] = True
                break
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _framed(p, edge, turn, tans):  # type: ignore[no-untyped-def]
    """How much of an edge lies in the frame, of seven places on it; `turn`: building to camera."""
    count = 0
    for n in range(7):
        part = (n + 0.5) / 7.0
        x = edge[0] + part * (edge[3] - edge[0]) - p[0]
        y = edge[1] + part * (edge[4] - edge[1]) - p[1]
        z = edge[2] + part * (edge[5] - edge[2]) - p[2]
        ahead = turn[2, 0] * x + turn[2, 1] * y + turn[2, 2] * z
        if ahead <= 0.3:
            continue
        right = turn[0, 0] * x + turn[0, 1] * y + turn[0, 2] * z
        down = turn[1, 0] * x + turn[1, 1] * y + turn[1, 2] * z
        if abs(right) < tans[0] * ahead and abs(down) < tans[1] * ahead:
            count += 1
    return count


@njit(cache=True, nogil=True, error_model="numpy")
def _explained(p, normals, rays, kinds, weights, edges, shown, turn, tans, step, angle):  # type: ignore[no-untyped-def]
    """How much the edges of a building seen from `p` explain those of a frame, less those missed in it."""
    total = 0.0
    borne = np.zeros(edges.shape[0])
    for i in range(normals.shape[0]):
        best = 0.0
        k = kinds[i]
        rk = rays[i, k]
        side = 1.0 - rk * rk
        if side < 1e-6:
            continue
        for j in range(edges.shape[0]):
            if not shown[j] or edges[j, 6] != k:
                continue
            ax, ay, az = edges[j, 0] - p[0], edges[j, 1] - p[1], edges[j, 2] - p[2]
            ak = edges[j, k] - p[k]
            # Where along the edge the ray to the middle of the frame's edge passes it nearest.
            dot = ax * rays[i, 0] + ay * rays[i, 1] + az * rays[i, 2]
            far = (dot - ak * rk) / side
            if far <= 0.1:
                continue
            t = far * rk - ak
            d = edges[j, 3 + k] - edges[j, k]
            slack = 0.3 + 0.02 * far
            if t < min(0.0, d) - slack or t > max(0.0, d) + slack:
                continue
            off = abs(normals[i, 0] * ax + normals[i, 1] * ay + normals[i, 2] * az) / far
            spread = math.sqrt(angle * angle + (step / far) ** 2)
            if off > 3.5 * spread:
                continue
            near = math.exp(-0.5 * (off / spread) ** 2)
            borne[j] = max(borne[j], near)
            best = max(best, near * angle / spread)
        total += weights[i] * math.log(1.0 + WORTH * best)
    for j in range(edges.shape[0]):
        if shown[j] and borne[j] < 0.99 and _framed(p, edges[j], turn, tans) >= 4:
            likely = SEEN_WINDOW if edges[j, 9] > 0 else SEEN_ROOM
            total += math.log(1.0 - likely * (1.0 - borne[j])) * MISSED
    return total


@njit(cache=True, nogil=True, error_model="numpy")
def _tried(points, normals, rays, kinds, weights, edges, boxes, turn, tans, step, angle):  # type: ignore[no-untyped-def]
    out = np.zeros(points.shape[0])
    for k in range(points.shape[0]):
        shown = _in_view(points[k], edges, boxes)
        out[k] = _explained(points[k], normals, rays, kinds, weights, edges, shown, turn, tans, step, angle)
    return out


def _about(yaw: float) -> Array:
    """The rotation (3, 3) by `yaw` radians to the right, seen from above."""
    c, s = math.cos(yaw), math.sin(yaw)
    return np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])


@dataclass(frozen=True)
class _Seen:
    """A frame's edges that run along a direction of the building, in the building's axes for one way of standing."""

    normals: Array
    rays: Array
    kinds: NDArray[np.int64]
    weights: Array
    lit: NDArray[np.bool_]

    def turned(self, yaw: float) -> _Seen:
        """The same with the camera turned by `yaw` radians to the right."""
        turn = _about(yaw)
        return _Seen(self.normals @ turn.T, self.rays @ turn.T, self.kinds, self.weights, self.lit)


def _seen(segments: Segments, steps: Array, rotation: Array) -> _Seen:
    normals, rays = segments.normal @ rotation, segments.centre @ rotation
    off = np.abs(normals)
    kinds = np.argmin(off, axis=1)
    good = off[np.arange(len(off)), kinds] < SLANT
    length = segments.length[good]
    if not len(length):
        return _Seen(normals[good], rays[good], kinds[good], length, length > 0)
    weights = np.clip(length / float(np.median(length)), 0.5, 2.0) * np.clip(steps[good] / FULL_STEP, FAINT, 1.0)
    most = np.argsort(-weights, kind="stable")[:MOST]
    lit = steps[good][most] > FULL_STEP / 2
    return _Seen(normals[good][most], rays[good][most], kinds[good][most], weights[most], lit)


def light_steps(luma: NDArray[np.float32], segments: Segments) -> Array:
    """How many stops lighter one side of each edge (n,) is than the other, in a linear luminance plane (H x W).

    A window's edge has stops, a joint of the stone, dark on a light wall, hardly any.
    """
    ends = segments.ends
    along = ends[:, 1] - ends[:, 0]
    square = np.stack([-along[:, 1], along[:, 0]], axis=1) / np.maximum(segments.length[:, None], 1e-9)
    sides = []
    high, wide = luma.shape
    for sign in (-1, 1):
        found = []
        for part in (0.15, 0.3, 0.5, 0.7, 0.85):
            for off in BESIDE:
                at = np.round(ends[:, 0] + part * along + sign * off * square).astype(int)
                found.append(luma[np.clip(at[:, 1], 0, high - 1), np.clip(at[:, 0], 0, wide - 1)])
        sides.append(np.median(np.array(found, float), axis=0))
    floor = 1e-3 * float(np.quantile(luma, 0.99)) + 1e-12
    out: Array = np.abs(np.log2((np.maximum(sides[0], 0) + floor) / (np.maximum(sides[1], 0) + floor)))
    return out


def _grid(building: Building) -> Array:
    """Points (n, 3) all over the rooms at the height of an eye."""
    points = []
    for hall in building.halls:
        sides = []
        for low, high in hall.bounds[:2]:
            count = max(3, round((high - low) / STEP))
            sides.append(low + (np.arange(count) + 0.5) * (high - low) / count)
        points += [[x, y, EYE] for x in sides[0] for y in sides[1]]
    return np.array(points)


class _Search:
    """One way of standing: what the frame's edges say of any point, height and small turn."""

    def __init__(self, seen: _Seen, edges: Array, boxes: Array, rotation: Array, tans: Array) -> None:
        self.turn_off = math.radians(TURN_OFF)
        self.seen, self.edges, self.boxes, self.rotation, self.tans = seen, edges, boxes, rotation, tans
        self.shown = np.zeros(len(edges), np.bool_)

    def from_here(self, x: Array) -> None:
        """Which edges can be seen about a point."""
        self.shown = _in_view(x[:3], self.edges, self.boxes)

    def score(self, x: Array, step: float = 0.0) -> float:
        """Log belief in x, y, z and yaw; the height by how eyes differ."""
        s = self.seen.turned(float(x[3])) if x[3] else self.seen
        turn = self.rotation @ _about(-float(x[3]))
        fit = _explained(
            x[:3], s.normals, s.rays, s.kinds, s.weights, self.edges, self.shown, turn, self.tans, step, ANGLE
        )
        usual = ((float(x[2]) - EYE) / EYE_OFF) ** 2 + (float(x[3]) / self.turn_off) ** 2
        return SHARE * float(fit) - 0.5 * usual

    def first(self, points: Array) -> list[Array]:
        """The best of the points tried, no two within two steps of each other."""
        s = self.seen
        scores = _tried(points, s.normals, s.rays, s.kinds, s.weights, self.edges, self.boxes, self.rotation,
                        self.tans, STEP / 2, ANGLE)  # fmt: skip
        kept: list[Array] = []
        for k in np.argsort(-scores, kind="stable"):
            if all(np.hypot(*(points[k, :2] - other[:2])) > 1.5 * STEP for other in kept):
                kept.append(np.array([*points[k], 0.0]))
                if len(kept) == TRIED:
                    break
        return kept

    def climbed(self, x: Array) -> tuple[Array, float]:
        """Moved step by step, each way by itself, until nothing gains."""
        sizes = np.array([0.4, 0.4, 0.1, 0.6 * self.turn_off])
        best = -math.inf
        for loose in (0.3, 0.12, 0.04, 0.0, 0.0):
            self.from_here(x)
            best = self.score(x, loose)
            for _ in range(6):
                moved = False
                for axis in range(4):
                    for sign in (-1.0, 1.0):
                        trial = x.copy()
                        trial[axis] += sign * sizes[axis]
                        value = self.score(trial, loose)
                        if value > best:
                            x, best, moved = trial, value, True
                if not moved:
                    break
            sizes = sizes / 2.2
        return x, best

    def polished(self, x: Array, best: float) -> tuple[Array, float]:
        """Moved at random, all ways together, in ever smaller steps, while that gains."""
        rng = np.random.Generator(np.random.Philox(11))
        for scale in (1.0, 0.5, 0.25, 0.12, 0.06, 0.03):
            self.from_here(x)
            best = self.score(x)
            sizes = scale * np.array([0.4, 0.4, 0.1, 1.5 * self.turn_off])
            for move in rng.standard_normal((POLISHED, 4)):
                trial = x + move * sizes
                value = self.score(trial)
                if value > best:
                    x, best = trial, value
        return x, best

    def explained(self, x: Array) -> float:
        """Share of the weight of a frame's edges of light that a point explains."""
        s = self.seen.turned(float(x[3]))
        lit = s.lit
        alone = np.zeros(len(s.normals))
        for i in np.flatnonzero(lit):
            one = slice(i, i + 1)
            alone[i] = _explained(x[:3], s.normals[one], s.rays[one], s.kinds[one], s.weights[one], self.edges,
                                  self.shown, self.rotation, np.zeros(2), 0.0, ANGLE)  # fmt: skip
        most = s.weights * math.log(1 + WORTH)
        return float(alone[lit].sum() / max(most[lit].sum(), 1e-9))

    def spread(self, x: Array, best: float) -> Array:
        """Standard deviations of x, y and yaw about a best point, from how the belief falls away on either side."""
        out = np.zeros(3)
        for k, (axis, sizes) in enumerate(((0, _SPANS), (1, _SPANS), (3, _SPANS * math.radians(1.0)))):
            drops = []
            for size in sizes:
                trial = [x.copy(), x.copy()]
                trial[0][axis] += size
                trial[1][axis] -= size
                drops.append(max(best - max(self.score(t) for t in trial), 0.0))
            weight = np.exp(-np.minimum(drops, 50.0))
            widths = np.gradient(sizes)
            whole = float(np.sum(widths)) if not len(drops) else float(np.sum(weight * widths)) + sizes[0]
            out[k] = math.sqrt((float(np.sum(weight * widths * sizes**2)) + sizes[0] ** 3 / 3) / max(whole, 1e-9))
        return out


@dataclass(frozen=True)
class _Answer:
    score: float
    x: Array  # x, y, z, yaw
    search: _Search
    edges: int


_SPANS = np.array([0.02, 0.04, 0.08, 0.15, 0.3, 0.5, 0.8, 1.3, 2.0])


def place_frame(
    luma: NDArray[np.float32],
    segments: Segments,
    vertical: Vertical,
    camera: Camera,
    building: Building,
    towards: Wall | None = None,
) -> Placed | None:
    """Where a frame was taken in a building of known rooms. `luma`: its linear luminance, H x W, on its own grid;

    `segments` and `vertical`: its straight edges and which way is up; `towards`: which wall it looks at, where that
    is known: buildings are much alike to either side. None where the vertical is not known surely, or the frame shows
    too few edges of light (windows against walls) to tell.
    """
    steps = light_steps(luma, segments)
    if vertical.verdict != "sure" or int((steps > FULL_STEP / 2).sum()) < LEAST:
        return None
    edges, points = building_edges(building), _grid(building)
    boxes = np.array([[v for span in hall.bounds for v in span] for hall in building.halls])
    tans = np.array([camera.width, camera.height]) / (2 * camera.focal)
    answers: list[_Answer] = []
    up = np.array(vertical.up)
    for level in level_directions(segments, steps, vertical):
        for rotation in ways_of_standing(up, level):
            if towards is not None and not _looks(rotation, towards):
                continue
            seen = _seen(segments, steps, rotation)
            if len(seen.normals) < LEAST:
                continue
            search = _Search(seen, edges, boxes, rotation, tans)
            for start in search.first(points):
                x, best = search.climbed(start)
                answers.append(_Answer(best, x, search, len(seen.normals)))
    return _told(answers) if answers else None


def _looks(rotation: Array, wall: Wall) -> bool:
    """Whether a camera looks towards a wall rather than another; one that looks between two, towards both."""
    right, ahead = rotation[2, 0], rotation[2, 1]
    away = (math.degrees(math.atan2(right, ahead)) - WALL_TURN[wall] + 180) % 360 - 180
    return abs(away) < 60


def _yaw(answer: _Answer) -> tuple[float, float]:
    """Direction and pitch in degrees of a camera: its forward axis in the building's."""
    ahead = _about(float(answer.x[3])) @ answer.search.rotation[2]
    return math.degrees(math.atan2(ahead[0], ahead[1])), math.degrees(math.asin(float(np.clip(ahead[2], -1, 1))))


def _told(answers: list[_Answer]) -> Placed:
    """The best point with what all of them leave open."""
    answers.sort(key=lambda a: -a.score)
    for k, answer in enumerate(answers[:BEST]):
        x, value = answer.search.polished(answer.x, answer.score)
        answers[k] = _Answer(value, x, answer.search, answer.edges)
    answers.sort(key=lambda a: -a.score)
    best = answers[0]
    belief = np.exp(np.array([a.score for a in answers]) - best.score)
    direction, pitch = _yaw(best)
    away = np.array([float(np.hypot(*(a.x[:2] - best.x[:2]))) for a in answers])
    turned = np.array([abs((_yaw(a)[0] - direction + 180) % 360 - 180) for a in answers])
    own = (away < 1.0) & (turned < 5)
    belief[own] = np.where(np.arange(len(answers))[own] == 0, 1.0, 0.0)  # one point found twice is one point
    belief /= belief.sum()
    best.search.from_here(best.x)
    local = best.search.spread(best.x, best.search.score(best.x))
    off = _bound(away, belief, 2.0 * float(np.hypot(*local[:2])) + LEAST_OFF)
    turn_off = _bound(turned, belief, 2.0 * math.degrees(local[2]) + LEAST_TURN)
    rivals = [a for a, b in zip(answers[1:], belief[1:], strict=True) if b > 0.02]
    share = best.search.explained(best.x)
    off, turn_off = WIDER * off, WIDER * turn_off
    if belief[0] < SURE:
        turn_off = max(turn_off, TORN_TURN)
    if share < CLEAR:  # most likely not the place: said to be hardly known
        extent = float(np.ptp(best.search.boxes[:, 2:4]))
        off, turn_off = max(off, VAGUE * extent), max(turn_off, VAGUE_TURN)
    return Placed(
        (float(best.x[0]), float(best.x[1])),
        float(best.x[2]),
        direction,
        pitch,
        off,
        turn_off,
        bool(belief[0] >= SURE and share >= CLEAR),
        tuple((float(a.x[0]), float(a.x[1])) for a in rivals[:4]),
        best.edges,
        share,
    )


def _bound(away: Array, belief: Array, own: float) -> float:
    """The distance within which 95 in 100 of the belief lies, at least what the best point leaves open by itself."""
    order = np.argsort(away, kind="stable")
    within = np.cumsum(belief[order])
    k = int(np.searchsorted(within, 0.95))
    return max(own, float(away[order[min(k, len(order) - 1)]]) + (own if k else 0.0))
