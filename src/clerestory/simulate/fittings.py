# mypy: disable-error-code="no-untyped-def"
"""What stands in the church: piers with their shafts and capitals, chairs, the screen, visitors. Compiled.

A hit is (distance, surface, normal x, y, z); FAR when a ray misses.
"""

from __future__ import annotations

import math

from clerestory.simulate.compiled import device
from clerestory.simulate.shell import BASE, CAPITAL, CHAIR, FAR, PIER, SCREEN, SHAFT, VISITOR, disc, in_arch

MISS = (FAR, -1, 0.0, 0.0, 0.0)
REACH = 0.95  # no part of a pier lies farther from its axis
CHAIR_X, CHAIR_Y, CHAIR_TOP = 0.54, 0.98, 0.9
AISLE_GAP, CHAIRS = 0.95, 6.0  # half the middle passage; chairs from it to the side


@device
def clip(o, d, low, high, t0, t1):
    """The part of [t0, t1] of a ray between two planes."""
    if d == 0.0:
        return (t0, t1) if low <= o <= high else (1.0, 0.0)
    a, b = (low - o) / d, (high - o) / d
    return max(t0, min(a, b)), min(t1, max(a, b))


@device
def drum(ox, oy, oz, dx, dy, dz, r, low, high):
    """An upright cylinder about the origin, with both ends: distance and normal."""
    a, b = disc(ox, oy, dx, dy, 0.0, 0.0, r)
    if b < 0.0 or a > b:
        return FAR, 0.0, 0.0, 0.0
    z = oz + a * dz
    if a > 0.0 and low <= z <= high:
        return a, (ox + a * dx) / r, (oy + a * dy) / r, 0.0
    if dz != 0.0:
        t = ((low if dz > 0.0 else high) - oz) / dz
        if max(a, 0.0) < t < b:
            return t, 0.0, 0.0, (-1.0 if dz > 0.0 else 1.0)
    return FAR, 0.0, 0.0, 0.0


@device
def bell(ox, oy, oz, dx, dy, dz, r0, low, r1, high):
    """A capital's bell, the side of a cone from radius r0 at `low` to r1 at `high`."""
    slope = (r1 - r0) / (high - low)
    c0 = r0 + slope * (oz - low)
    ds = slope * dz
    a = dx * dx + dy * dy - ds * ds
    b = ox * dx + oy * dy - c0 * ds
    c = ox * ox + oy * oy - c0 * c0
    d = b * b - a * c
    if d <= 0.0 or abs(a) < 1e-12:
        return FAR, 0.0, 0.0, 0.0
    root = math.sqrt(d)
    for k in range(2):
        t = (-b - root) / a if (k == 0) == (a > 0.0) else (-b + root) / a
        z = oz + t * dz
        if t > 0.0 and low <= z <= high:
            r = r0 + slope * (z - low)
            n = math.sqrt(1.0 + slope * slope)
            return t, (ox + t * dx) / (r * n), (oy + t * dy) / (r * n), -slope / n
    return FAR, 0.0, 0.0, 0.0


@device
def pier(ox, oy, oz, dx, dy, dz, F):
    """A round pier about the origin: stepped base, four shafts, bell and abacus."""
    best, surface, nx, ny, nz = FAR, -1, 0.0, 0.0, 0.0
    top = F.arcade_spring
    for k in range(9):
        cx, cy, kind = 0.0, 0.0, PIER
        r, low, high = F.pier_r, 0.5, top - 0.7
        if k == 0:
            r, low, high, kind = 0.9, 0.0, 0.28, BASE
        elif k == 1:
            r, low, high, kind = 0.8, 0.28, 0.5, BASE
        elif k == 2:
            r, low, high, kind = 0.93, top - 0.16, top, CAPITAL
        elif k == 3:
            r, low, high, kind = 0.72, top - 0.78, top - 0.7, SHAFT
        elif k < 8:
            cx = (F.pier_r - 0.02) * ((k == 4) - (k == 5))
            cy = (F.pier_r - 0.02) * ((k == 6) - (k == 7))
            r, kind = 0.145, SHAFT
        t, ax, ay, az = drum(ox - cx, oy - cy, oz, dx, dy, dz, r, low, high)
        if t < best:
            best, surface, nx, ny, nz = t, kind, ax, ay, az
    t, ax, ay, az = bell(ox, oy, oz, dx, dy, dz, 0.64, top - 0.7, 0.9, top - 0.16)
    if t < best:
        best, surface, nx, ny, nz = t, CAPITAL, ax, ay, az
    return best, surface, nx, ny, nz


