"""Scenes in light: any frame of any scene, in linear light or as video."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path as FilePath

import av
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.film import lettering
from clerestory.film.lettering import Card, Layer
from clerestory.film.levels import planes_of
from clerestory.film.light import SURROUND, InLight, Renderer, Source, StillCard, prepare
from clerestory.film.moves import Framing, Path, eased, path_of
from clerestory.film.pictures import load_linear
from clerestory.film.planes import PictureLevels
from clerestory.film.pointing import POINTED, Pointer, said_at
from clerestory.film.scenes import RATE, Lit, Scene, Showing
from clerestory.film.taps import Bytes, Floats

FADE = 12  # frames a caption takes to come or go
CAPTION_SECONDS = 6.0
SPOKEN_LIFT = 46.0  # points that a place caption stands higher where spoken captions run below it


@dataclass(frozen=True)
class Span:
    """When something lies over a scene's picture, in frames of the scene."""

    what: str
    first: int
    last: int
    number: int = 0
    """Which of several, from 0."""

    def opacity(self, frame: int) -> float:
        """0 to 1 at a frame: eased in and out."""
        rise = (frame - self.first + 1) / FADE
        fall = (self.last - frame) / FADE
        return eased(min(1.0, max(0.0, min(rise, fall))), 0.5)


@dataclass
class Moving:
    """A picture under a camera move."""

    renderer: Renderer
    source: Source | PictureLevels
    path: Path
    _held: Floats | None = None

    def linear(self, frame: int, out: Floats) -> None:
        """The picture where its move has come to, into `out`, float32 (H, 3 W)."""
        if self._held is None:
            self.renderer.linear(self.source, self.path.at(frame), out)
            if self.path.still:
                self._held = out.copy()
        else:
            out[:] = self._held

    def video(self, frame: int, out: av.VideoFrame) -> None:
        self.renderer.video(self.source, self.path.at(frame), out)


@dataclass
class Wiped:
    """A picture drawn over its raw rendering by a line that crosses the frame once."""

    before: Moving
    after: Moving
    first: int
    last: int
    still: bool = False
    """Nothing may move: the line's way is a dissolve's share."""

    def __post_init__(self) -> None:
        renderer = self.after.renderer
        self._under = np.empty((renderer.height, 3 * renderer.width), np.float32)
        self._frame = np.empty_like(self._under)

    def _line(self, frame: int) -> float:
        """How far the line has come, in frame pixels from the left."""
        width = self.after.renderer.width
        return eased((frame - self.first) / (self.last - self.first), 0.35) * (width + 4) - 2

    def linear(self, frame: int, out: Floats) -> None:
        """Before to the right of the wipe's line, after to its left, into `out`, float32 (H, 3 W)."""
        line = self._line(frame)
        width = self.after.renderer.width
        if line >= width + 2:
            self.after.linear(frame, out)
            return
        self.before.linear(frame, out)
        if line <= -2:
            return
        renderer = self.after.renderer
        self.after.linear(frame, self._under)
        if self.still:
            joint(out, self._under, (line + 2) / (width + 4), renderer)
            return
        x = np.arange(width, dtype=np.float32)
        renderer.mix(out, self._under, np.clip(line - x, 0, 1).astype(np.float32))
        half = np.float32(renderer.height / 1080)
        stroke = np.clip(half + np.float32(0.5) - np.abs(x + np.float32(0.5) - np.float32(line)), 0, 1)
        for column in np.nonzero(stroke)[0]:
            pixel = out[:, 3 * column : 3 * column + 3]
            pixel += stroke[column] * (np.array([0.50, 0.47, 0.42], np.float32) - pixel)

    def video(self, frame: int, out: av.VideoFrame) -> None:
        self.linear(frame, self._frame)
        self.after.renderer.levels(self._frame, out)


@dataclass
class Amid(InLight):
    """A drawing in the middle of a frame that is higher than 16:9, for which it is laid out."""

    renderer: Renderer
    inner: Lit
    height: int

    @classmethod
    def of(cls, renderer: Renderer, showing: Showing, picture: FilePath) -> Amid:
        """The drawing made ready at 16:9."""
        height = renderer.width * 9 // 16 & ~1
        part = Renderer(renderer.width, height, 2)
        return cls(renderer, showing.lit(part, picture), height)

    def linear(self, frame: int, out: Floats) -> None:
        """The drawing amid the dark, into `out`, float32 (H, 3 W)."""
        dark = np.tile(np.array(SURROUND, np.float32), self.renderer.width)
        out[:] = dark
        top = (self.renderer.height - self.height) // 2
        part = np.empty((self.height, out.shape[1]), np.float32)
        self.inner.linear(frame, part)
        out[top : top + self.height] = part


def scene_path(scene: Scene, size: tuple[int, int]) -> Path:
    """The camera move of a picture scene."""
    assert scene.shot and scene.picture
    return path_of(scene.shot, (scene.picture.width, scene.picture.height), size, scene.frames)


