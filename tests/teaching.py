"""What the tests of a film's teaching shots share: small visits, frames read off, contrast."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import tifffile

from clerestory.film.levels import planes_of
from clerestory.film.light import Renderer
from clerestory.film.plan import plan_scenes
from clerestory.film.produce import load_film
from clerestory.film.scenes import Plan, Scene
from clerestory.film.stage import layer_of, letter, light_scene, spans_of

SIZE = (320, 180)


def put(visit: Path, name: str, code: np.ndarray) -> None:
    """A picture of code values 0 to 1, H x W x 3."""
    path = visit / "pictures" / f"{name}.tif"
    path.parent.mkdir(parents=True, exist_ok=True)
    tifffile.imwrite(path, np.round(np.clip(code, 0, 1) * 65535).astype(np.uint16), photometric="rgb")


def plan_of(visit: Path, toml: str, size: tuple[int, int] = SIZE) -> Plan:
    """The planned film of a film.toml's text."""
    (visit / "film").mkdir(exist_ok=True)
    (visit / "film" / "film.toml").write_text(toml, encoding="utf-8")
    return plan_scenes(load_film(visit), visit, size)[0]


def shot_of(plan: Plan, number: int = 1) -> Scene:
    """The scene of a shot, counted from 1."""
    return next(scene for scene in plan.scenes if scene.number == number)


def drawn(scene: Scene, frames: list[int], size: tuple[int, int] = SIZE, letters: bool = True) -> list[np.ndarray]:
    """Frames of a scene as they go to the encoder, as luma code values 0 to 1, float H x W."""
    renderer = Renderer(*size, 2)
    lit = light_scene(scene, renderer)
    layers = [(span, layer_of(span, scene, size)) for span in spans_of(scene)] if letters else []
    out = []
    for frame in frames:
        video = av.VideoFrame(*size, "yuv420p")
        lit.video(frame, video)
        letter(layers, frame, video)
        out.append((planes_of(video)[0].astype(float) - 16) / 219)
    renderer.close()
    return out


def luminance(code: np.ndarray) -> np.ndarray:
    """Relative luminance of grey code values 0 to 1 (WCAG 2.2's definition, sRGB's curve)."""
    code = np.clip(code, 0, 1)
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def contrast(light: float, dark: float) -> float:
    """WCAG 2.2's contrast ratio of two relative luminances."""
    return (max(light, dark) + 0.05) / (min(light, dark) + 0.05)
