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
MARGIN = 4  # pixels kept free around a patch, even, for the kernels at the frame's edge
LANES = 8  # columns summed at once: as many float32 as common processors take in one step
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
    """Malvar, He and Cutler's filters: three planes, margin `MARGIN`, from a balanced mosaic with one of 2."""
    height, width = s.shape[0] - 4, s.shape[1] - 4
    for y in range(height):
        up2, up, here, down, down2 = s[y], s[y + 1], s[y + 2], s[y + 3], s[y + 4]
        for odd in range(2):
            own, beside = cfa[y & 1, odd], cfa[y & 1, 1 - odd]
            if own == 0 or own == 2:
                third = out[np.int64(2) - own, y + MARGIN, MARGIN:]
                mine, green = out[own, y + MARGIN, MARGIN:], out[1, y + MARGIN, MARGIN:]
                for half in range((width - odd + 1) // 2):
                    x = 2 * half + odd
                    c = here[x + 2]
                    n, o, e, w = up[x + 2], down[x + 2], here[x + 3], here[x + 1]
                    nw, ne, sw, se = up[x + 1], up[x + 3], down[x + 1], down[x + 3]
                    cross = c - np.float32(0.25) * (up2[x + 2] + down2[x + 2] + (here[x] + here[x + 4]))
                    mine[x] = c
                    low, high = min(min(n, o), min(e, w)), max(max(n, o), max(e, w))
                    green[x] = _held(np.float32(0.25) * (n + o + e + w), np.float32(0.5) * cross, low, high)
                    low, high = min(min(nw, ne), min(sw, se)), max(max(nw, ne), max(sw, se))
                    mean = np.float32(0.25) * (nw + ne + sw + se)
                    third[x] = _held(mean, np.float32(0.75) * cross, low, high)
            else:
                upright = out[np.int64(2) - beside, y + MARGIN, MARGIN:]
                mine, level = out[1, y + MARGIN, MARGIN:], out[beside, y + MARGIN, MARGIN:]
                for half in range((width - odd + 1) // 2):
                    x = 2 * half + odd
                    c = here[x + 2]
                    n, o, e, w = up[x + 2], down[x + 2], here[x + 3], here[x + 1]
                    diagonal = up[x + 1] + up[x + 3] + down[x + 1] + down[x + 3]
                    far_v, far_h = up2[x + 2] + down2[x + 2], here[x] + here[x + 4]
                    mine[x] = c
                    along = np.float32(0.125) * (np.float32(5.0) * c - diagonal - far_h + np.float32(0.5) * far_v)
                    level[x] = _held(np.float32(0.5) * (e + w), along, min(e, w), max(e, w))
                    across = np.float32(0.125) * (np.float32(5.0) * c - diagonal - far_v + np.float32(0.5) * far_h)
                    upright[x] = _held(np.float32(0.5) * (n + o), across, min(n, o), max(n, o))


@njit(cache=True, error_model="numpy")
def _balanced(raw, cfa, black, gain, top, left, out):  # type: ignore[no-untyped-def]
    """Raw from row `top` and column `left`, even, on to balanced values above black with a margin of 2.

    At the frame's edges the margin is mirrored so that it keeps the colours' places.
    """
    height, width = raw.shape
    for i in range(out.shape[0]):
        y = i - 2 + top
        y = -y if y < 0 else (2 * height - 2 - y if y >= height else y)
        row, line = raw[y], out[i]
        begin, end = max(2 - left, 0), min(width + 2 - left, len(line))
        for odd in range(2):
            c = cfa[y & 1, odd]
            b, g = black[c], gain[c]
            for j in range(begin + odd, end, 2):
                line[j] = (np.float32(row[np.uint64(j - 2 + left)]) - b) * g
        for j in range(begin):
            line[j] = line[2 * begin - j]
        for j in range(end, len(line)):
            line[j] = line[2 * end - 2 - j]


def channel_gains(mosaic: Mosaic) -> F32:
    """What raw units above black are multiplied by, per channel of the filter pattern (4,), to be balanced."""
    r, g, b = balance_of(mosaic)
    return np.array([r, g, b, g], np.float32)


@njit(cache=True, error_model="numpy")
def _repeat_ends(plane):  # type: ignore[no-untyped-def]
    """Fill a plane's margin with its last pixels."""
    rows, columns = plane.shape
    for y in range(MARGIN, rows - MARGIN):
        plane[y, :MARGIN] = plane[y, MARGIN]
        plane[y, columns - MARGIN :] = plane[y, columns - MARGIN - 1]
    for y in range(MARGIN):
        plane[y] = plane[MARGIN]
        plane[rows - 1 - y] = plane[rows - 1 - MARGIN]


@njit(cache=True, error_model="numpy")
def _filled(raw, cfa, plain, black, gain, part):  # type: ignore[no-untyped-def]
    """Balanced linear colour of part of a frame, (top, bottom, left, right), the first of each pair even.

    3 planes one after another, flat, with `LANES` zeros behind, and their shape, a margin of `MARGIN` included: that
    holds something only where the part ends with the frame. `plain`: all of it is of the one colour that `cfa` names,
    whose plane alone is filled.
    """
    top, bottom, left, right = part
    rows, columns = bottom - top, right - left
    padded = np.empty((rows + 4, columns + 4), np.float32)
    _balanced(raw, cfa, black, gain, top, left, padded)
    shape = 3, rows + 2 * MARGIN, columns + 2 * MARGIN
    flat = np.empty(shape[0] * shape[1] * shape[2] + LANES, np.float32)
    flat[-LANES:] = np.float32(0)
    out = flat[:-LANES].reshape(shape)
    if plain:
        out[cfa[0, 0], MARGIN:-MARGIN, MARGIN:-MARGIN] = padded[2 : rows + 2, 2 : columns + 2]
    else:
        _fill(padded, cfa, out)
    if top == 0 or left == 0 or bottom == raw.shape[0] or right == raw.shape[1]:
        for k in range(3):
            _repeat_ends(out[k])
    return flat, shape


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


@njit(cache=True, inline="always", error_model="numpy")
def _along_nodes(grid, r, c, k, v, inverse):  # type: ignore[no-untyped-def]
    """What a grid of nodes holds `v` of the way from row r to the next, at column c, and its growth per pixel."""
    first = grid[r, c, k] + v * (grid[r + 1, c, k] - grid[r, c, k])
    return first, (grid[r, c + 1, k] + v * (grid[r + 1, c + 1, k] - grid[r, c + 1, k]) - first) * inverse


@njit(cache=True, error_model="numpy")
def _row_seen(y, x0, x1, nodes, light, step, channels, size, shape, top, left, at, real):  # type: ignore[no-untyped-def]
    """Where pixels `x0` to `x1` of a row of the reference lie in another frame, whose planes begin at (top, left).

    Into `at` (3, n): the place in the flat planes, and the phases along and down; into `real` (3, n): the gain, -1
    where the frame shows nothing. `channels`: of even and odd pixels; `size`: of the frame; `shape`: of its planes.
    """
    even, odd = channels
    last_y, last_x, rows, across = size[0] - 1, size[1] - 1, shape[1], shape[2]
    r, inverse, fine, half = y // step, np.float32(1.0 / step), np.float32(PHASES), np.float32(0.5)
    v, up, before = np.float32(y - r * step) * inverse, MARGIN - top, MARGIN - left
    for c in range(x0 // step, (x1 + step - 1) // step):
        ax, dx = _along_nodes(nodes, r, c, 0, v, inverse)
        ay, dy = _along_nodes(nodes, r, c, 1, v, inverse)
        ge, de = _along_nodes(light, r, c, even, v, inverse)
        go, do = _along_nodes(light, r, c, odd, v, inverse)
        begin = c * step - x0
        for m in range(min(step, x1 - c * step)):
            i = np.float32(m)
            qx, qy = ax + dx * i, ay + dy * i
            fx, fy = np.floor(qx), np.floor(qy)
            ix, iy = min(max(int(fx), -1), last_x), min(max(int(fy), -1), last_y)
            shown = qx >= -half and qy >= -half and qx <= last_x + half and qy <= last_y + half
            k, gain = (odd, go + do * i) if m & 1 else (even, ge + de * i)
            at[0, begin + m] = (k * rows + iy + up) * across + ix + before
            at[1, begin + m], at[2, begin + m] = np.int32((qx - fx) * fine + half), np.int32((qy - fy) * fine + half)
            real[0, begin + m] = gain if shown else np.float32(-1)


@njit(cache=True, error_model="numpy")
def _chosen(flat, across, steps, slope, foot, at, real):  # type: ignore[no-untyped-def]
    """For each place the least and greatest of the four pixels around it, into `real`; and where in the flat kernels
    those for it begin, in place of the phases in `at`: those with the lift that this span over the noise asks for.

    `slope`, `foot`: of the noise of even and odd pixels; `steps`: from the kernel with no lift to that with all.
    """
    one, wide, n = np.uint64(1), np.uint64(across), at.shape[1]
    for m in range(n):
        place = np.uint64(at[0, m])
        p, q, s, t = flat[place], flat[place + one], flat[place + wide], flat[place + wide + one]
        real[1, m], real[2, m] = min(min(p, q), min(s, t)), max(max(p, q), max(s, t))
    for m in range(n):
        low, high = real[1, m], real[2, m]
        sl, ft = (slope[1], foot[1]) if m & 1 else (slope[0], foot[0])
        variance = np.float32(0.5) * max(low + high, np.float32(0.0)) * sl + ft
        beyond = (high - low) * (high - low) - np.float32(SPAN_FROM) * variance
        share = beyond / (np.float32(SPAN_TO - SPAN_FROM) * variance + np.float32(1e-9))
        lift = np.int32(steps * min(max(share, np.float32(0.0)), np.float32(1.0)) + np.float32(0.5))
        first = lift * np.int32(PHASES + 1)
        at[1, m], at[2, m] = (first + at[1, m]) * np.int32(TAPS), (first + at[2, m]) * np.int32(TAPS)


@njit(cache=True, error_model="numpy")
def _down(flat, across, weights, at, lanes, sums):  # type: ignore[no-untyped-def]
    """Sums down six rows of `lanes` columns about each place, of which six are needed.

    The number is told, not known beforehand: a loop of few steps known beforehand is written out one by one by the
    compiler, where this takes several at once.
    """
    one, two, three, four, five = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(4), np.uint64(5)
    wide = np.uint64(across)
    corner = two * wide + two
    for m in range(at.shape[1]):
        a0 = np.uint64(at[0, m]) - corner
        a1 = a0 + wide
        a2 = a1 + wide
        a3 = a2 + wide
        a4 = a3 + wide
        a5 = a4 + wide
        w, into = np.uint64(at[2, m]), np.uint64(m * lanes)
        k0, k1, k2 = weights[w], weights[w + one], weights[w + two]
        k3, k4, k5 = weights[w + three], weights[w + four], weights[w + five]
        for b in range(lanes):
            j = np.uint64(b)
            upper = k0 * flat[a0 + j] + k1 * flat[a1 + j] + k2 * flat[a2 + j]
            sums[into + j] = upper + (k3 * flat[a3 + j] + k4 * flat[a4 + j] + k5 * flat[a5 + j])


@njit(cache=True, error_model="numpy")
def _across(sums, lanes, weights, at, real, line):  # type: ignore[no-untyped-def]
    """A row's values from the sums down columns, held to the range of the four pixels around each and 0.4 of that
    range, in the reference's light."""
    for m in range(len(line)):
        w, into, total = np.uint64(at[1, m]), np.uint64(m * lanes), np.float32(0.0)
        for b in range(TAPS):
            total += weights[w + np.uint64(b)] * sums[into + np.uint64(b)]
        gain, low, high = real[0, m], real[1, m], real[2, m]
        room = np.float32(0.4) * (high - low)
        held = min(max(total, low - room), high + room)
        line[m] = held * gain if gain > 0 else np.float32(-1e9)


@njit(cache=True, nogil=True, error_model="numpy")
def _lay(  # type: ignore[no-untyped-def]
    begin, end, raw, cfa, plain, black, gain, nodes, light, step, across, kernels, slope, foot, lanes, wanted, out
):
    """A frame on the reference's grid, each pixel's own colour by Lanczos's kernels.

    Patch by patch of `across` nodes, so that all at hand stays in fast memory, and in each row by row.
    """
    height, width = out.shape
    patches = (nodes.shape[0] + across - 2) // across, (nodes.shape[1] + across - 2) // across
    steps, weights = np.float32(len(kernels) - 1), kernels.ravel()
    for k in range(begin, end):
        r0, c0 = k // patches[1] * across, k % patches[1] * across
        r1, c1 = min(r0 + across, nodes.shape[0] - 1), min(c0 + across, nodes.shape[1] - 1)
        part = _part_seen(nodes, r0, r1, c0, c1, height, width)
        if not wanted[k // patches[1], k % patches[1]] or part[0] >= part[1] or part[2] >= part[3]:
            out[r0 * step : r1 * step, c0 * step : c1 * step] = np.float32(-1e9)
            continue
        x0, x1 = c0 * step, min(c1 * step, width)
        if x0 >= x1:
            continue
        flat, shape = _filled(raw, cfa, plain, black, gain, part)
        at, real = np.empty((3, x1 - x0), np.int32), np.empty((3, x1 - x0), np.float32)
        sums = np.empty(lanes * (x1 - x0), np.float32)
        for y in range(r0 * step, min(r1 * step, height)):
            even, odd = cfa[y & 1, 0], cfa[y & 1, 1]
            channels = (1 if even == 3 else even), (1 if odd == 3 else odd)
            slopes, feet = (slope[channels[0]], slope[channels[1]]), (foot[channels[0]], foot[channels[1]])
            _row_seen(y, x0, x1, nodes, light, step, channels, (height, width), shape, part[0], part[2], at, real)
            _chosen(flat, shape[2], steps, slopes, feet, at, real)
            _down(flat, shape[2], weights, at, lanes, sums)
            _across(sums, lanes, weights, at, real, out[y, x0:x1])


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
    given = black, gain, motion.nodes, light, motion.step, across, kernels, slope, foot, LANES, asked
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
