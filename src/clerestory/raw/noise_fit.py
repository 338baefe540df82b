"""The noise of a camera, fitted from the frames themselves.

One frame: each colour plane is cut into 8 x 8 tiles and taken to cosines. The low frequencies say whether a tile is
flat, the high ones how noisy it is; for white noise the two are independent, so choosing by one does not bias the
other. Variance over mean is then a straight line: its slope the gain, its foot the read noise (EMVA 1288, photon
transfer). A run of frames: noise comes from differences of pairs, in which what stands still drops out and what the
hand moved a little is taken out, and flatness from the pair's mean, which is again independent of the difference.

Within a level of brightness a low quantile of the tiles' variances is compared with the same quantile of the
chi-square law, not their mean: texture only ever adds, so it sits above.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import gammaincinv

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.errors import UserError
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands, side_by_side

F64 = NDArray[np.float64]
F32 = NDArray[np.float32]
QUANTISATION = 1 / 12  # variance of rounding to whole raw units (EMVA 1288)
LEAST_GAIN = 1e-4  # raw units per electron: what a fit says that found no photon noise
QUANTILES = (0.2, 0.35, 0.5)  # of the tiles of one level; texture pollutes the upper part
LEVELS = 40
MOST_TILES = 12000  # per plane, taken evenly over the frame
DARKEST = 8000  # tiles per plane taken besides
FEWEST_TILES = 200
ENOUGH_TILES = 4000  # per plane
FLAT = 2.0  # low-frequency energy over that of noise, up to which a tile counts as flat

_K = np.add.outer(np.arange(8), np.arange(8))
_LOW = (_K >= 2) & (_K <= 4)  # not the gradient of the light, which texture does not follow
_HIGH = _K >= 7
_C = np.array(
    [[np.cos(np.pi * (2 * i + 1) * k / 16) * (0.5 if k else np.sqrt(1 / 8)) for i in range(8)] for k in range(8)],
    np.float32,
)


@njit(cache=True, error_model="numpy")
def _cosines(s, c, t):  # type: ignore[no-untyped-def]
    """Of a tile (8 x 8) the cosines down its columns, into t."""
    for u in range(8):
        for j in range(8):
            t[u, j] = np.float32(0)
        for i in range(8):
            for j in range(8):
                t[u, j] += c[u, i] * s[i, j]


@njit(cache=True, error_model="numpy")
def _energy(t, keep, c):  # type: ignore[no-untyped-def]
    """Energy of a tile in the cosine frequencies to keep; t: as `_cosines` left it."""
    energy = np.float32(0)
    for u in range(8):
        for v in range(8):
            if keep[u, v]:
                acc = np.float32(0)
                for j in range(8):
                    acc += t[u, j] * c[v, j]
                energy += acc * acc
    return energy


@njit(cache=True, nogil=True, error_model="numpy")
def _means(begin, end, raw, row, column, out):  # type: ignore[no-untyped-def]
    """Mean of every tile of one colour plane."""
    for ty in range(begin, end):
        for tx in range(out.shape[1]):
            total = np.float32(0)
            for i in range(8):
                for j in range(8):
                    total += np.float32(raw[16 * ty + row + 2 * i, 16 * tx + column + 2 * j])
            out[ty, tx] = total / np.float32(64)


@njit(cache=True, error_model="numpy")
def _unexplained(a, d, basis):  # type: ignore[no-untyped-def]
    """Energy of a pair's difference d (8 x 8) that no small change of their mean a (10 x 10) explains.

    Taken out: a constant, a change of light, small shifts across and down, and of sharpness. The mean's noise is
    independent of the difference's, so of white noise each takes out just one degree of freedom: 59 of 64 are left.
    """
    quarter = np.float32(0.25)
    energy = np.float32(0)
    for i in range(8):
        for j in range(8):
            here, up, down = a[i + 1, j + 1], a[i, j + 1], a[i + 2, j + 1]
            left, right = a[i + 1, j], a[i + 1, j + 2]
            basis[0, i, j], basis[1, i, j] = np.float32(1), here
            basis[2, i, j], basis[3, i, j] = right - left, down - up
            basis[4, i, j] = here - quarter * (up + down + left + right)
            energy += d[i, j] * d[i, j]
    for k in range(5):
        for q in range(k + 1):
            dot = np.float32(0)
            for i in range(8):
                for j in range(8):
                    dot += basis[k, i, j] * basis[q, i, j]
            if q == k:
                size = np.float32(1) / np.sqrt(max(dot, np.float32(1e-12)))
            for i in range(8):
                for j in range(8):
                    basis[k, i, j] = basis[k, i, j] * size if q == k else basis[k, i, j] - dot * basis[q, i, j]
        dot = np.float32(0)
        for i in range(8):
            for j in range(8):
                dot += basis[k, i, j] * d[i, j]
        energy -= dot * dot
    return max(energy, np.float32(0))


@njit(cache=True, nogil=True, error_model="numpy")
def _tiles(begin, end, first, second, pair, row, column, places, c, low, high, out):  # type: ignore[no-untyped-def]
    """Per tile at `places` (row, column): mean, energy in low frequencies, energy of noise, least and greatest value.

    Energy of noise: of one frame that in high frequencies, of a pair what is left of their difference.
    """
    for k in range(begin, end):
        t = np.empty((8, 8), np.float32)
        a = np.empty((10, 10), np.float32)
        d = np.empty((8, 8), np.float32)
        y0, x0 = places[k, 0] * 16 + row - 2, places[k, 1] * 16 + column - 2
        least, most, total = np.float32(1e9), np.float32(-1e9), np.float32(0)
        for i in range(10):
            for j in range(10):
                v = np.float32(first[y0 + 2 * i, x0 + 2 * j])
                w = np.float32(second[y0 + 2 * i, x0 + 2 * j]) if pair else v
                a[i, j] = np.float32(0.5) * (v + w)
                if 1 <= i <= 8 and 1 <= j <= 8:
                    least, most = min(least, min(v, w)), max(most, max(v, w))
                    d[i - 1, j - 1] = v - w
                    total += a[i, j]
        mean = total / np.float32(64)
        for i in range(10):
            for j in range(10):
                a[i, j] -= mean
        out[k, 0], out[k, 3], out[k, 4] = mean, least, most
        _cosines(a[1:9, 1:9], c, t)
        out[k, 1] = _energy(t, low, c)
        out[k, 2] = _unexplained(a, d, np.empty((5, 8, 8), np.float32)) if pair else _energy(t, high, c)


PAIR_DEGREES = 59  # of freedom that are left of a pair's 64 differences


@dataclass(frozen=True)
class _Samples:
    """Tiles of one colour plane: mean above black, flatness energy and noise variance per coefficient."""

    mean: F64
    flat: F64
    variance: F64
    degrees: int


def _places(means: F32, most: int, darkest: int) -> NDArray[np.int64]:
    """Tiles (n, 2) to look at: some evenly over the frame, and the darkest, in which read noise shows."""
    chosen = np.zeros(means.shape, bool)
    step = max(1, int(np.sqrt(means.size / most)))
    chosen[::step, ::step] = True
    if means.size > darkest:
        chosen |= means <= np.partition(means.ravel(), darkest)[darkest]
    chosen[[0, -1]], chosen[:, [0, -1]] = False, False  # what lies about a tile is looked at too
    return np.argwhere(chosen)


def _sample(first: Mosaic, second: Mosaic | None, row: int, column: int) -> _Samples:
    height, width = first.raw.shape
    means = np.empty((height // 16, width // 16), np.float32)
    in_bands(_means, 0, len(means), first.raw, row, column, means)
    places = _places(means, MOST_TILES, DARKEST)
    out = np.empty((len(places), 5), np.float32)
    other = first if second is None else second
    pair = second is not None
    in_bands(_tiles, 0, len(places), first.raw, other.raw, pair, row, column, places, _C, _LOW, _HIGH, out)
    channel = int(first.cfa[row, column])
    black, white = float(first.black[channel]), float(first.white[channel])
    t = out.astype(float)
    degrees = PAIR_DEGREES if pair else int(_HIGH.sum())
    use = (t[:, 4] < black + 0.9 * (white - black)) & ((t[:, 3] > 0) | (t[:, 0] > 64))
    t = t[use]
    share = 2 if pair else 1
    return _Samples(t[:, 0] - black, t[:, 1] * share / int(_LOW.sum()), t[:, 2] / degrees / share, degrees)


def _quantiles(values: F64) -> F64:
    """QUANTILES, in columns, of each row of values; linear between them, as numpy's own, which takes longer."""
    ranked = np.sort(values, axis=1)
    at = np.array(QUANTILES) * (ranked.shape[1] - 1)
    low = at.astype(int)
    here, after, share = ranked[:, low], ranked[:, np.minimum(low + 1, ranked.shape[1] - 1)], at - low
    step = after - here
    return np.asarray(np.where(share >= 0.5, after - step * (1 - share), here + step * share))


