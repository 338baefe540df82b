# mypy: disable-error-code="no-untyped-def"
"""From a hit to what it looks like: reflectance, own light and the carved normal. Compiled.

A look is (reflectance r, g, b, own radiance r, g, b in cd/m2, normal x, y, z), linear Rec. 2020.
"""

from __future__ import annotations

import math

from clerestory.simulate.compiled import device
from clerestory.simulate.shell import (
    AISLE_CROSS,
    AISLE_VAULT,
    AISLE_WALL,
    BACK_WALL,
    BASE,
    BLIND,
    CAPITAL,
    CHAIR,
    CLERE_GLASS,
    DOOR,
    EAST,
    FLOOR,
    LANCET_GLASS,
    NAVE_WALL,
    PIER,
    REVEAL,
    ROSE_GLASS,
    SCREEN,
    SHAFT,
    SOFFIT,
    VAULT,
    VAULT_CROSS,
    VISITOR,
    WEST,
    bay_middle,
    trif_middle,
)
from clerestory.simulate.surface import (
    BAR,
    arch_distance,
    grain,
    mottle,
    moulding,
    pane,
    quarry,
    rose,
    slabs,
    soft,
    spot,
    stone,
    two_lights,
    wood,
)

BLACK = (0.0, 0.0, 0.0)


@device
def unit(x, y, z):
    """The same direction with unit length."""
    n = math.sqrt(x * x + y * y + z * z) + 1e-12
    return x / n, y / n, z / n


@device
def plain(c, nx, ny, nz, shade):
    """A surface without light of its own."""
    return c[0] * shade, c[1] * shade, c[2] * shade, 0.0, 0.0, 0.0, nx, ny, nz


@device
def edge_of(u, v, half, sill, spring, r):
    """How far outside a pointed opening, and the direction away from it in the wall's plane."""
    if v < sill:
        return max(sill - v, abs(u) - half), 0.0, -1.0
    d = arch_distance(u, v, half, spring, r)
    s = 1.0 if u > 0.0 else -1.0
    if v < spring:
        return d, s, 0.0
    w = abs(u) + r - half
    n = math.sqrt(w * w + (v - spring) ** 2) + 1e-9
    return d, s * w / n, (v - spring) / n


@device
def string_course(z, at, slope, shade):
    """A moulded band at one height."""
    d = z - at
    if -0.14 < d < 0.14:
        return 1.1 * math.sin(d / 0.14 * math.pi), 0.85 + 0.3 * (d + 0.14)
    if -0.5 < d <= -0.14:
        return slope, shade * (1.0 - 0.35 * math.exp((d + 0.14) / 0.1))
    return slope, shade


@device
def nave_wall(y, z, foot, s, F):
    """The nave's side wall: arcade mouldings, string courses, triforium and clerestory surrounds."""
    yc = bay_middle(F, y)
    d, eu, ev = edge_of(y - yc, z, F.arcade_half, -1.0, F.arcade_spring, F.arcade_r)
    slope, shade = moulding(d, 0.46)
    if d > 0.46 or z > F.trif_sill - 0.2:
        if z < F.clere_sill - 0.6:
            yt = trif_middle(F, y)
            d, eu, ev = edge_of(y - yt, z, F.trif_half, F.trif_sill, F.trif_spring, F.trif_half * 2)
            slope, shade = moulding(d, 0.14)
        else:
            d, eu, ev = edge_of(y - yc, z, F.clere_half, F.clere_sill, F.clere_spring, F.clere_half * 2)
            slope, shade = moulding(d, 0.26)
    up, shade = string_course(z, F.trif_sill - 0.35, 0.0, shade)
    up2, shade = string_course(z, F.clere_sill - 0.55, 0.0, shade)
    near = abs(abs(y - yc) - F.bay / 2)
    if z > F.arcade_spring:
        shade *= 1.0 - 0.45 * math.exp(-max(near - 0.3, 0.0) / 0.16)
    c = stone(y, z, foot, 0.36, 0.47, int(F.seed) + 1)
    nx, ny, nz = unit(s, slope * eu, slope * ev + up + up2)
    return plain(c, nx, ny, nz, shade)


