"""Noise reduction in the raw mosaic, before demosaicing, where the noise is white and its model is known.

Each colour plane is brought to unit noise by the generalised Anscombe transform; 8 x 8 windows of the four planes are
turned together into one brightness and three colour differences (the axis of brightness is the window's own mean
colour, so that shading on one material is all brightness), shrunk in the cosine domain, and averaged where they
overlap. A coarse scale takes the blotches that a window of 8 cannot see. Bright glass has a high signal to noise
ratio, so the same thresholds leave it as it is.

Sources: Makitalo and Foi 2013 (the transform and its unbiased inverse); Yaroslavsky 1996, Guleryuz 2007 (sliding
cosine windows); Knaus and Zwicker 2013 (means of what looks alike, cosines for what they leave); Foi 2009 (noise
that clipping has cut).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Literal

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.special import gammaln, ndtr, xlogy

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.develop.bilateral import like_means
from clerestory.develop.dct import SIDE, STRIDE, columns_dealt, slide
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands
from clerestory.run.memory import room

F32 = NDArray[np.float32]


def stabiliser(gain: float, read: float) -> tuple[float, float]:
    """Scale and offset (a, b) of the generalised Anscombe transform 2 sqrt(a x + b), x in raw units above black."""
    gain = max(gain, 1e-3)
    return 1 / gain, 3 / 8 + read**2 / gain**2


@njit(cache=True, nogil=True, error_model="numpy")
def _stabilise(begin, end, raw, row, column, black, a, b, width, out):  # type: ignore[no-untyped-def]
    """One colour plane to unit noise, its columns dealt out by STRIDE and its last column repeated."""
    for y in range(begin, end):
        for r in range(STRIDE):
            for m in range(out.shape[2]):
                x = min(m * STRIDE + r, width - 1)
                v = a * (np.float32(raw[2 * y + row, 2 * x + column]) - black) + b
                out[y, r, m] = np.float32(2.0) * np.sqrt(max(v, np.float32(0.0)))


LOWEST = 4.0  # standard deviations under the clip from which clipping no longer pulls the mean


def _clip_table() -> F32:
    """Depth under the clip of what was there, by depth under the clip of what clipping lets one see on average.

    Both in standard deviations; E[min(z + n, 0)] = z Phi(-z) - phi(z) for standard normal n (Foi 2009).
    """
    z = np.linspace(-LOWEST - 1, 6, 4000)
    seen = z * ndtr(-z) - np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    out: F32 = np.interp(np.linspace(-LOWEST, 0, 257), seen, np.minimum(z, 0)).astype(np.float32)
    return out


_UNDER = _clip_table()


@njit(cache=True, inline="always", error_model="numpy")
def _unclipped(v, span, gain, read2, under):  # type: ignore[no-untyped-def]
    """A mean close under the clip put back where it was before clipping cut its noise; at most the clip itself."""
    sigma = np.sqrt(gain * max(v, np.float32(0)) + read2)
    t = (v - span) / sigma
    if t <= np.float32(-LOWEST):
        return v
    p = (min(t, np.float32(0)) + np.float32(LOWEST)) * np.float32(256 / LOWEST)
    i = min(int(p), 255)
    f = p - np.float32(i)
    return span + sigma * (under[i] + f * (under[i + 1] - under[i]))


MANY = 40  # electrons from which the closed form of the unbiased inverse serves


def _few_table(b: float) -> tuple[float, float, F32]:
    """The exact unbiased inverse for few electrons: where it begins, entries per unit, electrons (Makitalo and Foi).

    E[2 sqrt(k + n + b)] over Poisson k and normal n, by Gauss-Hermite quadrature, turned round; straight on below
    no light at all, so that means stay true there.
    """
    light = np.linspace(0, MANY, 161)
    count = np.arange(4 * MANY)
    x, w = np.polynomial.hermite.hermgauss(24)
    each = 2 * np.sqrt(np.maximum(count[:, None] + np.sqrt(2 * (b - 3 / 8)) * x + b, 0)) @ (w / np.sqrt(np.pi))
    mean = np.exp(xlogy(count, light[:, None]) - gammaln(count + 1) - light[:, None]) @ each
    at = np.linspace(mean[0] - 1, mean[-1], 513)
    slope = light[1] / (mean[1] - mean[0])
    found = np.where(at < mean[0], (at - mean[0]) * slope, np.interp(at, mean, light))
    return float(at[0]), float(512 / (at[-1] - at[0])), found.astype(np.float32)


def _few_values(b: float) -> tuple[np.float32, np.float32, F32]:
    low, per, table = _few_table(b)
    return np.float32(low), np.float32(per), table


@njit(cache=True, nogil=True, error_model="numpy")
def _electrons(stable, sigma2, few, places, spare, out):  # type: ignore[no-untyped-def]
    """Electrons from stabilised means (n,) without bias: in closed form where light is plenty, else by the table.

    What is looked up stands by itself, so that the processor's wide lanes can take the rest. `places`, `spare`: room
    for n.
    """
    low, per, table = few
    root, plenty = np.float32(np.sqrt(1.5)), low + np.float32(table.size - 1) / per
    last = np.float32(table.size - 2)
    for x in range(out.size):
        p = max((stable[x] - low) * per, np.float32(0))
        places[x] = np.int32(min(p, last))
        spare[x] = p - np.float32(places[x])
        d = max(stable[x], np.float32(1e-3))
        i = np.float32(1) / d
        v = d * d * np.float32(0.25) - np.float32(0.125) - sigma2
        out[x] = v + i * (np.float32(0.25) * root + i * (np.float32(-1.375) + i * np.float32(0.625) * root))
    for x in range(out.size):
        i = places[x]
        spare[x] = table[i] + spare[x] * (table[i + np.uint32(1)] - table[i])
    for x in range(out.size):
        out[x] = spare[x] if stable[x] < plenty else out[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _cleaned(stable, a, b, few, span, under, places, spare, out):  # type: ignore[no-untyped-def]
    """Values above black, raw units, of stabilised means (n,), also close under the clip at `span`."""
    sigma2, gain = b - np.float32(0.375), np.float32(1) / a
    read2 = sigma2 * gain * gain
    _electrons(stable, sigma2, few, places, spare, out)
    for x in range(out.size):
        out[x] *= gain
        spare[x] = (out[x] - span) / np.sqrt(gain * max(out[x], np.float32(0)) + read2)
    for x in range(out.size):
        if spare[x] > np.float32(-LOWEST):
            out[x] = _unclipped(out[x], span, gain, read2, under)


@njit(cache=True, inline="always", error_model="numpy")
def _in_a_row(dealt, line):  # type: ignore[no-untyped-def]
    """A row's pixels, dealt out over STRIDE lines (STRIDE x n), one after another in `line`."""
    for r in range(STRIDE):
        part, into = dealt[r], line[r:]
        for m in range((line.size - r + STRIDE - 1) // STRIDE):
            into[STRIDE * m] = part[m]


@njit(cache=True, nogil=True, error_model="numpy")
def _restore(begin, end, stable, row, scales, few, strength, raw, black, span, under, width, out):  # type: ignore[no-untyped-def]
    """The unbiased inverse, in closed form where light is plenty (Makitalo and Foi 2013); blend by strength.

    Two planes at once, those of the even and the odd columns of every second row, from `row` on: `stable`, `scales`,
    `few`, `black` and `span` tell two of each.
    """
    places, clean = np.empty(width, np.uint32), np.empty((2, width), np.float32)
    line, spare = np.empty(width, np.float32), np.empty(width, np.float32)
    b0, b1 = black
    for y in range(begin, end):
        for c in range(2):
            _in_a_row(stable[c][y], line)
            a, b = scales[c]
            _cleaned(line, a, b, few[c], span[c], under, places, spare, clean[c])
        seen, result, even, odd = raw[2 * y + row], out[2 * y + row], clean[0], clean[1]
        for x in range(width):
            old, other = np.float32(seen[2 * x]) - b0, np.float32(seen[2 * x + 1]) - b1
            result[2 * x], result[2 * x + 1] = (
                old + strength * (even[x] - old),
                other + strength * (odd[x] - other),
            )


def _plane_order(mosaic: Mosaic) -> list[tuple[int, int, int]]:
    """(row, column, cfa number) of the planes in the order R, G1, G2, B of the noise model."""
    found = [(r, c, int(mosaic.cfa[r, c])) for r in range(2) for c in range(2)]
    return sorted(found, key=lambda item: model_channel(item[2]))


Quality = Literal["quick", "fast", "better"]


def denoise_mosaic(
    mosaic: Mosaic,
    noise: NoiseModel,
    strength: float = 1.0,
    quality: Quality = "fast",
    excess: F32 | None = None,
) -> F32:
    """The mosaic above black, float32 H x W in raw units, with noise taken out as far as the model says it is noise.

    `strength` 0 leaves the values alone, 1 takes out all that the model knows; above 1 also raises the thresholds.
    An odd last row or column is left as it is. `quality`: 'quick' is the cosines alone, enough where noise is low
    already; 'fast' adds what looks alike nearby and the coarse scale; 'better' looks closer. `excess`, H/2 x W/2: by
    how much the variance of a merged mosaic is above the model's, where fewer frames stand behind a place.
    """
    out = _denoised(mosaic, noise, strength, quality)
    if excess is not None and strength > 0:
        for factor, (rows, columns), share in _noisier(excess):
            box = slice(2 * rows.start, 2 * rows.stop), slice(2 * columns.start, 2 * columns.stop)
            part = replace(mosaic, raw=np.ascontiguousarray(mosaic.raw[box]))
            # 'quick' is chosen where a typical place has little noise; these have more.
            again = _denoised(part, noise.averaged(1 / factor), strength, "better" if quality == "better" else "fast")
            out[box] += np.repeat(np.repeat(share, 2, axis=0), 2, axis=1) * (again - out[box])
    return out


STEP = 2.0  # of variance from one noisier class of places to the next
SEAM = 4  # blocks over which classes pass into one another


def _noisier(excess: F32) -> Iterator[tuple[float, tuple[slice, slice], F32]]:
    """Classes of places with more noise than the rest: factor of variance, the box they lie in, their share in it."""
    classes = np.rint(np.log(np.maximum(excess, 1)) / math.log(STEP)).astype(np.uint8)
    for k in range(1, int(classes.max()) + 1):
        place = cv2.morphologyEx((classes >= k).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
        x, y, w, h = cv2.boundingRect(place)
        if not w:
            continue
        reach = 2 * SIDE
        rows, columns = (slice(max(a - reach, 0), min(a + n + reach, m))
                         for a, n, m in ((y, h, place.shape[0]), (x, w, place.shape[1])))  # fmt: skip
        share = cv2.blur(place[rows, columns].astype(np.float32), (2 * SEAM + 1, 2 * SEAM + 1))
        yield STEP**k, (rows, columns), share


def _denoised(mosaic: Mosaic, noise: NoiseModel, strength: float, quality: Quality) -> F32:
    raw = mosaic.raw
    out = room(*raw.shape)
    order = _plane_order(mosaic)
    height, width = raw.shape[0] // 2, raw.shape[1] // 2
    black = [np.float32(mosaic.black[n]) for _, _, n in order]
    if raw.shape[0] % 2 or raw.shape[1] % 2 or strength <= 0 or min(height, width) < SIDE:
        for (r, c, _), level in zip(order, black, strict=True):
            out[r::2, c::2] = raw[r::2, c::2].astype(np.float32) - level
    if strength <= 0 or min(height, width) < SIDE:
        return out
    planes = np.empty((4, height, STRIDE, columns_dealt(width)), np.float32)
    scales = [stabiliser(noise.gain[model_channel(n)], noise.read[model_channel(n)]) for _, _, n in order]
    for k, (r, c, _) in enumerate(order):
        a, b = scales[k]
        in_bands(_stabilise, 0, height, raw, r, c, black[k], np.float32(a), np.float32(b), width, planes[k])
    clean = _shrink(planes, width, max(strength, 1.0), quality)
    del planes
    mix, single = np.float32(min(strength, 1.0)), [(np.float32(a), np.float32(b)) for a, b in scales]
    for row in range(2):
        k, m = (next(k for k, (r, c, _) in enumerate(order) if (r, c) == (row, column)) for column in range(2))
        spans = np.float32(mosaic.white[order[k][2]]) - black[k], np.float32(mosaic.white[order[m][2]]) - black[m]
        two = (
            (clean[k], clean[m]),
            row,
            (single[k], single[m]),
            (_few_values(scales[k][1]), _few_values(scales[m][1])),
        )
        in_bands(_restore, 0, height, *two, mix, raw, (black[k], black[m]), spans, _UNDER, width, out)
    return out


# Three values a pixel as the planes R, G, G, B: each green 1 / sqrt 2 of it, so that their sum over sqrt 2, which is
# what brightness and colour take of them, has green's own noise, and their difference none.
_THREE = ((0, 1.0), (1, math.sqrt(0.5)), (1, math.sqrt(0.5)), (2, 1.0))


@njit(cache=True, nogil=True, error_model="numpy")
def _stabilise_channel(begin, end, values, channel, a, b, share, out):  # type: ignore[no-untyped-def]
    """As `_stabilise`, of one channel of values above black, times `share`."""
    width = values.shape[1]
    for y in range(begin, end):
        for r in range(STRIDE):
            for m in range(out.shape[2]):
                v = a * values[y, min(m * STRIDE + r, width - 1), channel] + b
                out[y, r, m] = share * np.float32(2.0) * np.sqrt(max(v, np.float32(0.0)))


@njit(cache=True, nogil=True, error_model="numpy")
def _restore_channel(begin, end, stable, channel, a, b, few, mix, share, span, under, values):  # type: ignore[no-untyped-def]
    """As `_restore`, into the values above black themselves."""
    width = values.shape[1]
    places, lines = np.empty(width, np.uint32), np.empty((3, width), np.float32)
    line, clean = lines[0], lines[1]
    for y in range(begin, end):
        _in_a_row(stable[y], line)
        for x in range(width):
            line[x] /= share
        _cleaned(line, a, b, few, span, under, places, lines[2], clean)
        for x in range(width):
            values[y, x, channel] += mix * (clean[x] - values[y, x, channel])


ROWS, BESIDE = 512, 64  # of a strip, and those it sees beyond its own: farther than noise reduction looks


def denoise_three(
    values: F32,
    span: NDArray[np.float64],
    noise: NoiseModel,
    strength: float = 1.0,
    quality: Quality = "fast",
    excess: F32 | None = None,
) -> None:
    """The same for three values a pixel, float32 H x W x 3 in raw units above black, in place.

    `span`: white minus black of R, G, B. `noise` is that of one value; of R, G1 and B are used. `excess`: as of
    `denoise_mosaic`, H/2 x W/2. Works in strips, so that memory does not grow with the frame.
    """
    if strength <= 0 or min(values.shape[:2]) < SIDE:
        return
    noisier = []
    for factor, (rows, columns), share in _noisier(excess) if excess is not None else ():
        box = slice(2 * rows.start, 2 * rows.stop), slice(2 * columns.start, 2 * columns.stop)
        noisier.append((factor, box, share, values[box].copy()))
    _denoise_strips(values, span, noise, strength, quality)
    for factor, box, share, part in noisier:
        # 'quick' is chosen where a typical place has little noise; these have more.
        closer: Quality = "better" if quality == "better" else "fast"
        _denoise_strips(part, span, noise.averaged(1 / factor), strength, closer)
        values[box] += np.repeat(np.repeat(share, 2, axis=0), 2, axis=1)[..., None] * (part - values[box])


def _denoise_strips(
    values: F32, span: NDArray[np.float64], noise: NoiseModel, strength: float, quality: Quality
) -> None:
    height = len(values)
    above = values[:0]
    for first in range(0, height, ROWS):
        last = min(first + ROWS, height)
        strip = np.concatenate([above, values[first : min(last + BESIDE, height)]])
        begin = len(above)
        above = values[last - BESIDE : last].copy()
        _denoise_strip(strip, span, noise, strength, quality)
        values[first:last] = strip[begin : begin + last - first]


def _denoise_strip(
    values: F32, span: NDArray[np.float64], noise: NoiseModel, strength: float, quality: Quality
) -> None:
    height, width = values.shape[:2]
    if height < SIDE:
        return
    planes = np.empty((4, height, STRIDE, columns_dealt(width)), np.float32)
    place = (0, 1, 3)  # of R, G and B in the noise model and among the planes
    scales = [stabiliser(noise.gain[k], noise.read[k]) for k in place]
    for k, (channel, share) in enumerate(_THREE):
        given = *(np.float32(v) for v in scales[channel]), np.float32(share)
        in_bands(_stabilise_channel, 0, height, values, channel, *given, planes[k])
    clean = _shrink(planes, width, max(strength, 1.0), quality)
    mix = np.float32(min(strength, 1.0))
    for channel, k in enumerate(place):
        a, b = scales[channel]
        how = np.float32(a), np.float32(b), _few_values(b), mix, np.float32(_THREE[k][1]), np.float32(span[channel])
        in_bands(_restore_channel, 0, height, clean[k], channel, *how, _UNDER, values)


COARSE = 4  # pixels of a plane to one of the coarse scale


@njit(cache=True, nogil=True, error_model="numpy")
def _reduced(begin, end, planes, width, out):  # type: ignore[no-untyped-def]
    """Means of COARSE x COARSE pixels times COARSE, which makes white noise of unit deviation of the same again."""
    height, columns = planes.shape[1], planes.shape[3] * STRIDE
    for y in range(begin, end):
        for q in range(4):
            for x in range(out.shape[3] * STRIDE):
                total = np.float32(0)
                for i in range(COARSE):
                    row = min(y * COARSE + i, height - 1)
                    for j in range(COARSE):
                        k = min(min(x, width - 1) * COARSE + j, columns - 1)
                        total += planes[q, row, k % STRIDE, k // STRIDE]
                out[q, y, x % STRIDE, x // STRIDE] = total / np.float32(COARSE)


@njit(cache=True, error_model="numpy")
def _across(before, after, i, width, scale, lines):  # type: ignore[no-untyped-def]
    """Noise found in rows i and i + 1 of the coarse scale, at every pixel across of the fine one."""
    for r in range(STRIDE):
        for m in range(lines.shape[3]):
            at = (np.float32(m * STRIDE + r) + np.float32(0.5)) * scale - np.float32(0.5)
            at = min(max(at, np.float32(0)), np.float32(width - 1))
            j = min(int(at), width - 2)
            g = at - np.float32(j)
            r0, m0, r1, m1 = j % STRIDE, j // STRIDE, (j + 1) % STRIDE, (j + 1) // STRIDE
            for n in range(2):
                for q in range(4):
                    value = (before[q, i + n, r0, m0] - after[q, i + n, r0, m0]) * (np.float32(1) - g)
                    value += (before[q, i + n, r1, m1] - after[q, i + n, r1, m1]) * g
                    lines[n, q, r, m] = value


@njit(cache=True, nogil=True, error_model="numpy")
def _take_off(begin, end, planes, before, after, width):  # type: ignore[no-untyped-def]
    """Takes off the fine scale, bilinearly, what the coarse one found to be noise."""
    rows = before.shape[1]
    scale = np.float32(1 / COARSE)
    lines, known = np.empty((2, 4, STRIDE, planes.shape[3]), np.float32), -1
    for y in range(begin, end):
        v = min(max((np.float32(y) + np.float32(0.5)) * scale - np.float32(0.5), np.float32(0)), np.float32(rows - 1))
        i = min(int(v), rows - 2)
        f = v - np.float32(i)
        if i != known:
            known = i
            _across(before, after, i, width, scale, lines)
        for q in range(4):
            for r in range(STRIDE):
                for m in range(planes.shape[3]):
                    top, low = lines[0, q, r, m], lines[1, q, r, m]
                    planes[q, y, r, m] -= (top + f * (low - top)) * scale


def _less_blotched(planes: F32, width: int, push: float) -> None:
    """Noise wider than a window of the fine scale, in place: the same cut-off on means of 4 x 4 pixels."""
    rows, columns = planes.shape[1] // COARSE, width // COARSE
    if min(rows, columns) < 2 * SIDE:
        return
    before = np.empty((4, rows, STRIDE, columns_dealt(columns)), np.float32)
    in_bands(_reduced, 0, rows, planes, columns, before)
    after = slide(before, 2, (2.7 * push, 3.0 * push, 3.0 * push, 3.0 * push))
    in_bands(_take_off, 0, planes.shape[1], planes, before, after, columns)


def _shrink(planes: F32, width: int, push: float, quality: str) -> F32:
    """Cosines for a first guess; means of what looks alike in it; then of what these leave out, what is not noise.

    `planes` is spent.
    """
    down = 2 if quality == "better" else 4
    guess = slide(planes, down, (2.7 * push, 2.9 * push, 2.9 * push, 2.9 * push))
    if quality == "quick":
        return guess
    alike = like_means(planes, guess, 5 if quality == "better" else 4, 3.0 * push)
    del guess
    left = np.subtract(planes, alike, out=planes)
    rest = slide(left, down, (3.4 * push, 3.6 * push, 3.6 * push, 3.6 * push))
    alike += rest
    del rest
    _less_blotched(alike, width, push)
    return alike