def light_scene(scene: Scene, renderer: Renderer) -> Lit:
    """Read what a scene needs and make it ready to draw."""
    size = (renderer.width, renderer.height)
    if scene.showing is not None:
        assert scene.picture
        if scene.drawn and 16 * renderer.height > 9 * renderer.width + 16:
            return Amid.of(renderer, scene.showing, scene.picture.path)
        return scene.showing.lit(renderer, scene.picture.path)
    if scene.picture is None:
        return StillCard(renderer, lettering.card_light(scene.card or Card(), size))
    path = scene_path(scene, size)
    linear = load_linear(scene.picture.path)
    after = _moving(renderer, linear, path)
    if scene.before is None:
        return after
    raw = load_linear(scene.before)
    scaled = _raw_path(scene, path, (raw.shape[1], raw.shape[0]), size)
    before = _moving(renderer, raw, scaled)
    first, last = wipe_frames(scene)
    return Wiped(before, after, first, last, bool(scene.shot and scene.shot.still))


def _moving(renderer: Renderer, linear: Floats, path: Path) -> Moving:
    source = prepare(linear, path.closest(), renderer.width) if path.still else None
    return Moving(renderer, source or renderer.settled(linear, path.start, path.end), path)


def wipe_frames(scene: Scene) -> tuple[int, int]:
    """When a wipe begins and ends: the raw rendering is seen first for a moment, the picture longest."""
    body = scene.frames - scene.lead - scene.tail
    first = scene.lead + round(0.22 * body)
    return first, first + max(10, min(round(0.36 * body), 4 * RATE))


def _raw_path(scene: Scene, path: Path, raw: tuple[int, int], size: tuple[int, int]) -> Path:
    """The move over the raw rendering: the same part of it; or, when it has another shape, its own middle."""
    assert scene.shot and scene.picture
    across, down = raw[0] / scene.picture.width, raw[1] / scene.picture.height
    if abs(across / down - 1) > 0.02:
        return path_of(scene.shot, raw, size, scene.frames)

    def one(f: Framing) -> Framing:
        return Framing(f.left * across, f.top * down, f.width * across, f.height * down)

    return replace(path, start=one(path.start), end=one(path.end))


def spans_of(scene: Scene) -> list[Span]:
    """The captions and marks over a scene, within the frames it does not share."""
    first, last = scene.lead + 8, scene.frames - scene.tail - 6
    if scene.picture is None or last - first < 2 * FADE + 5:
        return []
    out = []
    if scene.caption or scene.settings:
        out.append(Span("caption", first, min(last, first + round(CAPTION_SECONDS * RATE))))
    if scene.whole and scene.region:
        out.append(Span("inset", first, last))
    if scene.showing is not None:
        for k, (begin, end) in enumerate(scene.showing.word_frames()):
            out.append(Span("step", max(first, begin), min(last, end), k))
    return [*_point_spans(scene, first, last), *out, *_fact_spans(scene, first, last)]


def _point_spans(scene: Scene, first: int, last: int) -> list[Span]:
    """When each pointer of a scene comes and goes."""
    out = []
    for k, point in enumerate(scene.shot.point if scene.shot else ()):
        begin = first if point.from_seconds is None else round(point.from_seconds * RATE)
        end = last if point.to_seconds is None else round(point.to_seconds * RATE)
        if point.said and scene.speech:
            limit = (scene.end - scene.tail) / RATE - 0.1
            at = said_at(scene.speech.words, point.said, scene.speech.start, scene.speech.seconds, limit)
            begin = round((at or scene.speech.start) * RATE) - scene.start - FADE // 2
            end = begin + round(POINTED * RATE) if point.to_seconds is None else end
        begin, end = max(first, begin), min(last, end)
        if end - begin > 2:
            out.append(Span("point", begin, end, k))
    return out


def _fact_spans(scene: Scene, first: int, last: int) -> list[Span]:
    """The facts of a scene one after another while its words are said; without words as long as it is seen."""
    if not scene.facts:
        return []
    speech = scene.speech
    begin = max(first, round(speech.start * RATE) - scene.start) if speech else first
    end = min(last, round((speech.start + speech.seconds) * RATE) - scene.start + 2 * FADE) if speech else last
    edges = np.linspace(begin, max(end, begin), len(scene.facts) + 1).astype(int)
    return [Span("fact", int(a), int(b), k) for k, (a, b) in enumerate(pairwise(edges))]


Drawn = Layer | Callable[[int], list[Layer]]
"""What lies over a picture: the same in every frame, or drawn anew for each."""


