"""Scenes with windows, and what became of their light: glass, leads, stone, order, colour.

The scenes are views of open panoramas (Poly Haven, CC0, see SOURCES.md beside them), of the modelled church and of
any .hdr or .exr file a path names: a panorama (twice as wide as high) is seen through 24 mm and 50 mm lenses,
anything else is taken as a picture. What is measured, and how, is in glass_and_stone.py, which is no part of the
project and is found beside the panoramas.
"""

from __future__ import annotations

import importlib.util
import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import OpenEXR
from numpy.typing import NDArray

import tone_before
from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.develop.colour import encode, to_space
from clerestory.finish import tone
from clerestory.simulate.panorama import load_panorama, panorama_view
from clerestory.simulate.scene import Church

F32 = NDArray[np.float32]
OUT = Path(__file__).parent / "out"
WIDTH = 1200  # pixels across a view
LENSES = (24.0, 50.0)  # mm on 36 x 24
AROUND = (0, 45, 90, 135, 180, 225, 270, 315)  # degrees; of a panorama the views with most glass are taken
MOST = 2  # views of one panorama with one lens
Y = np.array([0.2126, 0.7152, 0.0722])  # luminance of linear sRGB (IEC 61966-2-1)
TO_WORKING = np.linalg.inv(to_space("srgb")).astype(np.float32)
MEASURED = ("leads", "glass_contrast", "glass_L", "chroma", "stone_contrast", "stone_L", "order", "magenta")
CHURCHES = {  # of the model: seed, pose and lens in mm on 36 x 24
    "church nave 24": (1, Pose(math.radians(2), math.radians(9), 0.01, (0.3, 6.0, 1.6)), 24.0),
    "church east 50": (1, Pose(0.0, math.radians(16), 0.0, (0.3, 20.0, 1.6)), 50.0),
    "church aisle 50": (3, Pose(math.radians(60), math.radians(28), 0.0, (-1.0, 20.0, 1.6)), 50.0),
    "church west 24": (5, Pose(math.radians(181), math.radians(13), 0.0, (-0.5, 20.0, 1.6)), 24.0),
}


def judge_of(tools: Path) -> Callable[..., dict[str, float]]:
    """`measure` of glass_and_stone.py in a folder of tools."""
    spec = importlib.util.spec_from_file_location("glass_and_stone", tools / "glass_and_stone.py")
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.measure  # type: ignore[no-any-return]


@dataclass(frozen=True)
class Scene:
    """`light`: H x W x 3, linear sRGB primaries, scaled so that its 99.7 % brightest luminance is 1."""

    name: str
    light: F32

    @property
    def working(self) -> F32:
        """As the developed picture would be: linear Rec. 2020, float32."""
        return (self.light @ TO_WORKING.T).astype(np.float32)


def scaled(light: NDArray[np.floating]) -> F32:
    """Light so that its 99.7 % brightest luminance is 1."""
    light = np.nan_to_num(np.maximum(np.asarray(light, np.float32), 0), posinf=6e4)
    return (light / np.float32(max(np.percentile(light @ Y, 99.7), 1e-9))).astype(np.float32)


def _read(path: Path) -> F32:
    """Linear RGB of a Radiance or OpenEXR file."""
    if path.suffix.lower() == ".exr":
        channels = OpenEXR.File(str(path), separate_channels=True).channels()
        return np.dstack([np.asarray(channels[k].pixels, np.float32) for k in "RGB"])
    image = cv2.imread(str(path), cv2.IMREAD_UNCHANGED)
    assert image is not None and image.dtype == np.float32, f"{path}: not a float picture"
    return np.ascontiguousarray(image[..., 2::-1])


def camera(millimetres: float, width: int = WIDTH) -> Camera:
    """A lens on 36 x 24."""
    height = round(width * 2 / 3)
    return Camera(width, height, width * millimetres / 36, (width - 1) / 2, (height - 1) / 2)


def _views(name: str, panorama: F32, measure: Callable[..., dict[str, float]]) -> Iterator[Scene]:
    for lens in LENSES:
        found = []
        for yaw in AROUND:
            pose = Pose(math.radians(yaw), math.radians(10), 0.0)
            light = scaled(panorama_view(panorama, camera(lens, 480), pose))
            try:
                found.append((measure(light, light)["glass"], yaw))
            except ValueError:
                continue
        for _, yaw in sorted(found, reverse=True)[:MOST]:
            pose = Pose(math.radians(yaw), math.radians(10), 0.0)
            yield Scene(f"{name} {lens:.0f} {yaw}", scaled(panorama_view(panorama, camera(lens), pose)))


def scenes(data: Path, tools: Path, named: Sequence[Path] = ()) -> Iterator[Scene]:
    """Every scene with a window in it."""
    measure = judge_of(tools)
    for path in (*sorted((data / "panoramas").glob("*")), *named):
        image = _read(path)
        name = path.stem.removesuffix("_1k")[:18]
        if image.shape[1] == 2 * image.shape[0]:
            yield from _views(name, load_panorama(path) if path.suffix != ".exr" else image, measure)
        else:
            yield Scene(name, scaled(image))
    back = to_space("srgb").astype(np.float32)
    OUT.mkdir(exist_ok=True)
    for name, (seed, pose, lens) in CHURCHES.items():
        kept = OUT / f"scene_{name.replace(' ', '_')}_{WIDTH}.npy"
        if not kept.exists():
            np.save(kept, Church(seed=seed).render(camera(lens), pose).radiance @ back.T)
        yield Scene(name, scaled(np.load(kept)))


Look = Callable[[F32], F32]


def now(rgb: F32) -> F32:
    """The tone that is used, left to itself."""
    return tone.apply(rgb, tone.judge(rgb))


def before(rgb: F32) -> F32:
    """The tone as it was."""
    return tone_before.apply(rgb, tone_before.judge(rgb))


def encoded(shown: F32) -> NDArray[np.uint8]:
    """sRGB, 8 bits."""
    return encode(shown, "srgb", 8).astype(np.uint8)


def linear(shown: F32) -> NDArray[np.float64]:
    """What an sRGB display then emits, 0 to 1."""
    v = encode(shown, "srgb", 16) / 65535.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def row(figures: Mapping[str, float]) -> str:
    """One line of the table."""
    return "".join(f"{figures[k]:8.1f}" if k.endswith("_L") else f"{figures[k]:8.3f}" for k in MEASURED)


def page(pairs: Sequence[tuple[str, NDArray[np.uint8], NDArray[np.uint8]]], path: Path, width: int = 760) -> None:
    """Every scene, before on the left and now on the right."""
    rows = []
    for name, old, new in pairs:
        size = (width, round(width * old.shape[0] / old.shape[1]))
        strip = np.hstack([cv2.resize(v, size, interpolation=cv2.INTER_AREA) for v in (old, new)])
        strip = cv2.copyMakeBorder(strip, 26, 4, 4, 4, cv2.BORDER_CONSTANT, value=(24, 26, 28))
        cv2.putText(strip, f"{name}: before, now", (10, 18), cv2.FONT_HERSHEY_SIMPLEX, 0.5, (220, 220, 220), 1)
        rows.append(strip)
    path.parent.mkdir(exist_ok=True, parents=True)
    cv2.imwrite(str(path), np.vstack(rows)[..., ::-1])
