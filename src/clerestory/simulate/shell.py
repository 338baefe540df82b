# mypy: disable-error-code="no-untyped-def"
"""The church's shell: where a ray first meets floor, wall, opening or vault. Compiled.

Every function takes numbers and gives numbers: distances in metres along a ray of unit length. A hit is
(distance, surface, normal x, y, z). The free space is convex piece by piece (pointed arches are intersections of two
discs), so every exit is the root of a quadratic.
"""

from __future__ import annotations

import math

from clerestory.simulate.compiled import device

FAR = 1e9
FLOOR, NAVE_WALL, BACK_WALL, AISLE_WALL, EAST, WEST = 0, 1, 2, 3, 4, 5
VAULT, VAULT_CROSS, AISLE_VAULT, AISLE_CROSS, SOFFIT, REVEAL = 6, 7, 8, 9, 10, 11
CLERE_GLASS, AISLE_GLASS, ROSE_GLASS, LANCET_GLASS, BLIND, DOOR = 12, 13, 14, 15, 16, 17
PIER, CAPITAL, SHAFT, CHAIR, SCREEN, VISITOR, BASE = 20, 21, 22, 23, 24, 25, 26
PASSAGE = 99
RECESS = 0.55  # depth of a window or blind arch behind the wall's face


@device
def disc(ou, ov, du, dv, cu, cv, r):
    """Distances at which a line in the plane enters and leaves a circle; (FAR, -FAR) when it misses."""
    a = du * du + dv * dv
    pu, pv = ou - cu, ov - cv
    b = pu * du + pv * dv
    c = pu * pu + pv * pv - r * r
    d = b * b - a * c
    if d <= 0.0 or a < 1e-14:
        if c < 0.0 and a < 1e-14:
            return -FAR, FAR
        return FAR, -FAR
    root = math.sqrt(d)
    back = 1.0 / a
    return (-b - root) * back, (-b + root) * back


@device
def in_arch(u, v, half, sill, spring, r):
    """Whether (u from the arch's middle, v up) lies in a pointed opening."""
    if v <= sill or abs(u) >= half:
        return False
    if v <= spring:
        return True
    w = abs(u) + r - half
    return w * w + (v - spring) * (v - spring) < r * r


@device
def arch_exit(u, v, du, dv, half, sill, spring, r):
    """Distance to the edge of a pointed opening from a point in it, and the edge's inward normal."""
    best, nu, nv = FAR, 0.0, 0.0
    if dv < 0.0:
        best, nu, nv = (sill - v) / dv, 0.0, 1.0
    if du != 0.0:
        t = ((half if du > 0.0 else -half) - u) / du
        if t < best and v + t * dv <= spring:
            best, nu, nv = t, (-1.0 if du > 0.0 else 1.0), 0.0
    for k in range(2):
        c = (r - half) if k == 0 else (half - r)
        _, t = disc(u, v, du, dv, c, spring, r)
        if 0.0 <= t < best and v + t * dv >= spring:
            best, nu, nv = t, (c - u - t * du) / r, (spring - v - t * dv) / r
    return max(best, 0.0), nu, nv


@device
def bay_middle(F, y):
    """The middle of the bay that y lies in."""
    k = math.floor(y / F.bay)
    k = min(max(k, 0.0), F.bays - 1.0)
    return (k + 0.5) * F.bay


@device
def trif_middle(F, y):
    """The middle of the triforium opening nearest y: three to a bay."""
    yc = bay_middle(F, y)
    pitch = F.bay * 0.27
    return yc + pitch * min(max(math.floor((y - yc) / pitch + 0.5), -1.0), 1.0)


@device
def recess(u, v, du, dv, dn, half, sill, spring, r, back):
    """Into a recess from (u, v) on the wall's face; dn > 0 is the speed into the wall.

    Gives distance, surface (`back` or REVEAL) and the normal in the wall's plane.
    """
    t = RECESS / max(dn, 1e-9)
    if in_arch(u + t * du, v + t * dv, half, sill, spring, r):
        return t, back, 0.0, 0.0
    t, nu, nv = arch_exit(u, v, du, dv, half, sill, spring, r)
    return t, REVEAL, nu, nv


@device
def vault_exit(ox, oy, oz, dx, dy, dz, xc, hx, spring, F, long_id, cross_id):
    """A rising ray's way out of a ribbed vault: a pointed barrel along y crossed by one in each bay."""
    k = F.vault_k
    t0 = max((spring - oz) / dz, 0.0)
    X, Z = (ox + t0 * dx - xc) / hx, (oz + t0 * dz - spring) / hx
    gx, gz = dx / hx, dz / hx
    _, ta = disc(X, Z, gx, gz, 1.0 - k, 0.0, k)
    _, tb = disc(X, Z, gx, gz, k - 1.0, 0.0, k)
    t = max(min(ta, tb), 0.0)
    y = oy + (t0 + t) * dy
    yc, hy = bay_middle(F, y), F.bay / 2
    Y = (oy + t0 * dy - yc) / hy
    gy = dy / hy
    ea, xa = disc(Y, Z, gy, gz, 1.0 - k, 0.0, k)
    eb, xb = disc(Y, Z, gy, gz, k - 1.0, 0.0, k)
    enter, leave = max(ea, eb), min(xa, xb)
    if enter <= t < leave:
        t = leave
        Y, Z = Y + t * gy, Z + t * gz
        sy = 1.0 if Y > 0.0 else -1.0
        ny, nz = -sy * (k - 1.0 + abs(Y)) / hy, -Z / hx
        n = math.sqrt(ny * ny + nz * nz)
        return t0 + t, cross_id, 0.0, ny / n, nz / n
    X, Z = X + t * gx, Z + t * gz
    sx = 1.0 if X > 0.0 else -1.0
    return t0 + t, long_id, -sx * (k - 1.0 + abs(X)) / k, 0.0, -Z / k


