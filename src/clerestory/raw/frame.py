"""The one way to open a raw frame: what its file says, and its mosaic with the level at which it truly clips."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from clerestory.raw.clipping import with_real_white
from clerestory.raw.read import FrameInfo, Mosaic, read_info, read_mosaic


@dataclass(frozen=True)
class Frame:
    """One raw frame: `info` as its tags have it, `mosaic` (uint16 H x W) as recorded, not yet corrected."""

    info: FrameInfo
    mosaic: Mosaic


def open_frame(path: Path, info: FrameInfo | None = None) -> Frame:
    """A raw frame, opened. `info`: what was read of the file before; its tags are then not read again.

    The white level is lowered to where the channels are seen to clip. UserError, in one sentence, for a file that is
    damaged, no raw frame, or of a sensor that no picture can be made of yet.
    """
    known = read_info(path) if info is None else info
    return Frame(known, with_real_white(read_mosaic(path, known))[0])
