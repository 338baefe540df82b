"""Frames into views: single ones, runs, brackets, visitor sets, wide sets; and which frame of each to use."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from typing import Literal

from clerestory.camera.camera import Camera
from clerestory.files.names import in_count
from clerestory.raw.inspect import Inspection
from clerestory.raw.overlap import Overlap, changed_share, overlap_of, rotation_between
from clerestory.raw.read import FrameInfo, read_info

Kind = Literal["single", "burst", "bracket", "clear", "panorama"]
# The kinds as a photographer says them.
KIND_WORDS: dict[Kind, str] = {
    "single": "single frame",
    "burst": "burst",
    "bracket": "bracket",
    "clear": "burst, visitors moving",
    "panorama": "panorama",
}

SAME_SHIFT = 0.08  # of the longer side: hand shake of 5 % each way, measured between any two frames
SAME_TURN = 4.0  # degrees of roll between frames held for the same view
SAME_EXPOSURE = 0.4  # stops
SWAYED_SHARE = 0.85  # of a frame seen again by details where its light will not lie on the other's; less is a turn
SWAYED_PAUSE = 60.0  # seconds between such frames
SWAYED_MATCHES = 30  # details: set on halls and desks with things near by; a wide set's neighbours share less
LONGEST_PAUSE = 600.0  # seconds within one view at one exposure: waiting for visitors to move on
RETURN_PAUSE = 60.0  # seconds after which a frame no longer goes back to a view that another has followed
BRACKET_PAUSE = 20.0  # seconds between frames of one bracket
BURST_PAUSE = 1.6  # seconds; many cameras write whole seconds only
WIDE_PAUSE = 45.0  # seconds between frames turned for one wide picture
WIDE_SHARE = (0.12, 0.85)  # of a frame seen again in the next
MOVED_SHARE = 0.002  # of the picture that came or went: visitors
SOFT_SHARE = 1 / 2600  # of the frame's longer side: edges blurred more (standard deviation) look soft in a print
SOFT_LEAST = 1.8  # raw pixels; lens and focus alone come to 1.6 in frames that look sharp
CLIPPED_MORE = 0.02  # share clipped in all channels beyond the least-clipped frame that a pick may have


@dataclass(frozen=True)
class View:
    """A picture one means to have, and the frames for it, in order of time.

    `kind`: 'single'; 'burst' (a run: same view, same exposure); 'bracket' (same view, exposure stepped); 'clear'
    (same view and exposure, visitors moving); 'wide' (turned about one spot, overlapping). `pick` is the frame to
    use when one is used; `why` says in words how the frames were taken together and why that one. `infos`: what
    sorting read of each frame, in the order of `frames`, so that nobody reads it again; empty where the view was
    made without (from the catalogue).
    """

    name: str
    kind: Kind
    frames: tuple[Path, ...]
    pick: Path
    why: str
    infos: tuple[FrameInfo, ...] = field(default=(), compare=False, repr=False)

    def infos_of(self, paths: Sequence[Path]) -> tuple[FrameInfo, ...]:
        """What the files of some of its frames say: as sorting read it, else read now."""
        known = dict(zip(self.frames, self.infos, strict=False))
        return tuple(known.get(path) or read_info(path) for path in paths)


def stops_of(seconds: float | None, iso: float | None, f_number: float | None) -> float | None:
    """log2 of what a camera's settings let in, times ISO: higher is brighter. None where one is not known."""
    if not (seconds and f_number and iso):
        return None
    return math.log2(seconds * iso / f_number**2)


def exposure_stops(seen: Inspection) -> float | None:
    """`stops_of` a frame, by its file."""
    return stops_of(seen.info.seconds, seen.info.iso, seen.info.f_number)


def _step(a: Inspection, b: Inspection, lie: Overlap) -> float:
    """How much brighter b was exposed than a, stops: by the settings, else by the pictures."""
    ea, eb = exposure_stops(a), exposure_stops(b)
    return eb - ea if ea is not None and eb is not None else lie.offset


def _seconds_between(a: Inspection, b: Inspection) -> float:
    """Seconds from a's exposure to b's; 0 when a file has no time."""
    if a.info.time is None or b.info.time is None:
        return 0.0
    return abs((b.info.time - a.info.time).total_seconds())


def _same_camera(a: Inspection, b: Inspection) -> bool:
    one, two = a.info, b.info
    if (one.width, one.height, one.make, one.model) != (two.width, two.height, two.make, two.model):
        return False
    if one.orientation != two.orientation or one.is_raw != two.is_raw:
        return False
    if one.focal_mm and two.focal_mm:
        return abs(math.log(one.focal_mm / two.focal_mm)) < 0.03
    return True


