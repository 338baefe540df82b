"""Kit coverage: which views are possible with each bag, which lens adds most."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from clerestory.plan.framing import Aim, Framing, aims, frame
from clerestory.plan.model import BodyTable, LensTable, ViewTable, Visit

Outcome = Literal["possible", "too few pixels", "only stitched", "not possible"]  # the first two in one frame


@dataclass(frozen=True)
class Coverage:
    """What one bag gets: the best framing of each view by name (None where the view is not possible)."""

    bag: str
    best: dict[str, Framing | None]
    outcome: dict[str, Outcome]
    weight_g: float

    def named(self, *kinds: Outcome) -> list[str]:
        """Views with one of these outcomes."""
        return [view for view, kind in self.outcome.items() if kind in kinds]

    @property
    def share(self) -> float:
        """Share of the views possible in one frame with the pixels wanted."""
        return len(self.named("possible")) / len(self.outcome)


@dataclass(frozen=True)
class LensWorth:
    """Views lost (or left with too few pixels, or only stitched) when one lens stays at home and all others come."""

    lens: str
    lost: tuple[str, ...]


def outcome(view: ViewTable, framing: Framing | None) -> Outcome:
    """What a framing makes of a view."""
    if framing is None or framing.how == "no":
        return "not possible"
    if framing.how == "join":
        return "only stitched"
    return "possible" if framing.across >= view.pixels_across else "too few pixels"


_RANK: dict[Outcome, int] = {"not possible": 0, "only stitched": 1, "too few pixels": 2, "possible": 3}


def better(view: ViewTable, framings: Iterable[Framing]) -> Framing | None:
    """The framing that serves a view best: in one frame, with pixels enough, then with most pixels; None if none."""
    usable = [f for f in framings if f.how != "no"]
    if not usable:
        return None
    return max(usable, key=lambda f: (_RANK[outcome(view, f)], -f.frames, f.pixels))


class Framings:
    """Every view from every station through every lens of every body, worked out once."""

    def __init__(self, visit: Visit) -> None:
        self.visit = visit
        self.bodies: dict[str, BodyTable] = {b.name: b for b in visit.body}
        self.lenses: dict[str, LensTable] = {lens.name: lens for lens in visit.lens}
        self.views: dict[str, ViewTable] = {v.name: v for v in visit.view}
        self.aims: dict[str, dict[tuple[str, str], Aim]] = {b.name: aims(visit, b) for b in visit.body}
        self.all: list[Framing] = [
            frame(aimed, body, lens)
            for body in visit.body
            for aimed in self.aims[body.name].values()
            for lens in visit.lens
        ]

    def of(self, view: str, body: str, lenses: Iterable[str]) -> list[Framing]:
        """Framings of a view with one body and some lenses, from every station."""
        chosen = set(lenses)
        return [f for f in self.all if f.view == view and f.body == body and f.lens in chosen]

    def aim(self, framing: Framing) -> Aim:
        """The aim a framing was made from."""
        return self.aims[framing.body][framing.view, framing.station]

    def coverage(self, name: str, body: str, lenses: Iterable[str]) -> Coverage:
        """What a body with some lenses gets of the visit."""
        carried = tuple(lenses)
        best = {v.name: better(v, self.of(v.name, body, carried)) for v in self.visit.view}
        results = {v.name: outcome(v, best[v.name]) for v in self.visit.view}
        return Coverage(name, best, results, sum(self.lenses[lens].weight_g for lens in carried))


def bags(framings: Framings) -> list[Coverage]:
    """Coverage of every bag in the visit file, in its order."""
    return [framings.coverage(bag.name, bag.body, bag.lenses) for bag in framings.visit.bag]


def lens_worth(framings: Framings, body: str) -> list[LensWorth]:
    """For each lens, the views that suffer when it alone is left at home; most missed first."""
    everything = [lens.name for lens in framings.visit.lens]
    whole = framings.coverage("", body, everything)
    worth = []
    for lens in everything:
        without = framings.coverage("", body, [other for other in everything if other != lens])
        lost = [v for v, kind in whole.outcome.items() if _RANK[without.outcome[v]] < _RANK[kind]]
        worth.append(LensWorth(lens, tuple(lost)))
    return sorted(worth, key=lambda w: -len(w.lost))


def best_bag(coverages: list[Coverage]) -> Coverage:
    """The bag that gets most views; of equals the lighter, then the earlier in the file."""

    def worth(c: Coverage) -> tuple[int, int, float]:
        return len(c.named("possible")), len(c.named("too few pixels", "only stitched")), -c.weight_g

    return max(coverages, key=worth)
