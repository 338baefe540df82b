"""Clerestory from Python: what the commands and the pages themselves call.

    import clerestory as cl

    frame = cl.open_frame("frames/P1.dng")              # one raw frame
    vertical = cl.vertical_of("frames/P1.dng")          # which way is up in it, and how surely
    source = cl.merge_frames(["P1.dng", "P2.dng"], kind="burst")
    picture = cl.finish_picture(source, cl.Recipe(window_hold=3.0))
    cl.write_picture(picture, "nave.jpg")
    cl.finish_visit("visit")                            # a whole folder, with its report

Files and folders are paths or their text. Arrays are float32, linear, scene-referred RGB, H x W x 3, in Rec. 2020
primaries, unless said otherwise; angles in degrees at this surface, lengths in metres, focal lengths in millimetres,
exposure in stops. What a user can put right raises `UserError` with one clear sentence. Nothing here writes to an
original. Each function loads what it needs when it is first called, so that importing costs next to nothing.

Sorting, finishing, exporting and learning start processes, which read the calling script again: let a script begin
under `if __name__ == "__main__":`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from clerestory.errors import UserError
from clerestory.run.progress import OnProgress, counted, quiet

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from clerestory.demo import Demo
    from clerestory.film import FilmResult
    from clerestory.film.parts import Codec
    from clerestory.film.produce import Shape, Size
    from clerestory.finish.export import ExportSet
    from clerestory.finish.folder import Finished
    from clerestory.finish.job import Order
    from clerestory.finish.pipeline import Picture
    from clerestory.finish.recipe import Aspect, Recipe
    from clerestory.finish.source import Source
    from clerestory.learn import LearnedVisits
    from clerestory.plan.run import PlanResult
    from clerestory.raw.frame import Frame
    from clerestory.raw.group import Kind, View
    from clerestory.raw.sort import Sorted
    from clerestory.vertical.result import Vertical
    from clerestory.visit.check import Difference
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.importing import Imported
    from clerestory.visit.keep import Kept

Anywhere = str | Path


# ---- one frame, one view


def open_frame(path: Anywhere) -> Frame:
    """A raw frame: `info`, what its file says; `mosaic`, its raw values (uint16 H x W) with black and white levels.

    UserError for a file that is damaged, no raw frame, or of a sensor that no picture can be made of yet.
    """
    from clerestory.raw.frame import open_frame as opened

    return opened(Path(path))


def linear_rgb(path: Anywhere, denoise: float = 1.0) -> NDArray[np.float32]:
    """A frame developed: linear Rec. 2020 RGB, float32 H x W x 3, as held; 1.0 where the least amplified raw channel
    saturates. Defects corrected, white balance as shot, noise reduced by the share `denoise`; nothing toned, nothing
    straightened. UserError as `open_frame`.
    """
    from clerestory.finish.pipeline import look
    from clerestory.finish.recipe import Recipe
    from clerestory.finish.source import full_size, read_source

    source = read_source(Path(path))
    seen = look(source, Recipe())
    return full_size(source, seen.multipliers, denoise, "fast", lambda _: None)


def vertical_of(path: Anywhere) -> Vertical:
    """Which way is up in a frame: `up` (unit vector in camera axes), `bound_deg` (95 %), `verdict`, and why."""
    from clerestory.finish.pipeline import look
    from clerestory.finish.recipe import Recipe
    from clerestory.finish.source import read_source

    return look(read_source(Path(path)), Recipe()).vertical


def merge_frames(paths: Sequence[Anywhere], kind: Kind = "burst", pick: int = 0) -> Source:
    """Several frames as one: 'burst' (noise averaged), 'bracket' (stepped exposures), 'clear' (visitors taken out) or
    'panorama' (turned about one spot, joined). `pick`: the frame whose geometry stands. Where the frames cannot be
    merged, the pick alone, with the reason among `remarks`. One path gives that frame.
    """
    from clerestory.finish.sources import source_of
    from clerestory.raw.group import View

    frames = tuple(Path(path) for path in paths)
    if not frames:
        raise UserError("No frames to merge; give at least one path.")
    return source_of(View(frames[pick].stem, kind if len(frames) > 1 else "single", frames, frames[pick], "by hand"))


def finish_picture(source: Source | Anywhere, recipe: Recipe | None = None, aspect: Aspect | None = None) -> Picture:
    """A finished picture in memory: straightened, toned, sharpened, cropped; `rgb` is display-linear Rec. 2020.

    `recipe`: the controls that are set; what it leaves out is chosen as the commands choose it. `aspect`: of the
    crop, over the recipe's.
    """
    from clerestory.finish.pipeline import look, pictures
    from clerestory.finish.recipe import Recipe
    from clerestory.finish.source import read_source

    given = read_source(Path(source)) if isinstance(source, str | Path) else source
    asked = recipe or Recipe()
    return pictures(look(given, asked), asked, (aspect or asked.aspect,))[0]


def write_picture(picture: Picture, path: Anywhere, space: Literal["srgb", "display-p3", "rec2020"] = "srgb") -> Path:
    """Write a finished picture, whole or not at all, with its colour told; by its ending .jpg (8 bits), .tif (16),
    .avif or .jxl (10; the last in sRGB only)."""
    from clerestory.files.store import write_atomic
    from clerestory.finish.write import encoded

    target = Path(path)
    kinds = {".jpg": "jpeg", ".jpeg": "jpeg", ".tif": "tiff", ".tiff": "tiff", ".avif": "avif", ".jxl": "jxl"}
    if target.suffix.lower() not in kinds:
        raise UserError(f"{target}: pictures are written as .jpg, .tif, .avif or .jxl; choose one of these endings.")
    write_atomic(target, encoded(picture.rgb, kinds[target.suffix.lower()], space))
    return target


# ---- a visit


def plan_visit(file: Anywhere, into: Anywhere | None = None, on_progress: OnProgress = quiet) -> PlanResult:
    """Plan a visit: works out sun, standing points, kit, exposure and timetable from a visit.toml, and writes the
    report, the field card (PDF and phone), the calendar and the numbers; `plan` of the result is the plan itself.

    `into`: where they go; plan/ beside the file when None. UserError names what is wrong in the file, and its line.
    """
    from clerestory.plan.run import make

    path = Path(file)
    path = path / "visit.toml" if path.is_dir() else path

    def told(what: str, share: float) -> None:
        on_progress(what, round(100 * share), 100)

    return make(path, path.parent / "plan" if into is None else Path(into), told)


def plan_in_full(file: Anywhere, into: Anywhere) -> Path:
    """Write the text of a visit.toml with all that its [church] leaves to be assumed (rooms, windows, points to stand
    at, views) as tables of its own, into the file `into`; the plan it gives is the same. UserError as `plan_visit`,
    and where a file of that name is there already.
    """
    from clerestory.files.toml import read_text
    from clerestory.plan.in_full import in_full
    from clerestory.plan.model import read_visit
    from clerestory.plan.run import write

    path, target = Path(file), Path(into)
    path = path / "visit.toml" if path.is_dir() else path
    if target.exists():
        raise UserError(f"{target}: there is already a file; choose another name or move it away first")
    visit = read_visit(path)
    write(target, in_full(read_text(path) or "", visit).encode())
    return target


def import_card(
    card: Anywhere, folder: Anywhere, second: Anywhere | None = None, on_progress: OnProgress = quiet
) -> Imported:
    """Copy a card's frames into a visit's folder (made if absent) and, where asked, to a second place; each copy is
    read back and its digest kept. Which were copied, were there already, were left, or could not be copied and why.
    """
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.importing import copy_in

    def told(done: int, total: int) -> None:
        on_progress("Copying and reading back", done, total)

    return copy_in(Path(card), VisitFolder.create(Path(folder)), None if second is None else Path(second), told)


def sort_visit(folder: Anywhere, on_progress: OnProgress = quiet, executor: Executor | None = None) -> Sorted:
    """The frames of a folder grouped into views, with the pick of each and why; files that are no frames, with the
    reason. `executor`: of a cluster whose workers see the same folder, instead of this machine's processes.
    """
    from clerestory.visit.index import sort_folder

    return sort_folder(Path(folder), on_progress, executor)


def order(
    aspects: Sequence[str | None] = (None,),
    tiff: bool = False,
    space: str = "srgb",
    better: bool = False,
    long_edge: int | None = None,
) -> Order:
    """What is asked of a visit's pictures. `aspects`: None for the frame's own, else as in a recipe; `better`:
    slower, finer noise reduction; `long_edge`: pixels of the longer side at most. UserError for an unknown word.
    """
    from clerestory.finish.job import order_of

    return order_of(aspects, tiff, space, better, long_edge)


def finish_visit(
    folder: Anywhere,
    asked: Order | None = None,
    workers: int | None = None,
    on_progress: OnProgress = quiet,
    executor: Executor | None = None,
) -> Finished:
    """Sort a folder's frames, finish each view, write pictures, contact sheet and report. What fails is named among
    `failures` and the rest goes on; what was finished before and still holds is kept.
    """
    from clerestory.finish.folder import finish_sorted, write_report
    from clerestory.finish.job import Order
    from clerestory.plan.taken import planned_aspects
    from clerestory.visit.about import read_abouts
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.index import sort_folder

    root = Path(folder)
    found = sort_folder(root, on_progress, executor)
    planned = planned_aspects(root, found.views, read_abouts(root / "about.toml"))
    with VisitFolder(root).writing("finish"):
        finished = finish_sorted(root, found, asked or Order(), workers, on_progress, executor, planned)
        finished.report = write_report(root, finished, {}, root.resolve().name)
    return finished


def export_sets(folder: Anywhere) -> tuple[ExportSet, ...]:
    """The sets for exported pictures that a visit's exports.toml holds; none where there is no such file."""
    from clerestory.finish.export import read_sets

    return read_sets(Path(folder)).set