def _same_view(a: Inspection, b: Inspection) -> bool:
    """Whether b shows what a shows, held by hand, and was taken soon enough to belong to it."""
    if not _same_camera(a, b):
        return False
    pause = _seconds_between(a, b)
    if pause > LONGEST_PAUSE:
        return False
    lie = overlap_of(a.look, b.look)
    if lie is None or lie.distance > SAME_SHIFT or abs(lie.turn) > SAME_TURN:
        return False
    step = _step(a, b, lie)
    # Detail seen at both exposures shrinks with the step between them; a brightness that fits makes up for it.
    believed = abs(lie.offset - step) < 0.6
    if lie.agreement < (0.45 if believed else 0.7):
        return False
    return abs(step) < SAME_EXPOSURE or pause <= BRACKET_PAUSE + (a.info.seconds or 0) + (b.info.seconds or 0)


def _same_place(a: Inspection, b: Inspection) -> bool:
    """Whether b shows a's place from hands that swayed or rolled: near things shift, so only details tell."""
    if not _same_camera(a, b) or _seconds_between(a, b) > SWAYED_PAUSE:
        return False
    ea, eb = exposure_stops(a), exposure_stops(b)
    if ea is not None and eb is not None and abs(ea - eb) > SAME_EXPOSURE:
        return False
    height, width = a.look.shape
    camera = a.info.intrinsics or Camera.equivalent(width, height)
    turned = rotation_between(a.look, b.look, camera)
    return turned is not None and turned.share >= SWAYED_SHARE and turned.matches >= SWAYED_MATCHES


def _in_order(frames: Sequence[Inspection]) -> list[Inspection]:
    """By time, then name; frames without a time keep the order of their names, numbers counted, after the rest."""

    def key(seen: Inspection) -> tuple[bool, float, str, str]:
        moment = seen.info.time
        # By the camera's clock, whatever the zone of this computer.
        seconds = moment.replace(tzinfo=moment.tzinfo or UTC).timestamp() if moment else 0.0
        path = str(seen.info.path)
        return moment is None, seconds, in_count(path), path

    return sorted(frames, key=key)


def _by_view(frames: Sequence[Inspection]) -> list[list[Inspection]]:
    """Frames that show the same, taken together."""
    groups: list[list[Inspection]] = []
    for seen in frames:
        for group in reversed(groups[-3:]):
            if group is not groups[-1] and _seconds_between(group[-1], seen) > RETURN_PAUSE:
                continue
            tries = [*group[-3:][::-1], *group[:1]]
            if any(_same_view(other, seen) for other in {id(t): t for t in tries}.values()):
                group.append(seen)
                break
        else:
            if groups and any(_same_place(other, seen) for other in (groups[-1][-1], groups[-1][0])):
                groups[-1].append(seen)
            else:
                groups.append([seen])
    return sorted(groups, key=lambda g: frames.index(g[0]))


def _kind_of(group: Sequence[Inspection]) -> tuple[Kind, str]:
    """What a group of frames of one view is, and why in words."""
    n = len(group)
    if n == 1:
        return "single", "on its own"
    stops = [exposure_stops(f) for f in group]
    levels = [s for s in stops if s is not None] if None not in stops else [f.brightness for f in group]
    spread = max(levels) - min(levels)
    # A phone that exposes each picture anew makes no bracket of them: it says nothing of its settings.
    if spread >= SAME_EXPOSURE and (group[0].info.is_raw or None not in stops):
        return "bracket", f"{n} frames of one view over {spread:.1f} stops"
    pauses = [_seconds_between(a, b) for a, b in itertools.pairwise(group)]
    untimed = any(f.info.time is None for f in group)
    if max(pauses) > BURST_PAUSE or untimed:
        moved = max(changed_share(group[0].look, f.look) for f in group[1:])
        if moved >= MOVED_SHARE:
            over = "" if untimed else f"over {_seconds_between(group[0], group[-1]):.0f} s "
            return "clear", (f"{n} frames of one view {over}at one exposure; up to {moved * 100:.1f} % "
                             "of the picture changes")  # fmt: skip
    return "burst", f"{n} frames of one view at one exposure"


def is_soft(seen: Inspection) -> bool:
    """Whether a frame's strongest edges are blurred enough to be seen in a print."""
    limit = max(SOFT_LEAST, SOFT_SHARE * max(seen.info.width, seen.info.height))
    return seen.edge_blur is not None and seen.edge_blur > limit


def _grade(seen: Inspection) -> str:
    blur = f" (edges blurred by {seen.edge_blur:.1f} pixels)" if is_soft(seen) else ""
    return f"{seen.sharpness:.2f}{blur}"


def _clipped(seen: Inspection) -> str:
    share = seen.clipping.all * 100
    if share >= 0.005:
        return f"{share:.2f} % clipped in every channel"
    return "nothing clipped in every channel"


def _pick(group: Sequence[Inspection], kind: Kind) -> tuple[Inspection, str]:
    """The frame to use, and why."""
    if len(group) == 1:
        only = group[0]
        soft = "; soft, and there is no better frame of this view" if is_soft(only) else ""
        return only, f"sharpness {_grade(only)}; {_clipped(only)}{soft}"
    if kind == "bracket":
        return _pick_of_bracket(group)
    least = min(f.clipping.all for f in group)
    fair = [f for f in group if f.clipping.all <= least + CLIPPED_MORE]
    best = max(fair, key=lambda f: f.sharpness)
    others = [f.sharpness for f in group if f is not best]
    why = f"sharpest of {len(fair)}: {_grade(best)}; the others {min(others):.2f} to {max(others):.2f}"
    if len(fair) < len(group):
        why += f"; {len(group) - len(fair)} left out for more clipping"
    if is_soft(best):
        why += "; all are soft: check before using"
    return best, f"{why}; {_clipped(best)}"


