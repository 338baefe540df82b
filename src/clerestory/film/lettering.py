"""Words in the picture: place captions, title and chapter cards, credits, the mark of a detail within its whole.

Set by Typst with the typefaces inside its package (Libertinus Serif, SIL Open Font Licence), so that a film has
the same letters on any machine. All lengths are points of a frame 960 points wide. Text keeps inside 5 % margins,
the graphics-safe area of EBU R 95.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass, field
from functools import lru_cache

import cv2
import numpy as np
import typst
from numpy.typing import NDArray
from PIL import Image

from clerestory.files.wording import bound
from clerestory.film.levels import code_values
from clerestory.film.light import SURROUND
from clerestory.film.taps import Floats
from clerestory.raw import srgb

_STONE, _PALE, _BRASS = "#b5afa3", "#e9e5db", "#b3935f"

_SHEET = f"""
#let data = json(bytes(sys.inputs.data))
#set page(width: 960pt, height: data.page * 1pt, margin: (x: 48pt, y: 30pt), fill: none)
#set text(font: "Libertinus Serif", fill: rgb("{_PALE}"), number-type: "lining", lang: "en")
#set par(leading: 9pt, spacing: 10pt)
#let stone(size, body) = text(size: size, fill: rgb("{_STONE}"), body)
#let rule(length) = line(length: length, stroke: 1.1pt + rgb("{_BRASS}"))
"""

_LOWER = (
    _SHEET
    + """
#place(left + bottom, dy: -data.lift * 1pt, block(width: 760pt, {
  set text(hyphenate: false)
  if data.caption != "" { rule(30pt); v(10pt, weak: true); text(size: 34pt, data.caption) }
  if data.settings != "" { v(12pt, weak: true); text(size: 25pt, data.settings) }
}))
"""
)

_NOTE = (
    _SHEET
    + """
#place(left + if data.low { bottom } else { top }, dy: -data.lift * 1pt, block(width: 720pt, {
  set text(hyphenate: false)
  if data.head != "" { text(size: 28pt, data.head) }
  if data.head != "" and data.lines.len() > 0 { v(9pt, weak: true) }
  for line in data.lines { stone(24pt, line); linebreak() }
}))
"""
)

_PLAN = (
    _SHEET
    + f"""
#let stone-colour = rgb("{_STONE}")
#let brass = rgb("{_BRASS}")
#let pale = rgb("{_PALE}")
"""
    + """
#set page(margin: 0pt)
#let pts(shape) = shape.map(p => (p.at(0) * 1pt, p.at(1) * 1pt))
#let shape(points, ..how) = place(top + left, polygon(..how, ..pts(points)))
#let stroke-of(points, how) = {
  for k in range(points.len() - 1) {
    let (a, b) = (pts(points).at(k), pts(points).at(k + 1))
    place(top + left, line(start: a, end: b, stroke: how))
  }
}
#for room in data.rooms { shape(room, fill: rgb("#1d1c1a"), stroke: none) }
#for patch in data.sun { shape(patch, fill: rgb("#e8cf8e").transparentize(45%), stroke: none) }
#for room in data.rooms { shape(room, stroke: 2pt + stone-colour) }
#let edge = (paint: pale, thickness: 2.2pt, cap: "round")
#if data.cone.len() > 0 {
  shape(data.cone, fill: brass.transparentize(62%), stroke: none)
  stroke-of((data.cone.at(1), data.cone.at(0), data.cone.at(-1)), edge)
}
#for window in data.windows { stroke-of(window, 5pt + rgb("#7fa6c4")) }
#if data.cone.len() > 0 {
  let (x, y) = (data.stand.at(0) * 1pt, data.stand.at(1) * 1pt)
  place(top + left, dx: x - 7pt, dy: y - 7pt, circle(radius: 7pt, fill: pale, stroke: 2pt + rgb("#0b0b0a")))
}
#place(bottom + right, dx: -48pt, dy: -14pt, stack(dir: ttb, spacing: 5pt,
  align(right, stone(24pt, data.metres)), line(length: data.bar * 1pt, stroke: 2pt + stone-colour)))
