"""Clipped glass rebuilt: what a pane's fringe and neighbours say of the colour that the sensor lost.

A clipped channel is known to be no less than its saturation; the channels left say how bright the place is, and
colour within a pane hardly changes while light does. So the colour of everything clipped is first found on a small
map (cells of about 1/1300 of the picture's longer side) from unclipped places around: a pane's own fringe, where it
is blurred into its lead, comes first. It is evened out within the pane, then carried to the full picture, where each
lost channel stands to those left as in that colour. Colour borrowed across channels and from near by: after Masood,
Zhu and Tappen 2009, "Automatic correction of saturated regions in photographs using cross-channel correlation".
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
Map8 = NDArray[np.uint8]

LOW, HIGH = np.float32(0.94), np.float32(0.99)  # shares of saturation between which a channel fades into clipped
BLOCK = 32  # pixels across the blocks in which anything clipped is looked for
CELLS = 1300  # along the longer side
DIM = np.float32(0.12)  # share of saturation below which an unclipped place tells no colour: noise and veiling glare
FRINGE = np.float32(0.5)  # weight of places beside clipped ones
# Shares of saturation between which a place beside clipped ones may be lost. Set on bench/light.py panes: from 0.1 to
# 0.5 the hue in the model's nave is off by 16 degrees instead of 15, from 0.5 to 0.9 magenta is 1.2 % for 0.9.
NOT, MAYBE = np.float32(0.3), np.float32(0.85)
SPOILT = np.float32(0.6)  # share of saturation from which such places tell no colour: they are clipped in part
RINGS = (1, 2, 3, 4, 6, 9, 13, 19, 28, 42, 64)  # cells from a clipped one at which colours are looked for
AROUND = 12  # places on a ring
ODDS = np.float32(0.25)  # stops by which a colour may miss what the channels left say, for half its weight
SHORT = np.float32(0.2)  # stops by which a channel seen clipped may fall short of it, for half a colour's weight
BEYOND = np.float32(0.75)  # halvings of its weight, by squared stops, where a colour would be beyond clipping
PURPLE = np.float32(8.0)  # halvings for each stop by which it would have less green than both red and blue
PALE, WHITE = np.float32(0.012), np.float32(0.4)  # weight of no tint: always; and of white glass where it may be
COOL, WARM = np.float32(0.65), np.float32(0.3)  # see `_likely`; set on the modelled church
DEEP = np.float32(3.0)  # stops between channels beyond which noise tells no colour
# How strictly a pane is told from its neighbours, by squared stops and losses. Set on bench/light.py panes: at 10
# panes are less even, at 4 the nave's hue is off by 0.6 degrees more.
ALIKE = np.float32(7.0)
LEAST = np.float32(0.1)  # confidence in a colour of which nothing around tells
EVEN = (1, 2, 4)  # cells between those that each round of evening out looks at
FARTHEST = np.float32(3.2)  # times what it shows that a clipped channel is taken for at most: 1.7 stops
# Pixels over which what is rebuilt goes over into what was recorded. Set on bench/light.py panes: hue in the model's
# nave off by 15.2 degrees with none, 14.6 with 0.5, 13.9 with 0.75, which leaves a noisy pane less even.
SOFT = 0.5
PALER = (0.03, 0.08, 1.0)  # of the way to white, with one, two, three channels lost; set on the modelled church


@njit(cache=True, inline="always", error_model="numpy")
def _ramp(v, low, high):  # type: ignore[no-untyped-def]
    t = min(max((v - low) / (high - low), np.float32(0)), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


@njit(cache=True, nogil=True, error_model="numpy")
def _clipped_blocks(begin, end, rgb, ceiling, out):  # type: ignore[no-untyped-def]
    """Blocks in which any channel comes near saturation."""
    red, green, blue = LOW * ceiling[0], LOW * ceiling[1], LOW * ceiling[2]
    near = np.empty(rgb.shape[1], np.uint8)
    for i in range(begin, end):
        near[:] = np.uint8(0)
        for y in range(i * BLOCK, min((i + 1) * BLOCK, rgb.shape[0])):
            row = rgb[y]
            for x in range(near.size):
                near[x] |= np.uint8((row[x, 0] >= red) | (row[x, 1] >= green) | (row[x, 2] >= blue))
        for j in range(out.shape[1]):
            for x in range(j * BLOCK, min((j + 1) * BLOCK, near.size)):
                out[i, j] |= near[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _touched(begin, end, rgb, ceiling, wanted, out):  # type: ignore[no-untyped-def]
    """How far each channel is lost, 0 to 255."""
    height, width = rgb.shape[:2]
    for i in range(begin, end):
        for j in range(wanted.shape[1]):
            if not wanted[i, j]:
                continue
            for y in range(i * BLOCK, min((i + 1) * BLOCK, height)):
                for x in range(j * BLOCK, min((j + 1) * BLOCK, width)):
                    for k in range(3):
                        if rgb[y, x, k] < LOW * ceiling[k]:
                            continue
                        share = np.uint8(np.float32(255) * _ramp(rgb[y, x, k] / ceiling[k], LOW, HIGH))
                        out[y, x, k] = share


@njit(cache=True, nogil=True, error_model="numpy")
def _gathered(begin, end, rgb, lost, ceiling, cell, wanted, known, seen):  # type: ignore[no-untyped-def]
    """Of each cell, the sums of its unclipped colours and of its clipped ones.

    `known`: share of saturation of three channels and weight, brighter places counting more. `seen`: share of
    saturation of three channels, how far they are lost, and how many pixels.
    """
    for i in range(begin, end):
        for j in range(known.shape[1]):
            if not wanted[i * cell // BLOCK, j * cell // BLOCK]:
                continue
            for y in range(i * cell, min((i + 1) * cell, rgb.shape[0])):
                for x in range(j * cell, min((j + 1) * cell, rgb.shape[1])):
                    r, g, b = rgb[y, x, 0] / ceiling[0], rgb[y, x, 1] / ceiling[1], rgb[y, x, 2] / ceiling[2]
                    p, q, s = lost[y, x, 0], lost[y, x, 1], lost[y, x, 2]
                    if p or q or s:
                        seen[i, j, 0] += r
                        seen[i, j, 1] += g
                        seen[i, j, 2] += b
                        seen[i, j, 3] += np.float32(p) / np.float32(255)
                        seen[i, j, 4] += np.float32(q) / np.float32(255)
                        seen[i, j, 5] += np.float32(s) / np.float32(255)
                        seen[i, j, 6] += np.float32(1)
                    top = max(r, max(g, b))
                    beside = p > 0 or q > 0 or s > 0
                    if DIM < top < (SPOILT if beside else LOW):
                        # Beside what is clipped interpolation has lost some of it: less is left to go by.
                        weight = FRINGE if beside else np.float32(1)
                        known[i, j, 0] += weight * r
                        known[i, j, 1] += weight * g
                        known[i, j, 2] += weight * b
                        known[i, j, 3] += weight * top


@njit(cache=True, nogil=True, error_model="numpy")
def _to_stops(begin, end, sums, count, scale):  # type: ignore[no-untyped-def]
    """Sums of cells as stops below saturation, their weights (and losses) as means; in place."""
    for i in range(begin, end):
        for j in range(sums.shape[1]):
            total = sums[i, j, count]
            if total <= 0:
                continue
            for k in range(count):
                v = sums[i, j, k] / total
                sums[i, j, k] = np.log2(max(v, np.float32(1e-4))) if k < 3 else v
            sums[i, j, count] = total * scale


@njit(cache=True, inline="always", error_model="numpy")
def _fit(s, w, c, stops, levels):  # type: ignore[no-untyped-def]
    """How well colour c (stops beside saturation, of any brightness) explains what is seen, 0 to 1, and its level.

    `s`, `w`: stops below saturation, and how far lost, of the three channels.
    """
    one = np.float32(1)
    left = level = np.float32(0)
    for k in range(3):
        left += one - w[k]
        level += (one - w[k]) * (s[k] - c[k])
    if left < np.float32(0.05):
        level = -min(c[0], min(c[1], c[2]))
    else:
        level /= left
    miss = np.float32(0)
    beyond = np.float32(0)
    for k in range(3):
        at = c[k] + level
        off = (s[k] - at) / ODDS
        miss += (one - w[k]) * off * off
        short = max(-at, np.float32(0)) / SHORT
        miss += w[k] * short * short
        beyond += w[k] * max(at, np.float32(0))
    levels[0] = level
    # White glass that has lost its green is common, purple glass that has is rare.
    purple = min(c[0] + stops[0], c[2] + stops[2]) - c[1] - stops[1]
    penalty = BEYOND * beyond * beyond + PURPLE * w[1] * max(purple, np.float32(0))
    return np.exp2(-penalty) / ((one + miss) * (one + miss))


@njit(cache=True, inline="always", error_model="numpy")
def _likely(seen, w, out):  # type: ignore[no-untyped-def]
    """The palest colour on the line of glass colours that explains what is seen (stops, balanced).

    Along the spectrum blue stands to green as COOL of what green stands to red, red to green as WARM of what green
    stands to blue: glass of one stain, thick or thin, lies on one line (Beer and Lambert), and so does daylight.
    """
    r, g, b = seen[0], seen[1], seen[2]
    one, half = np.float32(1), np.float32(0.5)
    slope = COOL if r < b else WARM
    first, last = (r, b) if r < b else (b, r)
    if w[1] > half and not (w[0] > half and w[2] > half):
        g = max(g, (last + slope * first) / (one + slope))
    if w[1] > half or w[0] <= half or w[2] <= half:
        if w[2] > half:
            b = max(b, g + (COOL if r < g else WARM) * min(g - r, DEEP))
        elif w[0] > half:
            r = max(r, g + (WARM if b < g else COOL) * min(g - b, DEEP))
    out[0], out[1], out[2] = r, g, b


@njit(cache=True, inline="always", error_model="numpy")
def _untold(s, w, stops, line, out):  # type: ignore[no-untyped-def]
    """The colour of a place of which nothing around tells, as stops beside saturation, and the weight that it has.

    White glass where what is left may be white, else `_likely`. `stops`: of each channel's saturation, in balanced
    units.
    """
    left = grey = np.float32(0)
    top = np.float32(-99)
    for k in range(3):
        out[k] = s[k] + stops[k]
        left += np.float32(1) - w[k]
        grey += (np.float32(1) - w[k]) * out[k]
        top = max(top, out[k])
    _likely(out, w, line)
    two = _ramp(left, np.float32(1), np.float32(2))  # 1 where two channels are left
    grey = two * grey / max(left, np.float32(1e-3)) + (np.float32(1) - two) * top
    spread = np.float32(0)
    for k in range(3):
        spread += (np.float32(1) - w[k]) * abs(out[k] - grey)
    white = WHITE * np.exp2(np.float32(-6) * spread)
    for k in range(3):
        mean = (PALE * line[k] + white * max(grey, out[k])) / (PALE + white)
        out[k] = s[k] + w[k] * max(mean - out[k], np.float32(0))
    return PALE + white


@njit(cache=True, nogil=True, error_model="numpy")
def _colours(begin, end, known, seen, stops, places, out):  # type: ignore[no-untyped-def]
    """Colour of every clipped cell: stops of three channels beside their mean (balanced units), and confidence."""
    rows, columns = seen.shape[:2]
    for i in range(begin, end):
        c, d, line = np.empty(3, np.float32), np.empty(3, np.float32), np.empty(3, np.float32)
        levels = np.empty(1, np.float32)
        for j in range(columns):
            if seen[i, j, 6] <= 0:
                continue
            s, w = seen[i, j, :3], seen[i, j, 3:6]
            total = _untold(s, w, stops, line, c)
            mean = (c[0] + c[1] + c[2] + stops[0] + stops[1] + stops[2]) / np.float32(3)
            for k in range(3):
                d[k] = total * (c[k] + stops[k] - mean)
            trust = np.float32(0)
            for n in range(len(places)):
                u, v = i + int(places[n, 0]), j + int(places[n, 1])
                if u < 0 or v < 0 or u >= rows or v >= columns or known[u, v, 3] <= 0:
                    continue
                weight = places[n, 2] * known[u, v, 3] * _fit(s, w, known[u, v, :3], stops, levels)
                mean = np.float32(0)
                for k in range(3):
                    c[k] = max(known[u, v, k], -levels[0] * w[k] + known[u, v, k] * (np.float32(1) - w[k]))
                    mean += (c[k] + stops[k]) / np.float32(3)
                for k in range(3):
                    d[k] += weight * (c[k] + stops[k] - mean)
                total += weight
                trust += weight
            for k in range(3):
                out[i, j, k] = d[k] / total
            out[i, j, 3] = LEAST + trust


@njit(cache=True, nogil=True, error_model="numpy")
def _evened(begin, end, colours, seen, reach, out):  # type: ignore[no-untyped-def]
    """Colours of clipped cells evened out among those that have lost the same and show the same."""
    rows, columns = seen.shape[:2]
    for i in range(begin, end):
        for j in range(columns):
            if seen[i, j, 6] <= 0:
                continue
            a = b = c = total = trust = spread = np.float32(0)
            for down in range(-2, 3):
                u = i + down * reach
                if u < 0 or u >= rows:
                    continue
                for across in range(-2, 3):
                    v = j + across * reach
                    if v < 0 or v >= columns or seen[u, v, 6] <= 0:
                        continue
                    apart = np.float32(0)
                    for k in range(3):
                        loss = seen[i, j, 3 + k] - seen[u, v, 3 + k]
                        shown = seen[i, j, k] - seen[u, v, k]
                        apart += loss * loss + shown * shown
                    weight = np.float32(1) / (np.float32(1) + ALIKE * apart)
                    weight *= weight
                    spread += weight
                    trust += weight * colours[u, v, 3]
                    weight *= colours[u, v, 3]
                    a += weight * colours[u, v, 0]
                    b += weight * colours[u, v, 1]
                    c += weight * colours[u, v, 2]
                    total += weight
            out[i, j, 0] = a / total
            out[i, j, 1] = b / total
            out[i, j, 2] = c / total
            out[i, j, 3] = trust / spread


@njit(cache=True, inline="always", error_model="numpy")
def _colour_at(colours, y, x, cell, out):  # type: ignore[no-untyped-def]
    """The map's colour at a pixel, bilinear among the clipped cells around it."""
    size = np.float32(cell)
    u = max((np.float32(y) + np.float32(0.5)) / size - np.float32(0.5), np.float32(0))
    v = max((np.float32(x) + np.float32(0.5)) / size - np.float32(0.5), np.float32(0))
    i, j = int(u), int(v)
    total = np.float32(0)
    for k in range(3):
        out[k] = np.float32(0)
    for m in range(min(2, colours.shape[0] - i)):
        for n in range(min(2, colours.shape[1] - j)):
            if colours[i + m, j + n, 3] <= 0:
                continue
            fu, fv = u - np.float32(i), v - np.float32(j)
            weight = (fu if m else np.float32(1) - fu) * (fv if n else np.float32(1) - fv) + np.float32(1e-4)
            total += weight
            for k in range(3):
                out[k] += weight * colours[i + m, j + n, k]
    for k in range(3):
        out[k] /= total


