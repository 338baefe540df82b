"""Bodies and lenses that do not exist: what the simulator photographs with."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

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
# An invented sensor's response, XYZ to camera, of the usual kind: red and blue weaker than green.
XYZ_TO_CAMERA = (
    (0.7687, -0.1984, -0.0606),
    (-0.4327, 1.1928, 0.2721),
    (-0.1181, 0.2066, 0.5812),
)


@dataclass(frozen=True)
class Lens:
    """A lens. `vignetting` is k0..k4 of the DNG specification's FixVignetteRadial opcode: the gain
    1 + k0 r^2 + ... + k4 r^10 that mends it, r = 1 at the farthest corner. `stabiliser_stops` as CIPA DC-X011 rates.
    """

    name: str = "Thistledown 12-100 mm f/4"
    focal_mm: tuple[float, float] = (12.0, 100.0)
    widest_f: float = 4.0
    distortion: Distortion = field(default=Distortion((1.0, -0.028, 0.006, 0.0)))
    vignetting: tuple[float, float, float, float, float] = (0.32, 0.22, 0.06, 0.0, 0.0)
    stabiliser_stops: float = 4.0

    def falloff(self, r2: NDArray[np.float64]) -> NDArray[np.float64]:
        """Light that reaches the sensor, as a share of that on the axis, at squared radius `r2`."""
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
    `level_error`: standard deviation in degrees of the level sensor; None when the body writes none.
    """

    maker: str = "Thistledown"
    model: str = "Thistledown Verger II"
    serial: str = "TV2-004172"
    sensor_mm: tuple[float, float] = (17.3, 13.0)
    width: int = 5184
    height: int = 3888
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
