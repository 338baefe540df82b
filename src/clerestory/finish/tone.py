"""Tone: hold the window, lift the stone, in stops, so that the picture looks as the place did.

Scene-referred and edge-aware. Brightness is a norm of RGB near the largest channel for a pure colour, and every
pixel's RGB is multiplied by one number: hue cannot move. A base layer in log2 of that norm, smooth on surfaces
and sharp at edges, goes through a monotone curve; what is left over it, the texture of the stone, is kept as it is.

Each place has a curve of its own, as one who prints dodges and burns. Up to the knee it is the same everywhere: the
stone's. From there it bends over to the darker glass of the window near by, so that the step from wall to window is
taken down at the window's edge, and from there on runs at full slope: the contrast within the glass stays.
Within a window what is darker than its glass, its leads, keeps its distance too, but not so far that it would be
shown well under walls that were darker. A wall's pixel has the stone's curve beside a window and far away: no halo.

A window dimmer than the brightest (or a splay, or brick seen through clear glass) is shown far lighter than one who
exposes for the brightest glass would show it, and colour grows with lightness: it is made paler, in its own hue.

Sources: He, Sun and Tang 2013 (guided filter), He and Sun 2015 (coefficients found at reduced size); the split into
base and detail follows Durand and Dorsey 2002; a curve for every place, from the light around it, is the dodging and
burning of Reinhard and others 2002; colour that goes down with light's compression is after Mantiuk, Tomaszewska and
Heidrich 2009, "Color correction for tone mapping".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.noise import NoiseModel
from clerestory.develop import gamut
from clerestory.develop.colour import LUMINANCE
from clerestory.finish.glass import DARKEST, LEAST_APART, Windows, sampled, usual_level, windows
from clerestory.finish.toning import toned
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
FLOOR = 2.0**-16  # darkest norm told apart
MID = math.log2(0.18)  # mid-grey of the display, log2
# Set together on views of the open panoramas (Poly Haven) and the modelled church, with bench/light.py tone: as much
# of the leads' and the glass's contrast as leaves few places shown in the wrong order. Looked at on the Memorial
# Church bracket (Debevec), too.
KNEE = -3.02  # log2 of display where the window's hold begins
KNEE_WIDTH = 0.3  # stops over which it sets in
FOOT = 1.0  # stops under the level of a window's glass: its darker glass, from which on contrast is kept
FOOT_SHOWN = -1.8  # log2 of display at which that is shown
HEADROOM = 1.6  # stops over the level of a window's glass that come under white when it is held
FAINTER = 0.145  # stops by which a window is shown darker for each stop that it is darker than the brightest
DEEPEST = 2.4  # stops under the stone's own curve that leads may come to be shown
# And stops under the better lit walls, lest the place be shown the wrong way round; and the least room. Better
# lit is the share of the walls, within BEST_LIT, that times the share of windows in the picture comes to MISPLACED: a
# small window may be shown with darker leads than one that fills half of the picture.
UNDER_WALLS, LEAST_ROOM = 0.41, 0.12
MISPLACED, BEST_LIT = 0.028, (0.17, 0.9)
# Chroma in a window goes down by this power of how much dimmer it is than the brightest, from so many stops on and
# for so many: by a third, CIELAB's cube root, it is what it would be where one exposes for the brightest.
PALER, PALER_FROM, PALER_FOR = 0.4, 0.45, 1.8
BEND = 0.76  # how early lit stone takes its share of the way from stone to glass
CONTRAST = 1.2  # of the base layer below mid-grey, for viewing on a screen in a lit room; common practice, no source
LIFT_CENTRE = -5.5  # log2 of display: shade at which half of the lift is given
LIFT_WIDTH = 1.2
LEAST_PALER = 0.007  # of chroma: less is not seen, and pixels that need no more are passed over
_TO_LMS, _FROM_LMS = gamut.matrices(np.eye(3))


@dataclass(frozen=True)
class ToneSettings:
    """How light is placed. All in stops but the last.

    `exposure`: multiplies everything. `window_hold`: how far above display white (after exposure) still comes back
    under it. `shade_lift`: how far the deepest shade is opened. `local_contrast`: gain of texture over its
    surroundings (0 leaves it as it is). `toning`: of a monochrome picture, from -1 (cold) over 0 to 1 (warm);
    `monochrome`: whether this is one.
    """

    exposure: float = 0.0
    window_hold: float = 0.0
    shade_lift: float = 0.0
    local_contrast: float = 0.0
    toning: float = 0.0
    monochrome: bool = False

    @property
    def recolours(self) -> bool:
        """Whether colours are changed and not only how light they are; a preview in motion has to show them then."""
        return self.monochrome and self.toning != 0


@dataclass(frozen=True)
class WorkingNoise:
    """Noise of the working image's luminance: variance = slope x luminance + floor (both in working units)."""

    slope: float
    floor: float

    def deviation(self, luminance: float) -> float:
        """Standard deviation at a luminance."""
        return math.sqrt(max(self.slope * max(luminance, 0.0) + self.floor, 0.0))


