"""A mosaic laid on the reference's pixel grid, colour by colour, with no loss of sharpness.

Each frame's missing colours are first filled in by the linear filters of Malvar, He and Cutler (2004), whose response
to grey detail stays near 1 as far as the mosaic records it; then every pixel of the reference takes its own colour
from there by a Lanczos kernel of three lobes. What the filters get wrong at one place differs from frame to frame
with the hand's movement, and averages out. Neither step may overshoot beside bright glass: corrections are held to
what the neighbours span.

A frame of three values a pixel is laid plane by plane, and a monochrome one as it is: nothing is to be filled in.
"""

from __future__ import annotations

import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.merge.align import Motion
from clerestory.raw.lattice import picked_from_three
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
TAPS, PHASES = 6, 128
REACH = 3  # pixels by which the kernels look beyond a place
PATCH = 256  # pixels across a patch that is filled in and laid at once


def _lanczos(crispness: float = 0.0) -> F32:
    """Weights (PHASES + 1, TAPS) of Lanczos's kernel of three lobes, summing to 1.

    `crispness` lifts fine detail, most half-way between pixels and not at all on one, where nothing is lost.
    """

    def kernel(x: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.sinc(x) * np.sinc(x / 3) * (np.abs(x) < 3))

    x = np.arange(PHASES + 1)[:, None] / PHASES + 2 - np.arange(TAPS)[None]
    phase = np.arange(PHASES + 1)[:, None] / PHASES
    lift = crispness * (4 * phase * (1 - phase)) ** 2
    w = (1 + lift) * kernel(x) - lift / 2 * (kernel(x - 1) + kernel(x + 1))
    out: F32 = (w / w.sum(axis=1, keepdims=True)).astype(np.float32)
    return out


# What the filters below lose at the fineness of a lens's own blur, 0.3 cycles per pixel, is 0.21 on average over
# places; a little more, since the foot of an edge is lifted less.
CRISPNESS = 0.25
LANCZOS = _lanczos()
# From no lift to all of it, in steps: where four neighbours span no more than noise does there is no detail to keep,
# and a lift would only lift the noise. Spans squared over the variance; of four, noise alone spans 2.06 deviations on
# average, and more than 3.6 once in 20 times (the range of four normal deviates).
LIFTS = np.stack([_lanczos(CRISPNESS * share) for share in np.linspace(0, 1, 9)])
SPAN_FROM, SPAN_TO = 3.4**2, 5.0**2


def balance_of(mosaic: Mosaic) -> tuple[float, float, float]:
    """White-balance multipliers to merge under: the camera's own, else daylight's, else none."""
    return mosaic.as_shot or mosaic.daylight or (1.0, 1.0, 1.0)


@njit(cache=True, inline="always", error_model="numpy")
def _held(base, change, low, high):  # type: ignore[no-untyped-def]
    """A correction held to what the neighbours span and a quarter of their level."""
    most = high - low + np.float32(0.25) * abs(base)
    return base + min(max(change, -most), most)


@njit(cache=True, error_model="numpy")
def _fill(s, cfa, out):  # type: ignore[no-untyped-def]
    """Three planes (3, H, W) from a balanced mosaic with a margin of 2: Malvar, He and Cutler's filters."""
    _, height, width = out.shape
    for y in range(height):
        for x in range(width):
            i, j = y + 2, x + 2
            own = cfa[y % 2, x % 2]
            c = s[i, j]
            n, o, e, w = s[i - 1, j], s[i + 1, j], s[i, j + 1], s[i, j - 1]
            nw, ne, sw, se = s[i - 1, j - 1], s[i - 1, j + 1], s[i + 1, j - 1], s[i + 1, j + 1]
            far_v, far_h = s[i - 2, j] + s[i + 2, j], s[i, j - 2] + s[i, j + 2]
            low4, high4 = min(min(n, o), min(e, w)), max(max(n, o), max(e, w))
            if own == 0 or own == 2:
                cross = c - np.float32(0.25) * (far_v + far_h)
                out[own, y, x] = c
                out[1, y, x] = _held(np.float32(0.25) * (n + o + e + w), np.float32(0.5) * cross, low4, high4)
                low, high = min(min(nw, ne), min(sw, se)), max(max(nw, ne), max(sw, se))
                mean = np.float32(0.25) * (nw + ne + sw + se)
                out[2 - own, y, x] = _held(mean, np.float32(0.75) * cross, low, high)
            else:
                out[1, y, x] = c
                diagonal = nw + ne + sw + se
                along = np.float32(0.125) * (np.float32(5.0) * c - diagonal - far_h + np.float32(0.5) * far_v)
                across = np.float32(0.125) * (np.float32(5.0) * c - diagonal - far_v + np.float32(0.5) * far_h)
                beside = np.int64(cfa[y % 2, (x + 1) % 2])
                out[beside, y, x] = _held(np.float32(0.5) * (e + w), along, min(e, w), max(e, w))
                out[2 - beside, y, x] = _held(np.float32(0.5) * (n + o), across, min(n, o), max(n, o))


