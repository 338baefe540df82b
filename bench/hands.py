"""Clearing against the truth on halls taken by swaying hands with people who stay: run as bench/merge.py --hands.

Areas that differ by more than 15 CIELAB units after a fit of colour, ours and the per-pixel median's of the frames
aligned by one homography each; mean grey error (AGE) and share of error pixels (pEPs, above 20 grey levels), as the
scene background initialisation contest measures them (Bouwmans, Maddalena and Petrosino 2017); pieces left over.
"""

from __future__ import annotations

import multiprocessing
import time
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from clerestory.camera.camera import Camera
from clerestory.camera.lens import Vignetting
from clerestory.camera.noise import NoiseModel
from clerestory.merge.bracket import Step, merge_bracket
from clerestory.merge.burst import merge_burst
from clerestory.merge.clear import Cleared, merge_clear
from clerestory.raw.read import Mosaic
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.hall import Swayed, sway

CFA = np.array([[0, 1], [3, 2]], np.int8)
LENS = Lens()
APART = 15.0  # CIELAB units
PIECE = 2e-4  # of the picture: the least left-over piece that counts
# seed, frames, people, near things
STACKS = ((1, 6, 5, 3), (2, 5, 4, 2), (3, 8, 6, 3), (4, 3, 3, 2), (5, 10, 7, 3), (6, 6, 6, 4), (7, 7, 5, 2),
          (8, 12, 8, 3), (9, 6, 5, 4), (10, 15, 8, 3))  # fmt: skip


def mosaic_of(raw: Any, body: SimulatedCamera) -> Mosaic:
    """A simulated frame as a mosaic, without going through a file."""
    r, g, b = body.neutral
    balance = (g / r, 1.0, g / b)
    flat = np.full(4, float(body.black)), np.full(4, float(body.white))
    return Mosaic(raw, CFA, *flat, balance, balance, np.array(body.xyz_to_camera))


def shown(mosaic: Mosaic, top: float) -> Any:
    """A mosaic as a display has it: sRGB-coded float32 RGB."""
    wide = float((mosaic.white - mosaic.black)[0])
    planes = np.clip((mosaic.raw.astype(np.float32) - mosaic.black[0]) / wide, 0, 1)
    colour = cv2.cvtColor((planes * 60000).astype(np.uint16), cv2.COLOR_BayerRGGB2RGB_EA).astype(np.float32) / 60000
    light = np.clip(colour * np.float32(mosaic.as_shot or (1, 1, 1)) / np.float32(top), 0, 1)
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055).astype(np.float32)


def aligned_median(pictures: list[Any]) -> tuple[Any, Any]:
    """Per-pixel median of coded pictures, each laid on the first by the homography of its details; how many show."""
    sift = cv2.SIFT_create(nfeatures=3000)  # type: ignore[attr-defined]
    height, width = pictures[0].shape[:2]
    first, words = sift.detectAndCompute((pictures[0][..., 1] * 255).astype(np.uint8), None)
    layers = [pictures[0]]
    for picture in pictures[1:]:
        there, others = sift.detectAndCompute((picture[..., 1] * 255).astype(np.uint8), None)
        pairs = [m[0] for m in cv2.BFMatcher().knnMatch(words, others, k=2) if m[0].distance < 0.78 * m[1].distance]
        a = np.array([first[m.queryIdx].pt for m in pairs], np.float32)
        b = np.array([there[m.trainIdx].pt for m in pairs], np.float32)
        plane, _ = cv2.findHomography(a, b, cv2.USAC_MAGSAC, 3.0, maxIters=20000, confidence=0.9999)
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        layers.append(cv2.warpPerspective(picture, plane, (width, height), flags=flags, borderValue=(np.nan,) * 3))
    stacked = np.stack(layers)
    with np.errstate(all="ignore"):
        return np.nanmedian(stacked, axis=0).astype(np.float32), np.isfinite(stacked[..., 0]).sum(axis=0)


def apart(found: Any, truth: Any) -> Any:
    """CIELAB distance per pixel after an affine fit of coded colour."""
    out = np.clip(found, 0, 1)
    for _ in range(3):
        far = np.abs(cv2.cvtColor(out, cv2.COLOR_RGB2LAB) - cv2.cvtColor(truth, cv2.COLOR_RGB2LAB)).sum(axis=-1)
        use = (far < 20) & (truth.min(axis=-1) > 0.02) & (truth.max(axis=-1) < 0.98)
        left = np.concatenate([np.clip(found, 0, 1)[use], np.ones((int(use.sum()), 1), np.float32)], axis=1)
        fit = np.linalg.lstsq(left, truth[use], rcond=None)[0]
        out = np.clip(np.clip(found, 0, 1) @ fit[:3] + fit[3], 0, 1).astype(np.float32)
    return np.linalg.norm(cv2.cvtColor(out, cv2.COLOR_RGB2LAB) - cv2.cvtColor(truth, cv2.COLOR_RGB2LAB), axis=-1), out


