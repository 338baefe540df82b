"""A preview in motion: tone found at half the fineness, laid over the picture at its own, in a third of the time.

Exact but for colours outside sRGB and for edges within a pixel or two; once the control rests, the exact one follows.
"""

from __future__ import annotations

import copy
import math
from dataclasses import replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.colour import LUMINANCE, encode, to_space
from clerestory.develop.glare import LEFT
from clerestory.finish import tone
from clerestory.raw import srgb
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
_LN2 = math.log(2)
_SHOWN = to_space("srgb").astype(np.float32)
_LIGHT = LUMINANCE.astype(np.float32)[None]
_LEVELS = np.round(255 * srgb.encoded(np.arange(65536) / 65535)).astype(np.uint8)


@njit(cache=True, nogil=True, error_model="numpy")
def _laid(begin, end, scene, gain, more, levels, out):  # type: ignore[no-untyped-def]
    """out (BGR, uint8) = encoded scene (linear sRGB) times gain, the gain taken from half the fineness, and times
    `more`, at full fineness, where it has any rows. `gain`: h x w x 2, light and what share of its colour is kept."""
    rows, columns = gain.shape[:2]
    half, quarter = np.float32(0.5), np.float32(0.25)
    nil, one, top = np.float32(0), np.float32(1), np.float32(65535)
    red, green, blue = np.float32(0.2126), np.float32(0.7152), np.float32(0.0722)  # IEC 61966-2-1
    for y in range(begin, end):
        v = min(max(np.float32(y) * half - quarter, nil), np.float32(rows - 1))
        i = min(int(v), rows - 2)
        fy = v - np.float32(i)
        for x in range(scene.shape[1]):
            u = min(max(np.float32(x) * half - quarter, nil), np.float32(columns - 1))
            j = min(int(u), columns - 2)
            fx = u - np.float32(j)
            a, b, c, d = (one - fx) * (one - fy), fx * (one - fy), (one - fx) * fy, fx * fy
            g = a * gain[i, j, 0] + b * gain[i, j + 1, 0] + c * gain[i + 1, j, 0] + d * gain[i + 1, j + 1, 0]
            p = a * gain[i, j, 1] + b * gain[i, j + 1, 1] + c * gain[i + 1, j, 1] + d * gain[i + 1, j + 1, 1]
            grey = (one - p) * (red * scene[y, x, 0] + green * scene[y, x, 1] + blue * scene[y, x, 2])
            if more.shape[0]:
                g *= more[y, x]
            for k in range(3):
                out[y, x, 2 - k] = levels[int(min(max((p * scene[y, x, k] + grey) * g, nil), one) * top)]


