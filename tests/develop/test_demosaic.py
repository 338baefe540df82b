"""Demosaic: against LibRaw's on open photographs; levels exact, noise about black not cut, every order of filters."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import skimage.data

from clerestory.develop.colour import balanced_values
from clerestory.develop.demosaic import demosaic, demosaiced, signal_of, small, small_of
from clerestory.develop.directional import Directional, _green
from clerestory.raw.read import Mosaic
from clerestory.raw.srgb import encoded, linear

CFA = np.array([[0, 1], [3, 2]], np.int8)


def mosaic_of(raw: np.ndarray, black: float = 256, white: float = 4095) -> Mosaic:
    """A mosaic with plain levels."""
    return Mosaic(raw.astype(np.uint16), CFA, np.full(4, black), np.full(4, white), None, None, None)


BALANCE = (2.0, 1.0, 1.6)


def photograph() -> np.ndarray:
    """Light, float32 400 x 600 x 3: "coffee" of scikit-image, by Rachel Michetti, CC0 (its data's README)."""
    return np.asarray(linear(skimage.data.coffee() / 255.0) * 0.9, np.float32)


def zone_plate() -> np.ndarray:
    """Grey rings, float32 256 x 256 x 3, from none in the middle to half a cycle a pixel at the edges."""
    y, x = np.mgrid[:256, :256] - 127.75
    return np.repeat((0.225 + 0.2 * np.cos(np.pi * 0.5 * (x * x + y * y) / 128))[..., None], 3, 2).astype(np.float32)


def filtered(light: np.ndarray, cfa: np.ndarray = CFA) -> np.ndarray:
    """What a sensor behind the filters sees of white-balanced light, 1 at saturation."""
    out = np.empty(light.shape[:2], np.float32)
    for (row, column), channel in np.ndenumerate(cfa):
        colour = (0, 1, 2, 1)[channel]
        out[row::2, column::2] = light[row::2, column::2, colour] / BALANCE[colour]
    return out


def made_of(seen: np.ndarray, method: str, cfa: np.ndarray = CFA) -> np.ndarray:
    """White-balanced colour by one way."""
    mosaic = Mosaic(np.zeros(seen.shape, np.uint16), cfa, np.zeros(4), np.ones(4), None, None, None)
    if method == "values":
        return demosaiced(seen, mosaic, BALANCE)[0]
    return balanced_values(demosaic(seen, mosaic, BALANCE, method))


def wrong(light: np.ndarray, made: np.ndarray) -> np.ndarray:
    """Errors, sRGB-encoded, eight pixels at the edge left out."""
    shown = [encoded(np.clip(v, 0, 1).astype(float))[8:-8, 8:-8] for v in (light, made)]
    return np.asarray(shown[1] - shown[0])


def decibels(light: np.ndarray, made: np.ndarray) -> float:
    """Peak signal to noise over all three colours."""
    return -10 * math.log10(float(np.mean(wrong(light, made) ** 2)))


def test_an_open_photograph_comes_back_closer_than_by_libraws_ways() -> None:
    light = photograph()
    seen = filtered(light)
    found = {way: decibels(light, made_of(seen, way)) for way in ("ahd", "dht", "directional", "values")}
    assert found["values"] > found["dht"] + 1.5 and found["values"] > found["ahd"] + 3, found
    assert abs(found["directional"] - found["values"]) < 0.01, "16 bits lose nothing"


@pytest.mark.parametrize("iso", [1600, 6400])
def test_a_noisy_photograph_comes_back_closer_than_by_libraws_ways(iso: int) -> None:
    """Noise by EMVA 1288's model, of a sensor of 3,200 electrons at ISO 1600 with 1.8 of read noise."""
    light, rng = photograph(), np.random.default_rng(2)
    full = 3200 * 1600 / iso
    seen = filtered(light)
    seen = ((rng.poisson(seen * full) + rng.normal(0, 1.8, seen.shape)) / full).astype(np.float32)
    found = {way: decibels(light, made_of(seen, way)) for way in ("ahd", "dht", "values")}
    assert found["values"] > max(found["ahd"], found["dht"]) + 0.3, found


def test_a_zone_plate_has_less_false_colour_than_by_libraws_ways() -> None:
    light = zone_plate()
    errors = [wrong(light, made_of(filtered(light), way)) for way in ("ahd", "dht", "values")]
    colour = [float(np.mean((e[..., ::2] - e[..., 1:2]) ** 2)) for e in errors]
    assert colour[2] < 0.7 * min(colour[:2])


@pytest.mark.parametrize("cfa", [[[0, 1], [3, 2]], [[1, 0], [2, 3]], [[3, 2], [0, 1]], [[2, 3], [1, 0]]])
def test_every_order_of_filters_gives_the_same_picture(cfa: list[list[int]]) -> None:
    """A picture mirrored so that its filters stand in the usual order, and back."""
    light, order = photograph()[104:240, 200:400], np.array(cfa, np.int8)
    row, column = (int(v) for v in np.argwhere(order == 0)[0])
    turn = (slice(None, None, -1 if row else 1), slice(None, None, -1 if column else 1))
    usual = made_of(np.ascontiguousarray(filtered(light, order)[turn]), "values")
    np.testing.assert_allclose(made_of(filtered(light, order), "values", order), usual[turn], atol=1e-4)


def test_bands_and_strips_leave_no_seam() -> None:
    seen = np.ascontiguousarray(filtered(photograph())[:200])
    gain = np.array([[2.0, 1.0], [1.0, 1.6]])
    found = Directional(seen, np.array([[0, 1], [1, 2]]), gain, np.array(BALANCE))
    alone = np.empty_like(seen)
    _green(0, 200, seen, found.gain, found.foot, found.top, found.first, alone)
    np.testing.assert_array_equal(found.green, alone)
    edges = (0, 3, 70, 71, 128, 200)
    strips = np.concatenate([found.rows(a, b) for a, b in pairwise(edges)])
    np.testing.assert_array_equal(found.rows(0, 200), strips)


def test_edges_are_about_as_good_as_the_inside() -> None:
    light = photograph()
    shown = [encoded(np.clip(v, 0, 1).astype(float)) for v in (light, made_of(filtered(light), "values"))]
    error = ((shown[1] - shown[0]) ** 2).mean(axis=2)
    rim = np.ones(error.shape, bool)
    rim[4:-4, 4:-4] = False
    assert error[rim].mean() < 2 * error[~rim].mean()


@pytest.mark.parametrize("size", [(2, 2), (4, 2), (2, 10), (7, 9), (30, 22)])
def test_small_frames_keep_a_plain_colour(size: tuple[int, int]) -> None:
    light = np.broadcast_to(np.array([0.5, 0.3, 0.2], np.float32), (*size, 3))
    made = made_of(filtered(light), "values")
    assert made.shape == (size[0] // 2 * 2, size[1] // 2 * 2, 3)
    np.testing.assert_allclose(made, light[: made.shape[0], : made.shape[1]], rtol=1e-4)


def test_a_clipped_pane_stays_even() -> None:
    """Green lost all over it, red and blue textured: none of that shows in green."""
    light = photograph()[100:228, 200:400] * np.array([1.0, 0.0, 1.0], np.float32) + np.array([0, 1, 0], np.float32)
    made = made_of(filtered(np.minimum(light, 1)), "values")
    assert np.abs(made[..., 1] - 1).max() < 1e-4 and made[..., 0].std() > 0.1


def test_what_the_sensor_saw_is_left_as_it_is() -> None:
    """Below black too."""
    seen = np.random.default_rng(4).normal(0.01, 0.02, (64, 96)).astype(np.float32)
    made = made_of(seen, "values")
    for (row, column), channel in np.ndenumerate(CFA):
        colour = (0, 1, 2, 1)[channel]
        own = seen[row::2, column::2] * np.float32(BALANCE[colour])
        np.testing.assert_allclose(made[row::2, column::2, colour], own, rtol=1e-6)


def test_levels_survive_the_demosaic() -> None:
    """A grey ramp under a warm light comes out grey, at its own level, in every channel."""
    multipliers = (2.0, 1.0, 1.5)
    ramp = np.tile(np.linspace(50, 3700, 400), (200, 1))
    raw = ramp + 256.0
    raw[0::2, 0::2] = ramp[0::2, 0::2] / 2 + 256
    raw[1::2, 1::2] = ramp[1::2, 1::2] / 1.5 + 256
    mosaic = mosaic_of(np.round(raw))
    done = demosaic(signal_of(mosaic), mosaic, multipliers)
    values = done.counts * done.scale - done.offset
    want = (ramp / (4095 - 256))[..., None]
    assert np.abs(values - want)[10:-10, 10:-10].max() < 0.0015
    half = small(signal_of(mosaic), mosaic) * np.array(multipliers)
    assert np.allclose(small_of(mosaic), small(signal_of(mosaic), mosaic), atol=1e-6)
    assert np.abs(half - want[::2, 1::2])[:, 2:-2].max() < 0.005


def test_noise_about_black_keeps_its_mean() -> None:
    """Values below black must survive to the end, or shade lifts to grey."""
    noise = np.random.default_rng(5).normal(0, 8, (400, 400)).astype(np.float32)
    done = demosaic(noise, mosaic_of(np.zeros((400, 400))), (1.8, 1.0, 1.4))
    values = done.counts * done.scale - done.offset
    assert np.abs(values.mean(axis=(0, 1))).max() * (4095 - 256) < 0.25
    assert values.min() < 0
