"""A folder of frames into views: every file looked at in isolation, a bad one named with its reason."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path

from clerestory.errors import UserError
from clerestory.raw.group import View, group_frames
from clerestory.raw.inspect import Inspection
from clerestory.raw.kept import forget_others, inspect_kept
from clerestory.raw.suffixes import RAW_SUFFIXES, RENDERED_SUFFIXES
from clerestory.run.cluster import gathered
from clerestory.run.isolated import map_isolated

SECONDS = 60.0  # for one file; a 20-megapixel raw takes about a third of one
MEGABYTES = 2048  # beyond the program itself; a 20-megapixel raw takes some 350, more in proportion
_ASIDE = frozenset({".xmp", ".toml", ".txt", ".md", ".json", ".html", ".pdf", ".ini", ".db", ".thm", ".wav", ".mp4",
                    ".mov", ".avi", ".mts", ".sqlite", ".py", ".csv", ".geojson"})  # fmt: skip


@dataclass(frozen=True)
class Sorted:
    """A folder's views, the files that could not be used with the reason, and what was seen of each frame."""

    views: tuple[View, ...]
    refused: tuple[tuple[Path, str], ...]
    seen: Mapping[Path, Inspection] = field(repr=False, default_factory=dict)


def frame_files(folder: Path) -> list[Path]:
    """The files of a folder (not below it) that may be frames, by name. Hidden files and known companions are left.

    A rendered picture beside a raw of the same name is the camera's own preview of it and is left too.
    """
    try:
        files = sorted(p for p in folder.iterdir() if not p.name.startswith(".") and p.is_file())
    except NotADirectoryError as problem:
        raise UserError(f"{folder}: is a file; give the folder that holds your raw frames.") from problem
    except OSError as problem:
        raise UserError(f"{folder}: cannot be read ({problem.strerror}); give the folder that holds your raw "
                        "frames.") from problem  # fmt: skip
    raws = {p.stem.lower() for p in files if p.suffix.lower() in RAW_SUFFIXES}
    return [
        p
        for p in files
        if p.suffix.lower() not in _ASIDE and not (p.suffix.lower() in RENDERED_SUFFIXES and p.stem.lower() in raws)
    ]


def default_workers() -> int:
    """As many as there are cores, at most four: the disk feeds no more."""
    return max(1, min(4, os.cpu_count() or 1))


def _refusal(path: Path, reason: str) -> str:
    """A reason without the file's own name before it, which the caller prints anyway."""
    lead = f"{path}: "
    return reason.removeprefix(lead)


def sort_folder(
    folder: Path,
    progress: Callable[[int, int], None] | None = None,
    workers: int | None = None,
    earlier: Mapping[str, str] | None = None,
    memory: Path | None = None,
    executor: Executor | None = None,
) -> Sorted:
    """Look at every frame of a folder and put them into views; `progress(done, total)` hears of each.

    Never raises for a bad file: it is in `refused` with its reason, and the rest goes on. UserError when the folder
    itself cannot be read. `earlier` (file name to view) keeps names of views from an earlier sorting. `memory`: a
    folder in which what was seen is kept, so that a run broken off goes on and the next one is quick. `executor`:
    of a cluster whose workers see the folder; otherwise processes of this machine do the work.
    """
    files = frame_files(Path(folder))
    seen: dict[Path, Inspection] = {}
    refused: list[tuple[Path, str]] = []
    if progress is not None:
        progress(0, len(files))
    tasks = [(path, memory) for path in files]
    hands = min(workers or default_workers(), max(1, len(files)))
    if executor is None:
        outcomes = map_isolated(inspect_kept, tasks, hands, SECONDS, MEGABYTES)
    else:
        outcomes = gathered(executor, inspect_kept, tasks, (SECONDS, MEGABYTES))
    for done, outcome in enumerate(outcomes, 1):
        path = files[outcome.index]
        if outcome.value is not None:
            seen[path] = outcome.value
        else:
            refused.append((path, _refusal(path, outcome.reason)))
        if progress is not None:
            progress(done, len(files))
    if memory is not None:
        forget_others(memory, files)
    in_order = {path: seen[path] for path in files if path in seen}
    views = group_frames(list(in_order.values()), earlier)
    return Sorted(tuple(views), tuple(sorted(refused)), in_order)
