"""The dimensions of a church that does not exist, as compiled code takes them. Metres."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray


class Form(NamedTuple):
    """Nave of equal bays between two aisles; x to the right of the axis, y along it from the west door, z up.

    Arches are pointed: two circles of radius `*_r` through the springing points. Vault profiles have radius
    `vault_k` half spans. Everything repeats with the bay, so a ray is folded into one.
    """

    bays: float
    bay: float
    half: float  # nave: axis to wall face
    wall: float  # thickness of the arcade wall
    aisle: float  # width of an aisle
    length: float
    arcade_spring: float
    arcade_half: float
    arcade_r: float
    trif_sill: float
    trif_spring: float
    trif_half: float
    clere_sill: float
    clere_spring: float
    clere_half: float
    vault_spring: float
    vault_k: float
    aisle_spring: float
    light_sill: float  # aisle windows
    light_spring: float
    light_half: float
    rose_z: float
    rose_r: float
    petals: float
    lancet_sill: float
    lancet_spring: float
    lancet_half: float
    lancet_pitch: float
    pier_r: float
    screen_y: float
    chair_first: float
    chair_last: float
    seed: float
    glass: float  # luminance of the sky behind clear glass, cd/m2
    sun_x: float  # direction towards the sun, unit length; z <= 0: none
    sun_y: float
    sun_z: float
    sun: float  # illuminance of the sun behind the glass, lux
    lamp_x: float
    lamp_y: float
    lamp_z: float
    lamp: float  # intensity of the warm lamp, candela; 0: none


def packed(dimensions: Form) -> NDArray[np.void]:
    """The dimensions as one record: compiled functions then pass a pointer, not forty numbers."""
    kind = np.dtype([(name, np.float64) for name in Form._fields])
    return np.array([tuple(dimensions)], dtype=kind)


def form(seed: int, glass: float = 5200.0, sun: float = 9000.0, lamp: float = 0.0) -> Form:
    """Dimensions drawn from `seed`, of the size of a large parish or small cathedral church."""
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 101])))
    bay = float(rng.uniform(5.0, 5.6))
    half = float(rng.uniform(4.5, 5.0))
    bays = int(rng.integers(8, 10))
    length = bay * bays
    azimuth, altitude = rng.uniform(0.7, 1.1), rng.uniform(0.62, 0.72)
    return Form(
        bays=float(bays),
        bay=bay,
        half=half,
        wall=1.0,
        aisle=4.3,
        length=length,
        arcade_spring=5.0,
        arcade_half=bay / 2 - 0.62,
        arcade_r=(bay / 2 - 0.62) * 1.9,
        trif_sill=9.75,
        trif_spring=10.9,
        trif_half=0.46,
        clere_sill=13.1,
        clere_spring=15.5,
        clere_half=1.3,
        vault_spring=13.4,
        vault_k=1.6,
        aisle_spring=5.9,
        light_sill=2.3,
        light_spring=4.7,
        light_half=1.1,
        rose_z=13.3,
        rose_r=3.5,
        petals=float(rng.choice([12, 16])),
        lancet_sill=3.4,
        lancet_spring=7.4,
        lancet_half=0.52,
        lancet_pitch=1.7,
        pier_r=0.55,
        screen_y=bay * (bays - 2),
        chair_first=bay * 1.1,
        chair_last=bay * (bays - 2) - 3.0,
        seed=float(seed % 65536),
        glass=glass,
        sun_x=float(np.sin(azimuth) * np.cos(altitude)),
        sun_y=float(-np.cos(azimuth) * np.cos(altitude)),
        sun_z=float(np.sin(altitude)),
        sun=sun,
        lamp_x=-half + 0.6,
        lamp_y=length - bay * 1.5,
        lamp_z=4.2,
        lamp=lamp,
    )