@device
def plain_wall(u, v, foot, nx, ny, nz, u0, half, sill, spring, r, F, number):
    """A wall with one moulded opening at u0."""
    d, eu, ev = edge_of(u - u0, v, half, sill, spring, r)
    slope, shade = moulding(d, 0.3)
    up, shade = string_course(v, sill - 0.5, 0.0, shade)
    c = stone(u, v, foot, 0.38, 0.44, int(F.seed) + number)
    ax, ay, az = unit(nx + slope * eu * abs(ny), ny + slope * eu * abs(nx), slope * ev + up)
    return plain(c, ax, ay, az, shade)


@device
def end_wall(x, z, foot, ny, F):
    """East and west walls."""
    inner = F.half + F.wall
    if abs(x) > inner:
        xc = math.copysign(inner + F.aisle / 2, x)
        return plain_wall(
            x, z, foot, 0.0, ny, 0.0, xc, F.light_half, F.light_sill, F.light_spring, F.light_half * 2, F, 5
        )
    r = math.sqrt(x * x + (z - F.rose_z) ** 2)
    if r < F.rose_r + 0.75:
        slope, shade = moulding(r - F.rose_r, 0.6)
        c = stone(x, z, foot, 0.36, 0.47, int(F.seed) + 6)
        ax, ay, az = unit(slope * x / r, ny, slope * (z - F.rose_z) / r)
        return plain(c, ax, ay, az, shade)
    if ny < 0.0:
        xc = F.lancet_pitch * min(max(math.floor(x / F.lancet_pitch + 0.5), -2.0), 2.0)
        spring = F.lancet_spring - 0.45 * abs(xc / F.lancet_pitch)
        return plain_wall(
            x, z, foot, 0.0, ny, 0.0, xc, F.lancet_half, F.lancet_sill, spring, F.lancet_half * 2.4, F, 6
        )
    return plain_wall(x, z, foot, 0.0, ny, 0.0, 0.0, 1.5, -1.0, 2.9, 3.0, F, 6)


@device
def rib(q, half, foot):
    """Cross-section of a rib at signed distance q from its middle: (slope, shade, inside)."""
    a = abs(q)
    if a < half:
        x = q / half
        roll = 1.0 if abs(x) < 0.5 else 0.35
        slope = 1.5 * x * roll + (0.9 * math.sin(x * 9.0) if abs(x) > 0.5 else 0.0)
        return slope, 0.96 - 0.25 * (abs(x) > 0.5), 1.0 - soft(a - half + foot, foot)
    return 0.0, 1.0 - 0.42 * math.exp(-(a - half) / 0.09), 0.0


@device
def vault(x, y, z, foot, nx, ny, nz, xc, hx, spring, cross, F):
    """Vault webs with transverse, diagonal and ridge ribs, and a boss where they meet."""
    yc, hy = bay_middle(F, y), F.bay / 2
    X, Y = (x - xc) / hx, (y - yc) / hy
    scale = hx * hy / math.sqrt(hx * hx + hy * hy)
    small = hx / F.half
    sx, sy = (1.0 if X > 0.0 else -1.0), (1.0 if Y > 0.0 else -1.0)
    diagonal = (abs(X) - abs(Y)) * scale
    slope, shade, inside = rib(diagonal, 0.15 * (0.5 + 0.5 * small), foot)
    gx, gy = sx * hy / math.sqrt(hx * hx + hy * hy), -sy * hx / math.sqrt(hx * hx + hy * hy)
    s2, h2, i2 = rib((abs(Y) - 1.0) * hy, 0.21 * (0.5 + 0.5 * small), foot)
    if i2 > 0.0 or (inside == 0.0 and h2 < shade):
        slope, shade, inside, gx, gy = s2, h2, i2, 0.0, sy
    if inside == 0.0:
        s3, h3, i3 = rib(y - yc if cross else x - xc, 0.075, foot)
        if i3 > 0.0 or h3 < shade:
            slope, shade, inside = s3, h3, i3
            gx, gy = (0.0, 1.0) if cross else (1.0, 0.0)
    boss = math.sqrt((x - xc) ** 2 + (y - yc) ** 2)
    along = F.vault_k * hx * math.atan2(max(z - spring, 0.0) / hx, F.vault_k - 1.0 + (abs(Y) if cross else abs(X)))
    # Webs are laid in small courses, like planks of a boat, parallel to the ridge.
    c = stone(x if cross else y, along, foot, 0.21, 0.50, int(F.seed) + 8)
    if boss < 0.36 * small + 0.1:
        turn = math.atan2(y - yc, x - xc)
        leaf = 0.5 + 0.5 * math.cos(8.0 * turn + 3.0 * math.sin(boss * 22.0))
        gx, gy = (x - xc) / (boss + 1e-6), (y - yc) / (boss + 1e-6)
        slope, shade, inside = 1.2 * math.cos(boss * 26.0) + leaf - 0.5, 0.55 + 0.5 * leaf, 1.0
        c = (c[0] * 1.05, c[1] * 0.86, c[2] * 0.45)
    ax, ay, az = unit(nx + slope * gx, ny + slope * gy, nz)
    return plain(c, ax, ay, az, shade)


