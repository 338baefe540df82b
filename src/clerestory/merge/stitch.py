"""Overlapping frames turned about one spot into one wide, upright view in linear light.

Every frame is sampled once, from its demosaiced light straight onto the picture's surface, lens corrections included,
less the haze that the lens laid on it (`haze`). Seams run where the frames differ least (graph cut, Kwatra and others
2003); the broad tones are blended over a wide band, detail over a few pixels (after Burt and Adelson 1983, in two
bands).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numba import njit
from numpy.typing import NDArray

from clerestory.camera.camera import Camera, orientation_rotation
from clerestory.camera.noise import NoiseModel
from clerestory.camera.pose import Pose
from clerestory.develop.defects import measured, open_corrected
from clerestory.develop.demosaic import Balanced, counted, demosaic, signal_of, turned
from clerestory.develop.denoise import denoise_mosaic
from clerestory.develop.forms import balanced_of_form, in_planes
from clerestory.develop.glare import Glare, find_glare_together
from clerestory.develop.highlights import reconstruct_highlights
from clerestory.merge.align import Guide, guide_of
from clerestory.merge.haze import balanced_spots, between, haze_at, less_haze, over_picture, spots_in
from clerestory.merge.resample import LANCZOS, balance_of
from clerestory.merge.result import Merged, Refused, Stitched
from clerestory.merge.rotations import Rotations, find_rotations
from clerestory.merge.surface import WIDEST, Surface, surface_for
from clerestory.raw.frame import open_frame
from clerestory.raw.read import FrameInfo, Mosaic
from clerestory.run.bands import in_bands
from clerestory.run.progress import OnStage
from clerestory.vertical.find import find_vertical_together
from clerestory.vertical.result import Verdict

F32 = NDArray[np.float32]
F64 = NDArray[np.float64]
U8 = NDArray[np.uint8]
NODE = 16  # pixels between the places at which the surface is projected exactly
SMALL = 8  # pixels of the picture per pixel of the maps that seams and tones are worked out on
LOOK_STEP = 2  # pixels of those maps between the places at which the surface is projected exactly
WIDE_BAND = 0.02  # of the picture's width: reach over which broad tones are blended
# Share of the light at which the first of the frames clips up to which broad tones go by it. Set on modelled frames
# with clipped windows, exposed alike and unlike: from 0.8 on stone beside them is stained.
EVEN = 0.1
NARROW_BAND = 1.5  # pixels: reach over which detail is blended
WHITENS = np.float32(0.9)  # share of saturation from which a frame exposed longer than the darkest turns to white
BEYOND = 8  # rows beyond a band that its seams' blending sees
BAND = 32 * NODE  # rows of the picture worked on at once
MOST_PIXELS = 160_000_000
HELD = math.radians(20.0), math.radians(4.0)  # how far cameras are usually tilted, rolled; common practice, no source
LEVEL_BOUND = 1.0  # degrees within which a camera's level sensor is believed; common practice, no source


@njit(cache=True, nogil=True, error_model="numpy")
def _project(begin, end, counts, nodes, gain, step, kernel, scale, offset, most, out, inside):  # type: ignore[no-untyped-def]
    """Sample balanced counts (uint16 H x W x 3) at every picture pixel, no channel over its `most`.

    Nothing is written where the frame ends.
    """
    height, width = counts.shape[:2]
    phases = np.float32(kernel.shape[0] - 1)
    inverse = np.float32(1.0 / step)
    across, down = nodes[..., 0], nodes[..., 1]
    for y in range(begin, end):
        r = y // step
        v = np.float32(y - r * step) * inverse
        for x in range(out.shape[1]):
            c = x // step
            u = np.float32(x - c * step) * inverse
            qx, qy = between(across, r, c, u, v), between(down, r, c, u, v)
            if not (qx >= 2 and qy >= 2 and qx < width - 4 and qy < height - 4):
                continue
            g = between(gain, r, c, u, v) * scale
            ix, iy = int(qx), int(qy)
            wx = kernel[int((qx - np.float32(ix)) * phases + np.float32(0.5))]
            wy = kernel[int((qy - np.float32(iy)) * phases + np.float32(0.5))]
            inside[y, x] = 255
            for k in range(3):
                total = np.float32(0.0)
                for a in range(6):
                    row = np.float32(0.0)
                    for b in range(6):
                        row += wx[b] * np.float32(counts[iy + a - 2, ix + b - 2, k])
                    total += wy[a] * row
                p, q = np.float32(counts[iy, ix, k]), np.float32(counts[iy, ix + 1, k])
                s, t = np.float32(counts[iy + 1, ix, k]), np.float32(counts[iy + 1, ix + 1, k])
                low, high = min(min(p, q), min(s, t)), max(max(p, q), max(s, t))
                room = np.float32(0.4) * (high - low)
                total = min(max(total, low - room), high + room)
                out[y, x, k] = min(total * g - offset[k] * g / scale, most[k] * g / scale)


@dataclass(frozen=True)
class _Set:
    """The frames of a wide view, laid out: rotations from the upright picture's axes to each frame's."""

    paths: Sequence[Path]
    exposures: Sequence[float]
    camera: Camera
    rotations: tuple[F64, ...]
    surface: Surface
    multipliers: tuple[float, float, float]
    rebuilds: bool  # whether clipped glass is rebuilt once the frames are joined

    @property
    def most(self) -> F32:
        """Light at which each channel ends (3): its own saturation where what is clipped is rebuilt, else white's."""
        return np.array(_least_one(self.multipliers) if self.rebuilds else (1.0, 1.0, 1.0), np.float32)

    def nodes(self, k: int, step: int, size: tuple[int, int]) -> tuple[F32, F32]:
        """Where picture pixels (every `step`) lie in frame k, and the gain that mends its fall-off there."""
        rows, columns = (size[0] - 1) // step + 2, (size[1] - 1) // step + 2
        y, x = np.mgrid[:rows, :columns].astype(float) * step
        rays = self.surface.rays(np.stack([x, y], axis=-1)) @ self.rotations[k].T
        camera = self.camera
        at = camera.project(rays)
        angle = rays[..., 2] / np.linalg.norm(rays, axis=-1)
        corner = math.atan(math.hypot(camera.width, camera.height) / 2 / camera.focal)
        at[angle < math.cos(min(corner * 1.15, 1.5))] = -1e6  # behind the frame, where distortion means nothing
        gain = np.where(at[..., 0] > -1e5, camera.fall_off(np.clip(at, 0, [camera.width, camera.height])), 1.0)
        return at.astype(np.float32), gain.astype(np.float32)

    def haze(self, glare: Glare, nodes: F32, gain: F32) -> F32 | None:
        """The haze that a frame's glare lays on the picture at `nodes`, r x c x 3; None where there is none."""
        if glare.share == 0:
            return None
        return haze_at(glare, nodes, gain, (self.camera.width, self.camera.height)) * np.float32(glare.share)


