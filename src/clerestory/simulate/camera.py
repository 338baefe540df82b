"""Bodies and lenses that do not exist: what the simulator photographs with."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Distortion
from clerestory.camera.noise import NoiseModel

# Linear Rec. 2020 (D65) to CIE XYZ, ITU-R BT.2020 primaries.
REC2020_TO_XYZ = np.array(
    [
        [0.6369580, 0.1446169, 0.1688810],
        [0.2627002, 0.6779981, 0.0593017],
        [0.0000000, 0.0280727, 1.0609851],
    ]
)

# The invented sensor: a normal curve over wavelength for each channel, as (middle nm, standard deviation nm, height
# over green's). Middles and widths are of the usual kind of silicon under dyes and come from no camera; the heights
# were set so that daylight asks for about twice the red and 1.6 times the blue.
SENSITIVITIES = ((600.0, 28.0, 0.68), (542.0, 34.0, 1.0), (452.0, 24.0, 0.875))
# CIE 1931 2-degree observer as sums of skewed normal curves: Wyman, Sloan and Shirley, "Simple Analytic
# Approximations to the CIE XYZ Color Matching Functions", JCGT 2 (2), 2013, table 1 (multi-lobe): height, middle nm,
# 1 / width below and above it. From memory; the tests hold the sums against the CIE table.
_OBSERVER = (
    ((1.056, 599.8, 0.0264, 0.0323), (0.362, 442.0, 0.0624, 0.0374), (-0.065, 501.1, 0.0490, 0.0382)),
    ((0.821, 568.8, 0.0213, 0.0247), (0.286, 530.9, 0.0613, 0.0322)),
    ((1.217, 437.0, 0.0845, 0.0278), (0.681, 459.0, 0.0385, 0.0725)),
)
# A 6 x 6 pattern as such sensors have it: five greens, two reds and two blues in every 3 x 3, all three in every
# row and column. From memory of public decoders' tables.
SIX = ((1, 2, 1, 1, 0, 1), (0, 1, 0, 2, 1, 2), (1, 2, 1, 1, 0, 1), (1, 0, 1, 1, 2, 1), (2, 1, 2, 0, 1, 0),
       (1, 0, 1, 1, 2, 1))  # fmt: skip
_D65_WHITE = (0.95047, 1.0, 1.08883)  # CIE XYZ of D65, 2-degree observer (IEC 61966-2-1)


def observer(nanometres: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1931 2-degree colour matching functions at N wavelengths: N x 3, within 0.025 of the table."""
    out = np.zeros((len(nanometres), 3))
    for channel, lobes in enumerate(_OBSERVER):
        for height, middle, below, above in lobes:
            off = nanometres - middle
            out[:, channel] += height * np.exp(-0.5 * (off * np.where(off < 0, below, above)) ** 2)
    return out


def sensitivities(nanometres: NDArray[np.float64]) -> NDArray[np.float64]:
    """The invented sensor's response to equal energy at N wavelengths: N x 3, 1 where green is highest."""
    middle, width, height = np.array(SENSITIVITIES).T
    out: NDArray[np.float64] = height * np.exp(-0.5 * ((nanometres[:, None] - middle) / width) ** 2)
    return out


def colour_matrix() -> tuple[tuple[float, float, float], ...]:
    """XYZ to camera, 3 x 3, as the DNG specification's ColorMatrix: D65 white of Y = 1 gives 1 in green.

    No filters of dye meet the Luther condition (that a camera's curves are sums of the observer's), so this is the
    least-squares answer: the three sums of the observer's curves that lie nearest the sensor's, all wavelengths from
    380 to 780 nm counting alike. Written in ten-thousandths, as cameras' matrices are.
    """
    grid = np.arange(380.0, 781.0, 5.0)
    matrix = np.linalg.lstsq(observer(grid), sensitivities(grid), rcond=None)[0].T
    rows = np.round(matrix / (matrix[1] @ _D65_WHITE), 4).tolist()
    return tuple((float(r[0]), float(r[1]), float(r[2])) for r in rows)


XYZ_TO_CAMERA = colour_matrix()


