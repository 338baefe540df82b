"""White balance against CIE tables and colour-science."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
import pytest

from clerestory.develop import white_balance as white
from clerestory.develop.colour import XYZ_FROM_WORKING, working_from_camera
from clerestory.finish import source as light
from clerestory.simulate.camera import XYZ_TO_CAMERA

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

CAMERA = np.array(XYZ_TO_CAMERA)
D65 = (0.3127, 0.3290)


@pytest.mark.parametrize("kelvin, xy", [(5003, (0.34567, 0.35850)), (5503, (0.33242, 0.34743)), (6504, D65)])
def test_daylight_locus_meets_the_cie_illuminants(kelvin: float, xy: tuple[float, float]) -> None:
    """D50, D55, D65 of CIE 15."""
    assert white.light_xy(kelvin) == pytest.approx(xy, abs=2e-4)


@pytest.mark.parametrize("kelvin", [2000.0, 2700.0, 3400.0])
def test_warm_lights_lie_on_the_planckian_locus(kelvin: float) -> None:
    """Correlated colour temperature and distance from the locus as colour-science's Ohno 2013 method finds them."""
    uv = colour.xy_to_UCS_uv(np.array(white.light_xy(kelvin)))
    found, off = colour.temperature.uv_to_CCT_Ohno2013(uv)
    assert found == pytest.approx(kelvin, rel=0.01)
    assert abs(off) < 1e-3


@pytest.mark.parametrize("kelvin, green_magenta", [(2700, 0), (4300, 10), (5500, -8), (9000, 3)])
def test_kelvin_and_green_magenta_come_back(kelvin: float, green_magenta: float) -> None:
    found = white.kelvin_green_magenta_of(white.multipliers_for(kelvin, green_magenta, CAMERA), CAMERA)
    assert found == pytest.approx((kelvin, green_magenta), rel=1e-3, abs=0.1)


def _light(kelvin: float) -> np.ndarray:
    x, y = white.light_xy(kelvin)
    return CAMERA @ np.array([x / y, 1.0, (1 - x - y) / y])


def _stone(first: float, second: float) -> np.ndarray:
    """Camera RGB of grey stone lit from the left by one light and from the right by another, with coloured glass."""
    rng = np.random.default_rng(7)
    shade = np.exp2(cv2.GaussianBlur(rng.normal(0, 30, (240, 320)), (0, 0), 20) - 4)
    share = np.clip((np.linspace(0, 1, 320) - 0.3) / 0.4, 0, 1)[None, :, None]
    rgb = shade[..., None] * ((1 - share) * _light(first) + share * _light(second))
    rgb[60:120, 100:130] = rgb[60:120, 100:130] * 12 * np.array([1.0, 0.3, 0.1])
    rgb[180:, 40:90] *= np.array([1.0, 0.75, 0.5])  # wood
    return np.asarray(rgb * rng.normal(1, 0.02, rgb.shape), np.float32)


def _off_grey(rgb: np.ndarray) -> float:
    """Median CIEDE2000 of the stone from neutral of the same luminance (colour-science)."""
    seen = cv2.blur(rgb, (9, 9))[4:56:9, 4::9]  # as the eye sees it, not pixel by pixel
    xyz = (seen @ working_from_camera(CAMERA).T @ XYZ_FROM_WORKING.T).reshape(-1, 3)
    xyz = xyz * (0.3 / np.median(xyz[:, 1]))
    neutral = xyz[:, 1:2] * np.array([D65[0] / D65[1], 1.0, (1 - sum(D65)) / D65[1]])
    lab, grey = (colour.XYZ_to_Lab(np.clip(v, 0, None), D65) for v in (xyz, neutral))
    return float(np.median(colour.delta_E(lab, grey, method="CIE 2000")))


@pytest.mark.parametrize("kelvin", [2800.0, 5500.0, 7500.0])
def test_grey_stone_under_one_light(kelvin: float) -> None:
    rgb = _stone(kelvin, kelvin)
    assert _off_grey(rgb * np.array(white.estimate(rgb, CAMERA))) < 2.0


def test_grey_stone_under_two_lights() -> None:
    """Within 2 CIEDE2000 median once the mixed light is taken out; far off before."""
    rgb = _stone(6500, 2900)
    main = white.estimate(rgb, CAMERA)
    far = _off_grey(rgb * np.array(main))
    grid = cv2.resize(white.mixed_light(rgb, main, CAMERA), (320, 240), interpolation=cv2.INTER_LINEAR)
    assert far > 4.0
    assert _off_grey(rgb * np.array(main) * grid) < 2.0


def test_nothing_to_go_by() -> None:
    black = np.zeros((40, 60, 3), np.float32)
    assert white.estimate(black, CAMERA, as_shot=(1.9, 1.0, 1.5)) == (1.9, 1.0, 1.5)
    assert np.array_equal(white.mixed_light(black, (2.0, 1.0, 1.5), CAMERA)[..., 1], np.ones((16, 24)))


def test_mixed_light_is_laid_over_the_whole_frame() -> None:
    """Strip by strip as OpenCV enlarges a picture as a whole."""
    small = np.random.default_rng(1).uniform(0.5, 2, (18, 24, 3)).astype(np.float32)
    laid = light.under_mixed_light(np.ones((241, 322, 3), np.float32), small)
    whole = cv2.resize(small, (322, 241), interpolation=cv2.INTER_LINEAR)
    assert np.abs(laid - whole).max() < 2e-3
