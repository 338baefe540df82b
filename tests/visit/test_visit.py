"""Import, catalogue, check: nothing lost, and all of it made again from the files."""

from __future__ import annotations

import csv
import errno
import io
import json
import os
import random
import re
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from clerestory.errors import UserError
from clerestory.files.store import digest_of, write_atomic
from clerestory.visit.about import About, Abouts, read_abouts, write_abouts
from clerestory.visit.catalogue import MIGRATIONS, Catalogue, FrameRow, ViewRow
from clerestory.visit.check import check
from clerestory.visit.folder import VisitFolder, add_digest, read_digests
from clerestory.visit.importing import copy_in, frame_name
from clerestory.visit.index import sort_visit
from running import run

Card = Callable[[int], Path]
IMPORT = """
import sys
from pathlib import Path
from clerestory.visit.folder import VisitFolder
from clerestory.visit.importing import copy_in
if __name__ == "__main__":
    print("ready", flush=True)
    copy_in(Path(sys.argv[1]), VisitFolder(Path(sys.argv[2])), Path(sys.argv[3]))
"""


def contents(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): digest_of(p) for p in sorted(folder.rglob("*")) if p.is_file()}


def test_import_copies_verifies_and_never_touches_the_card(card: Card, tmp_path: Path) -> None:
    source = card(5)
    before = contents(source)
    visit = VisitFolder(tmp_path / "visit")
    done = copy_in(source, visit, tmp_path / "spare")
    assert len(done.copied) == 5 and not done.refused
    assert [p.name for p in done.left] == ["index.dat"]
    assert done.copied[0] == "20310601-100000_P0000.dng"
    assert contents(source) == before
    assert sorted(contents(visit.frames).values()) == sorted(v for k, v in before.items() if k.endswith(".DNG"))
    assert contents(visit.frames) == contents(tmp_path / "spare/frames")
    again = copy_in(source, visit)
    assert not again.copied and len(again.already) == 5
    sort_visit(visit)
    assert check(visit) == []


@pytest.mark.skipif(shutil.which("b2sum") is None, reason="coreutils' b2sum is not here")
def test_digests_are_read_by_coreutils(card: Card, tmp_path: Path) -> None:
    visit = VisitFolder(tmp_path / "visit")
    copy_in(card(3), visit)
    command = ["b2sum", "-l", "256", "-c", "frames.b2sum"]
    done = subprocess.run(command, cwd=visit.root, capture_output=True, text=True)
    assert done.returncode == 0 and done.stdout.count("OK") == 3


def test_names_never_collide(card: Card, tmp_path: Path) -> None:
    source = card(2)
    twin = source / "DCIM" / "102FENNI"
    twin.mkdir()
    one = (source / "DCIM/100FENNI/P0000.DNG").read_bytes()
    (twin / "P0000.DNG").write_bytes(one[:-2] + b"\x01\x01")  # same time and name, other content
    (twin / "copy of P0000.dng").write_bytes(one)  # same content
    (twin / "broken.dng").write_bytes(b"kept all the same")
    visit = VisitFolder(tmp_path / "visit")
    done = copy_in(source, visit)
    assert sorted(done.copied) == [
        "20310601-100000_P0000-2.dng", "20310601-100000_P0000.dng", "20310601-100100_P0001.dng", "undated_broken.dng"
    ]  # fmt: skip
    assert len(done.already) == 1


@pytest.mark.parametrize("seed", [1, 2])
def test_an_import_killed_anywhere_goes_on(card: Card, tmp_path: Path, seed: int) -> None:
    source, rng = card(6), random.Random(seed)
    visit, spare = VisitFolder(tmp_path / "visit"), tmp_path / "spare"
    script = tmp_path / "run.py"
    script.write_text(IMPORT, encoding="utf-8")
    for _ in range(3):
        run = subprocess.Popen(
            [sys.executable, str(script), str(source), str(visit.root), str(spare)], stdout=subprocess.PIPE
        )
        assert run.stdout is not None
        run.stdout.readline()
        time.sleep(rng.uniform(0.0, 1.0))
        run.kill()
        run.wait()
        good = {digest_of(p) for p in source.rglob("*.DNG")}
        if visit.frames.is_dir():
            assert {digest_of(p) for p in visit.frames.glob("[!.]*")} <= good
    copy_in(source, visit, spare)
    assert contents(visit.frames) == contents(spare / "frames")
    assert len(list(visit.frames.iterdir())) == 6
    sort_visit(visit)
    assert check(visit) == []