@dataclass(frozen=True)
class Lens:
    """A lens. `vignetting` is k0..k4 of the DNG specification's FixVignetteRadial opcode: the gain
    1 + k0 r^2 + ... + k4 r^10 that mends it, r = 1 at the farthest corner. `stabiliser_stops`: what a maker
    rates its stabiliser by CIPA DC-011 (before it DC-X011). `glare`: share of the light that it scatters widely.
    """

    name: str = "Thistledown 11-84 mm f/4"
    focal_mm: tuple[float, float] = (11.0, 84.0)
    widest_f: float = 4.0
    distortion: Distortion = field(default=Distortion((1.0, -0.028, 0.006, 0.0)))
    vignetting: tuple[float, float, float, float, float] = (0.32, 0.22, 0.06, 0.0, 0.0)
    stabiliser_stops: float = 4.0
    glare: float = 0.0

    def falloff(self, r2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Light (...) that reaches the sensor, as a share of that on the axis, at squared radii `r2` (...)."""
        gain = np.ones_like(r2)
        for power, k in enumerate(self.vignetting, 1):
            gain = gain + k * r2**power
        out: NDArray[np.float64] = 1 / gain
        return out


@dataclass(frozen=True)
class SimulatedCamera:
    """A camera body. Raw units count from `black`; saturation is at `white`.

    `full_well`: electrons at saturation at `base_iso`; `read_electrons`: read noise before the amplifier;
    `read_units`: read noise after it, in raw units; `prnu`: pixel response non-uniformity as a share of signal;
    `row_units`: standard deviation of a row's offset, raw units; `hot_share`: share of pixels stuck high.
    `level_error`: standard deviation in degrees of the level sensor; None when the body writes none. `filters`: what
    lies over the pixels: RGGB, a 6 x 6 pattern, nothing ('mono'), or red, green and blue all at each ('linear').
    """

    maker: str = "Thistledown"
    model: str = "Thistledown Verger"
    serial: str = "TV-30517-K"
    sensor_mm: tuple[float, float] = (17.3, 13.0)
    width: int = 5248
    height: int = 3936
    bits: int = 12
    black: int = 256
    white: int = 4095
    base_iso: float = 200.0
    full_well: float = 25500.0
    read_electrons: float = 1.7
    read_units: float = 0.55
    xyz_to_camera: tuple[tuple[float, float, float], ...] = XYZ_TO_CAMERA
    prnu: float = 0.0
    row_units: float = 0.0
    hot_share: float = 0.0
    level_error: float | None = 0.5
    filters: Literal["bayer", "6x6", "mono", "linear"] = "bayer"

    @property
    def pattern(self) -> tuple[tuple[int, ...], ...] | None:
        """The filters' cell, 0 red, 1 green, 2 blue; None without filters."""
        return {"bayer": ((0, 1), (1, 2)), "6x6": SIX}.get(self.filters)

    @property
    def range(self) -> int:
        """Raw units from black to saturation."""
        return self.white - self.black

    @property
    def pixel_mm(self) -> float:
        """Width of one pixel."""
        return self.sensor_mm[0] / self.width

    def intrinsics(self, focal_mm: float, lens: Lens | None = None) -> Camera:
        """The camera model of this body at one focal length, with a perfect lens or one of these."""
        bends = None if lens is None else lens.distortion
        return Camera.of(self.width, self.height, focal_mm, self.sensor_mm[0], bends)

    @property
    def rec2020_to_camera(self) -> NDArray[np.float64]:
        """3 x 3: linear Rec. 2020 to camera colour, scaled so that white (1, 1, 1) gives 1 in green."""
        m = np.array(self.xyz_to_camera) @ REC2020_TO_XYZ
        out: NDArray[np.float64] = m / m[1].sum()
        return out

    @property
    def neutral(self) -> tuple[float, float, float]:
        """What the camera records of D65 white, green = 1 (the DNG AsShotNeutral of daylight)."""
        r, g, b = (float(v) for v in self.rec2020_to_camera.sum(axis=1))
        return r, g, b

    def gain(self, iso: float) -> float:
        """Raw units per electron."""
        return self.range / self.full_well * iso / self.base_iso

    def noise_model(self, iso: float) -> NoiseModel:
        """The noise in the file, raw units; quantisation (1/12 of a squared unit, EMVA 1288) counts as read noise."""
        g = self.gain(iso)
        read = math.sqrt((self.read_electrons * g) ** 2 + self.read_units**2 + self.row_units**2 + 1 / 12)
        return NoiseModel((g, g, g, g), (read, read, read, read))
