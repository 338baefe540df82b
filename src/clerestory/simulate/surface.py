# mypy: disable-error-code="no-untyped-def"
"""What surfaces look like: ashlar, vault, floor, wood, leaded glass and stone tracery. Compiled.

Patterns are functions of metres on a surface. `foot` is the width of a pixel there: detail finer than two pixels is
faded out, detail down to that is always present, so that frames have something to be sharp about at any size.
Reflectances are linear Rec. 2020.
"""

from __future__ import annotations

import math

from clerestory.simulate.compiled import device

LEAD = 0.005  # half width of a lead came, m
BAR = 0.055  # half width of a tracery bar, m


@device
def spot(i, j, seed):
    """A number in [0, 1) for a cell of a grid."""
    h = int(i) * 374761393 + int(j) * 668265263 + int(seed) * 974634721
    h = (h ^ (h >> 13)) * 1274126177
    h = (h ^ (h >> 16)) * 2246822519
    return float((h >> 7) & 0xFFFFF) / 1048576.0


@device
def grain(u, v, seed):
    """Smooth noise in [-1, 1] on a unit grid."""
    i, j = math.floor(u), math.floor(v)
    a, b = u - i, v - j
    a, b = a * a * (3.0 - 2.0 * a), b * b * (3.0 - 2.0 * b)
    top = spot(i, j, seed) * (1.0 - a) + spot(i + 1.0, j, seed) * a
    low = spot(i, j + 1.0, seed) * (1.0 - a) + spot(i + 1.0, j + 1.0, seed) * a
    return 2.0 * (top * (1.0 - b) + low * b) - 1.0


@device
def mottle(u, v, foot, first, seed):
    """Octaves of `grain` from `first` cells per metre to the finest that a pixel shows."""
    f, total, weight = first, 0.0, 0.0
    share = 1.0
    for k in range(11):
        room = 0.5 / (f * foot)
        if room < 1.0:
            break
        fade = min(1.0, room - 1.0)
        total += share * fade * grain(u * f + 17.3 * k, v * f - 9.1 * k, seed + k)
        weight += share
        share *= 0.8
        f *= 2.13
    return total / max(weight, 1e-6) * math.sqrt(max(weight, 1.0))


@device
def soft(edge, foot):
    """0 well below an edge, 1 well above, over about a pixel."""
    x = min(max(edge / max(foot, 1e-5) + 0.5, 0.0), 1.0)
    return x * x * (3.0 - 2.0 * x)


@device
def ashlar(u, v, foot, course, seed):
    """Squared stone in courses: (brightness, warmth, joint 0 to 1)."""
    row = math.floor(v / course)
    long = course * (1.5 + 1.1 * spot(row, 3.0, seed))
    shift = spot(row, 7.0, seed) * 5.0
    column = math.floor(u / long + shift)
    du = (u / long + shift - column) * long
    dv = v - row * course
    joint = min(min(du, long - du), min(dv, course - dv))
    line = (1.0 - soft(joint - 0.0045, foot)) * min(1.0, 0.009 / max(foot, 1e-5) + 0.15)
    tone = spot(row, column, seed + 11)
    hue = spot(row, column, seed + 23)
    return 0.86 + 0.26 * tone, hue - 0.5, line


@device
def stone(u, v, foot, course, pale, seed):
    """Reflectance of a limestone wall at (u, v)."""
    bright, hue, line = ashlar(u, v, foot, course, seed)
    stain = grain(u * 0.35, v * 0.22, seed + 5) + 0.5 * grain(u * 1.1, v * 0.5, seed + 6)
    m = mottle(u, v, foot, 3.0, seed + 40)
    value = pale * bright * (1.0 + 0.10 * stain + 0.14 * m - 0.12 * max(m - 0.45, 0.0))
    value *= 1.0 - 0.33 * line
    r = value * (1.06 + 0.07 * hue)
    b = value * (0.78 - 0.10 * hue - 0.03 * stain)
    return max(r, 0.02), max(value, 0.02), max(b, 0.02)


