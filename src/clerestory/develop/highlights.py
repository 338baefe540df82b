"""Clipped glass rebuilt: what a pane's fringe and neighbours say of the colour that the sensor lost.

A clipped channel is known to be no less than its saturation; the channels left say how bright the place is, and
colour within a pane hardly changes while light does. So the colour of everything clipped is first found on a small
map (cells of about 1/1300 of the picture's longer side): of the colours of unclipped places around, a pane's own
fringe first, and of the kinds of glass that there are, each counts as far as it explains what is left. It is evened
out within the pane, then carried to the full picture, where each lost channel stands to those left as in that colour.
A frame is mended in its mosaic, before it is demosaiced: interpolation would mix what is clipped into all around it.
Colour borrowed across channels and from near by: after Masood, Zhu and Tappen 2009, "Automatic correction of
saturated regions in photographs using cross-channel correlation".
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from clerestory.develop.demosaic import small
from clerestory.raw.read import Mosaic

F32 = NDArray[np.float32]

LOW, HIGH = np.float32(0.94), np.float32(0.99)  # shares of saturation between which a channel fades into clipped
CELLS = 1300  # along the longer side
DIM = np.float32(0.12)  # share of saturation below which an unclipped place tells no colour: noise and veiling glare
RINGS = (1, 2, 3, 4, 6, 9, 13, 19, 28, 42, 64)  # cells from a clipped one at which colours are looked for
STEEP = np.float32(0.25)  # change of light over two pixels, as a share, at which a colour counts half
AROUND = 8  # places on a ring
FALL = 2.0  # power of distance with which a place counts less
ODDS = np.float32(0.2)  # stops by which a colour may miss what the channels left say, for half its weight
SHORT = np.float32(0.1)  # stops by which a channel seen clipped may fall short of it, for half a colour's weight
BEYOND = np.float32(0.6)  # halvings of its weight, by squared stops, where a colour would be beyond clipping
PURPLE = np.float32(8.0)  # halvings for each stop by which it would have less green than both red and blue
# Set with bench/light.py panes: the modelled church and two open panoramas. Half and double are in docs/METHODS.md.
# Kinds of glass: stops of red and of blue over green, in balanced camera RGB, at their deepest, and how common.
WHITE = 0.6
SKY = 2.0
KINDS = (
    ((-0.7, 0.5), SKY),  # clear glass before a blue sky
    ((-2.8, 1.9), 1.0),  # blue (cobalt), pale or deep
    ((-2.2, -0.1), 0.3),  # blue-green
    ((-2.0, -1.4), 0.5),  # green
    ((0.9, -2.8), 0.8),  # yellow and amber
    ((4.0, -0.2), 0.8),  # ruby
    ((1.2, 1.4), 0.15),  # purple (manganese)
)
DEPTHS = 6  # paler ones of each kind
GENERAL = np.float32(0.004)  # weight of the kinds of glass beside colours found near by
ALIKE = np.float32(10.0)  # how strictly a pane is told from its neighbours, by squared stops and losses
LIT = np.float32(0.3)  # what a square stop of light counts of a channel lost there and kept here
BLIND = np.float32(0.4)  # share of that strictness that is left where what is seen is at an edge
LEAST = np.float32(0.1)  # confidence in a colour of which nothing around tells
EVEN = (1, 2, 4)  # cells between those that each round of evening out looks at
FARTHEST = np.float32(3.2)  # times what it shows that a clipped channel is taken for at most: 1.7 stops


@njit(cache=True, inline="always", error_model="numpy")
def _ramp(v, low, high):  # type: ignore[no-untyped-def]
    t = min(max((v - low) / (high - low), np.float32(0)), np.float32(1))
    return t * t * (np.float32(3) - np.float32(2) * t)


@njit(cache=True, inline="always", error_model="numpy")
def _evenness(rgb, ceiling, y, x):  # type: ignore[no-untyped-def]
    """1 where light is even around a place, 0 at an edge: there a mosaic's channels, each seen at its own place, tell
    a wrong colour."""
    m, n = max(y - 1, 0), min(y + 1, rgb.shape[0] - 1)
    e, f = max(x - 1, 0), min(x + 1, rgb.shape[1] - 1)
    off = total = np.float32(0)
    for k in range(3):
        off += (abs(rgb[y, e, k] - rgb[y, f, k]) + abs(rgb[m, x, k] - rgb[n, x, k])) / ceiling[k]
        total += rgb[y, x, k] / ceiling[k]
    off /= STEEP * max(total, np.float32(1e-3))
    return np.float32(1) / (np.float32(1) + off * off)


@njit(cache=True, parallel=True, error_model="numpy")
def _gathered(rgb, ceiling, cell, known, seen):  # type: ignore[no-untyped-def]
    """Of each cell, the means of its unclipped colours and of its clipped ones, evenly lit places before all.

    `known`: stops below saturation of three channels and weight, brighter places counting more. `seen`: stops below
    saturation of three channels, how far they are lost, and how evenly it is lit, 0 where nothing is clipped.
    """
    one, least = np.float32(1), np.float32(1e-4)
    for i in prange(known.shape[0]):
        for j in range(known.shape[1]):
            a = b = c = weight = r = g = bl = p = q = s = count = sure = np.float32(0)
            for y in range(i * cell, min((i + 1) * cell, rgb.shape[0])):
                for x in range(j * cell, min((j + 1) * cell, rgb.shape[1])):
                    u, v, w = rgb[y, x, 0] / ceiling[0], rgb[y, x, 1] / ceiling[1], rgb[y, x, 2] / ceiling[2]
                    top = max(u, max(v, w))
                    if top <= DIM:
                        continue
                    even = _evenness(rgb, ceiling, y, x) + least
                    if top >= LOW:
                        r += even * u
                        g += even * v
                        bl += even * w
                        p += even * _ramp(u, LOW, HIGH)
                        q += even * _ramp(v, LOW, HIGH)
                        s += even * _ramp(w, LOW, HIGH)
                        sure += even
                        count += one
                    else:
                        a += even * u
                        b += even * v
                        c += even * w
                        weight += even * top
            if count > 0:
                seen[i, j, 0] = np.log2(max(r / sure, least))
                seen[i, j, 1] = np.log2(max(g / sure, least))
                seen[i, j, 2] = np.log2(max(bl / sure, least))
                seen[i, j, 3], seen[i, j, 4], seen[i, j, 5] = p / sure, q / sure, s / sure
                seen[i, j, 6] = sure / count
            if weight > 0:
                known[i, j, 0] = np.log2(max(a / weight, least))
                known[i, j, 1] = np.log2(max(b / weight, least))
                known[i, j, 2] = np.log2(max(c / weight, least))
                known[i, j, 3] = weight / np.float32(cell * cell)


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


@njit(cache=True, parallel=True, error_model="numpy")
def _colours(known, seen, stops, places, kinds, out):  # type: ignore[no-untyped-def]
    """Colour of every clipped cell: stops of three channels beside their mean (balanced units), and confidence."""
    rows, columns = seen.shape[:2]
    for i in prange(rows):
        c, d, levels = np.empty(3, np.float32), np.empty(3, np.float32), np.empty(1, np.float32)
        for j in range(columns):
            if seen[i, j, 6] <= 0:
                continue
            if (i + j) & 1 and 0 < j < columns - 1 and seen[i, j - 1, 6] > 0 and seen[i, j + 1, 6] > 0:
                continue  # evening out fills it from those around
            s, w = seen[i, j, :3], seen[i, j, 3:6]
            total = trust = np.float32(0)
            d[:] = np.float32(0)
            for n in range(len(places) + len(kinds)):
                if n < len(places):
                    u, v = i + int(places[n, 0]), j + int(places[n, 1])
                    if u < 0 or v < 0 or u >= rows or v >= columns or known[u, v, 3] <= 0:
                        continue
                    colour = known[u, v]
                    weight = places[n, 2] * known[u, v, 3]
                else:
                    colour = kinds[n - len(places)]
                    weight = colour[3]
                weight *= _fit(s, w, colour, stops, levels)
                mean = np.float32(0)
                for k in range(3):
                    c[k] = colour[k] + w[k] * max(-levels[0] - colour[k], np.float32(0))
                    mean += (c[k] + stops[k]) / np.float32(3)
                for k in range(3):
                    d[k] += weight * (c[k] + stops[k] - mean)
                total += weight
                if n < len(places):
                    trust += weight
            for k in range(3):
                out[i, j, k] = d[k] / max(total, np.float32(1e-12))
            out[i, j, 3] = seen[i, j, 6] * (LEAST + trust)


@njit(cache=True, parallel=True, error_model="numpy")
def _evened(colours, seen, reach, out):  # type: ignore[no-untyped-def]
    """Colours of clipped cells evened out among those that have lost the same and show the same."""
    rows, columns = seen.shape[:2]
    for i in prange(rows):
        for j in range(columns):
            if seen[i, j, 6] <= 0:
                continue
            a = b = c = total = trust = spread = np.float32(0)
            for u in range(max(i - 2 * reach, 0), min(i + 2 * reach + 1, rows), 1):
                if (u - i) % reach:
                    continue
                for v in range(max(j - 2 * reach, 0), min(j + 2 * reach + 1, columns)):
                    if (v - j) % reach or seen[u, v, 6] <= 0:
                        continue
                    apart = np.float32(0)
                    for k in range(3):
                        loss = seen[i, j, 3 + k] - seen[u, v, 3 + k]
                        shown = seen[i, j, k] - seen[u, v, k]
                        apart += loss * loss + LIT * shown * shown
                    weight = np.float32(1) / (np.float32(1) + ALIKE * max(seen[i, j, 6], BLIND) * apart)
                    weight *= weight
                    spread += weight
                    trust += weight * colours[u, v, 3]
                    weight *= colours[u, v, 3]
                    a += weight * colours[u, v, 0]
                    b += weight * colours[u, v, 1]
                    c += weight * colours[u, v, 2]
                    total += weight
            total = max(total, np.float32(1e-20))
            out[i, j, 0] = a / total
            out[i, j, 1] = b / total
            out[i, j, 2] = c / total
            out[i, j, 3] = max(trust / spread, np.float32(1e-6))


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


@njit(cache=True, inline="always", error_model="numpy")
def _told(level, sure, whole, own, top, colour):  # type: ignore[no-untyped-def]
    """A clipped channel's value (stops, balanced), from the level that those left tell, never below its own."""
    new = (np.float32(1) - whole) * np.exp2(level + colour) + whole * top
    return min(max(new, own), FARTHEST * own)