@dataclass(frozen=True)
class Figures:
    """One picture against the truth: share apart, AGE and pEPs, and left-over pieces (x, y, width, height)."""

    area: float
    age: float
    peps: float
    pieces: tuple[tuple[int, int, int, int], ...]


def figures(found: Any, truth: Any, where: Any) -> Figures:
    """Measures over part of a picture."""
    far, out = apart(found, truth)
    grey = np.abs(cv2.cvtColor(out, cv2.COLOR_RGB2GRAY) - cv2.cvtColor(truth, cv2.COLOR_RGB2GRAY)) * 255
    wrong = ((far > APART) & where).astype(np.uint8)
    solid = cv2.morphologyEx(wrong, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(solid, connectivity=8)
    big = [tuple(int(v) for v in s[:4]) for s in stats[1:] if s[4] > PIECE * wrong.size]
    return Figures(
        float(wrong[where].mean()), float(grey[where].mean()), float((grey[where] > 20).mean()), tuple(big)
    )


def given(view: Swayed) -> tuple[list[Mosaic], NoiseModel, Camera]:
    """What a hall's frames are cleared from: mosaics, their noise and the lens."""
    body = view.body
    optics = replace(body.intrinsics(12.0, LENS), vignetting=Vignetting(LENS.vignetting))
    return [mosaic_of(f.raw, body) for f in view.frames], body.noise_model(view.shots[0].iso), optics


def cleared(mosaics: list[Mosaic], noise: NoiseModel, optics: Camera) -> tuple[Cleared, float]:
    """The first frame cleared by the others, and the seconds it took."""
    start = time.perf_counter()
    done = merge_clear(mosaics[0], [partial(lambda m: m, m) for m in mosaics[1:]], noise, optics, lambda _: None)
    return done, time.perf_counter() - start


def measured(view: Swayed, folder: Path | None, name: str) -> tuple[Figures, Figures, Figures, dict[str, Any], float]:
    """Ours, the median's and one frame's figures, our record and the seconds it took."""
    body = view.body
    mosaics, noise, optics = given(view)
    truth_mosaic = mosaic_of(view.empty.raw, body)
    top = float(np.percentile((view.empty.raw - body.black)[0::2, 1::2], 98)) / body.range
    truth = cv2.GaussianBlur(shown(truth_mosaic, top), (0, 0), 0.6)
    done, spent = cleared(mosaics, noise, optics)
    pictures = [shown(m, top) for m in mosaics]
    median, count = aligned_median(pictures)
    ours = shown(done.mosaic, top)
    where = count >= max(3, (len(pictures) + 1) // 2)
    where[:4], where[-4:], where[:, :4], where[:, -4:] = False, False, False, False
    if folder is not None:
        row = []
        for picture in (pictures[0], median, ours):
            far, _ = apart(picture, truth)
            red = (np.clip(picture, 0, 1)[..., ::-1] * 255).astype(np.uint8)
            red[(far > APART) & where] = (0, 0, 255)
            row.append(red)
        row.append((np.clip(ours, 0, 1)[..., ::-1] * 255).astype(np.uint8))
        cv2.imwrite(str(folder / f"hands{name}.png"), np.hstack(row))
    one, two, three = (figures(p, truth, where) for p in (ours, median, pictures[0]))
    return one, two, three, done.record, spent


def bench_hands(width: int = 972, folder: Path | None = None) -> list[tuple[str, str, str]]:
    """Ten stacks; rows of what, found, target."""
    body = SimulatedCamera(width=width, height=width * 3 // 16 * 4)
    rows: list[tuple[str, str, str]] = []
    shares, pieces, named = [], 0, 0
    for seed, count, people, near in STACKS:
        ours, median, single, record, spent = measured(sway(seed, count, body, LENS, people, near), folder, str(seed))
        rows.append((f"hands {seed}: {count} frames, area apart: ours, median, one frame",
                     f"{ours.area * 100:.2f} {median.area * 100:.2f} {single.area * 100:.2f} %", ""))  # fmt: skip
        rows.append((f"hands {seed}: AGE and pEPs, ours and median", f"{ours.age:.2f} {median.age:.2f}, "
                     f"{ours.peps * 100:.2f} {median.peps * 100:.2f} %", ""))  # fmt: skip
        rows.append((f"hands {seed}: pieces left over, seconds", f"{len(ours.pieces)}, {spent:.1f}", ""))
        shares.append(ours.area / max(median.area, 1e-6))
        boxes = [*record["in_doubt_boxes"], *record["weak_boxes"]]
        pieces += len(ours.pieces)
        named += sum(any(_meet(p, b) for b in boxes) for p in ours.pieces)
    rows.append(("hands: area over the median's, mean and most", f"{np.mean(shares):.2f} {max(shares):.2f}", "0.5 1"))
    rows.append(("hands: left-over pieces in ten pictures", f"{pieces}", "1"))
    rows.append(("hands: of these named in the report", f"{named}", f"{pieces}"))
    return rows + bench_swayed(body)


def bench_clearing(width: int = 5184) -> list[tuple[str, str, str]]:
    """Seconds of clearing six swaying frames of 20 megapixels, read already: the middle one and the best of three."""
    body = SimulatedCamera(width=width, height=width * 3 // 4)
    seed, frames, people, near = STACKS[0]
    view = sway(seed, frames, body, LENS, people, near)
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        spent = pool.apply(_seconds, given(view))
    found = f"{sorted(spent)[1]:.1f}, {min(spent):.1f}"
    return [("speed: seconds of clearing 6 x 20 MP, the middle one of three and the best", found, "10")]


def _seconds(mosaics: list[Mosaic], noise: NoiseModel, optics: Camera) -> list[float]:
    """Seconds of three rounds, after one in which kernels are compiled."""
    return [cleared(mosaics, noise, optics)[1] for _ in range(4)][1:]


def _meet(a: Any, b: Any) -> bool:
    """Whether two boxes (x, y, width, height) share a place."""
    return bool(a[0] < b[0] + b[2] and b[0] < a[0] + a[2] and a[1] < b[1] + b[3] and b[1] < a[1] + a[3])


def bench_swayed(body: SimulatedCamera) -> list[tuple[str, str, str]]:
    """Burst and bracket by the same hands: frames taken, frames behind a typical place, ghosts.

    Ghosts: what differs by more than 15 CIELAB units from the reference itself, visitors and all, 3 x 3 or larger.
    """
    rows = []
    for seed, count, people, near in ((1, 6, 5, 3), (4, 3, 3, 2)):
        view = sway(seed, count, body, LENS, people, near)
        mosaics, noise, optics = given(view)
        reads = [partial(lambda m: m, m) for m in mosaics[1:]]
        burst = merge_burst(mosaics[0], reads, noise, optics, lambda _: None)
        rows.append((f"hands {seed}: burst, taken of {count}, frames behind a place, ghosts",
                     f"{len(burst.taken) + 1}, {burst.record['frames_behind_a_place']:.1f}, "
                     f"{_ghosts(burst.mosaic, mosaics[0], body) * 100:.3f} %", ""))  # fmt: skip
        darker = [_darker(m, 0.25) for m in mosaics[1:2]]
        steps = [Step(partial(lambda m: m, m), 0.25, noise) for m in darker]
        bracket = merge_bracket(mosaics[0], steps, noise, optics, lambda _: None)
        rows.append((f"hands {seed}: bracket of 2, taken, share of the darker one, ghosts",
                     f"{len(bracket.taken) + 1}, {bracket.record['share_taken'].get(0, 0):.2f}, "
                     f"{_ghosts(bracket.mosaic, mosaics[0], body) * 100:.3f} %", ""))  # fmt: skip
    return rows


def _darker(mosaic: Mosaic, share: float) -> Mosaic:
    """A frame as a shorter exposure has it, but for its noise."""
    black = mosaic.black[0]
    raw = np.rint((mosaic.raw.astype(np.float32) - black) * share + black)
    return replace(mosaic, raw=np.clip(raw, 0, 65535).astype(np.uint16))


def _ghosts(merged: Mosaic, reference: Mosaic, body: SimulatedCamera) -> float:
    """Share of the picture where a merged mosaic shows something else than the reference does."""
    top = float(np.percentile((reference.raw - body.black)[0::2, 1::2], 98)) / body.range
    wide = float((merged.white - merged.black)[0])
    light = (merged.raw.astype(np.float32) - merged.black[0]) / wide
    scale = float(np.median((reference.raw - body.black) / body.range) / np.median(light))
    own = cv2.GaussianBlur(shown(reference, top), (0, 0), 1.0)
    far, _ = apart(cv2.GaussianBlur(shown(merged, top / scale), (0, 0), 1.0), own)
    solid = cv2.morphologyEx((far > APART).astype(np.uint8), cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    clipped = cv2.dilate((own.max(axis=-1) > 0.97).astype(np.uint8), np.ones((7, 7), np.uint8))
    return float((solid & (1 - clipped)).mean())
