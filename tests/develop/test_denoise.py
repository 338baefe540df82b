"""Noise reduction in the mosaic against truth, and against a library's."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.develop.dct import BLOCKS, LANES, _forward, _inverse
from clerestory.develop.denoise import denoise_mosaic
from light_frames import BLACK, exposed, model, mosaic, signal, wall

NOISE = model(3200)
LIGHT = signal(wall())
RAW = exposed(LIGHT, NOISE)


def _error(a: NDArray[np.floating], part: tuple[slice, slice] = (slice(None), slice(None))) -> float:
    return float(np.sqrt(np.mean((np.asarray(a, float)[part] - LIGHT[part]) ** 2)))


def test_cosines_are_those_of_opencv() -> None:
    """Each lane is an orthonormal 8 x 8 DCT-II (OpenCV's cv2.dct), and comes back."""
    rng = np.random.default_rng(5)
    a = rng.normal(size=64 * LANES).astype(np.float32)
    lane = 3 * BLOCKS + 7
    kept = a.copy()
    _forward(a)
    assert np.allclose(a.reshape(8, 8, LANES)[..., lane], cv2.dct(kept.reshape(8, 8, LANES)[..., lane]), atol=1e-5)
    _inverse(a)
    assert np.allclose(a, kept, atol=1e-5)


def test_beats_opencv_means_plane_by_plane() -> None:
    """More than 1 dB better than OpenCV's non-local means, tuned, on each stabilised colour plane."""
    ours = _error(denoise_mosaic(mosaic(RAW), NOISE))
    best = np.inf
    for h in (8.0, 12.0, 16.0):
        theirs = np.empty(RAW.shape)
        for r in range(2):
            for c in range(2):
                root = np.sqrt(np.maximum(RAW[r::2, c::2] - BLACK, 0) / 3839)
                clean = cv2.fastNlMeansDenoising((root * 255).astype(np.uint8), None, h, 5, 21)
                theirs[r::2, c::2] = (clean / 255.0) ** 2 * 3839
        best = min(best, _error(theirs))
    assert 20 * np.log10(best / ours) > 1.0
    assert _error(denoise_mosaic(mosaic(RAW), NOISE, quality="better")) < 1.02 * ours


def test_no_tint_in_the_shade_and_no_loss_at_the_clip() -> None:
    """Means stay true where there are few photons, and where clipping has cut the noise (Foi 2009)."""
    for level in (2.0, 6.0, 3839.0 * 0.995):
        flat = np.full((256, 256), level, np.float32)
        out = denoise_mosaic(mosaic(exposed(flat, NOISE, 4)), NOISE)
        assert abs(float(out.mean()) - level) < (0.02 * level if level < 10 else 0.006 * level)


def test_a_noisier_place_of_a_merge_comes_out_as_smooth_as_the_rest() -> None:
    """A mean of eight frames but for a place where one alone stands."""
    merged = np.mean([exposed(LIGHT, NOISE, k).astype(float) for k in range(8)], axis=0)
    place = (slice(120, 260), slice(250, 420))
    merged[place] = RAW[place]
    excess = np.ones((LIGHT.shape[0] // 2, LIGHT.shape[1] // 2), np.float32)
    excess[60:130, 125:210] = 8
    frame = mosaic(np.rint(merged).astype(np.uint16))
    plain, told = (_error(denoise_mosaic(frame, NOISE.averaged(8), excess=e), place) for e in (None, excess))
    alone = _error(denoise_mosaic(mosaic(RAW), NOISE), place)
    assert told < 0.75 * plain and told < 1.1 * alone
    others = (slice(0, 90), slice(0, 200))
    same = [denoise_mosaic(frame, NOISE.averaged(8), excess=e)[others] for e in (None, excess)]
    assert np.array_equal(*same)


def test_strength_and_odd_sizes() -> None:
    odd = mosaic(RAW[:201, :333].copy())
    assert np.array_equal(denoise_mosaic(odd, NOISE, 0.0), odd.raw - np.float32(BLACK))
    part = (slice(0, 200), slice(0, 332))
    errors = [_error(denoise_mosaic(odd, NOISE, s)[part], part) for s in (0.0, 0.5, 1.0)]
    assert errors[0] > errors[1] > errors[2]
    tiny = mosaic(RAW[:12, :10].copy())
    assert denoise_mosaic(tiny, NOISE).shape == (12, 10)