def layer_of(span: Span, scene: Scene, size: tuple[int, int]) -> Drawn:
    """What a span shows."""
    if span.what == "point":
        assert scene.shot and scene.picture
        picture = (scene.picture.width, scene.picture.height)
        middle = (span.first + span.last) // 2
        return Pointer(scene.shot.point[span.number], picture, scene_path(scene, size), size, middle).layers
    if span.what == "caption":
        return lettering.lower_third(scene.caption, scene.settings, size, SPOKEN_LIFT if scene.speech else 0.0)
    if span.what == "fact":
        fact = scene.facts[span.number]
        low = scene.showing is not None and not scene.caption  # what is shown has words of its own at the top
        return lettering.note(fact.statement, (fact.cited,), size, SPOKEN_LIFT if low else None, drawn=scene.drawn)
    if span.what == "step":
        assert scene.showing
        head, line = scene.showing.words()[span.number]
        return lettering.note(head, tuple(line.split("\n")), size, drawn=scene.drawn)
    assert scene.whole and scene.region
    return lettering.inset(load_linear(scene.whole.path), scene.region, size)


Look = tuple[object, ...]


def looks(scene: Scene, size: tuple[int, int]) -> Callable[[int], tuple[Look, Look]]:
    """A function of the frame, equal for frames that look the same: the picture's part and the letters'.

    It reads no picture.
    """
    path = scene_path(scene, size) if scene.picture else None
    wipe = wipe_frames(scene) if scene.before else (0, 0)
    spans = spans_of(scene)

    def state(frame: int) -> tuple[Look, Look]:
        framing: Hashable = path.at(frame) if path else None
        if scene.showing is not None:
            framing = scene.showing.at_frame(frame)
        return (framing, min(max(frame, wipe[0]), wipe[1])), tuple(span.opacity(frame) for span in spans)

    return state


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(colour: Floats, cover: Floats, opacity: float, luma: Bytes, u: Bytes, v: Bytes) -> None:
    height, width = cover.shape
    k = np.float32(opacity)
    for y in range(0, height, 2):
        for x in range(0, width, 2):
            sa = np.float32(0)
            sb = np.float32(0)
            sr = np.float32(0)
            for j in range(2):
                for i in range(2):
                    a = k * cover[y + j, x + i]
                    r, g, b = colour[y + j, x + i, 0], colour[y + j, x + i, 1], colour[y + j, x + i, 2]
                    light = np.float32(0.2126) * r + np.float32(0.7152) * g + np.float32(0.0722) * b
                    was = np.float32(luma[y + j, x + i])
                    luma[y + j, x + i] = np.uint8(
                        was + a * (np.float32(16) + np.float32(219) * light - was) + np.float32(0.5)
                    )
                    sa += a
                    sb += a * (np.float32(128) + np.float32(224 / 1.8556) * (b - light))
                    sr += a * (np.float32(128) + np.float32(224 / 1.5748) * (r - light))
            keep = np.float32(1) - sa / 4
            u[y // 2, x // 2] = np.uint8(np.float32(u[y // 2, x // 2]) * keep + sb / 4 + np.float32(0.5))
            v[y // 2, x // 2] = np.uint8(np.float32(v[y // 2, x // 2]) * keep + sr / 4 + np.float32(0.5))


def lay(layer: Layer, opacity: float, frame: av.VideoFrame) -> None:
    """A layer over a video frame, in place."""
    luma, u, v = planes_of(frame)
    h, w = layer.cover.shape
    y, x = layer.top, layer.left
    half = np.s_[y // 2 : (y + h) // 2, x // 2 : (x + w) // 2]
    _lay(layer.colour, layer.cover, opacity, luma[y : y + h, x : x + w], u[half], v[half])


def copy_frame(source: av.VideoFrame, out: av.VideoFrame) -> None:
    """The picture of one video frame into another of the same size."""
    for a, b in zip(planes_of(source), planes_of(out), strict=True):
        b[:] = a


def letter(layers: list[tuple[Span, Drawn]], frame: int, out: av.VideoFrame) -> None:
    """What lies over a scene at a frame, onto its video."""
    for span, drawn in layers:
        opacity = span.opacity(frame)
        if opacity > 0:
            for layer in [drawn] if isinstance(drawn, Layer) else drawn(frame):
                lay(layer, opacity, out)


def joint(a: NDArray[np.float32], b: NDArray[np.float32], share: float, renderer: Renderer) -> None:
    """A dissolve in linear light: the `share` (0 to 1) of b mixed into a, in place; both float32 (H, 3 W)."""
    renderer.mix(a, b, np.full(renderer.width, share, np.float32))


def words_meet(a: Scene, b: Scene) -> bool:
    """Whether a dissolve would lay the words of a card over another card's, or over the lines of a drawing."""
    return bool(a.card or b.card) and all(scene.card or scene.drawn for scene in (a, b))


def through_dark(a: NDArray[np.float32], b: NDArray[np.float32], share: float, renderer: Renderer) -> None:
    """A card fading to the dark and the next one rising from it, into a; both float32 (H, 3 W)."""
    dark = np.tile(np.array(SURROUND, np.float32), renderer.width)
    if share > 0.5:
        a[:] = b
    seen = eased(abs(2 * share - 1), 0.5)
    a += np.float32(1 - seen) * (dark - a)
