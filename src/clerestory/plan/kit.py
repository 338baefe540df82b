"""Kit coverage: which views each bag gets, which lens adds most, what a join or a burst would save."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from clerestory.plan.framing import Aim, Framing, aims, frame
from clerestory.plan.model import BodyTable, LensTable, ViewTable, Visit

Outcome = Literal["had", "coarse", "joined", "not"]
WORDS = {
    "had": "in one frame",
    "coarse": "in one frame, but with fewer pixels than wanted",
    "joined": "only as a join of several frames",
    "not": "not at all",
}


@dataclass(frozen=True)
class Coverage:
    """What one bag gets: the best framing of each view by name (None where it cannot be had at all)."""

    bag: str
    best: dict[str, Framing | None]
    outcome: dict[str, Outcome]
    weight_g: float

    def named(self, *kinds: Outcome) -> list[str]:
        """Views with one of these outcomes."""
        return [view for view, kind in self.outcome.items() if kind in kinds]

    @property
    def share(self) -> float:
        """Share of the views had in one frame with the pixels wanted."""
        return len(self.named("had")) / len(self.outcome)


@dataclass(frozen=True)
class LensWorth:
    """Views lost (or made coarse or joined) when one lens stays at home and all others come."""

    lens: str
    lost: tuple[str, ...]


def outcome(view: ViewTable, framing: Framing | None) -> Outcome:
    """What a framing makes of a view."""
    if framing is None or framing.how == "no":
        return "not"
    if framing.how == "join":
        return "joined"
    return "had" if framing.across >= view.pixels_across else "coarse"


_RANK: dict[Outcome, int] = {"not": 0, "joined": 1, "coarse": 2, "had": 3}


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
    return max(coverages, key=lambda c: (len(c.named("had")), len(c.named("coarse", "joined")), -c.weight_g))
