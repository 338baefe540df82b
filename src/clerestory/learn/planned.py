"""What was planned for a visit, set against what its frames show."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from clerestory.camera.steadiness import Hands
from clerestory.errors import UserError
from clerestory.learn.measure import Learned, Light
from clerestory.plan.exposure import luminance
from clerestory.plan.model import ViewTable, Visit, read_visit
from clerestory.plan.taken import taken_for
from clerestory.raw.group import View
from clerestory.raw.sort import Sorted
from clerestory.visit.about import Abouts


@dataclass(frozen=True)
class Taken:
    """One view's exposure: focal length in mm, f-number, seconds, ISO; chance (planned) or share of sharp frames; its
    light as expected or as the camera saw it."""

    focal: float | None
    f_number: float | None
    seconds: float | None
    iso: float | None
    sharp: float | None
    light: Light | None = None


@dataclass(frozen=True)
class Compared:
    """A visit's plan against its frames: per view, and how many sharp frames the plan's hands foretold."""

    title: str
    hands: Hands
    visit: Visit
    expected: float
    sharp: int
    judged: int
    views: tuple[tuple[str, Taken, Taken], ...]


def _planned_views(root: Path) -> dict[str, Taken]:
    """Settings by view from plan/plan.json; nothing where there is none that can be read."""
    out = {}
    try:
        views = json.loads((root / "plan" / "plan.json").read_text(encoding="utf-8"))["views"]
        for view in views:
            settings: Mapping[str, Any] = view["settings"]
            out[str(view["name"])] = Taken(
                float(view["framing"]["focal"]),
                float(view["focus"]["f_number"]),
                float(settings["seconds"]),
                float(settings["iso"]),
                float(settings["chance"]),
            )
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return {}
    return out


def _taken(view: View, found: Sorted, learned: Learned) -> Taken:
    info = found.seen[view.pick].info
    frames = set(view.frames)
    judged = [j.sharp for j in learned.judged if j.path in frames]
    share = sum(judged) / len(judged) if judged else None
    return Taken(info.focal_mm, info.f_number, info.seconds, info.iso, share, learned.light.get(view.pick))


def _expected(view: ViewTable) -> Light:
    stone = luminance(view.stone_cd_m2)
    glass = luminance(view.glass_cd_m2) if view.glass_cd_m2 is not None else math.nan
    return Light(stone, glass, math.nan, guessed=False)


def compare(root: Path, found: Sorted, abouts: Abouts, learned: Learned) -> Compared | None:
    """A visit's plan against its frames; None where it has none. How a view is known: `plan.taken`.

    UserError when its visit.toml cannot be read.
    """
    if not (root / "visit.toml").exists():
        return None
    visit = read_visit(root / "visit.toml")
    hands = visit.hands.hands
    stops = max(*(b.stabiliser_stops for b in visit.body), *(lens.stabiliser_stops for lens in visit.lens))
    expected_light = {view.name: _expected(view) for view in visit.view}
    planned = {
        name.casefold(): (name, replace(taken, light=expected_light.get(name)))
        for name, taken in _planned_views(root).items()
    }
    rows = []
    for view in found.views:
        hit = planned.get(taken_for(view.name, abouts.of(view.name), planned) or "")
        if hit is not None:
            rows.append((hit[0], hit[1], _taken(view, found, learned)))
    mine = [j for j in learned.judged if j.path in found.seen]
    expected = sum(hands.chance(j.seconds, j.equivalent_mm, stops) for j in mine)
    sharp = sum(j.sharp for j in mine)
    return Compared(visit.visit.title, hands, visit, expected, sharp, len(mine), tuple(rows))


def lights(compared: Sequence[Compared]) -> dict[str, Light]:
    """The light of planned views as the camera saw it, by name; of several visits the last counts."""
    return {name: taken.light for found in compared for name, _, taken in found.views if taken.light is not None}


def comparisons(
    visits: list[tuple[Path, Sorted, Abouts]], learned: Learned
) -> tuple[list[Compared], list[tuple[str, str]]]:
    """Every visit that has a plan, and the plans that could not be read, with the reason."""
    out, refused = [], []
    for root, found, abouts in visits:
        try:
            compared = compare(root, found, abouts, learned)
        except UserError as problem:
            refused.append((str(root / "visit.toml"), str(problem)))
            continue
        if compared is not None:
            out.append(compared)
    return out, refused