def keep_export_set(folder: Anywhere, asked: ExportSet) -> Path:
    """Write a set into a visit's exports.toml, in the place of one of its name; the file."""
    from clerestory.finish.export import SETS, read_sets, write_sets

    root = Path(folder)
    write_sets(root, read_sets(root).with_set(asked))
    return root / SETS


def export_visit(
    folder: Anywhere,
    asked: ExportSet | str,
    views: Sequence[str] | None = None,
    workers: int | None = None,
    on_progress: OnProgress = quiet,
    executor: Executor | None = None,
) -> Finished:
    """Export a visit's pictures into exports/, in a folder of the set's name: `asked`, or the set of that name in
    exports.toml. `views`: only these. What was exported before and still holds is kept.
    """
    from clerestory.finish.export import SETS, read_sets
    from clerestory.finish.folder import AT_ONCE, Finished, export_all, export_jobs
    from clerestory.plan.taken import planned_aspects
    from clerestory.run.pool import default_workers
    from clerestory.visit.about import read_abouts
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.index import sort_folder

    root = Path(folder)
    found = read_sets(root).find(asked) if isinstance(asked, str) else asked
    if found is None:
        names = ", ".join(one.name for one in read_sets(root).set)
        raise UserError(f"{root / SETS}: there is no set '{asked}'{f'; there are {names}' if names else ''}.")
    seen = sort_folder(root, on_progress, executor)
    _chosen(seen.views, views or ())
    times = {view.name: seen.seen[view.pick].info.time for view in seen.views}
    days = {name: time.date().isoformat() for name, time in times.items() if time is not None}
    planned = planned_aspects(root, seen.views, read_abouts(root / "about.toml"))
    jobs = list(export_jobs(seen.views, root, found, days, views, planned))
    one_more = counted(on_progress, "Exporting views", len(jobs))
    with VisitFolder(root).writing("finish"):
        done = export_all(jobs, workers or default_workers(AT_ONCE), one_more, executor, on_progress)
    failures = [(d.view, d.reason) for d in done if d.account is None]
    return Finished(done, failures, VisitFolder(root).exports / found.name)