def working_noise(
    noise: NoiseModel,
    span: float,
    multipliers: tuple[float, float, float],
    camera_to_working: NDArray[np.floating] | None = None,
) -> WorkingNoise:
    """The raw noise model carried to the luminance of the working image, for a neutral surface.

    `span`: white minus black in raw units. `multipliers`: R, G, B of the white balance, smallest 1.
    `camera_to_working`: 3 x 3 from balanced camera RGB to linear Rec. 2020. Each full-colour pixel is taken to carry
    the noise of one raw pixel of each colour, two for green.
    """
    matrix = np.eye(3) if camera_to_working is None else np.asarray(camera_to_working, float)
    weights = LUMINANCE @ matrix
    scale = np.asarray(multipliers, float) / span
    gains = np.array([noise.gain[0], (noise.gain[1] + noise.gain[2]) / 4, noise.gain[3]])
    reads = np.array([noise.read[0] ** 2, (noise.read[1] ** 2 + noise.read[2] ** 2) / 4, noise.read[3] ** 2])
    return WorkingNoise(float(np.sum(weights**2 * gains * scale)), float(np.sum(weights**2 * reads * scale**2)))


@njit(cache=True, inline="always", error_model="numpy")
def _norm(r, g, b):  # type: ignore[no-untyped-def]
    """Brightness: the value itself for grey, near the largest channel for a pure colour.

    Sum of cubes over sum of squares, with a quarter (of its logarithm) of luminance, lest blue glass be shown darker
    than it looks.
    """
    r, g, b = max(r, np.float32(0)), max(g, np.float32(0)), max(b, np.float32(0))
    r2, g2, b2 = r * r, g * g, b * b
    n = (r2 * r + g2 * g + b2 * b) / (r2 + g2 + b2 + np.float32(1e-20))
    y = np.float32(0.2627) * r + np.float32(0.6780) * g + np.float32(0.0593) * b
    return np.sqrt(n * np.sqrt(n * y))


@njit(cache=True, nogil=True, error_model="numpy")
def _reduced_log(begin, end, rgb, step, floor, out):  # type: ignore[no-untyped-def]
    """log2 of the norm of the mean of step x step pixels."""
    width = rgb.shape[1]
    sums = np.empty(3 * width, np.float32)
    for y in range(begin, end):
        first, last = y * step, min((y + 1) * step, rgb.shape[0])
        sums[:] = rgb[first].ravel()
        for i in range(first + 1, last):
            row = rgb[i].ravel()
            for x in range(sums.size):
                sums[x] += row[x]
        for x in range(out.shape[1]):
            r = g = b = np.float32(0)
            for j in range(x * step, min((x + 1) * step, width)):
                r, g, b = r + sums[3 * j], g + sums[3 * j + 1], b + sums[3 * j + 2]
            count = (last - first) * (min((x + 1) * step, width) - x * step)
            out[y, x] = np.log2(max(_norm(r, g, b) / np.float32(count), floor))


