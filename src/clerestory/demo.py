"""The demo: an invented visit to an invented church, from its plan to its film, and set against the ground truth."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from clerestory import film, story
from clerestory.demo_film import write_demo_film
from clerestory.files.store import digest_of, write_atomic
from clerestory.files.wording import capital
from clerestory.finish.folder import Finished, finish_sorted, write_report
from clerestory.finish.job import Order
from clerestory.finish.prepare import preparing
from clerestory.finish.truth import compared
from clerestory.learn.folders import learn_folders
from clerestory.plan.run import make as make_plan
from clerestory.raw.sort import Sorted
from clerestory.run.progress import OnProgress, quiet
from clerestory.simulate.demo_plan import demo_plan
from clerestory.simulate.visit import SIZE, demo_of, demo_views, demo_visit
from clerestory.visit.about import About, Abouts, write_abouts
from clerestory.visit.folder import VisitFolder
from clerestory.visit.index import sort_folder

QUICK = (984, 738)  # a seventh of the pixels, of the same shape
QUICK_WITHOUT = ("blurred", "visitors", "join")  # kinds of views that take most frames


@dataclass(frozen=True)
class Demo:
    """What the demo made: the finished views, what the ground truth says of each, whether originals stayed, and the
    page that tells it all."""

    finished: Finished
    truths: Mapping[str, Mapping[str, str]]
    untouched: bool
    page: Path


def make_demo(folder: Path, workers: int | None = None, on_progress: OnProgress = quiet, quick: bool = False) -> Demo:
    """The demo visit: planned, photographed by the simulator, sorted, finished, set against the ground truth, filmed,
    and its plan set against what was measured. `quick`: frames of a seventh of the pixels, fewer views, each in its
    own shape alone, and a film of the pictures alone.
    """
    folder.mkdir(parents=True, exist_ok=True)
    what = "Photographing an invented church"
    without = QUICK_WITHOUT if quick else ()
    with preparing():  # the simulator's own loops are compiled in this process meanwhile
        plan_of_demo(folder)
        stage(on_progress, "Planning the visit")
        plan = make_plan(folder / "visit.toml", folder / "plan")
        size = QUICK if quick else SIZE
        demo_visit(folder, size, 1, lambda done, total, _: on_progress(what, done, total), without)
    before = originals(folder)
    found = sort_folder(folder, on_progress)
    words_of_demo(folder, found)
    finished = finish_sorted(folder, found, Order((None,) if quick else (None, "16:9")), workers, on_progress)
    truths = {d.view: compared(folder, d.account) for d in finished.done if d.account is not None}
    title = "Demo visit: an invented church, against the ground truth"
    finished.report = write_report(folder, finished, truths, title)
    if not quick:
        write_demo_film(folder)
    draft = not (folder / "film" / "film.toml").exists()
    filmed = film.make(folder, draft, preview=True, progress=lambda done, total: on_progress("Filming", done, total))
    learned = learn_folders([folder], folder, on_progress)
    untouched = originals(folder) == before
    names = titles(folder, found)
    told = story.Story(folder, plan, found, finished, truths, names, filmed, learned, untouched)
    write_atomic(folder / "story.html", story.story_page(told).encode())
    return Demo(finished, truths, untouched, folder / "story.html")


def stage(on_progress: OnProgress, what: str) -> None:
    """Say that something is done of which no share can be told."""
    on_progress(what, 0, None)


def plan_of_demo(folder: Path) -> None:
    """The demo's visit.toml, where there is none yet."""
    if not (folder / "visit.toml").exists():
        church, body, lens = demo_of()
        plan = demo_plan(church, body, lens, demo_views(church, body))
        write_atomic(folder / "visit.toml", plan.encode())


def titles(folder: Path, found: Sorted) -> dict[str, str]:
    """What the simulator called each view, by the name that sorting gave it."""
    record = json.loads((folder / "truth" / "visit.json").read_text(encoding="utf-8"))
    names = {frame["frame"]: frame["view"] for frame in record["frames"]}
    return {view.name: str(name) for view in found.views if (name := names.get(view.pick.name))}


def words_of_demo(folder: Path, found: Sorted) -> None:
    """The demo's about.toml, where there is none yet: its views are named as the simulator did."""
    if (folder / "about.toml").exists():
        return
    record = json.loads((folder / "truth" / "visit.json").read_text(encoding="utf-8"))
    views = {view: About(title=capital(name), planned=name) for view, name in titles(folder, found).items()}
    visit = About(place=record["building"], creator="A. N. Other", rights="No rights reserved; an invented place.")
    write_abouts(folder / "about.toml", Abouts(visit, views))


def originals(folder: Path) -> dict[str, str]:
    """Digests of a folder's frames by name."""
    return {p.name: digest_of(p) for p in sorted(VisitFolder(folder).taken.iterdir()) if p.is_file()}
