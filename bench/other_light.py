"""Scenes that no window rules: none in view, night, candles, sun patches, white plaster, banded marble.

Views of the modelled church under other light and in other stone, and of open panoramas away from their windows.
What is measured is what a picture good enough to leave has: a middle neither dark nor chalky, something light in it
that is not blown out, the stone's own contrast, nothing the wrong way round, and lamps and sun in their own colour.
The bounds are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from church_light import F32, OUT, WIDTH, Scene, Y, camera, scaled
from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.develop.colour import encode, to_space
from clerestory.simulate.panorama import load_panorama, panorama_view
from clerestory.simulate.scene import LUMINANCE, Church, Rendered

BOUNDS = {  # least and most of each thing measured
    "middle_L": (25.0, 65.0),
    "light_L": (70.0, 99.5),
    "white": (0.0, 0.01),
    "black": (0.0, 0.05),
    "contrast": (0.85, 1.25),
    "order": (0.0, 0.02),
    "chroma": (0.8, 1.4),
}
FLAME = 9000.0  # cd/m2 of a candle's flame; handbooks say 5000 to 10000 (from memory)
FLAME_SIZE = 0.012, 0.03  # half its width and height, m
WARM = np.array([1.75, 0.82, 0.22], np.float32)  # its colour, linear Rec. 2020: about 2000 K, luminance 1

Change = Callable[[Rendered, Camera, Pose], F32]


def _directions(lens: Camera, pose: Pose) -> NDArray[np.float64]:
    """What every pixel looks along, in the church's axes, one metre deep (H x W x 3)."""
    x, y = np.meshgrid(np.arange(lens.width, dtype=float), np.arange(lens.height, dtype=float))
    return lens.unproject(np.stack([x, y], axis=-1)) @ pose.rotation


def _stone(own: F32) -> NDArray[np.bool_]:
    return (own.max(axis=2) < 1.7 * own.min(axis=2)) & (own.min(axis=2) > 0.02)


def _own(seen: Rendered) -> F32:
    assert seen.reflectance is not None
    return seen.reflectance


def _grain(seen: Rendered, share: float) -> F32:
    """The stone's joints and grain, about 1, so much of them left."""
    own = _own(seen)
    y = np.maximum(own @ LUMINANCE, 0.02)
    return ((y / np.median(y[_stone(own)])) ** share).astype(np.float32)


def _in_stone(seen: Rendered, new: F32) -> F32:
    """The same light on stone of another reflectance (H x W)."""
    y = np.maximum(_own(seen) @ LUMINANCE, 0.02)
    changed = seen.radiance * (new / y)[..., None]
    return np.where(_stone(_own(seen))[..., None], changed, seen.radiance).astype(np.float32)


def plaster(seen: Rendered, lens: Camera, pose: Pose) -> F32:
    """Whitewashed: four fifths of the light comes back, the joints all but gone."""
    return _in_stone(seen, np.minimum(np.float32(0.8) * _grain(seen, 0.2), np.float32(0.9)))


def marble(seen: Rendered, lens: Camera, pose: Pose) -> F32:
    """White and black marble: bands 0.4 m high, squares on the floor."""
    at = np.array(pose.position) + seen.depth[..., None] * _directions(lens, pose)
    squares = np.floor(at[..., 0] / 0.6) + np.floor(at[..., 1] / 0.6)
    band = np.where(at[..., 2] > 0.05, np.floor(at[..., 2] / 0.4), squares) % 2
    return _in_stone(seen, np.where(band > 0, np.float32(0.75), np.float32(0.045)) * _grain(seen, 0.5))


def candles(seen: Rendered, lens: Camera, pose: Pose) -> F32:
    """A row of nine candles across the nave: their flames, and what one candela each lights."""
    out, along = seen.radiance.copy(), _directions(lens, pose)
    at = np.array(pose.position) + seen.depth[..., None] * along
    for k in range(-4, 5):
        flame = np.array([0.3 * k, pose.position[1] + 5.0, 1.5 - 0.05 * abs(k)])
        near = np.maximum(((at - flame) ** 2).sum(axis=2), 0.02)
        out += _own(seen) * WARM * (1 / (math.pi * near))[..., None].astype(np.float32)
        depth = float((pose.rotation @ (flame - np.array(pose.position)))[2])
        off = (along * depth + np.array(pose.position) - flame) @ pose.rotation.T
        inside = np.hypot(off[..., 0] / FLAME_SIZE[0], off[..., 1] / FLAME_SIZE[1])
        shape = np.clip(1.5 - inside, 0, 1) * (seen.depth > depth)
        out += (FLAME * shape[..., None]).astype(np.float32) * WARM
    return out


@dataclass(frozen=True)
class View:
    """A view of the modelled church; `change` gives it other stone or more light."""

    church: Church
    pose: Pose
    lens: float
    change: Change | None = None


