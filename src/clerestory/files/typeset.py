"""PDF pages set by the typesetter (typst) from a template and texts."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path

import typst


def pdf_of(source: bytes | Path, inputs: Mapping[str, str], made: float, own_fonts: bool = False) -> bytes:
    """The PDF of a template, given as its text or as a file beside which its pictures lie.

    `inputs` are read in it as `sys.inputs`. `made`: UTC seconds that the file says it was made at, so that the same
    texts give the same bytes. `own_fonts`: none but the typesetter's own.
    """
    content = typst.compile(
        source, ignore_system_fonts=own_fonts, sys_inputs=dict(inputs), timestamp=datetime.fromtimestamp(made, UTC)
    )
    if not isinstance(content, bytes):
        raise TypeError("the typesetter gave no PDF")
    return content
