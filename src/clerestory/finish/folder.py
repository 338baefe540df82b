"""All the views of a folder to pictures: worker processes, one view each; goes on where it stopped; the report."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.store import sweep, write_atomic
from clerestory.finish import report
from clerestory.finish.export import ExportSet, stems
from clerestory.finish.job import Done, Job, Order, already_done, finish_view, job_of
from clerestory.finish.prepare import prepare
from clerestory.finish.recipe import Aspect, pick_gone, read_recipe
from clerestory.finish.truth import compared
from clerestory.raw.group import View
from clerestory.raw.sort import Sorted
from clerestory.run.cluster import gathered
from clerestory.run.pool import default_workers, map_pool
from clerestory.run.progress import OnProgress, counted, quiet
from clerestory.visit.about import About, Abouts, read_abouts
from clerestory.visit.folder import VisitFolder

AT_ONCE = 2  # views, where there are the cores: a merged one of 20 megapixels takes 2.5 GB


@dataclass
class Finished:
    """How a folder ended: what became of each view, and failures named with their reasons. `report`: its page."""

    done: list[Done]
    failures: list[tuple[str, str]]
    report: Path = Path()


def jobs_of(
    views: Sequence[View],
    folder: Path,
    order: Order,
    abouts: Abouts | None = None,
    planned: Mapping[str, Aspect] | None = None,
) -> Iterator[Job | Done]:
    """A job for each view; a Done with the reason where its recipe cannot be read. `planned`: aspects by view."""
    for view in views:
        try:
            recipe = read_recipe(folder / "recipes" / f"{view.name}.toml")
        except UserError as problem:
            yield Done(view.name, reason=str(problem))
            continue
        if gone := pick_gone(view, recipe):
            yield Done(view.name, reason=gone)
            continue
        about = abouts.of(view.name) if abouts else About()
        yield job_of(view, recipe, order, folder, about, (planned or {}).get(view.name))


def export_jobs(
    views: Sequence[View],
    folder: Path,
    asked: ExportSet,
    days: Mapping[str, str],
    chosen: Collection[str] | None = None,
    planned: Mapping[str, Aspect] | None = None,
) -> Iterator[Job | Done]:
    """A job for each chosen view (all of them when None) that exports it as a set asks; a Done with the reason where
    its recipe cannot be read. `views`: all of the visit, in order; `days`: when each was taken (year-month-day).
    """
    visit, abouts = VisitFolder(folder), read_abouts(folder / "about.toml")
    names = [view.name for view in views]
    called = stems(asked.named, names, {name: abouts.of(name) for name in names}, days)
    wanted = [view for view in views if chosen is None or view.name in chosen]
    for item in jobs_of(wanted, folder, asked.order(), abouts, planned):
        if isinstance(item, Done):
            yield item
            continue
        name = item.view.name
        own = item.recipe.aspect or (planned or {}).get(name)
        aspects = tuple(dict.fromkeys(own if a is None else a for a in item.order.aspects))
        yield replace(
            item,
            order=replace(item.order, aspects=aspects),
            pictures=visit.exports / asked.name,
            record=visit.exported / asked.name / f"{name}.json",
            stem=called[name],
            compare=False,
        )


def export_all(
    jobs: Sequence[Job | Done],
    workers: int,
    told: Callable[[Done], None],
    executor: Executor | None = None,
    on_progress: OnProgress = quiet,
) -> list[Done]:
    """Do the jobs of an export; how each view ended. `told` hears of each as it ends."""
    real = [item for item in jobs if isinstance(item, Job)]
    for folder in {job.pictures for job in real}:
        folder.mkdir(parents=True, exist_ok=True)
    return [*(i for i in jobs if isinstance(i, Done)), *finish_jobs(real, workers, told, executor, on_progress)]


def recipes_of_no_view(folder: Path, views: Sequence[str]) -> list[tuple[str, str]]:
    """Recipes whose view is not there, each with what to do."""
    told = f"there is no view of this name; views are {', '.join(views[:12])}{' and more' if len(views) > 12 else ''}"
    return [(f"recipes/{p.name}", f"{told}; rename or delete it") for p in VisitFolder(folder).recipes_of_none(views)]


def _work(job: Job) -> dict[str, Any]:
    try:
        return finish_view(job)
    except OSError as problem:
        where = problem.filename or job.pictures
        raise UserError(f"{where}: {problem.strerror or problem}; no half-written file was left.") from problem


def finish_jobs(
    jobs: Sequence[Job],
    workers: int,
    told: Callable[[Done], None],
    executor: Executor | None = None,
    on_progress: OnProgress = quiet,
) -> list[Done]:
    """Do all jobs in worker processes; `told` hears of each as it ends. A worker that dies costs its own view.

    `executor`: of a cluster whose workers see the same folders, instead of processes of this machine. `on_progress`
    hears of what comes before the first: compiling, once on a computer.
    """
    out = []
    waiting = []
    for job in jobs:
        account = already_done(job)
        if account is None:
            waiting.append(job)
        else:
            out.append(Done(job.view.name, account, kept=True))
            told(out[-1])
    tasks = [(job,) for job in waiting]
    if tasks and executor is None:
        prepare(on_progress, merged=any(len(job.view.frames) > 1 for job in waiting))
    try:
        outcomes = map_pool(_work, tasks, workers) if executor is None else gathered(executor, _work, tasks)
        with contextlib.closing(outcomes):  # no worker is left when this ends
            for outcome in outcomes:
                out.append(Done(waiting[outcome.index].view.name, outcome.value, outcome.reason))
                told(out[-1])
    except BaseException:
        if executor is None:
            for part in {p for job in waiting for p in (job.record.parent, job.pictures, job.pictures / "before")}:
                sweep(part, older_than=0)
        raise
    return out


def finish_sorted(
    folder: Path,
    found: Sorted,
    order: Order,
    workers: int | None = None,
    on_progress: OnProgress = quiet,
    executor: Executor | None = None,
    planned: Mapping[str, Aspect] | None = None,
) -> Finished:
    """Finish the views of a sorted folder; the report is still to be written. `planned`: aspects by view."""
    failures = [(str(path), reason) for path, reason in found.refused]
    failures += recipes_of_no_view(folder, [view.name for view in found.views])
    abouts = read_abouts(folder / "about.toml")
    items = list(jobs_of(found.views, folder, order, abouts, planned))
    jobs = [item for item in items if isinstance(item, Job)]
    done = [item for item in items if isinstance(item, Done)]
    if not items and not failures:
        raise UserError(f"{folder}: holds no frames that can be read; give the folder that holds your raw frames.")
    one_more = counted(on_progress, "Finishing views", len(jobs))
    done += finish_jobs(jobs, workers or default_workers(AT_ONCE), one_more, executor, on_progress)
    done.sort(key=lambda d: d.view)
    failures += [(d.view, d.reason) for d in done if d.account is None]
    return Finished(done, failures)


def write_report(folder: Path, result: Finished, truths: Mapping[str, Mapping[str, Any]], title: str) -> Path:
    """The HTML report, its numbers as JSON, and the contact sheet, in the folder's pictures/."""
    pictures = folder / "pictures"
    pictures.mkdir(parents=True, exist_ok=True)
    accounts = [d.account for d in result.done if d.account is not None]
    failures = result.failures
    first = []
    for account in accounts:
        name = report.shown_jpeg(account)
        if name is not None:
            first.append((account["view"], pictures / name))
    if first:
        write_atomic(pictures / "sheet.jpg", report.contact_sheet(first))
    lead = f"{len(accounts)} view{'' if len(accounts) == 1 else 's'} finished"
    lead += f"; not finished: {len(failures)}" if failures else ""
    text = report.page(title, lead, folder, accounts, truths, failures)
    write_atomic(pictures / "report.html", text.encode())
    numbers = {"views": accounts, "truth": dict(truths), "refused": failures}
    write_atomic(pictures / "report.json", json.dumps(numbers, indent=1, sort_keys=True).encode())
    return pictures / "report.html"


def report_again(folder: Path, views: Sequence[str], failures: list[tuple[str, str]]) -> Path:
    """The report and the contact sheet as `finish` writes them, from the accounts of pictures that are there."""
    done = []
    for view in views:
        try:
            account = json.loads((folder / ".clerestory" / "accounts" / f"{view}.json").read_text(encoding="utf-8"))
            names = [file["name"] for aspect in account["aspects"].values() for file in aspect["files"]]
        except (OSError, ValueError, KeyError, TypeError):
            continue
        if all((folder / "pictures" / name).is_file() for name in names):
            done.append(Done(view, account))
    truths = {d.view: told for d in done if d.account is not None and (told := compared(folder, d.account))}
    return write_report(folder, Finished(done, failures), truths, folder.resolve().name)
