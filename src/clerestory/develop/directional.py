"""Full colour from a Bayer mosaic along whichever direction tells least against itself.

Everything is reckoned in the fourth root of light. There two colours of one surface stand a constant apart whatever
falls on it (in plain light their ratio is constant, not their difference), and the eye sees errors about evenly.

1. Green less the other colour is guessed at every pixel twice, along its row and along its column, each guess with
   the second difference of the pixel's own colour (Hamilton and Adams 1997), which may move it no farther than its
   neighbours are apart: at the edge of a letter or a lead it would overshoot.
2. How much a guess varies along its own direction, over 5 x 5 pixels, says how little to trust it. At red and blue
   the guesses to the east, west, north and south are joined by the inverse third power of that variation:
   directional weights without a threshold, after Pekkucuksen and Altunbasak 2010, "Gradient based threshold free
   color filter array interpolation". From memory; taps and powers are our own.
3. Red and blue elsewhere: the mean of their neighbours, with green's fine detail laid over it, times how alike the
   two colours' detail is around: a regression of their second differences, after Kiku et al. 2016, "Beyond color
   difference: residual interpolation for color image demosaicking" (minimized Laplacians). From memory.

Where its neighbours are clipped, nothing goes beyond what they are between: a clipped pane stays even. Our own.

What the sensor saw comes back as it was seen, bit for bit as far as 32-bit numbers go, below black too.
"""

from __future__ import annotations

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.develop.highlights import HIGH, LOW
from clerestory.run.bands import in_bands
from clerestory.run.memory import room

F32 = NDArray[np.float32]

# Set on 36 pictures, without noise and at ISO 1600 and 6400; docs/METHODS.md says which, and what half and double do.
FOOT = 0.006  # of saturation, added before the root: with less, noise in the shade is stretched
DEEPEST = 5.0  # times the deepest thousandth of values below black that the foot is at least: noise keeps its mean
NEAR, NEXT, THIRD = np.float32(0.4), np.float32(0.45), np.float32(0.15)  # of a direction's first three guesses
LEVEL = np.float32((25 * 0.005) ** 3)  # variation (of 25 pixels' sum, cubed) under which directions count alike
FLAT = np.float32(0.01)  # sum of squared second differences under which two colours are taken to be wholly alike
LEAST_ALIKE, MOST_ALIKE = 0.4, 1.4
CELL = 8  # pixels across the cells in which likeness is measured; it is taken over 3 x 3 of them

_PAD = 8  # pixels beyond either end of a row, mirrored
_RING = 16  # rows kept of each thing, a power of two
_BEHIND = 7  # rows by which what is finished lags behind what is read


@njit(cache=True, nogil=True, error_model="numpy")
def _mirrored(i, n):  # type: ignore[no-untyped-def]
    """Index i of a row of n pixels or more beyond its ends, mirrored at them: colours stay in step."""
    i = abs(i) % (2 * n - 2)
    return i if i < n else 2 * n - 2 - i


@njit(cache=True, nogil=True, error_model="numpy")
def _beyond(row, n):  # type: ignore[no-untyped-def]
    for k in range(1, _PAD + 1):
        row[_PAD - k] = row[_PAD + _mirrored(-k, n)]
        row[_PAD + n - 1 + k] = row[_PAD + _mirrored(n - 1 + k, n)]