def test_a_vanished_card_is_said(tmp_path: Path) -> None:
    with pytest.raises(UserError, match="is the card in the reader"):
        copy_in(tmp_path / "nowhere", VisitFolder(tmp_path / "visit"))


@pytest.mark.parametrize("after", [1, 3, 5])
def test_a_disk_that_fills_up_while_importing(
    card: Card, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, after: int
) -> None:
    source, visit, real, count = card(4), VisitFolder(tmp_path / "visit"), os.fsync, 0

    def full(handle: int) -> None:
        nonlocal count
        count += 1
        if count > after:
            raise OSError(errno.ENOSPC, "No space left on device")
        real(handle)

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UserError, match="disk is full"):
        copy_in(source, visit)
    monkeypatch.undo()
    good = {digest_of(p) for p in source.rglob("*.DNG")}
    assert {digest_of(p) for p in visit.frames.iterdir()} <= good
    copy_in(source, visit)
    assert {digest_of(p) for p in visit.frames.iterdir()} == good
    sort_visit(visit)
    assert check(visit) == []


def test_a_card_taken_out_while_importing(card: Card, tmp_path: Path) -> None:
    source, visit = card(4), VisitFolder(tmp_path / "visit")
    kept = shutil.copytree(source, tmp_path / "kept")
    with pytest.raises(UserError, match=r"card is gone.* 2 frames were copied whole"):
        copy_in(source, visit, progress=lambda done, total: shutil.rmtree(source) if done == 2 else None)
    assert len(copy_in(kept, visit).copied) == 2
    sort_visit(visit)
    assert check(visit) == []


def test_check_names_every_difference(card: Card, tmp_path: Path) -> None:
    visit = VisitFolder(tmp_path / "visit")
    copy_in(card(6), visit)
    found = sort_visit(visit)
    write_atomic(visit.recipes / f"{found.views[0].name}.toml", "exposure = 0.5\n")
    assert check(visit) == []
    frames = sorted(visit.frames.iterdir())
    frames[0].chmod(0o644)
    frames[0].write_bytes(frames[0].read_bytes()[:-1] + b"!")
    frames[1].unlink()
    shutil.copyfile(frames[2], visit.frames / "extra.dng")
    (visit.recipes / "view-77.toml").write_text("exposure = \n", encoding="utf-8")
    (visit.hidden / "accounts").mkdir()
    (visit.hidden / "accounts/view-01.json").write_text(
        json.dumps({"aspects": {"own": {"files": [{"name": "view-01.jpg", "digest": "0" * 64}]}}})
    )
    what = [(d.path.name, d.grave, re.split(r";| \(", d.what)[0]) for d in check(visit)]
    assert (frames[0].name, True, "has changed since it came in") in what
    assert (frames[1].name, True, "is in the list of digests but not there") in what
    assert any(n == "extra.dng" and not g for n, g, _ in what)
    assert sum(n == "view-77.toml" for n, _, _ in what) == 1
    assert ("view-01.jpg", False, "was finished but is not there") in what
    assert any(n == "catalogue.sqlite" and frames[1].name in w for n, _, w in what)


