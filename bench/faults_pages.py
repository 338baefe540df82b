"""Two browser windows, a command and a server that is killed at any moment, over and over on one visit.

`python bench/faults.py --pages [--runs N] [--seed S]`: after each run it is looked whether a text that was typed more
than two seconds before the kill is gone, whether a picture is said to be written that is not there whole, whether a
change that was refused has been applied, and whether both windows have found the server again. Needs Debian's
chromium and the test extra.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from clerestory.files.store import digest_of
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import shoot, write_frame
from clerestory.simulate.visit import demo_views

CHROMIUM = "/usr/bin/chromium"
EXAMPLE = files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")
SETTLED = 2.0  # seconds after which what was typed must be safe
BACK = 60.0  # seconds within which a window must have found the server again


@dataclass
class Bench:
    """One visit, its server, its two windows, and what they are expected to keep."""

    folder: Path
    browser: Any
    rng: random.Random
    server: subprocess.Popen[str] | None = None
    address: str = ""
    typed: str = ""
    typed_at: float = 0.0
    blocked: bool = False
    faults: list[str] = field(default_factory=list)

    def serve(self) -> None:
        """Start the server, or start it again."""
        call = [sys.executable, "-c", SERVE, str(self.folder)]
        self.server = subprocess.Popen(call, stdout=subprocess.PIPE, text=True)
        assert self.server.stdout is not None
        self.address = self.server.stdout.readline().strip()

    def kill(self) -> None:
        """End it at once."""
        assert self.server is not None
        self.server.kill()
        self.server.wait()


SERVE = """
import sys
from pathlib import Path
from clerestory.web import serve
serve(Path(sys.argv[1]), 0, lambda address: print(address, flush=True))
"""


def make_visit(folder: Path) -> None:
    """Two small frames of an invented church, and a plan."""
    (folder / "frames").mkdir(parents=True)
    church, body, lens = Church(1), SimulatedCamera(width=480, height=360, hot_share=1e-5), Lens()
    views = {v.name: v for v in demo_views(church, body, 1)}
    for number, name in enumerate(("nave", "south aisle"), 1):
        frame = shoot(church, views[name].shots[0], body, lens, number)
        write_frame(frame, folder / "frames" / f"HM{number:04d}.dng")
    (folder / "visit.toml").write_text(EXAMPLE, encoding="utf-8")


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """A browser without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu"])
        yield found
        found.close()


