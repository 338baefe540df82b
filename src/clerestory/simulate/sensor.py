"""From radiance on the sensor to raw numbers: mosaic, photon noise, read noise, clipping."""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.run.bands import in_bands
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.compiled import versioned

FEW = 24.0  # below this many electrons counts are drawn from Poisson's law, above from the normal


@njit
def _mix(x):  # type: ignore[no-untyped-def]
    """SplitMix64's finaliser: the same number for the same pixel, whatever thread draws it."""
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@njit
def _uniform(key, counter):  # type: ignore[no-untyped-def]
    bits = _mix(key + np.uint64(counter) * np.uint64(0x9E3779B97F4A7C15))
    return (np.float64(bits >> np.uint64(11)) + 0.5) * (1.0 / 9007199254740992.0)


@njit
def _poisson(mean, u):  # type: ignore[no-untyped-def]
    """Inversion: the smallest count whose cumulated chance passes u."""
    p = math.exp(-mean)
    total = p
    count = 0
    while u > total and count < 200:
        count += 1
        p *= mean / count
        total += p
    return float(count)


@njit(cache=True, nogil=True, error_model="numpy")
@versioned
def _expose(begin, end, signal, key, electrons, gain, read_e, read_units, black, white, prnu, row_offset, hot, out):  # type: ignore[no-untyped-def]
    """`signal`: share of saturation per pixel of the mosaic, overwritten by nothing; `out`: uint16."""
    width = signal.shape[1]
    for i in range(begin, end):
        for j in range(width):
            n = (i * width + j) * 4
            mean = signal[i, j] * electrons
            if prnu > 0.0:
                place = _uniform(np.uint64(77), n) + _uniform(np.uint64(78), n) + _uniform(np.uint64(79), n) - 1.5
                mean *= 1.0 + prnu * 2.0 * place
            radius = math.sqrt(-2.0 * math.log(_uniform(key, n)))
            angle = 2.0 * math.pi * _uniform(key, n + 1)
            if mean < FEW:
                count = _poisson(mean, _uniform(key, n + 2))
            else:
                count = mean + math.sqrt(mean) * radius * math.sin(angle)
            spread = math.sqrt(read_e * read_e * gain * gain + read_units * read_units)
            value = black + row_offset[i] + gain * count + spread * radius * math.cos(angle)
            if hot > 0.0 and _uniform(np.uint64(81), n) < hot:
                value += (white - black) * (0.1 + 0.8 * _uniform(np.uint64(82), n))
            value = math.floor(value + 0.5)
            out[i, j] = np.uint16(min(max(value, 0.0), white))


def expose(
    signal: NDArray[np.float32], body: SimulatedCamera, iso: float, seed: np.random.SeedSequence
) -> NDArray[np.uint16]:
    """Raw values (H x W uint16) of a mosaic `signal` in shares of saturation, with EMVA 1288 noise.

    Photons follow Poisson's law (the normal one above 24 electrons), read noise is normal; clipped at 0 and white.
    """
    key, rows = seed.spawn(2)
    generator = np.random.Generator(np.random.Philox(rows))
    offsets = generator.normal(0, max(body.row_units, 0), signal.shape[0])
    gain = body.gain(iso)
    electrons = body.range / gain
    word = np.uint64(key.generate_state(1, np.uint64)[0])
    raw = np.empty(signal.shape, np.uint16)
    in_bands(
        _expose,
        0,
        len(raw),
        signal,
        word,
        electrons,
        gain,
        body.read_electrons,
        body.read_units,
        float(body.black),
        float(body.white),
        body.prnu,
        offsets,
        body.hot_share,
        raw,
    )
    return raw
