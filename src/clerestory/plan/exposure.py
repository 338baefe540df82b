"""Light and steadiness: aperture, focus, shutter, ISO, what to hold back for the glass, noise, frame counts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from clerestory.camera.exposure import METERED_FRACTION, f_stop, raw_fraction, spot_luminance, third_stop, time_for
from clerestory.camera.optics import (
    airy_disc,
    equivalent_focal,
    f_number_for,
    focus_between,
    focus_steps,
    front_share,
    hyperfocal,
    sharp_limits,
)
from clerestory.camera.steadiness import Hands, frames_needed, frames_to_take
from clerestory.plan.framing import Aim, Framing, subject_points
from clerestory.plan.model import BodyTable, LensTable, Spot

SAFE_CHANCE = 0.75  # chance of a sharp frame called "safe" (common practice, no source)
HOPELESS = 0.1  # chance of a sharp frame below which a view is not offered by hand (our choice)
GLASS_PLACE = 0.9  # share of saturation at which held glass is placed, leaving a little for reds and blues
MOST_STEPS = 20  # frames of a focus series beyond which none is planned (our choice)
LONGEST = 30.0  # seconds: no longer time is offered by hand or not


@dataclass(frozen=True)
class Focus:
    """Aperture and focus. Metres; `wanted` is the depth asked for, `near` to `far` the depth had.

    `blur` is the circle of confusion in mm that counts once straightening has enlarged it; `front` the share of the
    sharp depth before the focus distance; `third` says whether the one-third rule holds here (within 0.28 to 0.39);
    `steps` are the distances of a focus series where one frame cannot do it, and then `near` to `far` what it holds:
    a series has at most so many frames, and may end short of the depth asked for (`short`).
    """

    f_number: float
    distance: float
    wanted: tuple[float, float]
    near: float
    far: float
    blur: float
    hyperfocal: float
    front: float
    third: bool
    soft: bool
    steps: tuple[float, ...] = ()

    @property
    def short(self) -> bool:
        """Whether even the focus series ends before the farthest distance asked for."""
        return bool(self.steps) and self.far < self.wanted[1] * (1 - 1e-6)


@dataclass(frozen=True)
class Settings:
    """One exposure and what comes of it. Raw shares of saturation are for neutral surfaces, before clipping.

    `held` is stops of underexposure for the glass; `chance` that one frame is sharp; `snr` per raw pixel in the stone
    in one frame and in the merge of `merge` frames; `take` how many to take for that with 95 % certainty, and
    `take_one` for one sharp frame; both None where it is too dark to hold by hand.
    """

    seconds: float
    iso: float
    held: float
    stone: float
    glass: float | None
    chance: float
    snr_one: float
    merge: int
    snr: float
    take: int | None
    take_one: int | None
    bracket: tuple[float, ...] = ()

    @property
    def clips(self) -> bool:
        """Whether the glass is above saturation in the darkest frame."""
        return self.glass is not None and self.glass * 2.0 ** min(self.bracket, default=0.0) > 1


def luminance(value: float | Spot) -> float:
    """Luminance in cd/m2 as expected or from a spot reading."""
    return spot_luminance(value.f_number, value.seconds, value.iso) if isinstance(value, Spot) else value


def wanted_depth(aimed: Aim, framing: Framing) -> tuple[float, float]:
    """Nearest and farthest distance along the lens's axis that should be sharp, metres."""
    tilt, yaw = math.radians(framing.tilt), math.radians(framing.yaw)
    forward = np.array([math.sin(yaw) * math.cos(tilt), math.cos(yaw) * math.cos(tilt), math.sin(tilt)])
    depths = (subject_points(aimed.view, aimed.eye) - aimed.eye) @ forward
    near = aimed.view.sharp_from_m or max(float(depths.min()), 0.1)
    far = aimed.view.sharp_to_m or max(float(depths.max()), near)
    return (near, far) if far > near else (near, near)