@njit(cache=True, parallel=True, error_model="numpy")
def _rebuild(rgb, ceiling, colours, cell):  # type: ignore[no-untyped-def]
    """Lost channels of a picture from those left and the colour of the place, in place."""
    height, width = rgb.shape[:2]
    one = np.float32(1)
    for i in prange(colours.shape[0]):
        d, w = np.empty(3, np.float32), np.empty(3, np.float32)
        for j in range(colours.shape[1]):
            if colours[i, j, 3] <= 0:
                continue
            for y in range(i * cell, min((i + 1) * cell, height)):
                for x in range(j * cell, min((j + 1) * cell, width)):
                    missing = level = left = top = np.float32(0)
                    for k in range(3):
                        w[k] = _ramp(rgb[y, x, k] / ceiling[k], LOW, HIGH)
                        missing += w[k]
                        top = max(top, rgb[y, x, k])
                    if missing <= 0:
                        continue
                    _colour_at(colours, y, x, cell, d)
                    for k in range(3):
                        v = max(rgb[y, x, k], np.float32(1e-5))
                        sure = (one - w[k]) * (v / ceiling[k] + np.float32(0.01))
                        level += sure * (np.log2(v) - d[k])
                        left += sure
                    whole = max(missing - np.float32(2), np.float32(0))
                    level /= max(left, np.float32(1e-4))
                    for k in range(3):
                        v = rgb[y, x, k]
                        rgb[y, x, k] = v + w[k] * (_told(level, left, whole, v, top, d[k]) - v)