def _pick_of_bracket(group: Sequence[Inspection]) -> tuple[Inspection, str]:
    """The brightest exposure that clips little more than the darkest; of several such, the sharpest."""
    least = min(f.clipping.all for f in group)
    fair = [f for f in group if f.clipping.all <= least + CLIPPED_MORE]
    brightest = max(f.brightness for f in fair)
    near = [f for f in fair if f.brightness > brightest - SAME_EXPOSURE]
    best = max(near, key=lambda f: f.sharpness)
    if is_soft(best):
        steady = [f for f in fair if not is_soft(f)]
        best = max(steady, key=lambda f: f.brightness) if steady else best
    above = best.brightness - min(f.brightness for f in group)
    if above < SAME_EXPOSURE:
        why = f"the darkest: the next clips more than {100 * CLIPPED_MORE:.0f} % beyond it in every channel"
    else:
        most = f"the brightest that clips at most {100 * CLIPPED_MORE:.0f} % more of the picture than the darkest"
        why = f"{most}, {above:.1f} stops above it"
    return best, f"{why}; sharpness {_grade(best)}; {_clipped(best)}"


def _wide_chains(groups: Sequence[list[Inspection]]) -> list[list[int]]:
    """Indexes of groups in a row that were turned about one spot for one wide picture; at least three frames."""
    chains: list[list[int]] = []
    current = [0] if groups else []
    for i in range(1, len(groups)):
        if _turned(groups[i - 1], groups[i]):
            current.append(i)
            continue
        chains.append(current)
        current = [i]
    chains.append(current)
    return [c for c in chains if len(c) >= 3]


def _turned(before: Sequence[Inspection], after: Sequence[Inspection]) -> bool:
    """Whether two views, each one frame at the same exposure, overlap by a turn on the spot."""
    if len(before) > 1 or len(after) > 1:
        return False
    a, b = before[0], after[0]
    ea, eb = exposure_stops(a), exposure_stops(b)
    camera = a.info.intrinsics
    if camera is None or not _same_camera(a, b) or a.info.time is None or b.info.time is None:
        return False
    if _seconds_between(a, b) > WIDE_PAUSE or (ea is not None and eb is not None and abs(ea - eb) > SAME_EXPOSURE):
        return False
    turned = rotation_between(a.look, b.look, camera)
    return turned is not None and WIDE_SHARE[0] <= turned.share <= WIDE_SHARE[1]


def _named(count: int, i: int) -> str:
    return f"view-{i:0{max(2, len(str(count)))}d}"


def _names(groups: Sequence[Sequence[Inspection]], earlier: Mapping[str, str]) -> list[str]:
    """A name for each group in order of time; a group holding a frame of an earlier view keeps that view's name."""
    taken: set[str] = set()
    kept: dict[int, str] = {}
    for i, group in enumerate(groups):
        for seen in group:
            name = earlier.get(seen.info.path.name)
            if name and name not in taken:
                taken.add(name)
                kept[i] = name
                break
    blocked = taken | set(earlier.values())
    out, number = [], 1
    for i in range(len(groups)):
        if i not in kept:
            while _named(len(groups), number) in blocked:
                number += 1
            kept[i] = _named(len(groups), number)
            blocked.add(kept[i])
        out.append(kept[i])
    return out


def group_frames(frames: Sequence[Inspection], earlier: Mapping[str, str] | None = None) -> list[View]:
    """Frames into views, in order of time.

    `earlier` maps a frame's file name to the view it was put in before: such views keep their names, and names once
    given are not given to others.
    """
    groups = _by_view(_in_order(frames))
    wide = {chain[0]: chain for chain in _wide_chains(groups)}
    inside = {i for chain in wide.values() for i in chain[1:]}
    sets = [[f for j in wide.get(i, [i]) for f in groups[j]] for i in range(len(groups)) if i not in inside]
    first = [i for i in range(len(groups)) if i not in inside]
    names = _names(sets, earlier or {})
    return [_view(name, group, i in wide) for name, group, i in zip(names, sets, first, strict=True)]


def _view(name: str, group: Sequence[Inspection], wide: bool) -> View:
    paths, infos = tuple(f.info.path for f in group), tuple(f.info for f in group)
    if wide:
        middle = group[len(group) // 2]
        softest = min(f.sharpness for f in group)
        why = f"{len(group)} frames turned about one spot; the middle one stands for them; softest {softest:.2f}"
        return View(name, "panorama", paths, middle.info.path, why, infos)
    kind, taken = _kind_of(group)
    best, why = _pick(group, kind)
    return View(name, kind, paths, best.info.path, f"{taken}; {why}" if len(group) > 1 else why, infos)
