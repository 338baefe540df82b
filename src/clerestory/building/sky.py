"""Strength of the clear sky's direct and diffuse light: the model of Bird & Hulstrom (1981), SERI/TR-642-761.

A clear sky is the brightest steady case; cloud takes the direct part away and little of the diffuse.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

SOLAR_CONSTANT = 1361.0  # W/m2 at one astronomical unit (Kopp & Lean 2011)
LUMENS_PER_WATT_DIRECT = 95.0  # luminous efficacy of clear-sky beam light, rounded (common practice, no source)
LUMENS_PER_WATT_DIFFUSE = 125.0  # the same of blue sky light (common practice, no source)


@dataclass(frozen=True)
class Air:
    """What the light passes through: ozone and water in atm-cm and cm, aerosol depths at 380 and 500 nm."""

    ozone: float = 0.3
    water: float = 1.5
    aerosol_380: float = 0.15
    aerosol_500: float = 0.1
    asymmetry: float = 0.84
    ground_albedo: float = 0.2


@dataclass(frozen=True)
class ClearSky:
    """W/m2: `beam` square to the sun, `diffuse` on the level from the whole sky. Zero with the sun down."""

    beam: Array
    diffuse: Array


def clear_sky(
    altitude: ArrayLike, pressure: float = 1013.25, air: Air = Air(), extra: float = SOLAR_CONSTANT
) -> ClearSky:
    """Beam and diffuse irradiance (...), W/m2, for apparent sun altitudes (...) in degrees (Bird & Hulstrom 1981).

    `pressure`: millibars at the place; `extra`: W/m2 square to the sun above the air. Relative air mass by Kasten
    (1966; from memory). Zero with the sun at or below the horizon.
    """
    h = np.asarray(altitude, float)
    up = h > 0
    zenith = 90 - np.maximum(h, 0.01)
    cos_z = np.cos(np.radians(zenith))
    mass = 1 / (cos_z + 0.15 * (93.885 - zenith) ** -1.25)
    mass_p = mass * pressure / 1013.25
    rayleigh = np.exp(-0.0903 * mass_p**0.84 * (1 + mass_p - mass_p**1.01))
    x_o, x_w = air.ozone * mass, air.water * mass
    ozone = 1 - 0.1611 * x_o * (1 + 139.48 * x_o) ** -0.3035 - 0.002715 * x_o / (1 + 0.044 * x_o + 0.0003 * x_o**2)
    gases = np.exp(-0.0127 * mass_p**0.26)
    water = 1 - 2.4959 * x_w / ((1 + 79.034 * x_w) ** 0.6828 + 6.385 * x_w)
    depth = 0.27583 * air.aerosol_380 + 0.35 * air.aerosol_500
    aerosol = np.exp(-(depth**0.873) * (1 + depth - depth**0.7088) * mass**0.9108)
    absorbed = 1 - 0.1 * (1 - mass + mass**1.06) * (1 - aerosol)
    scattered = aerosol / absorbed
    beam = 0.9662 * extra * aerosol * water * gases * ozone * rayleigh
    bounce = 0.5 * (1 - rayleigh) + air.asymmetry * (1 - scattered)
    sky = extra * cos_z * 0.79 * ozone * gases * water * absorbed * bounce / (1 - mass + mass**1.02)
    sky_albedo = 0.0685 + (1 - air.asymmetry) * (1 - scattered)
    whole = (beam * cos_z + sky) / (1 - air.ground_albedo * sky_albedo)
    return ClearSky(np.where(up, beam, 0.0), np.where(up, whole - beam * cos_z, 0.0))


def on_wall(sky: ClearSky, altitude: ArrayLike, cos_incidence: ArrayLike, albedo: float = 0.2) -> tuple[Array, Array]:
    """Direct and diffuse illuminance (...), lux, on an upright wall, with an even sky and ground (half of each seen).

    `altitude`: the sun's, (...) degrees, of the shape of `sky`; `cos_incidence`, (...), is the cosine between
    the wall's outward normal and the sun; what is behind the wall counts nil.
    """
    sin_h = np.sin(np.radians(np.maximum(np.asarray(altitude, float), 0)))
    direct = LUMENS_PER_WATT_DIRECT * sky.beam * np.maximum(np.asarray(cos_incidence, float), 0)
    ground = 0.5 * albedo * (LUMENS_PER_WATT_DIRECT * sky.beam * sin_h + LUMENS_PER_WATT_DIFFUSE * sky.diffuse)
    return direct, 0.5 * LUMENS_PER_WATT_DIFFUSE * sky.diffuse + ground