def _chosen(views: Sequence[View], names: Sequence[str]) -> list[View]:
    """The views of these names, all where none is named; UserError for a name that none has."""
    known = [view.name for view in views]
    if unknown := [name for name in names if name not in known]:
        raise UserError(f"There is no view {unknown[0]}; choose from {', '.join(known[:12])}"
                        f"{' and more' if len(known) > 12 else ''}.")  # fmt: skip
    return [view for view in views if not names or view.name in names]


def print_visit(
    folder: Anywhere, paper: str = "a4", sheet: bool = True, pages: bool = True, on_progress: OnProgress = quiet
) -> Path:
    """Write a visit's finished pictures as a PDF to print, a contact sheet and a page each with its words; where it
    lies. `paper`: a5, a4, a3, letter or tabloid, lying. UserError for another, and where nothing is finished yet.
    """
    from clerestory.finish.paper import print_pictures

    return print_pictures(Path(folder), paper, sheet, pages, on_progress)


def write_dng(
    folder: Anywhere, views: Sequence[str] = (), upright: bool = False, on_progress: OnProgress = quiet
) -> tuple[list[Path], list[tuple[str, str]]]:
    """Write the light of a visit's views (all, or those named) as DNG beside its pictures, for other programs to go
    on from: as a mosaic where it still is one, with colour matrix, noise and lens; `upright`: straightened and
    cropped, as linear colour. Returns the files, and what failed with the reason. UserError for an unknown view.
    """
    from clerestory.finish.negative import negatives_of
    from clerestory.visit.folder import VisitFolder

    root = Path(folder)
    found = sort_visit(root, on_progress).views
    with VisitFolder(root).writing("finish"):
        return negatives_of(root, _chosen(found, views), upright, on_progress)