@device
def window(u, v, foot, nx, ny, half, spring, seed, clear, glass, tracery):
    """A window's stone bars and glass."""
    d = two_lights(u, v, half, spring) if tracery else 1.0
    share = soft(d, foot)
    c = stone(u, v, foot, 0.5, 0.40, seed)
    slope = max(min(-d / BAR, 1.0), 0.0)
    dim = 0.30 * (1.0 - share)  # bars are seen against the light: what the room sends them is all they have
    r, g, b = quarry(u, v, foot, seed, clear) if share > 0.0 else BLACK
    # The sky is brighter towards the top of a window, and trees or roofs stand before its foot.
    cloud = 0.72 + 0.28 * grain(u * 0.7, v * 0.35, seed + 77)
    sky = glass * share * cloud * min(1.0, 0.75 + 0.08 * (v - spring + 3.0))
    ax, ay, az = unit(nx, ny, 0.5 * slope - 0.25)
    return c[0] * dim * 2, c[1] * dim * 2, c[2] * dim * 2, r * sky, g * sky, b * sky, ax, ay, az


@device
def rose_window(x, z, foot, ny, F):
    """The round window's stone wheel and panes."""
    d, around, number = rose(x, z - F.rose_z, F)
    share = soft(d, foot)
    c = stone(x, z, foot, 0.6, 0.40, int(F.seed) + 6)
    seed = int(F.seed) + (9 if ny < 0.0 else 400) + number
    r, g, b = pane(max(d, 0.0), around, foot, seed) if share > 0.0 else BLACK
    sky = F.glass * (1.05 if ny < 0.0 else 0.8) * share * (0.85 + 0.15 * grain(x * 0.4, z * 0.4, seed + 55))
    dim = 0.62 * (1.0 - share)
    tilt = 0.6 * min(max(1.0 + d / 0.06, 0.0), 1.0)
    ax, ay, az = unit(tilt * x / F.rose_r, ny, tilt * (z - F.rose_z) / F.rose_r)
    return c[0] * dim, c[1] * dim, c[2] * dim, r * sky, g * sky, b * sky, ax, ay, az


@device
def glass(surface, x, y, z, foot, nx, ny, F):
    """Whichever window was met."""
    seed = int(F.seed) + 500
    if surface == ROSE_GLASS:
        return rose_window(x, z, foot, ny, F)
    if surface == LANCET_GLASS:
        k = min(max(math.floor(x / F.lancet_pitch + 0.5), -2.0), 2.0)
        u = x - F.lancet_pitch * k
        return window(u, z, foot, nx, ny, F.lancet_half, F.lancet_spring, seed + int(k) + 40, 0.06, F.glass, False)
    yc = bay_middle(F, y)
    number = seed + int(yc) * 2 + (1 if x > 0.0 else 0)
    bright = F.glass * (1.0 if x > 0.0 else 0.72)
    if surface == CLERE_GLASS:
        return window(y - yc, z, foot, nx, ny, F.clere_half, F.clere_spring, number, 0.42, bright, True)
    u = y - yc
    if abs(ny) > 0.5:
        u = x - math.copysign(F.half + F.wall + F.aisle / 2, x)
    return window(u, z, foot, nx, ny, F.light_half, F.light_spring, number + 100, 0.16, bright * 0.75, True)