@njit(cache=True, nogil=True, error_model="numpy")
def _roots(signal, row, gain, foot, out):  # type: ignore[no-untyped-def]
    """Fourth roots of one row of the mosaic; `gain` brings its two colours to balance."""
    n = signal.shape[1]
    even, odd, least = gain[0], gain[1], np.float32(1e-12)
    for k in range(n // 2):
        out[_PAD + 2 * k] = np.sqrt(np.sqrt(max(signal[row, 2 * k] * even + foot, least)))
        out[_PAD + 2 * k + 1] = np.sqrt(np.sqrt(max(signal[row, 2 * k + 1] * odd + foot, least)))
    _beyond(out, n)


@njit(cache=True, nogil=True, error_model="numpy")
def _over(a, b, c, d, e):  # type: ignore[no-untyped-def]
    """By how much pixel c is over the other colour there, of five in a line."""
    half = np.float32(0.5)
    most = abs(b - d)
    detail = min(max(half * (c - half * (a + e)), -most), most)
    return c - half * (b + d) - detail


@njit(cache=True, nogil=True, error_model="numpy")
def _along(a, sign, out):  # type: ignore[no-untyped-def]
    """Green less the other colour, guessed along a row."""
    own, into = sign[2:-2], out[2:-2]  # views: indices that cannot be negative let the compiler use wide lanes
    for x in range(own.size):
        into[x] = own[x] * _over(a[x], a[x + 1], a[x + 2], a[x + 3], a[x + 4])


@njit(cache=True, nogil=True, error_model="numpy")
def _across(u, y, sign, out):  # type: ignore[no-untyped-def]
    """The same along columns."""
    a, b, c, d, e = u[(y - 2) & 15], u[(y - 1) & 15], u[y & 15], u[(y + 1) & 15], u[(y + 2) & 15]
    for x in range(c.size):
        out[x] = sign[x] * _over(a[x], b[x], c[x], d[x], e[x])


@njit(cache=True, nogil=True, error_model="numpy")
def _fives(before, after, step, spare, out):  # type: ignore[no-untyped-def]
    """Sums over five pixels of a row of how far `after`, `step` pixels on, is from `before`, `step` pixels back."""
    n = before.size
    later, sooner, into = after[1 + step :], before[1 - step :], out[3:]  # views, as above
    for x in range(n - 2):
        spare[x] = abs(later[x] - sooner[x])
    for x in range(n - 6):
        into[x] = spare[x] + spare[x + 1] + spare[x + 2] + spare[x + 3] + spare[x + 4]


@njit(cache=True, nogil=True, error_model="numpy")
def _trust(sums, y, out):  # type: ignore[no-untyped-def]
    a, b, c, d, e = sums[(y - 2) & 15], sums[(y - 1) & 15], sums[y & 15], sums[(y + 1) & 15], sums[(y + 2) & 15]
    for x in range(c.size):
        v = a[x] + b[x] + c[x] + d[x] + e[x]
        out[x] = np.float32(1) / (v * v * v + LEVEL)


_NONE, _ALL = np.float32(float(HIGH) ** 0.25), np.float32(float(LOW) ** 0.25)


@njit(cache=True, nogil=True, error_model="numpy")
def kept(v, low, high, top):  # type: ignore[no-untyped-def]
    """v, a root; within `low` to `high`, between which its neighbours are, where these are clipped, at `top`."""
    middle = np.float32(0.5) * (low + high)
    lost = min(max((middle - _ALL * top) / ((_NONE - _ALL) * top), np.float32(0)), np.float32(1))
    return v + lost * (min(max(v, low), high) - v)


@njit(cache=True, nogil=True, error_model="numpy")
def _joined(y, first, top, u, dh, dv, th, tv, row):  # type: ignore[no-untyped-def]
    """Green of one row; `first`: its first column of another colour; `top`: root of green's saturation."""
    own, up, down, d, beside = u[y & 15], u[(y - 1) & 15], u[(y + 1) & 15], dh[y & 15], th[y & 15]
    here, n1, n2, s1, s2 = dv[y & 15], dv[(y - 1) & 15], dv[(y - 2) & 15], dv[(y + 1) & 15], dv[(y + 2) & 15]
    above, below = tv[(y - 2) & 15], tv[(y + 2) & 15]
    w = row.size
    for x in range(w):  # at every pixel, also where green is known: that is faster than to pick
        i = x + _PAD
        east, west, north, south = beside[i + 2], beside[i - 2], above[i], below[i]
        total = east * (NEAR * d[i] + NEXT * d[i + 1] + THIRD * d[i + 2])
        total += west * (NEAR * d[i] + NEXT * d[i - 1] + THIRD * d[i - 2])
        total += north * (NEAR * here[i] + NEXT * n1[i] + THIRD * n2[i])
        total += south * (NEAR * here[i] + NEXT * s1[i] + THIRD * s2[i])
        high = max(max(own[i - 1], own[i + 1]), max(up[i], down[i]))
        low = min(min(own[i - 1], own[i + 1]), min(up[i], down[i]))
        found = kept(own[i] + total / (east + west + north + south), low, high, top)
        row[x] = found if (x & 1) == first else own[i]


@njit(cache=True, nogil=True, error_model="numpy")
def _green(begin, end, signal, gain, foot, top, first, out):  # type: ignore[no-untyped-def]
    """The root of green at every pixel. `first`: columns of row 0 before the first green."""
    height, n = signal.shape[0], signal.shape[1] + 2 * _PAD
    sign = np.empty((2, n), np.float32)
    for p in range(2):
        for x in range(n):
            sign[p, x] = np.float32(1) if (x + p + _PAD) & 1 == first else np.float32(-1)
    kept = np.zeros((7, _RING, n), np.float32)
    u, dh, dv, sh, sv, th, tv = kept[0], kept[1], kept[2], kept[3], kept[4], kept[5], kept[6]
    spare = np.zeros(n, np.float32)
    for y in range(begin - _BEHIND, end + _BEHIND):
        _roots(signal, _mirrored(y, height), gain[y & 1], foot, u[y & 15])
        _along(u[y & 15], sign[y & 1], dh[y & 15])
        _fives(dh[y & 15], dh[y & 15], 1, spare, sh[y & 15])
        _trust(sh, y - 2, th[(y - 2) & 15])
        _across(u, y - 2, sign[y & 1], dv[(y - 2) & 15])
        _fives(dv[(y - 4) & 15], dv[(y - 2) & 15], 0, spare, sv[(y - 3) & 15])
        _trust(sv, y - 5, tv[(y - 5) & 15])
        done = y - _BEHIND
        if done >= begin:
            _joined(done, (done + first + 1) & 1, top, u, dh, dv, th, tv, out[done])


@njit(cache=True, nogil=True, error_model="numpy")
def _bends(a, b, c, out):  # type: ignore[no-untyped-def]
    """Second differences of one colour: four times a pixel of row b, less its four neighbours."""
    n = b.size
    above, below, into = a[1:], c[1:], out[1:]
    for x in range(n - 2):
        into[x] = np.float32(4) * b[x + 1] - b[x] - b[x + 2] - above[x] - below[x]
    out[0], out[n - 1] = np.float32(0), np.float32(0)


@njit(cache=True, nogil=True, error_model="numpy")
def _picked(signal, green, y, at, gain, foot, colour, fine):  # type: ignore[no-untyped-def]
    """Roots of one colour, in row y at every second column from `at`, and of green there."""
    for x in range(colour.size):
        colour[x] = np.sqrt(np.sqrt(max(signal[y, 2 * x + at] * gain + foot, np.float32(1e-12))))
        fine[x] = green[y, 2 * x + at]


@njit(cache=True, nogil=True, error_model="numpy")
def _likeness(begin, end, signal, green, gain, foot, place, out):  # type: ignore[no-untyped-def]
    """Second differences of one colour times those of green, and of green squared, summed over cells.

    `place`: first row and column of the colour. `out`: 2 x rows x columns of cells.
    """
    height, n = signal.shape[0], signal.shape[1] // 2
    colour, fine = np.empty((3, n), np.float32), np.empty((3, n), np.float32)
    bent, straight = np.empty(n, np.float32), np.empty(n, np.float32)
    both, square = np.empty(n, np.float32), np.empty(n, np.float32)
    half = CELL // 2
    for j in range(begin, end):
        for x in range(n):
            both[x], square[x] = np.float32(0), np.float32(0)
        first, last = j * half - 1, min((j + 1) * half, height // 2)
        for y in range(first, last + 1):
            row = 2 * min(max(y, 0), height // 2 - 1) + place[0]
            _picked(signal, green, row, place[1], gain, foot, colour[y % 3], fine[y % 3])
            if y >= first + 2:
                _bends(colour[(y - 2) % 3], colour[(y - 1) % 3], colour[y % 3], bent)
                _bends(fine[(y - 2) % 3], fine[(y - 1) % 3], fine[y % 3], straight)
                for x in range(n):
                    both[x] += bent[x] * straight[x]
                    square[x] += straight[x] * straight[x]
        for b in range(out.shape[2]):
            p, q = np.float32(0), np.float32(0)
            for x in range(b * half, min((b + 1) * half, n)):
                p += both[x]
                q += square[x]
            out[0, j, b], out[1, j, b] = p, q


@njit(cache=True, nogil=True, error_model="numpy")
def _row_of(cells, y, out):  # type: ignore[no-untyped-def]
    """One row of pixels out of a map of cells, bilinear."""
    rows, columns = cells.shape
    v = (np.float32(y) + np.float32(0.5)) / np.float32(CELL) - np.float32(0.5)
    i = min(max(int(np.floor(v)), 0), rows - 1)
    below = min(i + 1, rows - 1)
    f = min(max(v - np.float32(i), np.float32(0)), np.float32(1))
    into, half, share = out[CELL // 2 :], np.float32(0.5), np.float32(CELL)
    inside = min(into.size // CELL, columns - 1)
    last = cells[i, 0] + f * (cells[below, 0] - cells[i, 0])
    out[: CELL // 2] = last
    for b in range(inside):
        p, last = last, cells[i, b + 1] + f * (cells[below, b + 1] - cells[i, b + 1])
        step = (last - p) / share
        for k in range(CELL):  # as many as are known: one wide lane
            into[b * CELL + k] = p + step * (np.float32(k) + half)
    step = (cells[i, columns - 1] + f * (cells[below, columns - 1] - cells[i, columns - 1]) - last) / share
    for x in range(inside * CELL, into.size):
        into[x] = last + step * (np.float32(x - inside * CELL) + half)


@njit(cache=True, nogil=True, error_model="numpy")
def light(root, foot):  # type: ignore[no-untyped-def]
    """Light of a fourth root."""
    v = max(root, np.float32(0))
    v *= v
    return v * v - foot


@njit(cache=True, nogil=True, error_model="numpy")
def _row_of_colours(seen, gain, first, a, b, about, near, far, foot, tops, out):  # type: ignore[no-untyped-def]
    """One row: its own colour, green, and the colour of the rows about it, into out[0], out[1], out[2].

    `first`: its first column of its own colour. `a`, `b`: roots of the mosaic and of green. `about`: of the rows
    above and below, the mean, the lesser and the greater of the mosaic's, and the mean of green. `near`, `far`: how
    like green the two colours are; `tops`: roots of their saturation. Every formula is reckoned at every pixel: that
    is faster than to pick.
    """
    half, k = np.float32(0.5), _PAD - 1
    a, b, ours, green, others = a[k:], b[k:], out[0], out[1], out[2]
    mean, low, high, fine = about[0, k:], about[1, k:], about[2, k:], about[3, k:]
    for x in range(seen.size):  # in three loops, of few things each: the compiler then uses wide lanes
        beside = half * (a[x] + a[x + 2]) + near[x] * (b[x + 1] - half * (b[x] + b[x + 2]))
        ours[x] = light(kept(beside, min(a[x], a[x + 2]), max(a[x], a[x + 2]), tops[0]), foot)
    for x in range(seen.size):
        above = mean[x + 1] + far[x] * (b[x + 1] - fine[x + 1])
        aslant = half * (mean[x] + mean[x + 2]) + far[x] * (b[x + 1] - half * (fine[x] + fine[x + 2]))
        above = kept(above, low[x + 1], high[x + 1], tops[1])
        aslant = kept(aslant, min(low[x], low[x + 2]), max(high[x], high[x + 2]), tops[1])
        others[x] = light(aslant if (x & 1) == first else above, foot)
    for x in range(seen.size):
        own = (x & 1) == first
        known = seen[x] * (gain[first] if own else gain[1 - first])
        ours[x], green[x] = known if own else ours[x], light(b[x + 1], foot) if own else known


@njit(cache=True, nogil=True, error_model="numpy")
def _colours(begin, end, signal, green, gain, foot, tops, first, red, alike, top, out):  # type: ignore[no-untyped-def]
    """Rows `begin` to `end` of colour, into `out` from row `top` on; `red`: whether reds are in even or odd rows."""
    height, width = signal.shape
    u, g = np.empty((4, width + 2 * _PAD), np.float32), np.empty((4, width + 2 * _PAD), np.float32)
    about = np.empty((4, width + 2 * _PAD), np.float32)
    ratios, row = np.empty((2, width), np.float32), np.empty((3, width), np.float32)
    half = np.float32(0.5)
    for y in range(begin - 1, end + 1):
        at = _mirrored(y, height)
        _roots(signal, at, gain[y & 1], foot, u[y & 3])
        for x in range(width):
            g[y & 3, _PAD + x] = green[at, x]
        _beyond(g[y & 3], width)
        done = y - 1
        if done < begin:
            continue
        above, below, before, after = u[(done - 1) & 3], u[y & 3], g[(done - 1) & 3], g[y & 3]
        for x in range(above.size):
            about[0, x], about[3, x] = half * (above[x] + below[x]), half * (before[x] + after[x])
            about[1, x], about[2, x] = min(above[x], below[x]), max(above[x], below[x])
        own = 0 if done & 1 == red else 1
        _row_of(alike[own], done, ratios[0])
        _row_of(alike[1 - own], done, ratios[1])
        p, q, start = done & 1, done & 3, (done + 1 + first) & 1
        near, far, most = ratios[0], ratios[1], tops[own]
        _row_of_colours(signal[done], gain[p], start, u[q], g[q], about, near, far, foot, most, row)
        reds, blues = row[2 * own], row[2 - 2 * own]
        for x in range(width):
            out[done - top, x, 0] = reds[x]
            out[done - top, x, 1] = row[1, x]
            out[done - top, x, 2] = blues[x]


class Directional:
    """A Bayer mosaic whose colour can be had, all of it or by rows.

    `signal`: values above black, float32 H x W, both even and 2 or more, C order. `colours`: 2 x 2, the colour (0
    red, 1 green, 2 blue) of the pixel at [y % 2, x % 2], the two greens diagonal. `gain`: 2 x 2, what brings each to
    white balance, 1 about saturation. `ceiling`: where red, green and blue saturate, balanced.
    """

    def __init__(
        self,
        signal: F32,
        colours: NDArray[np.integer],
        gain: NDArray[np.floating],
        ceiling: NDArray[np.floating],
    ) -> None:
        """Find green everywhere, and how like it the other colours are."""
        self.signal, self.gain = signal, np.ascontiguousarray(gain, np.float32)
        self.foot = np.float32(foot_for(signal, self.gain))
        red, green, blue = ((np.asarray(ceiling) + float(self.foot)) ** 0.25).astype(np.float32)
        self.top, self.tops = green, np.array([[red, blue], [blue, red]])  # of a row's own and of the other colour
        self.first = 0 if colours[0, 0] == 1 else 1
        places = [(int(r), int(c)) for r, c in (np.argwhere(colours == k)[0] for k in (0, 2))]
        self.red = places[0][0]
        self.green = room(*signal.shape)
        in_bands(_green, 0, len(signal), signal, self.gain, self.foot, self.top, self.first, self.green)
        self.alike = np.stack([self._alike(place) for place in places])

    def _alike(self, place: tuple[int, int]) -> F32:
        """By cells, how strong one colour's detail is beside green's."""
        rows, columns = (-(-n // CELL) for n in self.signal.shape)
        sums = np.empty((2, rows, columns), np.float32)
        gain = self.gain[place]
        in_bands(_likeness, 0, rows, self.signal, self.green, gain, self.foot, place, sums)
        both, square = (cv2.boxFilter(s, -1, (3, 3), borderType=cv2.BORDER_REPLICATE) for s in sums)
        return np.asarray(np.clip((both + FLAT) / (square + FLAT), LEAST_ALIKE, MOST_ALIKE), np.float32)

    def rows(self, begin: int, end: int, out: F32 | None = None) -> F32:
        """White-balanced colour of rows `begin` to `end`, float32 N x W x 3; into `out`, where that is given."""
        out = np.empty((end - begin, self.signal.shape[1], 3), np.float32) if out is None else out
        given = self.signal, self.green, self.gain, self.foot, self.tops, self.first, self.red, self.alike, begin, out
        in_bands(_colours, begin, end, *given)
        return out


def foot_for(signal: F32, gain: F32) -> float:
    """What is added before the root, as a share of saturation: FOOT, or more where noise reaches far below black.

    `signal`: H x W above black; `gain`: a cell of filters (2 x 2, 6 x 6), what brings its colours to balance.
    """
    if min(signal.shape) < 64:
        return FOOT
    sample, side = signal[::7, ::11], len(gain)  # steps that share nothing with a cell, so that all colours come up
    rows, columns = np.arange(0, signal.shape[0], 7) % side, np.arange(0, signal.shape[1], 11) % side
    scaled = sample * gain[rows[:, None], columns]
    deepest = np.partition(scaled.ravel(), scaled.size // 1000)[scaled.size // 1000]
    return max(FOOT, -DEEPEST * float(deepest))
