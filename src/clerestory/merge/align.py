"""How one frame lies on another, in the raw domain: the camera's turn, then what parallax leaves, coarse to fine.

Frames are compared as smoothed half-size greens brought to even noise (square root), which a change of exposure only
scales. The global part is a rotation of the camera about its lens, K R K^-1 with the lens's distortion on both sides;
hands also move the camera by a centimetre or two, which shifts near piers against far walls, so that a field of local
shifts is fitted on top: tiles matched by least squares (Lucas and Kanade 1981), each weighted by what its texture can
tell under the noise, joined by a membrane that tears where depth does.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel, model_channel
from clerestory.camera.pose import fit_rotation, rotation_of
from clerestory.merge.result import Refused
from clerestory.raw.read import Mosaic
from clerestory.run.bands import in_bands

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

STEP = 32  # pixels between the nodes of a motion
TILE, STRIDE = 40, 32  # guide pixels: window of one match, distance between matches
COARSEST = 220  # guide pixels along the longer side at which the search starts
BLUR = 0.8  # guide pixels; keeps the guide free of aliasing, which would pull matches to whole pixels
CLIPPED = 0.94  # share of saturation from which a guide is not believed
SLACK = 0.03  # guide pixels squared by which interpolation may misplace an edge
STANDS = 0.02  # guide pixels: a tile that steps less stands, and is stepped no further
TEAR = 0.05  # guide pixels by which neighbouring tiles differ before the membrane starts to tear
OVER = 1.8  # over-relaxation of the membrane
FITS = 2.5  # times what noise explains that the residual of a tile may be where a frame lies on another
ALIKE = 2 * 4 * math.pi * BLUR**2  # guide pixels that speak as one: the blur makes neighbours alike, in both frames
FAR = 8.0  # guide pixels: local shifts expected at most beyond the camera's turn
LEAST_OVERLAP = 0.6
LEAST_AGREEMENT = 0.35  # of the textured tiles, below which a frame shows something else
REFINED_FROM = 2  # level, of a sixteenth of a frame's pixels, at which a motion known to a few pixels is taken up


@dataclass(frozen=True)
class Guide:
    """What alignment sees of a frame. `levels`: smoothed square-root greens, half size first, each next one half
    as large; `sure`: 0 where clipped, else 1, likewise. `noise`: standard deviation of the first level's noise;
    `ceiling`: the guide's value at saturation; `fits`: times what noise explains that a well laid tile may be off."""

    levels: tuple[F32, ...]
    sure: tuple[F32, ...]
    noise: float
    ceiling: float
    fits: float = FITS

    def without(self, hidden: NDArray[np.bool_]) -> Guide:
        """The guide blind to part of its frame: `hidden` (H x W, of any size) covers the whole of it."""
        out = []
        for sure in self.sure:
            share = cv2.resize(hidden.astype(np.float32), sure.shape[::-1], interpolation=cv2.INTER_LINEAR)
            out.append(np.where(share > 0, np.float32(0), sure))
        return replace(self, sure=tuple(out))


