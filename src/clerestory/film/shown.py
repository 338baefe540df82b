"""What a shot shows in place of a picture under a move, found and checked before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path

from clerestory.errors import UserError
from clerestory.film.account import read_made
from clerestory.film.exposures import exposures_of
from clerestory.film.model import Shot
from clerestory.film.moves import path_of
from clerestory.film.pictures import Picture, raw_rendering
from clerestory.film.scenes import Showing
from clerestory.film.standpoint import standpoint_of
from clerestory.film.straightening import Straightening
from clerestory.visit.folder import VisitFolder


@dataclass(frozen=True)
class Ask:
    """A shot's wish: the visit, the film's frame (width, height), the shot and its picture."""

    visit: Path
    size: tuple[int, int]
    shot: Shot
    picture: Picture

    @property
    def pixels(self) -> tuple[int, int]:
        """The picture's width and height."""
        return self.picture.width, self.picture.height


class LeftOutError(Exception):
    """Why a shot is left out, in words: what it needs is not known, and the film is whole without it."""


def _straightening(ask: Ask) -> Showing:
    name = ask.picture.name
    made, rendering = read_made(ask.visit, ask.picture), raw_rendering(ask.visit / "pictures", ask.picture)
    if made is None or rendering is None:
        raise UserError(f"how {name} was straightened is not on record; finish it again")
    if not made.straightened:
        raise UserError(f'{name} was not straightened; write picture = "{name}" instead')
    cut = path_of(ask.shot, ask.pixels, ask.size, 1).end
    return Straightening(made, rendering, cut, ask.pixels, ask.size, 0, 0, ask.shot.still)


def _standpoint(ask: Ask) -> Showing:
    found = standpoint_of(ask.visit, ask.picture, read_made(ask.visit, ask.picture), ask.shot.station)
    if isinstance(found, str):
        raise LeftOutError(found)
    return found


def _exposures(ask: Ask) -> Showing:
    made = read_made(ask.visit, ask.picture)
    if made is None:
        found: Showing | str = "how it was made is not on record; finish it again"
    else:
        cut = path_of(ask.shot, ask.pixels, ask.size, 1).end
        found = exposures_of(VisitFolder(ask.visit).taken, made, cut, ask.pixels)
    if isinstance(found, str):
        raise UserError(f"the frames of {ask.picture.name} cannot be shown: {found}")
    return found


_OF_KIND: Mapping[str, Callable[[Ask], Showing]] = {
    "straightening": _straightening,
    "standpoint": _standpoint,
    "exposures": _exposures,
}


def showing_of(ask: Ask) -> Showing | None:
    """What a shot shows in place of a picture under a move; None where it is just that.

    `LeftOutError` where the shot is to be left out, UserError where it cannot be made; both say why.
    """
    make = _OF_KIND.get(ask.shot.kind)
    return make(ask) if make else None