def reduced_log(rgb: F32, step: int) -> F32:
    """log2 of the brightness norm of RGB (H x W x 3) at 1 / step of the size, float32 (rows, columns)."""
    height, width = rgb.shape[:2]
    out = np.empty((-(-height // step), -(-width // step)), np.float32)
    in_bands(_reduced_log, 0, len(out), rgb, step, np.float32(FLOOR), out)
    return out


def _mean(image: F32, radius: int) -> F32:
    size = 2 * radius + 1
    out: F32 = cv2.blur(image, (size, size), borderType=cv2.BORDER_REFLECT)
    return out


def _guided(log: F32, radius: int, softness: float) -> tuple[F32, F32]:
    """Slope and offset of the guided filter of an image by itself, averaged, variance weighted."""
    mean = _mean(log, radius)
    variance: F32 = np.maximum(_mean(log * log, radius) - mean * mean, np.float32(0))
    # The square keeps a strong edge whole even where only a sliver of it lies in the window: no halo.
    squared = variance * variance
    slope: F32 = squared / (squared + np.float32(softness**4))
    offset: F32 = mean * (1 - slope)
    return _mean(slope, radius), _mean(offset, radius)


def base_layer(log: F32) -> tuple[F32, F32]:
    """Slope and offset (base = slope x log + offset; h x w each) of the base layer of a reduced log2 image (h x w).

    Two radii, 1/100 and 1/30 of the long side; differences under about 0.7 stop are texture, larger ones are edges.
    """
    side = max(log.shape)
    parts = [_guided(log, max(side // d, 2), s) for d, s in ((100, 0.5), (30, 0.7))]
    half = np.float32(0.5)
    return half * (parts[0][0] + parts[1][0]), half * (parts[0][1] + parts[1][1])


@njit(cache=True, inline="always", error_model="numpy")
def _softplus(x):  # type: ignore[no-untyped-def]
    if x > np.float32(15.0):
        return x
    return np.log1p(np.exp(x))


@njit(cache=True, error_model="numpy")
def _fill_table(low, per_stop, lift, contrast, out):  # type: ignore[no-untyped-def]
    """For log2 of display x: what lies below the knee, and the stops above it, of the stone's curve.

    Contrast about mid-grey, shade lifted. The two add up to the light as it would be shown with no window held.
    """
    knee, kw, mid = np.float32(KNEE), np.float32(KNEE_WIDTH), np.float32(MID)
    width = max(np.float32(LIFT_WIDTH), np.float32(0.4) * lift)  # so that darker never comes out brighter
    for k in range(out.shape[0]):
        x = low + np.float32(k) / per_stop
        y = x + lift / (np.float32(1) + np.exp((x - np.float32(LIFT_CENTRE)) / width))
        z = mid + contrast * (y - mid)
        y = z if z < mid else y
        above = kw * _softplus((y - knee) / kw)
        out[k, 0], out[k, 1] = y - above, above


@njit(cache=True, inline="always", error_model="numpy")
def _relu(x, width):  # type: ignore[no-untyped-def]
    """0 below, x above, rounded off over `width` either side. Without branches, for the processor's wide lanes."""
    bend = (x + width) * (x + width) / (np.float32(4) * width)
    over = x if x >= width else bend
    return np.float32(0) if x <= -width else over


@njit(cache=True, inline="always", error_model="numpy")
def _held(u, below, within, glass, walls, hold):  # type: ignore[no-untyped-def]
    """Stops above the knee as shown, from the stops above it in the scene.

    `glass`: level (log2 of display) of the glass near by. From the knee the curve bends over to the darker glass of
    that window, and from there on runs at full slope. Within the window what is darker keeps its distance.
    """
    nil, one, knee = np.float32(0), np.float32(1), np.float32(KNEE)
    foot = max(glass - np.float32(FOOT), knee + np.float32(0.3))  # where the darker glass of this window lies
    reach = foot - knee
    apart = foot - hold + np.float32(FOOT + HEADROOM)
    fainter = np.float32(FAINTER) * apart
    shown = np.float32(FOOT_SHOWN) + (apart if apart > nil else fainter)
    rise = min(max(min(foot, shown) - knee, np.float32(0.05) * reach), reach)
    bend = min(np.float32(BEND), reach / rise - one)
    over = _relu(u - reach, np.float32(0.4))
    v = (u - over) / reach
    out = rise * v * (one + bend) / (one + bend * v) + over
    deeper = (one - rise / reach) * _relu(reach - u, np.float32(0.4))
    room = below + out - walls + np.float32(UNDER_WALLS)
    share = deeper / min(max(room, np.float32(LEAST_ROOM)), np.float32(DEEPEST))
    return out - within * deeper / np.sqrt(one + share * share)


@njit(cache=True, inline="always", error_model="numpy")
def _shoulder(v):  # type: ignore[no-untyped-def]
    """Identity to 0.75, then smoothly towards 1, never past it; slope continuous."""
    k = np.float32(0.75)
    u = max(v - k, np.float32(0)) / (np.float32(1) - k)
    return min(v, k) + (np.float32(1) - k) * u / (np.float32(1) + u)


_ROOT_HALF = 0x3F3504F3  # bits of the square root of a half, as a 32-bit number


@njit(cache=True, nogil=True, error_model="numpy")
def _apart(row, planes):  # type: ignore[no-untyped-def]
    """A row's pixels (n x 3) with each channel by itself, which the processor's wide lanes can take, in `planes`."""
    for k in range(3):
        for x in range(len(row)):
            planes[k, x] = row[x, k]


@njit(cache=True, nogil=True, error_model="numpy")
def _logs(planes, floor, norm, bits, out):  # type: ignore[no-untyped-def]
    """Norm of a row's pixels, no less than `floor`, and its log2, to the last digits of 32 bits.

    `planes`: red, green and blue; `bits`: the same memory as `norm`, as whole numbers. In loops that the processor's
    wide lanes can take: exponent and rest apart, the rest by the series of the inverse hyperbolic tangent.
    """
    one, twice = np.float32(1), np.float32(2 / math.log(2))
    c3, c5, c7, c9 = np.float32(1 / 3), np.float32(1 / 5), np.float32(1 / 7), np.float32(1 / 9)
    rest = out[1]
    spare = rest.view(np.int32)
    for x in range(norm.size):
        norm[x] = max(_norm(planes[0, x], planes[1, x], planes[2, x]), floor)
    for x in range(norm.size):
        i = bits[x] - _ROOT_HALF
        out[0, x] = np.float32(i >> 23)
        spare[x] = (i & 0x7FFFFF) + _ROOT_HALF
    for x in range(norm.size):
        s = (rest[x] - one) / (rest[x] + one)
        q = s * s
        out[0, x] += twice * s * (one + q * (c3 + q * (c5 + q * (c7 + q * c9))))


@njit(cache=True, nogil=True, error_model="numpy")
def _powers(stops, whole, scale):  # type: ignore[no-untyped-def]
    """Two to the power of each of `stops`, in place; `whole` is `scale`'s memory as whole numbers. As `_logs`."""
    one, half, ln2 = np.float32(1), np.float32(0.5), np.float32(math.log(2))
    c2, c3, c4 = np.float32(1 / 2), np.float32(1 / 6), np.float32(1 / 24)
    c5, c6, c7 = np.float32(1 / 120), np.float32(1 / 720), np.float32(1 / 5040)
    for x in range(stops.size):
        v = min(max(stops[x], np.float32(-126)), np.float32(126))
        k = np.floor(v + half)
        t = (v - k) * ln2
        whole[x] = (np.int32(k) + 127) << 23
        stops[x] = one + t * (one + t * (c2 + t * (c3 + t * (c4 + t * (c5 + t * (c6 + t * c7))))))
    for x in range(stops.size):
        stops[x] *= scale[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _columns_of(width, columns, step):  # type: ignore[no-untyped-def]
    """For a row's pixels the map's column before each, and how far on it lies towards the next."""
    before, share = np.empty(width, np.uint32), np.empty(width, np.float32)
    inverse, half = np.float32(1.0 / step), np.float32(0.5)
    for x in range(width):
        u = min(max((np.float32(x) + half) * inverse - half, np.float32(0)), np.float32(columns - 1))
        before[x] = min(int(u), max(columns - 2, 0))
        share[x] = u - np.float32(before[x])
    return before, share


@njit(cache=True, nogil=True, error_model="numpy")
def _between(line, before, share, out):  # type: ignore[no-untyped-def]
    """The four maps at a row's pixels (n x 4), from `line`, maps (columns x 4) at the row."""
    last = np.uint32(line.shape[0] - 1)
    for x in range(before.size):
        j, f = before[x], share[x]
        i, g = min(j + np.uint32(1), last), np.float32(1) - f
        a, b = line[j, 0] * g + line[i, 0] * f, line[j, 1] * g + line[i, 1] * f
        c, d = line[j, 2] * g + line[i, 2] * f, line[j, 3] * g + line[i, 3] * f
        out[x, 0], out[x, 1], out[x, 2], out[x, 3] = a, b, c, d


@njit(cache=True, nogil=True, error_model="numpy")
def _stops(found, logs, walls, ev, hold, table, low, per_stop, detail, places, told, out):  # type: ignore[no-untyped-def]
    """Gain of a row's pixels in stops. `found`: as `_between` left it; `logs`: as `_logs` did.

    `told`: room for 4 x width, `places` for width.

    What is looked up stands by itself, so that the processor's wide lanes can take the rest.
    """
    one, last = np.float32(1), np.float32(table.shape[0] - 2)
    for x in range(out.size):
        base = found[x, 0] * logs[0, x] + found[x, 1]
        p = min(max((base + ev - low) * per_stop, np.float32(0)), last)
        t = np.int32(p)
        places[x], told[0, x], out[x] = t, p - np.float32(t), base
        told[2, x], told[3, x] = found[x, 2], found[x, 3]
    for x in range(out.size):
        t, f = places[x], told[0, x]
        told[0, x] = table[t, 0] + f * (table[t + np.uint32(1), 0] - table[t, 0])
        told[1, x] = table[t, 1] + f * (table[t + np.uint32(1), 1] - table[t, 1])
    for x in range(out.size):
        held = _held(told[1, x], told[0, x], told[3, x], told[2, x] + ev, walls + ev, hold)
        out[x] = told[0, x] + held + (one + detail) * (logs[0, x] - out[x]) - logs[0, x]


@njit(cache=True, inline="always", error_model="numpy")
def _less_colour(glass, within, start):  # type: ignore[no-untyped-def]
    """Natural logarithm, without its sign, of the share of chroma that is kept."""
    dimmer = min(max(start - glass, np.float32(0)), np.float32(PALER_FOR))
    return np.float32(PALER * math.log(2)) * within * dimmer


@njit(cache=True, nogil=True, error_model="numpy")
def _paled(row, line, step, told, brightest, room):  # type: ignore[no-untyped-def]
    """A row's shown pixels (n x 3) made paler, in place, within windows that are dimmer than the brightest.

    `line`: maps (columns x 4) at the row, `told`: the same at its pixels, overwritten; `room`: 4 x n to work in. Only
    the runs of columns that need it are gone through, and one more on either side.
    """
    one, least, start = np.float32(1), np.float32(LEAST_PALER), brightest - np.float32(PALER_FROM)
    columns, begin, end = line.shape[0], 0, 0
    for j in range(columns + 1):
        more = j < columns and _less_colour(line[j, 2], line[j, 3], start) > least
        if more:
            begin = begin if end else max((j - 1) * step, 0)
            end = min((j + 2) * step, len(row))
        elif end and (j == columns or (j - 1) * step > end):
            share = told[3, begin:end]
            for x in range(share.size):
                t = _less_colour(told[2, begin + x], share[x], start)
                share[x] = one - t * (one - t * (np.float32(1 / 2) - t * np.float32(1 / 6)))
            gamut.paler(row[begin:end], share, _TO_LMS, _FROM_LMS, room[:, begin:end])
            end = 0


@njit(cache=True, nogil=True, error_model="numpy")
def _shown(planes, norm, gain, row):  # type: ignore[no-untyped-def]
    """A row's red, green and blue times their gain, into `row` (n x 3): the strongest channel meets no ceiling, so
    that hue stays."""
    nil, one = np.float32(0), np.float32(1)
    for x in range(gain.size):
        shown = max(max(planes[0, x], max(planes[1, x], planes[2, x])), norm[x]) * gain[x]
        gain[x] = gain[x] * _shoulder(shown) / shown
    for k in range(3):
        for x in range(gain.size):
            planes[k, x] = min(max(planes[k, x] * gain[x], nil), one)
    for x in range(gain.size):
        row[x, 0], row[x, 1], row[x, 2] = planes[0, x], planes[1, x], planes[2, x]


@njit(cache=True, nogil=True, error_model="numpy")
def _apply(begin, end, rgb, maps, walls, brightest, step, ev, hold, table, low, per_stop, detail, floor):  # type: ignore[no-untyped-def]
    """Multiply every pixel by its gain, in place. `maps`: slope, offset, glass, within at 1 / step of the size."""
    rows, columns = maps.shape[1:]
    width = rgb.shape[1]
    inverse, half = np.float32(1.0 / step), np.float32(0.5)
    line, norm = np.empty((columns, 4), np.float32), np.empty(width, np.float32)
    logs, stops = np.empty((2, width), np.float32), np.empty(width, np.float32)
    told, room = np.empty((4, width), np.float32), np.empty((4, width), np.float32)
    found, places = np.empty((width, 4), np.float32), np.empty(width, np.uint32)
    before, share = _columns_of(width, columns, step)
    bits, whole = norm.view(np.int32), logs[1].view(np.int32)
    for y in range(begin, end):
        v = min(max((np.float32(y) + half) * inverse - half, np.float32(0)), np.float32(rows - 1))
        i = min(int(v), rows - 2) if rows > 1 else 0
        i2 = min(i + 1, rows - 1)
        fy = v - np.float32(i)
        for j in range(columns):
            for k in range(4):
                line[j, k] = maps[k, i, j] * (1 - fy) + maps[k, i2, j] * fy
        _apart(rgb[y], room)
        _logs(room, floor, norm, bits, logs)
        _between(line, before, share, found)
        _stops(found, logs, walls, ev, hold, table, low, per_stop, detail, places, told, stops)
        _powers(stops, whole, logs[1])
        _shown(room, norm, stops, rgb[y])
        _paled(rgb[y], line, step, told, brightest, room)


def step_of(shape: tuple[int, ...]) -> int:
    """Reduction at which what is smooth in a picture of a shape (rows, columns, ...) is found: about 1300 pixels on
    the long side."""
    return max(1, round(max(shape[:2]) / 1300))


@dataclass(frozen=True)
class Layers:
    """What `apply` finds in a picture whatever the settings: float32 maps, 4 x h x w, at a reduced size.

    Slope and offset of the base layer (base = slope x log2 norm + offset), level of the glass near by (log2 norm),
    how far within a window (0 to 1).
    """

    maps: F32
    walls: float  # level of the best lit walls, under which nothing in a window may be shown by much
    brightest: float  # level of the glass of the brightest windows


def layers_of(rgb: F32) -> Layers:
    """The layers of a picture (H x W x 3); no setting changes them, so they may be kept between settings."""
    log = reduced_log(rgb, step_of(rgb.shape))
    found = windows(log)
    maps = np.stack([*base_layer(log), found.level, found.within])
    return Layers(maps, _lit_walls(log, found), found.brightest)


def _lit_walls(log: F32, found: Windows) -> float:
    """log2 level under which the leads of the windows of a reduced picture (h x w) are not to be shown by much."""
    some = sampled(log)
    walls = some[(some > DARKEST) & (some < found.stone + LEAST_APART)]
    if walls.size < 16:
        return found.stone
    over = float(np.clip(MISPLACED / max(float(found.within.mean()), 1e-6), *BEST_LIT))
    return float(np.quantile(walls, 1 - over))


def apply(
    rgb: F32,
    settings: ToneSettings,
    noise: WorkingNoise | None = None,
    in_place: bool = False,
    layers: Layers | None = None,
) -> F32:
    """Display-linear float32 RGB (H x W x 3), 0 to 1, from scene-linear Rec. 2020 RGB (1 = raw saturation of green).

    `noise`, where given, limits `shade_lift` to what `shade_limit` allows. `layers`: from `layers_of` this picture,
    where it was asked before.
    """
    out = rgb if in_place else rgb.copy()
    if noise is not None:
        settings = replace(settings, shade_lift=min(settings.shade_lift, shade_limit(noise, settings.exposure)))
    found = layers if layers is not None else layers_of(rgb)
    low, per_stop = np.float32(-24), np.float32(32)
    table = np.empty((44 * 32, 2), np.float32)
    _fill_table(low, per_stop, np.float32(max(settings.shade_lift, 0.0)), np.float32(CONTRAST), table)
    ev, hold = np.float32(settings.exposure), np.float32(max(settings.window_hold, 0.0))
    detail = np.float32(2**settings.local_contrast - 1)
    levels = np.float32(found.walls), np.float32(found.brightest)
    curve = ev, hold, table, low, per_stop, detail, np.float32(FLOOR)
    in_bands(_apply, 0, len(out), out, found.maps, *levels, step_of(rgb.shape), *curve)
    return toned(out, settings.toning if settings.monochrome else 0.0)


SHOWN_NOISE = 0.006  # display-linear standard deviation in the shade, per pixel, that passes for smooth


def shade_limit(noise: WorkingNoise, exposure: float) -> float:
    """Stops of shade lift after which noise in the deepest shade would be seen."""
    shade = 2.0 ** (LIFT_CENTRE - exposure)
    shown = noise.deviation(shade) * 2.0**exposure / 3  # noise reduction takes about two thirds
    return float(np.clip(math.log2(SHOWN_NOISE / max(shown, 1e-9)), 0.0, 5.0))


BRIGHTEST = 8.0  # stops of exposure at most: what reaches saturation still comes under white with a hold of 8
WINDOW_ABOVE = 3.5  # stops over the darker quarter of the picture
LIGHTEST = -0.9  # log2 of display that the lightest surface reaches at least
# Stops by which stone is shown darker where windows have to be held, and the hold from which it is all of it: lit
# stone then stays under the leads and dim glass of more windows. Set with bench/light.py tone, by the share shown in
# the wrong order.
DIMMED, DIMMED_FROM = 0.68, 4.6
DARKEST_WALLS = -3.29  # log2 of display under which that does not take the walls away from windows: L* 35, CIELAB
# A wall is away from windows where within reach (a Gaussian's deviation, of the long side) no more than that share is
# bright; bright is so many stops over the middling light, and so many under it are no wall but a hole.
AWAY, AWAY_SHARE, BRIGHT, HOLE = 1 / 40, 0.03, 2.0, 3.0


def _away_from_windows(few: F32, log: F32, middle: float) -> float:
    """Median log2 luminance of the walls away from windows, infinity where there are none.

    `few`: every n-th pixel of a picture both ways (h x w x 3); `log`: log2 norm about them (h x w); `middle`: of that
    the middling light.
    """
    bright = (log > middle + BRIGHT).astype(np.float32)
    reached = cv2.GaussianBlur(bright, (0, 0), AWAY * max(log.shape))
    away = (reached < AWAY_SHARE) & (log > middle - HOLE)
    return math.log2(max(float(np.median(few[away] @ LUMINANCE)), FLOOR)) if away.any() else math.inf


def judge(rgb: F32, noise: WorkingNoise | None = None, monochrome: bool = False) -> ToneSettings:
    """Settings good enough to leave, from the picture itself (scene-linear Rec. 2020, H x W x 3)."""
    step = max(1, round(max(rgb.shape[:2]) / 512))
    log = reduced_log(rgb, step)
    live = log[log > DARKEST]
    if live.size < 16:
        return ToneSettings(monochrome=monochrome)
    dark, quarter = (float(v) for v in np.percentile(live, (5, 25)))
    stone = live[live < quarter + WINDOW_ABOVE]  # windows are not what the stone is exposed for
    mid = float(np.median(stone))
    body = stone[(stone > mid - 2.5) & (stone < mid + 2.0)]
    exposure = MID - 0.15 - float(np.mean(body))
    glass = usual_level(log)
    high = max(float(np.percentile(live, 99.7)) + 0.2, -99.0 if glass is None else glass + HEADROOM)
    dimmed = exposure - DIMMED * float(np.clip((high + exposure) / DIMMED_FROM, 0.0, 1.0))
    walls = _away_from_windows(rgb[::step, ::step], log, float(np.median(live)))
    exposure = max(dimmed, min(exposure, DARKEST_WALLS - walls))
    # Where no window sets the scale, what is lightest still has to be light.
    exposure = float(np.clip(max(exposure, LIGHTEST - float(np.percentile(live, 98))), -4.0, BRIGHTEST))
    hold = float(np.clip(high + exposure, 0.0, 8.0))
    lift = float(np.clip(0.5 * (-5.0 - (dark + exposure)), 0.0, 2.5))
    if noise is not None:
        lift = min(lift, shade_limit(noise, exposure))
    return ToneSettings(round(exposure, 2), round(hold, 2), round(lift, 2), 0.15, monochrome=monochrome)
