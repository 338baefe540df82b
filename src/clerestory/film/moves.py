"""Camera paths over a picture: what part of it each frame shows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from clerestory.film.model import Shot


@dataclass(frozen=True)
class Framing:
    """The part of a picture that fills the frame, in picture pixels; (0, 0) is the picture's outer corner."""

    left: float
    top: float
    width: float
    height: float

    def moved(self, other: Framing, share: float) -> Framing:
        """Part of the way to another framing; sizes change by equal ratios, so that a push keeps its pace.

        The fixed point of the zoom stays put, as if the camera stood still and only the lens moved.
        """
        if share <= 0:
            return self
        if share >= 1:
            return other
        ratio = other.width / self.width
        k = share if abs(ratio - 1) < 1e-9 else (ratio**share - 1) / (ratio - 1)
        return Framing(
            self.left + k * (other.left - self.left),
            self.top + k * (other.top - self.top),
            self.width + k * (other.width - self.width),
            self.height + k * (other.height - self.height),
        )


@dataclass(frozen=True)
class Path:
    """A move: from one framing to another in `frames`, rest at both ends, eased in and out."""

    start: Framing
    end: Framing
    frames: int
    rest: int = 0

    @property
    def still(self) -> bool:
        return self.start == self.end

    def at(self, frame: int) -> Framing:
        """The framing at a frame, 0 to frames - 1; outside, the nearest end."""
        span = self.frames - 1 - 2 * self.rest
        if self.still or span <= 0:
            return self.start
        return self.start.moved(self.end, eased((frame - self.rest) / span))

    def closest(self) -> float:
        """Width in picture pixels of the tighter end."""
        return min(self.start.width, self.end.width)


EASE = 0.22  # share of a move spent getting up to speed, and again slowing down


def eased(t: float, ease: float = EASE) -> float:
    """Share of the way at share `t` of the time: smooth start, even pace, smooth stop.

    Speed rises and falls as a raised cosine over `ease` of the time at either end, so that position, speed and
    acceleration have no jump.
    """
    if t <= 0:
        return 0.0
    if t >= 1:
        return 1.0
    top = 1 / (1 - ease)
    if t > 0.5:
        return 1 - eased(1 - t, ease)
    if t >= ease:
        return top * (t - ease / 2)
    return top * (t / 2 - ease / (2 * math.pi) * math.sin(math.pi * t / ease))


def share_of(frame: int, begin: int, end: int) -> float:
    """How much of a scene's time is over at a frame: 0 at the first of its own, 1 at the last."""
    return (frame - begin) / max(end - 1 - begin, 1)


def stepped(share: float, span: tuple[float, float], ease: float = 0.4) -> float:
    """How much of a step is done, 0 to 1, that takes a span (from, to) of a scene's time, at a share of that time."""
    return eased((share - span[0]) / (span[1] - span[0]), ease)


def filling(size: tuple[int, int], frame: tuple[int, int], x: float = 0.5, y: float = 0.5) -> Framing:
    """The largest part of a picture with the frame's shape; x and y say where the spare length goes, 0 to 1."""
    width, height = float(size[0]), float(size[1])
    shape = frame[0] / frame[1]
    if width / height > shape:
        part = height * shape
        return Framing((width - part) * x, 0.0, part, height)
    part = width / shape
    return Framing(0.0, (height - part) * y, width, part)


def whole(size: tuple[int, int], frame: tuple[int, int], margin: float = 0.04) -> Framing:
    """All of a picture inside the frame, with a margin of the frame's height around it."""
    width, height = float(size[0]), float(size[1])
    scale = max(width / (frame[0] - 2 * margin * frame[1]), height / (frame[1] * (1 - 2 * margin)))
    w, h = frame[0] * scale, frame[1] * scale
    return Framing((width - w) / 2, (height - h) / 2, w, h)


def pushed(
    base: Framing, size: tuple[int, int], frame_width: int, amount: float, towards: tuple[float, float]
) -> Framing:
    """A tighter framing around a point of the picture, inside the picture.

    Never tighter than one picture pixel to one frame pixel (unless `base` already is): the picture's own
    resolution limits the push.
    """
    width = min(max(base.width / amount, float(frame_width)), base.width)
    height = width * base.height / base.width
    left = min(max(towards[0] * size[0] - width / 2, base.left), base.left + base.width - width)
    top = min(max(towards[1] * size[1] - height / 2, base.top), base.top + base.height - height)
    return Framing(left, top, width, height)


def kept(shot: Shot, size: tuple[int, int], frame: tuple[int, int]) -> tuple[float, float]:
    """Where the spare length of a picture of `size` goes in a frame, 0 to 1 each way: so that the subject stays.

    The subject is the shot's own; in a film that is no wider than high also what is pointed at. Else `towards`.
    """
    box = shot.subject
    if box is None and shot.point and frame[0] <= frame[1]:
        xs, ys = zip(*(point.at for point in shot.point), strict=True)
        box = (min(xs), min(ys), max(xs), max(ys))
    if box is None:
        return shot.towards or (0.5, 0.5)
    part = filling(size, frame)
    share = []
    for low, high, whole_length, shown in (
        (box[0], box[2], size[0], part.width),
        (box[1], box[3], size[1], part.height),
    ):
        spare = whole_length - shown
        middle = (low + high) / 2 * whole_length - shown / 2
        share.append(min(max(middle / spare, 0.0), 1.0) if spare > 1e-6 else 0.5)
    return share[0], share[1]


def path_of(shot: Shot, size: tuple[int, int], frame: tuple[int, int], frames: int) -> Path:
    """The move a shot asks for, over a picture of `size` pixels, in `frames` frames of `frame` pixels."""
    box = shot.subject
    middle = ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2) if box else (0.5, 0.5)
    towards = shot.towards or middle
    if shot.whole:
        still = whole(size, frame)
        return Path(still, still, frames)
    base = filling(size, frame, *kept(shot, size, frame))
    if shot.still:
        return Path(base, base, frames)
    if shot.move in ("push", "pull"):
        close = pushed(base, size, frame[0], shot.amount, towards)
        start, end = (base, close) if shot.move == "push" else (close, base)
    elif shot.move == "pan":
        start, end = filling(size, frame, 0, towards[1]), filling(size, frame, 1, towards[1])
        start, end = _with_room(start, end, size, frame, shot, across=True)
        if shot.direction == "left":
            start, end = end, start
    elif shot.move == "tilt":
        start, end = filling(size, frame, towards[0], 1), filling(size, frame, towards[0], 0)
        start, end = _with_room(start, end, size, frame, shot, across=False)
        if shot.direction == "down":
            start, end = end, start
    else:
        start = end = base
    return Path(start, end, frames, rest=min(12, frames // 8))


def _with_room(
    start: Framing, end: Framing, size: tuple[int, int], frame: tuple[int, int], shot: Shot, across: bool
) -> tuple[Framing, Framing]:
    """Ends of a pan or tilt; a picture with nothing to spare that way is framed tighter so that it can move."""
    room = abs(end.left - start.left) if across else abs(end.top - start.top)
    least = (0.12 * start.width) if across else (0.12 * start.height)
    if room >= least:
        return start, end
    x, y = shot.towards or (0.5, 0.5)
    tight = pushed(start, size, frame[0], max(shot.amount, 1.14), (x, y))
    if across:
        return (
            Framing(0.0, tight.top, tight.width, tight.height),
            Framing(size[0] - tight.width, tight.top, tight.width, tight.height),
        )
    return (
        Framing(tight.left, size[1] - tight.height, tight.width, tight.height),
        Framing(tight.left, 0.0, tight.width, tight.height),
    )
