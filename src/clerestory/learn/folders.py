"""Learning from whole folders: sorted, measured, set against their plans, and written for the next one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.store import in_words, write_atomic
from clerestory.learn.measure import Learned, learn
from clerestory.learn.page import learned_page
from clerestory.learn.planned import Compared, comparisons, lights
from clerestory.run.progress import OnProgress, quiet
from clerestory.visit.about import read_abouts
from clerestory.visit.index import sort_folder


@dataclass(frozen=True)
class LearnedVisits:
    """What was learned, each visit's plan set against its frames, what was written, what failed and why."""

    learned: Learned
    compared: Sequence[Compared]
    page: Path
    toml: Path
    failures: Sequence[tuple[str, str]]


def learn_folders(folders: Sequence[Path], into: Path, on_progress: OnProgress = quiet) -> LearnedVisits:
    """Learn from the frames of folders; writes learned.html and learned.toml `into` a folder (made if absent).

    UserError when they hold nothing to learn from, or the folder cannot be written to.
    """
    visits = [(f, sort_folder(f, on_progress), read_abouts(f / "about.toml")) for f in folders]
    found = learn([v[1] for v in visits], lambda done, total: on_progress("Measuring frames", done, total))
    if not found.judged and not found.noise:
        raise UserError(f"{folders[0]}: holds no raw frames to learn from; give folders of your own raw frames.")
    compared, refused = comparisons(visits, found)
    try:
        into.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise in_words(into, problem) from problem
    page, toml = into / "learned.html", into / "learned.toml"
    write_atomic(page, learned_page(found, compared, [f.resolve().name for f in folders]))
    write_atomic(toml, found.toml(lights(compared)))
    failures = [(str(p), why) for _, seen, _ in visits for p, why in seen.refused]
    failures += [(str(p), why) for p, why in found.refused] + refused
    return LearnedVisits(found, compared, page, toml, failures)
