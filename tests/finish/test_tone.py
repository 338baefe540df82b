"""Tone: monotone, no halo, no hue moved, texture kept, nothing beyond what noise allows."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clerestory.camera.noise import NoiseModel
from clerestory.develop.colour import LUMINANCE, XYZ_FROM_WORKING
from clerestory.finish import tone
from light_frames import model, wall

NATURAL = tone.ToneSettings(3.0, 5.0, 1.0, 0.15)


def _flat(level: float) -> np.ndarray:
    return np.full((24, 32, 3), level, np.float32)


@settings(max_examples=25, deadline=None)
@given(
    hold=st.floats(0, 8),
    lift=st.floats(0, 5),
    exposure=st.floats(-3, 6),
    low=st.floats(-14, 4),
    step=st.floats(0.05, 4),
)
def test_brighter_never_comes_out_darker(hold: float, lift: float, exposure: float, low: float, step: float) -> None:
    """On a constant picture, for any settings; and the result is within 0 to 1."""
    look = tone.ToneSettings(exposure, hold, lift, 0.2)
    a, b = (float(tone.apply(_flat(2.0**v), look)[8, 8, 1]) for v in (low, low + step))
    assert 0 <= a <= b <= 1


@pytest.mark.parametrize("width", [1200, 5248])
def test_no_halo_at_a_window_eight_stops_above_the_wall(width: int) -> None:
    """Overshoot under 2 % of the level on either side, three pixels from the edge on."""
    row = np.full((width // 8, width), 0.02, np.float32)
    edge = int(0.7 * width)
    row[:, edge:] *= 2**8
    rgb = np.repeat(cv2.GaussianBlur(row, (0, 0), 0.6)[..., None], 3, axis=2)
    for look in (NATURAL, tone.judge(rgb)):
        out = tone.apply(rgb, look)[rgb.shape[0] // 2, :, 1]
        assert np.abs(out[: edge - 3] / out[5] - 1).max() < 0.02
        assert np.abs(out[edge + 3 :] / out[-5] - 1).max() < 0.02
        assert out[-5] > 2 * out[5]


def _lattice(width: int, lead: int, far: int) -> tuple[np.ndarray, np.ndarray]:
    """A window eight stops above the wall, panes between leads, up to column `far`; and where its outline runs."""
    y, x = np.mgrid[: width // 4, :width]
    outer = (x >= int(0.7 * width)) & (x < far)
    bars = ((x - int(0.7 * width)) % (6 * lead) >= 5 * lead) | (y % (6 * lead) >= 5 * lead)
    row = np.where(outer & ~bars, np.float32(0.02 * 2**8), np.float32(0.02))
    return np.repeat(cv2.GaussianBlur(row, (0, 0), 0.6)[..., None], 3, axis=2), outer


@pytest.mark.parametrize("lead", [2, 5, 12])
@pytest.mark.parametrize("far", [0.9, 1.0])
def test_no_halo_at_a_window_of_leads(lead: int, far: float) -> None:
    """On the wall, three pixels away and more, under 2 %; also where the window runs to the frame's edge."""
    rgb, outer = _lattice(1200, lead, int(far * 1200))
    away = cv2.dilate(outer.astype(np.uint8), np.ones((7, 7))) == 0
    for look in (NATURAL, tone.judge(rgb)):
        out = tone.apply(rgb, look)[..., 1]
        assert np.abs(out[away] / out[150, 5] - 1).max() < 0.02
        assert np.median(out[outer]) > 2 * out[150, 5]


def test_glass_keeps_its_contrast_and_leads_stay_dark_while_the_window_is_held() -> None:
    """Panes that differ by a stop still do by more than half of one, and leads are no lighter than the wall."""
    rgb, outer = _lattice(1200, 5, 1080)
    rgb[:, 960:] *= np.where(outer[:, 960:, None], np.float32(0.5), np.float32(1))
    out = np.log2(tone.apply(rgb, tone.judge(rgb))[..., 1])
    panes = outer & (rgb[..., 1] > 2)
    light, dark = (np.median(out[:, part][panes[:, part]]) for part in (np.s_[850:950], np.s_[970:1070]))
    assert 0.5 < light - dark < 1.1
    assert np.median(out[outer & (rgb[..., 1] < 0.03)]) < out[150, 5]


