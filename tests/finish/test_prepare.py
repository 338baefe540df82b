"""What is compiled before the first picture is what that picture needs."""

from __future__ import annotations

import importlib
import pkgutil
from pathlib import Path

from numba.core.registry import CPUDispatcher
from tests.raw.conftest import dng_bytes, make_photograph, make_scene

import clerestory
from clerestory.finish import prepare


def signatures() -> dict[str, int]:
    """Kernels of the rooms that one frame passes through, with how many forms of each are compiled."""
    rooms = ("raw", "develop", "vertical", "finish")
    names = [
        m.name for m in pkgutil.walk_packages(clerestory.__path__, "clerestory.") if m.name.split(".")[1] in rooms
    ]
    return {
        f"{name}.{key}": len(value.signatures)
        for name in names
        for key, value in vars(importlib.import_module(name)).items()
        if isinstance(value, CPUDispatcher)
    }


def test_the_first_picture_compiles_nothing_more(tmp_path: Path) -> None:
    for which, part in enumerate(prepare.PARTS):
        if part is not prepare.merging:
            prepare.compile_part(which)
    before = signatures()
    path = tmp_path / "A.dng"
    path.write_bytes(dng_bytes(make_photograph(make_scene(4, 480, 640), seed=1)))
    picture = clerestory.finish_picture(path)
    clerestory.write_picture(picture, tmp_path / "A.jpg")
    assert {name for name, count in signatures().items() if count > before[name]} == set()
    assert sum(count > 0 for count in before.values()) > 20
