"""The command line: parses, calls, prints."""

from __future__ import annotations

import contextlib
import sys
import tempfile
import traceback
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, cast

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskID, TextColumn, TimeElapsedColumn

from clerestory import __version__, api
from clerestory.errors import UserError
from clerestory.run.progress import OnProgress
from clerestory.run.system import forgiving_output

app = typer.Typer(
    help="Plan a day's photography inside a great church; sort, finish and film what you bring home.",
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
out = Console(highlight=False, soft_wrap=True)
err = Console(stderr=True, highlight=False, soft_wrap=True)

Folder = Annotated[Path, typer.Argument(help="A visit's folder, or any folder of raw frames.")]
Scheduler = Annotated[
    str | None, typer.Option(help="Address of a Dask scheduler whose workers see the same folder and do the work.")
]


@contextlib.contextmanager
def _progress() -> Iterator[OnProgress]:
    """Bars on a terminal, one for each thing that is done."""
    bars = Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=36),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=err,
        disable=not err.is_terminal,
    )
    tasks: dict[str, TaskID] = {}

    def on_progress(what: str, done: int, total: int | None) -> None:
        if what not in tasks:
            tasks[what] = bars.add_task(what, total=total)
        bars.update(tasks[what], completed=done, total=total)

    with bars:
        yield on_progress


def _aspects(names: str) -> tuple[str | None, ...]:
    """Aspects as they are written on the command line: 'own' is the frame's own (None)."""
    parts = (part.strip() for part in names.split(","))
    return tuple(dict.fromkeys(None if part == "own" else part for part in parts if part))


def _no_longer_shape(given: str | None) -> None:
    if given is not None:
        raise UserError(f"--shape is now called --aspect; write --aspect {given}.")


@app.callback(invoke_without_command=True)
def begin(asked: typer.Context) -> None:
    """Plan a day's photography inside a great church; sort, finish and film what you bring home.

    Without a command: opens the start page in the browser.
    """
    if asked.invoked_subcommand is None:
        from clerestory.web.launch import launch

        launch(lambda words: out.print(words, markup=False))


@app.command()
def plan(
    visit: Annotated[Path, typer.Argument(help="A visit.toml, or the folder that holds one.")] = Path("visit.toml"),
    new: Annotated[bool, typer.Option("--new", help="Write a commented example to start from.")] = False,
    into: Annotated[Path | None, typer.Option(help="Where the plan is written; plan/ beside it if absent.")] = None,
    phone: Annotated[
        int | None, typer.Option(help="Hand the card to a phone for so long: 10, 30 or 60 minutes.")
    ] = None,
    in_full: Annotated[
        Path | None, typer.Option(help="Write the text with all that [church] leaves to be assumed into this file.")
    ] = None,
) -> None:
    """Work out a visit before the day: sun, standing points, kit, exposure; write the report and the field card."""
    file = visit / "visit.toml" if visit.is_dir() else visit
    if in_full is not None:
        written = api.plan_in_full(file, in_full)
        out.print(f"{written}: written. The plan it gives is the same.", markup=False)
        return
    if new:
        from clerestory.plan.run import new_visit

        out.print(f"{new_visit(file)}: written. Make it yours, then: clerestory plan {file}", markup=False)
        return
    made = api.plan_visit(file, into)
    for line in made.summary_lines():
        out.print(line, markup=False)
    if phone is not None:
        from clerestory.web.phone import hand_out

        hand_out(made.card_html.read_text(encoding="utf-8"), phone, lambda line: out.print(line, markup=False))


@app.command()
def sort(
    folder: Folder,
    card: Annotated[Path | None, typer.Option("--from", help="Copy the frames in from this card first.")] = None,
    second: Annotated[Path | None, typer.Option(help="A folder on another disk for a second copy.")] = None,
    scheduler: Scheduler = None,
) -> None:
    """Copy frames in if asked, read them, group them into views, and pick the sharp ones."""
    from clerestory.raw.group import KIND_WORDS
    from clerestory.run.cluster import executor_at

    failures: list[tuple[str, str]] = []
    with _progress() as on_progress:
        if card is not None:
            copied = api.import_card(card, folder, second, on_progress)
            for line in copied.lines():
                out.print(line, markup=False)
            failures = [(str(path), reason) for path, reason in copied.refused]
        with executor_at(scheduler) as executor:
            found = api.sort_visit(folder.resolve() if executor else folder, on_progress, executor)
    for view in found.views:
        count = f"{len(view.frames):3} frame{'s' if len(view.frames) > 1 else ' '}"
        out.print(
            f"{view.name:10} {KIND_WORDS[view.kind]:22} {count}   pick {view.pick.name}   {view.why}", markup=False
        )
    _end_with(failures + [(str(path), reason) for path, reason in found.refused])