def test_window_hold_darkens_every_pixel_steadily() -> None:
    """From 0 to 8 no pixel of a window, its leads or the wall ever grows lighter, and none jumps."""
    rgb = wall(240, 320) * np.float32(4)
    rgb[60:140, 40:120] = 8.0 * np.random.default_rng(5).uniform(0.05, 1, (80, 80, 3)).astype(np.float32)
    rgb[60:140, 40:120:10] = 0.05
    layers = tone.layers_of(rgb)
    shown = [tone.apply(rgb, tone.ToneSettings(3.0, h, 0.5, 0.15), layers=layers) for h in np.arange(0, 8.05, 0.1)]
    light = np.stack([v @ np.array([0.2627, 0.6780, 0.0593], np.float32) for v in shown])
    assert np.diff(light, axis=0).max() < 2e-6
    assert np.diff(light, axis=0).min() > -0.06


def _oklab(rgb: np.ndarray) -> np.ndarray:
    """Lightness, a, b of Oklab (Ottosson 2020, matrices from memory)."""
    to_lms = np.array(
        [
            [0.8189330101, 0.3618667424, -0.1288597137],
            [0.0329845436, 0.9293118715, 0.0361456387],
            [0.0482003018, 0.2643662691, 0.6338517070],
        ]
    )
    to_lab = np.array(
        [
            [0.2104542553, 0.7936177850, -0.0040720468],
            [1.9779984951, -2.4285922050, 0.4505937099],
            [0.0259040371, 0.7827717662, -0.8086757660],
        ]
    )
    return np.cbrt(rgb @ XYZ_FROM_WORKING.T @ to_lms.T) @ to_lab.T


def _oklab_hue(rgb: np.ndarray) -> np.ndarray:
    """Hue angle in degrees in Oklab."""
    lab = _oklab(rgb)
    return np.degrees(np.arctan2(lab[..., 2], lab[..., 1]))


def test_colour_of_glass_is_kept_over_three_stops() -> None:
    """Hue moves under 2 degrees in Oklab, and no channel is driven into the ceiling."""
    glass = np.array([[0.6, 0.05, 0.04], [0.05, 0.1, 0.6], [0.1, 0.4, 0.12], [0.5, 0.4, 0.06], [0.3, 0.05, 0.4]])
    rgb = np.repeat(np.repeat(glass[None], 40, 0), 8, 1).astype(np.float32)
    for stops in (-3.0, 0.0, 3.0):
        out = tone.apply(rgb * np.float32(2**stops), tone.ToneSettings(1.0, 4.0, 0.0, 0.15))
        turn = np.abs((_oklab_hue(out) - _oklab_hue(rgb) + 180) % 360 - 180)
        assert turn.max() < 2.0
        assert out.max() < 1.0


def test_dim_window_beside_a_bright_one_is_shown_paler_in_its_own_hue() -> None:
    """Three stops dimmer and shown nearly as light: less chroma for its lightness, the hue within 2 degrees. Alone in
    the picture it keeps all of its colour, and so does the wall in either."""
    colours = np.array([[0.6, 0.2, 0.15], [0.2, 0.3, 0.6], [0.25, 0.5, 0.3], [0.5, 0.4, 0.2]])
    rgb = np.full((400, 1200, 3), 0.02, np.float32) * np.array([1.2, 1, 0.8], np.float32)
    dim = np.s_[100:300, 800:1000]
    rgb[dim] = np.repeat(np.repeat(colours, 50, 0)[:, None], 200, 1) * 2
    alone = rgb.copy()
    rgb[100:300, 200:400] = 10.0
    look, kept = tone.judge(rgb), {}
    for name, scene in (("beside", rgb), ("alone", alone)):
        lab, own = _oklab(tone.apply(scene, look)), _oklab(scene)
        share = [np.hypot(v[..., 1], v[..., 2]) / v[..., 0] for v in (lab, own)]
        kept[name] = (share[0] / share[1])[110:290, 820:980]
        assert np.allclose((share[0] / share[1])[:, 500:700], 1, atol=1e-3)
        turn = (_oklab_hue(tone.apply(scene, look)) - _oklab_hue(scene) + 180) % 360 - 180
        assert np.abs(turn[110:290, 820:980]).max() < 2
    assert kept["beside"].min() > 0.6 and kept["beside"].max() < 0.9
    assert kept["alone"].min() > 0.97


