"""Clipped glass: colours against published reflectances used as glass."""

from __future__ import annotations

import warnings

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop import highlights
from clerestory.develop.colour import XYZ_FROM_WORKING, working_from_camera
from light_frames import BALANCE, MATRIX, wall

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import colour

CEILING = np.array(BALANCE, np.float32)


def chips(*names: str) -> NDArray[np.float64]:
    """Balanced camera RGB of chips of the ColorChecker 24 after November 2014 (X-Rite), from colour-science."""
    checker = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    found = {k.lower(): np.asarray(v) for k, v in checker.data.items()}
    xyz = np.array([colour.xyY_to_XYZ(found[n]) for n in names])
    d65 = np.array([0.3127 / 0.3290, 1.0, 0.3583 / 0.3290])
    adapted = colour.chromatic_adaptation(xyz, colour.xy_to_XYZ(checker.illuminant), d65, method="Von Kries")
    camera = adapted @ np.linalg.inv(XYZ_FROM_WORKING).T @ np.linalg.inv(working_from_camera(MATRIX)).T
    return np.maximum(camera, 0.004)


def lab(rgb: NDArray[np.floating]) -> NDArray[np.float64]:
    xyz = np.asarray(rgb, float) @ working_from_camera(MATRIX).T @ XYZ_FROM_WORKING.T
    return np.asarray(colour.XYZ_to_Lab(np.maximum(xyz, 1e-6), (0.3127, 0.3290)))


def hue_error(a: NDArray[np.floating], b: NDArray[np.floating]) -> NDArray[np.float64]:
    hues = [np.degrees(np.arctan2(v[..., 2], v[..., 1])) for v in (lab(a), lab(b))]
    return np.abs((hues[0] - hues[1] + 180) % 360 - 180)


def pane(
    glass: NDArray[np.float64], light: float, noise: float = 0.01
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """One pane in its lead, lit `light` times green's saturation in its brightest channel; seen, and the truth.

    Two thirds of its height are lit so, the rest half a stop less than clips anything.
    """
    rng = np.random.default_rng(3)
    level = light * float(CEILING[np.argmax(glass / CEILING)]) * glass / glass.max()
    y = np.linspace(0, 1, 48)[:, None, None]
    shade = np.where(y < 0.66, 1.0, 0.65 * float((CEILING / level).min()))
    truth = np.broadcast_to(level * shade, (48, 48, 3)).copy()
    truth[:, :4] = truth[:, -4:] = truth[:4] = truth[-4:] = 0.002
    truth = cv2.GaussianBlur(truth, (0, 0), 1.0)
    seen = truth * (1 + noise * rng.standard_normal(truth.shape))
    return np.minimum(seen, CEILING).astype(np.float32), truth


def test_glass_that_lost_two_channels_keeps_its_hue() -> None:
    """Median over the lit part of a pane within 15 degrees, and no more chroma than 1.2 times the truth's.

    Deep purplish blues, of which blue is more than a stop beyond clipping, come out paler and up to 27 degrees off.
    """
    inner = (slice(8, 28), slice(8, -8))
    for glass in chips("yellow", "orange yellow", "cyan", "bluish green"):
        seen, truth = pane(glass, 2.0)
        assert ((seen[inner] > 0.95 * CEILING).mean(axis=(0, 1)) > 0.9).sum() == 2
        rebuilt = highlights.reconstruct_highlights(seen.copy(), CEILING)[inner]
        assert np.median(hue_error(rebuilt, truth[inner])) < 15
        chroma = [float(np.median(np.hypot(*np.moveaxis(lab(v)[..., 1:], -1, 0)))) for v in (rebuilt, truth[inner])]
        assert chroma[0] < 1.2 * chroma[1]


def test_a_clipped_pane_is_as_even_as_an_unclipped_one() -> None:
    """Hue of neighbouring pixels differs at most twice as much as where nothing clips: no specks."""
    inner = (slice(8, 28), slice(8, -8))
    for glass in chips("blue", "yellow", "green", "red", "purplish blue"):
        for light in (1.02, 1.5, 2.0):
            seen, truth = pane(glass, light)
            whole = truth * (1 + 0.01 * np.random.default_rng(3).standard_normal(truth.shape))
            rebuilt = highlights.reconstruct_highlights(seen.copy(), CEILING)
            off = [hue_error(v[inner][:, 1:], v[inner][:, :-1]).mean() for v in (rebuilt, whole)]
            assert off[0] < 2 * off[1]


def test_clipped_glass_does_not_go_magenta() -> None:
    """White glass whose green has clipped is white again; unclipped colours do not move at all."""
    light = np.linspace(0.5, 1.5, 400, dtype=np.float32)
    white = np.repeat(np.repeat(light[None, :, None], 64, 0), 3, 2)
    clipped = np.minimum(white, CEILING)
    rebuilt = highlights.reconstruct_highlights(clipped.copy(), CEILING)
    assert np.abs(clipped[..., 1] / clipped[..., 0] - 1).max() > 0.3
    assert np.abs(rebuilt[..., 1] / rebuilt[..., 0] - 1).max() < 0.02
    stone = wall() * np.float32(0.5)
    assert np.array_equal(highlights.reconstruct_highlights(stone.copy(), CEILING), stone)


def test_two_clipped_channels_tell_white_from_yellow() -> None:
    """Yellow stays told from white, though no unclipped glass near by says so."""
    seen = np.array([[[1.85, 1.0, 1.6], [2.0, 1.0, 0.3], [2.0, 1.0, 1.6]]], np.float32).repeat(40, 0).repeat(8, 1)
    white, yellow, lost = highlights.reconstruct_highlights(seen, CEILING)[20, 4::8]
    assert np.ptp(white) < 0.05 and np.ptp(lost) < 0.05
    assert yellow[1] > 1.15 and yellow[2] / yellow[1] < 0.5
