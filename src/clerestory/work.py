"""What the commands and the pages both call: whole-folder work, from frames to report."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, cast

import numpy as np

from clerestory.camera.camera import Camera
from clerestory.camera.crop import largest_room
from clerestory.camera.lens import Distortion
from clerestory.camera.noise import NoiseModel
from clerestory.camera.rectification import Straightening
from clerestory.develop.colour import working_from_camera
from clerestory.errors import UserError
from clerestory.files.store import digest_of, in_words, write_atomic
from clerestory.finish import report
from clerestory.finish.folder import AT_ONCE, Done, Job, Order, finish_jobs, jobs_of, noise_on_grey
from clerestory.finish.pipeline import ASPECT_RATIOS
from clerestory.finish.tone import working_noise
from clerestory.raw.sort import Sorted
from clerestory.raw.sort import sort_folder as sort_frames
from clerestory.run.pool import default_workers
from clerestory.visit.about import About, Abouts, read_abouts, write_abouts
from clerestory.visit.catalogue import Catalogue
from clerestory.visit.check import Difference, check
from clerestory.visit.folder import VisitFolder
from clerestory.visit.hand import arranged, read_hand
from clerestory.visit.importing import copy_in
from clerestory.visit.index import frame_row, sort_visit

if TYPE_CHECKING:
    from clerestory.film import FilmResult


class Bar(Protocol):
    """A progress display with tasks (rich's Progress is one)."""

    def add_task(self, description: str, *, total: float | None = ...) -> Any:
        """Begin a task."""
        ...

    def update(self, task_id: Any, *, total: float | None = ..., completed: float | None = ...) -> None:
        """Move a task on."""
        ...


@dataclass
class Result:
    """How a folder ended: accounts of the views, failures named with their reasons, the report, lines to print."""

    done: list[Done]
    failures: list[tuple[str, str]]
    report: Path = Path()
    lines: list[str] = field(default_factory=list)


def frames_folder(folder: Path) -> Path:
    """Where the frames of a folder lie: its frames/ when it has one, else the folder itself."""
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; give the folder that holds your raw frames.")
    return VisitFolder(folder).taken


def sort_folder(folder: Path, bar: Bar, executor: Executor | None = None) -> Sorted:
    """Sort the frames of a folder, telling progress. A visit's catalogue is written anew; names of views stay.

    Views that a person put together (views.toml) are as that person put them.
    """
    frames = frames_folder(folder)
    task = bar.add_task("Reading frames", total=None)

    def told(done: int, total: int) -> None:
        bar.update(task, completed=done, total=total)

    if frames != folder:
        found = sort_visit(VisitFolder.open(folder), told, executor=executor)
    else:
        found = sort_frames(folder, told, memory=folder / ".clerestory" / "looks", executor=executor)
    rows = {path: frame_row(path, "", seen, "") for path, seen in found.seen.items()}
    return replace(found, views=arranged(found.views, read_hand(folder), rows))


def import_card(
    folder: Path, card: Path, second: Path | None, bar: Bar, said: Callable[[str], None]
) -> list[tuple[str, str]]:
    """Copy a card's frames into a visit's folder (made if absent), verified; what was not copied, with reasons."""
    task = bar.add_task("Copying and reading back", total=None)
    result = copy_in(
        card,
        VisitFolder.create(folder),
        second,
        lambda done, total: bar.update(task, completed=done, total=total),
    )
    said(f"{len(result.copied)} frames copied and verified; {len(result.already)} were already there.")
    if result.left:
        said(f"Left on the card, as they are no frames: {', '.join(p.name for p in result.left)}.")
    return [(str(path), reason) for path, reason in result.refused]


def make_film(folder: Path, draft: bool, preview: bool, size: str, bar: Bar) -> FilmResult:
    """Make a visit's film, telling progress in frames."""
    from clerestory.film import make

    if size not in ("1080p", "2160p"):
        raise UserError(f"--size: '{size}' is not known; choose 1080p or 2160p.")
    task = bar.add_task("Filming", total=None)
    return make(
        folder, draft, preview, cast(Any, size), lambda done, total: bar.update(task, completed=done, total=total)
    )


def learn_folders(folders: Sequence[Path], into: Path | None, bar: Bar) -> tuple[list[str], list[tuple[str, str]]]:
    """What the frames of sorted folders say of hands, camera and lenses: learned.html and learned.toml, written
    `into` a folder (the first one's when None). Lines to print, and what could not be used with the reason."""
    from clerestory.learn import comparisons, learn, learned_page, lights

    into = into or folders[0]
    visits = [(f, sort_folder(f, bar), read_abouts(f / "about.toml")) for f in folders]
    task = bar.add_task("Measuring frames", total=None)
    learned = learn([v[1] for v in visits], lambda done, total: bar.update(task, total=total, completed=done))
    if not learned.judged and not learned.noise:
        raise UserError(f"{folders[0]}: holds no raw frames to learn from; give folders of your own raw frames.")
    compared, refused = comparisons(visits, learned)
    try:
        into.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise in_words(into, problem) from problem
    write_atomic(into / "learned.html", learned_page(learned, compared, [f.resolve().name for f in folders]))
    write_atomic(into / "learned.toml", learned.toml(lights(compared)))
    lines = learned.lines()
    lines.append(f"{into / 'learned.html'}; for the next plan: {into / 'learned.toml'}")
    failures = [(str(p), why) for _, found, _ in visits for p, why in found.refused]
    return lines, failures + [(str(p), why) for p, why in learned.refused] + refused


def catalogue_text(folder: Path, form: str) -> str:
    """A visit's catalogue as CSV (RFC 4180) or JSON; sorted first where there is none yet."""
    if form not in ("csv", "json"):
        raise UserError(f"--form: '{form}' is not known; choose csv or json.")
    visit = VisitFolder.open(folder)
    if not visit.catalogue.exists():
        if not visit.frames.is_dir():
            raise UserError(f"{folder}: has no catalogue, as it is no visit: it has no folder frames/.")
        sort_visit(visit)
    with Catalogue(visit.catalogue) as catalogue:
        return catalogue.as_csv() if form == "csv" else catalogue.as_json()


def check_folder(folder: Path, bar: Bar) -> list[Difference]:
    """Everything in a visit's folder that differs from what it should be."""
    task = bar.add_task("Checking files", total=None)
    count = 0

    def told(_: Path) -> None:
        nonlocal count
        count += 1
        bar.update(task, completed=count)

    return check(VisitFolder.open(folder), told)


def order_of(aspects: Sequence[str | None], tiff: bool, space: str, better: bool, long_edge: int | None) -> Order:
    """The order a person's options amount to."""
    if space not in ("srgb", "display-p3"):
        raise UserError(f"--space: '{space}' is not known; choose srgb or display-p3.")
    kinds = ("jpeg", "tiff") if tiff else ("jpeg",)
    return Order(cast(Any, tuple(aspects)), cast(Any, kinds), space, "better" if better else "fast", long_edge)


def finish_folder(
    folder: Path, order: Order, workers: int | None, bar: Bar, executor: Executor | None = None
) -> Result:
    """Sort and finish a folder and write its report; what fails is named and the rest goes on."""
    found = sort_folder(folder, bar, executor)
    with VisitFolder(folder).writing("finish"):
        result = finish_sorted(folder, found, order, workers, bar, executor)
        result.report = write_report(folder, result, {}, folder.resolve().name)
    return result


def finish_sorted(
    folder: Path, found: Sorted, order: Order, workers: int | None, bar: Bar, executor: Executor | None = None
) -> Result:
    """Finish the views of a sorted folder; the report is still to be written."""
    failures = [(str(path), reason) for path, reason in found.refused]
    jobs: list[Job] = []
    done: list[Done] = []
    for item in jobs_of(found.views, folder, order, read_abouts(folder / "about.toml")):
        if isinstance(item, Job):
            jobs.append(item)
        else:
            done.append(item)
    if not jobs and not failures and not done:
        raise UserError(f"{folder}: holds no frames that can be read; give the folder that holds your raw frames.")
    task = bar.add_task("Finishing views", total=len(jobs))
    count = 0

    def told(_: Done) -> None:
        nonlocal count
        count += 1
        bar.update(task, completed=count)

    done += finish_jobs(jobs, workers or default_workers(AT_ONCE), told, executor)
    done.sort(key=lambda d: d.view)
    failures += [(d.view, d.reason) for d in done if d.account is None]
    return Result(done, failures)


def write_report(folder: Path, result: Result, truths: Mapping[str, Mapping[str, Any]], title: str) -> Path:
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
    lead = f"{len(accounts)} views finished" + (f", {len(failures)} files or views not" if failures else "")
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
    return write_report(folder, Result(done, failures), truths, folder.resolve().name)


def make_demo(folder: Path, workers: int | None, bar: Bar) -> Result:
    """The demo visit: photographed by the simulator, sorted, finished, and set against the ground truth."""
    from clerestory.simulate.visit import demo_visit

    task = bar.add_task("Photographing an invented church", total=None)
    folder.mkdir(parents=True, exist_ok=True)
    demo_visit(folder, on_frame=lambda done, total, _: bar.update(task, completed=done, total=total))
    before = originals(folder)
    found = sort_folder(folder, bar)
    words_of_demo(folder, found)
    order = order_of((None, "16:9"), False, "srgb", False, None)
    result = finish_sorted(folder, found, order, workers, bar)
    truths = {d.view: compared(folder, d.account) for d in result.done if d.account is not None}
    title = "Demo visit: an invented church, against the ground truth"
    result.report = write_report(folder, result, truths, title)
    result.lines = [_line(d.account, truths[d.view]) for d in result.done if d.account is not None]
    same = originals(folder) == before
    result.lines.append("The originals are untouched." if same else "AN ORIGINAL CHANGED: this is a fault of ours.")
    return result


def words_of_demo(folder: Path, found: Sorted) -> None:
    """The demo's visit.toml and about.toml, where there are none yet: its views are named as the simulator did."""
    from clerestory.simulate.demo_plan import demo_plan
    from clerestory.simulate.visit import demo_of, demo_views

    if not (folder / "visit.toml").exists():
        church, body, lens = demo_of()
        plan = demo_plan(church, body, lens, demo_views(church, body))
        write_atomic(folder / "visit.toml", plan.encode())
    if (folder / "about.toml").exists():
        return
    record = json.loads((folder / "truth" / "visit.json").read_text(encoding="utf-8"))
    names = {frame["frame"]: frame["view"] for frame in record["frames"]}
    views = {
        view.name: About(title=name[:1].upper() + name[1:])
        for view in found.views
        if (name := names.get(view.pick.name))
    }
    visit = About(place=record["building"], creator="A. N. Other", rights="No rights reserved; an invented place.")
    write_abouts(folder / "about.toml", Abouts(visit, views))


def originals(folder: Path) -> dict[str, str]:
    """Digests of a folder's frames by name."""
    return {p.name: digest_of(p) for p in sorted(frames_folder(folder).iterdir()) if p.is_file()}


def _line(account: Mapping[str, Any], truth: Mapping[str, str]) -> str:
    own = account["aspects"].get("own", {})
    left = truth.get("tilt_left", "")
    count = len(account["frames"])
    frames = f"{count} frame{' ' if count == 1 else 's'}"
    return (
        f"{account['view']:10} {account['kind']:8} {frames}   {report.VERDICTS[account['verdict']]:10}"
        f" {left:30} kept {100 * own.get('kept', 0):5.1f} %"
    )


def _compared_join(folder: Path, account: Mapping[str, Any]) -> dict[str, str]:
    """The lean of a joined view by each of its frames' true vertical, carried to the picture's axes."""
    leans = []
    for name, rotation in zip(account["merge"]["frames"], account["merge"]["rotations"], strict=True):
        truth = json.loads((folder / "truth" / (Path(name).stem + ".truth.json")).read_text(encoding="utf-8"))
        leans.append(report.angle_between(np.asarray(rotation).T @ np.asarray(truth["up"]), account["up"]))
    worst = max(leans)
    return {
        "vertical": f"off by {worst:.3f}° in the worst of {len(leans)} frames",
        "tilt_left": f"{worst:.3f}° off the true vertical",
    }


def _true_noise(account: Mapping[str, Any], truth: Mapping[str, Any]) -> str:
    """The noise on mid grey that the simulator's own model gives the view: of one frame, or of the mean of as many as
    the merge put behind a typical place."""
    merge, body = account["merge"], truth["camera"]
    behind = float(merge.get("frames_behind_a_place", 1.0))
    noise = NoiseModel(tuple(truth["noise"]["gain"]), tuple(truth["noise"]["read"])).averaged(behind)
    span = (body["white"] - body["black"]) * 2.0 ** merge.get("stops_gained_above", 0.0)
    r, g, b = (m / min(account["multipliers"]) for m in account["multipliers"])
    shown = working_noise(noise, span, (r, g, b), working_from_camera(np.array(body["xyz_to_camera"])))
    stops = noise_on_grey(shown, account["tone"]["exposure"])
    return f"{stops:.2f} stops" + (f" for {behind:.1f} frames averaged" if behind > 1 else "")


def compared(folder: Path, account: Mapping[str, Any]) -> dict[str, str]:
    """What the ground truth says of a finished view, in words, by the report's rows."""
    path = folder / "truth" / (Path(account["pick"]).stem + ".truth.json")
    try:
        truth = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    if "rotations" in account["merge"]:
        return _compared_join(folder, account)
    pose = truth["pose"]
    error = report.angle_between(account["up"], truth["up"])
    out = {
        "lean_before": report.held(pose["pitch_deg"], pose["roll_deg"]),
        "vertical": f"off by {error:.3f}°",
        "tilt_left": f"{error:.3f}° off the true vertical" if account["plumb"] > 0 else "left as shot",
        "clipped": f"{100 * truth['clipped_share']:.1f} % of raw pixels",
    }
    if account["noise"]:
        out["noise"] = _true_noise(account, truth)
    told = truth["intrinsics"]
    camera = Camera(**{**told, "distortion": Distortion(**told["distortion"])})
    pitch, roll, yaw = (math.radians(a) for a in (pose["pitch_deg"], pose["roll_deg"], account["swing"]))
    turn = Straightening(pitch, roll, account["plumb"], yaw)
    for name in account["aspects"]:
        aspect = camera.width / camera.height if name == "own" else ASPECT_RATIOS[name]
        kept = largest_room(camera, turn, aspect).kept
        out[f"kept {name}"] = f"{100 * kept:.1f} % by the true pose"
    return out