@dataclass(frozen=True)
class _Vertical:
    """The vertical in the first frame's axes, its bound in degrees, and how surely it is known."""

    up: F64
    bound: float | None
    verdict: Verdict


def _vertical(lumas: Sequence[F32], infos: Sequence[FrameInfo], turns: Rotations, edges: bool) -> _Vertical:
    """The vertical from the edges of all frames together, else from the level sensor, else as the camera was held."""
    levels, orientation = [info.held_level for info in infos], infos[0].orientation
    held = orientation_rotation(orientation)
    rotations = [held @ r @ held.T for r in turns.rotations]
    if edges:
        grid = turns.camera.scaled(0.5).on_grid(*lumas[0].shape[::-1]).oriented(orientation)
        held_lumas = [turned(luma, orientation) for luma in lumas]
        found = find_vertical_together(held_lumas, grid, rotations, levels=levels)
        if found.verdict != "cannot tell":
            return _Vertical(held.T @ found.up, found.bound_deg, found.verdict)
    elif any(level is not None for level in levels):
        poses = [Pose(pitch=math.radians(v[0]), roll=math.radians(v[1])) if v else None for v in levels]
        up = np.sum([r.T @ p.up for r, p in zip(rotations, poses, strict=True) if p is not None], axis=0)
        return _Vertical(held.T @ up / np.linalg.norm(up), LEVEL_BOUND, "unsure")
    return _Vertical(held.T @ _as_held(rotations), None, "cannot tell")


