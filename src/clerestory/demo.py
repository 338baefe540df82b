"""The demo: an invented visit to an invented church, finished, and set against the ground truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from clerestory.files.store import digest_of, write_atomic
from clerestory.finish.folder import Finished, finish_sorted, write_report
from clerestory.finish.job import Order
from clerestory.finish.truth import compared
from clerestory.raw.sort import Sorted
from clerestory.run.progress import OnProgress, quiet
from clerestory.simulate.demo_plan import demo_plan
from clerestory.simulate.visit import demo_of, demo_views, demo_visit
from clerestory.visit.about import About, Abouts, write_abouts
from clerestory.visit.folder import VisitFolder
from clerestory.visit.index import sort_folder


@dataclass(frozen=True)
class Demo:
    """What the demo made: the finished views, what the ground truth says of each, and whether originals stayed."""

    finished: Finished
    truths: Mapping[str, Mapping[str, str]]
    untouched: bool


def make_demo(folder: Path, workers: int | None = None, on_progress: OnProgress = quiet) -> Demo:
    """The demo visit: photographed by the simulator, sorted, finished, and set against the ground truth."""
    folder.mkdir(parents=True, exist_ok=True)
    what = "Photographing an invented church"
    demo_visit(folder, on_frame=lambda done, total, _: on_progress(what, done, total))
    before = originals(folder)
    found = sort_folder(folder, on_progress)
    words_of_demo(folder, found)
    finished = finish_sorted(folder, found, Order((None, "16:9")), workers, on_progress)
    truths = {d.view: compared(folder, d.account) for d in finished.done if d.account is not None}
    title = "Demo visit: an invented church, against the ground truth"
    finished.report = write_report(folder, finished, truths, title)
    return Demo(finished, truths, originals(folder) == before)


def words_of_demo(folder: Path, found: Sorted) -> None:
    """The demo's visit.toml and about.toml, where there are none yet: its views are named as the simulator did."""
    if not (folder / "visit.toml").exists():
        church, body, lens = demo_of()
        plan = demo_plan(church, body, lens, demo_views(church, body))
        write_atomic(folder / "visit.toml", plan.encode())
    if (folder / "about.toml").exists():
        return
    record = json.loads((folder / "truth" / "visit.json").read_text(encoding="utf-8"))
    names = {frame["frame"]: frame["view"] for frame in record["frames"]}
    views = {
        view.name: About(title=name[:1].upper() + name[1:], planned=name)
        for view in found.views
        if (name := names.get(view.pick.name))
    }
    visit = About(place=record["building"], creator="A. N. Other", rights="No rights reserved; an invented place.")
    write_abouts(folder / "about.toml", Abouts(visit, views))


def originals(folder: Path) -> dict[str, str]:
    """Digests of a folder's frames by name."""
    return {p.name: digest_of(p) for p in sorted(VisitFolder(folder).taken.iterdir()) if p.is_file()}