"""
)

_TAG = (
    _SHEET
    + """
#place(left + top, dx: 20pt, dy: 20pt, block(width: 420pt, { set text(hyphenate: false, size: 26pt); data.word }))
"""
)

_WORD = (
    _SHEET
    + """
#place(left + top, dx: 20pt, dy: 20pt, text(size: data.size * 1pt, data.word))
"""
)

_CARD = (
    _SHEET
    + """
#set align(center + horizon)
#block(width: 780pt, {
  set text(hyphenate: false)
  if data.heading != "" { text(size: data.size * 1pt, data.heading) }
  if data.heading != "" and data.lines.len() > 0 { v(26pt, weak: true); rule(36pt); v(18pt, weak: true) }
  for line in data.lines {
    let parts = line.split("\n")
    block(spacing: if parts.len() > 1 { 20pt } else { 10pt }, {
      if parts.len() > 1 { par(text(size: data.small * 1pt, parts.at(0))) }
      par(stone(data.small * 1pt, parts.at(-1)))
    })
  }
})
"""
)

# The least that is set, in points of a frame 960 wide: on a phone 390 points across it stands nearly 10 high, about
# what a phone's own small print is (common practice, no source).
SMALLEST = 24.0


@dataclass(frozen=True)
class Card:
    """Words on the dark: a title, a chapter, credits. No words at all is plain dark."""

    heading: str = ""
    lines: tuple[str, ...] = ()
    size: float = 46.0
    small: float = SMALLEST


@dataclass(frozen=True)
class Layer:
    """Letters or marks over a picture: where, and how opaque."""

    left: int
    top: int
    colour: Floats
    """Code values, H x W x 3, 0 to 1."""
    cover: Floats
    """Opacity, H x W, 0 to 1."""
    words: str = field(default="", compare=False)


@lru_cache(maxsize=64)
def _set(sheet: str, data: str, width: int) -> NDArray[np.uint8]:
    png = typst.compile(
        sheet.encode(), format="png", ppi=72.0 * width / 960, ignore_system_fonts=True, sys_inputs={"data": data}
    )
    with Image.open(io.BytesIO(png[0] if isinstance(png, list) else png)) as image:
        return np.asarray(image.convert("RGBA"))


_NUMBERED = re.compile(r"\b(pp?|ff?|fols?|nos?|vols?|chs?|figs?|pls?|c)\. (?=[\dIVXLC])")


def unbroken(words: str) -> str:
    """Words as they are set: no line breaks between "p." and its number or a number and its unit, and an apostrophe
    within or after a word is curved."""
    return re.sub(r"(?<=\w)'", "\u2019", bound(_NUMBERED.sub("\\1.\u00a0", words)))


def _letters(sheet: str, values: dict[str, object], size: tuple[int, int]) -> NDArray[np.uint8]:
    page = 960 * size[1] / size[0]
    data = unbroken(json.dumps({**values, "page": round(page, 3)}, ensure_ascii=False))
    rgba = _set(sheet, data, size[0])
    out = np.zeros((size[1], size[0], 4), np.uint8)
    h, w = min(size[1], rgba.shape[0]), min(size[0], rgba.shape[1])
    out[:h, :w] = rgba[:h, :w]
    return out


def _cropped(colour: Floats, cover: Floats, words: str) -> Layer:
    """Only the part that shows, on even pixels so that it fits the halved chroma."""
    ys, xs = np.nonzero(cover > 1 / 1024)
    if not ys.size:
        return Layer(0, 0, colour[:2, :2].copy(), cover[:2, :2].copy(), words)
    top, left = int(ys.min()) & ~1, int(xs.min()) & ~1
    bottom, right = (int(ys.max()) + 2) & ~1, (int(xs.max()) + 2) & ~1
    part = np.s_[top : min(bottom, cover.shape[0]), left : min(right, cover.shape[1])]
    return Layer(left, top, np.ascontiguousarray(colour[part]), np.ascontiguousarray(cover[part]), words)


PLATE = 0.82  # opacity of the dark behind small type: stone-coloured letters pass 4.5:1 (WCAG 2.2, 1.4.3) over white
_DARK = np.float32(0.045)


def lower_third(caption: str, settings: str, size: tuple[int, int], lift: float = 0.0) -> Layer:
    """A place caption with the camera's settings under it, on a plate that keeps it readable.

    `lift` raises it by so many points, to leave the foot of the frame to spoken captions.
    """
    letters = _letters(_LOWER, {"caption": caption, "settings": settings, "lift": lift}, size)
    return _cropped(*plated(letters, size[0] / 45), f"{caption}|{settings}")


def _plate(text: Floats, feather: float) -> Floats:
    """Opacity, 0 to 1, of a plate behind letters (their cover, H x W) with soft edges `feather` pixels wide."""
    ys, xs = np.nonzero(text > 0.02)

    def along(size: int, low: int, high: int) -> Floats:
        place = np.arange(size, dtype=np.float32)
        far = np.maximum(np.maximum(low - place, place - high) / np.float32(feather) - np.float32(0.5), 0)
        share = np.clip(far, 0, 1)
        return (1 - share * share * (3 - 2 * share)).astype(np.float32)

    height, width = text.shape
    return np.outer(along(height, int(ys.min()), int(ys.max())), along(width, int(xs.min()), int(xs.max())))


def plated(letters: NDArray[np.uint8], feather: float) -> tuple[Floats, Floats]:
    """Colour and cover of letters (H x W x 4, uint8) on a dark plate with soft edges, `feather` pixels wide.

    All letters stand on the plate's even part, so that they read alike over a window and over a vault in shade.
    """
    rgba = letters.astype(np.float32) / np.float32(255)
    text = rgba[..., 3]
    if text.max(initial=0) <= 0.02:
        return rgba[..., :3], text
    plate = _plate(text, feather)
    cover = text + np.float32(PLATE) * plate * (1 - text)
    share = (text / np.maximum(cover, 1e-6))[..., None]
    return rgba[..., :3] * share + _DARK * (1 - share), cover


def note(
    head: str, lines: tuple[str, ...], size: tuple[int, int], lift: float | None = None, drawn: bool = False
) -> Layer:
    """Small type at the top left, on a plate: what the words rest on, or what is seen at this moment.

    With `lift` at the bottom left, raised by so many points. With a `drawn` scene without a plate, which would be
    seen as a box on the dark; and in a frame higher than 16:9 beside the drawing that lies in its middle.
    """
    inwards = max(0.0, 960 * size[1] / size[0] - 540) / 2 if drawn else 0.0
    low = {"low": lift is not None, "lift": -inwards if lift is None else lift + inwards}
    letters = _letters(_NOTE, {"head": head, "lines": list(lines), **low}, size)
    return _cropped(*(_bare(letters) if drawn else plated(letters, size[0] / 60)), "|".join((head, *lines)))


def _bare(letters: NDArray[np.uint8]) -> tuple[Floats, Floats]:
    """Colour and cover of letters (H x W x 4, uint8) alone."""
    rgba = letters.astype(np.float32) / np.float32(255)
    return rgba[..., :3], rgba[..., 3]


@lru_cache(maxsize=16)
def tag(word: str, size: tuple[int, int]) -> Layer:
    """A word on its plate, to be moved where it belongs."""
    return _cropped(*plated(_letters(_TAG, {"word": word}, size), size[0] / 90), word)


@lru_cache(maxsize=64)
def lettered(word: str, points: float, size: tuple[int, int]) -> NDArray[np.uint8]:
    """A word alone, RGBA code values, h x w x 4; `points`: its size, `size`: of the frame it goes into, pixels."""
    rgba = _letters(_WORD, {"word": word, "size": points}, size)
    ys, xs = np.nonzero(rgba[..., 3])
    if not ys.size:
        return rgba[:1, :1]
    return np.ascontiguousarray(rgba[ys.min() : ys.max() + 1, xs.min() : xs.max() + 1])


def card_light(card: Card, size: tuple[int, int]) -> Floats:
    """A card in linear light, H x 3W, ready to be mixed with a picture."""
    if not card.heading and not card.lines:
        return _on_dark(np.zeros((size[1], size[0], 4), np.uint8))
    values = {"heading": card.heading, "lines": list(card.lines), "size": card.size, "small": card.small}
    return _on_dark(_letters(_CARD, values, size))


def drawn_plan(shapes: str, size: tuple[int, int]) -> Floats:
    """A floor plan on the dark in linear light, H x 3W; `shapes`: its outlines as JSON, in points (`_PLAN`)."""
    return _on_dark(_letters(_PLAN, json.loads(shapes), size))


def _on_dark(rgba: NDArray[np.uint8]) -> Floats:
    """Letters or lines (H x W x 4) on the dark surround, in linear light, H x 3W."""
    out = np.empty((*rgba.shape[:2], 3), np.float32)
    out[:] = np.array(SURROUND, np.float32)
    inked = rgba[..., 3] > 0
    cover = rgba[inked, 3:].astype(np.float32) / np.float32(255)
    dark = code_values()[np.round(np.array(SURROUND) * 65535).astype(int)]
    shown = rgba[inked, :3].astype(np.float32) / np.float32(255) * cover + dark * (1 - cover)
    out[inked] = srgb.linear(shown)
    return out.reshape(rgba.shape[0], -1)


def lay_linear(layer: Layer, light: Floats, left: int, top: int) -> None:
    """A layer over linear light, float32 H x W x 3, in place, its corner at a place inside it."""
    height, width = layer.cover.shape
    part = light[top : top + height, left : left + width]
    part += layer.cover[..., None] * (srgb.linear(layer.colour).astype(np.float32) - part)


def inset(whole: NDArray[np.float32], region: tuple[float, float, float, float], size: tuple[int, int]) -> Layer:
    """A small view of the whole picture, top right, the detail's place outlined.

    `whole`: display-linear light, float32 H x W x 3; `region`: left, top, right, bottom as shares of it; `size`:
    width and height of the frame it lies in, pixels.
    """
    width, height = size
    box_h = round(0.30 * height)
    box_w = round(box_h * whole.shape[1] / whole.shape[0])
    if box_w > 0.30 * width:
        box_w = round(0.30 * width)
        box_h = round(box_w * whole.shape[0] / whole.shape[1])
    small = cv2.resize(whole, (box_w, box_h), interpolation=cv2.INTER_AREA)
    shown = code_values()[np.round(np.clip(small, 0, 1) * 65535).astype(int)]
    line = max(2, round(height / 540))
    x0, y0, x1, y1 = (round(s * b) for s, b in zip(region, (box_w, box_h) * 2, strict=True))
    inner = np.zeros((box_h, box_w), bool)
    inner[y0:y1, x0:x1] = True
    core = np.zeros_like(inner)
    core[y0 + line : y1 - line, x0 + line : x1 - line] = True
    shown = np.where(inner[..., None], shown, shown * np.float32(0.55))
    shown = np.where((inner & ~core)[..., None], np.array(Image.new("RGB", (1, 1), _BRASS))[0, 0] / 255.0, shown)
    colour = np.zeros((height, width, 3), np.float32)
    cover = np.zeros((height, width), np.float32)
    margin = round(0.05 * width)
    top, left = round(0.055 * height), width - margin - box_w
    colour[top - line : top + box_h + line, left - line : left + box_w + line] = 0.09
    cover[top - line : top + box_h + line, left - line : left + box_w + line] = 1
    colour[top : top + box_h, left : left + box_w] = shown
    return _cropped(colour, cover, "inset")
