"""What the sensor got wrong: hot and dead pixels, row and column pattern.

Common practice, no source: a defect stands out from all eight neighbours of its own colour while the pixels of other
colours beside it show nothing; a real point of light, blurred by the lens, shows in them too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.develop.wide_defects import HOT_SIGMAS, correct_wide_defects, marked
from clerestory.errors import UserError
from clerestory.raw import lattice
from clerestory.raw.frame import open_frame
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
RUN_SIGMAS = 2.5  # the same when frames of a run must agree
CHUNKS = 16
# ISO, times the frames merged, from which row and column pattern is looked for; below, it drowns in the noise that is
# taken out anyway. Set on the modelled sensor with rows off by 0.3 of its read noise, and on one open raw.
PATTERN_FROM = 1000.0


def _channel_arrays(mosaic: Mosaic, noise: NoiseModel) -> tuple[F32, F32, F32]:
    """Black, gain and read variance at (row % 2, column % 2)."""
    black, gain, read = (np.empty((2, 2), np.float32) for _ in range(3))
    for r in range(2):
        for c in range(2):
            n = int(mosaic.cfa[r, c])
            k = model_channel(n)
            black[r, c], gain[r, c], read[r, c] = mosaic.black[n], noise.gain[k], noise.read[k] ** 2 + 0.01
    return black, gain, read


@njit(cache=True, inline="always", error_model="numpy")
def _beside(raw, y, x):  # type: ignore[no-untyped-def]
    """How far the four pixels next to one stand above their own colour farther out, summed."""
    total = np.float32(0)
    for dy, dx in ((0, 1), (0, -1), (1, 0), (-1, 0)):
        far = np.float32(raw[y + 3 * dy, x + 3 * dx])
        far += np.float32(raw[y + dy + 2 * dx, x + dx + 2 * dy])
        far += np.float32(raw[y + dy - 2 * dx, x + dx - 2 * dy])
        total += np.float32(raw[y + dy, x + dx]) - far / np.float32(3)
    return total


@njit(cache=True, error_model="numpy")
def _stand_out(raw, y, black, gain, read, sigmas, out):  # type: ignore[no-untyped-def]
    """1 where a pixel of row y may stand out from its eight neighbours: no more than a sieve, but in wide lanes."""
    up, own, down, into = raw[y - 2], raw[y, 2:-2], raw[y + 2], out[2:-2]
    for x in range(own.size):
        a, b, c = np.float32(up[x]), np.float32(up[x + 2]), np.float32(up[x + 4])
        f, g, h = np.float32(down[x]), np.float32(down[x + 2]), np.float32(down[x + 4])
        d, v, e = np.float32(raw[y, x]), np.float32(own[x]), np.float32(raw[y, x + 4])
        most = max(max(max(a, b), max(c, d)), max(max(e, f), max(g, h)))
        least = min(min(min(a, b), min(c, d)), min(min(e, f), min(g, h)))
        over = max(max(v - most, least - v), np.float32(0))
        level = least if v < least else most
        variance = gain * max(level - black, np.float32(0)) + read
        into[x] = np.uint8(1) if over * over >= sigmas * sigmas * variance else np.uint8(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _defects(begin, end, raw, black, gain, read, sigmas, out):  # type: ignore[no-untyped-def]
    """Adds 1 where a pixel is hot or dead; the outer three rows and columns are left alone."""
    width = raw.shape[1]
    for y in range(begin, end):
        maybe = np.zeros(width, np.uint8)
        p = y & 1
        b, g, v = max(black[p, 0], black[p, 1]), min(gain[p, 0], gain[p, 1]), min(read[p, 0], read[p, 1])
        _stand_out(raw, y, b, g, v, sigmas, maybe)
        for x in range(3, width - 3):
            if maybe[x] and _is_defect(raw, y, x, black, gain, read, sigmas):
                out[y, x] += 1


@njit(cache=True, error_model="numpy")
def _is_defect(raw, y, x, black, gain, read, sigmas):  # type: ignore[no-untyped-def]
    most, least = raw[y - 2, x], raw[y - 2, x]
    for i in (-2, 0, 2):
        for j in (-2, 0, 2):
            if i or j:
                most, least = max(most, raw[y + i, x + j]), min(least, raw[y + i, x + j])
    p, q = y & 1, x & 1
    hot = raw[y, x] > most
    level = np.float32(most) if hot else np.float32(least)
    excess = abs(np.float32(raw[y, x]) - level)
    spread = np.sqrt(gain[p, q] * max(level - black[p, q], np.float32(0)) + read[p, q])
    if excess < sigmas * spread + np.float32(0.35) * (np.float32(most) - np.float32(least)):
        return False
    beside = _beside(raw, y, x)
    return (beside if hot else -beside) < np.float32(0.3) * excess + np.float32(2) * spread


def find_defects(mosaics: Mosaic | Sequence[Mosaic], noise: NoiseModel) -> NDArray[np.int32]:
    """Defective pixels, int32 N x 2 (row, column). In a run they must show in most of the frames."""
    frames = [mosaics] if isinstance(mosaics, Mosaic) else list(mosaics)
    votes = np.zeros(frames[0].raw.shape, np.uint8)
    sigmas = np.float32(HOT_SIGMAS if len(frames) == 1 else RUN_SIGMAS)
    for frame in frames:
        in_bands(_defects, 3, len(votes) - 3, frame.raw, *_channel_arrays(frame, noise), sigmas, votes)
    return marked((votes > len(frames) // 2).view(np.uint8))


def _replace_defects(raw: NDArray[np.uint16], places: NDArray[np.int32]) -> None:
    """Each defect becomes the mean of the two same-colour neighbours, across or down, that agree best."""
    y, x = places.T.astype(np.intp)
    bad = np.zeros(raw.shape, np.bool_)
    bad[y, x] = True
    least, best = np.full(len(y), np.inf), np.zeros(len(y))
    for down, across in ((0, 2), (2, 0), (2, 2), (2, -2)):
        (one, known), (other, too) = (_neighbour(raw, bad, y + s * down, x + s * across) for s in (-1, 1))
        one, other = np.where(known, one, other), np.where(too, other, one)
        apart = np.abs(one - other) * (1.0 if down * across == 0 else 1.5) + 1e6 * ~(known & too)
        better = (known | too) & (apart < least)
        least[better], best[better] = apart[better], np.rint((one + other) / 2)[better]
    found = np.isfinite(least)
    raw[y[found], x[found]] = best[found]


def _neighbour(
    raw: NDArray[np.uint16], bad: NDArray[np.bool_], y: NDArray[np.intp], x: NDArray[np.intp]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Values of a mosaic (H x W) at places (n,), and whether each lies in it and is no defect itself."""
    height, width = raw.shape
    inside = (y >= 0) & (y < height) & (x >= 0) & (x < width)
    at = np.clip(y, 0, height - 1), np.clip(x, 0, width - 1)
    return raw[at].astype(np.float64), inside & ~bad[at]