class Motion:
    """What can be prepared of a scene-linear picture (H x W x 3, Rec. 2020) before its tone is known."""

    def __init__(self, scene: F32, layers: tone.Layers | None = None) -> None:
        """`layers`: of the same picture at another fineness, where they are known; else they are found."""
        height, width = scene.shape[:2]
        self.scene = scene
        self.small: F32 = cv2.resize(scene, (width // 2, height // 2), interpolation=cv2.INTER_AREA)
        self.layers = tone.layers_of(self.small) if layers is None else _sized(layers, self.small.shape)
        self.light: F32 = _light(self.small)
        self.shown: F32 = cv2.transform(scene, _SHOWN)
        self.more: F32 = np.zeros((0, 0), np.float32)
        self._camera: tuple[bytes, F32, F32] | None = None

    def full_layers(self) -> tone.Layers:
        """The layers for the picture at its own fineness, as found at half of it."""
        return _sized(self.layers, self.scene.shape)

    def recoloured(self, shift: F32) -> Motion:
        """The same picture with its colours turned by a 3 x 3 matrix (another white balance)."""
        return self._with(cv2.transform(self.small, shift), cv2.transform(self.scene, _SHOWN @ shift))

    def _with(self, small: F32, shown: F32) -> Motion:
        other = copy.copy(self)
        other.small, other.shown, other.light = small, shown, _light(small)
        return other

    def relit(self, logs: F32, matrix: F32, shift: F32 | None = None) -> Motion:
        """The same picture with the camera's channels multiplied by a small map (its logarithms, h x w x 3).

        `matrix`: 3 x 3 from the camera's RGB to the working one; `shift`: one that then turns the colours.
        """
        key = matrix.tobytes()
        if self._camera is None or self._camera[0] != key:
            back = np.linalg.inv(matrix)
            self._camera = (key, cv2.transform(self.scene, back), cv2.transform(self.small, back))
        forth = matrix if shift is None else (shift @ matrix).astype(np.float32)
        gains = np.exp(logs)
        lit = [c * cv2.resize(gains, c.shape[1::-1], interpolation=cv2.INTER_LINEAR) for c in self._camera[1:]]
        return self._with(cv2.transform(lit[1], forth), cv2.transform(lit[0], _SHOWN @ forth))

    def by_stops(self, stops: F32) -> Motion:
        """The same picture with each place lighter by so many stops (H x W); what its light is led by stays."""
        gain: F32 = cv2.exp(stops * np.float32(_LN2))
        coarse = cv2.resize(gain, self.small.shape[1::-1], interpolation=cv2.INTER_AREA)
        other = self._with(cv2.multiply(self.small, cv2.merge([coarse] * 3)), self.shown)
        other.more = gain
        return other

    def less(self, haze: F32) -> Motion:
        """The same picture with that light (H x W x 3; it may be less than none) gone from each place, as
        `develop.glare.without_glare` takes it."""
        other = copy.copy(self)
        other.scene = cv2.max(cv2.subtract(self.scene, haze), self.scene * np.float32(LEFT))
        other.small = cv2.resize(other.scene, self.small.shape[1::-1], interpolation=cv2.INTER_AREA)
        other.shown, other.light, other._camera = cv2.transform(other.scene, _SHOWN), _light(other.small), None
        return other

    def by_colour(self, stops: F32) -> Motion:
        """The same picture with each place's red, green and blue lighter by so many stops (H x W x 3)."""
        gain: F32 = cv2.exp(stops * np.float32(_LN2))
        coarse = cv2.resize(gain, self.small.shape[1::-1], interpolation=cv2.INTER_AREA)
        other = self._with(cv2.multiply(self.small, coarse), self.shown)
        other.scene = cv2.multiply(self.scene, gain)
        other.shown = cv2.transform(other.scene, _SHOWN)
        other._camera = None
        return other

    def render(self, settings: tone.ToneSettings, noise: tone.WorkingNoise | None) -> tuple[NDArray[np.uint8], F32]:
        """The picture as B, G, R of sRGB, uint8; and the tone-mapped picture at half the fineness, linear."""
        toned = tone.apply(self.small, settings, noise, layers=self.layers)
        if settings.recolours:  # the gain below would leave the colour out
            wide = cv2.resize(toned, self.shown.shape[1::-1], interpolation=cv2.INTER_LINEAR)
            return encode(wide, "srgb", 8)[..., ::-1].astype(np.uint8), toned
        gain = _gain(self.small, toned, self.light)
        out = np.empty(self.shown.shape, np.uint8)
        in_bands(_laid, 0, len(out), self.shown, gain, self.more, _LEVELS, out)
        return out, toned


def _sized(layers: tone.Layers, shape: tuple[int, ...]) -> tone.Layers:
    """Layers as they are for a picture of another fineness, of a shape (rows, columns, ...)."""
    step = tone.step_of(shape)
    size = (-(-shape[1] // step), -(-shape[0] // step))
    maps = np.stack([cv2.resize(m, size, interpolation=cv2.INTER_LINEAR) for m in layers.maps])
    return replace(layers, maps=maps)


def _light(small: F32) -> F32:
    out: F32 = np.maximum(cv2.transform(small, _LIGHT), np.float32(1e-6))
    return out


def _gain(small: F32, toned: F32, light: F32) -> F32:
    """How much lighter each place of a picture is shown (h x w x 2), and what share of its colour it keeps."""
    gain = cv2.transform(toned, _LIGHT) / light
    pure, shown = (_spread(v) for v in (small, toned))
    kept = cv2.min((shown + np.float32(1e-4)) / (pure * gain + np.float32(1e-4)), 1.0)
    return cv2.merge([gain, kept])


def _spread(rgb: F32) -> F32:
    red, green, blue = cv2.split(rgb)
    return cv2.max(red, cv2.max(green, blue)) - cv2.min(red, cv2.min(green, blue))
