"""A visit's pictures on paper: a contact sheet and a page for each picture with its words, as one PDF."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory.camera.exposure import settings_words
from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.files.typeset import pdf_of
from clerestory.finish.report import shown_jpeg
from clerestory.finish.sharpen import MM_PER_INCH, sharpen_for_paper
from clerestory.raw import srgb
from clerestory.raw.read import FrameInfo, read_info
from clerestory.run.progress import OnProgress, counted, quiet
from clerestory.visit.about import About, read_abouts

PAPERS = {  # mm across and down, lying: ISO 216; ANSI/ASME Y14.1
    "a5": (210.0, 148.0),
    "a4": (297.0, 210.0),
    "a3": (420.0, 297.0),
    "letter": (279.4, 215.9),
    "tabloid": (431.8, 279.4),
}
PER_INCH = 300.0  # of a picture page; common practice, no source
SMALL_PER_INCH = 200.0  # of the contact sheet
MARGIN = 15.0  # mm
WORDS = 24.0  # mm under a picture kept for its words
COLUMNS, CELL, GUTTER = 4, 44.0, 6.0  # of the contact sheet, its pictures' height at most and the gap, mm
QUALITY = 92


@dataclass(frozen=True)
class _Shown:
    """One picture to be printed: the view's name, its file, its words, and how its frame was taken."""

    view: str
    file: Path
    about: About
    info: FrameInfo | None


def print_pictures(
    folder: Path,
    paper: str = "a4",
    sheet: bool = True,
    pages: bool = True,
    on_progress: OnProgress = quiet,
) -> Path:
    """Write pictures/print.pdf of a visit's finished pictures; where it lies.

    `paper`: one of PAPERS. `sheet`, `pages`: whether the contact sheet, and a page for each picture, are wanted. Each
    picture is brought to 300 pixels to the inch of its place on the page, never enlarged, and sharpened for paper.
    UserError for an unknown paper, and where nothing is finished yet.
    """
    if paper not in PAPERS:
        raise UserError(f"The paper '{paper}' is not known; choose {', '.join(PAPERS)}.")
    if not (sheet or pages):
        raise UserError("Nothing is left to print; ask for the contact sheet, the picture pages, or both.")
    found = _finished(folder)
    if not found:
        raise UserError(f"{folder}: no picture is finished yet; run clerestory finish first.")
    width, height = PAPERS[paper]
    room = height - 2 * MARGIN - 4 - WORDS
    with tempfile.TemporaryDirectory() as aside:
        work = Path(aside)
        pictures = []
        cell = ((width - 2 * MARGIN - GUTTER * (COLUMNS - 1)) / COLUMNS, CELL)
        one_more = counted(on_progress, "Laying out", len(found))
        for one in found:
            pictures.append(_laid(one, work, (width - 2 * MARGIN, room), cell))
            one_more(one)
        title = folder.resolve().name if not (said := read_abouts(folder / "about.toml").visit.title) else said
        data = {"title": title, "width": width, "height": height, "margin": MARGIN,
                "columns": COLUMNS, "cell": CELL, "gutter": GUTTER,
                "room": room, "sheet": sheet, "pages": pages, "pictures": pictures}  # fmt: skip
        content = _set(data, work)
    out = folder / "pictures" / "print.pdf"
    write_atomic(out, content)
    return out


def _set(data: Mapping[str, Any], work: Path) -> bytes:
    (work / "paper.typ").write_bytes(files("clerestory.finish").joinpath("paper.typ").read_bytes())
    return pdf_of(work / "paper.typ", {"print": json.dumps(data, ensure_ascii=False)}, 0.0)


def _finished(folder: Path) -> list[_Shown]:
    """What there is to print, by the views' names."""
    abouts, out = read_abouts(folder / "about.toml"), []
    for record in sorted((folder / ".clerestory" / "accounts").glob("*.json")):
        try:
            account = json.loads(record.read_text(encoding="utf-8"))
            name = shown_jpeg(account)
            view, pick = str(account["view"]), str(account["pick"])
        except (OSError, ValueError, KeyError, TypeError):
            continue
        file = folder / "pictures" / str(name)
        if name is not None and file.is_file():
            out.append(_Shown(view, file, abouts.of(view), _info(folder, pick)))
    return out


def _info(folder: Path, pick: str) -> FrameInfo | None:
    for path in (folder / "frames" / pick, folder / pick):
        if path.is_file():
            try:
                return read_info(path)
            except UserError:
                return None
    return None


def _laid(one: _Shown, work: Path, room: tuple[float, float], cell: tuple[float, float]) -> dict[str, Any]:
    """One picture as the page takes it, its two sizes written into `work`. `room`, `cell`: mm across and down that it
    may take on a page of its own and on the contact sheet."""
    try:
        with Image.open(one.file) as image:
            profile = image.info.get("icc_profile")
            pixels = np.asarray(image.convert("RGB"))
    except OSError as problem:
        raise UserError(f"{one.file}: cannot be read ({problem}); save that picture again.") from problem
    height, width = pixels.shape[:2]
    scale = min(room[0] / width, room[1] / height)
    wide, high = width * scale, height * scale
    less = min(cell[0] / width, cell[1] / height)
    names = {}
    for name, across, down, per_inch in (
        ("large", wide, high, PER_INCH),
        ("small", width * less, height * less, SMALL_PER_INCH),
    ):
        names[name] = f"{one.view}_{name}.jpg"
        (work / names[name]).write_bytes(_on_paper(pixels, across, down, per_inch, profile))
    words = one.about
    return {
        "view": one.view, "title": words.title or one.view, "caption": words.caption, "wide": wide, "high": high,
        "small_wide": width * less, "small_high": height * less,
        "lines": [line for line in (words.place, _taken(one.info), words.creator, words.rights) if line], **names,
    }  # fmt: skip


def _taken(info: FrameInfo | None) -> str:
    """How a frame was taken, as far as it tells."""
    return "" if info is None else settings_words(info.focal_mm, info.f_number, info.seconds, info.iso)


def _on_paper(pixels: NDArray[np.uint8], wide: float, high: float, per_inch: float, profile: bytes | None) -> bytes:
    """A picture at its size on paper (mm), as JPEG with its own profile; reduced and sharpened in linear light."""
    linear = srgb.linear(np.arange(256) / 255).astype(np.float32)[pixels]
    size = tuple(max(16, round(length / MM_PER_INCH * per_inch)) for length in (wide, high))
    if size[0] < pixels.shape[1]:
        linear = cv2.resize(linear, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    sharpen_for_paper(linear, linear.shape[1] / (wide / MM_PER_INCH))
    again = np.rint(srgb.encoded(np.clip(linear, 0, 1)) * 255).astype(np.uint8)
    out = io.BytesIO()
    Image.fromarray(again).save(out, "JPEG", quality=QUALITY, subsampling=0, icc_profile=profile)
    return out.getvalue()