def test_the_catalogue_is_made_again_from_the_files(card: Card, tmp_path: Path) -> None:
    visit = VisitFolder(tmp_path / "visit")
    copy_in(card(6), visit)
    write_abouts(visit.about, Abouts(About(place="Wendmoor"), {"view-01": About(title="The nave")}))
    sort_visit(visit)
    with Catalogue(visit.catalogue) as catalogue:
        first = catalogue.as_json()
        assert catalogue.find(words="nave wend") == catalogue.find(view="view-01") != []
    shutil.rmtree(visit.hidden)
    sort_visit(visit)
    with Catalogue(visit.catalogue) as catalogue:
        assert catalogue.as_json() == first
    visit.catalogue.write_bytes(b"not a database at all" * 300)
    sort_visit(visit)
    with Catalogue(visit.catalogue) as catalogue:
        assert catalogue.as_json() == first


def rows(count: int) -> list[FrameRow]:
    return [
        FrameRow(f"f{i:05d}.dng", f"{i:064x}", 1000 + i, i, time=datetime(2031, 6, 1 + i % 28, i % 24).isoformat(),
                 lens=f"Lens {i % 3}", sharpness=i / count, view=f"view-{i % 7}")
        for i in range(count)
    ]  # fmt: skip


def test_queries_and_exports(tmp_path: Path) -> None:
    with Catalogue(tmp_path / "c.sqlite") as catalogue:
        catalogue.put_frames(rows(210))
        catalogue.put_frames(rows(210)[:5])  # again: replaced, not doubled
        assert catalogue.count() == 210 and catalogue.frame("f00003.dng") == rows(210)[3]
        assert len(catalogue.find(view="view-3")) == 30
        assert all(r.lens == "Lens 1" for r in catalogue.find(lens="Lens 1")) and catalogue.find(lens="Lens 1")
        assert catalogue.find(sharper_than=0.98)[0].name == "f00209.dng"
        day = catalogue.find(after=datetime(2031, 6, 3), before=datetime(2031, 6, 4))
        assert day and all((r.time or "").startswith("2031-06-03") for r in day)
        assert [r.name for r in catalogue.find(words="f00003")] == ["f00003.dng"]
        assert catalogue.find(words='") OR 1=1 --') == []
        table = list(csv.reader(io.StringIO(catalogue.as_csv())))
        assert len(table) == 211 and {len(r) for r in table} == {len(table[0])}
        assert len(json.loads(catalogue.as_json())["frames"]) == 210


def test_the_catalogue_leaves_by_command_and_is_read_back(
    card: Card, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    visit = VisitFolder(tmp_path / "visit")
    copy_in(card(4), visit)
    nave = About(title="Nave,\nlooking east", keywords=("a",))
    write_abouts(visit.about, Abouts(About(place='St "Ælfwyn", Wendmoor'), {"view-01": nave}))
    sort_visit(visit)

    def run_catalogue(*arguments: str) -> int:
        return run("catalogue", str(visit.root), *arguments)

    with Catalogue(visit.catalogue) as catalogue:
        frames, views = list(catalogue.all_frames()), catalogue.views()
    assert run_catalogue("--form", "json", "--into", str(tmp_path / "c.json")) == 0
    whole = json.loads((tmp_path / "c.json").read_text(encoding="utf-8"))
    assert [FrameRow(**f) for f in whole["frames"]] == frames and [ViewRow(**v) for v in whole["views"]] == views
    capsys.readouterr()
    assert run_catalogue() == 0
    table = list(csv.DictReader(io.StringIO(capsys.readouterr().out, newline="")))
    for line, frame in zip(table, frames, strict=True):
        view = next(v for v in views if v.name == frame.view)
        message = {n: v for n, v in line.items() if not n.startswith("view_")}
        assert message == {n: "" if v is None else str(v) for n, v in vars(frame).items()}
        assert (line["view_title"], line["view_place"]) == (view.title, view.place)
    assert run_catalogue("--form", "yaml") == 1 and "choose csv or json" in capsys.readouterr().err


def test_an_old_catalogue_is_migrated_and_a_newer_one_refused(tmp_path: Path) -> None:
    path = tmp_path / "c.sqlite"
    base = sqlite3.connect(path)
    base.executescript(MIGRATIONS[0] + "PRAGMA user_version = 1;")
    base.execute("INSERT INTO frames (name, digest, bytes, mtime_ns, make, model, lens, serial, width, height, view, "
                 "refused) VALUES ('a.dng', '', 1, 1, '', '', '', '', 1, 1, '', '')")  # fmt: skip
    base.commit()
    base.close()
    with Catalogue(path) as catalogue:
        assert catalogue.count() == 1
        catalogue.finish("finish", "view-01", "k", {"a": 1})
        assert catalogue.finished("finish", "view-01", "k") == {"a": 1}
        assert catalogue.finished("finish", "view-01", "other inputs") is None
    base = sqlite3.connect(path)
    base.execute("PRAGMA user_version = 99")
    base.close()
    with pytest.raises(UserError, match="newer version"):
        Catalogue(path)


def test_several_writers_at_once(tmp_path: Path) -> None:
    path = tmp_path / "c.sqlite"

    def write(part: int) -> None:
        with Catalogue(path) as catalogue:
            for row in rows(400)[part::4]:
                catalogue.put_frames([row])

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(write, range(4)))
    with Catalogue(path) as catalogue:
        assert catalogue.count() == 400 and catalogue.faults() == []


