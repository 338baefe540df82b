"""Loudness and true peak after ITU-R BS.1770-4, at 48 kHz, in blocks so that memory does not grow with length."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter1d, uniform_filter1d
from scipy.signal import lfilter

Floats = NDArray[np.float32]

RATE = 48000
TARGET = -18.0  # LUFS integrated: speech over the net (AES TD1008, 2021, table 1)
BROADCAST = -23.0  # LUFS integrated: broadcast (EBU R 128)
QUIETEST, LOUDEST = -31.0, -14.0  # LUFS that may be asked for; ours: a mistyped number is caught, nothing blares
CEILING = -1.0  # dBTP at most: AES TD1008 and EBU R 128 agree; from memory
_STEP = RATE // 10  # gating blocks are 400 ms, overlapping by 75 %: sums over 100 ms serve all

# BS.1770-4 annex 1, tables 1 and 2: the two filter stages at 48 kHz.
_SHELF_B = (1.53512485958697, -2.69169618940638, 1.19839281085285)
_SHELF_A = (1.0, -1.69065929318241, 0.73248077421585)
_HIGH_B = (1.0, -2.0, 1.0)
_HIGH_A = (1.0, -1.99004745483398, 0.99007225036621)


class Meter:
    """Takes sound block by block; says its integrated loudness and true peak."""

    def __init__(self, channels: int = 2) -> None:
        self._state = [np.zeros((channels, 2)), np.zeros((channels, 2))]
        self._left = np.zeros((channels, 0))
        self._sums: list[float] = []
        self._tail = np.zeros((channels, TAPS), np.float32)
        self._peak = 0.0

    def feed(self, samples: NDArray[np.floating]) -> None:
        """Samples (c, n), one row a channel, 48 kHz, full scale 1; all channels weigh 1 (left, right, centre)."""
        stage, self._state[0] = lfilter(_SHELF_B, _SHELF_A, samples, axis=1, zi=self._state[0])
        weighted, self._state[1] = lfilter(_HIGH_B, _HIGH_A, stage, axis=1, zi=self._state[1])
        weighted = np.concatenate([self._left, weighted], axis=1)
        whole = weighted.shape[1] // _STEP
        cut = weighted[:, : whole * _STEP].reshape(weighted.shape[0], whole, _STEP)
        self._sums.extend(np.einsum("cns,cns->n", cut, cut) / _STEP)
        self._left = weighted[:, whole * _STEP :]
        held = np.concatenate([self._tail, np.asarray(samples, np.float32)], axis=1)
        self._tail = held[:, -TAPS:]
        if held.shape[1] > TAPS:
            self._peak = max(self._peak, float(oversampled_peak(held, self._peak).max()))

    def blocks(self) -> NDArray[np.float64]:
        """Mean square of every 400 ms gating block."""
        sums = np.asarray(self._sums)
        if sums.size < 4:
            return np.zeros(0)
        out: NDArray[np.float64] = np.convolve(sums, np.full(4, 0.25), "valid")
        return out

    def integrated(self) -> float:
        """Integrated loudness in LUFS, gated at -70 LUFS and 10 LU under the first mean; -inf for silence."""
        power = self.blocks()
        power = power[power > 10 ** ((-70 + 0.691) / 10)]
        if not power.size:
            return -np.inf
        power = power[power > power.mean() / 10]
        return float(-0.691 + 10 * np.log10(power.mean()))

    def true_peak(self) -> float:
        """Highest true peak in dBTP."""
        held = np.concatenate([self._tail, np.zeros_like(self._tail)], axis=1)
        peak = max(self._peak, float(oversampled_peak(held).max()))
        return float(20 * np.log10(max(peak, 1e-10)))


def measured(blocks: Iterable[NDArray[np.floating]], channels: int = 2) -> Meter:
    """A meter that has heard all blocks, each (c, n) samples of `channels` rows at 48 kHz."""
    meter = Meter(channels)
    for block in blocks:
        meter.feed(block)
    return meter


TAPS = 32


def _phases() -> Floats:
    """Four phases of a windowed sinc, 4 x TAPS: the samples and three points between each two."""
    k = np.arange(TAPS) - TAPS // 2 + 1
    rows = []
    for phase in range(4):
        x = k - phase / 4
        rows.append(np.sinc(x) * np.kaiser(2 * 400 + 1, 6.0)[np.round(400 + x / (TAPS / 2 + 1) * 400).astype(int)])
    table = np.array(rows)
    return (table / table.sum(axis=1, keepdims=True)).astype(np.float32)


_TABLE = _phases()


@njit(cache=True, nogil=True, error_model="numpy")
def _peaks(samples: Floats, table: Floats, least: float, out: Floats) -> None:
    taps = table.shape[1]
    back = taps // 2 - 1
    channels, count = samples.shape
    quiet = False
    for n in range(count):
        if n % 64 == 0:  # no point between samples can pass 2.6 times the largest sample that it is made of
            loudest = np.float32(0)
            for c in range(channels):
                for k in range(max(0, n - taps), min(count, n + 64 + taps)):
                    loudest = max(loudest, abs(samples[c, k]))
            quiet = bool(np.float32(2.6) * loudest < least)
        top = np.float32(0)
        for c in range(channels):
            top = max(top, abs(samples[c, n]))
            if not quiet and n >= back and n + taps - back <= count:
                for phase in range(1, 4):
                    total = np.float32(0)
                    for k in range(taps):
                        total += table[phase, k] * samples[c, n - back + k]
                    top = max(top, abs(total))
        out[n] = top


def oversampled_peak(samples: NDArray[np.floating], least: float = 0.0) -> Floats:
    """Largest magnitude (n,) at and after each sample over all channels, four points a sample (BS.1770-4 annex 2).

    `samples` (c, n), full scale 1. Where nothing can reach `least`, the points between samples are left out.
    """
    out = np.empty(samples.shape[1], np.float32)
    _peaks(np.ascontiguousarray(samples, np.float32), _TABLE, least, out)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _released(wanted: Floats, keep: float) -> None:
    held = np.float32(1)
    for n in range(wanted.size):
        held = min(wanted[n], 1 - (1 - held) * np.float32(keep))
        wanted[n] = held


REACH = 240  # samples the limiter looks ahead: 5 ms
BEFORE, AFTER = RATE, 4 * REACH  # context it needs around a block


def limiter_gain(samples: NDArray[np.floating], ceiling: float) -> Floats:
    """Gain (n,) for samples (c, n) that keeps the true peak under `ceiling` (linear), gone 120 ms after a peak."""
    peak = oversampled_peak(samples, ceiling)
    peak = np.maximum(peak, np.roll(peak, 1))
    wanted = np.minimum(np.float32(1), np.float32(ceiling) / np.maximum(peak, np.float32(1e-9))).astype(np.float32)
    if wanted.min() >= 1:
        return wanted
    wanted = minimum_filter1d(wanted, 2 * REACH + 1, mode="nearest")
    _released(wanted, float(np.exp(-1 / (0.12 * RATE))))
    smooth = wanted
    for _ in range(2):  # two moving averages: a triangle as wide as the minimum was taken over
        smooth = uniform_filter1d(smooth.astype(np.float64), REACH + 1, mode="nearest")
    return smooth.astype(np.float32)
