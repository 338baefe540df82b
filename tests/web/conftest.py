"""A tiny visit photographed by the simulator, a server on it in a process of its own, and a browser."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import sys
import time
import wave
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import shoot, write_frame
from clerestory.simulate.visit import demo_views

EXAMPLE = files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")
CHROMIUM = "/usr/bin/chromium"
# Seconds until a test gives up. Long: a busy machine that compiles for the first time is no fault of the pages.
PATIENCE = 300
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync", "--use-fake-device-for-media-stream",
             "--use-fake-ui-for-media-stream"]  # fmt: skip
SERVE = """
import sys
from pathlib import Path
from clerestory.web import serve
if __name__ == "__main__":
    serve(Path(sys.argv[1]), 0, lambda address: print(address, flush=True))
"""


@dataclass
class Served:
    """A server at work."""

    folder: Path
    address: str
    process: subprocess.Popen[str]

    @property
    def base(self) -> str:
        return self.address.split("/?")[0]

    @property
    def port(self) -> int:
        return int(self.base.rsplit(":", 1)[1])

    @property
    def token(self) -> str:
        return self.address.split("token=")[1]

    @property
    def cookie(self) -> str:
        return f"clerestory-{self.port}={self.token}"


def _serving(folder: Path, script: Path, program: str = SERVE) -> Served:
    script.write_text(program, encoding="utf-8")
    # What the program remembers of visits is kept beside the script, not among the user's own.
    environment = {**os.environ, "XDG_DATA_HOME": str(script.parent / "data")}
    process = subprocess.Popen(
        [sys.executable, str(script), str(folder)], stdout=subprocess.PIPE, text=True, env=environment
    )
    assert process.stdout is not None
    return Served(folder, process.stdout.readline().strip(), process)


def _stopped(served: Served, how: int = signal.SIGTERM) -> None:
    served.process.send_signal(how)
    with contextlib.suppress(subprocess.TimeoutExpired):
        served.process.wait(10)
    if served.process.poll() is None:
        served.process.kill()


@pytest.fixture(scope="session")
def photographed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Five frames of an invented church, 864 x 648: two single views and three tries of a third."""
    folder = tmp_path_factory.mktemp("visit") / "visit"
    frames, truth = folder / "frames", folder / "truth"
    frames.mkdir(parents=True)
    truth.mkdir()
    church, body, lens = Church(1), SimulatedCamera(width=864, height=648, hot_share=1e-5), Lens()
    views = {v.name: v for v in demo_views(church, body, 1)}
    nave = views["nave"].shots[0]
    shots = [nave, views["south aisle"].shots[0], *views["south arcade"].shots[:3]]
    shots[2:] = [replace(s, shake_px=extent) for s, extent in zip(shots[2:], (2.5, 0.4, 4.0), strict=True)]
    for number, shot in enumerate(shots, 1):
        write_frame(shoot(church, shot, body, lens, number), frames / f"HM{number:04d}.dng", truth)
    return folder


@pytest.fixture(scope="session")
def visit(photographed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy that tests may change."""
    folder = tmp_path_factory.mktemp("copy") / "harrowmere"
    shutil.copytree(photographed, folder)
    return folder


@pytest.fixture(scope="session")
def served(visit: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    found = _serving(visit, tmp_path_factory.mktemp("run") / "serve_it.py")
    yield found
    _stopped(found)


def voice(path: Path) -> Path:
    """What the browser's microphone hears: bursts as of speech, with pauses, over a faint room; 48 kHz, 16 bits."""
    rng, rate, parts = np.random.default_rng(5), 48_000, []
    for speech, pause in ((0.7, 0.5), (1.0, 0.6), (0.5, 0.7)):
        dull = np.convolve(rng.standard_normal(int(speech * rate) + 23), np.ones(24) / 5, "valid")
        parts += [0.12 * dull, np.zeros(int(pause * rate))]
    sound = np.concatenate(parts)
    sound += 0.0005 * rng.standard_normal(sound.size)
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes((32767 * np.clip(sound, -1, 1)).astype("<i2").tobytes())
    return path


@pytest.fixture(scope="session")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    required = bool(os.environ.get("CLERESTORY_BROWSER_REQUIRED"))
    if not Path(CHROMIUM).exists():
        if required:
            pytest.fail(f"{CHROMIUM} is missing, and the browser tests are required here")
        pytest.skip(f"{CHROMIUM} is missing: install Debian's chromium to run the browser tests")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(
            executable_path=CHROMIUM,
            args=[
                *ARGUMENTS,
                f"--use-file-for-fake-audio-capture={voice(tmp_path_factory.mktemp('voice') / 'voice.wav')}",
            ],
        )
        yield found
        found.close()


@pytest.fixture(scope="session")
def window(browser: Any, served: Served) -> Iterator[Any]:
    """A browser that holds the key, as after opening the printed address; no script in any of its pages may fail."""
    context = browser.new_context(viewport={"width": 1280, "height": 720}, permissions=["microphone"])
    context.set_default_timeout(1000 * PATIENCE)
    page = context.new_page()
    page.goto(served.address)
    page.close()
    faults: list[str] = []
    context.on("weberror", lambda fault: faults.append(str(fault.error)))
    yield context
    assert not faults, faults


@pytest.fixture
def page(window: Any) -> Iterator[Any]:
    """A page that fails the test when a script on it fails."""
    found = window.new_page()
    faults: list[str] = []
    found.on("pageerror", lambda fault: faults.append(str(fault)))
    found.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    yield found
    found.close()
    assert not faults, faults


@pytest.fixture(scope="session")
def shot(tmp_path_factory: pytest.TempPathFactory) -> Callable[[Any, str], None]:
    """Keeps a picture of a page, in CLERESTORY_SHOTS or a temporary folder."""
    folder = Path(os.environ.get("CLERESTORY_SHOTS") or tmp_path_factory.mktemp("shots"))
    folder.mkdir(parents=True, exist_ok=True)
    return lambda page, name: page.screenshot(path=str(folder / f"{name}.png"))


@pytest.fixture(scope="session")
def serving() -> Callable[..., Any]:
    return _serving


@pytest.fixture(scope="session")
def stopped() -> Callable[..., Any]:
    return _stopped


def until(true: Callable[[], Any]) -> Any:
    """The first value that holds, or a failure. Looks are counted, not seconds: a machine that stood still meanwhile
    is no fault of the pages."""
    for _ in range(20 * PATIENCE):
        value = true()
        if value:
            return value
        time.sleep(0.05)
    raise AssertionError("it did not come about in time")


@pytest.fixture(scope="session")
def wait() -> Callable[..., Any]:
    return until


def open_finish(page: Any, served: Served, view: str) -> None:
    """Finish at a view, once it is shown."""
    page.goto(f"{served.base}/finish?view={view}")
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]")


