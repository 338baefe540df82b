"""Veiling glare: what every scene tells of, and what is left of haze that was put in.

Haze is put in by two spreads that are not the finder's own, to scenes as they are and to scenes clipped 3.3 stops
under their windows. Panoramas were taken through lenses with glare of their own, so that what they tell without any
put in is not nothing; the modelled church has none.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.signal import fftconvolve

from church_light import Scene
from clerestory.develop.colour import LUMINANCE
from clerestory.develop.glare import BELIEVED, find_glare, scattered, without_glare

F32 = NDArray[np.float32]
SPREADS = {"flatter": (1.5, 0.01), "steeper": (2.6, 0.03)}  # power, and core as a share of the diagonal
PUT_IN = 0.02
CLIPPED = 0.1  # of the light of the windows


def hazed(light: F32, power: float, core: float) -> F32:
    """`light`, H x W x 3, of which PUT_IN is scattered over the picture."""
    small = scattered(light).shape[:2]
    y, x = np.mgrid[1 - small[0] : small[0], 1 - small[1] : small[1]]
    spread = 1 / (1 + (np.hypot(x, y) / math.hypot(*small) / core) ** power)
    coarse = cv2.resize(light, small[::-1], interpolation=cv2.INTER_AREA)
    haze = np.dstack([fftconvolve(coarse[..., k], spread / spread.sum(), mode="same") for k in range(3)])
    wide = cv2.resize(haze.astype(np.float32), light.shape[1::-1], interpolation=cv2.INTER_LINEAR)
    return ((1 - PUT_IN) * light + PUT_IN * wide).astype(np.float32)


def _shade(light: F32) -> NDArray[np.bool_]:
    """The darker stone in the third of a picture that lies nearest to its windows."""
    near = cv2.resize(scattered(light), light.shape[1::-1], interpolation=cv2.INTER_LINEAR) @ LUMINANCE
    brightness = light @ LUMINANCE
    close = near > np.quantile(near, 0.67)
    return np.asarray(close & (brightness < np.quantile(brightness[close], 0.3)))


def _level(light: F32, where: NDArray[np.bool_]) -> float:
    return float(np.mean((light @ LUMINANCE)[where]))


def _left(light: F32, seen: F32, where: NDArray[np.bool_]) -> str:
    found = find_glare(seen)
    after = _level(without_glare(seen.copy(), found), where)
    true = _level(light, where)
    return f"{100 * found.share / BELIEVED:5.1f}  {_level(seen, where) / true:5.2f} > {after / true:4.2f}"


def bench_glare(scenes: Iterable[Scene]) -> None:
    """One line a scene: percent told, and the shade beside the windows before and after, 1 for what it was."""
    print(
        f"\nVeiling glare, {PUT_IN:.0%} put in: % told, and the shade beside windows with haze and without (asked: 1)"
    )
    ways = [f"{name}{clipped}" for name in SPREADS for clipped in ("", ", clipped")]
    print(f"{'scene':26s}{'as it is':>20s}" + "".join(f"{way:>22s}" for way in ways))
    for scene in scenes:
        light = scene.working
        where = _shade(light)
        told = [_left(light, light, where)]
        for power, core in SPREADS.values():
            seen = hazed(light, power, core)
            told += [_left(light, seen, where), _left(np.minimum(light, CLIPPED), np.minimum(seen, CLIPPED), where)]
        print(f"{scene.name:26s}" + "".join(f"{one:>22s}" for one in told), flush=True)