def _as_held(rotations: Sequence[F64]) -> F64:
    """The vertical when nothing tells it: cameras are seldom rolled, and rather level than not (HELD)."""
    up: F64 = -np.mean([r[1] for r in rotations], axis=0)
    # Each frame's right hand is square to the vertical, and its axis nearly.
    rows = np.concatenate([[r[0] / HELD[1] for r in rotations], [r[2] / HELD[0] for r in rotations]])
    for _ in range(5):
        up = up / np.linalg.norm(up)
        free = np.linalg.svd(up[None])[2][1:]
        up = up + free.T @ np.linalg.lstsq(rows @ free.T, -rows @ up, rcond=None)[0]
    return up / np.linalg.norm(up)


def _upright_axes(up: F64, turns: Rotations) -> F64:
    """Rotation from the first frame's axes to the picture's: vertical upright, looking amid the frames."""
    ahead = np.sum([r[2] for r in turns.rotations], axis=0)
    ahead = ahead - up * (ahead @ up)
    ahead /= np.linalg.norm(ahead)
    return np.stack([np.cross(-up, ahead), -up, ahead])


def _outline(camera: Camera) -> F64:
    w, h = camera.width - 1.0, camera.height - 1.0
    t = np.linspace(0, 1, 24)
    sides = [np.stack([t * w, 0 * t], 1), np.stack([0 * t + w, t * h], 1), np.stack([t * w, 0 * t + h], 1),
             np.stack([0 * t, t * h], 1)]  # fmt: skip
    return camera.unproject(np.concatenate(sides))


def _light(
    path: Path, info: FrameInfo, multipliers: tuple[float, float, float], noise: NoiseModel, denoise: bool
) -> Balanced:
    mosaic = open_corrected(path, info, noise).mosaic
    if mosaic.form != "bayer":
        values = balanced_of_form(mosaic, noise, multipliers, float(denoise), "fast")
        return counted(lambda first, last: values[first:last], values.shape[:2], np.array(_least_one(multipliers)))
    signal = denoise_mosaic(mosaic, noise) if denoise else signal_of(mosaic)
    return demosaic(signal, mosaic, multipliers)