def make_film(
    folder: Anywhere,
    draft: bool = False,
    preview: bool = False,
    size: Size = "1080p",
    on_progress: OnProgress = quiet,
    shape: Shape = "wide",
    codec: Codec = "h264",
) -> FilmResult:
    """Make a visit's film of its finished pictures, with captions, chapters, sound and a timeline for any editor.

    `draft`: write film.toml from the pictures first. `preview`: a quarter of the size. `size`: '1080p' or '2160p'.
    `shape`: 'wide', or a cut that keeps each shot's subject, 'square' or 'upright'. `codec`: 'h264', 'hevc' or 'av1'.
    """
    from clerestory.film import make

    def told(done: int, total: int) -> None:
        on_progress("Filming", done, total)

    return make(Path(folder), draft, preview, size, told, shape, codec)


def learn_from(
    folders: Sequence[Anywhere], into: Anywhere | None = None, on_progress: OnProgress = quiet
) -> LearnedVisits:
    """What one's own frames say of hands, camera and lenses: learned.html and learned.toml, written `into` a folder
    (the first one's when None); the next plan takes the latter where visit.toml says so.
    """
    from clerestory.learn import learn_folders

    paths = [Path(folder) for folder in folders]
    return learn_folders(paths, paths[0] if into is None else Path(into), on_progress)


def catalogue(folder: Anywhere, form: Literal["csv", "json"] = "csv", having: str = "") -> str:
    """Every frame and view of a visit with what is known of them, as CSV (RFC 4180) or JSON. `having`: only those in
    which each of these words is found, in the frame's facts or in what is said of its view."""
    from clerestory.visit.index import catalogue_text

    if form not in ("csv", "json"):
        raise UserError(f"The form '{form}' is not known; choose csv or json.")
    return catalogue_text(Path(folder), form, having)


