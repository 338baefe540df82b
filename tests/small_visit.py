"""A visit of three small frames, made in a moment: two of one view and one of another."""

from __future__ import annotations

from pathlib import Path

from tests.raw.conftest import dng_bytes, make_photograph, make_scene


def small_visit(folder: Path) -> Path:
    """`folder` with frames/A0.dng to A2.dng, 240 x 320 pixels."""
    frames = folder / "frames"
    frames.mkdir(parents=True)
    for i, (scene, seconds) in enumerate(((4, 0), (4, 1), (9, 600))):
        raw = make_photograph(make_scene(scene, 240, 320), seed=i)
        when = f"2031:06:01 10:{seconds // 60:02d}:{seconds % 60:02d}"
        (frames / f"A{i}.dng").write_bytes(dng_bytes(raw, when=when))
    return folder