@njit(cache=True, nogil=True, error_model="numpy")
def _rebuild(begin, end, rgb, lost, ceiling, wanted, colours, cell):  # type: ignore[no-untyped-def]
    """Lost channels from those left and the colour of the place."""
    height, width = rgb.shape[:2]
    one = np.float32(1)
    for i in range(begin, end):
        d, v, w, new = (
            np.empty(3, np.float32),
            np.empty(3, np.float32),
            np.empty(3, np.float32),
            np.empty(3, np.float32),
        )
        for j in range(wanted.shape[1]):
            if not wanted[i, j]:
                continue
            for y in range(i * BLOCK, min((i + 1) * BLOCK, height)):
                for x in range(j * BLOCK, min((j + 1) * BLOCK, width)):
                    if lost[y, x, 0] == 0 and lost[y, x, 1] == 0 and lost[y, x, 2] == 0:
                        continue
                    _colour_at(colours, y, x, cell, d)
                    missing = level = left = top = np.float32(0)
                    for k in range(3):
                        v[k] = max(rgb[y, x, k], np.float32(1e-5))
                        share = v[k] / ceiling[k]
                        w[k] = np.float32(lost[y, x, k]) / np.float32(255) * _ramp(share, NOT, MAYBE)
                        missing += w[k]
                        sure = (one - w[k]) * (share + np.float32(0.01))  # noise tells less of a brighter one
                        level += sure * (np.log2(v[k]) - d[k])
                        left += sure
                        top = max(top, v[k])
                    whole = max(missing - np.float32(2), np.float32(0))
                    level /= max(left, np.float32(1e-4))
                    most = FARTHEST
                    brightest = np.float32(0)
                    for k in range(3):
                        new[k] = (one - whole) * np.exp2(level + d[k]) + whole * top
                        new[k] = v[k] + w[k] * (max(new[k], v[k]) - v[k])
                        most = max(most, new[k] / v[k])
                    for k in range(3):
                        new[k] *= FARTHEST / most
                        brightest = max(brightest, new[k])
                    paler = np.float32(PALER[0]) * min(missing, one)
                    paler += np.float32(PALER[1] - PALER[0]) * min(max(missing - one, np.float32(0)), one)
                    paler += np.float32(PALER[2] - PALER[1]) * whole
                    for k in range(3):
                        rgb[y, x, k] = new[k] + paler * (brightest - new[k])


