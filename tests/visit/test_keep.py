"""A package for decades: a bag as of RFC 8493, verified by programs that are not ours (GNU coreutils)."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest

from clerestory.errors import UserError
from clerestory.visit.check import check
from clerestory.visit.folder import VisitFolder
from clerestory.visit.keep import ACCOUNT, keep, verify

RUN = """
import sys
from pathlib import Path
from clerestory.visit.folder import VisitFolder
from clerestory.visit.keep import keep
keep(VisitFolder(Path(sys.argv[1])), Path(sys.argv[2]), "A visit")
"""


@pytest.fixture
def visit(tmp_path: Path) -> VisitFolder:
    """A visit of invented files: what they hold does not matter here, but names with spaces and per cent signs do."""
    out = VisitFolder.create(tmp_path / "visit")
    rng = random.Random(1)
    for name, size in (("a.dng", 3_000_000), ("b c%20.dng", 1_000_000), ("ü.dng", 0)):
        (out.frames / name).write_bytes(rng.randbytes(size))
    (out.pictures / "view-01.jpg").write_bytes(rng.randbytes(200_000))
    (out.root / "about.toml").write_text('[visit]\nplace = "Harrowmere"\n', encoding="utf-8")
    (out.hidden / "catalogue.sqlite").write_bytes(b"made again from the rest")
    return out


def test_coreutils_and_the_standard_agree_with_what_is_packed(visit: VisitFolder, tmp_path: Path) -> None:
    bag = tmp_path / "kept"
    kept = keep(visit, bag, "A visit")
    assert kept.bags == (bag,) and kept.files == 5
    # The manifests as RFC 8493, 2.1.3, has them; a name with % in it is encoded, which sha256sum does not undo.
    for algorithm in ("sha256", "sha512"):
        lines = (bag / f"manifest-{algorithm}.txt").read_text(encoding="utf-8").splitlines()
        assert all(re.fullmatch(r"[0-9a-f]+  data/[^\r\n]+", line) for line in lines) and len(lines) == 6
        assert any("b c%2520.dng" in line for line in lines)
        plain = "".join(f"{line}\n" for line in lines if "%" not in line)
        subprocess.run([f"{algorithm}sum", "-c", "--strict", "-"], input=plain, text=True, cwd=bag, check=True)
        subprocess.run([f"{algorithm}sum", "-c", f"tagmanifest-{algorithm}.txt"], cwd=bag, check=True)
    assert (bag / "bagit.txt").read_bytes() == b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    info = dict(line.split(": ", 1) for line in (bag / "bag-info.txt").read_text(encoding="utf-8").splitlines())
    octets, count = info["Payload-Oxum"].split(".")
    payload = [p for p in (bag / "data").rglob("*") if p.is_file()]
    assert (int(octets), int(count)) == (sum(p.stat().st_size for p in payload), len(payload))
    assert "a.dng" in (bag / "data" / ACCOUNT).read_text(encoding="utf-8")
    assert not list(bag.rglob("*.sqlite")) and verify(bag) == []
    assert keep(visit, bag, "A visit").already == 5  # nothing is copied twice


def test_every_change_to_a_package_is_found(visit: VisitFolder, tmp_path: Path) -> None:
    bag = tmp_path / "kept"
    keep(visit, bag, "A visit")
    frame = bag / "data" / "frames" / "a.dng"
    whole = frame.read_bytes()
    for at in (0, 1_500_000, len(whole) - 1):
        frame.write_bytes(whole[:at] + bytes([whole[at] ^ 1]) + whole[at + 1 :])
        assert [d.path for d in verify(bag)] == [frame]
    frame.unlink()
    (bag / "data" / "extra.txt").write_text("later", encoding="utf-8")
    (bag / "bag-info.txt").write_text("Payload-Oxum: 1.1\n", encoding="utf-8")
    assert {d.path.name for d in verify(bag)} == {"a.dng", "extra.txt", "bag-info.txt"}


def test_several_packages_hold_each_file_once(visit: VisitFolder, tmp_path: Path) -> None:
    kept = keep(visit, tmp_path / "kept", "A visit", part_bytes=1_500_000)
    names = [p.name for bag in kept.bags for p in (bag / "data").rglob("*") if p.is_file() and p.name != ACCOUNT]
    assert len(kept.bags) == 2 and sorted(names) == ["a.dng", "about.toml", "b c%20.dng", "view-01.jpg", "ü.dng"]
    assert "Bag-Count: 2 of 2" in (kept.bags[1] / "bag-info.txt").read_text(encoding="utf-8")


def test_a_packing_killed_at_any_moment_says_so_and_goes_on(visit: VisitFolder, tmp_path: Path) -> None:
    bag = tmp_path / "kept"
    for wait in (0.0, 0.15, 0.3):
        run = subprocess.Popen([sys.executable, "-c", RUN, str(visit.root), str(bag)])
        end = time.monotonic() + 20
        while not bag.exists() and run.poll() is None and time.monotonic() < end:
            time.sleep(0.005)
        time.sleep(wait / 10)
        run.kill()
        run.wait()
        if bag.exists() and not (bag / "tagmanifest-sha512.txt").exists():
            assert verify(bag)
    keep(visit, bag, "A visit")
    assert verify(bag) == [] and not list(bag.rglob("*.part"))


def test_a_package_is_not_laid_over_other_things(visit: VisitFolder, tmp_path: Path) -> None:
    other = tmp_path / "other"
    other.mkdir()
    (other / "letters.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UserError, match="other things in it"):
        keep(visit, other, "A visit")
    with pytest.raises(UserError, match="lies in the visit itself"):
        keep(visit, visit.root / "kept", "A visit")
    shutil.rmtree(visit.root)
    visit.root.mkdir()
    with pytest.raises(UserError, match="nothing to be kept"):
        keep(visit, tmp_path / "kept", "A visit")
    assert check(visit)
