"""Nothing lost: kill -9 at random moments of import, sorting, finishing, filming and every writer of a form out.

    python bench/faults.py [--kills 40] [--stages import,sort,finish,film,export,dng,paper,keep] [--seed 1]

After each kill: originals and copies against their digests, finished pictures and films against those that runs
nobody killed have made, `check`; now and then whether the stage goes on to its end. Every figure printed must be 0.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import os
import random
import select
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from clerestory.camera.lens import Distortion
from clerestory.files.store import digest_of
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.visit.check import check
from clerestory.visit.folder import VisitFolder
from clerestory.visit.keep import ALGORITHMS, verify

STAGES = ("import", "sort", "finish", "film", "export", "dng", "paper", "keep")
# Loads everything once and forks for each life, so that a kill strikes the work and not the loading of libraries.
RUN = """
import os
import sys
from pathlib import Path


def live(stage, root, other):
    visit = VisitFolder(root / "visit")
    if stage == "import":
        copy_in(root / "card", visit, root / "spare")
    if stage == "sort":
        sort_visit(visit)
    if stage == "finish":
        asked = api.order((None, "1:1"), space="display-p3" if other else "srgb")
        return len(api.finish_visit(visit.root, asked, 2).failures)
    if stage == "film":
        produce.SIZES["1080p"] = (192, 108)
        produce.make(visit.root)
    if stage == "export":
        kinds = ("jpeg", "tiff", "bright", "avif", "jxl")
        asked = ExportSet(name="Forms", kinds=kinds, quality=90 if other else 93)
        return len(api.export_visit(visit.root, asked, None, 2).failures)
    if stage == "dng":
        return len(api.write_dng(visit.root, upright=other)[1])
    if stage == "paper":
        api.print_visit(visit.root, "a5" if other else "a4")
    if stage == "keep":
        api.keep_visit(visit.root, root / "bag")
    return 0


if __name__ == "__main__":
    from clerestory.film import produce
    from clerestory.finish.export import ExportSet
    from clerestory.visit.folder import VisitFolder
    from clerestory.visit.importing import copy_in
    from clerestory.visit.index import sort_visit
    from clerestory import api
    for line in sys.stdin:
        stage, root, other = line.rstrip("\\n").split("\\t")
        born = os.fork()
        if not born:
            status = 1
            try:
                status = live(stage, Path(root), other == "1")
            finally:
                os._exit(status)
        print(born, flush=True)
        print(os.waitstatus_to_exitcode(os.waitpid(born, 0)[1]), flush=True)
"""


def small_dng(path: Path, number: int) -> None:
    """An invented raw of 320 x 240."""
    from datetime import datetime

    rng = np.random.default_rng(number)
    raw = np.clip(rng.normal(800, 60, (240, 320)) + 900 * (rng.random((240, 320)) > 0.97), 64, 4095)
    meta = DngMeta(
        "Fennimark", "Alder", "17", "Fennimark 13-37 mm", datetime(2031, 6, 1, 10, number // 60 % 60, number % 60),
        1 / 50, 4.0, 800, 12.0, 24.0, 64, 4095, [[0.8, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]],
        (0.5, 1.0, 0.6), (17.3, 13.0), Distortion((1.0, -0.02, 0.01, 0.0)), (-0.1, 0.2, 0.0, 0.0, 0.0), 6.0,
        (8.0, 0.5),
    )  # fmt: skip
    write_dng(path, raw.astype(np.uint16), meta)


class Lives:
    """Runs of a stage in processes of their own, each killed after a time unless it ends before."""

    def __init__(self, folder: Path) -> None:
        (folder / "run.py").write_text(RUN)
        command = [sys.executable, str(folder / "run.py")]
        self.parent = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def one(self, stage: str, root: Path, other: bool, after: float | None) -> int:
        """A life's exit status; -9 when it was killed. `after`: seconds, None: never."""
        assert self.parent.stdin is not None and self.parent.stdout is not None
        self.parent.stdin.write(f"{stage}\t{root}\t{int(other)}\n")
        self.parent.stdin.flush()
        born = int(self.parent.stdout.readline())
        if after is not None and not select.select([self.parent.stdout], [], [], after)[0]:
            with contextlib.suppress(ProcessLookupError):
                os.kill(born, signal.SIGKILL)
        return int(self.parent.stdout.readline())


def cleared(*folders: Path) -> None:
    """Delete folders, again until they are gone: a decoder whose parent was killed may still end its last file."""
    for folder in folders:
        while folder.exists():
            shutil.rmtree(folder, ignore_errors=True)


