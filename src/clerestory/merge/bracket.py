"""Frames of one view at stepped exposures into one mosaic that reaches from the glass to the darkest vault.

Weights are the inverse variance under the noise model (Granados and others 2010), taken from a smoothed estimate of
the light and not from the noisy sample itself, which would pull the result down; clipped places count for nothing;
what moved is taken from one frame.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.merge.agree import BlockNoise, agreement
from clerestory.merge.align import align, checked, guide_of
from clerestory.merge.burst import WELL_TAKEN, motion_record
from clerestory.merge.resample import channel_gains, dealt, laid, own
from clerestory.merge.result import Refused
from clerestory.merge.stack import Stack, merged_mosaic, merged_noise, typical_count
from clerestory.merge.sway import Way, swayed
from clerestory.raw.read import Mosaic
from clerestory.run.progress import OnStage

F32 = NDArray[np.float32]
FADE = (0.80, 0.90)  # share of saturation over which a frame's smoothed light loses its say
TOUCHED = 0.985  # a block with a pixel above this is clipped, whatever its neighbourhood
WELL_BELOW = 0.1  # share of saturation by which a pixel lies below its surroundings beyond doubt: no noise does that
NOMINAL = 0.12  # by which the light let in may differ from rounded settings (common practice, no source)
LAST = np.float32(1e-7)  # weight of a clipped frame where there is no other


@dataclass(frozen=True)
class Step:
    """One frame of a bracket: how to read it, its light over the reference's by the settings, its noise model."""

    read: Callable[[], Mosaic]
    exposure: float
    noise: NoiseModel


@dataclass(frozen=True)
class Bracketed:
    """A merged mosaic, the noise of its dark parts, and how much more there is elsewhere (`excess` per block)."""

    mosaic: Mosaic
    noise: NoiseModel
    excess: F32
    taken: tuple[int, ...]
    record: dict[str, Any]