@device
def piers(ox, oy, oz, dx, dy, dz, limit, F):
    """Nearest pier of both arcades."""
    hit = MISS
    for k in range(2):
        px = (F.half + F.wall / 2) * (1.0 if k == 0 else -1.0)
        a, b = clip(ox, dx, px - REACH, px + REACH, 0.0, min(limit, hit[0]))
        a, b = clip(oz, dz, 0.0, F.arcade_spring, a, b)
        if a >= b:
            continue
        step = 1.0 if dy >= 0.0 else -1.0
        n = math.floor((oy + a * dy - step * REACH) / F.bay + 0.5)
        for _ in range(12):
            y = n * F.bay
            if (y - step * REACH - oy - b * dy) * step > 0.0:
                break
            if 0.0 <= n <= F.bays:
                e, x = disc(ox, oy, dx, dy, px, y, REACH)
                if e < x and x > 0.0:
                    new = pier(ox - px, oy - y, oz, dx, dy, dz, F)
                    if new[0] < hit[0]:
                        hit = new
                        break
            n += step
    return hit


@device
def vault_shafts(ox, oy, oz, dx, dy, dz, limit, F):
    """Shafts on the nave's walls, three to a bay's edge, from the capitals to the vault."""
    hit = MISS
    low, high = F.arcade_spring, F.vault_spring + 0.15
    for k in range(2):
        px = F.half * (1.0 if k == 0 else -1.0)
        a, b = clip(ox, dx, px - 0.3, px + 0.3, 0.0, limit)
        a, b = clip(oz, dz, low - 0.01, high, a, b)
        if a >= b:
            continue
        first = math.floor((min(oy + a * dy, oy + b * dy) - 0.45) / F.bay)
        for i in range(12):
            y = (first + i) * F.bay
            if y > max(oy + a * dy, oy + b * dy) + 0.45:
                break
            if y < -0.1 or y > F.length + 0.1:
                continue
            for j in range(6):
                ring = j >= 3
                cy = y + 0.25 * (j % 3 - 1)
                r = (0.165 if j % 3 == 1 else 0.11) + (0.07 if ring else 0.0)
                base = F.vault_spring - 0.35 if ring else low
                t, nx, ny, nz = drum(ox - px, oy - cy, oz, dx, dy, dz, r, base, high - (0.0 if ring else 0.1))
                if t < hit[0]:
                    hit = (t, CAPITAL if ring else SHAFT, nx, ny, nz)
    return hit


@device
def box(ox, oy, oz, dx, dy, dz, hx, y0, y1, z0, z1, best):
    """A box about the origin's x; the nearer of it and `best`."""
    a, b = clip(ox, dx, -hx, hx, 0.0, best[0])
    a, b = clip(oy, dy, y0, y1, a, b)
    a, b = clip(oz, dz, z0, z1, a, b)
    if a >= b or a <= 0.0:
        return best
    x, y, z = ox + a * dx, oy + a * dy, oz + a * dz
    if abs(abs(x) - hx) < 1e-6:
        return a, CHAIR, math.copysign(1.0, x), 0.0, 0.0
    if abs(y - y0) < 1e-6 or abs(y - y1) < 1e-6:
        return a, CHAIR, 0.0, (-1.0 if dy > 0.0 else 1.0), 0.0
    return a, CHAIR, 0.0, 0.0, (1.0 if z > (z0 + z1) / 2 else -1.0)


@device
def chair(ox, oy, oz, dx, dy, dz):
    """One rush-seated chair about the origin, facing +y."""
    hit = box(ox, oy, oz, dx, dy, dz, 0.21, -0.2, 0.2, 0.43, 0.475, MISS)
    hit = box(ox, oy, oz, dx, dy, dz, 0.2, -0.215, -0.195, 0.72, 0.86, hit)
    hit = box(ox, oy, oz, dx, dy, dz, 0.2, -0.215, -0.195, 0.56, 0.62, hit)
    for k in range(2):
        x = 0.195 if k == 0 else -0.195
        hit = box(ox - x, oy, oz, dx, dy, dz, 0.019, -0.225, -0.187, 0.0, 0.9, hit)
        hit = box(ox - x, oy, oz, dx, dy, dz, 0.019, 0.165, 0.203, 0.0, 0.45, hit)
        hit = box(ox - x, oy, oz, dx, dy, dz, 0.012, -0.19, 0.17, 0.2, 0.225, hit)
    return hit


@device
def chairs(ox, oy, oz, dx, dy, dz, limit, F):
    """Rows of chairs either side of the middle passage: a walk through the cells of a grid."""
    a, b = clip(oz, dz, 0.0, CHAIR_TOP, 0.0, limit)
    a, b = clip(oy, dy, F.chair_first, F.chair_last, a, b)
    a, b = clip(ox, dx, -AISLE_GAP - CHAIRS * CHAIR_X, AISLE_GAP + CHAIRS * CHAIR_X, a, b)
    if a >= b:
        return MISS
    t = a
    for _ in range(160):
        x, y = ox + (t + 1e-4) * dx, oy + (t + 1e-4) * dy
        s = 1.0 if x > 0.0 else -1.0
        i, j = math.floor((abs(x) - AISLE_GAP) / CHAIR_X), math.floor((y - F.chair_first) / CHAIR_Y)
        inner = i < 0.0
        x0, x1 = AISLE_GAP + i * CHAIR_X, AISLE_GAP + (i + 1.0) * CHAIR_X
        if inner:
            x0, x1 = -AISLE_GAP, AISLE_GAP
        elif s < 0.0:
            x0, x1 = -x1, -x0
        y0 = F.chair_first + j * CHAIR_Y
        tx = ((x1 if dx > 0.0 else x0) - ox) / dx if dx != 0.0 else FAR
        ty = ((y0 + CHAIR_Y if dy > 0.0 else y0) - oy) / dy if dy != 0.0 else FAR
        if not inner:
            # Nobody sets chairs out on a ruler: each stands a little off its place.
            skew = 0.03 * math.sin(i * 12.9 + j * 7.7 + s)
            hit = chair(ox - (x0 + x1) / 2 - skew, oy - y0 - CHAIR_Y / 2 - 1.4 * skew, oz, dx, dy, dz)
            if hit[0] < limit:
                return hit
        t = max(min(tx, ty), t + 1e-4)
        if t >= b:
            break
    return MISS


