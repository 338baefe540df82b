"""Frames of one view at one exposure into one mosaic of less noise, before demosaicing.

After Hasinoff and others 2016 and Wronski and others 2019: one frame is the reference; the others are laid on it and
averaged where they agree with it under the noise model; what moved stands as the reference has it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clerestory.camera.camera import Camera
from clerestory.camera.noise import NoiseModel
from clerestory.merge.agree import BlockNoise, agreement
from clerestory.merge.align import Guide, Motion, align, checked, guide_of
from clerestory.merge.resample import laid, own
from clerestory.merge.result import Refused
from clerestory.merge.stack import Stack, merged_mosaic, merged_noise, typical_count
from clerestory.merge.sway import swayed
from clerestory.raw.read import Mosaic
from clerestory.run.bands import one_ahead
from clerestory.run.progress import OnStage

F32 = NDArray[np.float32]
LEAST_TAKEN = 0.4  # of a frame that must agree, lest the frame is left out
SWAYED_TAKEN = 0.2  # the same of one laid near and far: what agrees with it is told place by place
WELL_TAKEN = 0.75  # of a frame that agrees where hands only turned: with less, how they swayed is looked into


@dataclass(frozen=True)
class Burst:
    """A merged mosaic, its noise, where fewer frames count (`excess`, per 2 x 2 block), which frames went in
    (indexes), and the record."""

    mosaic: Mosaic
    noise: NoiseModel
    excess: F32
    taken: tuple[int, ...]
    record: dict[str, Any]


def motion_record(motion: Motion) -> dict[str, float]:
    """A motion in plain numbers: pixels and degrees."""
    x, y = motion.shift
    return {"x": round(x, 2), "y": round(y, 2), "roll_deg": round(motion.roll, 3),
            "parallax_px": round(motion.parallax, 2), "overlap": round(motion.share, 3)}  # fmt: skip


def fitting(
    guide: Guide,
    others: Sequence[Callable[[], Mosaic]],
    noise: NoiseModel,
    camera: Camera,
    left_out: dict[int, str],
    on_stage: Callable[[int], None],
) -> Iterator[tuple[int, Mosaic, Motion]]:
    """Frames that can serve, with where they lie; `left_out` gets the reason of each that cannot.

    They are read one at a time, each while the caller merges the one before. `on_stage` hears the index of each.
    """

    def placed(read: Callable[[], Mosaic]) -> tuple[Mosaic, Motion | Refused]:
        other = read()
        try:
            return other, checked(align(guide, guide_of(other, noise), camera))
        except Refused as why:
            return other, why

    for index, (other, motion) in enumerate(one_ahead(placed, others)):
        on_stage(index)
        if isinstance(motion, Refused):
            left_out[index] = str(motion)
        else:
            yield index, other, motion


def merge_burst(
    reference: Mosaic, others: Sequence[Callable[[], Mosaic]], noise: NoiseModel, camera: Camera, on_stage: OnStage
) -> Burst:
    """Merge frames read one at a time. Raises Refused when no other frame fits the reference."""
    guide = guide_of(reference, noise)
    mine = own(reference)
    stack = Stack.empty(reference)
    stack.add(mine, np.ones(stack.weight.shape, np.float32))
    model = BlockNoise.of(noise, reference)
    left_out: dict[int, str] = {}

    def say(index: int) -> None:
        on_stage(f"frame {index + 2} of {len(others) + 1}")

    motions: dict[int, dict[str, float]] = {}
    shares: dict[int, float] = {}
    poor: dict[int, Motion] = {}

    def add(index: int, values: F32, weights: F32, motion: Motion) -> None:
        stack.add(values, weights)
        shares[index], motions[index] = round(float(weights.mean()), 3), motion_record(motion)

    for index, other, motion in fitting(guide, others, noise, camera, left_out, say):
        values = laid(other, motion, noise)
        weights = agreement(values, stack, reference, model)
        if weights.mean() < WELL_TAKEN:
            poor[index] = motion
        else:
            add(index, values, weights, motion)
    again = [*left_out, *poor]
    for index, way in swayed(reference, {i: others[i] for i in again}, noise, camera, say).items():
        values = laid(others[index](), way.motion, noise)
        weights = agreement(values, stack, reference, model) * way.shows
        if weights.mean() >= SWAYED_TAKEN:
            left_out.pop(index, None)
            add(index, values, weights, way.motion)
        elif index in poor:
            left_out[index] = f"only {weights.mean() * 100:.0f} % of it agrees with the reference frame."
    taken = sorted(motions)
    if not taken:
        raise Refused("no frame fits the reference: " + " ".join(dict.fromkeys(left_out.values())))
    mosaic, finer = merged_mosaic(stack, reference, mine)
    count = stack.count
    typical = typical_count(count)
    excess = (np.float32(typical) / np.maximum(count, 1)).astype(np.float32)
    record = {"motions": motions, "left_out": left_out, "share_taken": shares,
              "frames_behind_a_place": round(typical, 2)}  # fmt: skip
    return Burst(mosaic, merged_noise(noise, typical, finer), excess, tuple(taken), record)
