"""What the sensor got wrong and what it lost: hot and dead pixels, row and column pattern, clipped channels.

Common practice, no source: a defect stands out from all eight neighbours of its own colour while the pixels of other
colours beside it show nothing; a real point of light, blurred by the lens, shows in them too.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.errors import UserError
from clerestory.raw.frame import open_frame
from clerestory.raw.noise_fit import fit_noise
from clerestory.raw.read import FrameInfo, Mosaic

F32 = NDArray[np.float32]
HOT_SIGMAS = 4.0  # of the noise at the neighbours' level, beyond the greatest of them
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
    up, own, down = raw[y - 2], raw[y], raw[y + 2]
    for x in range(2, own.size - 2):
        a, b, c = np.float32(up[x - 2]), np.float32(up[x]), np.float32(up[x + 2])
        d, v, e = np.float32(own[x - 2]), np.float32(own[x]), np.float32(own[x + 2])
        f, g, h = np.float32(down[x - 2]), np.float32(down[x]), np.float32(down[x + 2])
        most = max(max(max(a, b), max(c, d)), max(max(e, f), max(g, h)))
        least = min(min(min(a, b), min(c, d)), min(min(e, f), min(g, h)))
        over = max(v - most, least - v)
        level = least if v < least else most
        variance = gain * max(level - black, np.float32(0)) + read
        out[x] = over > 0 and over * over >= sigmas * sigmas * variance


@njit(cache=True, parallel=True, error_model="numpy")
def _defects(raw, black, gain, read, sigmas, out):  # type: ignore[no-untyped-def]
    """Adds 1 where a pixel is hot or dead; the outer three rows and columns are left alone."""
    height, width = raw.shape
    for y in prange(3, height - 3):
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
        _defects(frame.raw, *_channel_arrays(frame, noise), sigmas, votes)
    found = cv2.findNonZero((votes > len(frames) // 2).view(np.uint8))
    return np.zeros((0, 2), np.int32) if found is None else np.ascontiguousarray(found.reshape(-1, 2)[:, ::-1])


def _replace_defects(raw: NDArray[np.uint16], places: NDArray[np.int32]) -> None:
    """Each defect becomes the mean of the two same-colour neighbours, across or down, that agree best."""
    bad = {(int(y), int(x)) for y, x in places}
    height, width = raw.shape
    values: list[tuple[int, int, int]] = []
    for y, x in bad:
        best: tuple[float, int] | None = None
        for dy, dx in ((0, 2), (2, 0), (2, 2), (2, -2)):
            ends = [(y + s * dy, x + s * dx) for s in (-1, 1)]
            good = [e for e in ends if 0 <= e[0] < height and 0 <= e[1] < width and e not in bad]
            if not good:
                continue
            found = [int(raw[e]) for e in good]
            apart = float(abs(found[0] - found[-1])) * (1.0 if dy * dx == 0 else 1.5) + (1e6 if len(good) == 1 else 0)
            if best is None or apart < best[0]:
                best = apart, round(sum(found) / len(found))
        if best is not None:
            values.append((y, x, best[1]))
    for y, x, v in values:
        raw[y, x] = v


@njit(cache=True, parallel=True, error_model="numpy")
def _row_residuals(raw, black, gain, read, out):  # type: ignore[no-untyped-def]
    """Weighted mean, over chunks of each row, of pixel - mean of six same-colour pixels above and below.

    And the variance that noise alone would give it. Pixels whose neighbours differ by more than 3 sigma are left out.
    """
    height, width = raw.shape
    chunks = out.shape[1]
    for y in prange(6, height - 6):
        for k in range(chunks):
            total, count = np.float32(0), np.float32(0)
            for x in range(k * width // chunks, (k * width + width // 2) // chunks):  # half the row is enough
                a, b = np.float32(raw[y - 2, x]), np.float32(raw[y + 2, x])
                c, e = np.float32(raw[y - 4, x]), np.float32(raw[y + 4, x])
                f, h = np.float32(raw[y - 6, x]), np.float32(raw[y + 6, x])
                p, q = y & 1, x & 1
                level = (a + b + c + e + f + h) / np.float32(6)
                d = np.float32(raw[y, x]) - level
                v = gain[p, q] * max(level - black[p, q], np.float32(0)) + read[p, q]
                limit = np.float32(9) * v
                slope = (a + c + f - b - e - h) / np.float32(3)
                if d * d < limit and slope * slope < limit and (a - b) * (a - b) < np.float32(2) * limit:
                    total += d / v
                    count += np.float32(1) / v
            out[y, k, 0] = total / count if count > 0 else np.float32(0)
            out[y, k, 1] = np.float32(7 / 6) / max(count, np.float32(1e-6))


@njit(cache=True, parallel=True, error_model="numpy")
def _column_residuals(raw, black, gain, read, out):  # type: ignore[no-untyped-def]
    """The same for columns, over chunks of each column."""
    height, width = raw.shape
    chunks = out.shape[1]
    for k in prange(chunks):
        total = np.zeros(width, np.float32)
        count = np.zeros(width, np.float32)
        for y in range(k * height // chunks, (k * height + height // 2) // chunks):
            p = y & 1
            for x in range(6, width - 6):
                a, b = np.float32(raw[y, x - 2]), np.float32(raw[y, x + 2])
                c, e = np.float32(raw[y, x - 4]), np.float32(raw[y, x + 4])
                f, h = np.float32(raw[y, x - 6]), np.float32(raw[y, x + 6])
                q = x & 1
                level = (a + b + c + e + f + h) / np.float32(6)
                d = np.float32(raw[y, x]) - level
                v = gain[p, q] * max(level - black[p, q], np.float32(0)) + read[p, q]
                limit = np.float32(9) * v
                slope = (a + c + f - b - e - h) / np.float32(3)
                if d * d < limit and slope * slope < limit and (a - b) * (a - b) < np.float32(2) * limit:
                    total[x] += d / v
                    count[x] += np.float32(1) / v
        for x in range(6, width - 6):
            out[x, k, 0] = total[x] / count[x] if count[x] > 0 else np.float32(0)
            out[x, k, 1] = np.float32(7 / 6) / max(count[x], np.float32(1e-6))


def row_pattern(mosaic: Mosaic, noise: NoiseModel) -> F32:
    """Offset of each row, raw units, float32 (H,): only what the whole width agrees on, shrunk by its own doubt."""
    black, gain, read = _channel_arrays(mosaic, noise)
    found = np.zeros((mosaic.raw.shape[0], CHUNKS, 2), np.float32)
    _row_residuals(mosaic.raw, black, gain, read, found)
    return _pattern(found, float(np.sqrt(read.mean())))


def column_pattern(mosaic: Mosaic, noise: NoiseModel) -> F32:
    """The same for columns, float32 (W,)."""
    black, gain, read = _channel_arrays(mosaic, noise)
    found = np.zeros((mosaic.raw.shape[1], CHUNKS, 2), np.float32)
    _column_residuals(mosaic.raw, black, gain, read, found)
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


@njit(cache=True, parallel=True, error_model="numpy")
def _take_off(raw, rows, columns):  # type: ignore[no-untyped-def]
    """Offsets of rows and columns off the raw values, in place."""
    for y in prange(raw.shape[0]):
        for x in range(raw.shape[1]):
            v = np.float32(raw[y, x]) - np.rint(rows[y] + columns[x])
            raw[y, x] = np.uint16(min(max(v, np.float32(0)), np.float32(65535)))


def correct_defects(
    mosaic: Mosaic, noise: NoiseModel, hot: NDArray[np.int32] | None = None, pattern: bool = True
) -> Mosaic:
    """The frame with hot and dead pixels replaced and row and column pattern taken out; the given one is untouched.

    `hot`: places (n, 2), row and column, known already (from a run), else found in this frame.
    """
    places = find_defects(mosaic, noise) if hot is None else hot
    raw = mosaic.raw.copy()
    _replace_defects(raw, places)
    out = replace(mosaic, raw=raw)
    if not pattern:
        return out
    rows, columns = row_pattern(out, noise), column_pattern(out, noise)
    if rows.any() or columns.any():
        _take_off(raw, rows, columns)
    return out


PLENTY = 2.0  # weight of a colour (about as many pixels) that is as good as more: what counts is how well it fits
STRICT = np.float32(
    3
)  # halvings of its weight for each stop by which a colour would have lost the channels too easily
WHITE_GLASS = 1.0  # weight of white glass, which may be there without being seen unclipped
PLANES = 64  # that OpenCV blurs at a time
CELL = 32  # pixels across a cell of the map of colours around what is clipped
REACH = 5  # cells across within which colours are looked for around a clipped one
LOW, HIGH = np.float32(0.94), np.float32(0.99)  # shares of saturation between which a channel fades into clipped
CLASSES = 9  # of the ratio of the two channels left, in stops from -4 to 4; of the excess over one, from 0 to 8
NEARER = (
    0.0,
    0.5,
    1.0,
    2.0,
    3.0,
)  # stops from which on a colour is so much nearer to saturation in one than in others
FARTHEST = np.float32(3.2)  # times what it shows that a clipped channel is taken for at most: 1.7 stops
PALER = (0.03, 0.08, 1.0)  # of the way to white, with one, two, three channels lost; set on the modelled church


@njit(cache=True, inline="always", error_model="numpy")
def _class(p, q):  # type: ignore[no-untyped-def]
    """Place among the classes of the ratio p / q, fractional."""
    t = np.log2(max(p, np.float32(1e-5)) / max(q, np.float32(1e-5))) + np.float32(4)
    return min(max(t, np.float32(0)), np.float32(CLASSES - 1.001))


@njit(cache=True, parallel=True, error_model="numpy")
def _clipped_cells(rgb, ceiling, cell, out):  # type: ignore[no-untyped-def]
    """Cells in which any channel comes near saturation."""
    for i in prange(out.shape[0]):
        for y in range(i * cell, min((i + 1) * cell, rgb.shape[0])):
            for x in range(rgb.shape[1]):
                for k in range(3):
                    if rgb[y, x, k] >= LOW * ceiling[k]:
                        out[i, x // cell] = 1


@njit(cache=True, inline="always", error_model="numpy")
def _ramp(v, low, high):  # type: ignore[no-untyped-def]
    t = min(max((v - low) / (high - low), np.float32(0)), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


@njit(cache=True, parallel=True, error_model="numpy")
def _touched(rgb, ceiling, cell, wanted, out):  # type: ignore[no-untyped-def]
    """How far each channel is lost, 0 to 255: by the most that the pixel or its eight neighbours show of it.

    Interpolating a mosaic carries what is clipped that far.
    """
    for y in prange(rgb.shape[0]):
        for x in range(rgb.shape[1]):
            if not wanted[y // cell, x // cell]:
                continue
            for k in range(3):
                most = np.float32(0)
                for i in range(max(y - 1, 0), min(y + 2, rgb.shape[0])):
                    for j in range(max(x - 1, 0), min(x + 2, rgb.shape[1])):
                        most = max(most, rgb[i, j, k])
                out[y, x, k] = np.uint8(np.float32(255) * _ramp(most / ceiling[k], LOW, HIGH))


@njit(cache=True, inline="always", error_model="numpy")
def _gather(v, w, ceiling, one, two):  # type: ignore[no-untyped-def]
    """Adds an unclipped pixel to its cell: by channel and class, its stops beside the others, and its weight."""
    half, whole = np.float32(0.5), np.float32(1)
    logs = (np.log2(v[0]), np.log2(v[1]), np.log2(v[2]))
    for k in range(3):
        a, b = (k + 1) % 3, (k + 2) % 3
        t = _class(v[a], v[b])
        n = int(t)
        f = t - np.float32(n)
        stops = logs[k] - half * (logs[a] + logs[b])
        over = logs[k] - np.log2(max(v[a] / ceiling[a], v[b] / ceiling[b]) * ceiling[k])
        if over >= 0:  # brighter, such a colour loses this channel first
            m = 0
            while m + 1 < len(NEARER) and over >= NEARER[m + 1]:
                m += 1
            one[k, n, m, 0] += (whole - f) * w * stops
            one[k, n, m, 1] += (whole - f) * w
            one[k, n + 1, m, 0] += f * w * stops
            one[k, n + 1, m, 1] += f * w
        # How far both others are nearer to saturation: brighter, such a colour loses them both and keeps this one.
        over = np.log2(min(v[a] / ceiling[a], v[b] / ceiling[b]) * ceiling[k]) - logs[k]
        if over >= 0:
            n = min(int(over), CLASSES - 1)
            two[k, n, 0] += w * (logs[a] - logs[k])
            two[k, n, 1] += w * (logs[b] - logs[k])
            two[k, n, 2] += w


@njit(cache=True, parallel=True, error_model="numpy")
def _colours_near(rgb, lost, ceiling, cell, wanted, one, two):  # type: ignore[no-untyped-def]
    """The colours of bright unclipped pixels of each cell, for `_one_lost` and `_two_lost`."""
    for i in prange(wanted.shape[0]):
        for j in range(wanted.shape[1]):
            if not wanted[i, j]:
                continue
            for y in range(i * cell, min((i + 1) * cell, rgb.shape[0])):
                for x in range(j * cell, min((j + 1) * cell, rgb.shape[1])):
                    v = rgb[y, x]
                    top = max(v[0] / ceiling[0], max(v[1] / ceiling[1], v[2] / ceiling[2]))
                    if not np.float32(0.15) < top < np.float32(0.93):
                        continue
                    if min(v[0], min(v[1], v[2])) <= np.float32(1e-4):
                        continue
                    if lost[y, x, 0] == 0 and lost[y, x, 1] == 0 and lost[y, x, 2] == 0:
                        _gather(v, top * top * top, ceiling, one[i, j], two[i, j])


def _spread(part: F32, doubt: float) -> F32:
    """Sums (cells h x w, ..., the last of n the weight) as means, from near and from farther away, and the weight.

    `doubt`: weight of 0 (no tint), to which the mean tends where little is known.
    """
    flat = part.reshape(*part.shape[:2], -1)
    out = np.zeros_like(flat)
    for first in range(0, flat.shape[2], PLANES):
        some = np.ascontiguousarray(flat[..., first : first + PLANES])
        for sigma, share in ((0.6, 1.0), (1.5, 0.3), (4.0, 0.1)):
            blurred = cv2.GaussianBlur(some, (0, 0), sigma, borderType=cv2.BORDER_REPLICATE)
            out[..., first : first + PLANES] += np.float32(share) * blurred.reshape(some.shape)
    known: F32 = out.reshape(part.shape)
    known[..., :-1] /= known[..., -1:] + np.float32(doubt)
    return known


def _known_colours(rgb: F32, lost: NDArray[np.uint8], ceiling: F32, wanted: NDArray[np.uint8]) -> tuple[F32, F32]:
    """Of every cell, by channel and class: stops where one channel is lost, (stops, stops, weight) where two are."""
    one = np.zeros((*wanted.shape, 3, CLASSES, len(NEARER), 2), np.float32)
    two = np.zeros((*wanted.shape, 3, CLASSES, 3), np.float32)
    _colours_near(rgb, lost, ceiling, CELL, wanted, one, two)
    return _spread(one, 1e-6), _spread(two, 1e-6)


@njit(cache=True, inline="always", error_model="numpy")
def _cells(y, x, rows, columns):  # type: ignore[no-untyped-def]
    """The upper left of the four cells around a pixel, and how far on from it the pixel lies."""
    u = min(max(np.float32(y) / np.float32(CELL) - np.float32(0.5), np.float32(0)), np.float32(rows - 1))
    v = min(max(np.float32(x) / np.float32(CELL) - np.float32(0.5), np.float32(0)), np.float32(columns - 1))
    i, j = int(u), int(v)
    return i, j, u - np.float32(i), v - np.float32(j)


@njit(cache=True, error_model="numpy")
def _one_lost(colours, y, x, k, p, q, share):  # type: ignore[no-untyped-def]
    """Value of channel k from the other two, p and q, the nearer of which to saturation shows `share` of it.

    Colours nearby of the same ratio of p to q, interpolated between cells; of these the ones that would just have
    lost channel k count most. Grey where none is known.
    """
    t = _class(p, q)
    r = int(t)
    f = t - np.float32(r)
    need = -np.log2(max(share, np.float32(1e-4)))
    i, j, fu, fv = _cells(y, x, colours.shape[0], colours.shape[1])
    stops, total = np.float32(0), np.float32(WHITE_GLASS) * np.exp2(-STRICT * abs(t - np.float32(4)))
    for di in range(2):
        for dj in range(2):
            a, b = min(i + di, colours.shape[0] - 1), min(j + dj, colours.shape[1] - 1)
            w = (fu if di else np.float32(1) - fu) * (fv if dj else np.float32(1) - fv)
            for m in range(len(NEARER)):
                upper = np.float32(NEARER[m + 1] if m + 1 < len(NEARER) else 5.0)
                if upper <= need:
                    continue
                fit = w * np.exp2(-STRICT * max(np.float32(NEARER[m]) - need, np.float32(0)))
                for n in range(2):
                    known = colours[a, b, k, r + n, m, 1]
                    known = fit * (f if n else np.float32(1) - f) * known / (known + np.float32(PLENTY))
                    stops += known * colours[a, b, k, r + n, m, 0]
                    total += known
    return np.sqrt(max(p, np.float32(0)) * max(q, np.float32(0))) * np.exp2(stops / total)


@njit(cache=True, error_model="numpy")
def _two_lost(colours, ceiling, y, x, k, value, share):  # type: ignore[no-untyped-def]
    """Values of the two channels after k (in turn) from it alone, and how much is known of them (0 to 1).

    `share`: of saturation, what k shows. Only colours that, this bright, would have lost the other two come into
    question; of these the ones that would just have lost them count most.
    """
    need = -np.log2(max(share, np.float32(1e-4)))
    i, j, fu, fv = _cells(y, x, colours.shape[0], colours.shape[1])
    first = second = total = np.float32(0)
    o, p = (k + 1) % 3, (k + 2) % 3
    white = np.float32(WHITE_GLASS) * np.exp2(-STRICT * abs(np.log2(ceiling[k] / max(ceiling[o], ceiling[p])) - need))
    for di in range(2):
        for dj in range(2):
            a, b = min(i + di, colours.shape[0] - 1), min(j + dj, colours.shape[1] - 1)
            w = (fu if di else np.float32(1) - fu) * (fv if dj else np.float32(1) - fv)
            for n in range(CLASSES):
                beyond = np.float32(n) + np.float32(0.5) - need
                if beyond <= np.float32(-0.5):
                    continue
                known = colours[a, b, k, n, 2]
                known = w * np.exp2(-STRICT * abs(beyond)) * known / (known + np.float32(PLENTY))
                first += known * colours[a, b, k, n, 0]
                second += known * colours[a, b, k, n, 1]
                total += known
    total += white
    trust = total / (total + np.float32(0.02))
    total = max(total, np.float32(1e-12))
    return value * np.exp2(first / total), value * np.exp2(second / total), trust


@njit(cache=True, inline="always", error_model="numpy")
def _channel(v, w, one, pairs, k, top):  # type: ignore[no-untyped-def]
    """What channel k is taken for: from both others, from the one of them that is left, or white where neither is.

    `pairs[u, k]`: as `_two_lost` has it from channel u alone.
    """
    a, b = (k + 1) % 3, (k + 2) % 3
    whole = np.float32(1)
    out = (whole - w[a]) * (whole - w[b]) * one[k]
    out += w[a] * (whole - w[b]) * pairs[b, k] + w[b] * (whole - w[a]) * pairs[a, k] + w[a] * w[b] * top
    return v[k] + w[k] * (max(out, v[k]) - v[k])


@njit(cache=True, parallel=True, error_model="numpy")
def _reconstruct(rgb, lost, ceiling, one_lost, two_lost):  # type: ignore[no-untyped-def]
    for y in prange(rgb.shape[0]):
        v, w, one = np.empty(3, np.float32), np.empty(3, np.float32), np.empty(3, np.float32)
        new, pairs = np.empty(3, np.float32), np.empty((3, 3), np.float32)
        for x in range(rgb.shape[1]):
            if lost[y, x, 0] == 0 and lost[y, x, 1] == 0 and lost[y, x, 2] == 0:
                continue
            top = missing = np.float32(0)
            for k in range(3):
                v[k] = rgb[y, x, k]
                w[k] = np.float32(lost[y, x, k]) / np.float32(255)
                missing += w[k]
                top = max(top, v[k])
            for k in range(3):
                a, b = (k + 1) % 3, (k + 2) % 3
                if w[k] > 0:
                    share = max(v[a] / ceiling[a], v[b] / ceiling[b])
                    one[k] = _one_lost(one_lost, y, x, k, v[a], v[b], share)
                pairs[k, a] = pairs[k, b] = top
                if w[a] > 0 and w[b] > 0:
                    first, second, trust = _two_lost(two_lost, ceiling, y, x, k, v[k], v[k] / ceiling[k])
                    pairs[k, a] = top + trust * (first - top)
                    pairs[k, b] = top + trust * (second - top)
            most = FARTHEST
            for k in range(3):
                new[k] = _channel(v, w, one, pairs, k, top)
                most = max(most, new[k] / max(v[k], np.float32(1e-6)))
            # No farther than so many stops, the colour kept.
            for k in range(3):
                new[k] *= FARTHEST / most
            # The fewer channels are left to say the colour, the paler it is shown, as film pales towards the light.
            paler = np.float32(PALER[0]) * min(missing, np.float32(1))
            paler += np.float32(PALER[1] - PALER[0]) * min(max(missing - np.float32(1), np.float32(0)), np.float32(1))
            paler += np.float32(PALER[2] - PALER[1]) * max(missing - np.float32(2), np.float32(0))
            brightest = max(new[0], max(new[1], new[2]))
            for k in range(3):
                rgb[y, x, k] = new[k] + paler * (brightest - new[k])


def reconstruct_highlights(rgb: F32, multipliers: Sequence[float] | NDArray[np.floating]) -> F32:
    """Clipped channels rebuilt, in place, in white-balanced camera RGB (float32 H x W x 3); returns the same array.

    Channel k saturates at `multipliers[k]` (the least of them 1). One clipped channel follows the colour of bright
    unclipped glass nearby whose two other channels stand in the same ratio. Two follow such glass as would have lost
    just these two, as bright as the third channel says; where there is none they rise to the highest of the three.
    Three are white. None rises by more than 1.7 stops, and what is rebuilt is paler the less is left to say its
    colour. Colour borrowed across channels and from near by: after Masood, Zhu and Tappen 2009, "Automatic correction
    of saturated regions in photographs using cross-channel correlation".
    """
    ceiling = np.asarray(multipliers, np.float32)
    height, width = rgb.shape[:2]
    clipped = np.zeros((-(-height // CELL), -(-width // CELL)), np.uint8)
    _clipped_cells(rgb, ceiling, CELL, clipped)
    if not clipped.any():
        return rgb
    lost = np.zeros(rgb.shape, np.uint8)
    _touched(rgb, ceiling, CELL, cv2.dilate(clipped, np.ones((3, 3), np.uint8)), lost)
    wanted = cv2.dilate(clipped, np.ones((REACH, REACH), np.uint8))
    _reconstruct(rgb, lost, ceiling, *_known_colours(rgb, lost, ceiling, wanted))
    return rgb


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
            noise = fit([frame.mosaic])
        except UserError:
            return Corrected(frame.info, frame.mosaic, None)
    pattern = (frame.info.iso or PATTERN_FROM) * frames >= PATTERN_FROM
    return Corrected(frame.info, correct_defects(frame.mosaic, noise, pattern=pattern), noise)
