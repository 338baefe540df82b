# mypy: disable-error-code="no-untyped-def"
"""How the church is lit: windows as area lights, a bounce, corners in shade, sun through glass, a lamp. Compiled.

Illuminances in lux, linear Rec. 2020.
"""

from __future__ import annotations

import math

from clerestory.simulate.compiled import device
from clerestory.simulate.shell import bay_middle, in_arch
from clerestory.simulate.surface import quarry

MEAN_GLASS = 0.25  # mean transmittance of the glass, leads and bars counted


@device
def opening(px, py, pz, nx, ny, nz, wx, wy, wz, ax, ay, area):
    """Illuminance per cd/m2 at p (normal n) from a window at w whose inward normal is (ax, ay, 0)."""
    rx, ry, rz = wx - px, wy - py, wz - pz
    d2 = rx * rx + ry * ry + rz * rz
    there = -(ax * rx + ay * ry)
    here = nx * rx + ny * ry + nz * rz
    if there <= 0.0 or (here < 0.0 and here * here > 0.0144 * d2):
        return 0.0
    near = 1.0 / math.sqrt(d2)
    # A window is wide and walls return light: the terminator is soft.
    here = (here * near + 0.12) * 0.893
    # Through a window one sees the sky from below and the ground, which is darker, from above.
    sky = min(max(0.7 + 2.0 * rz * near, 0.26), 1.0)
    return area * here * there * near * sky / (d2 + 0.4 * area)


@device
def side_windows(px, py, pz, nx, ny, nz, F):
    """Light of the clerestory and aisle windows: (from the left, from the right), per cd/m2 of glass."""
    left, right = 0.0, 0.0
    ax = abs(px)
    inner = F.half + F.wall
    nave = min(max((inner - ax) / F.wall, 0.0), 1.0)
    middle = bay_middle(F, py)
    high = F.clere_spring - 0.2
    if nave > 0.0:
        for j in range(-1, 2):
            y = middle + j * F.bay
            if 0.0 < y < F.length:
                far = nave * (1.5 if j != 0 else 1.0)
                left += far * opening(px, py, pz, nx, ny, nz, -F.half, y, high, 1.0, 0.0, 8.4)
                right += far * opening(px, py, pz, nx, ny, nz, F.half, y, high, -1.0, 0.0, 8.4)
    if pz < 10.5:
        # An aisle sees its own windows; the nave a little of both sides' through the arcades.
        outer = inner + F.aisle
        low = min(10.5 - pz, 1.0) * 0.75
        reach = 1 if nave < 0.5 else 0
        for j in range(-reach, reach + 1):
            y = middle + j * F.bay
            if 0.0 < y < F.length:
                own = low * ((0.9 - 0.72 * nave) if nave < 0.5 else 0.36)
                if px < 0.0 or nave > 0.5:
                    left += own * opening(px, py, pz, nx, ny, nz, -outer, y, 4.2, 1.0, 0.0, 6.6)
                if px > 0.0 or nave > 0.5:
                    right += own * opening(px, py, pz, nx, ny, nz, outer, y, 4.2, -1.0, 0.0, 6.6)
    return left, right


@device
def corners(px, py, pz, nx, ny, nz, F):
    """Share of the bounced light that finds its way into corners."""
    up = 1.0 - 0.42 * math.exp(-pz / 0.55) * (1.0 - abs(nz))
    ax = abs(px)
    mid = F.half + F.wall / 2
    k = math.floor(py / F.bay + 0.5) * F.bay
    d = math.sqrt((ax - mid) ** 2 + (py - k) ** 2)
    if pz < 0.02:
        up *= 1.0 - 0.6 * math.exp(-max(d - 0.85, 0.0) / 0.45)
    if ax > F.half + F.wall:
        edge = min(ax - F.half - F.wall, F.half + F.wall + F.aisle - ax)
        up *= 1.0 - 0.35 * math.exp(-edge / 0.5) * abs(nz)
    end = min(py, F.length - py)
    up *= 1.0 - 0.3 * math.exp(-max(end, 0.0) / 0.8) * (1.0 - abs(ny))
    return up


@device
def sunlight(px, py, pz, nx, ny, nz, F):
    """Sun through the clerestory on what it meets in the nave, lux: (r, g, b)."""
    if F.sun_z <= 0.0 or abs(px) > F.half + 0.4:
        return 0.0, 0.0, 0.0
    cosine = nx * F.sun_x + ny * F.sun_y + nz * F.sun_z
    if cosine <= 0.0:
        return 0.0, 0.0, 0.0
    t = ((F.half if F.sun_x > 0.0 else -F.half) - px) / F.sun_x
    y, z = py + t * F.sun_y, pz + t * F.sun_z
    u = y - bay_middle(F, y)
    if not in_arch(u, z, F.clere_half - 0.05, F.clere_sill, F.clere_spring, F.clere_half * 2.0) or abs(u) < 0.07:
        return 0.0, 0.0, 0.0
    # Panes scatter: colours arrive as soft patches.
    r, g, b = quarry(u * 0.4, z * 0.4, 0.06, int(F.seed) + int(y / F.bay) * 7 + 900, 0.45)
    e = F.sun * cosine * 0.16
    return e * r * 1.1, e * g, e * b * 0.8


@device
def daylight(px, py, pz, nx, ny, nz, F):
    """Daylight at p on a surface facing n, lux: (r, g, b)."""
    left, right = side_windows(px, py, pz, nx, ny, nz, F)
    area = 3.1416 * F.rose_r**2 * 0.6
    nave = 1.0 if abs(px) < F.half + F.wall else 0.15
    east = opening(px, py, pz, nx, ny, nz, 0.0, F.length, F.rose_z - 2.0, 0.0, -1.0, area + 14.0) * nave
    west = opening(px, py, pz, nx, ny, nz, 0.0, 0.0, F.rose_z, 0.0, 1.0, area) * nave
    glass = F.glass * MEAN_GLASS
    height = min(pz / F.vault_spring, 1.6)
    aisle = 1.0 if abs(px) < F.half + F.wall else 0.62
    bounce = glass * 0.0135 * aisle * (0.75 + 0.18 * height + 0.25 * (0.5 - 0.5 * nz))
    bounce *= corners(px, py, pz, nx, ny, nz, F)
    cool, warm, rosy = left * glass, right * glass, (east + west) * glass
    r = 0.93 * cool + 1.08 * warm + 0.95 * rosy + 1.04 * bounce
    g = 1.00 * cool + 1.00 * warm + 0.93 * rosy + 1.00 * bounce
    b = 1.13 * cool + 0.84 * warm + 1.15 * rosy + 0.86 * bounce
    sr, sg, sb = sunlight(px, py, pz, nx, ny, nz, F)
    return r + sr, g + sg, b + sb


@device
def lamplight(px, py, pz, nx, ny, nz, F):
    """Light of the warm lamp at p, lux of white-weighted light; its colour is LAMP in `shade`."""
    if F.lamp <= 0.0:
        return 0.0
    rx, ry, rz = F.lamp_x - px, F.lamp_y - py, F.lamp_z - pz
    d2 = rx * rx + ry * ry + rz * rz
    d = math.sqrt(d2)
    here = max((nx * rx + ny * ry + nz * rz) / d + 0.06, 0.0)
    aisle = 1.0 if px > -F.half - F.wall else 0.3
    return F.lamp * here / (d2 + 0.6) * aisle