@device
def side_face(ox, oy, oz, dx, dy, dz, t, F):
    """At the nave wall's face: solid, blind arch, clerestory window, or the open arcade (PASSAGE)."""
    y, z = oy + t * dy, oz + t * dz
    yc = bay_middle(F, y)
    s = -1.0 if dx > 0.0 else 1.0
    if z < F.arcade_spring or in_arch(y - yc, z, F.arcade_half, -1.0, F.arcade_spring, F.arcade_r):
        return t, PASSAGE, 0.0, 0.0, 0.0
    if z < F.clere_sill - 0.5:
        yt = trif_middle(F, y)
        half, sill, spring, r, back = F.trif_half, F.trif_sill, F.trif_spring, F.trif_half * 2.0, BLIND
    else:
        yt = yc
        half, sill, spring, r, back = F.clere_half, F.clere_sill, F.clere_spring, F.clere_half * 2.0, CLERE_GLASS
    if not in_arch(y - yt, z, half, sill, spring, r):
        return t, NAVE_WALL, s, 0.0, 0.0
    dt, surface, nu, nv = recess(y - yt, z, dy, dz, abs(dx), half, sill, spring, r, back)
    return t + dt, surface, (s if surface != REVEAL else 0.0), nu, nv


@device
def end_face(ox, oy, oz, dx, dy, dz, t, F):
    """At an end wall: rose and lancets (east), rose and door (west), a window at the end of each aisle."""
    x, z = ox + t * dx, oz + t * dz
    east = dy > 0.0
    s = -1.0 if east else 1.0
    wall = EAST if east else WEST
    dn = abs(dy)
    if abs(x) > F.half + F.wall:
        xc = math.copysign(F.half + F.wall + F.aisle / 2, x)
        half, sill, spring, r, back = F.light_half, F.light_sill, F.light_spring, F.light_half * 2.0, AISLE_GLASS
    elif z > F.rose_z - F.rose_r - 0.5:
        if x * x + (z - F.rose_z) ** 2 >= F.rose_r**2:
            return t, wall, 0.0, s, 0.0
        dt = RECESS / dn
        bx, bz = x + dt * dx, z + dt * dz - F.rose_z
        if bx * bx + bz * bz < F.rose_r**2:
            return t + dt, ROSE_GLASS, 0.0, s, 0.0
        _, dt = disc(x, z, dx, dz, 0.0, F.rose_z, F.rose_r)
        return t + dt, REVEAL, -(x + dt * dx) / F.rose_r, 0.0, -(z + dt * dz - F.rose_z) / F.rose_r
    elif east:
        xc = F.lancet_pitch * min(max(math.floor(x / F.lancet_pitch + 0.5), -2.0), 2.0)
        half, sill, r, back = F.lancet_half, F.lancet_sill, F.lancet_half * 2.4, LANCET_GLASS
        spring = F.lancet_spring - 0.45 * abs(xc / F.lancet_pitch)
    else:
        xc, half, sill, spring, r, back = 0.0, 1.5, -1.0, 2.9, 3.0, DOOR
    if not in_arch(x - xc, z, half, sill, spring, r):
        return t, wall, 0.0, s, 0.0
    dt, surface, nu, nv = recess(x - xc, z, dx, dz, dn, half, sill, spring, r, back)
    return t + dt, surface, nu, (s if surface != REVEAL else 0.0), nv


@device
def floor_and_ends(oy, oz, dy, dz, F):
    """Distances to the floor and to the end wall ahead."""
    tf = -oz / dz if dz < 0.0 else FAR
    te = FAR
    if dy > 0.0:
        te = (F.length - oy) / dy
    elif dy < 0.0:
        te = -oy / dy
    return tf, te


@device
def nave_exit(ox, oy, oz, dx, dy, dz, F):
    """From within the nave: floor, end wall, vault, wall face, or PASSAGE into the arcade."""
    tf, te = floor_and_ends(oy, oz, dy, dz, F)
    tw = FAR
    if dx != 0.0:
        tw = ((F.half if dx > 0.0 else -F.half) - ox) / dx
    t = min(tf, te, tw)
    if dz > 0.0 and oz + t * dz > F.vault_spring:
        hit = vault_exit(ox, oy, oz, dx, dy, dz, 0.0, F.half, F.vault_spring, F, VAULT, VAULT_CROSS)
        if hit[0] < t:
            return hit
    if t == tf:
        return t, FLOOR, 0.0, 0.0, 1.0
    if t == te:
        return end_face(ox, oy, oz, dx, dy, dz, t, F)
    return side_face(ox, oy, oz, dx, dy, dz, t, F)