@njit(cache=True, parallel=True, error_model="numpy")
def _rebuild_mosaic(signal, share, colour, ceiling, colours, cell, out):  # type: ignore[no-untyped-def]
    """Clipped places of a mosaic from unclipped ones of any channel beside them and the colour of the place.

    `share`: of saturation per unit; `colour`: 0 to 2 at (row % 2, column % 2). `colours` is for half its size.
    """
    height, width = signal.shape
    one = np.float32(1)
    size = 2 * cell
    for i in prange(colours.shape[0]):
        d, lost, count = np.empty(3, np.float32), np.empty(3, np.float32), np.empty(3, np.float32)
        for j in range(colours.shape[1]):
            if colours[i, j, 3] <= 0:
                continue
            for y in range(i * size, min((i + 1) * size, height)):
                for x in range(j * size, min((j + 1) * size, width)):
                    own = signal[y, x] * share[y & 1, x & 1]
                    if own <= LOW:
                        continue
                    k = colour[y & 1, x & 1]
                    _colour_at(colours, y, x, size, d)
                    level = left = top = np.float32(0)
                    lost[:] = np.float32(0)
                    count[:] = np.float32(0)
                    for u in range(max(y - 1, 0), min(y + 2, height)):
                        for v in range(max(x - 1, 0), min(x + 2, width)):
                            at = signal[u, v] * share[u & 1, v & 1]
                            n = colour[u & 1, v & 1]
                            gone = _ramp(at, LOW, HIGH)
                            lost[n] += gone
                            count[n] += one
                            top = max(top, at * ceiling[n])
                            if gone < one:
                                at = max(at, np.float32(1e-4))
                                sure = (one - gone) * (at * at * at + np.float32(0.001) * at)
                                level += sure * (np.log2(at * ceiling[n]) - d[n])
                                left += sure
                    missing = np.float32(0)
                    for n in range(3):
                        missing += lost[n] / max(count[n], one)
                    whole = max(missing - np.float32(2), np.float32(0))
                    level /= max(left, np.float32(1e-4))
                    new = _told(level, left, whole, own * ceiling[k], top, d[k]) / ceiling[k]
                    out[y, x] = (own + _ramp(own, LOW, HIGH) * (new - own)) / share[y & 1, x & 1]