@dataclass(frozen=True)
class Motion:
    """Where the reference's pixels lie in another frame.

    `nodes`: float32 (rows, columns, 2), position (x, y) in the other frame of the reference's pixel
    (column * step, row * step); between nodes it is linear. `rotation`: 3 x 3, reference's camera axes to the
    other's. `share`: of the reference that the other shows. `parallax`: 95th percentile of the local shifts, pixels.
    `agreement`: share of the textured tiles that were matched well. `gain`: float32 (rows, columns) or, per
    colour, (rows, columns, 3), what the other frame's light is multiplied by at each node to be as the reference's.
    """

    nodes: F32
    gain: F32
    rotation: F64
    share: float
    parallax: float
    agreement: float
    step: int = STEP

    @property
    def shift(self) -> tuple[float, float]:
        """Displacement of the middle of the frame, pixels (x, y)."""
        row, column = (n // 2 for n in self.nodes.shape[:2])
        x, y = self.nodes[row, column] - np.array([column * self.step, row * self.step])
        return float(x), float(y)

    @property
    def roll(self) -> float:
        """Turn about the optical axis, degrees."""
        return math.degrees(math.atan2(self.rotation[1, 0], self.rotation[0, 0]))

    def at(self, points: F64) -> F64:
        """Positions in the other frame (n, 2) of reference pixels (n, 2)."""
        rows, columns = self.nodes.shape[:2]
        x = np.clip(points[:, 0] / self.step, 0, columns - 1.001)
        y = np.clip(points[:, 1] / self.step, 0, rows - 1.001)
        ix, iy = x.astype(int), y.astype(int)
        fx, fy = (x - ix)[:, None], (y - iy)[:, None]
        top = self.nodes[iy, ix] * (1 - fx) + self.nodes[iy, ix + 1] * fx
        low = self.nodes[iy + 1, ix] * (1 - fx) + self.nodes[iy + 1, ix + 1] * fx
        return np.asarray(top * (1 - fy) + low * fy, float)


def _grid(shape: tuple[int, int]) -> F32:
    y, x = np.mgrid[: shape[0], : shape[1]].astype(np.float32) * np.float32(STEP)
    return np.stack([x, y], axis=-1)


def node_shape(height: int, width: int, step: int = STEP) -> tuple[int, int]:
    """Rows and columns of nodes that cover a frame."""
    return (height - 1) // step + 2, (width - 1) // step + 2


@njit(cache=True, nogil=True, error_model="numpy")
def _greens(begin, end, raw, places, black, limit, scale, offset, out, sure):  # type: ignore[no-untyped-def]
    """Mean of the two greens of each 2 x 2 block, square root; where either is clipped `sure` is 0."""
    for y in range(begin, end):
        for x in range(out.shape[1]):
            a = np.float32(raw[2 * y + places[0, 0], 2 * x + places[0, 1]])
            b = np.float32(raw[2 * y + places[1, 0], 2 * x + places[1, 1]])
            v = np.float32(0.5) * (a + b - black[0] - black[1])
            out[y, x] = np.sqrt(max(v * scale + offset, np.float32(0.0)))
            sure[y, x] = np.float32(0.0) if a > limit or b > limit else np.float32(1.0)


def guide_of(mosaic: Mosaic, noise: NoiseModel, exposure: float = 1.0) -> Guide:
    """The guide of a frame; `exposure` is its light relative to the reference's, by which it is divided.

    `noise` is the reference's model, in raw units: the guide's unit is chosen so that photon noise there is even.
    """
    places = np.array([(r, c) for r in range(2) for c in range(2) if mosaic.cfa[r, c] in (1, 3)])
    channels = [int(mosaic.cfa[r, c]) for r, c in places]
    black = np.array([mosaic.black[c] for c in channels], np.float32)
    gain = float(np.mean([noise.gain[model_channel(c)] for c in channels]))
    read = float(np.mean([noise.read[model_channel(c)] for c in channels]))
    limit = float(min(b + CLIPPED * (mosaic.white[c] - b) for b, c in zip(black, channels, strict=True)))
    height, width = (n // 2 for n in mosaic.raw.shape)
    image, sure = np.empty((height, width), np.float32), np.empty((height, width), np.float32)
    offset = np.float32(2 * (3 / 8 + (read / gain) ** 2))
    given = mosaic.raw, places, black, limit, np.float32(2 / gain / exposure), offset
    in_bands(_greens, 0, height, *given, image, sure)
    # sqrt of twice the electrons of the mean of two: standard deviation 1/2 before the blur.
    noisy = 0.5 / math.sqrt(min(exposure, 1.0))
    ceiling = math.sqrt(max(limit - float(black.max()), 1.0) * 2 / gain / exposure + float(offset))
    return _guide(image, sure, noisy, ceiling)


def guide_of_greens(greens: F32, slope: float, foot: float, fits: float = FITS) -> Guide:
    """The guide of a finished picture from its greens at half size (H/2 x W/2), linear with 1 at white.

    `slope`, `foot`: the variance of a green is slope times its level plus foot; `fits`: as of `Guide`.
    """
    offset = np.float32(2 * (3 / 8 + foot / slope**2))
    image = np.sqrt(np.maximum(greens * np.float32(2 / slope) + offset, 0)).astype(np.float32)
    sure = (greens < CLIPPED).astype(np.float32)
    return replace(_guide(image, sure, 0.5, math.sqrt(CLIPPED * 2 / slope + float(offset))), fits=fits)


def _guide(image: F32, sure: F32, noise: float, ceiling: float) -> Guide:
    """A guide of a square-root green of even noise and where it is sure."""
    first = cv2.GaussianBlur(image, (0, 0), BLUR)
    sure = cv2.erode(sure, np.ones((3, 3), np.uint8))
    levels, masks = [first], [sure]
    while max(levels[-1].shape) > COARSEST:
        levels.append(cv2.pyrDown(levels[-1]))
        masks.append(np.floor(cv2.pyrDown(masks[-1]) + np.float32(0.02)))
    return Guide(tuple(levels), tuple(masks), noise / (2 * BLUR * math.sqrt(math.pi)), ceiling)


@njit(cache=True, error_model="numpy")
def _sampled(src, src_sure, qx, qy, dx, dy, got, sure):  # type: ignore[no-untyped-def]
    """Values of the source at places along a line from (qx, qy) on, `dx` and `dy` apart, and how far each is sure."""
    height, width = src.shape
    for k in range(len(got)):
        x, y = qx + dx * np.float32(k), qy + dy * np.float32(k)
        if not (x >= 0 and y >= 0 and x < width - 1 and y < height - 1):
            got[k] = sure[k] = np.float32(0.0)
            continue
        i, j = int(y), int(x)
        fx, fy = x - np.float32(j), y - np.float32(i)
        top = src[i, j] + fx * (src[i, j + 1] - src[i, j])
        low = src[i + 1, j] + fx * (src[i + 1, j + 1] - src[i + 1, j])
        got[k] = top + fy * (low - top)
        sure[k] = min(src_sure[i, j], src_sure[i + 1, j + 1])


@njit(cache=True, nogil=True, error_model="numpy")
def _match(begin, end, ref, ref_sure, src, src_sure, ys, xs, half, where, moving, slope, noise, out):  # type: ignore[no-untyped-def]
    """Normal equations of one Lucas-Kanade step for each tile that is `moving` (rows, columns).

    `where`: (rows, columns, 2) x, y in the source of each tile's middle; `slope`: (rows, columns, 4) dx/dx, dx/dy,
    dy/dx, dy/dy. A constant difference in brightness over a tile is left out of account: light falls off differently
    at either place, and on a smooth shade would pass for a shift. `out`: per tile h11, h12, h22, b1, b2, weighted
    squared residual, weight, the residual over that expected where an edge may be off by a little, and the constant
    difference: found by the last step, taken off in this one.
    """
    height, width = ref.shape
    cut = np.float32(4.0) * noise
    got, sure = np.empty(2 * half, np.float32), np.empty(2 * half, np.float32)
    two, slack = np.float32(2.0) * noise * noise, np.float32(SLACK)
    for r in range(begin, end):
        for c in range(xs.shape[0]):
            if not moving[r, c]:
                continue
            h11 = h12 = h22 = b1 = b2 = rr = ww = ee = np.float32(0.0)
            g1 = g2 = dd = np.float32(0.0)
            qx0, qy0, even = where[r, c, 0], where[r, c, 1], out[r, c, 8]
            a, b, d, e = slope[r, c, 0], slope[r, c, 1], slope[r, c, 2], slope[r, c, 3]
            left = max(xs[c] - half, 1)
            count = min(xs[c] + half, width - 1) - left
            u = np.float32(left - xs[c])
            for y in range(max(ys[r] - half, 1), min(ys[r] + half, height - 1)):
                v = np.float32(y - ys[r])
                _sampled(src, src_sure, qx0 + a * u + b * v, qy0 + d * u + e * v, a, d, got[:count], sure[:count])
                own, above, below, own_sure = ref[y], ref[y - 1], ref[y + 1], ref_sure[y]
                for k in range(count):
                    x = left + k
                    w = own_sure[x] * sure[k]
                    diff = got[k] - own[x] - even
                    gx = np.float32(0.5) * (own[x + 1] - own[x - 1])
                    gy = np.float32(0.5) * (below[x] - above[x])
                    edge = cut + np.float32(1.5) * (abs(gx) + abs(gy))
                    w *= edge / max(abs(diff), edge)
                    h11 += w * gx * gx
                    h12 += w * gx * gy
                    h22 += w * gy * gy
                    b1 -= w * gx * diff
                    b2 -= w * gy * diff
                    g1 += w * gx
                    g2 += w * gy
                    dd += w * diff
                    rr += w * diff * diff
                    ee += w * diff * diff / (two + slack * (gx * gx + gy * gy))
                    ww += w
            mean = np.float32(1.0) / max(ww, np.float32(1.0))
            h11, h12, h22 = h11 - g1 * g1 * mean, h12 - g1 * g2 * mean, h22 - g2 * g2 * mean
            b1, b2, rr = b1 + g1 * dd * mean, b2 + g2 * dd * mean, rr - dd * dd * mean
            out[r, c, 0], out[r, c, 1], out[r, c, 2] = h11, h12, h22
            out[r, c, 3], out[r, c, 4], out[r, c, 5], out[r, c, 6], out[r, c, 7] = b1, b2, rr, ww, ee
            out[r, c, 8] = even + dd * mean


@dataclass
class _Tiles:
    """Tiles of one level: rows and columns of their middles (guide pixels), and the same in frame pixels."""

    ys: NDArray[np.int64]
    xs: NDArray[np.int64]
    factor: int  # frame pixels per guide pixel
    frame: F64  # (rows, columns, 2)

    @classmethod
    def of(cls, shape: tuple[int, int], factor: int) -> _Tiles:
        """Tiles evenly over a level of this shape."""
        counts = [max(3, round(n / STRIDE)) for n in shape]
        ys, xs = (((np.arange(k) + 0.5) * n / k).astype(int) for k, n in zip(counts, shape, strict=True))
        x, y = np.meshgrid(xs, ys)
        frame = (np.stack([x, y], axis=-1) + 0.5) * factor - 0.5
        return cls(ys, xs, factor, frame)

    def to_guide(self, points: F64) -> F64:
        """Frame pixels to pixels of this level."""
        return (points + 0.5) / self.factor - 0.5


@dataclass
class _Matched:
    """Shifts found (rows, columns, 2), guide pixels, their information (rows, columns, 3: xx, xy, yy) in units of
    the inverse variance, and the residual over what noise and a small misplacement explain; see `Guide.fits`."""

    shift: F64
    information: F64
    residual: F64
    fits: float


def _slopes(mapping: Callable[[F64], F64], tiles: _Tiles) -> F32:
    d = 4.0 * tiles.factor
    right, below = np.array([d, 0.0]), np.array([0.0, d])
    across = (mapping(tiles.frame + right) - mapping(tiles.frame - right)) / (2 * d)
    down = (mapping(tiles.frame + below) - mapping(tiles.frame - below)) / (2 * d)
    return np.stack([across[..., 0], down[..., 0], across[..., 1], down[..., 1]], axis=-1).astype(np.float32)


def _means(mapping: Callable[[F64], F64], tiles: _Tiles) -> F64:
    """Where tiles lie in the other frame, guide pixels (rows, columns, 2): their middles' places and what a tile's
    mean is off them, as frames turned far lie bent on one another. By two points each way (Gauss and Legendre)."""
    reach = TILE / 2 / math.sqrt(3) * tiles.factor
    corners = [np.array([x, y]) * reach for x in (-1, 1) for y in (-1, 1)]
    return np.asarray(tiles.to_guide(np.mean([mapping(tiles.frame + c) for c in corners], axis=0)))


def _steps(
    a: Guide, b: Guide, level: int, tiles: _Tiles, mapping: Callable[[F64], F64], start: F64, rounds: int
) -> _Matched:
    """Lucas-Kanade rounds at one level, from `start` (guide pixels, on top of the mapping)."""
    base = _means(mapping, tiles)
    slope = _slopes(mapping, tiles)
    out = np.zeros((*base.shape[:2], 9), np.float32)
    shift = start.copy()
    # Each level of the pyramid averages noise down by its binomial kernel; texture residue is what remains.
    noise = max(max(a.noise, b.noise) * 0.42**level, 0.02)
    half = TILE // 2
    moving = np.ones(base.shape[:2], bool)
    for turn in range(rounds):
        where = (base + shift).astype(np.float32)
        both = a.levels[level], a.sure[level], b.levels[level], b.sure[level]
        given = tiles.ys, tiles.xs, half, where, moving, slope, np.float32(noise)
        in_bands(_match, 0, len(tiles.ys), *both, *given, out, least=1)
        h11, h12, h22, b1, b2 = np.moveaxis(out[..., :5].astype(float), -1, 0)
        # Noise in the gradients adds to the matrix: what it adds is taken off for the information, kept for the step.
        ridge = 1e-3 * (h11 + h22) + 0.05
        det = (h11 + ridge) * (h22 + ridge) - h12**2
        step = np.stack([(h22 + ridge) * b1 - h12 * b2, (h11 + ridge) * b2 - h12 * b1], axis=-1) / det[..., None]
        length = np.linalg.norm(step, axis=-1, keepdims=True)
        shift = shift + moving[..., None] * step * np.minimum(1.0, 1.5 / np.maximum(length, 1e-9))
        if turn > 0:  # the first step knows nothing of a difference in brightness
            moving &= length[..., 0] > STANDS
    weight = out[..., 6].astype(float)
    residual = np.sqrt(np.maximum(out[..., 5], 0) / np.maximum(weight, 1)) / (noise * math.sqrt(2))
    misfit = np.sqrt(out[..., 7] / np.maximum(weight, 1)).astype(float)
    # Energy of the central difference of noise blurred by BLUR.
    floor = weight * noise**2 * (1 - math.exp(-1 / BLUR**2)) / 2
    info = np.stack([np.maximum(h11 - floor, 0), h12, np.maximum(h22 - floor, 0)], axis=-1) / noise**2 / ALIKE
    info *= (np.minimum(1.0, b.fits / np.maximum(residual, 1e-6)) ** 4)[..., None]
    drift = np.linalg.norm(shift - start, axis=-1)
    info[(weight < 0.15 * TILE**2) | (drift > 4.0)] = 0
    return _Matched(shift, info, misfit, b.fits)


@njit(cache=True, error_model="numpy")
def _relax(shift, info, weak, stiff, tear2, rounds, field):  # type: ignore[no-untyped-def]
    """Rounds over the tiles, the links between neighbours loosened where they differ much.

    Successive over-relaxation (Young 1954): plain rounds carry a shift too slowly across tiles with little to tell.
    """
    rows, columns = field.shape[:2]
    for turn in range(rounds):
        for r in range(rows):
            for c in range(columns):
                a, b, d = info[r, c, 0], info[r, c, 1], info[r, c, 2]
                px = a * shift[r, c, 0] + b * shift[r, c, 1]
                py = b * shift[r, c, 0] + d * shift[r, c, 1]
                total = weak
                for k in range(4):
                    i, j = r + (k == 0) - (k == 1), c + (k == 2) - (k == 3)
                    if i < 0 or j < 0 or i >= rows or j >= columns:
                        continue
                    w = stiff
                    if turn > 5:
                        dx, dy = field[i, j, 0] - field[r, c, 0], field[i, j, 1] - field[r, c, 1]
                        w = stiff / (1.0 + (dx * dx + dy * dy) / (4.0 * tear2))
                    total += w
                    px += w * field[i, j, 0]
                    py += w * field[i, j, 1]
                det = (a + total) * (d + total) - b * b
                field[r, c, 0] += OVER * (((d + total) * px - b * py) / det - field[r, c, 0])
                field[r, c, 1] += OVER * (((a + total) * py - b * px) / det - field[r, c, 1])


def _membrane(found: _Matched, rounds: int = 60) -> F64:
    """Local shifts (rows, columns, 2), guide pixels, of least energy: data by information, neighbours alike."""
    field = np.zeros_like(found.shift)
    info = np.ascontiguousarray(found.information)
    _relax(np.ascontiguousarray(found.shift), info, 1 / FAR**2, 1 / TEAR**2, TEAR**2, rounds, field)
    return field


def _turned(camera: Camera, rotation: F64) -> Callable[[F64], F64]:
    def mapping(points: F64) -> F64:
        return camera.project(camera.unproject(points) @ rotation.T)

    return mapping


def matches(reference: Guide, other: Guide, camera: Camera, rotation: F64) -> tuple[F64, F64]:
    """Places (n, 2) of one frame and where another, turned by about `rotation` (3 x 3), shows the same, (n, 2),
    at full fineness: the middles of tiles whose light has anything to tell."""
    tiles = _Tiles.of(reference.levels[0].shape, 2)
    found = _steps(reference, other, 0, tiles, _turned(camera, rotation), np.zeros((*tiles.frame.shape[:2], 2)), 3)
    told = found.information[..., [0, 2]].sum(axis=-1) > 1.0
    here = tiles.frame[told]
    return here, _turned(camera, rotation)(here) + found.shift[told] * tiles.factor


def _refit(camera: Camera, rotation: F64, tiles: _Tiles, found: _Matched) -> F64:
    """The rotation that explains most tiles: iteratively reweighted least squares over a small turn."""
    rays = camera.unproject(tiles.frame)
    ok = found.information[..., [0, 2]].sum(axis=-1) > 1.0
    if ok.sum() < 6:
        return rotation
    base = camera.project(rays @ rotation.T)[ok]
    target = base + found.shift[ok] * tiles.factor
    info = found.information[ok] / tiles.factor**2
    eps = 1e-4
    columns = [camera.project(rays[ok] @ (rotation_of(eps * e) @ rotation).T) - base for e in np.eye(3)]
    jac = np.stack(columns, axis=-1) / eps  # (n, 2, 3)
    full = np.stack([info[:, [0, 1]], info[:, [1, 2]]], axis=1)
    # One well-textured tile must not outvote the rest.
    full = full / np.maximum(1.0, np.trace(full, axis1=1, axis2=2) / 50)[:, None, None]
    turn = np.zeros(3)
    for _ in range(8):
        left = target - base - jac @ turn
        size = np.linalg.norm(left, axis=-1)
        scale = max(0.3, 1.5 * float(np.median(size)))
        w = 1 / (1 + (size / scale) ** 2) ** 2
        weighted = np.einsum("nik,nij->nkj", jac, full * w[:, None, None])
        normal = np.einsum("nkj,njl->kl", weighted, jac)
        turn = turn + np.linalg.lstsq(normal, np.einsum("nkj,nj->k", weighted, left), rcond=None)[0]
    return rotation_of(turn) @ rotation


def _detail(image: F32, ceiling: float) -> F32:
    """The picture, nothing brighter than the ceiling, less its surroundings' mean."""
    held = np.minimum(image, np.float32(ceiling))
    detail = held - cv2.GaussianBlur(held, (0, 0), 8)
    spread = float(np.sqrt(np.mean(detail**2))) + 1e-6
    return np.asarray(np.clip(detail / np.float32(spread), -3, 3), np.float32)


def _first_guess(a: Guide, b: Guide, camera: Camera) -> F64:
    """Rotation from phase correlation and ECC (Evangelidis and Psarakis 2008) at the coarsest level."""
    level = len(a.levels) - 1
    one, two = (_detail(g.levels[level], min(a.ceiling, b.ceiling)) for g in (a, b))
    h, w = one.shape
    (dx, dy), _ = cv2.phaseCorrelate(one, two, cv2.createHanningWindow((w, h), cv2.CV_32F))
    starts = [(0.0, 0.0)] if abs(dx) > 0.4 * w or abs(dy) > 0.4 * h else [(dx, dy), (0.0, 0.0)]
    criteria = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 60, 1e-5)
    best, warp = -1.0, np.eye(2, 3, dtype=np.float32)
    for x0, y0 in starts:
        try:
            start = np.array([[1, 0, x0], [0, 1, y0]], np.float32)
            score, found = cv2.findTransformECC(one, two, start, cv2.MOTION_EUCLIDEAN, criteria, None, 5)
        except cv2.error:  # does not converge from here
            continue
        if score > best:
            best, warp = float(score), np.asarray(found, np.float32)
        if best > 0.8:
            break
    if best < 0:
        raise Refused("the frames show too little in common to be laid on one another.")
    factor = 2 ** (level + 1)
    y, x = np.meshgrid(np.linspace(0.2, 0.8, 5) * (h - 1), np.linspace(0.2, 0.8, 5) * (w - 1), indexing="ij")
    points = np.stack([x.ravel(), y.ravel()], axis=-1)
    moved = points @ warp[:, :2].T.astype(float) + warp[:, 2]
    rays = [camera.unproject((p + 0.5) * factor - 0.5) for p in (points, moved)]
    p, q = (r / np.linalg.norm(r, axis=1, keepdims=True) for r in rays)
    return fit_rotation(p, q)


def _resized(field: F64, shape: tuple[int, int]) -> F64:
    """A field (rows, columns, 2) on another grid over the same frame, linear between middles of tiles."""
    out = cv2.resize(field.astype(np.float32), (shape[1], shape[0]), interpolation=cv2.INTER_LINEAR)
    return np.asarray(out, float)


def _on_nodes(field: F64, tiles: _Tiles, height: int, width: int) -> F64:
    """A field of frame pixels given at tiles, at the nodes of a motion."""
    return _on_points(field, tiles, _grid(node_shape(height, width)))


def _on_points(field: F64, tiles: _Tiles, node: F32) -> F64:
    """The same at points (rows, columns, 2)."""
    x0, y0 = tiles.frame[0, 0]
    dx, dy = (tiles.frame[-1, -1] - tiles.frame[0, 0]) / [field.shape[1] - 1, field.shape[0] - 1]
    u = ((node[..., 0] - x0) / dx).astype(np.float32)
    v = ((node[..., 1] - y0) / dy).astype(np.float32)
    out = cv2.remap(field.astype(np.float32), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, float)


def align(reference: Guide, other: Guide, camera: Camera, local: bool = True, start: F64 | None = None) -> Motion:
    """Where the reference's pixels lie in another frame, to about a tenth of a pixel on what stands still.

    `local` False leaves it at the camera's turn. `start`: rotation (3, 3) to start from, where known. Raises Refused
    when the frames do not show the same.
    """
    rotation = _first_guess(reference, other, camera) if start is None else start
    width, height = camera.width, camera.height
    field: F64 | None = None
    top = len(reference.levels) - 1
    tiles, found = _Tiles.of(reference.levels[top].shape, 2 ** (top + 1)), None
    for level in range(top, -1, -1):
        tiles = _Tiles.of(reference.levels[level].shape, 2 ** (level + 1))
        shape = tiles.frame.shape[:2]
        start_shift = np.zeros((*shape, 2))
        if field is not None and local:
            start_shift = _resized(field, shape) / tiles.factor
        # The turn settles on the coarse levels, where parallax is small; the rest is local.
        turns = 4 if level == top else 2 if level >= top - 1 or not local else 0
        for _ in range(turns):
            found = _steps(reference, other, level, tiles, _turned(camera, rotation), start_shift, 3)
            before = rotation
            rotation = _refit(camera, rotation, tiles, found)
            if local:
                moved = (_turned(camera, before)(tiles.frame) - _turned(camera, rotation)(tiles.frame)) / tiles.factor
                start_shift = _membrane(replace(found, shift=found.shift + moved))
        if local:
            rounds = 2 if level == 0 else 3
            found = _steps(reference, other, level, tiles, _turned(camera, rotation), start_shift, rounds)
            field = _membrane(found) * tiles.factor
    assert found is not None
    return _motion(camera, rotation, tiles, found, field, (height, width))


def checked(motion: Motion) -> Motion:
    """The motion, or Refused when it cannot serve."""
    if motion.share < LEAST_OVERLAP:
        raise Refused(f"it shows only {motion.share * 100:.0f} % of the reference frame.")
    if motion.agreement < LEAST_AGREEMENT:
        raise Refused(f"only {motion.agreement * 100:.0f} % of its detail lies on the reference frame's.")
    return motion


def refined(reference: Guide, other: Guide, motion: Motion, camera: Camera, finest: int = 0) -> Motion:
    """A motion known to a few pixels made as exact as `align` does it: local shifts on top, coarse to fine.

    `finest`: the level to stop at; each above 0 halves the exactness and quarters the time.
    """
    field: F64 | None = None
    top = min(REFINED_FROM, len(reference.levels) - 1)

    def mapping(points: F64) -> F64:
        return motion.at(points.reshape(-1, 2)).reshape(points.shape)

    for level in range(top, min(finest, top) - 1, -1):
        tiles = _Tiles.of(reference.levels[level].shape, 2 ** (level + 1))
        start = np.zeros((*tiles.frame.shape[:2], 2))
        if field is not None:
            start = _resized(field, tiles.frame.shape[:2]) / tiles.factor
        found = _steps(reference, other, level, tiles, mapping, start, 3)
        field = _membrane(found) * tiles.factor
    assert field is not None
    height, width = camera.height, camera.width
    rows, columns = motion.nodes.shape[:2]
    x, y = np.meshgrid(np.arange(columns) * motion.step, np.arange(rows) * motion.step)
    local = _on_points(field, tiles, np.stack([x, y], axis=-1).astype(np.float32))
    nodes = motion.nodes + local.astype(np.float32)
    textured = found.information[..., [0, 2]].sum(axis=-1) > 20
    good = (found.residual < found.fits) & textured
    inside = (nodes[..., 0] > 0) & (nodes[..., 1] > 0) & (nodes[..., 0] < width - 1) & (nodes[..., 1] < height - 1)
    return replace(motion, nodes=nodes, share=float(inside[:-1, :-1].mean()),
                   agreement=float(good.sum() / max(1, textured.sum())))  # fmt: skip


def _motion(
    camera: Camera, rotation: F64, tiles: _Tiles, found: _Matched, field: F64 | None, size: tuple[int, int]
) -> Motion:
    height, width = size
    here = np.asarray(_grid(node_shape(height, width)), float)
    nodes = _turned(camera, rotation)(here)
    textured = found.information[..., [0, 2]].sum(axis=-1) > 20
    if field is not None:
        nodes = nodes + _on_nodes(field, tiles, height, width)
    length = np.linalg.norm(_membrane(found) * tiles.factor if field is None else field, axis=-1)
    parallax = float(np.percentile(length[textured], 95)) if textured.any() else 0.0
    inside = (nodes[..., 0] > 0) & (nodes[..., 1] > 0) & (nodes[..., 0] < width - 1) & (nodes[..., 1] < height - 1)
    share = float(inside[:-1, :-1].mean())
    good = (found.residual < found.fits) & textured
    agreement = float(good.sum() / max(1, textured.sum()))
    gain = (camera.fall_off(nodes) / camera.fall_off(here)).astype(np.float32)
    return Motion(nodes.astype(np.float32), gain, rotation, share, parallax, agreement)
