"""Disks full, read-only or taken out, clocks that jump, at every stage: clear lines, nothing lost, it goes on."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from tests.raw.conftest import dng_bytes, make_photograph, make_scene

from clerestory import cli
from clerestory.files.store import digest_of
from clerestory.film import produce
from clerestory.visit.check import check
from clerestory.visit.folder import VisitFolder
from running import filled, run

STAGES = ("import", "sort", "finish", "film")
FILM = 'title = "An afternoon"\n' + '[[shots]]\npicture = "view-01"\nseconds = 4\nmove = "push"\n'


@pytest.fixture(scope="module", autouse=True)
def small() -> Iterator[None]:
    """Films of 256 x 144."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setitem(produce.SIZES, "1080p", (256, 144))
        yield


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("card")
    for i in (0, 3):
        raw = make_photograph(make_scene(i, 240, 320), seed=i)
        (root / f"P{i}.DNG").write_bytes(dng_bytes(raw, when=f"2031:06:01 10:{10 * i:02d}:00"))
    return root


def run_stage(stage: str, card: Path, visit: Path) -> tuple[int, str]:
    """A stage by the command line in this process: exit status and what it said on standard error."""
    command = {
        "import": ["sort", str(visit), "--from", str(card)],
        "sort": ["sort", str(visit)],
        "finish": ["finish", str(visit), "--workers", "1"],
        "film": ["film", str(visit)],
    }[stage]
    with cli.err.capture() as message:
        status = run(*command)
    return status, message.get()


def begun(visit: Path) -> Path:
    """A visit with nothing in it but what its film is to be."""
    (visit / "film").mkdir(parents=True)
    (visit / "film" / "film.toml").write_text(FILM, encoding="utf-8")
    return visit


def outputs(visit: Path) -> dict[str, str]:
    """Digests of everything that is to keep or was finished."""
    found = [p for part in ("frames", "pictures", "film") for p in (visit / part).glob("[!.]*") if p.is_file()]
    return {f"{p.parent.name}/{p.name}": digest_of(p) for p in found if not p.name.startswith("report")}


@pytest.fixture(scope="module")
def reference(card: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What a visit holds when nothing goes wrong."""
    visit = begun(tmp_path_factory.mktemp("reference") / "visit")
    for stage in STAGES:
        assert run_stage(stage, card, visit) == (0, ""), stage
    return outputs(visit)


@pytest.mark.parametrize("leave", [0, 64 << 10])
def test_a_full_disk_stops_any_stage_with_a_clear_line(
    disk: Path, card: Path, reference: dict[str, str], leave: int
) -> None:
    visit = begun(disk / "visit")
    for stage in STAGES:
        before = outputs(visit)
        with filled(disk, leave):
            status, message = run_stage(stage, card, visit)
            assert outputs(visit).items() >= before.items(), stage  # nothing that was whole is gone
            assert all(reference[name] == digest for name, digest in outputs(visit).items()), stage
        if status:
            assert "disk" in message and "full" in message and "fault of ours" not in message, (stage, message)
        else:
            assert leave, f"{stage} on a full disk ended well"
        assert run_stage(stage, card, visit) == (0, ""), stage
        assert check(VisitFolder(visit)) == [], stage
    assert outputs(visit) == reference


def test_a_read_only_disk_is_said(disk: Path, card: Path, reference: dict[str, str]) -> None:
    visit = begun(disk / "visit")
    for stage in STAGES[:3]:
        assert run_stage(stage, card, visit) == (0, "")
    (visit / "pictures" / "view-02.jpg").write_bytes(b"changed: to be finished again")
    subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
    before = outputs(visit)
    for stage in STAGES:
        status, message = run_stage(stage, card, visit)
        assert status == 1 and "read-only" in message.lower() and "fault of ours" not in message, (stage, message)
    assert outputs(visit) == before
    subprocess.run(["mount", "-o", "remount,rw", str(disk)], check=True)
    for stage in STAGES[1:]:
        assert run_stage(stage, card, visit)[0] == 0
    assert outputs(visit) == reference


@pytest.mark.skipif(shutil.which("mount") is None, reason="this system has no mount")
def test_a_disk_taken_out_and_put_back(tmp_path: Path, card: Path, reference: dict[str, str]) -> None:
    place, kept = tmp_path / "disk", tmp_path / "kept"
    place.mkdir()
    kept.mkdir()

    def put_in() -> None:
        made = subprocess.run(["mount", "--bind", str(kept), str(place)], capture_output=True)
        if made.returncode:
            assert "CLERESTORY_MOUNT_REQUIRED" not in os.environ, made.stderr
            pytest.skip("mounting is not allowed here")

    def take_out() -> None:
        subprocess.run(["umount", "-l", str(place)], check=True)

    def take_out_when(sign: str) -> None:
        while not list(kept.glob(sign)):
            time.sleep(0.005)
        take_out()

    put_in()
    begun(place / "visit")
    stopped = []
    signs = ("frames/2*", ".clerestory/looks/*.npz", "pictures/view-01.jpg", ".clerestory/film/*")
    for stage, sign in zip(STAGES, signs, strict=True):
        for path in kept.glob(f"visit/{sign}") if stage != "import" else ():
            path.unlink()
        thief = threading.Thread(target=take_out_when, args=(f"visit/{sign}",))
        thief.start()
        status, message = run_stage(stage, card, place / "visit")
        thief.join()
        stopped += [stage] * (status == 1)  # now and then a stage was quicker
        assert bool(message) == (status == 1) and status in (0, 1) and "fault of ours" not in message, (
            stage,
            message,
        )
        shutil.rmtree(place / "visit", ignore_errors=True)  # what was written where the disk had been
        put_in()
        assert run_stage(stage, card, place / "visit") == (0, ""), stage
        assert check(VisitFolder(place / "visit")) == [], stage
    assert outputs(place / "visit") == reference
    take_out()
    assert stopped, "no stage noticed that the disk was gone"


def test_a_clock_that_jumps_changes_nothing(
    card: Path, tmp_path: Path, reference: dict[str, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    rng, real = random.Random(3), time.time
    monkeypatch.setattr(time, "time", lambda: real() + rng.choice((-1e9, -4000.0, 0.0, 4000.0, 1e9)))
    visit = begun(tmp_path / "visit")
    for stage in STAGES:
        assert run_stage(stage, card, visit) == (0, ""), stage
    assert outputs(visit) == reference
    assert check(VisitFolder(visit)) == []