def _places() -> F32:
    """Where colours are looked for: rows down, columns across and weight, the nearest counting most."""
    found = [(0.0, 0.0, 1.0)]
    for n, radius in enumerate(RINGS):
        around = AROUND if radius > 1 else 8
        for k in range(around):
            angle = 2 * math.pi * (k + 0.5 * (n % 2)) / around
            found.append((round(radius * math.sin(angle)), round(radius * math.cos(angle)), 1 / (1 + radius) ** 1.5))
    return np.array(found, np.float32)


def _grown(blocks: Map8, by: int) -> Map8:
    out: Map8 = cv2.dilate(blocks, np.ones((2 * by + 1, 2 * by + 1), np.uint8)).astype(np.uint8)
    return out


def _soften(lost: Map8, rows: int = 512) -> None:
    """Grown by a pixel and blurred by SOFT, in place and by strips: a whole frame of it twice would be too much."""
    beyond = 8  # rows, more than both reach
    above = lost[:0]
    for first in range(0, len(lost), rows):
        last = min(first + rows, len(lost))
        strip = np.concatenate([above, lost[first : last + beyond]])
        begin, above = len(above), lost[max(last - beyond, 0) : last].copy()
        if not strip.any():
            continue
        grown = cv2.dilate(strip, np.ones((3, 3), np.uint8))
        lost[first:last] = cv2.GaussianBlur(grown, (0, 0), SOFT)[begin : begin + last - first]


