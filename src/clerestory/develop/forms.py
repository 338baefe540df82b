"""Frames that are not Bayer mosaics brought to balanced camera colour: one channel, three values a pixel, 6 x 6."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.develop.demosaic import demosaic, demosaiced, signal_of
from clerestory.develop.denoise import Quality, denoise_mosaic, denoise_three
from clerestory.develop.highlights import HIGH, LOW
from clerestory.raw.lattice import picked_from_three
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
Multipliers = tuple[float, float, float]
# Variance of a demosaiced 6 x 6 value, over that of a raw one, that serves the noise reduction best. Noise is coarser
# after demosaicing, so that no figure is right at every scale; set on one modelled church at ISO 800 and 6400, where
# half loses 0.1 and 0.6 dB, one and a half 0.02 dB.
SPREAD = 1.0


@njit(cache=True, nogil=True, error_model="numpy")
def _neutral(begin, end, rgb, ceiling, low, high):  # type: ignore[no-untyped-def]
    one, nil = np.float32(1), np.float32(0)
    for y in range(begin, end):
        for x in range(rgb.shape[1]):
            r, g, b = rgb[y, x, 0] / ceiling[0], rgb[y, x, 1] / ceiling[1], rgb[y, x, 2] / ceiling[2]
            if max(r, max(g, b)) < low:
                continue
            top = max(rgb[y, x, 0], max(rgb[y, x, 1], rgb[y, x, 2]))
            for c in range(3):
                lost = min(max((rgb[y, x, c] / ceiling[c] - low) / (high - low), nil), one)
                rgb[y, x, c] += lost * (top - rgb[y, x, c])


def neutral_highlights(rgb: F32, ceiling: NDArray[np.floating]) -> F32:
    """White-balanced camera RGB, H x W x 3, in place: what a clipped channel lost is taken to be neutral.

    `ceiling` (3,): where each channel clips. A clipped channel is raised to the brightest of the three, no less
    than its own ceiling: a lamp clipped in all comes out white. Simple and safe; panes clipped in one channel lose
    some of their colour. Common practice, no source.
    """
    in_bands(_neutral, 0, len(rgb), rgb, np.asarray(ceiling, np.float32), LOW, HIGH)
    return rgb


PEDESTAL, FULL = 2048, 65535  # black and saturation of a 6 x 6 frame brought to three values a pixel


def in_planes(mosaic: Mosaic, noise: NoiseModel) -> tuple[Mosaic, NoiseModel]:
    """A frame behind a 6 x 6 pattern as three values a pixel, H x W x 3, and their noise; any other as it is.

    Frames are merged in that form: they are laid on one another by colours, and what the demosaic gets wrong at one
    place differs from frame to frame with the hand's movement, and averages out.
    """
    if mosaic.form != "6x6":
        return mosaic, noise
    balanced = demosaic(signal_of(mosaic), mosaic, mosaic.as_shot or mosaic.daylight or (1.0, 1.0, 1.0))
    whole = np.empty(balanced.counts.shape, np.uint16)
    scale = (FULL - PEDESTAL) / balanced.multipliers
    gain, foot = (balanced.scale * scale).astype(np.float32), (PEDESTAL + 0.5 - balanced.offset * scale)
    for row in range(len(whole)):
        whole[row] = np.clip(balanced.counts[row] * gain + foot.astype(np.float32), 0, FULL)
    finer = (FULL - PEDESTAL) / float(np.mean(mosaic.white - mosaic.black))
    levels = np.full(4, float(PEDESTAL)), np.full(4, float(FULL))
    made = replace(mosaic, raw=picked_from_three(whole, mosaic.cfa), whole=whole, pattern=None, form="linear",
                   black=levels[0], white=levels[1])  # fmt: skip
    return made, noise.averaged(1 / SPREAD).scaled(finer)


def balanced_of_form(
    mosaic: Mosaic,
    noise: NoiseModel | None,
    multipliers: Multipliers,
    denoise: float,
    quality: Quality,
    excess: F32 | None = None,
) -> F32:
    """White-balanced camera RGB, float32 H x W x 3, of a frame that is no Bayer mosaic, highlights neutral.

    Raw saturation of channel k at multipliers[k] (the least of them brought to 1). `noise`: None leaves it alone.
    `excess`: as of `denoise_mosaic`, H/2 x W/2.
    """
    least = np.asarray(multipliers) / min(multipliers)
    known = noise is not None and denoise > 0
    if mosaic.form == "linear":
        return neutral_highlights(_three(mosaic, noise, least, denoise, quality, excess), least)
    if mosaic.form == "mono" and noise is not None and known:
        signal = denoise_mosaic(mosaic, noise, denoise, quality, excess)
    else:
        signal = signal_of(mosaic)
    values, ceiling = demosaiced(signal, mosaic, multipliers)
    del signal
    if mosaic.form == "6x6" and noise is not None and known:
        unit = ((mosaic.white - mosaic.black)[:3] / least).astype(np.float32)  # raw units
        values *= unit
        denoise_three(values, (mosaic.white - mosaic.black)[:3], noise.averaged(1 / SPREAD), denoise, quality)
        values /= unit
    return neutral_highlights(values, ceiling)


def _three(
    mosaic: Mosaic,
    noise: NoiseModel | None,
    least: NDArray[np.floating],
    denoise: float,
    quality: Quality,
    excess: F32 | None,
) -> F32:
    assert mosaic.whole is not None
    span = (mosaic.white - mosaic.black)[:3]
    values = mosaic.whole.astype(np.float32)
    values -= mosaic.black[:3].astype(np.float32)
    if noise is not None and denoise > 0:
        denoise_three(values, span, noise, denoise, quality, excess)
    values *= (least / span).astype(np.float32)
    return values