words = st.text(st.characters(blacklist_categories=["Cs"]), max_size=30)


@given(st.builds(About, words, words, words, words, words, words, st.lists(words.filter(bool)).map(tuple)))
def test_what_is_said_is_read_back_exactly(tmp_path_factory: pytest.TempPathFactory, about: About) -> None:
    path = tmp_path_factory.getbasetemp() / "about.toml"
    message = Abouts(about, {"view-01": About(title="x"), "view-02": about})
    write_abouts(path, message)
    back = read_abouts(path)
    assert back.visit == about and back.of("view-01").title == "x" and back.of("view-01").place == about.place
    assert back.of("view-02") == about


def test_bad_words_get_a_clear_line(tmp_path: Path) -> None:
    path = tmp_path / "about.toml"
    for text, what in (("[visit]\ntitel = 'a'", "titel: .*did you mean 'title'"),
                       ("[visit", r"line 1.*write \[visit\]"),
                       ("[visit]\ntitle = 3", "must be text"), ("a = " + "[" * 5000, "damaged|understood|closed"),
                       ("a." * 50_000 + "b = 1", "more than 400 parts"), ("#" * 2_000_000, "larger")):  # fmt: skip
        path.write_text(text, encoding="utf-8")
        with pytest.raises(UserError, match=what):
            read_abouts(path)


def test_a_torn_line_costs_only_itself(tmp_path: Path) -> None:
    path = tmp_path / "frames.b2sum"
    add_digest(path, "a.dng", "a" * 64)
    whole = path.read_bytes()
    for cut in range(len(whole)):
        path.write_bytes(whole + whole[:cut])
        add_digest(path, "b.dng", "b" * 64)
        assert read_digests(path) == {"a.dng": "a" * 64, "b.dng": "b" * 64}


@given(st.text(min_size=1, max_size=90).filter(lambda s: "/" not in s and "\0" not in s))
def test_names_are_plain(name: str) -> None:
    made = frame_name(Path(name + ".DNG"), "20310601-100000")
    assert made.isascii() and "/" not in made and len(made) < 100 and made.endswith(".dng")


def test_damage_within_a_frame_is_found_and_named(card: Card, tmp_path: Path) -> None:
    visit = VisitFolder(tmp_path / "visit")
    copy_in(card(1), visit)
    (frame,) = visit.frames.iterdir()
    whole = frame.read_bytes()
    assert len(whole) > 30_000
    frame.chmod(0o644)
    frame.write_bytes(whole[:17_000] + bytes(b ^ 0xFF for b in whole[17_000:17_400]) + whole[17_400:])
    (found,) = [d for d in check(visit) if d.path == frame]
    assert found.grave and "bytes 16,384 to 32,768 of" in found.what


def test_an_empty_folder_has_nothing_to_verify(tmp_path: Path) -> None:
    (only,) = check(VisitFolder(tmp_path))
    assert "holds no frames" in only.what