def reconstruct_highlights(rgb: F32, multipliers: Sequence[float] | NDArray[np.floating]) -> F32:
    """Clipped channels rebuilt, in place, in white-balanced camera RGB (float32 H x W x 3); returns the same array.

    Channel k saturates at `multipliers[k]` (the least of them 1). Where one or two channels are lost they follow the
    colour that unclipped places around give the pane; where nothing around explains what is left, they are white if
    that may be, else the palest colour of glass of one stain. Three are white. None rises by more than 1.7 stops, and
    what is rebuilt is paler the less is left to say its colour.
    """
    ceiling = np.asarray(multipliers, np.float32)
    height, width = rgb.shape[:2]
    clipped = np.zeros((-(-height // BLOCK), -(-width // BLOCK)), np.uint8)
    in_bands(_clipped_blocks, 0, len(clipped), rgb, ceiling, clipped)
    if not clipped.any():
        return rgb
    near = _grown(clipped, 1)
    lost = np.zeros(rgb.shape, np.uint8)
    in_bands(_touched, 0, len(near), rgb, ceiling, near, lost)
    # Interpolating a mosaic carries what is clipped to the eight pixels around.
    _soften(lost)
    cell = max(1, round(max(height, width) / CELLS))
    size = (-(-height // cell), -(-width // cell))
    known, seen = np.zeros((*size, 4), np.float32), np.zeros((*size, 7), np.float32)
    wanted = _grown(clipped, 1 + -(-RINGS[-1] * cell // BLOCK))
    in_bands(_gathered, 0, size[0], rgb, lost, ceiling, cell, wanted, known, seen)
    in_bands(_to_stops, 0, size[0], known, 3, np.float32(1 / cell**2))
    in_bands(_to_stops, 0, size[0], seen, 6, np.float32(1))
    colours, evened = np.zeros((*size, 4), np.float32), np.zeros((*size, 4), np.float32)
    in_bands(_colours, 0, size[0], known, seen, np.log2(ceiling), _places(), colours)
    for step in EVEN:
        in_bands(_evened, 0, size[0], colours, seen, step, evened)
        colours, evened = evened, colours
    in_bands(_rebuild, 0, len(near), rgb, lost, ceiling, near, colours, cell)
    return rgb
