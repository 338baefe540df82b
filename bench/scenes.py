"""Made-up light for training (bench/train.py): dead leaves, carving and lettering, leaded glass, the modelled church.

Every function gives float32 SIDE x SIDE x 3 linear light, its mean about 1, drawn from a NumPy generator; nothing in
it was photographed but the colours, which come from `colours`, K x 256 x 3: small patches of real pictures.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.pose import Pose
from clerestory.errors import UserError
from clerestory.simulate.scene import Church

F32 = NDArray[np.float32]
SIDE = 768  # pixels of one picture
DRAWN = 2 * SIDE  # pixels it is drawn at, so that edges come out smooth


def grain(rng: np.random.Generator, side: int = 512) -> F32:
    """A field that repeats, side x side, deviation 1: power falling as 1 / f^(2 b), b drawn; some of it directed."""
    fy, fx = np.meshgrid(np.fft.fftfreq(side), np.fft.rfftfreq(side), indexing="ij")
    turn, squeeze = rng.uniform(0, np.pi), math.exp(abs(rng.normal(0, 0.8)))
    u = fx * math.cos(turn) + fy * math.sin(turn)
    v = (fy * math.cos(turn) - fx * math.sin(turn)) * squeeze
    f = np.hypot(u, v)
    f[0, 0] = 1
    size = f ** -rng.uniform(0.2, 1.6)
    size[0, 0] = 0
    out = np.fft.irfft2(size * np.exp(2j * np.pi * rng.random(f.shape)), s=(side, side))
    return (out / out.std()).astype(np.float32)


@njit(cache=True, error_model="numpy")
def _leaf(canvas, taken, grains, x0, y0, r, kind, shape, turn, colours, texture):  # noqa: C901
    """One leaf painted where nothing lies yet; how many pixels it took. `kind` of outline, `texture` of surface."""
    c, s = math.cos(turn), math.sin(turn)
    n = canvas.shape[0]
    what, frequency, angle, strength, which = texture
    ca, sa = math.cos(angle), math.sin(angle)
    count = 0
    for y in range(max(0, int(y0 - r)), min(n, int(y0 + r) + 2)):
        for x in range(max(0, int(x0 - r)), min(n, int(x0 + r) + 2)):
            if taken[y, x]:
                continue
            u, v = ((x - x0) * c + (y - y0) * s) / r, ((y - y0) * c - (x - x0) * s) / (r * shape)
            if kind == 0:
                inside = u * u + v * v < 1
            elif kind == 1:
                inside = abs(u) < 0.8 and abs(v) < 0.6
            elif kind == 2:
                inside = v > -0.5 and v < 0.9 - 1.7 * abs(u)
            elif kind == 3:
                q = u * u + v * v
                inside = q < 1 and q > 0.6
            else:
                inside = u * u + v * v < 0.35 + 0.6 * abs(math.cos(2.5 * math.atan2(v, u)))
            if not inside:
                continue
            a, b = (x * ca + y * sa) * frequency, (y * ca - x * sa) * frequency
            mix = 0.0
            if what == 1:
                mix = 0.5 + 0.5 * math.sin(6.2832 * a)
            elif what == 2:
                mix = 1.0 if (a - math.floor(a)) < 0.12 or (b * 2 - math.floor(b * 2)) < 0.15 else 0.0
            elif what == 3:
                mix = 1.0 if (a - math.floor(a) < 0.5) != (b - math.floor(b) < 0.5) else 0.0
            elif what == 4:
                mix = 0.5 + 0.5 * u
            light = 1.0
            if what >= 5:
                g = grains[which, int(abs(a * 64)) % grains.shape[1], int(abs(b * 64)) % grains.shape[2]]
                light = math.exp(strength * g)
                mix = min(max(0.5 + 0.4 * g, 0.0), 1.0) if what == 6 else 0.0
            shade = 1.0 + 0.3 * strength * u
            for k in range(3):
                canvas[y, x, k] = (colours[0, k] + mix * (colours[1, k] - colours[0, k])) * light * shade
            taken[y, x] = True
            count += 1
    return count


@njit(cache=True, error_model="numpy")
def _fill(canvas, taken, grains, numbers, kinds, palette):
    left = taken.size
    for i in range(len(numbers)):
        x, y, r, shape, turn, frequency, angle, strength = numbers[i]
        texture = (kinds[i, 1], frequency, angle, strength, kinds[i, 2])
        left -= _leaf(canvas, taken, grains, x, y, r, kinds[i, 0], shape, turn, palette[i], texture)
        if left < 0.002 * taken.size:
            break


def palette(rng: np.random.Generator, colours: F32, count: int, patches: int = 3) -> F32:
    """Colours, count x 3, of a few patches, their brightness spread."""
    chosen = colours[rng.integers(len(colours), size=patches)]
    out = chosen[rng.integers(patches, size=count), rng.integers(chosen.shape[1], size=count)]
    spread = rng.uniform(0, 0.9)
    return (out * np.exp(rng.normal(0, spread, (count, 1))) + 1e-4).astype(np.float32)


def dead_leaves(rng: np.random.Generator, colours: F32) -> F32:
    """Leaves that hide one another, radii by a power law (Lee, Mumford and Huang 2001; Achddou et al. 2023)."""
    many = 30000
    low, high = rng.choice([2.0, 4.0, 8.0, 16.0]), rng.choice([100.0, 300.0, 800.0])
    power = rng.uniform(1.6, 2.4)  # radii ~ r^-(power + 1); 2, r^-3, is the scale-invariant one
    u = rng.random(many)
    r = (low**-power - u * (low**-power - high**-power)) ** (-1 / power)
    turns = rng.uniform(0, 2 * np.pi, many) if rng.random() < 0.7 else rng.choice([0, np.pi / 2], many)
    frequency = np.exp(rng.uniform(np.log(1 / 80), np.log(1 / 3.2), many))
    strength = np.abs(rng.normal(0, 0.35, many)) * rng.choice([0.3, 1.0])
    x, y = rng.uniform(-20, DRAWN + 20, many), rng.uniform(-20, DRAWN + 20, many)
    shapes, angles = rng.uniform(0.3, 1, many), rng.uniform(0, np.pi, many)
    numbers = np.stack([x, y, r, shapes, turns, frequency, angles, strength], 1)
    textured = rng.random(many) < rng.uniform(0.2, 0.9)
    kinds = np.stack([rng.choice(5, many, p=(0.45, 0.2, 0.15, 0.1, 0.1)),
                      np.where(textured, rng.integers(1, 7, many), 0), rng.integers(4, size=many)], 1)  # fmt: skip
    pairs = palette(rng, colours, 2 * many).reshape(many, 2, 3)
    grains = np.stack([grain(rng) for _ in range(4)])
    canvas = np.full((DRAWN, DRAWN, 3), pairs[0, 0], np.float32)
    _fill(canvas, np.zeros((DRAWN, DRAWN), np.bool_), grains, numbers, kinds, pairs)
    return _smaller(rng, canvas)


def _smaller(rng: np.random.Generator, canvas: F32) -> F32:
    """Twice the size to SIDE, mean 1, with the blur of a lens, some depth of shade and broad light."""
    if rng.random() < 0.5:
        canvas = cv2.GaussianBlur(canvas, None, rng.uniform(0.3, 2.0))
    out = cv2.resize(canvas, (SIDE, SIDE), interpolation=cv2.INTER_AREA)
    if rng.random() < 0.5:
        broad = cv2.resize(grain(rng, 64)[:6, :6], (SIDE, SIDE), interpolation=cv2.INTER_CUBIC)
        out *= np.exp(rng.uniform(0, 0.8) * broad)[..., None]
    return np.asarray(out / max(float(out.mean()), 1e-6), np.float32)


def _strokes(rng: np.random.Generator, field: NDArray[np.uint8], height: float, letters: bool) -> None:
    """Rows of signs of a few strokes each, or lines that curl, drawn into `field`."""
    side = len(field)
    thick = max(1, round(height * rng.uniform(0.06, 0.16)))
    y = rng.uniform(0, height)
    while y < side:
        x = rng.uniform(0, height)
        while x < side:
            for _ in range(int(rng.integers(1, 5))):
                if letters and rng.random() < 0.6:
                    p = rng.choice([0.0, 0.35, 0.7], 4) * height
                    ends = [(int(x + p[0]), int(y + p[1])), (int(x + p[2]), int(y + p[3]))]
                    cv2.line(field, *ends, 255, thick, cv2.LINE_AA)
                else:
                    axes = (int(height * rng.uniform(0.1, 0.45)), int(height * rng.uniform(0.1, 0.45)))
                    middle = (int(x + height * rng.uniform(0.2, 0.5)), int(y + height * rng.uniform(0.2, 0.6)))
                    first = rng.uniform(0, 360)
                    cv2.ellipse(field, middle, axes, rng.choice([0, 90, 30]), first, first + rng.uniform(90, 360),
                                255, thick, cv2.LINE_AA)  # fmt: skip
            x += height * rng.uniform(0.6, 1.0) * (2 if rng.random() < 0.15 else 1)
        y += height * rng.uniform(1.1, 2)


def relief(rng: np.random.Generator, colours: F32) -> F32:
    """Stone with signs and curls cut or raised in it, under one light and the sky, some of it painted."""
    depth = np.zeros((DRAWN, DRAWN), np.float32)
    paint = np.zeros((DRAWN, DRAWN), np.float32)
    for _ in range(int(rng.integers(1, 4))):
        field = np.zeros((DRAWN, DRAWN), np.uint8)
        _strokes(rng, field, float(np.exp(rng.uniform(np.log(16), np.log(240)))), bool(rng.random() < 0.5))
        if rng.random() < 0.3:
            paint = np.maximum(paint, field / np.float32(255))
            continue
        away = cv2.distanceTransform(field, cv2.DIST_L2, 3)
        reach = rng.uniform(2, 14)
        height = np.float32(rng.choice([-1.0, 1.0]) * reach * rng.uniform(0.3, 1.5))
        depth += height * np.minimum(away / np.float32(reach), 1) ** np.float32(rng.uniform(0.5, 1.5))
    depth += grain(rng, DRAWN) * rng.choice([0.1, 0.5, 2.0, 8.0]) * rng.random()
    depth = cv2.GaussianBlur(depth, None, rng.uniform(0.7, 3))
    gx, gy = cv2.Sobel(depth, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(depth, cv2.CV_32F, 0, 1, scale=0.125)
    turn, low = rng.uniform(0, 2 * np.pi), rng.uniform(0.15, 1.2)
    towards = np.array([math.cos(turn) * math.cos(low), math.sin(turn) * math.cos(low), math.sin(low)])
    cosine = (towards[2] - gx * towards[0] - gy * towards[1]) / np.sqrt(1 + gx * gx + gy * gy)
    hollow = depth - cv2.GaussianBlur(depth, None, 12)
    light = np.maximum(cosine, 0) * rng.uniform(0.3, 2) + np.clip(0.3 + 0.04 * hollow, 0.05, 0.8)
    pair = palette(rng, colours, 2, 1)
    stone = pair[0] * np.exp(rng.uniform(0, 0.3) * grain(rng, DRAWN))[..., None]
    stone += paint[..., None] * (pair[1] * rng.uniform(0.1, 3) - stone)
    return _smaller(rng, np.asarray(stone * light[..., None], np.float32))


def leaded(rng: np.random.Generator, colours: F32) -> F32:
    """Panes of stained glass between leads (Voronoi cells of random points), over many stops, or pale quarries."""
    seeds = np.full((DRAWN, DRAWN), 255, np.uint8)
    pitch = float(np.exp(rng.uniform(np.log(14), np.log(160))))
    count = max(8, int((DRAWN / pitch) ** 2))
    seeds[rng.integers(DRAWN, size=count), rng.integers(DRAWN, size=count)] = 0
    _, labels = cv2.distanceTransformWithLabels(seeds, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    edge = (np.roll(labels, 1, 0) != labels) | (np.roll(labels, 1, 1) != labels)
    width = max(1, round(pitch * rng.uniform(0.03, 0.14)))
    lead = cv2.dilate(edge.astype(np.uint8), cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (width, width)))
    many = int(labels.max()) + 1
    panes = np.exp(rng.normal(0, rng.uniform(0.1, 1.2), (many, 3)) + rng.normal(0, 0.7, (many, 1)))
    panes *= np.where(rng.random((many, 1)) < 0.3, colours[rng.integers(len(colours)), 0] * 3, 1)
    out = panes.astype(np.float32)[labels] * np.exp(0.15 * rng.random() * grain(rng, DRAWN))[..., None]
    out = np.where(lead[..., None] > 0, np.float32(rng.choice([0.002, 0.02, 0.1])) * (1 + 0.2 * grain(rng, DRAWN))[
        ..., None], out)  # fmt: skip
    if rng.random() < 0.6:  # the wall around the window
        wall = grain(rng, 64)[:5, :5]
        inside = cv2.resize(wall, (DRAWN, DRAWN), interpolation=cv2.INTER_CUBIC) > rng.uniform(-0.5, 0.5)
        shade = palette(rng, colours, 1, 1)[0] * rng.choice([0.01, 0.05, 0.3])
        out = np.where(inside[..., None], out, shade * np.exp(0.2 * grain(rng, DRAWN))[..., None])
    return _smaller(rng, np.maximum(out, 1e-4).astype(np.float32))


def church(rng: np.random.Generator, colours: F32) -> F32:
    """A view in one of the modelled churches (seeds from 100 on); half of them drawn at twice the size."""
    model = Church(
        int(rng.integers(100, 160)), sun=float(rng.choice([0.0, 9000.0])), lamp=float(rng.choice([0, 300]))
    )
    f = model.form
    side = DRAWN if rng.random() < 0.4 else SIDE
    camera = Camera.equivalent(side, side, float(np.exp(rng.uniform(np.log(18), np.log(120)))), None)
    for _ in range(20):
        place = (rng.uniform(-1, 1) * (f.half + f.aisle), rng.uniform(0.02, 0.95) * f.length, rng.uniform(1, 3))
        pose = Pose(rng.uniform(-np.pi, np.pi), rng.normal(0.25, 0.35), rng.normal(0, 0.05), place)
        try:
            seen = model.render(camera, pose).radiance
        except UserError:
            continue
        seen = np.asarray(seen / max(float(seen.mean()), 1e-6), np.float32)
        return _smaller(rng, seen) if side == DRAWN else seen
    return dead_leaves(rng, colours)


KINDS = (dead_leaves, relief, leaded, church)
SHARES = (0.5, 0.2, 0.1, 0.2)


def picture(seed: int, colours: F32) -> F32:
    """The picture of one seed."""
    rng = np.random.Generator(np.random.Philox(np.random.SeedSequence([seed, 7])))
    return KINDS[rng.choice(len(KINDS), p=SHARES)](rng, colours)
