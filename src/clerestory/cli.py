"""The command line: parses, calls, prints."""

from __future__ import annotations

import sys
import tempfile
import traceback
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from clerestory import __version__
from clerestory.errors import UserError
from clerestory.run.system import forgiving_output

app = typer.Typer(
    help="Plan a day's photography inside a great church; sort, finish and film what you bring home.",
    no_args_is_help=True,
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


def _bar() -> Progress:
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(bar_width=36),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=err,
        disable=not err.is_terminal,
    )


def _aspects(names: str) -> tuple[str | None, ...]:
    from clerestory.finish.recipe import ASPECTS

    aspects: list[str | None] = []
    for name in (part.strip() for part in names.split(",") if part.strip()):
        if name != "own" and name not in ASPECTS:
            raise UserError(f"--aspect: '{name}' is not known; choose from own, {', '.join(ASPECTS)}.")
        aspects.append(None if name == "own" else name)
    if not aspects:
        raise UserError("--aspect: none given; choose from own, " + ", ".join(ASPECTS) + ".")
    return tuple(dict.fromkeys(aspects))


def _no_longer_shape(given: str | None) -> None:
    if given is not None:
        raise UserError(f"--shape is now called --aspect; write --aspect {given}.")


@app.command()
def plan(
    visit: Annotated[Path, typer.Argument(help="A visit.toml, or the folder that holds one.")] = Path("visit.toml"),
    new: Annotated[bool, typer.Option("--new", help="Write a commented example to start from.")] = False,
    into: Annotated[Path | None, typer.Option(help="Where the plan is written; plan/ beside it if absent.")] = None,
) -> None:
    """Work out a visit before the day: sun, standing points, kit, exposure; write the report and the field card."""
    import clerestory.plan as planning

    file = visit / "visit.toml" if visit.is_dir() else visit
    if new:
        out.print(f"{planning.new_visit(file)}: written. Make it yours, then: clerestory plan {file}", markup=False)
        return
    result = planning.make(file, into or file.parent / "plan")
    for line in result.summary_lines():
        out.print(line, markup=False)


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
    from clerestory.work import import_card, sort_folder

    failures: list[tuple[str, str]] = []
    with _bar() as bar:
        if card is not None:
            failures = import_card(folder, card, second, bar, lambda line: out.print(line, markup=False))
        with executor_at(scheduler) as executor:
            found = sort_folder(folder.resolve() if executor else folder, bar, executor)
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
    space: Annotated[str, typer.Option(help="Colour space of the pictures: srgb or display-p3.")] = "srgb",
    better: Annotated[bool, typer.Option(help="Slower, finer noise reduction.")] = False,
    long_edge: Annotated[int | None, typer.Option(min=64, help="Longest edge in pixels; never enlarged.")] = None,
    workers: Annotated[int | None, typer.Option(min=1, max=64, help="Views finished at once.")] = None,
    scheduler: Scheduler = None,
    shape: Annotated[str | None, typer.Option(hidden=True)] = None,
) -> None:
    """Turn a folder of raw frames into finished pictures, with a report."""
    from clerestory.run.cluster import executor_at
    from clerestory.work import finish_folder, order_of

    _no_longer_shape(shape)
    order = order_of(_aspects(aspect), tiff, space, better, long_edge)
    with _bar() as bar, executor_at(scheduler) as executor:
        result = finish_folder(folder.resolve() if executor else folder, order, workers, bar, executor)
    kept = sum(done.kept for done in result.done)
    made = sum(done.account is not None for done in result.done) - kept
    out.print(f"{made} views finished" + (f", {kept} already finished before" if kept else "") + f": {result.report}")
    _end_with(result.failures)


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(help="Where the demo visit is made.")] = Path("demo-visit"),
    workers: Annotated[int | None, typer.Option(min=1, max=64, help="Views finished at once.")] = None,
) -> None:
    """Make an invented visit to an invented church, finish it, and compare with the ground truth."""
    from clerestory.work import make_demo

    with _bar() as bar:
        result = make_demo(folder, workers, bar)
    for line in result.lines:
        out.print(line)
    out.print(f"Report: {result.report}")
    _end_with(result.failures)


@app.command()
def film(
    folder: Annotated[Path, typer.Argument(help="A visit's folder with finished pictures.")],
    draft: Annotated[bool, typer.Option("--draft", help="Write film.toml from the pictures first.")] = False,
    preview: Annotated[bool, typer.Option("--preview", help="A quick one, a quarter of the size.")] = False,
    size: Annotated[str, typer.Option(help="1080p or 2160p.")] = "1080p",
) -> None:
    """Make the film: pictures in time, spoken over, with captions, chapters and a timeline for any editor."""
    from clerestory.work import make_film

    with _bar() as bar:
        result = make_film(folder, draft, preview, size, bar)
    for warning in result.warnings:
        err.print(warning, markup=False)
    sound = "" if result.loudness < -70 else f"; {result.loudness:.1f} LUFS, true peak {result.true_peak:.1f} dBTP"
    made = f"{result.parts_made} of {result.parts} parts made anew"
    out.print(f"{result.film}: {result.length:.0f} s, {made}{sound}", markup=False)


@app.command()
def serve(
    folder: Annotated[Path, typer.Argument(help="A visit's folder.")],
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port on this computer; 0 takes a free one.")] = 0,
) -> None:
    """Open the visit as local pages: plan, sort, finish, film. Stop with Ctrl-C."""
    from clerestory.web import serve as serve_pages

    serve_pages(folder, port, lambda address: out.print(f"Open {address}", markup=False))


@app.command()
def learn(
    folders: Annotated[list[Path], typer.Argument(help="Visits' folders, or folders of raw frames.")],
    into: Annotated[Path | None, typer.Option(help="Where the page and learned.toml go; the first folder.")] = None,
) -> None:
    """Learn how steady your hands are, your camera's noise and your use of lenses, from your own frames."""
    from clerestory.work import learn_folders

    with _bar() as bar:
        lines, failures = learn_folders(folders, into, bar)
    for line in lines:
        out.print(line, markup=False)
    _end_with(failures)


@app.command()
def catalogue(
    folder: Annotated[Path, typer.Argument(help="A visit's folder.")],
    form: Annotated[str, typer.Option(help="csv (one frame a line) or json (views and frames).")] = "csv",
    into: Annotated[Path | None, typer.Option(help="The file to write; printed when absent.")] = None,
) -> None:
    """Give the visit's catalogue to other programs: every frame and view with what is known of them."""
    from clerestory.files.store import write_atomic
    from clerestory.run.system import write_exactly
    from clerestory.work import catalogue_text

    text = catalogue_text(folder, form)
    if into is None:
        write_exactly(text)
    else:
        write_atomic(into, text)


@app.command()
def check(folder: Folder) -> None:
    """Verify originals, recipes, pictures and catalogue against each other; say what differs."""
    from clerestory.work import check_folder

    with _bar() as bar:
        differences = check_folder(folder, bar)
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