@device
def carving(turn, v, foot, seed):
    """Stiff-leaf carving round a bell: (shade, slope around, slope up) at `turn` and v from 0 (foot) to 1 (lip)."""
    n = 10.0
    lean = turn * n / (2.0 * math.pi) + (0.5 if v > 0.52 else 0.0)
    k = math.floor(lean + 0.5)
    u = (lean - k) * 2.0
    w = (v / 0.52) if v <= 0.52 else (v - 0.52) / 0.48
    w += 0.06 * (spot(k, 1.0 if v > 0.52 else 0.0, seed) - 0.5)
    reach = math.sqrt(max(1.0 - w, 0.0)) * (0.75 + 0.2 * math.cos(w * 15.0))
    inside = soft(reach - abs(u), foot * 18.0)
    vein = math.exp(-((u / 0.07) ** 2)) + 0.6 * math.exp(-(((abs(u) - 0.9 * (w - 0.25)) / 0.06) ** 2))
    curl = math.exp(-(((w - 0.86) / 0.12) ** 2)) * (1.0 - abs(u))
    rim = math.exp(-(((reach - abs(u)) / 0.09) ** 2))
    dome = 1.0 - 0.35 * u * u
    shade = 0.24 + 0.72 * inside * dome - 0.28 * vein * inside + 0.3 * curl - 0.3 * rim * inside
    return max(shade, 0.1), -1.5 * u * inside, 0.9 * (curl - 0.4 * inside)


@device
def pier_part(surface, x, y, z, foot, nx, ny, nz, F):
    """Pier, base, shaft, capital."""
    k = math.floor(y / F.bay + 0.5)
    mid = F.half + F.wall / 2
    seed = int(F.seed) + int(k) * 13 + (7 if x > 0.0 else 0)
    turn = math.atan2(y - k * F.bay, x - math.copysign(mid, x))
    if surface == SHAFT:
        c = stone(math.atan2(ny, nx) * 0.15, z, foot, 1.9, 0.30, seed + 70)
        contact = 1.0
        if z < F.arcade_spring:
            out = math.cos(math.atan2(ny, nx) - turn)
            contact = 0.62 + 0.38 * max(out, 0.0)
        return plain((c[0] * 0.9, c[1], c[2] * 1.1), nx, ny, nz, contact)
    if surface == CAPITAL and z < F.arcade_spring - 0.1:
        v = (z - F.arcade_spring + 0.7) / 0.54
        shade, around, up = carving(turn, v, foot, seed)
        c = stone(turn * 0.75, z, foot, 2.0, 0.50, seed + 3)
        ax, ay, az = unit(nx - around * ny, ny + around * nx, nz + up)
        if v > 1.0:
            return plain(c, nx, ny, nz, 0.9)
        return plain(c, ax, ay, az, shade)
    shade = 1.0
    if surface == PIER:
        quarter = turn / (math.pi / 2)
        beside = abs(quarter - math.floor(quarter + 0.5)) * math.pi / 2 * F.pier_r
        shade = 1.0 - 0.5 * math.exp(-max(beside - 0.13, 0.0) / 0.09)
    c = stone(turn * F.pier_r, z, foot, 0.42, 0.46, seed)
    return plain(c, nx, ny, nz, shade)


@device
def person(who, what, z, foot, nx, ny, nz, people):
    """Skin, hair, coat or trousers, with folds in the cloth."""
    h = people[who, 3]
    if what == 0.0:
        c = (people[who, 11], people[who, 12], people[who, 13])
    elif what == 3.0:
        c = (0.035, 0.025, 0.018)
    else:
        i = 5 if what == 1.0 else 8
        fold = 1.0 + 0.22 * mottle(math.atan2(ny, nx) * 0.5, z * 0.35 / h, foot, 7.0, 900 + who)
        c = (people[who, i] * fold, people[who, i + 1] * fold, people[who, i + 2] * fold)
    return plain(c, nx, ny, nz, 1.0)


