"""From a view of one or several frames to the one source that is finished."""

from __future__ import annotations

from clerestory.finish.light import Source, read_source
from clerestory.frames.group import View


def source_of(view: View) -> Source:
    """The light of a view: its pick."""
    return read_source(view.pick)