def check_visit(folder: Anywhere, on_progress: OnProgress = quiet) -> list[Difference]:
    """Everything in a visit's folder, or in a package that `keep_visit` wrote, that differs from what it should be;
    empty when all agrees."""
    from clerestory.visit.check import check
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.keep import is_bag, verify

    seen = 0

    def one_more(_: Path) -> None:
        nonlocal seen
        seen += 1
        on_progress("Checking files", seen, None)

    visit = VisitFolder.open(Path(folder))
    if is_bag(visit.root):
        return verify(visit.root, on_progress)
    return [*check(visit, one_more), *_texts_at_fault(visit)]


def describe_frame(path: Anywhere) -> list[str]:
    """What one file is, what can be done with it and why not, a line each. UserError says what is wrong with it."""
    from clerestory.raw.describe import described

    return described(Path(path))


def _texts_at_fault(visit: VisitFolder) -> list[Difference]:
    """What is wrong with the texts that are TOML and yet do not say what they should."""
    from clerestory.film.facts import FILE as FACTS
    from clerestory.film.facts import read_facts
    from clerestory.film.model import read_film
    from clerestory.finish.export import SETS, read_sets
    from clerestory.finish.recipe import read_recipe
    from clerestory.finish.versions import VERSIONS, read_versions
    from clerestory.plan.model import read_visit
    from clerestory.visit.check import Difference

    readers: list[tuple[Path, Callable[[Path], object]]] = [
        (visit.root / "visit.toml", read_visit),
        (visit.film / "film.toml", read_film),
        (visit.root / SETS, lambda path: read_sets(path.parent)),
        (visit.film / FACTS, read_facts),
        (visit.root / VERSIONS, read_versions),
        *((path, read_recipe) for path in sorted(visit.recipes.glob("*.toml"))),
    ]
    out = []
    for path, read in readers:
        try:
            if path.exists():
                read(path)
        except UserError as problem:
            out.append(Difference(path, str(problem).removeprefix(f"{path}, ").removeprefix(f"{path}: ")))
    return out


def keep_visit(
    folder: Anywhere, target: Anywhere, part_gigabytes: float | None = None, on_progress: OnProgress = quiet
) -> Kept:
    """Pack a visit to be kept for decades: a bag (RFC 8493) with originals, pictures, film, texts, a plain account of
    what is what, and digests in two algorithms, read back after writing. A run broken off goes on. `part_gigabytes`:
    in several packages of at most so much each.
    """
    from clerestory.visit.about import read_abouts
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.keep import keep

    visit = VisitFolder.open(Path(folder))
    place = read_abouts(visit.about).visit.place
    title = f"{visit.root.resolve().name}: {place}" if place else visit.root.resolve().name
    most = None if part_gigabytes is None else max(1, int(part_gigabytes * 1e9))
    with visit.writing("keep"):
        return keep(visit, Path(target), title, most, on_progress)


def make_demo(
    folder: Anywhere = "demo-visit", workers: int | None = None, on_progress: OnProgress = quiet, quick: bool = False
) -> Demo:
    """An invented visit to an invented church: planned, photographed, sorted, finished, set against the ground truth,
    filmed; `page` of the result tells it. `quick`: frames of a seventh of the pixels, and fewer views.
    """
    from clerestory.demo import make_demo as made

    return made(Path(folder), workers, on_progress, quick)


def make_demo_film(folder: Anywhere = "demo-visit", on_progress: OnProgress = quiet) -> FilmResult:
    """Make a film of the demo visit with every kind of shot; espeak-ng speaks, where the system has it."""
    from clerestory.demo_film import write_demo_film

    write_demo_film(Path(folder))
    return make_film(folder, on_progress=on_progress)