def _look(laid: _Set, k: int, light: Balanced, glare: Glare, size: tuple[int, int]) -> tuple[F32, U8]:
    """Frame k on the picture's surface at every SMALL-th pixel, less its haze: float32 H x W x 3 and where it shows
    anything."""
    nodes, gain = _look_nodes(laid, k, size)
    haze = laid.haze(glare, nodes, gain)
    # Averaged first, so that a coarse look does not alias.
    small = (light.counts.shape[1] // SMALL, light.counts.shape[0] // SMALL)
    counts = cv2.resize(light.counts, small, interpolation=cv2.INTER_AREA)
    nodes = (nodes + np.float32(0.5)) / np.float32(SMALL) - np.float32(0.5)
    coarse = replace(light, counts=counts)
    return _projected(coarse, laid.exposures[k], laid.most, nodes, gain, haze, LOOK_STEP, size)


def _look_nodes(laid: _Set, k: int, size: tuple[int, int]) -> tuple[F32, F32]:
    """`_Set.nodes` of frame k for a coarse look of a size (rows, columns)."""
    return laid.nodes(k, LOOK_STEP * SMALL, (size[0] * SMALL, size[1] * SMALL))


def _projected(
    light: Balanced,
    exposure: float,
    most: F32,
    nodes: F32,
    gain: F32,
    haze: F32 | None,
    step: int,
    size: tuple[int, int],
) -> tuple[F32, U8]:
    """A frame's light where nodes lead to, less the haze on it (r x c x 3 at the nodes, where there is any) and
    divided by its exposure, float32 H x W x 3; where it shows anything."""
    out, inside = np.zeros((*size, 3), np.float32), np.zeros(size, np.uint8)
    offset = light.offset.astype(np.float32)
    given = light.counts, nodes, gain, step, LANCZOS, np.float32(light.scale), offset, most
    in_bands(_project, 0, len(out), *given, out, inside)
    white = None
    if exposure != 1.0:  # by what the frame recorded, haze and all
        white = np.clip((out.min(axis=-1) - WHITENS) / (1 - WHITENS), 0, 1)[..., None]
    if haze is not None:
        in_bands(less_haze, 0, len(out), haze, step, out)
    if white is not None:
        out /= np.float32(exposure)
        out += np.maximum(1 - out, 0) * white
    return out, inside


@dataclass(frozen=True)
class _Plan:
    """Worked out small: each frame's gain, its part of the picture behind the seams and share of the broad tones
    (h x w each), its own broad tones and the picture's (h x w x 3 each)."""

    gains: F64
    parts: list[F32]
    shares: list[F32]
    broad: list[F32]
    tones: F32


def _gains(looks: Sequence[tuple[F32, U8]]) -> F64:
    """Factors that make overlapping frames equally bright, near 1: least squares over pairs of frames."""
    n = len(looks)
    rows, right = [np.eye(n)[k] * 3 for k in range(n)], [0.0] * n
    for i in range(n):
        for j in range(i):
            both = (looks[i][1] > 0) & (looks[j][1] > 0)
            a, b = looks[i][0][..., 1][both], looks[j][0][..., 1][both]
            use = (a > 1e-4) & (b > 1e-4) & (a < 0.8) & (b < 0.8)
            if use.sum() < 100:
                continue
            weight = math.sqrt(float(use.sum()))
            row = np.zeros(n)
            row[i], row[j] = weight, -weight
            rows.append(row)
            right.append(-weight * float(np.median(np.log(a[use] / b[use]))))
    logs = np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0]
    return np.asarray(np.exp(logs - np.mean(logs)))


def _seams(looks: Sequence[tuple[F32, U8]], gains: F64) -> list[U8]:
    """Which frame each small pixel is taken from, as masks."""
    bright = [np.maximum(look * g, 0) for (look, _), g in zip(looks, gains, strict=True)]
    images = [np.sqrt(b).astype(np.float32) * np.float32(255) for b in bright]
    masks = [mask.copy() for _, mask in looks]
    finder = cv2.detail_GraphCutSeamFinder("COST_COLOR_GRAD")  # type: ignore[attr-defined]
    found = finder.find(images, [(0, 0)] * len(images), masks)
    return [np.asarray(m.get() if hasattr(m, "get") else m, np.uint8) for m in found]


def _planned(looks: Sequence[tuple[F32, U8]], exposures: Sequence[float], width: int) -> _Plan:
    gains = _gains(looks)
    masks = _seams(looks, gains)
    reach = max(2.0, WIDE_BAND * width / SMALL)
    shares = []
    for mask, (_, inside) in zip(masks, looks, strict=True):
        soft = cv2.GaussianBlur((mask > 0).astype(np.float32), (0, 0), reach)
        shares.append(soft * (inside > 0))
    total = np.maximum(np.sum(shares, axis=0), 1e-6)
    even = EVEN * float(np.min(gains / np.asarray(exposures)))
    broad = [_broad(look * np.float32(g), inside, even) for (look, inside), g in zip(looks, gains, strict=True)]
    tones = np.zeros((*masks[0].shape, 3), np.float32)
    for share, own in zip(shares, broad, strict=True):
        tones += own * (share / total)[..., None]
    parts = [(m > 0).astype(np.float32) for m in masks]
    return _Plan(gains, parts, shares, broad, tones)