@device
def screen(ox, oy, oz, dx, dy, dz, limit, F):
    """A wooden screen of pierced arches across the nave, open in the middle."""
    if dy == 0.0:
        return MISS
    t = (F.screen_y - oy) / dy
    if t <= 0.0 or t >= limit:
        return MISS
    x, z = ox + t * dx, oz + t * dz
    if z > 3.3 or abs(x) > F.half or (abs(x) < 1.0 and z < 2.9):
        return MISS
    u = x - 0.62 * math.floor(x / 0.62 + 0.5)
    if in_arch(u, z, 0.26, 1.15, 2.35, 0.5) or (2.98 < z < 3.16 and (u * u + (z - 3.07) ** 2) < 0.0064):
        return MISS
    return t, SCREEN, 0.0, (-1.0 if dy > 0.0 else 1.0), 0.0


@device
def egg(ox, oy, oz, dx, dy, dz, cx, cy, cz, rx, ry, rz, best):
    """An ellipsoid; the nearer of it and `best`."""
    px, py, pz = (ox - cx) / rx, (oy - cy) / ry, (oz - cz) / rz
    gx, gy, gz = dx / rx, dy / ry, dz / rz
    a = gx * gx + gy * gy + gz * gz
    b = px * gx + py * gy + pz * gz
    c = px * px + py * py + pz * pz - 1.0
    d = b * b - a * c
    if d <= 0.0:
        return best
    t = (-b - math.sqrt(d)) / a
    if t <= 0.0 or t >= best[0]:
        return best
    nx, ny, nz = (px + t * gx) / rx, (py + t * gy) / ry, (pz + t * gz) / rz
    n = math.sqrt(nx * nx + ny * ny + nz * nz)
    return t, VISITOR, nx / n, ny / n, nz / n


@device
def visitor(ox, oy, oz, dx, dy, dz, h, stride):
    """One person about the origin, facing +y, `h` metres tall, legs apart by `stride`; and which part was met."""
    hit = egg(ox, oy, oz, dx, dy, dz, 0.0, 0.0, 0.93 * h, 0.055 * h, 0.065 * h, 0.075 * h, MISS)
    part, t = 0.0, hit[0]
    hit = egg(ox, oy, oz, dx, dy, dz, 0.0, -0.03 * h, 0.945 * h, 0.06 * h, 0.062 * h, 0.07 * h, hit)
    if hit[0] < t:
        part, t = 3.0, hit[0]
    hit = egg(ox, oy, oz, dx, dy, dz, 0.0, 0.0, 0.66 * h, 0.125 * h, 0.085 * h, 0.215 * h, hit)
    for k in range(2):
        s = 1.0 if k == 0 else -1.0
        swing = -0.5 * s * stride
        hit = egg(ox, oy, oz, dx, dy, dz, s * 0.13 * h, swing, 0.62 * h, 0.04 * h, 0.05 * h, 0.19 * h, hit)
    if hit[0] < t:
        part, t = 1.0, hit[0]
    for k in range(2):
        s = 1.0 if k == 0 else -1.0
        hit = egg(ox, oy, oz, dx, dy, dz, s * 0.055 * h, s * stride, 0.26 * h, 0.06 * h, 0.07 * h, 0.28 * h, hit)
    if hit[0] < t:
        part = 2.0
    return hit, part


@device
def visitors(ox, oy, oz, dx, dy, dz, limit, people):
    """Nearest visitor; rows of `people` are x, y, heading (radians, right from +y), height, stride, then colours."""
    hit, who, what = MISS, -1, 0.0
    for k in range(people.shape[0]):
        px, py, h = people[k, 0], people[k, 1], people[k, 3]
        a, b = disc(ox, oy, dx, dy, px, py, 0.28 * h)
        if a >= b or b < 0.0 or a > min(limit, hit[0]):
            continue
        c, s = math.cos(people[k, 2]), math.sin(people[k, 2])
        x, y = ox - px, oy - py
        new, part = visitor(c * x - s * y, s * x + c * y, oz, c * dx - s * dy, s * dx + c * dy, dz, h, people[k, 4])
        if new[0] < min(limit, hit[0]):
            hit = (new[0], VISITOR, c * new[2] + s * new[3], -s * new[2] + c * new[3], new[4])
            who, what = k, part
    return hit, who, what