def _greens(values: F32, cfa: NDArray[np.int8]) -> F32:
    """Mean of the two greens of each block, H/2 x W/2."""
    values = dealt(values, cfa)
    height, width = (n // 2 * 2 for n in values.shape)
    planes = [values[r:height:2, c:width:2] for r in range(2) for c in range(2) if cfa[r, c] in (1, 3)]
    return np.asarray(0.5 * (planes[0] + planes[1]), np.float32)


def _unclipped(values: F32, mosaic: Mosaic, resampled: bool = True) -> F32:
    """Say of a frame per block, 0 to 1: `values` are balanced, in the frame's own exposure.

    A frame resampled is spoilt as far about what is clipped as the kernels reach; the reference itself is not.
    """
    rows, columns = (n // 2 for n in values.shape[-2:])
    out = np.ones((rows, columns), np.float32)
    touched = np.zeros(out.shape, np.uint8)
    for plane, full, _ in _places(values, mosaic):
        share = plane / full
        touched |= (share > TOUCHED).astype(np.uint8)
        smooth = cv2.blur(share, (5, 5))
        if not resampled:
            smooth = np.minimum(smooth, share + WELL_BELOW)
        out = np.minimum(out, np.clip((FADE[1] - smooth) / (FADE[1] - FADE[0]), 0, 1))
    if resampled:
        touched = cv2.dilate(touched, np.ones((7, 7), np.uint8))
    out[touched > 0] = 0
    return np.asarray(out, np.float32)


def _places(values: F32, mosaic: Mosaic) -> list[tuple[F32, np.float32, np.float32]]:
    """The values at each place of a 2 x 2 block, H/2 x W/2, with their saturation and gain to balanced values: one
    colour behind filters, all three of three values a pixel."""
    gains, span = channel_gains(mosaic), mosaic.white - mosaic.black
    rows, columns = (n // 2 for n in values.shape[-2:])
    out = []
    for r, c in ((0, 0), (0, 1), (1, 0), (1, 1)):
        seen = [(int(mosaic.cfa[r, c]), values)] if values.ndim == 2 else list(enumerate(values))
        for k, plane in seen:
            part = plane[r : 2 * rows : 2, c : 2 * columns : 2]
            out.append((part, np.float32(gains[k] * span[k]), gains[k]))
    return out


def _mean_greens(stack: Stack, mosaic: Mosaic) -> F32:
    """Greens of the mean so far, H/2 x W/2."""
    return np.asarray(_greens(stack.total, mosaic.cfa) / np.maximum(stack.weight, np.float32(1e-9)), np.float32)


def _ratio(values: F32, stack: Stack, say: F32, mosaic: Mosaic, nominal: float) -> float:
    """Light of a frame over the reference's, from the places both show well; the settings' where too few do."""
    both = (say > 0.99) & (stack.weight > 0)
    mean = _mean_greens(stack, mosaic)
    fresh = np.where(both, _greens(values, mosaic.cfa), 0)
    mean = np.where(both, mean, 0)
    size = (max(1, mean.shape[1] // 8), max(1, mean.shape[0] // 8))
    a, b, full = (cv2.resize(m.astype(np.float32), size, interpolation=cv2.INTER_AREA) for m in (mean, fresh, both))
    use = full > 0.99
    if use.sum() < 50:
        return nominal
    # The brighter half: there noise is a small part of the light, and dirt on black levels smaller still.
    level = a[use] + b[use] / nominal
    bright = level >= np.median(level)
    logs = np.log(np.maximum(b[use][bright], 1e-3) / np.maximum(a[use][bright], 1e-3))
    found = float(np.exp(np.median(logs)))
    return found if abs(np.log(found / nominal)) < NOMINAL else nominal


def _relative(stack_light: F32, model: BlockNoise, other: BlockNoise, ratio: float) -> F32:
    """Variance of a frame over the reference's at a light (green, reference's units), in the reference's units."""
    light = np.maximum(stack_light, 0)
    mine = light * model.slope[1] + model.foot[1]
    theirs = (light * ratio * other.slope[1] + other.foot[1]) / ratio**2
    return np.asarray(theirs / mine, np.float32)


def _light(values: F32, stack: Stack, mosaic: Mosaic, ratio: float) -> F32:
    """A smoothed estimate of the light per block, reference's units: of the mean so far, else of the frame."""
    known = stack.weight > 0
    mean = _mean_greens(stack, mosaic)
    return np.asarray(cv2.blur(np.where(known, mean, _greens(values, mosaic.cfa) / ratio), (5, 5)), np.float32)


@dataclass(frozen=True)
class _Tried:
    """A frame laid in the reference's light: values, its say, light over the reference's, variance over the
    reference's, agreement with what is there, and the share that agrees of what both show."""

    values: F32
    say: F32
    ratio: float
    relative: F32
    fits: F32
    share: float


@dataclass
class _Work:
    """What the frames of a bracket are merged into."""

    reference: Mosaic
    model: BlockNoise
    stack: Stack
    darkest: float = 1.0

    def tried(self, mosaic: Mosaic, way: Way, step: Step) -> _Tried:
        """A frame laid, not yet added."""
        values = laid(mosaic, way.motion, step.noise)
        say = _unclipped(values, mosaic)
        ratio = _ratio(values, self.stack, say, mosaic, step.exposure)
        light = _light(values, self.stack, mosaic, ratio)
        relative = _relative(light, self.model, BlockNoise.of(step.noise, mosaic), ratio)
        values /= np.float32(ratio)
        values[values < np.float32(-1e6)] = np.float32(-1e9)
        known = self.stack.weight > LAST * 2
        fits = agreement(values, self.stack, self.reference, self.model, relative) * way.shows
        both = known & (say > 0.5)
        return _Tried(values, say, ratio, relative, fits, float(fits[both].mean()) if both.any() else 1.0)

    def add(self, mosaic: Mosaic, one: _Tried) -> float:
        """Add a frame; the share of it that counted."""
        known = self.stack.weight > LAST * 2
        shown = _greens(one.values, mosaic.cfa) > np.float32(-1e6)
        weights = np.where(known, one.fits, shown.astype(np.float32)) * one.say / one.relative
        if one.ratio < self.darkest:
            # Where all else is clipped a clipped value still says "at least this bright".
            # What lighter frames clipped at must not be averaged in with it.
            instead = shown & ~known
            self.stack.forget(instead)
            weights = np.where(instead, np.maximum(weights, LAST * 2), weights)
            self.darkest = one.ratio
        self.stack.add(one.values, weights.astype(np.float32), one.relative)
        return float((weights > 2 * LAST).mean())


def _order(exposures: Sequence[float]) -> list[int]:
    """Darker frames first, the lightest of them at the head, then lighter ones upwards."""
    darker = sorted((i for i, e in enumerate(exposures) if e < 1), key=lambda i: -exposures[i])
    return darker + sorted((i for i, e in enumerate(exposures) if e >= 1), key=lambda i: exposures[i])


def _ways(
    reference: Mosaic, steps: Sequence[Step], noise: NoiseModel, camera: Camera, on_stage: OnStage
) -> dict[int, Way]:
    """How all frames lie where hands swayed."""

    def say(index: int) -> None:
        on_stage(f"look again at exposure {steps[index].exposure:.3g} times the reference's")

    reads, exposures = ({i: getattr(s, n) for i, s in enumerate(steps)} for n in ("read", "exposure"))
    return swayed(reference, reads, noise, camera, say, exposures)


def merge_bracket(
    reference: Mosaic, steps: Sequence[Step], noise: NoiseModel, camera: Camera, on_stage: OnStage
) -> Bracketed:
    """Merge a bracket into the reference's geometry and units. Raises Refused when no other frame fits."""
    guide = guide_of(reference, noise)
    mine = own(reference)
    work = _Work(reference, BlockNoise.of(noise, reference), Stack.empty(reference))
    say = _unclipped(mine, reference, resampled=False)
    work.stack.add(mine, np.maximum(say, LAST))
    record: dict[str, Any] = {"motions": {}, "left_out": {}, "exposures": {}, "share_taken": {}}
    taken = []
    ways: dict[int, Way] | None = None
    shows = np.ones(work.stack.weight.shape, np.float32)
    for index in _order([s.exposure for s in steps]):
        step = steps[index]
        on_stage(f"exposure {step.exposure:.3g} times the reference's")
        other, one, motion = step.read(), None, None
        try:
            motion = checked(align(guide, guide_of(other, noise, step.exposure), camera))
            one = work.tried(other, Way(motion, shows), step)
        except Refused as why:
            record["left_out"][index] = str(why)
        if one is None or one.share < WELL_TAKEN:
            if ways is None:
                ways = _ways(reference, steps, noise, camera, on_stage)
            again = work.tried(other, ways[index], step) if index in ways else None
            if again is not None and (one is None or again.share > one.share):
                one, motion = again, ways[index].motion
                record["left_out"].pop(index, None)
        if one is None or motion is None:
            continue
        share = work.add(other, one)
        taken.append(index)
        record["motions"][index] = motion_record(motion)
        record["exposures"][index], record["share_taken"][index] = round(one.ratio, 5), round(share, 3)
    if not taken:
        raise Refused("no frame fits the reference: " + " ".join(dict.fromkeys(record["left_out"].values())))
    return _finished(work, mine, say <= 0, noise, tuple(sorted(taken)), record)


def _finished(
    work: _Work,
    mine: F32,
    clipped: NDArray[np.bool_],
    noise: NoiseModel,
    taken: tuple[int, ...],
    record: dict[str, Any],
) -> Bracketed:
    span = float(np.max(work.reference.white - work.reference.black)) / work.darkest
    _raise_clipped(work, mine, span)
    _keep_unclipped(work, mine, clipped)
    mosaic, finer = merged_mosaic(work.stack, work.reference, mine, span)
    count = work.stack.count
    typical = typical_count(count)
    excess = (np.float32(typical) / np.maximum(count, np.float32(1e-3))).astype(np.float32)
    record["frames_behind_a_place"] = round(typical, 2)
    record["stops_gained_above"] = round(float(-np.log2(work.darkest)), 2)
    return Bracketed(mosaic, merged_noise(noise, typical, finer), excess, taken, record)


def _keep_unclipped(work: _Work, mine: F32, clipped: NDArray[np.bool_]) -> None:
    """In `clipped` blocks of the reference, the pixels that are not clipped themselves stand as they are.

    At the edge of glass a thousand times as bright as its lead, nothing resampled comes as near.
    """
    pairs = zip(_places(work.stack.total, work.reference), _places(mine, work.reference), strict=True)
    for (plane, full, _), (own_plane, _, _) in pairs:
        keep = clipped & (own_plane < np.float32(FADE[0] - WELL_BELOW) * full)
        plane[keep] = (own_plane * work.stack.weight)[keep]


def _raise_clipped(work: _Work, mine: F32, span: float) -> None:
    """Where only a clipped reference is known, the full scale is written: it is at least that bright.

    What only lies beside something clipped, and so counted for next to nothing, stands as the reference shows it.
    """
    if work.darkest >= 1:
        return
    weight = work.stack.weight
    lone = (weight > 0) & (weight < LAST * 1.5)
    lone &= np.any([plane > TOUCHED * full for plane, full, _ in _places(mine, work.reference)], axis=0)
    for plane, _, gain in _places(work.stack.total, work.reference):
        plane[lone] = np.float32(span * gain) * weight[lone]