def focus_for(aimed: Aim, framing: Framing, body: BodyTable, lens: LensTable) -> Focus:
    """Aperture and focus distance for the depth a view asks for."""
    near, far = wanted_depth(aimed, framing)
    blur = body.coc_mm / max(framing.enlarged, 1.0)
    focal, widest = framing.focal, lens.widest(framing.focal)
    needed = f_number_for(near, far, focal, blur)
    # Beyond this f-number the Airy disc alone is larger than the blur allowed.
    finest = max(min(lens.f_number_max, blur / airy_disc(1.0)), widest)
    f_number = widest if needed <= widest else f_stop(needed)
    distance = focus_between(near, far)
    steps: tuple[float, ...] = ()
    if f_number > finest * 1.0001 and needed > finest:
        f_number = min(f_stop(finest * 2 ** (-1 / 6)), finest)
        steps = tuple(focus_steps(near, far, focal, f_number, blur, MOST_STEPS))
        distance = steps[0]
    had = sharp_limits(distance, focal, f_number, blur)
    if steps:
        had = had[0], sharp_limits(steps[-1], focal, f_number, blur)[1]
    front = front_share(distance, focal, f_number, blur)
    return Focus(
        f_number,
        distance,
        (near, far),
        had[0],
        had[1],
        blur,
        hyperfocal(focal, f_number, blur),
        front,
        0.28 <= front <= 0.39,
        airy_disc(f_number) > blur,
        steps,
    )


def _time_and_iso(stone: float, f_number: float, safe: float, held: float, body: BodyTable) -> tuple[float, float]:
    """Shutter time and ISO: the safe time if ISO allows, ISO lowered first where exposure is held back."""
    metered_iso = METERED_FRACTION / raw_fraction(stone, f_number, safe, 1.0)
    iso = min(max(100 * third_stop(metered_iso / 2.0**held / 100, up=True), body.base_iso), body.max_iso)
    seconds = time_for(METERED_FRACTION / 2.0**held, stone, f_number, iso)
    return min(third_stop(min(seconds, LONGEST)), LONGEST), iso


def settings_for(
    aimed: Aim, framing: Framing, focus: Focus, body: BodyTable, lens: LensTable, hands: Hands
) -> Settings:
    """Shutter, ISO, underexposure, noise and frame counts of a view.

    Noise is that of the stone as metered (a neutral mid-tone), in the raw file before any noise reduction.
    """
    view = aimed.view
    stone = luminance(view.stone_cd_m2)
    glass = luminance(view.glass_cd_m2) if view.glass_cd_m2 is not None else None
    over = max(0.0, math.log2(METERED_FRACTION * glass / stone / GLASS_PLACE)) if glass else 0.0
    held = over if view.glass == "hold" else 0.0
    equivalent = equivalent_focal(framing.focal, body.sensor_mm)
    stops = max(body.stabiliser_stops, lens.stabiliser_stops)
    safe = hands.slowest(SAFE_CHANCE, equivalent, stops)
    seconds, iso = _time_and_iso(stone, focus.f_number, safe, held, body)
    share = raw_fraction(stone, focus.f_number, seconds, iso)
    variance = float(body.noise(iso).variance(np.array(min(share, 1.0)), 1))
    snr_one = min(share, 1.0) / math.sqrt(variance)
    merge = min(max(1, math.ceil((view.snr_wanted / snr_one) ** 2 - 1e-9)), view.frames_max)
    chance = hands.chance(seconds, equivalent, stops)
    by_hand = chance >= HOPELESS
    return Settings(
        seconds,
        iso,
        held,
        share,
        raw_fraction(glass, focus.f_number, seconds, iso) if glass else None,
        chance,
        snr_one,
        merge,
        snr_one * math.sqrt(merge),
        frames_to_take(merge, chance) if by_hand else None,
        frames_needed(chance) if by_hand else None,
        _bracket(over) if view.glass == "bracket" and over > 0.3 else (),
    )


def _bracket(over: float) -> tuple[float, ...]:
    """Stops of a bracket from the stone's exposure down to the glass's, no step above two stops."""
    steps = max(1, math.ceil(over / 2))
    return tuple(round(-over * k / steps * 3) / 3 for k in range(steps + 1))