def _glare_over(laid: _Set, glares: Sequence[Glare], plan: _Plan, size: tuple[int, int]) -> Glare:
    """The glare of all frames as it lay on the coarse picture of a size (rows, columns), shared out as the broad
    tones are, in which nearly all of it is."""
    frame, hazes = (laid.camera.width, laid.camera.height), []
    for k, glare in enumerate(glares):
        scale = np.float32(plan.gains[k] / laid.exposures[k])
        hazes.append(haze_at(glare, *_look_nodes(laid, k, size), frame) * scale)
    return Glare(glares[0].share, over_picture(hazes, [share[::LOOK_STEP, ::LOOK_STEP] for share in plan.shares]))


def _broad(look: F32, inside: U8, even: float) -> F32:
    """A frame's broad tones, blurred over what it shows only: of its light up to `even`, which all frames show alike.
    Glass above that, clipped in one and not, or less, in another, would darken or lighten the stone round it."""
    shown = (inside > 0).astype(np.float32)
    weight = cv2.GaussianBlur(shown, (0, 0), 4) + np.float32(1e-4)
    blurred = cv2.GaussianBlur(np.minimum(look, np.float32(even)) * shown[..., None], (0, 0), 4) / weight[..., None]
    return np.asarray(blurred * shown[..., None], np.float32)


