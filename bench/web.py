"""How quick the pages are, measured in the browser.

    python bench/web.py [VISIT]
    python bench/web.py --many     # only what 2,000 frames cost
    python bench/web.py plan
    python bench/web.py desk [VISIT]

Prints, from Debian's chromium without a graphics card: a control moved to the new 1600-pixel preview painted (median
and 95th percentile); frames a second while a line is dragged; the first page of a visit of 500 sorted frames, from
the start of the process. With 2,000 frames: the start page from the start of the process and once it is warm, the
frames of the screen dropped while scrolling Sort as rows and as a grid, from top to bottom, and the memory of the
server and of the page before and after. Beside them the load, the bare decoding of
the same preview in the same browser, and the share of the time that the server took, so that a busy machine shows.
`desk [VISIT]` alone: the Finish page with frames of 20 megapixels, one alone and three merged: each control, places
treated by themselves among them, to its quick picture; the settled and the exact picture; tiles at 100 %; how long a
merged view takes to show something true; and how far what is shown lies from the file that is written.
`plan` alone: on the plan page, a point, a view and a window dragged, each move to its framing and light shown.
VISIT is copied first; without it one frame of 3456 x 2592 pixels is photographed by the simulator.
"""

from __future__ import annotations

import base64
import os
import shutil
import subprocess
import sys
import tempfile
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import psutil
from playwright.sync_api import sync_playwright

from clerestory.raw.group import View
from clerestory.raw.inspect import inspect_file
from clerestory.raw.kept import key_of, packed
from clerestory.raw.sort import Sorted
from clerestory.simulate.camera import Lens, SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import shoot, write_frame
from clerestory.simulate.visit import demo_views
from clerestory.visit.about import Abouts
from clerestory.visit.catalogue import Catalogue
from clerestory.visit.folder import VisitFolder
from clerestory.visit.index import rows_of

CHROMIUM = "/usr/bin/chromium"
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]  # fmt: skip
SERVE = """
import sys
from pathlib import Path
from clerestory.web import serve
if __name__ == "__main__":
    serve(Path(sys.argv[1]), 0, lambda address: print(address, flush=True))
"""
START = """
from clerestory.web.server import Serving, begin
if __name__ == "__main__":
    begin(Serving(ready=lambda address, once: print(address, flush=True)))
"""
MOVES = int(os.environ.get("MOVES", "40"))  # of each control
WANTED = "60 and 100 wanted when idle"
TONED = ("exposure", "window_hold", "shade_lift", "local_contrast")
SLID = (*TONED, "veiling_glare", "colour_temperature", "green_magenta", "mixed_light", "plumb", "swing", "crop_size")
DONE_AT_ONCE = ("aspect", "place the crop", "lines", "leave to the tool", "undo", "redo")
SLIDE = """async ([name, moves]) => {
  const house = window.clerestory, input = document.getElementById(name);
  const found = [];
  const lowest = Number(input.min), highest = Number(input.max);
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  for (let i = 1; i <= moves; i++) {
    house.latencies.length = 0;
    input.value = lowest + (highest - lowest) * (0.2 + 0.6 * ((i * 0.618) % 1));
    const begun = performance.now();
    input.dispatchEvent(new Event('input'));
    const sent = house.page.number;
    const own = () => house.latencies.find((l) => l.n >= sent);
    while (!own() && performance.now() < begun + 5000) await pause(2);
    if (own()) found.push({ ...own(), ms: own().at - begun });
  }
  input.dispatchEvent(new Event('change'));
  const blob = await new Promise((done) => document.querySelector('canvas.picture').toBlob(done, 'image/jpeg', 0.85));
  const begun = performance.now();
  for (let i = 0; i < 5; i++) (await createImageBitmap(blob)).close();
  return { found, decode: (performance.now() - begun) / 5 };
}"""
# Controls that are not slid: lines drawn, aspects chosen, a control left to the tool, the crop pulled, a step undone.
ONCE = """async ([what, moves]) => {
  const house = window.clerestory, page = house.page;
  const aspects = ['4:3', '3:2', '16:9', '1:1', 'free', ''];
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const line = (x, lean) => ({ kind: 'vertical', start: [x, 0.2], end: [x + lean, 0.8] });
  const does = {
    aspect: (i) => {
      const s = page.controls.aspect; s.value = aspects[i % 6]; s.dispatchEvent(new Event('change'));
    },
    'place the crop': (i) => page.preview({ crop: [((i * 0.618) % 1) - 0.5, 0.2] }, false),
    lines: (i) => page.lineUp([line(0.3, 0.01 * (i % 5)), line(0.7, -0.01 * (i % 3))]),
    'leave to the tool': async (i) => {
      await house.ask('set', { view: page.view, values: { exposure: 0.1 + 0.05 * i }, gesture: '' });
      await pause(700);
      house.latencies.length = 0;
      page.controls.leave({ name: 'exposure' });
    },
    undo: () => house.step('undo'),
    redo: () => house.step('redo'),
  };
  const found = [];
  for (let i = 1; i <= moves; i++) {
    await pause(700);
    house.latencies.length = 0;
    const from = page.number;
    let begun = performance.now();
    const going = does[what](i);
    if (what.startsWith('leave')) { await going; begun = performance.now(); }
    const end = begun + 5000;
    const mine = () => house.latencies.find((l) => l.n > from);
    while (!mine() && performance.now() < end) await pause(2);
    if (mine()) found.push({ ...mine(), ms: Math.max(mine().ms, mine().at - begun) });
  }
  return { found };
}"""
SCROLL = """async () => {
  const pile = document.querySelector('.pile');
  const gaps = [];
  let last = 0;
  await new Promise((done) => {
    let step = 0;
    const frame = (now) => {
      if (last) gaps.push(now - last);
      last = now;
      pile.scrollTop += 90;
      if (++step < 240) requestAnimationFrame(frame); else done();
    };
    requestAnimationFrame(frame);
  });
  return { gaps, rows: document.querySelectorAll('.view').length };
}"""