@pytest.fixture
def house(
    photographed: Path, tmp_path: Path, serving: Any, stopped: Any, browser: Any
) -> Iterator[tuple[Any, Any, Any]]:
    """A server on a visit of its own, a browser that holds its key, and a way to start the server again."""
    folder = tmp_path / "visit"
    shutil.copytree(photographed, folder)
    (folder / "visit.toml").write_text(EXAMPLE, encoding="utf-8")
    script = tmp_path / "serve_it.py"
    running = [serving(folder, script)]
    context = browser.new_context(viewport={"width": 1280, "height": 720})
    context.set_default_timeout(1000 * PATIENCE)
    context.faults = []
    context.on("weberror", lambda fault: context.faults.append(str(fault.error)))
    first = context.new_page()
    first.goto(running[0].address)
    first.close()

    def again() -> Any:
        running.append(serving(folder, script))
        return running[-1]

    yield running[0], context, again
    context.close()
    for one in running:
        stopped(one)
    assert not context.faults, context.faults


START = """
import sys
from pathlib import Path
from clerestory.files import places
from clerestory.web import bring, house, start
from clerestory.web.server import Serving, begin

HERE = Path(sys.argv[1])

def demo(folder, workers, on_progress):
    import shutil, time
    for done in range(1, 400 if (HERE / "slow").exists() else 4):
        on_progress("Photographing an invented church", done, 400)
        time.sleep(0.02)
    shutil.copytree(HERE / "photographed", folder, dirs_exist_ok=True)

def drives():
    return [places.Drive(p, p.name, True) for p in sorted((HERE / "media").iterdir())]

copy_in = bring.copy_in

def held(card, visit, second, told):
    # After the second frame it waits as long as a file "hold" is there.
    import time
    def slowly(done, total):
        told(done, total)
        while done == 2 and (HERE / "hold").exists():
            time.sleep(0.02)
    return copy_in(card, visit, second, slowly)

if __name__ == "__main__":
    bring.copy_in = held
    start.drives = drives
    start.pictures_folder = house.pictures_folder = lambda: HERE / "Pictures"
    minutes = float(sys.argv[2]) if len(sys.argv) > 2 else None
    begin(Serving(ready=lambda address, once: print(address, once, flush=True), minutes=minutes, demo=demo))
"""


@pytest.fixture
def begun(
    photographed: Path, tmp_path: Path, serving: Any, stopped: Any, browser: Any
) -> Iterator[tuple[Any, Any, Path]]:
    """A server begun without a visit, a browser let in by the address that opens once, and where all lies."""
    (tmp_path / "media").mkdir()
    (tmp_path / "Pictures").mkdir()
    shutil.copytree(photographed, tmp_path / "photographed")
    (tmp_path / "run").mkdir()
    served = serving(tmp_path, tmp_path / "run" / "begin_it.py", START)
    served.address, once = served.address.split(" ")
    context = browser.new_context(viewport={"width": 1440, "height": 900}, permissions=["microphone"])
    context.set_default_timeout(1000 * PATIENCE)
    faults: list[str] = []
    context.on("weberror", lambda fault: faults.append(str(fault.error)))
    page = context.new_page()
    page.on("console", lambda said: faults.append(said.text) if said.type == "error" else None)
    page.goto(once)
    page.wait_for_selector(".arcade")
    yield served, page, tmp_path
    context.close()
    stopped(served)
    assert not faults, faults


def card_of(photographed: Path, media: Path, names: list[str]) -> Path:
    """A camera's card with some of the frames, and one file that is none."""
    folder = media / "CARD" / "DCIM" / "100HARRO"
    folder.mkdir(parents=True)
    for name in names:
        shutil.copy(photographed / "frames" / name, folder)
    (folder / "HM0009.MOV").write_bytes(b"moving")
    return media / "CARD"