@device
def slabs(x, y, foot, F):
    """Floor: slabs laid diagonally in the nave's middle, straight elsewhere, ledger stones among them."""
    seed = int(F.seed) + 300
    if abs(x) < 0.93:
        s = 0.62
        u, v = (x + y) * 0.7071 / s, (x - y) * 0.7071 / s
    else:
        s = 0.78
        u, v = x / s, y / s + 0.5 * (math.floor(x / s) % 2)
    i, j = math.floor(u), math.floor(v)
    a, b = abs(u - i - 0.5), abs(v - j - 0.5)
    joint = (0.5 - max(a, b)) * s
    line = 1.0 - soft(joint - 0.004, foot)
    tone = spot(i, j, seed)
    dark = 1.0
    if abs(x) < 0.93 and (int(i) + int(j)) % 2 == 0:
        dark = 0.5
    elif tone > 0.93:
        dark = 0.45
    m = mottle(x, y, foot, 4.0, seed + 9)
    worn = 0.06 * grain(x * 0.5, y * 0.3, seed + 2)
    value = 0.30 * dark * (0.82 + 0.34 * tone) * (1.0 + 0.16 * m + worn) * (1.0 - 0.55 * line * min(1.0, 0.01 / foot))
    warm = 0.06 * (spot(i, j, seed + 4) - 0.5)
    return max(value * (1.03 + warm), 0.01), max(value, 0.01), max(value * (0.86 - warm), 0.01)


@device
def wood(u, v, foot, seed):
    """Oak with the grain along v."""
    ring = grain(u * 60.0, v * 1.3, seed) if foot < 0.01 else 0.0
    m = mottle(u * 3.0, v * 0.4, foot, 5.0, seed + 2)
    value = 0.115 * (1.0 + 0.22 * ring + 0.2 * m)
    return value * 1.45, value * 0.92, value * 0.46


@device
def arch_distance(u, v, half, spring, r):
    """Signed distance outwards from the edge of a pointed opening, above its sill; below 0 inside."""
    if v < spring:
        return abs(u) - half
    w = abs(u) + r - half
    return math.sqrt(w * w + (v - spring) ** 2) - r


@device
def moulding(d, depth):
    """Rolls and hollows beside an edge: (slope of the surface along d, shade) at distance d outside it."""
    if d < 0.0 or d > depth:
        return 0.0, 1.0
    x = d / depth * 3.0
    f = x - math.floor(x)
    return 0.9 * math.cos(2.0 * math.pi * f), 0.62 + 0.38 * math.sin(math.pi * f) ** 0.7


@device
def tint(k):
    """Transmittance of one glass of the palette."""
    if k < 0.27:
        return 0.035, 0.105, 0.56
    if k < 0.48:
        return 0.55, 0.035, 0.03
    if k < 0.58:
        return 0.80, 0.50, 0.07
    if k < 0.68:
        return 0.07, 0.36, 0.13
    if k < 0.76:
        return 0.34, 0.10, 0.34
    if k < 0.87:
        return 0.36, 0.54, 0.76
    return 0.80, 0.84, 0.72