@app.command()
def finish(
    folder: Folder,
    aspect: Annotated[
        str, typer.Option(help="Aspect ratios, separated by commas: own, 4:3, 3:2, 16:9, 1:1, free.")
    ] = "own",
    tiff: Annotated[bool, typer.Option(help="Save; also 16-bit TIFF beside the JPEG.")] = False,
    space: Annotated[str, typer.Option(help="Colour space of the pictures: srgb, display-p3, rec2020.")] = "srgb",
    better: Annotated[bool, typer.Option(help="Slower: noise taken out of single frames by a network.")] = False,
    long_edge: Annotated[int | None, typer.Option(min=64, help="Longest edge in pixels; never enlarged.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, max=64, help="Views finished at once.")] = None,
    scheduler: Scheduler = None,
    shape: Annotated[str | None, typer.Option(hidden=True)] = None,
) -> None:
    """Turn a folder of raw frames into finished pictures, with a report."""
    from clerestory.run.cluster import executor_at

    _no_longer_shape(shape)
    asked = api.order(_aspects(aspect), tiff, space, better, long_edge)
    with _progress() as on_progress, executor_at(scheduler) as executor:
        result = api.finish_visit(folder.resolve() if executor else folder, asked, workers, on_progress, executor)
    kept = sum(done.kept for done in result.done)
    made = sum(done.account is not None for done in result.done) - kept
    out.print(
        f"{made} view{'' if made == 1 else 's'} finished"
        + (f", {kept} already finished before" if kept else "")
        + f": {result.report}"
    )
    _end_with(result.failures)


@app.command()
def export(
    folder: Folder,
    name: Annotated[str | None, typer.Option("--set", help="A set of exports.toml, or a new one's name.")] = None,
    view: Annotated[list[str] | None, typer.Option(help="Only this view; may be given again.")] = None,
    aspect: Annotated[str | None, typer.Option(help="own, 4:3, 3:2, 16:9, 1:1, free; divided by commas.")] = None,
    kind: Annotated[
        str | None,
        typer.Option(help="jpeg, tiff (16 bits), bright (JPEG with a gain map), avif, jxl (10 bits); with commas."),
    ] = None,
    space: Annotated[str | None, typer.Option(help="srgb, display-p3 or rec2020.")] = None,
    quality: Annotated[int | None, typer.Option(help="Of all but the TIFF, 50 to 95.")] = None,
    long_edge: Annotated[int | None, typer.Option(help="Longest edge in pixels; never enlarged.")] = None,
    within: Annotated[str | None, typer.Option(help="Width and height in pixels to stay within: 1920x1080.")] = None,
    print_size: Annotated[str | None, typer.Option(help="Size on paper: 300x200mm or 12x8inch.")] = None,
    resolution: Annotated[float | None, typer.Option(help="Resolution on paper, pixels to an inch.")] = None,
    sharpen_for: Annotated[str | None, typer.Option(help="screen, or print at the resolution.")] = None,
    named: Annotated[str | None, typer.Option(help="title, date, number, view, in their order.")] = None,
    better: Annotated[bool | None, typer.Option(help="Slower: noise taken out by a network.")] = None,
    keep: Annotated[bool, typer.Option("--keep", help="Write the set into exports.toml.")] = False,
    workers: Annotated[int | None, typer.Option(min=1, max=64, help="Views finished at once.")] = None,
) -> None:
    """Save pictures for a purpose, as a set of exports.toml asks; what is given here counts over the set.

    Without a set: names those there are.
    """
    from clerestory.finish.export import set_from

    asked = {"aspects": aspect, "kinds": kind, "space": space, "quality": quality, "long_edge": long_edge,
             "within": within, "print_size": print_size, "resolution": resolution, "sharpen_for": sharpen_for,
             "named": named, "better": better}  # fmt: skip
    given = {key: value for key, value in asked.items() if value is not None}
    sets = api.export_sets(folder)
    if name is None and not given:
        for one in sets:
            out.print(one.line(), markup=False)
        out.print("" if sets else "There is no set yet: --set NAME with what is asked, and --keep, makes one.")
        return
    found = set_from(sets, name or "Pictures", given)
    if keep:
        out.print(f"{api.keep_export_set(folder, found)}: holds the set {found.name}", markup=False)
    with _progress() as on_progress:
        result = api.export_visit(folder, found, view, workers, on_progress)
    kept = sum(done.kept for done in result.done)
    files = sum(len(a.get("files", ())) for d in result.done if d.account for a in d.account["aspects"].values())
    out.print(
        f"{files} file{'' if files == 1 else 's'} of {len(result.done) - len(result.failures)} views in "
        f"{result.report}" + (f", {kept} of the views exported before" if kept else ""),
        markup=False,
    )
    _end_with(result.failures)


@app.command("print")
def print_(
    folder: Folder,
    paper: Annotated[str, typer.Option(help="a5, a4, a3, letter or tabloid; lying.")] = "a4",
    sheet: Annotated[bool, typer.Option(help="The contact sheet.")] = True,
    pages: Annotated[bool, typer.Option(help="A page for each picture, with its words.")] = True,
) -> None:
    """Lay the finished pictures out on paper: a contact sheet and a page each, sharpened for print, as one PDF."""
    with _progress() as on_progress:
        path = api.print_visit(folder, paper, sheet, pages, on_progress)
    out.print(str(path), markup=False)


@app.command()
def dng(
    folder: Folder,
    view: Annotated[list[str] | None, typer.Option(help="Only this view; may be given several times.")] = None,
    upright: Annotated[bool, typer.Option(help="Straightened and cropped, as linear colour, noise out.")] = False,
) -> None:
    """Write the views' light as DNG for other programs: merged, with colour, noise and lens; tone left to them."""
    with _progress() as on_progress:
        written, failures = api.write_dng(folder, view or (), upright, on_progress)
    for path in written:
        out.print(str(path), markup=False)
    _end_with(failures)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where the demo visit is made.")] = Path("demo-visit"),
    workers: Annotated[int | None, typer.Option(min=1, max=64, help="Views finished at once.")] = None,
    film: Annotated[bool, typer.Option("--film", help="Also the film at full size; minutes more.")] = False,
    quick: Annotated[bool, typer.Option("--quick", help="Small frames, fewer views: a minute or two.")] = False,
) -> None:
    """Make an invented visit to an invented church: plan, frames, pictures, film, each set against the ground truth.

    One page, story.html, tells it from end to end and says what to try next.
    """
    with _progress() as on_progress:
        result = api.make_demo(folder, workers, on_progress, quick)
    for done in result.finished.done:
        if done.account is not None:
            out.print(_finished_line(done.account, result.truths[done.view]))
    out.print("The originals are untouched." if result.untouched else "AN ORIGINAL CHANGED: this is a fault of ours.")
    out.print(f"Report: {result.finished.report}")
    if film and not result.finished.failures:
        with _progress() as on_progress:
            made = api.make_demo_film(folder, on_progress)
        out.print(f"Film: {made.film}, {made.length:.0f} s", markup=False)
    out.print(f"The whole story, and what to try next: {result.page}")
    _end_with(result.finished.failures)


def _finished_line(account: Mapping[str, Any], truth: Mapping[str, str]) -> str:
    """One view of the demo on one line: what it is of, how surely it stands, what the truth says."""
    from clerestory.finish.report import VERDICTS

    own, count = account["aspects"].get("own", {}), len(account["frames"])
    frames = f"{count} frame{' ' if count == 1 else 's'}"
    return (
        f"{account['view']:10} {account['kind']:8} {frames}   {VERDICTS[account['verdict']]:10}"
        f" {truth.get('tilt_left', ''):30} kept {100 * own.get('kept', 0):5.1f} %"
    )


@app.command()
def film(
    folder: Annotated[Path, typer.Argument(help="A visit's folder with finished pictures.")],
    draft: Annotated[bool, typer.Option("--draft", help="Write film.toml from the pictures first.")] = False,
    preview: Annotated[bool, typer.Option("--preview", help="A quick one, a quarter of the size.")] = False,
    size: Annotated[str, typer.Option(help="1080p or 2160p.")] = "1080p",
    shape: Annotated[
        str, typer.Option(help="wide, square or upright; the last two keep each shot's subject.")
    ] = "wide",
    codec: Annotated[str, typer.Option(help="h264, hevc or av1.")] = "h264",
) -> None:
    """Make the film: pictures in time, spoken over, with captions, chapters and a timeline for any editor."""
    with _progress() as on_progress:
        result = api.make_film(
            folder, draft, preview, cast(Any, size), on_progress, cast(Any, shape), cast(Any, codec)
        )
    for warning in result.warnings:
        err.print(warning, markup=False)
    sound = "" if result.loudness < -70 else f"; {result.loudness:.1f} LUFS, true peak {result.true_peak:.1f} dBTP"
    made = f"{result.parts_made} of {result.parts} parts made anew"
    out.print(f"{result.film}: {result.length:.0f} s, {made}{sound}", markup=False)
    for caution in result.cautions:
        out.print(caution, markup=False)


@app.command()
def serve(
    folder: Annotated[Path, typer.Argument(help="A visit's folder.")],
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this computer; 0 takes a free one.")] = 0,
    until_closed: Annotated[bool, typer.Option("--until-closed", help="End when its pages are long closed.")] = False,
) -> None:
    """Open the visit as local pages: plan, sort, finish, film. Stop with Ctrl-C."""
    from clerestory.web import serve as serve_pages
    from clerestory.web.launch import MINUTES

    minutes = MINUTES if until_closed else None
    serve_pages(folder, port, lambda address: out.print(f"Open {address}", markup=False), minutes)


@app.command()
def shortcut(
    remove: Annotated[bool, typer.Option("--remove", help="Take it away again.")] = False,
) -> None:
    """Put an icon that opens the start page into the menu of applications, or onto the desktop."""
    from clerestory.files.shortcut import add_shortcut, remove_shortcut

    for line in remove_shortcut() if remove else add_shortcut():
        out.print(line, markup=False)


@app.command()
def learn(
    folders: Annotated[list[Path], typer.Argument(help="Visits' folders, or folders of raw frames.")],
    into: Annotated[Path | None, typer.Option(help="Where the page and learned.toml go; the first folder.")] = None,
) -> None:
    """Learn how steady your hands are, your camera's noise and your use of lenses, from your own frames."""
    with _progress() as on_progress:
        result = api.learn_from(folders, into, on_progress)
    for line in result.learned.lines():
        out.print(line, markup=False)
    out.print(f"{result.page}; for the next plan: {result.toml}", markup=False)
    _end_with(list(result.failures))


@app.command()
def catalogue(
    folder: Annotated[Path, typer.Argument(help="A visit's folder.")],
    form: Annotated[str, typer.Option(help="csv (one frame a line) or json (views and frames).")] = "csv",
    into: Annotated[Path | None, typer.Option(help="The file to write; printed when absent.")] = None,
    having: Annotated[str, typer.Option(help="Only frames in which each of these words is found.")] = "",
) -> None:
    """Give the visit's catalogue to other programs: every frame and view with what is known of them."""
    from clerestory.files.store import write_atomic
    from clerestory.run.system import write_exactly

    text = api.catalogue(folder, cast(Any, form), having)
    if into is None:
        write_exactly(text)
    else:
        write_atomic(into, text)


@app.command()
def keep(
    folder: Folder,
    target: Annotated[Path, typer.Argument(help="The package's folder, best on another disk.")],
    part_gb: Annotated[float | None, typer.Option(min=0.001, help="Several packages of at most so many GB.")] = None,
) -> None:
    """Pack a visit for decades: originals, pictures, film, texts and digests, as a bag (RFC 8493); verify it."""
    with _progress() as on_progress:
        result = api.keep_visit(folder, target, part_gb, on_progress)
    where = ", ".join(str(bag) for bag in result.bags)
    out.print(f"{where}: {result.files} files, {result.bytes / 1e9:.2f} GB, read back and whole", markup=False)


@app.command()
def check(
    folder: Annotated[Path, typer.Argument(help="A visit's folder; or one frame, to hear what can be done with it.")],
) -> None:
    """Verify originals, recipes, pictures and catalogue against each other; or say what one frame is good for."""
    if folder.is_file():
        for line in api.describe_frame(folder):
            out.print(line, markup=False)
        return
    with _progress() as on_progress:
        differences = api.check_visit(folder, on_progress)
    if not differences:
        out.print("Everything agrees.")
    _end_with([(str(d.path), str(d)) for d in differences])


@app.command()
def version() -> None:
    """Print the version."""
    out.print(__version__)


def _end_with(failures: list[tuple[str, str]]) -> None:
    """Name what could not be done, and end with status 1 if there is any."""
    for name, reason in failures:
        err.print(reason if name in reason else f"{name}: {reason}", markup=False)
    if failures:
        raise typer.Exit(1)


def main() -> None:
    """Entry point: every failure ends as one clear sentence."""
    forgiving_output()
    try:
        app()
    except UserError as problem:
        err.print(str(problem), markup=False)
        sys.exit(1)
    except KeyboardInterrupt:
        err.print("Stopped. No file is half-written; run the same command again to go on.")
        sys.exit(130)
    except OSError as problem:
        what = problem.strerror or str(problem)
        err.print(
            f"{problem.filename or 'The disk'}: {what}. Free some space or choose another folder.", markup=False
        )
        sys.exit(1)
    except Exception:
        with tempfile.NamedTemporaryFile(
            "w", suffix=".txt", prefix="clerestory-fault-", delete=False, encoding="utf-8", errors="backslashreplace"
        ) as log:
            traceback.print_exc(file=log)
        err.print(f"A fault of ours, not yours. The details are in {log.name}; your frames are untouched.")
        sys.exit(70)