def _places() -> F32:
    """Where colours are looked for: rows down, columns across and weight, the nearest counting most."""
    found = [(0.0, 0.0, 1.0)]
    for n, radius in enumerate(RINGS):
        around = AROUND if radius > 1 else 8
        for k in range(around):
            angle = 2 * math.pi * (k + 0.5 * (n % 2)) / around
            found.append((round(radius * math.sin(angle)), round(radius * math.cos(angle)), 1 / (1 + radius) ** FALL))
    return np.array(found, np.float32)


def _kinds(stops: F32) -> F32:
    """Kinds of glass as stops of three channels below saturation (of any brightness), and weight."""
    found = [((0.0, 0.0), WHITE)]
    for (red, blue), weight in KINDS:
        for k in range(1, DEPTHS + 1):
            depth = (k / DEPTHS) ** 1.5
            found.append(((red * depth, blue * depth), weight * 1.6 / DEPTHS))
    total = sum(weight for _, weight in found)
    rows = [(red - stops[0], -stops[1], blue - stops[2], GENERAL * w / total) for (red, blue), w in found]
    return np.array(rows, np.float32)


def _map(image: F32, saturation: F32, ceiling: F32) -> tuple[F32, int] | None:
    """Colours of what is clipped (stops of three channels beside their mean, confidence) and pixels across a cell.

    `saturation`: of each channel of the image, `ceiling`: the same white-balanced. None where nothing is clipped.
    """
    height, width = image.shape[:2]
    cell = max(1, round(max(height, width) / CELLS))
    size = (-(-height // cell), -(-width // cell))
    known, seen = np.zeros((*size, 4), np.float32), np.zeros((*size, 7), np.float32)
    _gathered(image, saturation, cell, known, seen)
    if not seen[..., 6].any():
        return None
    stops = np.log2(ceiling)
    colours, evened = np.zeros((*size, 4), np.float32), np.zeros((*size, 4), np.float32)
    _colours(known, seen, stops, _places(), _kinds(stops), colours)
    for step in EVEN:
        _evened(colours, seen, step, evened)
        colours, evened = evened, colours
    return colours, cell


def reconstruct_highlights(rgb: F32, multipliers: Sequence[float] | NDArray[np.floating]) -> F32:
    """Clipped channels rebuilt, in place, in white-balanced camera RGB (float32 H x W x 3); returns the same array.

    For pictures whose pixels were not interpolated from a mosaic; see `rebuilt_mosaic`. Channel k saturates at
    `multipliers[k]` (the least of them 1). Where one or two channels are lost they follow the colour that unclipped
    places around give the pane, or that glass may have; three are white. None rises by more than 1.7 stops.
    """
    ceiling = np.asarray(multipliers, np.float32)
    found = _map(rgb, ceiling, ceiling)
    if found is not None:
        _rebuild(rgb, ceiling, *found)
    return rgb


def rebuilt_mosaic(
    signal: F32, mosaic: Mosaic, multipliers: Sequence[float] | NDArray[np.floating]
) -> tuple[F32, Mosaic, float]:
    """A mosaic above black (float32 H x W, raw units) with clipped places rebuilt as in `reconstruct_highlights`.

    `multipliers`: the white balance. Returns the values (the same array where nothing is clipped), the mosaic to
    demosaic them as, its white level put where the brightest of them may lie, and by how many times.
    """
    height, width = signal.shape[0] // 2 * 2, signal.shape[1] // 2 * 2
    ceiling = np.asarray(multipliers, np.float32) / np.float32(min(multipliers))
    found = _map(small(signal, mosaic), np.ones(3, np.float32), ceiling)
    if found is None:
        return signal, mosaic, 1.0
    channel = mosaic.cfa.astype(int)
    share = (1 / (mosaic.white - mosaic.black))[channel].astype(np.float32)
    out = signal.copy()
    inner = (slice(height), slice(width))
    _rebuild_mosaic(signal[inner], share, np.where(channel == 3, 1, channel), ceiling, *found, out[inner])
    raised = replace(mosaic, white=mosaic.black + FARTHEST * (mosaic.white - mosaic.black))
    return out, raised, float(FARTHEST)