@njit(cache=True, error_model="numpy")
def _weighed(own, a, b, c, e, f, h, black, gain, read, begin, out):  # type: ignore[no-untyped-def]
    """By how much pixels (n,) are over the mean of six of their own colour, each times its weight, and the weights.

    A weight is one over the variance of noise there, 0 where the six differ by more than 3 sigma. Into `out` (2, n).

    `black`, `gain`, `read`: of two columns in turn, of which the first pixel is in column `begin`.
    """
    p, q = begin & 1, 1 - (begin & 1)
    b0, b1, g0, g1, r0, r1 = black[p], black[q], gain[p], gain[q], read[p], read[q]
    sums, weights = out[0], out[1]
    for x in range(own.size):  # without branches, for the processor's wide lanes
        odd = x & 1
        va, vb, vc = np.float32(a[x]), np.float32(b[x]), np.float32(c[x])
        ve, vf, vh = np.float32(e[x]), np.float32(f[x]), np.float32(h[x])
        level = (va + vb + vc + ve + vf + vh) * np.float32(1 / 6)
        d = np.float32(own[x]) - level
        light = max(level - (b1 if odd else b0), np.float32(0))
        weight = np.float32(1) / ((g1 if odd else g0) * light + (r1 if odd else r0))
        slope = (va + vc + vf - vb - ve - vh) * np.float32(1 / 3)
        most = max(max(d * d, slope * slope), np.float32(0.5) * (va - vb) * (va - vb))
        weight = weight if most * weight < np.float32(9) else np.float32(0)
        sums[x], weights[x] = d * weight, weight