def until(true: Callable[[], Any], seconds: float) -> bool:
    """Whether something holds within some seconds."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        with contextlib.suppress(Exception):
            if true():
                return True
        time.sleep(0.1)
    return False


def one_run(bench: Bench, windows: list[Any], run: int) -> None:
    """Some actions in both windows, perhaps a command, a kill, a new start, and a look at what is left."""
    plan, finish = windows
    rng, folder = bench.rng, bench.folder
    command = None
    if rng.random() < 0.4:
        call = [sys.executable, "-m", "clerestory", "finish", str(folder)]
        command = subprocess.Popen(call, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    end = time.monotonic() + rng.uniform(0.5, 6)
    refused = None
    while time.monotonic() < end:
        act = rng.randrange(5)
        with contextlib.suppress(Exception):
            if act == 0:
                text = EXAMPLE + f"# run {run}, {rng.random():.6f}\n"
                bench.typed = ""  # where the filling in fails it is not known what stands there
                plan.fill(".text-desk > textarea", text, timeout=2000)
                bench.typed, bench.typed_at = text, time.monotonic()
            elif act == 1:
                plan.click(".text-desk > .row >> text=Save", timeout=1000)
            elif act == 2:
                finish.fill("#c-exposure", f"{rng.uniform(-2, 2):.2f}", timeout=1000)
            elif act == 3:
                finish.click(".says >> text=Save >> nth=0", timeout=1000)
            elif act == 4 and not (folder / "recipes").is_dir() and not bench.blocked:
                (folder / "recipes").write_text("in the way", encoding="utf-8")
                bench.blocked = True
                finish.fill("#c-shade_lift", "3.3", timeout=1000)
                refused = 3.3
        time.sleep(rng.uniform(0, 0.5))
    bench.kill()
    killed = time.monotonic()
    if bench.blocked:
        (folder / "recipes").unlink(missing_ok=True)
        bench.blocked = False
    if command is not None and rng.random() < 0.5:
        command.kill()
    time.sleep(rng.uniform(0, 1.5))
    bench.serve()
    look(bench, windows, run, killed, refused)
    if command is not None:
        command.wait()


def look(bench: Bench, windows: list[Any], run: int, killed: float, refused: float | None) -> None:
    """What a run must have left as it was."""
    plan, _ = windows
    for name, window in zip(("plan", "finish"), windows, strict=True):
        up = (
            "clerestory.wire.socket.readyState === 1 && "
            "!document.querySelector('#trouble').textContent.includes('has stopped')"
        )
        if not until(lambda window=window, up=up: window.evaluate(up), BACK):
            bench.faults.append(f"run {run}: the {name} window did not find the server again")
    if bench.typed and killed - bench.typed_at > SETTLED:
        kept = [lambda: plan.input_value(".text-desk > textarea", timeout=1000) == bench.typed,
                lambda: (bench.folder / "visit.toml").read_text(encoding="utf-8") == bench.typed]  # fmt: skip
        if not until(lambda: any(_true(one) for one in kept), 10):
            bench.faults.append(f"run {run}: a text typed {killed - bench.typed_at:.1f} s before is gone")
    for account in (bench.folder / ".clerestory" / "accounts").glob("*.json"):
        for aspect in json.loads(account.read_text(encoding="utf-8"))["aspects"].values():
            for file in aspect["files"]:
                path = bench.folder / "pictures" / file["name"]
                if not until(lambda path=path, file=file: digest_of(path) == file["digest"], 20):
                    bench.faults.append(f"run {run}: {file['name']} is said to be written and is not")
    recipe = bench.folder / "recipes" / "view-01.toml"
    if refused is not None and recipe.exists():
        text = tomllib.loads(recipe.read_text(encoding="utf-8"))
        said = windows[1].inner_text("#trouble")
        if text.get("shade_lift") == refused and "shade" in said:
            bench.faults.append(f"run {run}: a change that was refused has been applied")


def _true(one: Callable[[], Any]) -> bool:
    try:
        return bool(one())
    except Exception:
        return False


def pages(runs: int, seed: int) -> int:
    """So many runs; prints what went wrong and how many, and returns that number."""
    with tempfile.TemporaryDirectory() as temporary, chromium() as browser:
        os.environ["XDG_DATA_HOME"] = str(Path(temporary) / "user")  # not into the user's own list of visits
        folder = Path(temporary) / "visit"
        make_visit(folder)
        bench = Bench(folder, browser, random.Random(seed))
        bench.serve()
        context = browser.new_context(viewport={"width": 1280, "height": 720})
        context.on("weberror", lambda fault: bench.faults.append(f"uncaught in a page: {fault.error}"))
        windows = [context.new_page() for _ in range(2)]
        windows[0].goto(bench.address)
        windows[0].goto(bench.address.split("/?")[0] + "/plan")
        windows[0].click("text=Edit the plan as text")
        windows[1].goto(bench.address.split("/?")[0] + "/finish?view=view-01")
        begun = time.monotonic()
        for run in range(runs):
            one_run(bench, windows, run)
            if (run + 1) % 10 == 0:
                print(f"{run + 1} runs, {len(bench.faults)} faults, {time.monotonic() - begun:.0f} s", flush=True)
        bench.kill()
        shutil.rmtree(folder, ignore_errors=True)
    for fault in bench.faults:
        print(fault)
    print(f"{runs} runs of two windows, a command and a kill: {len(bench.faults)} faults")
    return len(bench.faults)
