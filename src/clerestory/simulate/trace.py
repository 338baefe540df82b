# mypy: disable-error-code="no-untyped-def"
"""The ray-caster: a frame of the church, pixel by pixel, through the lens's own distortion. Compiled."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from clerestory.simulate.compiled import device, versioned
from clerestory.simulate.fittings import chairs, piers, screen, vault_shafts, visitors
from clerestory.simulate.light import daylight, lamplight
from clerestory.simulate.shade import look, person
from clerestory.simulate.shell import BLIND, CLERE_GLASS, VISITOR, shell

LAMP_R, LAMP_G, LAMP_B = 1.42, 0.92, 0.28  # about 2700 K against D65, luminance 1
MIDDLE = np.zeros((1, 2))
# Sub-pixel offsets of the extra samples at edges: a rotated grid, no two on one row or column.
OFFSETS = np.array(
    [[-0.42, -0.08], [-0.25, 0.42], [-0.08, -0.25], [0.08, 0.25], [0.25, -0.42], [0.42, 0.08]], dtype=np.float64
)


@device
def undistort(u, v, lens, cx, cy, reach):
    """Ideal offset from the optical centre, in units of `reach`, of a recorded one: the warp undone by iteration."""
    x, y = u / lens[0], v / lens[0]
    for _ in range(12):
        r2 = x * x + y * y
        f = lens[0] + r2 * (lens[1] + r2 * (lens[2] + r2 * lens[3]))
        ex = u - (x * f + lens[4] * 2.0 * x * y + lens[5] * (r2 + 2.0 * x * x))
        ey = v - (y * f + lens[5] * 2.0 * x * y + lens[4] * (r2 + 2.0 * y * y))
        x += ex
        y += ey
        if abs(ex) + abs(ey) < 1e-8:
            break
    return x * reach + cx, y * reach + cy


@device
def ray(i, j, view, lens):
    """Unit world direction of a recorded pixel, and the cosine of its angle to the axis.

    `view`: focal, cx, cy, optical centre x, y, reach (pixels), then the rotation (3 x 3, world to camera).
    """
    x, y = undistort((j - view[3]) / view[5], (i - view[4]) / view[5], lens, view[3], view[4], view[5])
    x, y = (x - view[1]) / view[0], (y - view[2]) / view[0]
    n = 1.0 / math.sqrt(x * x + y * y + 1.0)
    return (
        (view[6] * x + view[9] * y + view[12]) * n,
        (view[7] * x + view[10] * y + view[13]) * n,
        (view[8] * x + view[11] * y + view[14]) * n,
        n,
    )


@device
def meet(ox, oy, oz, dx, dy, dz, F, people):
    """The first thing a ray meets: distance, surface, normal, which visitor and which part of one."""
    hit = shell(ox, oy, oz, dx, dy, dz, F)
    new = piers(ox, oy, oz, dx, dy, dz, hit[0], F)
    if new[0] < hit[0]:
        hit = new
    new = vault_shafts(ox, oy, oz, dx, dy, dz, hit[0], F)
    if new[0] < hit[0]:
        hit = new
    new = chairs(ox, oy, oz, dx, dy, dz, hit[0], F)
    if new[0] < hit[0]:
        hit = new
    new = screen(ox, oy, oz, dx, dy, dz, hit[0], F)
    if new[0] < hit[0]:
        hit = new
    new, who, what = visitors(ox, oy, oz, dx, dy, dz, hit[0], people)
    if new[0] < hit[0]:
        hit = new
    return hit, who, what


@device
def sample(i, j, view, lens, origin, F, people):
    """One ray: daylight radiance (3), lamp radiance (3), reflectance (3), depth along the axis, surface."""
    dx, dy, dz, cosine = ray(i, j, view, lens)
    ox, oy, oz = origin[0], origin[1], origin[2]
    hit, who, what = meet(ox, oy, oz, dx, dy, dz, F, people)
    t, surface, nx, ny, nz = hit
    x, y, z = ox + t * dx, oy + t * dy, oz + t * dz
    # Width of a pixel on the surface, between its short and its long side.
    slant = max(abs(dx * nx + dy * ny + dz * nz), 0.08)
    foot = t * cosine / view[0] / math.sqrt(slant)
    if surface == VISITOR:
        seen = person(who, what, z, foot, nx, ny, nz, people)
    else:
        seen = look(surface, x, y, z, foot, nx, ny, nz, F)
    r, g, b, er, eg, eb, ax, ay, az = seen
    lr, lg, lb = daylight(x, y, z, ax, ay, az, F)
    lamp = lamplight(x, y, z, ax, ay, az, F) / math.pi
    k = 1.0 / math.pi
    return (
        r * lr * k + er,
        g * lg * k + eg,
        b * lb * k + eb,
        r * lamp * LAMP_R,
        g * lamp * LAMP_G,
        b * lamp * LAMP_B,
        r,
        g,
        b,
        t * cosine,
        surface,
    )


@device
def numbers(v, w):
    """View and lens as numbers: an array handed on for each ray is counted, which takes as long as a ray."""
    view = v[0], v[1], v[2], v[3], v[4], v[5], v[6], v[7], v[8], v[9], v[10], v[11], v[12], v[13], v[14]
    return view, (w[0], w[1], w[2], w[3], w[4], w[5])


@njit(cache=True, nogil=True, error_model="numpy")
@versioned
def cast(begin, end, view, lens, origin, forms, people, offsets, chosen, radiance, reflectance, depth, kind):
    """Rays at `offsets` (n x 2, pixels down and right) of the middle of every chosen pixel; their mean is written.

    Ray k sees the visitors as `people[k]`. Depth and surface are written when there is one ray; with more, a pixel
    in which any ray meets a visitor is marked as one.
    """
    width = depth.shape[1]
    n = offsets.shape[0]
    v, w = numbers(view, lens)
    o = (origin[0], origin[1], origin[2])
    for i in range(begin, end):
        F = forms[0]
        for j in range(width):
            if not chosen[i, j]:
                continue
            r, g, b, cr, cg, cb = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
            for k in range(n):
                s = sample(i + offsets[k, 0], j + offsets[k, 1], v, w, o, F, people[k])
                r, g, b = r + s[0] + s[3], g + s[1] + s[4], b + s[2] + s[5]
                cr, cg, cb = cr + s[6], cg + s[7], cb + s[8]
                if n == 1:
                    depth[i, j] = np.float32(s[9])
                    kind[i, j] = np.uint8(s[10])
                elif s[10] == VISITOR:
                    kind[i, j] = np.uint8(VISITOR)
            radiance[i, j, 0], radiance[i, j, 1], radiance[i, j, 2] = r / n, g / n, b / n
            if reflectance.shape[0] > 1:
                reflectance[i, j, 0], reflectance[i, j, 1], reflectance[i, j, 2] = cr / n, cg / n, cb / n


@device
def differs(surface, a, g, other, b, h):
    """Whether an edge runs between two pixels: their surfaces, depths and light (red and green)."""
    if surface != other:
        return True
    if abs(a - b) > 0.06 * min(a, b):
        return True
    ratio = 1.35 if CLERE_GLASS <= surface < BLIND else 1.7
    return g > ratio * h or h > ratio * g


@njit(cache=True, nogil=True, error_model="numpy")
@versioned
def find_edges(begin, end, kind, depth, radiance, edges):
    """Mark the pixels with an edge beside them."""
    width = kind.shape[1]
    for i in range(begin, end):
        for j in range(1, width - 1):
            surface, a, g = kind[i, j], depth[i, j], radiance[i, j, 1] + radiance[i, j, 0]
            found = False
            for m, n in ((i, j + 1), (i + 1, j), (i, j - 1), (i - 1, j)):
                h = radiance[m, n, 1] + radiance[m, n, 0]
                found = found or differs(surface, a, g, kind[m, n], depth[m, n], h)
            edges[i, j] = found