class Victim:
    """A small visit on whose stages kill -9 is tried: what it was made from, and what its outputs may be."""

    def __init__(self, root: Path, frames: int, lives: Lives) -> None:
        self.root, self.visit, self.lives = root, VisitFolder(root / "visit"), lives
        (root / "card").mkdir(parents=True)
        for i in range(frames):
            small_dng(root / "card" / f"P{i:03d}.DNG", i)
        self.card = {p: digest_of(p) for p in (root / "card").iterdir()}
        self.good: dict[str, set[str]] = {}
        self.full: dict[str, float] = {}

    def run(self, stage: str, other: bool, after: float | None) -> int:
        """One life of a stage. `other`: with the second set of choices, so that outputs are written anew."""
        if stage == "film":
            VisitFolder.create(self.visit.root)
            title = "Another afternoon" if other else "An afternoon"
            shots = "".join(
                f'[[shots]]\npicture = "{p.name}"\nseconds = {4 + other}\nmove = "push"\n'
                for p in sorted(self.visit.pictures.glob("view-0[12].jpg"))
            )
            (self.visit.film / "film.toml").write_text(f'title = "{title}"\n{shots}')
        start = time.perf_counter()
        status = self.lives.one(stage, self.root, other, after)
        if status == 0 and after is None:
            took = time.perf_counter() - start
            self.full[stage] = max(0.1, (self.full.get(stage, took) + took) / 2)
        return status

    def outputs(self) -> dict[str, str]:
        """Digests of finished outputs by name; the report, which tells of the last run, is left out."""
        folders = (self.visit.pictures, self.visit.film, self.visit.exports / "Forms")
        found = [p for folder in folders for p in folder.glob("[!.]*") if p.is_file()]
        aside = {"report.html", "report.json", "film.toml"}
        return {p.name: digest_of(p) for p in found if p.name not in aside}

    def prepare(self, stage: str) -> None:
        """A stage run to its end with both sets of choices: what finished outputs may be from now on."""
        for other in (False, True):
            if self.run(stage, other, None) != 0:
                raise SystemExit(f"{stage} does not end well even when nobody kills it")
            for name, digest in self.outputs().items():
                self.good.setdefault(name, set()).add(digest)

    def faults(self, stage: str) -> dict[str, int]:
        """What is wrong after a kill."""
        if stage == "keep":
            return self._of_bag()
        whole = set(self.card.values())
        copies = [p for f in (self.visit.frames, self.root / "spare/frames") if f.is_dir() for p in f.glob("[!.]*")]
        differences = check(self.visit) if stage not in STAGES[:2] else []
        return {
            "originals differ": sum(digest_of(p) != d for p, d in self.card.items()),
            "copies differ": sum(digest_of(p) not in whole for p in copies),
            "outputs differ": sum(d not in self.good[n] for n, d in self.outputs().items()),
            "check": sum("broken off" not in d.what for d in differences),
        }

    def _of_bag(self) -> dict[str, int]:
        """What is wrong with a package that was broken off: a file that is there is whole; once it says that it is
        complete, it is."""
        bag = self.root / "bag"
        payload = [p for p in (bag / "data").rglob("[!.]*") if p.is_file() and not p.name.startswith(".")]
        pairs = [(p, self.visit.root / p.relative_to(bag / "data")) for p in payload]
        differ = sum(digest_of(p) != digest_of(own) for p, own in pairs if own.exists())
        closed = all((bag / f"tagmanifest-{a}.txt").exists() for a in ALGORITHMS)
        return {"kept files differ": differ, "complete and not whole": len(verify(bag)) if closed else 0}


def kill_stage(victim: Victim, stage: str, count: int, rng: random.Random) -> dict[str, int]:
    """Kills during one stage, `count` that struck; after each what is wrong, and at the end of each eight whether
    the stage goes on to its end and everything is there."""
    faults: collections.Counter[str] = collections.Counter()
    struck, lives, other = 0, 0, False  # the last whole run was with the other choices
    while struck < count:
        if stage == "import" and lives % 3 == 0:
            cleared(victim.visit.root, victim.root / "spare")
        if stage == "sort":
            cleared(victim.visit.looks)
        if stage == "keep" and lives % 3 == 0:
            cleared(victim.root / "bag")
        lives += 1
        status = victim.run(stage, other, rng.uniform(0, 1.1 * victim.full[stage]))
        faults["runs that failed"] += status not in (0, -signal.SIGKILL)
        struck += status == -signal.SIGKILL
        faults.update(victim.faults(stage))
        if status and lives % 8 and struck < count:
            continue
        faults["runs that failed"] += victim.run(stage, other, None) != 0
        other = not other  # so that the next has something to write anew
        faults["frames lost"] += len(
            set(victim.card.values()) - {digest_of(p) for p in victim.visit.frames.glob("[!.]*")}
        )
        faults["outputs lost"] += len(victim.good.keys() - victim.outputs().keys()) if stage in STAGES[2:] else 0
        if stage != "import":
            faults["check"] += sum("broken off" not in d.what for d in check(victim.visit))
    return dict(faults)


def kill(count: int, stages: list[str], seed: int) -> dict[str, int]:
    """Kills shared between stages; faults found after each, all of which must be 0."""
    rng = random.Random(seed)
    faults: collections.Counter[str] = collections.Counter()
    with tempfile.TemporaryDirectory() as name:
        lives = Lives(Path(name))
        many, few = Victim(Path(name) / "many", 12, lives), Victim(Path(name) / "few", 3, lives)
        few.prepare("import")
        few.prepare("sort")
        if "finish" not in stages:
            few.prepare("finish")
        for i, stage in enumerate(stages):
            share = (count + i) // len(stages)
            victim = many if stage in STAGES[:2] else few
            victim.prepare(stage)
            start = time.perf_counter()
            found = kill_stage(victim, stage, share, rng)
            print(f"  {stage}: {share} kills in {time.perf_counter() - start:.0f} s, of a run of "
                  f"{victim.full[stage]:.1f} s: {found}", flush=True)  # fmt: skip
            faults.update(found)
    return dict(faults)


def main() -> None:
    """Print the table; exit status 1 when something that must be none is not."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--kills", type=int, default=40)
    asked.add_argument("--stages", default=",".join(STAGES))
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--pages", action="store_true", help="two windows, a command and a server that is killed")
    asked.add_argument("--runs", type=int, default=200, help="of --pages")
    given = asked.parse_args()
    if given.pages:
        from faults_pages import pages

        sys.exit(1 if pages(given.runs, given.seed) else 0)
    killed = kill(given.kills, [s for s in STAGES if s in given.stages.split(",")], given.seed)
    print(f"{given.kills} kills:", killed)
    sys.exit(1 if sum(killed.values()) else 0)


if __name__ == "__main__":
    main()
