"""What two frames have in common, as sorting measures it, in numbers and in words: why they belong together."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from clerestory.camera.camera import Camera
from clerestory.raw.group import SAME_EXPOSURE, SAME_SHIFT, SAME_TURN, SWAYED_MATCHES, WIDE_SHARE, exposure_stops
from clerestory.raw.inspect import Inspection
from clerestory.raw.overlap import overlap_of, rotation_between

AGREES = 0.45
"""Correlation of detail from which two frames that lie on each other show the same: sorting's own limit where the
brightness fits too, set on its cases. What was put together by hand is not held to more."""


@dataclass(frozen=True)
class Together:
    """Two frames against each other. None where it cannot be told.

    `seconds`: between their exposures; `stops`: how much more the second was exposed; `shift`: displacement as a
    share of the longer side, and `turn`, degrees of roll, where one lies on the other with `agreement` of detail (0
    to 1); `share`: of the first that the second shows too; `focal`: whether at one focal length; `camera`: whether by
    one camera, held alike. `alike`: whether they show the same place, in full or in part.
    """

    seconds: float | None
    stops: float | None
    shift: float | None
    turn: float | None
    agreement: float | None
    share: float | None
    focal: bool | None
    camera: bool
    alike: bool

    def words(self) -> str:
        """All of it in one line, as a photographer says it."""
        parts = [] if self.seconds is None else [f"{_span(self.seconds)} apart"]
        if self.share is not None:
            parts.append(f"{100 * self.share:.0f} % in common")
        if self.shift is not None and self.turn is not None:
            parts.append(f"shifted {100 * self.shift:.1f} % and rolled {abs(self.turn):.1f}° against each other")
        if self.agreement is not None:
            parts.append(f"detail agrees {self.agreement:.2f} of 1")
        if not self.alike:
            parts.append("no place in common was found")
        if not self.camera:
            parts.append("another camera, or held otherwise")
        if self.focal is False:
            parts.append("another focal length")
        if self.stops is not None:
            same = abs(self.stops) < SAME_EXPOSURE
            parts.append("one exposure" if same else f"exposed {abs(self.stops):.1f} stops apart")
        return ", ".join(parts)


def _span(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} hours"


def together(a: Inspection, b: Inspection) -> Together:
    """How the second frame lies to the first: time, settings, and what both show.

    The shift and agreement by phase correlation and ECC, else the share by matched details and a turn about the spot
    (`raw.overlap`), with the limits by which sorting puts frames together, time left aside.
    """
    seconds = None
    if a.info.time is not None and b.info.time is not None:
        seconds = abs((b.info.time - a.info.time).total_seconds())
    ea, eb = exposure_stops(a), exposure_stops(b)
    stops = eb - ea if ea is not None and eb is not None else None
    focal = None
    if a.info.focal_mm and b.info.focal_mm:
        focal = abs(math.log(a.info.focal_mm / b.info.focal_mm)) < 0.03
    camera = (a.info.make, a.info.model, a.info.orientation) == (b.info.make, b.info.model, b.info.orientation)
    shift = turn = agreement = share = None
    lie = overlap_of(a.look, b.look)
    if (
        lie is not None
        and lie.distance <= SAME_SHIFT
        and abs(lie.turn) <= SAME_TURN
        and lie.agreement >= AGREES
        and focal is not False
    ):
        shift, turn, agreement = lie.distance, lie.turn, lie.agreement
        height, width = a.look.shape
        longer = max(height, width)
        share = max(0.0, 1 - abs(lie.shift[0]) * longer / width) * max(0.0, 1 - abs(lie.shift[1]) * longer / height)
    elif a.look.shape == b.look.shape:
        height, width = a.look.shape
        seen = rotation_between(a.look, b.look, a.info.intrinsics or Camera.equivalent(width, height))
        if seen is not None and seen.matches >= SWAYED_MATCHES and seen.share >= WIDE_SHARE[0]:
            share = seen.share
    return Together(seconds, stops, shift, turn, agreement, share, focal, camera, share is not None)


def strangers(frames: Sequence[Inspection]) -> list[Path]:
    """Frames of one view, in order of time, that have no place in common with the rest of it.

    Frames are joined along their order and to the largest part found so far; what stays outside the largest part is
    a stranger. Nothing where all belong together, or there are fewer than two.
    """
    groups: list[list[Inspection]] = []
    for seen in frames:
        for group in sorted(groups, key=len, reverse=True):
            near = {id(f): f for f in (group[-1], group[0], group[len(group) // 2])}.values()
            if any(together(other, seen).alike for other in near):
                group.append(seen)
                break
        else:
            groups.append([seen])
    most = max(groups, key=len, default=[])
    return [seen.info.path for group in groups if group is not most for seen in group]


def against(frames: Sequence[Inspection], pick: Path) -> Mapping[Path, Together]:
    """Each frame of a view but the pick against the pick, by path."""
    chosen = next((seen for seen in frames if seen.info.path == pick), None)
    if chosen is None:
        return {}
    return {seen.info.path: together(chosen, seen) for seen in frames if seen is not chosen}