@njit(cache=True, error_model="numpy")
def _balanced(raw, cfa, black, gain, top, left, out):  # type: ignore[no-untyped-def]
    """Raw from row `top` and column `left` on to balanced values above black with a margin of 2.

    At the frame's edges the margin is mirrored so that it keeps the colours' places.
    """
    height, width = raw.shape
    for i in range(out.shape[0]):
        y = i - 2 + top
        y = -y if y < 0 else (2 * height - 2 - y if y >= height else y)
        for j in range(out.shape[1]):
            x = j - 2 + left
            x = -x if x < 0 else (2 * width - 2 - x if x >= width else x)
            c = cfa[y % 2, x % 2]
            out[i, j] = (np.float32(raw[y, x]) - black[c]) * gain[c]


def channel_gains(mosaic: Mosaic) -> F32:
    """What raw units above black are multiplied by, per channel of the filter pattern (4,), to be balanced."""
    r, g, b = balance_of(mosaic)
    return np.array([r, g, b, g], np.float32)


@njit(cache=True, error_model="numpy")
def _filled(raw, cfa, plain, black, gain, top, left, rows, columns):  # type: ignore[no-untyped-def]
    """Balanced linear colour (3, rows, columns) of part of a frame; `top` and `left` are even. `plain`: all of it is
    of the one colour that `cfa` names, whose plane alone is filled."""
    padded = np.empty((rows + 4, columns + 4), np.float32)
    _balanced(raw, cfa, black, gain, top, left, padded)
    out = np.empty((3, rows, columns), np.float32)
    if plain:
        out[cfa[0, 0]] = padded[2 : rows + 2, 2 : columns + 2]
    else:
        _fill(padded, cfa, out)
    return out


@njit(cache=True, inline="always", error_model="numpy")
def _sample(planes, k, ix, iy, kernels, px, py, slope, foot):  # type: ignore[no-untyped-def]
    """Lanczos value at a place, held to the range of the four pixels around it and 0.4 of that range.

    `kernels` with more and more lift, of which the span of those four over the noise chooses.
    """
    p, q, r, s = planes[k, iy, ix], planes[k, iy, ix + 1], planes[k, iy + 1, ix], planes[k, iy + 1, ix + 1]
    low, high = min(min(p, q), min(r, s)), max(max(p, q), max(r, s))
    variance = np.float32(0.5) * max(low + high, np.float32(0.0)) * slope + foot
    beyond = (high - low) * (high - low) - np.float32(SPAN_FROM) * variance
    steps = np.float32(kernels.shape[0] - 1)
    share = beyond / (np.float32(SPAN_TO - SPAN_FROM) * variance + np.float32(1e-9))
    kernel = kernels[int(steps * min(max(share, np.float32(0.0)), np.float32(1.0)) + np.float32(0.5))]
    total = np.float32(0.0)
    for a in range(6):
        row = np.float32(0.0)
        for b in range(6):
            row += kernel[px, b] * planes[k, iy + a - 2, ix + b - 2]
        total += kernel[py, a] * row
    room = np.float32(0.4) * (high - low)
    return min(max(total, low - room), high + room)


@njit(cache=True, error_model="numpy")
def _edge_sample(planes, k, ix, iy, kernels, px, py, slope, foot):  # type: ignore[no-untyped-def]
    """The same at the frame's edge, whose last pixels are repeated."""
    _, height, width = planes.shape
    around = np.empty((1, 6, 6), np.float32)
    for a in range(6):
        for b in range(6):
            around[0, a, b] = planes[k, min(max(iy + a - 2, 0), height - 1), min(max(ix + b - 2, 0), width - 1)]
    return _sample(around, 0, 2, 2, kernels, px, py, slope, foot)


