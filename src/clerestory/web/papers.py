"""Printers' and papers' ICC profiles beside the visit, and a view's exact picture seen through one of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from clerestory.errors import UserError
from clerestory.files.names import legal_name
from clerestory.files.store import write_atomic
from clerestory.web.paths import names_in, plain_file
from clerestory.web.proof import at_hand, png

FOLDER = "profiles"
SUFFIXES = (".icc", ".icm")
PROFILE_BYTES = 20_000_000


def keep_paper(root: Path, name: str, data: bytes) -> dict[str, Any]:
    """Keep a profile in the visit's profiles/ under its file's name; `file` and `paper`, what it calls itself.

    UserError where it is no profile of a paper, or its name does not end as one.
    """
    from clerestory.finish.soft_proof import paper_name

    called = legal_name(name)
    if not called.lower().endswith(SUFFIXES):
        raise UserError(f"{name}: a paper's profile ends in .icc or .icm; choose that file.")
    said = paper_name(data)
    (root / FOLDER).mkdir(exist_ok=True)
    write_atomic(root / FOLDER / called, data)
    return {"file": called, "paper": said}


def papers(root: Path) -> list[dict[str, str]]:
    """The profiles in a visit's profiles/: `file` and `paper`; one that cannot be read goes by its file's name."""
    from clerestory.finish.soft_proof import paper_name

    out = []
    for name in names_in(root, FOLDER, SUFFIXES):
        try:
            said = paper_name((root / FOLDER / name).read_bytes())
        except UserError:
            said = f"{name} (cannot be read)"
        out.append({"file": name, "paper": said})
    return out


def on_paper(root: Path, proof: Path, size: tuple[int, int], name: str, look: dict[str, str]) -> tuple[bytes, float]:
    """A kept proof reduced to fit a size (width, height in pixels) through a profile, as PNG, and the share of it
    that the paper cannot show.

    `look`: "intent" (relative or perceptual), "white" and "outside" ("1" where asked for).
    """
    from clerestory.finish.soft_proof import Intent, soft_proof

    path = plain_file(root, FOLDER, name) if name.lower().endswith(SUFFIXES) else None
    if path is None:
        raise UserError(f"There is no profile {name} in this visit; add its file again.")
    pixels = at_hand(proof)
    scale = min(size[0] / pixels.shape[1], size[1] / pixels.shape[0], 1.0)
    width, height = (max(1, round(scale * n)) for n in (pixels.shape[1], pixels.shape[0]))
    small = cv2.resize(np.asarray(pixels), (width, height), interpolation=cv2.INTER_AREA).astype(np.uint8)
    intent: Intent = "perceptual" if look.get("intent") == "perceptual" else "relative"
    found = soft_proof(small, path.read_bytes(), intent, look.get("white") == "1")
    return png(found.outside_in_colour() if look.get("outside") == "1" else found.shown), found.share