@device
def quarry(u, v, foot, seed, clear):
    """Leaded glass: lozenges inside a coloured border of each light; `clear` is the share of pale glass."""
    a, b = u / 0.115 + v / 0.165, v / 0.165 - u / 0.115
    i, j = math.floor(a), math.floor(b)
    edge = min(min(a - i, i + 1.0 - a), min(b - j, j + 1.0 - b)) * 0.094
    # Figures: the colour of a lozenge follows a large patch, broken by single panes.
    patch = grain(u * 2.1 + 5.0, v * 1.3, seed + 8) * 0.5 + 0.5
    k = spot(i, j, seed)
    k = (patch * 1.25 - 0.1) if k < 0.62 else spot(j, i, seed + 1)
    if spot(i, j, seed + 2) < clear:
        k = 0.95
    r, g, b = tint(min(max(k, 0.0), 0.99))
    wash = 0.72 + 0.28 * spot(i, j, seed + 3) + 0.16 * mottle(u, v, foot, 18.0, seed + 4)
    open_ = soft(edge - LEAD, foot) if foot < 0.05 else 0.86
    saddle = abs(v - 0.55 * math.floor(v / 0.55 + 0.5)) - 0.011
    open_ *= soft(saddle, foot) if foot < 0.03 else 1.0
    wash = max(wash, 0.1) * max(open_, 0.004)
    return r * wash, g * wash, b * wash


@device
def pane(d, around, foot, seed):
    """Glass of a rose's panes: rings about the pane's edge (`d` metres in from the stone), parted by leads."""
    ring = math.floor(d / 0.085)
    i = math.floor(around / 0.13)
    edge = min(d - ring * 0.085, (ring + 1.0) * 0.085 - d)
    side = around - i * 0.13
    edge = min(edge, min(side, 0.13 - side)) if ring > 0.0 else edge
    k = spot(ring, seed % 3, seed // 3 + 5) if ring != 1.0 else spot(i, ring, seed)
    # The outermost ring of a pane is a border of deep blue or ruby.
    r, g, b = tint(k * 0.97 if ring > 0.0 else 0.05 + 0.4 * (seed % 2))
    wash = 0.7 + 0.3 * spot(i, ring, seed + 3) + 0.16 * mottle(around, d, foot, 18.0, seed + 4)
    wash = max(wash, 0.1) * max(soft(edge - LEAD, foot), 0.004)
    return r * wash, g * wash, b * wash


@device
def two_lights(u, v, half, spring):
    """Tracery of a window of two lights under a circle: distance into the glass from the stone (below 0: stone)."""
    head = spring + half * 0.02
    low = spring - half * 0.25
    sub = -arch_distance(abs(u) - half / 2, v, half / 2, low, half) - BAR
    cy = head + half * 0.62
    rr = math.sqrt(u * u + (v - cy) ** 2)
    turn = math.atan2(v - cy, u)
    foil = half * 0.36 - BAR * 0.6 - 0.07 * half * (1.0 - abs(math.cos(2.0 * turn)))
    oculus = foil - rr
    return max(sub, oculus)


@device
def rose(x, z, F):
    """A wheel of petals: distance into the glass (below 0: stone), distance around, and the pane's number."""
    R = F.rose_r
    r = math.sqrt(x * x + z * z)
    turn = math.atan2(x, z)
    n = F.petals
    if r < R * 0.185:
        return R * 0.15 - r - 0.02 * math.cos(6.0 * turn), turn * r + 20.0, 1
    step = 2.0 * math.pi / n
    if r < R * 0.68:
        k = math.floor(turn / step + 0.5)
        off = (turn - k * step) * r
        reach = R * 0.585
        width = min(r, reach) * step / 2 - 0.048
        d = width - abs(off)
        if r > reach:
            d = min(d, reach * step / 2 - 0.048 - math.sqrt(off * off + (r - reach) ** 2))
        return min(d, r - R * 0.215), r, 10 + int(k) % 2
    k = math.floor(turn / step)
    off = turn - (k + 0.5) * step
    rr = R * 0.825
    d = R * 0.118 - math.sqrt((r * math.sin(off)) ** 2 + (r * math.cos(off) - rr) ** 2)
    small_turn = turn - math.floor(turn / step + 0.5) * step
    e = R * 0.062 - math.sqrt((r * math.sin(small_turn)) ** 2 + (r * math.cos(small_turn) - R * 0.9) ** 2)
    if e > d:
        return e, turn * r, 30
    return d, turn * r, 20 + int(k) % 2