_EAST = Pose(math.radians(2), math.radians(9), 0.01, (0.3, 6.0, 1.6))
VIEWS = {
    "no window, floor 35": View(Church(1), Pose(math.radians(15), math.radians(-24), 0.0, (0.3, 8.0, 1.6)), 35.0),
    "no window, capital 85": View(Church(3), Pose(math.radians(48), math.radians(14), 0.0, (-1.0, 14.0, 1.6)), 85.0),
    "night, lamp 24": View(Church(1, glass=0.3, sun=0.0, lamp=900.0), _EAST, 24.0),
    "night, candles 35": View(Church(1, glass=0.3, sun=0.0, lamp=15.0), _EAST, 35.0, candles),
    "dusk, candles 35": View(Church(5, glass=15.0, sun=0.0), _EAST, 35.0, candles),
    "sun patches 24": View(Church(3, sun=60000.0), Pose(math.radians(-8), math.radians(4), 0, (0.3, 9, 1.6)), 24.0),
    "white plaster 24": View(Church(1), _EAST, 24.0, plaster),
    "white plaster, sun 24": View(Church(5, sun=60000.0), _EAST, 24.0, plaster),
    "banded marble 24": View(Church(1), _EAST, 24.0, marble),
}


def _rendered(view: View) -> F32:
    lens = camera(view.lens)
    seen = view.church.render(lens, view.pose, reflectance=True)
    light = seen.radiance if view.change is None else view.change(seen, lens, view.pose)
    return np.asarray(light @ to_space("srgb").astype(np.float32).T, np.float32)


def others(data: Path) -> Iterator[Scene]:
    """Every such scene; those of the modelled church are rendered once and kept in bench/out."""
    for name, view in VIEWS.items():
        kept = OUT / f"other_{name.replace(' ', '_').replace(',', '')}_{WIDTH}.npy"
        if not kept.exists():
            OUT.mkdir(exist_ok=True)
            np.save(kept, _rendered(view))
        yield Scene(name, scaled(np.load(kept)))
    for path in sorted((data / "panoramas").glob("*")):
        panorama, looks = load_panorama(path), []
        for yaw in range(0, 360, 45):  # the view with least that stands out
            pose = Pose(math.radians(yaw), math.radians(-12), 0.0)
            small = panorama_view(panorama, camera(35.0, 120), pose) @ Y
            looks.append((float(np.percentile(small, 99.5) / max(np.median(small), 1e-9)), yaw, pose))
        _, yaw, pose = min(looks, key=lambda v: v[:2])
        name = path.stem.removesuffix("_1k")[:15]
        yield Scene(f"no window, {name}", scaled(panorama_view(panorama, camera(35.0), pose)))


def _deviation(log: NDArray[np.float64]) -> NDArray[np.float64]:
    mean = cv2.blur(log, (15, 15))
    return np.sqrt(np.maximum(cv2.blur(log * log, (15, 15)) - mean * mean, 0))


def fit_to_leave(light: F32, shown: NDArray[np.float64]) -> dict[str, float]:
    """What became of such a scene: `light` linear sRGB of the scene, `shown` linear sRGB of the display, 0 to 1.

    Median lightness (CIELAB), that of its lightest hundredth, shares of white (all channels over 0.98) and of black
    (L* under 3), median local contrast over the scene's, share of places more than a stop apart shown the other way
    round, and chroma of the lightest hundredth over that of the same light exposed for itself.
    """
    log, lit = (np.log2(np.maximum(v.astype(float) @ Y, 2.0**-14)) for v in (light, shown))
    lab = cv2.cvtColor(encode(shown.astype(np.float32), "srgb", 16).astype(np.float32) / 65535, cv2.COLOR_RGB2Lab)
    brightest = log >= np.percentile(log, 99)
    alone = light * np.float32(2 ** float(np.median(lit[brightest]) - np.median(log[brightest])))
    own = cv2.cvtColor(encode(np.clip(alone, 0, 1), "srgb", 16).astype(np.float32) / 65535, cv2.COLOR_RGB2Lab)
    chroma, chroma_own = (float(np.median(np.hypot(v[..., 1], v[..., 2])[brightest])) for v in (lab, own))
    body = log > np.median(log) - 3
    before, after = _deviation(log)[body], _deviation(lit)[body]
    pick = np.random.default_rng(0).integers(0, log.size, (2, 200_000))
    soft, soft_lit = (cv2.GaussianBlur(v, (0, 0), 3).ravel() for v in (log, lit))
    far = soft[pick[0]] - soft[pick[1]] > 1
    return {
        "middle_L": float(np.median(lab[..., 0])),
        "light_L": float(np.percentile(lab[..., 0], 99)),
        "white": float((shown.min(axis=2) > 0.98).mean()),
        "black": float((lab[..., 0] < 3).mean()),
        "contrast": float(np.median(after / np.maximum(before, 0.02))),
        "order": float((soft_lit[pick[0]] < soft_lit[pick[1]])[far].mean()) if far.any() else 0.0,
        "chroma": chroma / chroma_own if chroma_own > 4 else 1.0,
    }


def outside(figures: Mapping[str, float]) -> str:
    """Which figures lie outside their bounds, in words."""
    return " ".join(k for k, (least, most) in BOUNDS.items() if not least <= figures[k] <= most)