@device
def wooden(surface, x, y, z, foot, nx, ny, nz, F):
    """Chairs with rush seats, the screen, the door."""
    seed = int(F.seed) + 700
    if surface == CHAIR:
        number = math.floor(x / 0.54) * 31 + math.floor(y / 0.98)
        if nz > 0.5 and 0.47 < z < 0.48:
            m = mottle(x, y * 3.0, foot, 20.0, seed + 1)
            return plain((0.34 * (1.0 + 0.3 * m), 0.25 * (1.0 + 0.3 * m), 0.11), nx, ny, nz, 0.9)
        c = wood(x + y, z, foot, seed + number % 7)
        return plain(c, nx, ny, nz, 1.3)
    u = x - 0.62 * math.floor(x / 0.62 + 0.5)
    c = wood(x, z, foot, seed + 20)
    if surface == DOOR:
        gap = abs(x / 0.28 - math.floor(x / 0.28) - 0.5) * 0.28
        return plain(c, nx, ny, nz, 0.7 * (0.4 + 0.6 * soft(0.135 - gap, foot)))
    slope, shade = moulding(abs(u) - 0.26, 0.05)
    if z < 1.02:
        panel = max(abs(u) / 0.23, abs(z - 0.55) / 0.36)
        shade = 0.8 if panel < 1.0 else 1.1
        shade *= 0.55 if 0.96 < panel < 1.04 else 1.0
    ax, ay, az = unit(math.copysign(slope, u) * 0.8, ny, 0.0)
    return plain(c, ax, ay, az, shade * 1.2)


@device
def wall_like(surface, x, y, z, foot, nx, ny, nz, F):
    """Walls, soffits, reveals and blind arches."""
    if surface == NAVE_WALL:
        return nave_wall(y, z, foot, nx, F)
    if surface in (EAST, WEST):
        return end_wall(x, z, foot, ny, F)
    if surface == AISLE_WALL:
        half, sill, spring = F.light_half, F.light_sill, F.light_spring
        return plain_wall(y, z, foot, nx, ny, nz, bay_middle(F, y), half, sill, spring, half * 2.0, F, 3)
    if surface == BACK_WALL:
        half, spring, r = F.arcade_half, F.arcade_spring, F.arcade_r
        return plain_wall(y, z, foot, nx, ny, nz, bay_middle(F, y), half, -1.0, spring, r, F, 2)
    if surface == SOFFIT:
        q = abs(x) - F.half - F.wall / 2
        slope = 0.8 * math.sin(q * 12.0)
        c = stone(x, y * 0.7 + z, foot, 0.4, 0.44, int(F.seed) + 4)
        ax, ay, az = unit(nx + slope * math.copysign(1.0, x), ny, nz)
        return plain(c, ax, ay, az, 0.72 + 0.2 * math.cos(q * 24.0))
    if surface == BLIND:
        # A passage behind the blind arches: almost no light gets in; a coupled shaft parts each.
        u = y - trif_middle(F, y)
        c = stone(y, z, foot, 0.36, 0.45, int(F.seed) + 2)
        if abs(u) < 0.055:
            ax, ay, az = unit(nx * math.sqrt(max(1.0 - (u / 0.055) ** 2, 0.05)), u / 0.055, 0.0)
            return plain(c, ax, ay, az, 0.9)
        return plain(c, nx, ny, nz, 0.14)
    c = stone(x + y, z, foot, 0.36, 0.46, int(F.seed) + 2)
    return plain(c, nx, ny, nz, 0.8)


@device
def look(surface, x, y, z, foot, nx, ny, nz, F):
    """What lies at a hit on the building or its fittings."""
    if surface == FLOOR:
        return plain(slabs(x, y, foot, F), nx, ny, nz, 1.0)
    if surface <= WEST or surface in (SOFFIT, REVEAL, BLIND):
        return wall_like(surface, x, y, z, foot, nx, ny, nz, F)
    if surface in (VAULT, VAULT_CROSS):
        return vault(x, y, z, foot, nx, ny, nz, 0.0, F.half, F.vault_spring, surface == VAULT_CROSS, F)
    if surface in (AISLE_VAULT, AISLE_CROSS):
        xc = math.copysign(F.half + F.wall + F.aisle / 2, x)
        return vault(x, y, z, foot, nx, ny, nz, xc, F.aisle / 2, F.aisle_spring, surface == AISLE_CROSS, F)
    if surface < BLIND:
        return glass(surface, x, y, z, foot, nx, ny, F)
    if surface in (PIER, CAPITAL, SHAFT, BASE):
        return pier_part(surface, x, y, z, foot, nx, ny, nz, F)
    if surface in (CHAIR, SCREEN, DOOR):
        return wooden(surface, x, y, z, foot, nx, ny, nz, F)
    return plain((0.2, 0.2, 0.2), nx, ny, nz, 1.0)


__all__ = ["VISITOR", "look", "person", "unit"]
