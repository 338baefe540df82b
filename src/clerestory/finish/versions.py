"""Recipes kept by name: versions of one view, and sets of controls to be put on many. In versions.toml."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, TypeVar

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, model_validator

from clerestory.errors import UserError
from clerestory.files.names import folded
from clerestory.files.toml import model_of, read_text
from clerestory.finish.recipe import OF_ONE_VIEW, Recipe, numbers_on_one_line

VERSIONS = "versions.toml"
_HEAD = "# Recipes kept by name: [[version]] of one view, [[set]] of controls for many; from Finish.\n\n"
Name = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f]*\S[^\x00-\x1f]*$")]


class Version(BaseModel):
    """A view's recipe as it was when it was kept."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    view: str
    name: Name
    recipe: Recipe = Recipe()


class ControlSet(BaseModel):
    """Some controls, to be put on views."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: Name
    controls: Recipe

    @model_validator(mode="after")
    def _for_many(self) -> ControlSet:
        own = [n for n in OF_ONE_VIEW if getattr(self.controls, n)]
        if own:
            raise ValueError(f"{', '.join(own)}: belongs to one view's frames; leave it out of a set")
        if self.controls == Recipe():
            raise ValueError("a set without any control does nothing; write one")
        return self

    def values(self) -> dict[str, Any]:
        """The controls that it sets."""
        return self.controls.model_dump(mode="json", exclude_defaults=True, exclude_none=True)


class Versions(BaseModel):
    """All that a visit keeps by name."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    version: tuple[Version, ...] = ()
    set: tuple[ControlSet, ...] = ()

    @model_validator(mode="after")
    def _apart(self) -> Versions:
        for what, names in (("sets", [folded(s.name) for s in self.set]),
                            ("versions of one view", [(v.view, folded(v.name)) for v in self.version])):  # fmt: skip
            if len(set(names)) < len(names):
                raise ValueError(f"two {what} have one name; rename one of them")
        return self

    def of(self, view: str, name: str) -> Version:
        """A version of a view; UserError where there is none of that name."""
        return _found([v for v in self.version if v.view == view], name, f"{view} has no version")

    def set_of(self, name: str) -> ControlSet:
        """A set; UserError where there is none of that name."""
        return _found(self.set, name, "There is no set")

    def with_version(self, new: Version) -> Versions:
        """These with one more, in place of that view's of the same name."""
        kept = (v for v in self.version if (v.view, folded(v.name)) != (new.view, folded(new.name)))
        return Versions(version=(*kept, new), set=self.set)

    def with_set(self, new: ControlSet) -> Versions:
        """These with one more set, in place of that of the same name."""
        return Versions(version=self.version, set=(*(s for s in self.set if folded(s.name) != folded(new.name)), new))

    def without(self, view: str, name: str) -> Versions:
        """These less a version of a view, or, with no view, less a set."""
        versions = (v for v in self.version if (v.view, folded(v.name)) != (view, folded(name)))
        sets = (s for s in self.set if view or folded(s.name) != folded(name))
        return Versions(version=tuple(versions), set=tuple(sets))

    def text(self) -> str | None:
        """As TOML; None where there is nothing."""
        found = self.model_dump(mode="json", exclude_none=True, exclude_defaults=True)
        return _HEAD + numbers_on_one_line(tomli_w.dumps(found)) if found else None


Named = TypeVar("Named", Version, ControlSet)


def _found(among: Iterable[Named], name: str, none: str) -> Named:
    for one in among:
        if folded(one.name) == folded(name):
            return one
    raise UserError(f"{none} '{name}' any more; look at the list again.")


def read_versions(path: Path) -> Versions:
    """What a file keeps; nothing where there is none. `Mistakes` with every line that is wrong."""
    return versions_of(read_text(path), path)


def versions_of(text: str | None, path: Path) -> Versions:
    """What a TOML text keeps; `path` is for the message. `Mistakes` with every line that is wrong."""
    return Versions() if text is None else model_of(Versions, text, path)