SWEEP = """async () => {
  const pile = document.querySelector('.pile');
  for (let y = 0; y < pile.scrollHeight; y += 700) {
    pile.scrollTop = y;
    await new Promise(requestAnimationFrame);
  }
  return document.querySelectorAll('.view').length;
}"""


class Server:
    """A server in a process of its own, and the moment it was started. `folder` None: the start page, and what it
    remembers kept in `data`."""

    def __init__(self, folder: Path | None, data: Path | None = None) -> None:
        script = Path(tempfile.mkdtemp()) / "serve_it.py"
        script.write_text(START if folder is None else SERVE)
        self.begun = time.perf_counter()
        self.process = subprocess.Popen(
            [sys.executable, str(script), *([] if folder is None else [str(folder)])],
            stdout=subprocess.PIPE, text=True,
            env={**os.environ, "XDG_DATA_HOME": str(data or script.parent / "data")},
        )  # fmt: skip
        assert self.process.stdout is not None
        self.address = self.process.stdout.readline().strip()
        self.base = self.address.split("/?")[0]

    def __enter__(self) -> Server:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.terminate()
        self.process.wait(20)


def load() -> str:
    """The machine's load over the last minute, and its cores."""
    return f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores"


def photographed(folder: Path, width: int = 3456, merged: bool = False) -> None:
    """One frame of the invented church's nave; `merged`: and three of its arcade."""
    (folder / "frames").mkdir(parents=True)
    church, body = Church(1), SimulatedCamera(width=width, height=3 * width // 4)
    views = {v.name: v.shots for v in demo_views(church, body)}
    (folder / "truth").mkdir()
    for number, shot in enumerate([views["nave"][0], *(views["south arcade"][:3] if merged else ())], 1):
        path = folder / "frames" / f"HM{number:04d}.dng"
        write_frame(shoot(church, shot, body, Lens(), number), path, folder / "truth")


def many(folder: Path, one: Path, count: int, each: int = 3) -> None:
    """A visit of `count` frames already sorted, `each` to a view: links to one small raw, what sorting saw of it, the
    catalogue."""
    visit = VisitFolder.create(folder)
    seen = inspect_file(one)
    data = packed(seen)
    visit.looks.mkdir()
    inspected = {}
    for number in range(count):
        path = visit.frames / f"HM{number:05d}.dng"
        os.link(one, path)
        (visit.looks / f"{key_of(path)}.npz").write_bytes(data)
        inspected[path] = seen
    paths = list(inspected)
    views = tuple(
        View(
            f"view-{i // each:04d}",
            "burst" if each > 1 else "single",
            tuple(paths[i : i + each]),
            paths[i],
            "frames of one view",
        )
        for i in range(0, count, each)
    )
    frames, rows = rows_of(Sorted(views, (), inspected), {p.name: "0" * 64 for p in paths}, Abouts())
    with Catalogue(visit.catalogue) as catalogue:
        catalogue.replace_all(frames, rows)


def small_frame(folder: Path) -> Path:
    """A raw of 864 x 648 pixels."""
    folder.mkdir(parents=True)
    church, body = Church(1), SimulatedCamera(width=864, height=648)
    shot = next(v for v in demo_views(church, body) if v.name == "nave").shots[0]
    write_frame(shoot(church, shot, body, Lens(), 1), folder / "one.dng", folder)
    return folder / "one.dng"


def say(what: str, ms: list[float], wanted: str = "") -> None:
    """One line of the table."""
    if not ms:
        print(f"{what:44} nothing was painted within five seconds   {load()}", flush=True)
        return
    middle, late = np.percentile(ms, (50, 95))
    print(f"{what:44} median {middle:7.1f} ms   95 % {late:7.1f} ms   {wanted:28} {load()}", flush=True)


PLACES = [
    {"kind": "light", "at": [[0.2, 0.6], [0.4, 0.6], [0.4, 0.9], [0.2, 0.9]], "width": None, "stops": 0.5,
     "share": None, "by": None, "off": False},
    {"kind": "even colour", "at": [[0.6, 0.3], [0.8, 0.3], [0.8, 0.6]], "width": None, "stops": None, "share": 1,
     "by": None, "off": False},
]  # fmt: skip
# Stops and share of two places moved as by their number fields.
MOVED = """async ([which, moves]) => {
  const house = window.clerestory, page = house.page, found = [];
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  for (let i = 1; i <= moves; i++) {
    house.latencies.length = 0;
    const touches = page.recipe.touches.map((t, k) => (k !== which ? t
      : t.kind === 'light' ? { ...t, stops: -2 + 4 * ((i * 0.618) % 1) } : { ...t, share: (i * 0.618) % 1 }));
    const begun = performance.now();
    page.preview({ touches }, false);
    const sent = page.number;
    const own = () => house.latencies.find((l) => l.n >= sent);
    while (!own() && performance.now() < begun + 5000) await pause(2);
    if (own()) found.push({ ...own(), ms: own().at - begun });
  }
  return { found };
}"""
# From a control given back to the picture at rest painted, and to the exact one.
SETTLED = """async (moves) => {
  const house = window.clerestory, page = house.page, settled = [], exact = [];
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const until = async (holds) => {
    const end = performance.now() + 60000;
    while (!holds() && performance.now() < end) await pause(2);
  };
  for (let i = 1; i <= moves; i++) {
    await house.ask('set', { view: page.view, values: { exposure: 0.1 * i }, gesture: '' });
    await until(() => page.recipe.exposure === 0.1 * i && page.exact && page.drawn === page.number);
    house.latencies.length = 0;
    const begun = performance.now();
    page.preview({}, true);
    const sent = page.number;
    await until(() => house.latencies.find((l) => l.n >= sent));
    settled.push(performance.now() - begun);
    await until(() => page.scale.state === 'proof');
    exact.push(performance.now() - begun);
  }
  return { settled, exact };
}"""
TILES = """async (moves) => {
  const page = window.clerestory.page, found = [];
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  for (let i = 1; i <= moves; i++) {
    page.scale.to(null);
    while (page.scale.state !== 'proof') await pause(5);
    page.scale.at = [0.15 + 0.7 * ((i * 0.618) % 1), 0.15 + 0.7 * ((i * 0.414) % 1)];
    const begun = performance.now();
    page.scale.to(1);
    while (page.scale.state !== 'proof') await pause(2);
    found.push(performance.now() - begun);
  }
  return found;
}"""
OPENED = """async (view) => {
  const page = window.clerestory.page, canvas = document.querySelector('canvas.picture');
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const begun = performance.now(), at = {};
  canvas.width = 0;
  page.open(view);
  while (!at.merged) {
    const now = performance.now() - begun;
    if (!at.small && canvas.width > 0) at.small = now;
    if (!at.quick && page.facts) at.quick = now;
    if (!at.bar && document.querySelector('#works').textContent.includes('merging')) at.bar = now;
    if (page.facts?.merged) at.merged = now;
    if (now > 170000) break;
    await pause(5);
  }
  return at;
}"""
SHOWN = """(() => { const s = clerestory.page.scale;
  return s.state === 'proof' ? s.canvas.toDataURL('image/png') : ''; })()"""


def pixels_of(url: str) -> np.ndarray[Any, Any]:
    """A data URL's picture, B, G, R."""
    return cv2.imdecode(np.frombuffer(base64.b64decode(url.split(",")[1]), np.uint8), cv2.IMREAD_COLOR)


def apart(what: str, shown: np.ndarray[Any, Any], file: np.ndarray[Any, Any], wanted: str) -> None:
    """How far what is shown lies from the file, levels of 255."""
    off = np.abs(shown.astype(float) - file)
    print(f"{what:44} mean {off.mean():.3f}   99 % {np.percentile(off, 99):.1f}   most {off.max():.0f}   {wanted}")


def told_apart(page: Any, folder: Path) -> None:
    """The picture at rest and the exact one, against the file."""
    page.evaluate("clerestory.page.scale.to(null)")
    page.wait_for_function(f"() => {SHOWN} !== ''", timeout=120_000)
    path = folder / "pictures" / "view-01.jpg"
    was = path.stat().st_mtime_ns if path.exists() else 0
    page.evaluate("clerestory.page.write(['view-01'])")
    while not path.exists() or path.stat().st_mtime_ns == was:
        page.wait_for_timeout(50)
    page.wait_for_function("() => clerestory.visit.queue['view-01'] === 'done'", timeout=180_000)
    file = cv2.imread(str(path))
    quick = pixels_of(page.evaluate("document.querySelector('canvas.picture').toDataURL('image/png')"))
    small = cv2.resize(file, quick.shape[1::-1], interpolation=cv2.INTER_AREA)
    apart("the quick look at rest, called quick", quick, small, "")
    shown = pixels_of(page.evaluate(SHOWN))
    small = cv2.resize(file, shown.shape[1::-1], interpolation=cv2.INTER_AREA)
    apart("the picture at rest against the file reduced", shown, small, "0.5 and 3 wanted")
    page.evaluate("clerestory.page.scale.to(1)")
    page.wait_for_function(f"() => clerestory.page.scale.zoom === 1 && {SHOWN} !== ''", timeout=60_000)
    url, left, top = page.evaluate(
        f"[{SHOWN}, ...['left', 'top'].map((k) => Math.round(parseFloat(clerestory.page.scale.canvas.style[k])))]"
    )
    shown = pixels_of(url)
    apart("at 100 %", shown, file[top : top + shown.shape[0], left : left + shown.shape[1]], "0 wanted")


def desk(browser: Any, folder: Path) -> None:
    """The Finish page at 20 megapixels."""
    controls(browser, folder)
    with Server(folder) as server:
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        opened(page, server)
        page.evaluate(
            "clerestory.ask('set', { view: 'view-01', gesture: '', values: { lines: null, aspect: null } })"
        )
        page.wait_for_function("() => clerestory.page.scale.state === 'proof'", timeout=180_000)
        out = page.evaluate(SETTLED, MOVES // 5)
        say("settled picture painted", out["settled"], "250 wanted")
        say("exact picture painted", out["exact"])
        say("tiles at 100 %, the picture being exact", page.evaluate(TILES, MOVES // 4), "300 wanted")
        told_apart(page, folder)
        page.evaluate(
            "touches => clerestory.ask('set', { view: 'view-01', gesture: '', values: { touches } })", PLACES
        )
        there = "clerestory.page.recipe.touches.length === 2 && clerestory.page.scale.state === 'proof'"
        page.wait_for_function(f"() => {there}", timeout=180_000)
        page.evaluate("clerestory.page.scale.to(null)")
        page.evaluate("clerestory.page.preview({}, true)")
        page.wait_for_timeout(1500)
        for which, name in enumerate(("a place's stops", "a wall's share of evening")):
            say(
                f"{name} to preview painted", [f["ms"] for f in page.evaluate(MOVED, [which, MOVES])["found"]], WANTED
            )
        page.evaluate("clerestory.page.preview({}, true)")
        page.wait_for_timeout(500)
        told_apart(page, folder)
        views = page.evaluate("clerestory.visit.views.filter((v) => v.frames.length > 1).map((v) => v.name)")
        for view in views:
            at = page.evaluate(OPENED, view)
            print(
                f"opening {view}, merged: "
                + ", ".join(f"{k} {v:.0f} ms" for k, v in at.items())
                + f"   1000 wanted   {load()}"
            )
        page.close()


def opened(page: Any, server: Server) -> None:
    """Finish at the first view, once it is shown."""
    page.goto(server.address)
    page.goto(f"{server.base}/finish")
    page.wait_for_selector(".finish:not(.opening) .lean[data-left]", timeout=180_000)
    page.wait_for_timeout(1500)


def controls(browser: Any, folder: Path) -> None:
    """Control to preview, and dragging a line."""
    with Server(folder) as server:
        page = browser.new_page(viewport={"width": 1280, "height": 720})
        opened(page, server)
        for name in SLID:
            out = page.evaluate(SLIDE, [f"c-{name}", MOVES])
            page.wait_for_timeout(1500)
            times = [f["ms"] for f in out["found"]]
            say(f"{name} to preview painted", times, WANTED)
            mine = [f["server"] for f in out["found"]]
            print(f"{'':10}of it the server {np.median(mine or [0]):.1f} ms; bare decoding {out['decode']:.1f} ms")
            if name == "swing":
                say("plumb, swing to the picture warped on the page", page.evaluate("window.clerestory.warps"))
        for name in DONE_AT_ONCE:
            out = page.evaluate(ONCE, [name, MOVES // 4])
            say(f"{name} to preview painted", [f["ms"] for f in out["found"]], WANTED)
            print(f"{'':10}of it the server {np.median([f['server'] for f in out['found']]):.1f} ms")
        page.evaluate("window.clerestory.page.lineUp([])")
        page.wait_for_timeout(1500)
        page.evaluate("window.clerestory.page.drawLines()")
        for _ in range(2):
            page.evaluate("window.clerestory.page.lines.add('vertical')")
            page.wait_for_timeout(1500)
        box = page.locator(".lines .end").first.bounding_box()
        page.mouse.move(box["x"] + 8, box["y"] + 8)
        page.mouse.down()
        for i in range(120):
            page.mouse.move(box["x"] + 8 + 40 * np.sin(i / 9), box["y"] + 8)
        gaps = page.evaluate("window.clerestory.page.lines.frames")
        page.mouse.up()
        say("a line dragged, frame to frame", list(np.diff(gaps)), "33.3 wanted: 30 a second")
        page.close()


def dragging(browser: Any, folder: Path) -> None:
    """The plan page: from a move under the hand to what it comes to, shown."""
    folder.mkdir()
    (folder / "visit.toml").write_bytes(files("clerestory.plan").joinpath("example.toml").read_bytes())
    with Server(folder) as server:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        page.goto(server.address)
        page.goto(f"{server.base}/plan")
        page.wait_for_selector(".live dd", timeout=180_000)
        for table, name, part in (("station", "crossing", ".spot"), ("view", "west rose", ".mark"),
                                  ("window", "south clerestory 2", ".reach")):  # fmt: skip
            box = page.locator(f'.thing[data-table="{table}"][data-name="{name}"] {part}').bounding_box()
            x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
            page.mouse.move(x, y)
            page.mouse.down()
            page.evaluate("clerestory.page.took.length = 0")
            for i in range(3 * MOVES):
                page.mouse.move(x + 30 * np.sin(i / 9), y + 12 * np.sin(i / 7))
                page.wait_for_timeout(16)
            took = page.evaluate("clerestory.page.took")
            page.mouse.up()
            page.wait_for_timeout(3000)
            say(
                f"{table} dragged, a move to its {'light' if table == 'window' else 'framing'} shown",
                took,
                "100 wanted",
            )
        page.close()


def first_page(browser: Any, folder: Path) -> None:
    """From the start of the server's process to the first rows with their pictures."""
    times = []
    for _ in range(3):
        context = browser.new_context(viewport={"width": 1280, "height": 720})
        page = context.new_page()
        with Server(folder) as server:
            up = time.perf_counter() - server.begun
            page.goto(server.address)
            page.wait_for_selector(".view .frame img")
            times.append(1000 * (time.perf_counter() - server.begun))
        context.close()
    say("first page, 500 sorted frames", times, "2500 wanted")
    print(f"{'':10}of it the server's start {1000 * up:.0f} ms")


def memory(server: Server, page: Any) -> str:
    """Resident memory of the server and its workers, and of the page: what its scripts hold, and how many nodes."""
    one = psutil.Process(server.process.pid)
    held = sum(p.memory_info().rss for p in (one, *one.children(recursive=True))) / 1e6
    line = page.context.new_cdp_session(page)
    line.send("HeapProfiler.collectGarbage")
    line.send("Performance.enable")
    metrics = {m["name"]: m["value"] for m in line.send("Performance.getMetrics")["metrics"]}
    line.detach()
    return (
        f"server {held:.0f} MB; page {metrics['JSHeapUsedSize'] / 1e6:.1f} MB of script, {metrics['Nodes']:.0f} nodes"
    )


def start_page(browser: Any, folder: Path, data: Path) -> None:
    """The start page of one who has a visit of 2,000 frames: from the start of the process, and when it is warm."""
    cold, warm = [], []
    for _ in range(3):
        context = browser.new_context(viewport={"width": 1440, "height": 900})
        page = context.new_page()
        with Server(None, data) as server:
            page.goto(server.address)
            page.wait_for_selector("button.visit, .none-yet")
            cold.append(1000 * (time.perf_counter() - server.begun))
            page.evaluate("path => clerestory.open(path, true)", str(folder))
            page.wait_for_url("**/sort")
            page.wait_for_selector(".view")
            for _ in range(3):
                begun = time.perf_counter()
                page.goto(f"{server.base}/start")
                page.wait_for_selector("button.visit")
                warm.append(1000 * (time.perf_counter() - begun))
        context.close()
    say("start page, from the start of the process", cold, "1000 wanted")
    say("start page, the program running, 2,000 frames", warm, "1000 wanted")


def scrolling(browser: Any, folder: Path, what: str) -> None:
    """Frames of the screen dropped over 21,600 pixels, then all of it from top to bottom; memory before and after."""
    with Server(folder) as server:
        page = browser.new_page(viewport={"width": 1440, "height": 900})
        begun = time.perf_counter()
        page.goto(server.address)
        page.wait_for_selector(".view")
        print(f"Sort with 2,000 frames as {what}: first pictures after {1000 * (time.perf_counter() - begun):.0f} ms")
        page.wait_for_timeout(1500)
        before = memory(server, page)
        out = page.evaluate(SCROLL)
        say(f"scrolling 2,000 frames as {what}", out["gaps"], "16.7: 60 frames a second")
        smooth = np.mean(np.array(out["gaps"]) < 25)
        print(f"{'':10}{100 * smooth:.1f} % of frames on time; in the page at once: {out['rows']} views")
        rows = page.evaluate(SWEEP)
        page.wait_for_timeout(10_000)  # pictures on their way hold the rows that they were for
        print(
            f"{'':10}memory before: {before}\n{'':10}at the bottom, {rows} views in the page: {memory(server, page)}"
        )
        page.close()


def of_many(browser: Any, root: Path) -> None:
    """What a visit of 2,000 frames costs."""
    one = small_frame(root / "few")
    many(root / "twenty", one, 2000)
    many(root / "singles", one, 2000, 1)
    start_page(browser, root / "twenty", root / "data")
    scrolling(browser, root / "twenty", "rows")
    scrolling(browser, root / "singles", "a grid")


def main(arguments: list[str]) -> None:
    """All of it."""
    with tempfile.TemporaryDirectory() as held, sync_playwright() as playwright:
        root = Path(held)
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        if arguments == ["--many"]:
            of_many(browser, root)
            return
        if arguments[:1] == ["desk"]:
            if arguments[1:]:
                shutil.copytree(
                    arguments[1], root / "visit", ignore=shutil.ignore_patterns("recipes", "journal.jsonl")
                )
            else:
                photographed(root / "visit", 5184, True)
            desk(browser, root / "visit")
            return
        if arguments == ["plan"]:
            dragging(browser, root / "plan")
            return
        if arguments:
            shutil.copytree(arguments[0], root / "visit", ignore=shutil.ignore_patterns("recipes", "journal.jsonl"))
        else:
            photographed(root / "visit")
        controls(browser, root / "visit")
        dragging(browser, root / "plan")
        one = small_frame(root / "small")
        many(root / "five", one, 500)
        first_page(browser, root / "five")
        of_many(browser, root)
        browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
