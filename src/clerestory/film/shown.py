"""What a shot shows in place of a picture under a move, found and checked before anything is drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from clerestory.errors import UserError
from clerestory.film.account import read_made
from clerestory.film.distance import distances_of
from clerestory.film.exposures import exposures_of
from clerestory.film.merged import merged_of
from clerestory.film.model import Shot
from clerestory.film.moves import path_of
from clerestory.film.pairing import How, pairing_of
from clerestory.film.pictures import Picture, named_picture, raw_rendering, read_picture
from clerestory.film.scenes import Showing
from clerestory.film.section import section_of
from clerestory.film.standpoint import Planned, planned_of, standpoint_of
from clerestory.film.straightening import Straightening
from clerestory.film.walk import walk_of
from clerestory.visit.folder import VisitFolder

Known = TypeVar("Known")


@dataclass(frozen=True)
class Ask:
    """A shot's wish: the visit, the film's frame (width, height), the shot and its picture."""

    visit: Path
    size: tuple[int, int]
    shot: Shot
    picture: Picture
    earlier: str = ""
    """The picture of the shot before, by name."""

    @property
    def pixels(self) -> tuple[int, int]:
        """The picture's width and height."""
        return self.picture.width, self.picture.height


class LeftOutError(Exception):
    """Why a shot is left out, in words: what it needs is not known, and the film is whole without it."""


def _known(found: Known | str) -> Known:
    """What was found; `LeftOutError` with the words that stand in its place."""
    if isinstance(found, str):
        raise LeftOutError(found)
    return found


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
    return _known(standpoint_of(ask.visit, ask.picture, read_made(ask.visit, ask.picture), ask.shot.station))


def _walk(ask: Ask) -> Showing:
    name = ask.shot.walk_from or ask.earlier
    if not name:
        raise UserError('no shot comes before it to walk from; write walk_from = "..."')
    path = named_picture(ask.visit / "pictures", name)
    if path is None:
        raise UserError(f"there is no picture {name} to walk from")
    first, last = (
        _known(standpoint_of(ask.visit, picture, read_made(ask.visit, picture), station))
        for picture, station in ((read_picture(path), ""), (ask.picture, ask.shot.station))
    )
    return _known(walk_of(first, last, ask.shot.still))


def _planned(ask: Ask) -> Planned:
    return _known(planned_of(ask.visit, ask.picture, ask.shot.station))


def _distance(ask: Ask) -> Showing:
    return _known(distances_of(_planned(ask), ask.picture.kit, ask.shot.still))


def _focus(ask: Ask) -> Showing:
    made = read_made(ask.visit, ask.picture)
    return _known(section_of(_planned(ask), ask.picture, made, ask.shot.focus_m, ask.shot.still))


def _merge(ask: Ask) -> Showing:
    name, made = ask.picture.name, read_made(ask.visit, ask.picture)
    if made is None:
        raise UserError(f"how {name} was merged is not on record; finish it again")
    cut = path_of(ask.shot, ask.pixels, ask.size, 1).end
    folder = VisitFolder(ask.visit).taken
    try:
        return merged_of(folder, made, cut, ask.picture.path, ask.size, ask.shot.region, ask.shot.still)
    except UserError as error:
        raise UserError(f"the merge of {name} cannot be shown: {error}") from None


def _paired(ask: Ask) -> Showing:
    shot = ask.shot
    how: How = "beside" if shot.beside else "wipe" if shot.wipe else "older"
    name = getattr(shot, how)
    other = named_picture(ask.visit / "pictures", name)
    if other is None and how == "older":
        other = next((p for p in (ask.visit / "film" / name, ask.visit / name) if p.is_file()), None)
    if other is None:
        raise UserError(f"there is no picture {name} in pictures/{' or film/' if how == 'older' else ''}")
    called = read_picture(other).title or Path(name).stem.replace("-", " ")
    said = (shot.caption or ask.picture.title or ask.picture.name, shot.other or called)
    pairs = tuple((match.here, match.there) for match in shot.match)
    return pairing_of(
        how, ask.picture.path, other, ask.size, shot.towards or (0.5, 0.5), said, pairs, shot.still
    )  # fmt: skip


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
    "walk": _walk,
    "distance": _distance,
    "focus": _focus,
    "exposures": _exposures,
    "merge": _merge,
    "beside": _paired,
    "wipe": _paired,
    "older": _paired,
}


def showing_of(ask: Ask) -> Showing | None:
    """What a shot shows in place of a picture under a move; None where it is just that.

    `LeftOutError` where the shot is to be left out, UserError where it cannot be made; both say why.
    """
    make = _OF_KIND.get(ask.shot.kind)
    return make(ask) if make else None
