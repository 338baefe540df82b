"""Nothing lost: kill -9 at random moments of import and sorting, and damaged files by the thousand.

    python bench/faults.py [--kills 30] [--files 2000] [--seed 1]

Prints how the runs ended. Must be none: a crash of the main process, an original or a copy that differs, a file
that took down more than itself. A file that failed in a way worth keeping is named by its seed in faults_seeds.json
and is tried again first at every run.
"""

from __future__ import annotations

import argparse
import collections
import io
import json
import os
import random
import signal
import struct
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from clerestory.camera.geometry import Distortion
from clerestory.errors import UserError
from clerestory.frames.inspect import inspect_file
from clerestory.frames.isolate import map_isolated
from clerestory.simulate.dng import DngMeta, write_dng
from clerestory.visit.about import read_abouts
from clerestory.visit.check import check
from clerestory.visit.folder import VisitFolder
from clerestory.visit.index import sort_visit
from clerestory.visit.store import digest_of

RAWS = Path("/work/shared/data/raws")
SEEDS = Path(__file__).with_name("faults_seeds.json")
RUN = """
import sys
from pathlib import Path
from clerestory.visit.folder import VisitFolder
from clerestory.visit.importing import copy_in
from clerestory.visit.index import sort_visit
if __name__ == "__main__":
    print("ready", flush=True)
    visit = VisitFolder(Path(sys.argv[2]))
    copy_in(Path(sys.argv[1]), visit, Path(sys.argv[3]))
    sort_visit(visit)
"""