def _upsized(small: F32, size: tuple[int, int], top: int = 0) -> F32:
    """A small map at the picture's pixels, from row `top` on: small pixel k stands at pixel SMALL * k."""
    to_small = np.array([[1 / SMALL, 0, 0], [0, 1 / SMALL, top / SMALL]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    out = cv2.warpAffine(small, to_small, (size[1], size[0]), flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out, np.float32)


def _behind_seams(part: F32, rows: slice, width: int) -> F32:
    """A frame's part of the picture in some rows, blended over NARROW_BAND."""
    above, below = min(rows.start, BEYOND), BEYOND
    size = (rows.stop + below - (rows.start - above), width)
    whole = (_upsized(part, size, rows.start - above) > 0.5).astype(np.float32)
    return np.asarray(cv2.GaussianBlur(whole, (0, 0), NARROW_BAND)[above:-below], np.float32)


def _blended(
    laid: _Set,
    lights: Callable[[int], Balanced],
    glares: Sequence[Glare],
    plan: _Plan,
    on_stage: OnStage,
) -> tuple[F32, U8]:
    """The picture: detail from one frame each side of a seam, broad tones from both. In bands, to spare memory."""
    height, width = size = (laid.surface.camera.height, laid.surface.camera.width)
    total, weight = np.zeros((*size, 3), np.float32), np.zeros(size, np.float32)
    covered = np.zeros(size, np.uint8)
    bands = [slice(top, min(top + BAND, height)) for top in range(0, height, BAND)]
    for k in range(len(laid.paths)):
        on_stage(f"place frame {k + 1} of {len(laid.paths)}")
        light, (nodes, gain) = lights(k), laid.nodes(k, NODE, size)
        haze = laid.haze(glares[k], nodes, gain)
        for rows in bands:
            shape, first = (rows.stop - rows.start, width), rows.start // NODE
            here = nodes[first:], gain[first:], None if haze is None else haze[first:]
            image, inside = _projected(light, laid.exposures[k], laid.most, *here, NODE, shape)
            if not inside.any():
                continue
            image *= np.float32(plan.gains[k])
            part = np.maximum(_behind_seams(plan.parts[k], rows, width), np.float32(1e-4)) * (inside > 0)
            image -= _upsized(plan.broad[k], shape, rows.start)
            image *= part[..., None]
            total[rows] += image
            weight[rows] += part
            covered[rows] |= inside
    for rows in bands:
        piece = total[rows]
        piece /= np.maximum(weight[rows], np.float32(1e-6))[..., None]
        piece += _upsized(plan.tones, piece.shape[:2], rows.start)
        piece[covered[rows] == 0] = 0
        np.minimum(piece, laid.most, out=piece)
    if laid.rebuilds:
        reconstruct_highlights(total, laid.most * np.float32(np.min(plan.gains)))
    return total, covered


def _hull(covered: U8) -> F64:
    """Outline of the covered area, clockwise, thinned to a pixel's accuracy."""
    outlines, _ = cv2.findContours(covered, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    longest = max(outlines, key=cv2.contourArea)
    thinned = cv2.approxPolyDP(longest, 1.0, True)[:, 0].astype(float)
    return thinned if cv2.contourArea(thinned.astype(np.float32), True) > 0 else thinned[::-1]


def _guides(
    paths: Sequence[Path],
    infos: Sequence[FrameInfo],
    exposures: Sequence[float],
    fit: Callable[[Sequence[Mosaic]], NoiseModel],
    on_stage: OnStage,
) -> tuple[list[Guide], list[F32], list[F32], list[NoiseModel], Mosaic]:
    """Guides, half-size luminances, spots that tell of glare and noise models of the frames, and the middle frame's
    mosaic."""
    guides, lumas, spots = [], [], []
    noises: dict[float | None, NoiseModel] = {}
    middle: Mosaic | None = None
    for k, (path, info) in enumerate(zip(paths, infos, strict=True)):
        on_stage(f"look at frame {k + 1} of {len(paths)}")
        mosaic = open_frame(path, info).mosaic
        if info.iso not in noises:
            noises[info.iso] = fit([measured(mosaic)])
        mosaic, noise = in_planes(mosaic, noises[infos[0].iso])
        guides.append(guide_of(mosaic, noise, exposures[k] / exposures[0]))
        lumas.append(_luma(mosaic))
        spots.append(spots_in(mosaic))
        if k == len(paths) // 2:
            middle = mosaic
    assert middle is not None
    return guides, lumas, spots, [noises[info.iso] for info in infos], middle


def _luma(mosaic: Mosaic) -> F32:
    """Half-size green, linear, 1.0 at saturation."""
    greens = [(r, c) for r in range(2) for c in range(2) if mosaic.cfa[r, c] in (1, 3)]
    height, width = (n // 2 for n in mosaic.raw.shape)
    out = np.zeros((height, width), np.float32)
    for r, c in greens:
        k = int(mosaic.cfa[r, c])
        span = np.float32(2 * (mosaic.white[k] - mosaic.black[k]))
        out += (mosaic.plane(r, c)[:height, :width] - np.float32(mosaic.black[k])) / span
    return out


def stitch(
    paths: Sequence[Path],
    infos: Sequence[FrameInfo],
    exposures: Sequence[float],
    camera: Camera,
    on_stage: OnStage,
    fit: Callable[[Sequence[Mosaic]], NoiseModel],
    edges: bool = True,
    denoise: bool = True,
) -> Merged:
    """Join frames into one plate. Raises Refused where they do not overlap enough or turn too far.

    `exposures`: each frame's relative to the darkest's, 1 or more, by which its light is divided; what is clipped in
    it is as white as it gets. `edges`: look for the building's vertical in the frames; without it, or where they show
    none, their level sensor or how they were held stands in. `denoise`: take noise out before demosaicing.
    """
    guides, lumas, spots, noises, middle = _guides(paths, infos, exposures, fit, on_stage)
    turns = find_rotations(guides, camera)
    del guides
    vertical = _vertical(lumas, infos, turns, edges)
    axes = _upright_axes(vertical.up, turns)
    rotations = tuple(r @ axes.T for r in turns.rotations)
    outline = _outline(turns.camera)
    surface = surface_for([outline @ r for r in rotations], turns.camera.focal)
    shown = surface.camera
    width = math.degrees(2 * math.atan(shown.width / 2 / shown.focal)) if not surface.compression else \
        _degrees_across(surface)  # fmt: skip
    if width > WIDEST or shown.width * shown.height > MOST_PIXELS:
        raise Refused(f"together they span {width:.0f}° ({shown.width} x {shown.height} pixels), more than "
                      "one picture can show.")  # fmt: skip
    # A channel clipped in a frame exposed longer ends lower than in its neighbour: there glass turns to white.
    rebuilds = middle.form == "bayer" and all(one == 1.0 for one in exposures)
    laid = _Set(paths, exposures, turns.camera, rotations, surface, balance_of(middle), rebuilds)
    size = ((shown.height - 1) // SMALL + 1, (shown.width - 1) // SMALL + 1)

    def lights(k: int) -> Balanced:
        return _light(paths[k], infos[k], laid.multipliers, noises[k], denoise)

    glares = find_glare_together([balanced_spots(one, _least_one(laid.multipliers)) for one in spots])
    looks = []
    for k in range(len(paths)):
        on_stage(f"light of frame {k + 1} of {len(paths)}")
        looks.append(_look(laid, k, lights(k), glares[k], size))
    plan = _planned(looks, exposures, shown.width)
    del looks
    rgb, covered = _blended(laid, lights, glares, plan, on_stage)
    stitched = Stitched(rgb, covered, _hull(covered), surface.projection, shown, surface.compression,
                  _least_one(laid.multipliers), middle.colours, up_bound=vertical.bound,
                  up_verdict=vertical.verdict, monochrome=middle.form == "mono",
                  glare=_glare_over(laid, glares, plan, size))  # fmt: skip
    return _merged(paths, infos, turns, rotations, plan, stitched, width)


def _least_one(multipliers: tuple[float, float, float]) -> tuple[float, float, float]:
    least = min(multipliers)
    return multipliers[0] / least, multipliers[1] / least, multipliers[2] / least


def _degrees_across(surface: Surface) -> float:
    c = surface.camera
    ends = surface.rays(np.array([[0.0, c.cy], [c.width - 1.0, c.cy]]))
    azimuth = np.degrees(np.arctan2(ends[:, 0], ends[:, 2]))
    return float(azimuth[1] - azimuth[0])


def _merged(
    paths: Sequence[Path],
    infos: Sequence[FrameInfo],
    turns: Rotations,
    rotations: Sequence[F64],
    plan: _Plan,
    stitched: Stitched,
    width: float,
) -> Merged:
    record: dict[str, Any] = {
        "frames": [p.name for p in paths],
        "rotations": [np.round(r, 8).tolist() for r in rotations],
        "focal_px": round(turns.camera.focal, 3),
        "parallax_px": [round(p, 2) for p in turns.parallax],
        "overlap": [round(s, 3) for s in turns.shares],
        "gains": [round(float(g), 4) for g in plan.gains],
        "veiling_glare": round(100 * stitched.glare.share, 2) if stitched.glare is not None else None,
        "degrees_across": round(width, 1),
        "projection": stitched.projection,
        "up_bound_deg": stitched.up_bound,
        "up_verdict": stitched.up_verdict,
    }
    remarks = [f"stitched from {len(paths)} frames, {width:.0f}° across, {stitched.projection} projection"]
    if stitched.glare is not None and stitched.glare.share > 0:
        remarks.append(f"veiling glare was taken out of each frame: {100 * stitched.glare.share:.1f} % of its light")
    worst = max(turns.parallax, default=0.0)
    if worst > 3:
        remarks.append(f"parallax of up to {worst:.0f} pixels on near things: the camera moved as it was turned; "
                       "check the seams")  # fmt: skip
    if stitched.up_bound is None:
        remarks.append("no vertical was found: taken from how the camera was held")
    elif stitched.up_verdict == "unsure":
        remarks.append(f"the vertical is accurate only to ±{stitched.up_bound:.1f}°: check it")
    return Merged(
        "panorama", infos[len(infos) // 2], tuple(paths), stitched=stitched, record=record, remarks=tuple(remarks)
    )