def _levels(samples: _Samples, chosen: NDArray[np.bool_], model: F64) -> tuple[F64, F64, F64]:
    """Mean, variance freed of texture, and number of tiles, per level of brightness, of samples from dark to light.

    `model`: variance expected of each tile so far; quantiles are taken of the ratio to it, so that the spread of
    brightness inside a level does not widen them.
    """
    mean, ratio, model = samples.mean[chosen], (samples.variance / model)[chosen], model[chosen]
    levels = min(LEVELS, max(1, mean.size // 50))
    size, larger = divmod(mean.size, levels)
    law = np.array([2 * gammaincinv(samples.degrees / 2, q) / samples.degrees for q in QUANTILES])
    found = []
    for first, rows, count in ((0, larger, size + 1), (larger * (size + 1), levels - larger, size)):
        m, r, v = (values[first : first + rows * count].reshape(rows, count) for values in (mean, ratio, model))
        if m.size:
            variance = np.mean(_quantiles(r) / law, axis=1) * np.mean(v, axis=1)
            found.append((np.mean(m, axis=1), variance, np.full(rows, float(count))))
    means, variances, counts = (np.concatenate(part) for part in zip(*found, strict=True))
    return means, variances, counts


@dataclass(frozen=True)
class _Line:
    """Slope and foot of variance over mean, raw units, and the variance of either as an estimate."""

    gain: float
    foot: float
    doubt: tuple[float, float]


def _line(mean: F64, variance: F64, count: F64) -> _Line:
    """Slope and foot of variance over mean, both above zero; levels weighted by the model's own spread.

    A third term in mean^2, never negative, takes up what grows as the square of the light: response differences
    between pixels and the last of the stone's texture.
    """
    scale = float(max(mean.max(), 1.0))
    terms = np.stack([mean, np.ones_like(mean), mean**2 / scale], axis=1)
    model = np.maximum(variance, 1e-3)
    trust = np.ones_like(mean)
    gain, foot = 1.0, 1.0
    for _ in range(10):
        w = trust * np.sqrt(count) / model
        least = np.array([LEAST_GAIN, QUANTISATION * 1.01, 0.0])
        found, _ = nnls(terms * w[:, None], (variance - terms @ least) * w)
        found = found + least
        gain, foot = float(found[0]), float(found[1])
        model = np.maximum(terms @ found, 1e-3)
        residual = (variance - model) / model * np.sqrt(count)
        spread = max(1.0, float(1.4826 * np.median(np.abs(residual))))
        trust = 1 / np.sqrt(1 + np.maximum(residual / (2 * spread), 0) ** 2)  # only what lies above is mistrusted
    inverse = np.linalg.pinv((terms * w[:, None]).T @ (terms * w[:, None]))
    doubt = np.diag(inverse) * spread**2
    return _Line(gain, foot, (float(doubt[0]), float(doubt[1])))


def _texture_share(samples: _Samples, model: F64) -> float:
    """High-frequency over low-frequency energy of texture alone, from tiles plainly textured."""
    excess = samples.flat - model
    plain = (excess > 4 * model) & (excess < 40 * model)
    if plain.sum() < FEWEST_TILES:
        return 0.0
    return float(np.clip(np.median((samples.variance[plain] - model[plain]) / excess[plain]), 0.0, 0.3))


def _fit_plane(parts: Sequence[_Samples]) -> _Line:
    samples = _Samples(
        np.concatenate([p.mean for p in parts]),
        np.concatenate([p.flat for p in parts]),
        np.concatenate([p.variance for p in parts]),
        parts[0].degrees,
    )
    if samples.mean.size < FEWEST_TILES:
        raise UserError(
            f"only {samples.mean.size} tiles of one colour are neither clipped nor black; noise cannot be fitted: "
            "give a frame with more of its picture in range."
        )
    order = np.argsort(samples.mean)
    samples = _Samples(samples.mean[order], samples.flat[order], samples.variance[order], samples.degrees)
    light = np.maximum(samples.mean, 0)
    line = _line(*_levels(samples, np.ones(samples.mean.size, bool), np.maximum(light, 1.0)))
    for _ in range(6):
        model = np.maximum(line.gain * light + line.foot, 1e-6)
        share = _texture_share(samples, model)
        ratio = samples.flat / model
        # Flat as far as noise lets one see; where little is, the flattest still serve.
        limit = max(FLAT, float(np.quantile(ratio, min(1.0, ENOUGH_TILES / ratio.size))))
        freed = replace(samples, variance=samples.variance - share * np.maximum(samples.flat - model, -model))
        line = _line(*_levels(freed, ratio < limit, model))
    return line


def _together(values: F64, doubt: F64) -> F64:
    """Estimates of the channels drawn together as far as their differences are no more than their doubt.

    One amplifier and converter serves all channels, as a rule. The random-effects estimate of DerSimonian and Laird
    (1986): channels that plainly differ keep their own.
    """
    w = 1 / np.maximum(doubt, 1e-12)
    mean = float((w * values).sum() / w.sum())
    apart = float((w * (values - mean) ** 2).sum()) - (len(values) - 1)
    between = max(apart, 0.0) / float(w.sum() - (w**2).sum() / w.sum())
    if between <= 0:
        return np.full_like(values, mean)
    share = between / (between + doubt)
    middle = float((values / (between + doubt)).sum() / (1 / (between + doubt)).sum())
    return np.asarray(share * values + (1 - share) * middle)


def _shift(first: Mosaic, second: Mosaic) -> tuple[int, int]:
    """Rows and columns, even numbers, by which the second frame's picture lies from the first's."""
    green = next((r, c) for r in range(2) for c in range(2) if int(first.cfa[r, c]) == 1)
    small = []
    for m in (first, second):
        plane = m.plane(*green)
        size = (plane.shape[1] // 2, plane.shape[0] // 2)
        image = cv2.resize(plane, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        small.append(np.sqrt(np.maximum(image - np.float32(m.black[1]), 0)))
    window = cv2.createHanningWindow((small[0].shape[1], small[0].shape[0]), cv2.CV_32F)
    (dx, dy), response = cv2.phaseCorrelate(small[0], small[1], window)
    if response < 0.05:
        return 0, 0
    return 2 * round(2 * dy), 2 * round(2 * dx)


def _aligned(first: Mosaic, second: Mosaic) -> tuple[Mosaic, Mosaic]:
    """Both frames cut to what they share, moved by whole colour-filter periods only."""
    dy, dx = _shift(first, second)
    height, width = first.raw.shape
    if abs(dy) > height // 4 or abs(dx) > width // 4:
        return first, second
    a = first.raw[max(-dy, 0) : height - max(dy, 0), max(-dx, 0) : width - max(dx, 0)]
    b = second.raw[max(dy, 0) : height - max(-dy, 0), max(dx, 0) : width - max(-dx, 0)]
    return replace(first, raw=a), replace(second, raw=b)


@dataclass(frozen=True)
class ChannelFits:
    """Gain, raw units per electron, and read variance, raw units squared, of each channel R, G1, G2, B by itself, and
    the variances of both as estimates (4, 2)."""

    gain: F64
    read2: F64
    doubt: F64

    @property
    def together(self) -> NoiseModel:
        """The channels' models drawn together as far as they agree."""
        gain = _together(self.gain, self.doubt[:, 0])
        read = np.sqrt(_together(self.read2, self.doubt[:, 1]))
        (g0, g1, g2, g3), (r0, r1, r2, r3) = map(float, gain), map(float, read)
        return NoiseModel((g0, g1, g2, g3), (r0, r1, r2, r3))


def fit_channels(mosaics: Sequence[Mosaic]) -> ChannelFits:
    """Noise of each channel by itself; arguments and errors as of `fit_noise`."""
    if not mosaics:
        raise UserError("no frames given; noise is fitted from at least one.")
    first = mosaics[0]
    if any(m.raw.shape != first.raw.shape for m in mosaics):
        raise UserError("frames of one run must have the same size; give frames of one view by one camera.")
    pairs: list[tuple[Mosaic, Mosaic | None]] = [_aligned(a, b) for a, b in pairwise(mosaics)] or [(first, None)]

    def fitted(place: tuple[int, int]) -> _Line:
        return _fit_plane([_sample(a, b, *place) for a, b in pairs])

    lines = [_Line(1.0, 1.0, (1.0, 1.0))] * 4
    places = [(row, column) for row in range(2) for column in range(2)]
    for place, line in zip(places, side_by_side(fitted, places), strict=True):
        lines[model_channel(int(first.cfa[place]))] = line
    gain, read2 = np.array([line.gain for line in lines]), np.array([line.foot for line in lines])
    return ChannelFits(gain, read2, np.array([line.doubt for line in lines]))


def fit_noise(mosaics: Sequence[Mosaic]) -> NoiseModel:
    """The noise model of one camera at one ISO, from one frame or a run of frames of one view and exposure.

    Gain and read noise per channel R, G1, G2, B, in raw units; the rounding to whole units (EMVA 1288) counts as read
    noise. Raises UserError when the frames differ in size or nothing in them is in range.
    """
    return fit_channels(mosaics).together
