"""Two calibrations of one camera against the specification's reckoning, done again by colour-science."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import colour
import numpy as np
import pytest
from numpy.typing import NDArray

import clerestory as cl
from clerestory.develop.colour import XYZ_FROM_WORKING
from clerestory.develop.white_balance import kelvin_green_magenta_of, multipliers_for
from clerestory.files.tiff import RATIONAL, SHORT, SRATIONAL, numbers, rationals
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.raw.read import read_mosaic
from clerestory.simulate.camera import sensitivities

Array = NDArray[np.float64]
SHAPE = colour.SpectralShape(380, 780, 5)
OBSERVER = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(SHAPE).values
CHART = [sd.copy().align(SHAPE).values for sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].values()]
D50 = colour.xy_to_XYZ(colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D50"])
CALIBRATION = (np.diag([1.02, 1.0, 0.97]), np.diag([0.99, 1.0, 1.03]))
BALANCE = np.array([1.1, 1.0, 0.95])
SIDE = 32


def seen(light: str) -> tuple[Array, Array]:
    """The chart's patches, a white last, under a light: XYZ with Y of white 1, and what the sensor records."""
    power = colour.SDS_ILLUMINANTS[light].copy().align(SHAPE).values
    spectra = np.array([*CHART, np.ones_like(power)]) * power
    xyz = spectra @ OBSERVER / (power @ OBSERVER[:, 1])
    camera = spectra @ sensitivities(SHAPE.wavelengths) / (power @ sensitivities(SHAPE.wavelengths)[:, 1])
    return xyz, camera @ np.diag(BALANCE)


def calibrated(light: str, calibration: Array) -> tuple[Array, Array]:
    """ColorMatrix and ForwardMatrix by least squares on the chart."""
    xyz, camera = seen(light)
    plain = camera @ np.linalg.inv(np.diag(BALANCE) @ calibration).T
    matrix = np.linalg.lstsq(xyz, plain, rcond=None)[0].T
    forward = np.linalg.lstsq(plain / plain[-1], seen("D50")[0], rcond=None)[0].T
    forward *= (D50 / forward.sum(axis=1))[:, None]
    return np.round(matrix, 4), np.round(forward, 4)


PAIRS = [calibrated(light, c) for light, c in zip(("A", "D65"), CALIBRATION, strict=True)]


def written(path: Path, light: str, forward: bool) -> Path:
    """The chart photographed: patches side by side, darker downwards, since even ones look clipped."""
    camera = seen(light)[1]
    values = np.linspace(0.8, 0.4, SIDE * 4)[:, None, None] * np.repeat(camera[None], SIDE, axis=1) / camera.max()
    tags = [numbers(50779, SHORT, 21), rationals(50727, RATIONAL, *BALANCE),
            rationals(50722, SRATIONAL, *PAIRS[1][0].ravel())]  # fmt: skip
    for k in range(2):
        tags.append(rationals(50723 + k, SRATIONAL, *CALIBRATION[k].ravel()))
        if forward:
            tags.append(rationals(50964 + k, SRATIONAL, *PAIRS[k][1].ravel()))
    first = [tuple(row) for row in PAIRS[0][0]]
    neutral = camera[-1] / camera[-1].max()
    names, levels = ("Thistledown", "Verger", "1", "none", datetime(2027, 4, 20)), (256, 65535)
    meta = DngMeta(*names, 1 / 30, 4.0, 100.0, 12.0, 24.0, *levels, first, (neutral[0], neutral[1], neutral[2]),
                   (17.3, 13.0), illuminant=17, more=tags)  # fmt: skip
    write_dng(path, np.rint(256 + values * (65535 - 256)).astype(np.uint16), meta)
    return path


def specified(camera: Array, forward: bool) -> Array:
    """XYZ under D50 as DNG 1.4, chapter 6, reckons it; temperatures by Robertson (1968), as its annexes do."""
    neutral, kelvins, xy = camera[-1], (2856.0, 6504.0), np.array([0.3457, 0.3585])
    for _ in range(40):
        kelvin = colour.temperature.uv_to_CCT_Robertson1968(colour.xy_to_UCS_uv(xy))[0]
        share = np.clip((1 / kelvin - 1 / kelvins[1]) / (1 / kelvins[0] - 1 / kelvins[1]), 0, 1)
        mean = [share * a + (1 - share) * b for a, b in ((PAIRS[0][0], PAIRS[1][0]), CALIBRATION)]
        reference = np.diag(BALANCE) @ mean[1]
        xyz = np.linalg.inv(reference @ mean[0]) @ neutral
        xy = colour.XYZ_to_xy(xyz)
    if forward:
        between = share * PAIRS[0][1] + (1 - share) * PAIRS[1][1]
        back = np.linalg.inv(reference)
        matrix = between @ np.diag(1 / (back @ neutral)) @ back
    else:
        adapted = colour.adaptation.matrix_chromatic_adaptation_VonKries(xyz / xyz[1], D50, transform="Bradford")
        matrix = adapted @ np.linalg.inv(reference @ mean[0])
    out = camera @ matrix.T
    return np.asarray(out / out[-1, 1])


@pytest.mark.parametrize("forward", [True, False])
@pytest.mark.parametrize("light", ["A", "D50", "D65"])
def test_a_charts_colours_are_the_specifications(light: str, forward: bool, tmp_path: Path) -> None:
    """ISO 17321-1's published reflectances under CIE's lights: within 2 CIEDE2000 of the specification's own."""
    path = written(tmp_path / "a.dng", light, forward)
    rgb = cl.linear_rgb(path)[16:-16].reshape(-1, len(CHART) + 1, SIDE, 3)[:, :, 10:-10].mean(axis=(0, 2))
    xyz = rgb @ XYZ_FROM_WORKING.T
    back = colour.adaptation.matrix_chromatic_adaptation_VonKries(
        XYZ_FROM_WORKING.sum(axis=1), D50, transform="Bradford"
    )
    ours = xyz @ back.T / xyz[-1, 1]
    white = colour.XYZ_to_xy(D50)
    lab = [colour.XYZ_to_Lab(v, white) for v in (ours, specified(seen(light)[1], forward))]
    assert colour.delta_E(*lab, method="CIE 2000").max() < 2
    # And as the chart is under D50, as near as three filters come to it: a light wrongly met would be far off.
    true = colour.XYZ_to_Lab(seen("D50")[0], white)
    assert np.median(colour.delta_E(lab[0], true, method="CIE 2000")) < 4


def test_a_temperature_asked_for_is_met_by_the_matrix_of_that_light(tmp_path: Path) -> None:
    profile = read_mosaic(written(tmp_path / "a.dng", "D50", False)).colours
    assert profile is not None
    for light, kelvin in (("A", 2856), ("D65", 6504)):
        neutral = seen(light)[1][-1]
        asked = multipliers_for(kelvin, 0.0, profile)
        np.testing.assert_allclose(asked, neutral[1] / neutral, rtol=0.03)
        assert kelvin_green_magenta_of(asked, profile)[0] == pytest.approx(kelvin, rel=0.01)