@njit(cache=True, nogil=True, error_model="numpy")
def _row_residuals(begin, end, raw, black, gain, read, out):  # type: ignore[no-untyped-def]
    """Weighted mean, over chunks of each row, of pixel - mean of six same-colour pixels above and below.

    And the variance that noise alone would give it. Pixels whose neighbours differ by more than 3 sigma are left out.
    """
    width, chunks = raw.shape[1], out.shape[1]
    for k in range(chunks):
        i, j = k * width // chunks, (k * width + width // 2) // chunks  # half the row is enough
        parts = np.empty((2, j - i), np.float32)
        for y in range(begin, end):
            a, b, c, e = raw[y - 2, i:j], raw[y + 2, i:j], raw[y - 4, i:j], raw[y + 4, i:j]
            f, h, p = raw[y - 6, i:j], raw[y + 6, i:j], y & 1
            _weighed(raw[y, i:j], a, b, c, e, f, h, black[p], gain[p], read[p], i, parts)
            total, count = np.float32(0), np.float32(0)
            for x in range(j - i):
                total += parts[0, x]
                count += parts[1, x]
            out[y, k, 0] = total / count if count > 0 else np.float32(0)
            out[y, k, 1] = np.float32(7 / 6) / max(count, np.float32(1e-6))


@njit(cache=True, nogil=True, error_model="numpy")
def _column_residuals(begin, end, raw, black, gain, read, out):  # type: ignore[no-untyped-def]
    """The same for columns, over chunks of each column."""
    height, width = raw.shape
    chunks, n = out.shape[1], max(width - 12, 0)
    parts = np.empty((2, n), np.float32)
    for k in range(begin, end):
        sums = np.zeros((2, n), np.float32)
        for y in range(k * height // chunks, (k * height + height // 2) // chunks):
            row, p = raw[y], y & 1
            a, b, c, e, f, h = row[4:-8], row[8:-4], row[2:-10], row[10:-2], row[:-12], row[12:]
            _weighed(row[6:-6], a, b, c, e, f, h, black[p], gain[p], read[p], 6, parts)
            for q in range(2):
                for x in range(n):
                    sums[q, x] += parts[q, x]
        for x in range(n):
            total, count = sums[0, x], sums[1, x]
            out[x + 6, k, 0] = total / count if count > 0 else np.float32(0)
            out[x + 6, k, 1] = np.float32(7 / 6) / max(count, np.float32(1e-6))


def row_pattern(mosaic: Mosaic, noise: NoiseModel) -> F32:
    """Offset of each row, raw units, float32 (H,): only what the whole width agrees on, shrunk by its own doubt."""
    black, gain, read = _channel_arrays(mosaic, noise)
    found = np.zeros((mosaic.raw.shape[0], CHUNKS, 2), np.float32)
    in_bands(_row_residuals, 6, len(found) - 6, mosaic.raw, black, gain, read, found)
    return _pattern(found, float(np.sqrt(read.mean())))


def column_pattern(mosaic: Mosaic, noise: NoiseModel) -> F32:
    """The same for columns, float32 (W,)."""
    black, gain, read = _channel_arrays(mosaic, noise)
    found = np.zeros((mosaic.raw.shape[1], CHUNKS, 2), np.float32)
    in_bands(_column_residuals, 0, CHUNKS, mosaic.raw, black, gain, read, found, least=1)
    return _pattern(found, float(np.sqrt(read.mean())))


def _pattern(found_parts: F32, read: float) -> F32:
    """Offsets from the residuals of chunks (N x CHUNKS x (mean, variance of noise alone))."""
    parts, expected = found_parts[..., 0], found_parts[..., 1]
    weight = 1 / np.maximum(expected, 1e-9)
    middle = (parts * weight).sum(axis=1) / weight.sum(axis=1)
    # Chunks of a row that differ by more than noise explains show texture, not the sensor.
    misfit = ((parts - middle[:, None]) ** 2 * weight).sum(axis=1) / (CHUNKS - 1)
    doubt = 1 / weight.sum(axis=1)
    even = misfit < 2.0
    usual = float(np.median(middle[even] ** 2)) / 0.455 if even.sum() > 0.2 * len(middle) else 0.0
    excess = usual - float(np.median(doubt[even])) if even.any() else 0.0
    if excess < 0.3 * float(np.median(doubt)):
        return np.zeros(len(parts), np.float32)
    trust = even & (middle**2 < 16 * usual)
    found = np.where(trust, middle * excess / (excess + doubt), 0)
    offset = found.copy()
    for _ in range(2):  # what the six neighbours' own offsets took away
        near = sum(np.roll(offset, k) for k in (-6, -4, -2, 2, 4, 6)) / 6
        offset = 0.3 * offset + 0.7 * (found + near)
    limit = 2 * read
    out: F32 = np.clip(offset, -limit, limit).astype(np.float32)
    return out


@njit(cache=True, nogil=True, error_model="numpy")
def _take_off(begin, end, raw, rows, columns):  # type: ignore[no-untyped-def]
    """Offsets of rows and columns off the raw values, in place."""
    for y in range(begin, end):
        for x in range(raw.shape[1]):
            v = np.float32(raw[y, x]) - np.rint(rows[y] + columns[x])
            raw[y, x] = np.uint16(min(max(v, np.float32(0)), np.float32(65535)))


def correct_defects(
    mosaic: Mosaic, noise: NoiseModel, hot: NDArray[np.int32] | None = None, pattern: bool = True
) -> Mosaic:
    """The frame with hot and dead pixels replaced and row and column pattern taken out; the given one is untouched.

    `hot`: places (n, 2), row and column, known already (from a run), else found in this frame. Those that the file
    itself lists are added.
    """
    places = find_defects(mosaic, noise) if hot is None else hot
    if mosaic.bad is not None:
        places = np.concatenate([places, mosaic.bad])
    raw = mosaic.raw.copy()
    _replace_defects(raw, places)
    out = replace(mosaic, raw=raw)
    if not pattern:
        return out
    rows, columns = row_pattern(out, noise), column_pattern(out, noise)
    if rows.any() or columns.any():
        in_bands(_take_off, 0, raw.shape[0], raw, rows, columns)
    return out


def measured(mosaic: Mosaic) -> Mosaic:
    """The Bayer mosaic that a frame's noise is fitted on: its own, or what its form lets be picked from it.

    One amplifier and converter serves all colours, as a rule: a 6 x 6 pattern is measured on its greens.
    """
    if mosaic.form != "6x6" or mosaic.whole is None or mosaic.pattern is None:
        return mosaic
    raw, green = lattice.measured(mosaic.whole, mosaic.pattern, mosaic.cfa)
    if not green:
        return replace(mosaic, raw=raw)
    return replace(mosaic, raw=raw, black=np.full(4, mosaic.black[1]), white=np.full(4, mosaic.white[1]))


@dataclass(frozen=True)
class Corrected:
    """A frame with its defects corrected, and the noise fitted on it (None: too small or too bare to tell)."""

    info: FrameInfo
    mosaic: Mosaic
    noise: NoiseModel | None


def open_corrected(
    path: Path,
    info: FrameInfo | None = None,
    noise: NoiseModel | None = None,
    frames: int = 1,
    fit: Callable[[Sequence[Mosaic]], NoiseModel] = fit_noise,
) -> Corrected:
    """A raw frame opened, its noise fitted, hot and dead pixels and pattern corrected by it: for every stage alike.

    `info`, `noise`: as known before, so that tags are not read and noise not fitted again. `frames`: how many are
    merged with it, which leaves the noise lower and pattern plainer. Raises UserError as `open_frame` does.
    """
    frame = open_frame(path, info)
    if noise is None:
        try:
            noise = fit([measured(frame.mosaic)])
        except UserError:
            return Corrected(frame.info, frame.mosaic, None)
    if frame.mosaic.form == "6x6":
        return Corrected(frame.info, correct_wide_defects(frame.mosaic, noise), noise)
    if frame.mosaic.form == "linear":
        return Corrected(frame.info, frame.mosaic, noise)
    pattern = (frame.info.iso or PATTERN_FROM) * frames >= PATTERN_FROM
    return Corrected(frame.info, correct_defects(frame.mosaic, noise, pattern=pattern), noise)