@device
def passage_exit(ox, oy, oz, dx, dy, dz, t, F):
    """From distance t within the thickness of the arcade wall to its other face; PASSAGE when it gets there."""
    tf, te = floor_and_ends(oy, oz, dy, dz, F)
    side = 1.0 if ox + t * dx > 0.0 else -1.0
    outward = dx * side > 0.0
    plane = side * (F.half + F.wall if outward else F.half)
    tw = max((plane - ox) / dx, t) if dx != 0.0 else FAR
    end = min(tf, te, tw)
    z0, z1 = oz + t * dz, oz + end * dz
    if z1 > F.arcade_spring:
        start = t
        if z0 < F.arcade_spring:
            start = (F.arcade_spring - oz) / dz
            if abs(oy + start * dy - bay_middle(F, oy + start * dy)) > F.arcade_half:
                return start, SOFFIT, 0.0, 0.0, -1.0
        y, z = oy + start * dy, oz + start * dz
        yc = bay_middle(F, y)
        dt, nu, nv = arch_exit(y - yc, z, dy, dz, F.arcade_half, -1.0, F.arcade_spring, F.arcade_r)
        if start + dt < end:
            return start + dt, SOFFIT, 0.0, nu, nv
    if end == tf:
        return end, FLOOR, 0.0, 0.0, 1.0
    if end == te:
        return end, (EAST if dy > 0.0 else WEST), 0.0, (-1.0 if dy > 0.0 else 1.0), 0.0
    return end, PASSAGE, 0.0, 0.0, 0.0


@device
def aisle_face(ox, oy, oz, dx, dy, dz, t, outward, F):
    """At an aisle's wall: the outer one with its windows, or the back of the arcade."""
    y, z = oy + t * dy, oz + t * dz
    yc = bay_middle(F, y)
    s = -1.0 if dx > 0.0 else 1.0
    if not outward:
        if z < F.arcade_spring or in_arch(y - yc, z, F.arcade_half, -1.0, F.arcade_spring, F.arcade_r):
            return t, PASSAGE, 0.0, 0.0, 0.0
        return t, BACK_WALL, s, 0.0, 0.0
    half, sill, spring = F.light_half, F.light_sill, F.light_spring
    if not in_arch(y - yc, z, half, sill, spring, half * 2.0):
        return t, AISLE_WALL, s, 0.0, 0.0
    dt, surface, nu, nv = recess(y - yc, z, dy, dz, abs(dx), half, sill, spring, half * 2.0, AISLE_GLASS)
    return t + dt, surface, (s if surface != REVEAL else 0.0), nu, nv


@device
def aisle_exit(ox, oy, oz, dx, dy, dz, start, F):
    """From within an aisle (at distance `start`): floor, end, vault, outer wall, or PASSAGE back to the arcade."""
    tf, te = floor_and_ends(oy, oz, dy, dz, F)
    side = 1.0 if ox + (start + 1e-4) * dx > 0.0 else -1.0
    outward = dx * side > 0.0
    plane = side * (F.half + F.wall + (F.aisle if outward else 0.0))
    tw = max((plane - ox) / dx, start) if dx != 0.0 else FAR
    t = min(tf, te, tw)
    if dz > 0.0 and oz + t * dz > F.aisle_spring:
        xc = side * (F.half + F.wall + F.aisle / 2)
        x, y, z = ox + start * dx, oy + start * dy, oz + start * dz
        hit = vault_exit(x, y, z, dx, dy, dz, xc, F.aisle / 2, F.aisle_spring, F, AISLE_VAULT, AISLE_CROSS)
        if start + hit[0] < t:
            return start + hit[0], hit[1], hit[2], hit[3], hit[4]
    if t == tf:
        return t, FLOOR, 0.0, 0.0, 1.0
    if t == te:
        return end_face(ox, oy, oz, dx, dy, dz, t, F)
    return aisle_face(ox, oy, oz, dx, dy, dz, t, outward, F)


@device
def shell(ox, oy, oz, dx, dy, dz, F):
    """First meeting of a ray with the building's shell, piers and fittings left out."""
    t = 0.0
    hit = (FAR, PASSAGE, 0.0, 0.0, 0.0)
    for _ in range(6):
        x = abs(ox + (t + 1e-4) * dx)
        if x < F.half:
            # Straight lines leave the nave once; a second time through it starts afresh from where it comes in.
            moved = nave_exit(ox + t * dx, oy + t * dy, oz + t * dz, dx, dy, dz, F)
            hit = (t + moved[0], moved[1], moved[2], moved[3], moved[4])
        elif x < F.half + F.wall:
            hit = passage_exit(ox, oy, oz, dx, dy, dz, t, F)
        else:
            hit = aisle_exit(ox, oy, oz, dx, dy, dz, t, F)
        t = hit[0]
        if hit[1] != PASSAGE:
            break
    return hit
