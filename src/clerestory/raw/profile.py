"""A DNG's colours under any light: two calibrations, and what lies between them (DNG specification 1.4, chapter 6).

A camera's colours cannot be one linear sum for lamps and daylight alike. A file may say its matrices for two lights;
for the light of a frame they are interpolated by the inverse of colour temperature. With

    XYZtoCamera = AB CC CM          CM ColorMatrix, CC CameraCalibration, AB AnalogBalance, a diagonal

the white of a neutral `n` is the fixed point of XYZ = XYZtoCamera(its own temperature)^-1 n, and a camera's colour
goes to XYZ under D50 as

    FM diag(1 / m) (AB CC)^-1,  m = (AB CC)^-1 n          where there are ForwardMatrices FM,
    CA XYZtoCamera^-1                                     where not, CA being Bradford's adaptation from the white.

Formulas and the temperatures of EXIF's light sources from memory of the specification and its annexes; the tests
reckon them again by colour-science.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clerestory.raw.tags import Tags

Matrix = NDArray[np.float64]
# EXIF 2.32, LightSource, in kelvin.
KELVINS = {1: 5500, 2: 4150, 3: 2850, 4: 5500, 9: 5500, 10: 6500, 11: 7500, 12: 6400, 13: 5050, 14: 4150, 15: 3525,
           17: 2850, 18: 5500, 19: 6500, 20: 5500, 21: 6500, 22: 7500, 23: 5000, 24: 3200}  # fmt: skip
D50_XY = (0.3457, 0.3585)  # CIE 15
BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
COOLEST, WARMEST = 50000.0, 1000.0
ROUNDS = 30


def xyz_of(xy: tuple[float, float]) -> Matrix:
    """CIE XYZ (3,) of a chromaticity, Y = 1."""
    return np.array([xy[0] / xy[1], 1.0, (1 - xy[0] - xy[1]) / xy[1]])


def kelvin_of(xy: tuple[float, float]) -> float:
    """Correlated colour temperature of a chromaticity (McCamy 1992), within 2 % from 2200 K to 12000 K."""
    n = (xy[0] - 0.3320) / (0.1858 - xy[1]) if abs(0.1858 - xy[1]) > 1e-6 else 0.0
    return float(np.clip(449 * n**3 + 3525 * n**2 + 6823.3 * n + 5520.33, WARMEST, COOLEST))


def adaptation(source: Matrix, target: Matrix) -> Matrix:
    """Bradford's adaptation, 3 x 3, from one white to another, XYZ (3,) each."""
    gains = (BRADFORD @ target) / (BRADFORD @ source)
    return np.linalg.inv(BRADFORD) @ np.diag(gains) @ BRADFORD


@dataclass(frozen=True)
class Profile:
    """One or two calibrations. `kelvins`: of their lights. `colour`, `calibration`: 3 x 3 for each; `forward`: the
    same, or none. `balance`: the diagonal of AnalogBalance."""

    kelvins: tuple[float, ...]
    colour: tuple[Matrix, ...]
    calibration: tuple[Matrix, ...]
    forward: tuple[Matrix, ...]
    balance: Matrix

    def _between(self, pair: tuple[Matrix, ...], kelvin: float) -> Matrix:
        if len(pair) == 1:
            return pair[0]
        first, second = (1 / k for k in self.kelvins)
        share = float(np.clip((1 / kelvin - second) / (first - second), 0, 1))
        return np.asarray(share * pair[0] + (1 - share) * pair[1])

    def _reference(self, kelvin: float) -> Matrix:
        """AB CC."""
        return np.diag(self.balance) @ self._between(self.calibration, kelvin)

    def to_camera(self, kelvin: float) -> Matrix:
        """XYZ to camera, 3 x 3, for a light of some temperature."""
        return self._reference(kelvin) @ self._between(self.colour, kelvin)

    def white_of(self, neutral: Matrix) -> tuple[float, float]:
        """Chromaticity of the light under which a camera records `neutral` (3,) for grey."""
        xy = D50_XY
        for _ in range(ROUNDS):
            xyz = np.linalg.solve(self.to_camera(kelvin_of(xy)), neutral)
            total = float(xyz.sum())
            if total <= 1e-9 or xyz.min() <= 0:
                break
            last, xy = xy, (float(xyz[0] / total), float(xyz[1] / total))
            if abs(last[0] - xy[0]) + abs(last[1] - xy[1]) < 1e-7:
                break
        return xy

    def to_xyz(self, neutral: Matrix) -> Matrix:
        """Camera to XYZ under D50, 3 x 3, where the camera records `neutral` (3,) for grey."""
        xy = self.white_of(neutral)
        kelvin = kelvin_of(xy)
        if self.forward:
            back = np.linalg.inv(self._reference(kelvin))
            return self._between(self.forward, kelvin) @ np.diag(1 / (back @ neutral)) @ back
        return adaptation(xyz_of(xy), xyz_of(D50_XY)) @ np.linalg.inv(self.to_camera(kelvin))


def profile_of(tags: Tags) -> Profile | None:
    """A DNG's own calibrations; None where it says no more than one matrix, or what it says cannot be meant."""
    found = [one for n in (1, 2) if (one := _calibration(tags, n)) is not None]
    if not found or (len(found) == 1 and found[0][3] is None):
        return None
    if len(found) == 2 and abs(found[0][0] - found[1][0]) < 1:
        found = found[:1]
    balance = tags.numbers("AnalogBalance")
    gains = np.array(balance) if len(balance) == 3 and np.isfinite(balance).all() and min(balance) > 0 else np.ones(3)
    forward = tuple(one[3] for one in found if one[3] is not None)
    made = Profile(
        tuple(one[0] for one in found),
        tuple(one[1] for one in found),
        tuple(one[2] for one in found),
        forward if len(forward) == len(found) else (),
        gains,
    )
    usable = all(abs(np.linalg.det(made.to_camera(k))) > 1e-6 for k in made.kelvins)
    return made if usable else None


def _calibration(tags: Tags, number: int) -> tuple[float, Matrix, Matrix, Matrix | None] | None:
    """Kelvin, ColorMatrix, CameraCalibration and ForwardMatrix of the first or second light."""

    def matrix(name: str, believed: Callable[[Matrix], bool]) -> Matrix | None:
        values = tags.numbers(f"{name}{number}")
        if len(values) != 9 or not np.isfinite(values).all():
            return None
        made = np.array(values).reshape(3, 3)
        return made if abs(np.linalg.det(made)) > 1e-6 and believed(made) else None

    colour = matrix("ColorMatrix", lambda m: True)
    kelvin = KELVINS.get(int(tags.number(f"CalibrationIlluminant{number}") or 0))
    if colour is None or (kelvin is None and number == 2):
        return None
    calibration = matrix("CameraCalibration", lambda m: True)
    # A forward matrix takes a balanced white to D50 (DNG 1.4, chapter 6); what does not is none.
    forward = matrix("ForwardMatrix", lambda m: bool(np.abs(m.sum(axis=1) - xyz_of(D50_XY)).max() < 0.05))
    return float(kelvin or 5000), colour, np.eye(3) if calibration is None else calibration, forward