def test_gilded_wall_that_a_window_lights_keeps_its_gold() -> None:
    """Two stops over the stone, a cornice in it three, and no glass near by: it is shown with all of its chroma. Seen
    on the Memorial Church (Debevec and Malik 1997), whose gilded mosaics came out grey."""
    rgb = np.full((600, 900, 3), 0.01, np.float32) * np.array([1.1, 1, 0.85], np.float32)
    rgb[80:240, 60:160] = 2.5
    rgb[300:520, 480:840] = np.array([0.052, 0.04, 0.018], np.float32)
    rgb[290:310, 480:840] *= 2.2
    share = []
    for v in (tone.apply(rgb, tone.judge(rgb)), rgb):
        lab = _oklab(v)[320:500, 500:820]
        share.append((np.hypot(lab[..., 1], lab[..., 2]) / lab[..., 0]).mean())
    assert 0.97 < share[0] / share[1] < 1.03


def test_walls_away_from_windows_are_not_dimmed_for_them() -> None:
    """Stone held back for a window is shown darker, but the walls far from it not under L* 35 (CIELAB)."""
    rgb = np.full((480, 720, 3), 0.01, np.float32) * np.array([1.1, 1, 0.8], np.float32)
    rgb[:, 380:] *= 2.5
    rgb[100:300, 560:680] = 8.0
    far = tone.apply(rgb, tone.judge(rgb))[:, :360] @ LUMINANCE
    assert 116 * np.cbrt(np.median(far)) - 16 > 35


def test_texture_of_stone_is_kept_while_the_window_is_held() -> None:
    """Local contrast of stone (deviation of log2) within 0.75 to 1.4 of the scene's: least where it is lit."""
    rgb = wall(360, 480)
    rgb[100:200, 50:150] = 8.0
    out = tone.apply(rgb, tone.judge(rgb))
    for part in (np.s_[220:340, 200:300], np.s_[220:340, 340:460]):
        scene, shown = (np.log2(v[part][..., 1]) for v in (rgb, out))
        scene, shown = (v - cv2.GaussianBlur(v, (0, 0), 8) for v in (scene, shown))
        assert 0.75 < shown.std() / scene.std() < 1.4


def test_shade_is_lifted_only_as_far_as_noise_allows() -> None:
    quiet = tone.working_noise(NoiseModel((0.15,) * 4, (0.6,) * 4), 3839, (2.0, 1.0, 1.6))
    loud = tone.working_noise(NoiseModel((9.6,) * 4, (20.0,) * 4), 3839, (2.0, 1.0, 1.6))
    assert tone.shade_limit(quiet, 1.0) > 2.0 > 0.5 > tone.shade_limit(loud, 3.0)
    rgb = wall(120, 160)
    look = tone.ToneSettings(2.0, 2.0, 4.0)
    assert tone.apply(rgb, look, loud).mean() < tone.apply(rgb, look, quiet).mean()


def test_working_noise_is_what_a_neutral_patch_shows() -> None:
    """Against samples: luminance of balanced raw values, one of R and B and the mean of two greens."""
    noise, level, rng = model(1600), 0.1, np.random.default_rng(3)
    found = tone.working_noise(noise, 3839, (2.0, 1.0, 1.6)).deviation(level)
    parts = []
    for k, m in ((0, 2.0), (1, 1.0), (2, 1.0), (3, 1.6)):
        photons = rng.poisson(level / m * 3839 / noise.gain[k], 50_000) * noise.gain[k]
        parts.append((photons + rng.normal(0, noise.read[k], 50_000)) * m)
    r, g1, g2, b = parts
    luminance = (0.2627 * r + 0.6780 * (g1 + g2) / 2 + 0.0593 * b) / 3839
    assert found == pytest.approx(luminance.std(), rel=0.03)


def test_dull_and_dark_pictures_have_settings() -> None:
    assert tone.judge(np.zeros((50, 60, 3), np.float32)) == tone.ToneSettings()
    assert 0.05 < tone.apply(_flat(1e-3), tone.judge(_flat(1e-3))).mean() < 0.4