@njit(cache=True, error_model="numpy")
def _part_seen(nodes, r0, r1, c0, c1, height, width):  # type: ignore[no-untyped-def]
    """The part of another frame that a patch of the reference between nodes needs: first and last row and column."""
    low_x = low_y = np.float32(1e9)
    high_x = high_y = np.float32(-1e9)
    for r in range(r0, r1 + 1):
        for c in range(c0, c1 + 1):
            low_x, high_x = min(low_x, nodes[r, c, 0]), max(high_x, nodes[r, c, 0])
            low_y, high_y = min(low_y, nodes[r, c, 1]), max(high_y, nodes[r, c, 1])
    top, left = max(int(np.floor(low_y)) - REACH, 0) // 2 * 2, max(int(np.floor(low_x)) - REACH, 0) // 2 * 2
    return top, min(int(np.ceil(high_y)) + REACH + 1, height), left, min(int(np.ceil(high_x)) + REACH + 1, width)


@njit(cache=True, error_model="numpy")
def _lay_patch(planes, top, left, cfa, nodes, light, step, kernels, slope, foot, y0, x0, at, out):  # type: ignore[no-untyped-def]
    """Each reference pixel's own colour, between four nodes, from `planes`, the other frame from (top, left) on.

    `at`: room for the positions of one row.
    """
    r, c = y0 // step, x0 // step
    height, width = out.shape
    phases, half, inverse = np.float32(kernels.shape[1] - 1), np.float32(0.5), np.float32(1.0 / step)
    count = min(step, width - x0)
    g0, dg = np.empty(3, np.float32), np.empty(3, np.float32)
    for y in range(y0, min(y0 + step, height)):
        v = np.float32(y - y0) * inverse
        ax = nodes[r, c, 0] + v * (nodes[r + 1, c, 0] - nodes[r, c, 0])
        ay = nodes[r, c, 1] + v * (nodes[r + 1, c, 1] - nodes[r, c, 1])
        bx = nodes[r, c + 1, 0] + v * (nodes[r + 1, c + 1, 0] - nodes[r, c + 1, 0])
        by = nodes[r, c + 1, 1] + v * (nodes[r + 1, c + 1, 1] - nodes[r, c + 1, 1])
        dx, dy = (bx - ax) * inverse, (by - ay) * inverse
        for k in range(3):
            g0[k] = light[r, c, k] + v * (light[r + 1, c, k] - light[r, c, k])
            dg[k] = (light[r, c + 1, k] + v * (light[r + 1, c + 1, k] - light[r, c + 1, k]) - g0[k]) * inverse
        for m in range(count):
            qx, qy = ax + dx * np.float32(m), ay + dy * np.float32(m)
            fx, fy = np.floor(qx), np.floor(qy)
            at[0, m], at[1, m] = np.int32(fx), np.int32(fy)
            at[2, m], at[3, m] = np.int32((qx - fx) * phases + half), np.int32((qy - fy) * phases + half)
        for m in range(count):
            ix, iy, px, py = at[0, m], at[1, m], at[2, m], at[3, m]
            channel = cfa[y % 2, (x0 + m) % 2]
            k = 1 if channel == 3 else channel
            gain = g0[k] + dg[k] * np.float32(m)
            if ix >= 2 and iy >= 2 and ix < width - 3 and iy < height - 3:
                out[y, x0 + m] = _sample(planes, k, ix - left, iy - top, kernels, px, py, slope[k], foot[k]) * gain
                continue
            qx, qy = ax + dx * np.float32(m), ay + dy * np.float32(m)
            if qx < -0.5 or qy < -0.5 or qx > width - 0.5 or qy > height - 0.5:
                out[y, x0 + m] = np.float32(-1e9)
            else:
                out[y, x0 + m] = (
                    _edge_sample(planes, k, ix - left, iy - top, kernels, px, py, slope[k], foot[k]) * gain
                )


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(begin, end, raw, cfa, plain, black, gain, nodes, light, step, across, kernels, slope, foot, wanted, out):  # type: ignore[no-untyped-def]
    """A frame on the reference's grid, patch by patch of `across` nodes so that all at hand stays in fast memory."""
    height, width = out.shape
    patches = (nodes.shape[0] + across - 2) // across, (nodes.shape[1] + across - 2) // across
    for k in range(begin, end):
        r0, c0 = k // patches[1] * across, k % patches[1] * across
        r1, c1 = min(r0 + across, nodes.shape[0] - 1), min(c0 + across, nodes.shape[1] - 1)
        top, bottom, left, right = _part_seen(nodes, r0, r1, c0, c1, height, width)
        if not wanted[k // patches[1], k % patches[1]] or top >= bottom or left >= right:
            out[r0 * step : r1 * step, c0 * step : c1 * step] = np.float32(-1e9)
            continue
        planes = _filled(raw, cfa, plain, black, gain, top, left, bottom - top, right - left)
        at = np.empty((4, step), np.int32)
        for r in range(r0, r1):
            for c in range(c0, c1):
                _lay_patch(
                    planes, top, left, cfa, nodes, light, step, kernels, slope, foot, r * step, c * step, at, out
                )


def _planes(mosaic: Mosaic) -> list[tuple[NDArray[np.uint16], NDArray[np.int8], bool]]:
    """What a frame is laid as: values, H x W, the 2 x 2 of their channels, and whether these are all one."""
    if mosaic.form == "bayer":
        return [(mosaic.raw, mosaic.cfa, False)]
    if mosaic.whole is None:
        return [(mosaic.raw, np.zeros((2, 2), np.int8), True)]
    planes = (np.ascontiguousarray(mosaic.whole[..., k]) for k in range(3))
    return [(plane, np.full((2, 2), k, np.int8), True) for k, plane in enumerate(planes)]


def count_of_planes(mosaic: Mosaic) -> int:
    """How many values a pixel a frame is merged as: three where it holds three, else one."""
    return 1 if mosaic.whole is None else 3


def dealt(values: F32, cfa: NDArray[np.int8]) -> F32:
    """Of values (H x W, or 3 x H x W) those that filters `cfa` (2 x 2) would let through: a Bayer mosaic, H x W."""
    return values if values.ndim == 2 else picked_from_three(np.moveaxis(values, 0, -1), cfa)


def laid(
    mosaic: Mosaic, motion: Motion, noise: NoiseModel | None = None, wanted: NDArray[np.bool_] | None = None
) -> F32:
    """A frame on the reference's grid: balanced values above black, float32 H x W, -1e9 where it shows nothing.

    Of three values a pixel: 3 x H x W. Its light falls off as the reference's does. Both frames have the same filter
    pattern and size. With `noise`, the frame's own in raw units, fine detail is lifted only where there is more than
    noise. `wanted`, per 2 x 2 block (H/2 x W/2): elsewhere it need not be laid, and is -1e9 but near by.
    """
    black, gain = mosaic.black.astype(np.float32), channel_gains(mosaic)
    slope, foot = np.zeros(3, np.float32), np.zeros(3, np.float32)
    if noise is not None:
        for c in range(3):
            m = model_channel(c)
            slope[c], foot[c] = gain[c] * noise.gain[m], gain[c] ** 2 * noise.read[m] ** 2
    light = motion.gain if motion.gain.ndim == 3 else np.repeat(motion.gain[..., None], 3, axis=-1)
    across = max(1, PATCH // motion.step)
    patches = [(n + across - 2) // across for n in motion.nodes.shape[:2]]
    asked = np.ones(patches, bool)
    if wanted is not None:
        side = across * motion.step // 2
        room = [(0, max(0, n * side - have)) for n, have in zip(patches, wanted.shape, strict=True)]
        parts = np.pad(wanted, room)[: patches[0] * side, : patches[1] * side]
        asked = np.asarray(parts.reshape(patches[0], side, patches[1], side).any(axis=(1, 3)))
    kernels = LIFTS if mosaic.form == "bayer" else LIFTS[:1]  # the lift makes good what filling in loses
    given = black, gain, motion.nodes, light, motion.step, across, kernels, slope, foot, asked
    out = np.empty((count_of_planes(mosaic), *mosaic.raw.shape), np.float32)
    for (raw, cfa, plain), plane in zip(_planes(mosaic), out, strict=True):
        in_bands(_lay, 0, patches[0] * patches[1], raw, cfa, plain, *given, plane, least=1)
    return out[0] if len(out) == 1 else out


@njit(cache=True, nogil=True, error_model="numpy")
def _own(begin, end, raw, black, gain, out):  # type: ignore[no-untyped-def]
    """Values above black, balanced; `black`, `gain` by a pixel's row and column, even or odd."""
    for y in range(begin, end):
        for x in range(out.shape[1]):
            out[y, x] = (np.float32(raw[y, x]) - black[y & 1, x & 1]) * gain[y & 1, x & 1]


def own(mosaic: Mosaic) -> F32:
    """The reference itself: balanced values above black, float32 H x W, or 3 x H x W of three values a pixel."""
    out = np.empty((count_of_planes(mosaic), *mosaic.raw.shape), np.float32)
    black, gain = mosaic.black.astype(np.float32), channel_gains(mosaic)
    for (raw, cfa, _), plane in zip(_planes(mosaic), out, strict=True):
        in_bands(_own, 0, len(plane), raw, black[cfa], gain[cfa].astype(np.float32), plane)
    return out[0] if len(out) == 1 else out
