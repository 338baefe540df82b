"""A card with a few small raw files on it."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

_WRITER = Path(__file__).parents[1] / "raw" / "conftest.py"
_SPEC = importlib.util.spec_from_file_location("frames_conftest", _WRITER)
assert _SPEC is not None and _SPEC.loader is not None
_FRAMES: Any = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(_FRAMES)


def raw_of(number: int) -> bytes:
    """One small DNG, each number another."""
    light = _FRAMES.make_scene(number // 3, 120, 160)
    raw: np.ndarray[Any, Any] = _FRAMES.make_photograph(light, seed=number)
    data: bytes = _FRAMES.dng_bytes(raw, when=f"2031:06:01 10:{number:02d}:00")
    return data


@pytest.fixture
def card(tmp_path: Path) -> Callable[[int], Path]:
    """Makes a card holding `count` frames in two folders."""

    def make(count: int = 5) -> Path:
        root = tmp_path / "card"
        for i in range(count):
            folder = root / "DCIM" / f"{100 + i % 2}FENNI"
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"P{i:04d}.DNG").write_bytes(raw_of(i))
        (root / "DCIM" / "index.dat").write_bytes(b"not a frame")
        return root

    return make