def small_dng(path: Path, number: int) -> None:
    """An invented raw of 320 x 240."""
    from datetime import datetime

    rng = np.random.default_rng(number)
    raw = np.clip(rng.normal(800, 60, (240, 320)) + 900 * (rng.random((240, 320)) > 0.97), 64, 4095)
    meta = DngMeta(
        "Harrow", "One", "17", "Vantage 12-40", datetime(2031, 6, 1, 10, number // 60 % 60, number % 60), 1 / 50, 4.0,
        800, 12.0, 24.0, 64, 4095, [[0.8, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]], (0.5, 1.0, 0.6),
        (17.3, 13.0), Distortion((1.0, -0.02, 0.01, 0.0)), (-0.1, 0.2, 0.0, 0.0, 0.0), 6.0, (8.0, 0.5),
    )  # fmt: skip
    write_dng(path, raw.astype(np.uint16), meta)


def bases(folder: Path) -> list[tuple[str, bytes]]:
    """Good files to damage: invented ones, and real raws where they are at hand."""
    small_dng(folder / "base.dng", 7)
    out = [("dng", (folder / "base.dng").read_bytes())] * 6
    grey = (np.random.default_rng(2).random((90, 120, 3)) * 255).astype(np.uint8)
    jpeg = io.BytesIO()
    Image.fromarray(grey).save(jpeg, "JPEG")
    tifffile.imwrite(folder / "base.tif", grey.astype(np.uint16) * 257, photometric="rgb")
    out += [("jpg", jpeg.getvalue()), ("tif", (folder / "base.tif").read_bytes())]
    if RAWS.is_dir():
        out += [(p.suffix[1:].lower(), p.read_bytes()) for p in sorted(RAWS.glob("*.*"))]
    return out


def _flip(data: bytearray, rng: random.Random) -> None:
    reach = min(len(data), rng.choice((512, 4096, len(data))))
    for _ in range(rng.choice((1, 3, 12, 64))):
        data[rng.randrange(reach)] ^= 1 << rng.randrange(8)


def _cut(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def _swap(data: bytearray, rng: random.Random) -> None:
    """Exchange two directory entries' values (12 bytes each from byte 10 on in a plain TIFF)."""
    a, b = (10 + 12 * rng.randrange(30) for _ in range(2))
    data[a + 2 : a + 12], data[b + 2 : b + 12] = data[b + 2 : b + 12], data[a + 2 : a + 12]


def _giant(data: bytearray, rng: random.Random) -> None:
    """A directory value (or any aligned word of the head) becomes huge."""
    place = 10 + 12 * rng.randrange(30) + 8
    data[place : place + 4] = struct.pack("<I", rng.choice((0, 1, 65535, 100_000, 0x7FFFFFFF, 0xFFFFFFFF)))


def _blank(data: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(data))
    size = rng.choice((16, 512, 65536))
    data[start : start + size] = bytes([rng.choice((0, 255))]) * len(data[start : start + size])


def damaged(kinds: list[tuple[str, bytes]], seed: int) -> tuple[str, bytes]:
    """The file of one seed: its ending and its bytes."""
    rng = random.Random(seed)
    ending, whole = kinds[rng.randrange(len(kinds))]
    data = bytearray(whole)
    for _ in range(rng.choice((1, 1, 2))):
        rng.choice((_flip, _flip, _cut, _swap, _giant, _blank))(data, rng)
    return ending, bytes(data)


def how(reason: str) -> str:
    """The class of one ending."""
    for word, name in (("crashed", "decoder crashed"), ("longer than", "over time"), ("MB allowed", "over memory"),
                       ("decoder stopped", "decoder stopped")):  # fmt: skip
        if word in reason:
            return name
    return "NOT FORESEEN" if "cannot be read (" in reason and "Error:" in reason else "refused with a reason"


def batches(seeds: list[int], size: int) -> list[list[int]]:
    """Seeds in groups, so that the disk holds few files at a time."""
    return [seeds[i : i + size] for i in range(0, len(seeds), size)]


def mutate(count: int, first: int) -> dict[str, int]:
    """Damaged files through the decoders; how they ended."""
    known = json.loads(SEEDS.read_text()) if SEEDS.exists() else []
    ends: collections.Counter[str] = collections.Counter()
    keep = {int(k["seed"]): k for k in known}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        kinds = bases(folder)
        start = time.perf_counter()
        for batch in batches([*keep, *range(first, first + count)], 100):
            paths = []
            for seed in batch:
                ending, data = damaged(kinds, seed)
                paths.append(folder / f"{seed}.{ending}")
                paths[-1].write_bytes(data)
            for outcome in map_isolated(inspect_file, [(p,) for p in paths], 2, 10.0, 1024):
                end = "read" if outcome.ok else how(outcome.reason)
                ends[end] += 1
                if end not in ("read", "refused with a reason"):
                    keep[batch[outcome.index]] = {"seed": batch[outcome.index], "end": end}
                    if end == "NOT FORESEEN":
                        print(f"  seed {batch[outcome.index]}: {outcome.reason}")
            for path in paths:
                path.unlink()
        print(f"{sum(ends.values())} damaged files in {time.perf_counter() - start:.0f} s")
    if sorted(keep) != sorted(int(k["seed"]) for k in known):
        SEEDS.write_text(json.dumps([keep[s] for s in sorted(keep)][:200], indent=0) + "\n")
    return dict(ends)


def mutate_words(count: int, first: int) -> dict[str, int]:
    """Damaged about.toml files; read in this very process."""
    ends: collections.Counter[str] = collections.Counter()
    good = b'[visit]\ntitle = "Nave"\nkeywords = ["a", "b"]\n[views.view-01]\ncaption = "x"\n'
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "about.toml"
        for seed in range(first, first + count):
            rng = random.Random(seed)
            data = bytearray(good)
            rng.choice((_flip, _cut, _blank))(data, rng)
            if seed % 50 == 0:
                data = bytearray(b"x = " + b"[" * 100_000 if seed % 100 else b"a." * 50_000 + b"b = 1")
            path.write_bytes(bytes(data))
            try:
                read_abouts(path)
                ends["read"] += 1
            except UserError:
                ends["refused with a reason"] += 1
    return dict(ends)


def one_life(command: list[str], after: float) -> int | None:
    """Start a run and kill it after a time; its exit status when it came to its end before, else None."""
    run = subprocess.Popen(command, stdout=subprocess.PIPE)
    assert run.stdout is not None
    run.stdout.readline()
    try:
        return run.wait(after)
    except subprocess.TimeoutExpired:
        os.kill(run.pid, signal.SIGKILL)
        run.wait()
        return None


def kill(count: int, seed: int) -> dict[str, int]:
    """Kills during import and sorting; faults found after each, all of which must be 0."""
    rng = random.Random(seed)
    faults: collections.Counter[str] = collections.Counter(
        {"runs that failed": 0, "originals differ": 0, "copies differ": 0}
    )
    ended = 0
    with tempfile.TemporaryDirectory() as name:
        root = Path(name)
        (root / "card").mkdir()
        for i in range(30):
            small_dng(root / "card" / f"P{i:03d}.DNG", i)
        (root / "run.py").write_text(RUN)
        before = {p: digest_of(p) for p in (root / "card").iterdir()}
        good = set(before.values())
        places = [str(root / part) for part in ("card", "visit", "spare")]
        full = 1.0
        for turn in range(count):
            if ended and turn % 8 == 0:
                subprocess.run(["rm", "-rf", *places[1:]], check=True)
                ended = 0
            start = time.perf_counter()
            status = one_life([sys.executable, str(root / "run.py"), *places], rng.uniform(0, 1.2 * full))
            if status:
                faults["runs that failed"] += 1
            elif status == 0:
                full, ended = max(0.5, time.perf_counter() - start), ended + 1
            faults["originals differ"] += sum(digest_of(p) != d for p, d in before.items())
            for frames in (root / "visit/frames", root / "spare/frames"):
                if frames.is_dir():
                    faults["copies differ"] += sum(digest_of(p) not in good for p in frames.glob("[!.]*"))
        subprocess.run([sys.executable, str(root / "run.py"), *places], check=True, stdout=subprocess.DEVNULL)
        visit = VisitFolder(root / "visit")
        faults["frames lost"] = len(good - {digest_of(p) for p in visit.frames.glob("[!.]*")})
        sort_visit(visit)
        left = [d for d in check(visit) if "broken off" not in d.what]
        faults["check"] = len(left)
        for difference in left:
            print("  ", difference)
    return dict(faults)


def main() -> None:
    """Print the tables; exit status 1 when something that must be none is not."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--kills", type=int, default=30)
    asked.add_argument("--files", type=int, default=2000)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    killed = kill(given.kills, given.seed) if given.kills else {}
    print(f"{given.kills} kills:", killed)
    files = mutate(given.files, given.seed * 1_000_000)
    print("damaged frames:", files)
    print("damaged words:", mutate_words(given.files, given.seed * 1_000_000))
    print("crashes of the main process: 0")
    sys.exit(1 if sum(killed.values()) or files.get("NOT FORESEEN") else 0)


if __name__ == "__main__":
    main()
