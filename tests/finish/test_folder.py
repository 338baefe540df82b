"""A folder of frames, end to end: pictures against the ground truth, bad files named, nothing lost, going on."""

from __future__ import annotations

import hashlib
import json
import math
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import exiv2
import numpy as np
import pytest
from PIL import Image

from clerestory.camera.pose import Pose
from clerestory.finish.report import angle_between
from clerestory.simulate.camera import SimulatedCamera
from clerestory.simulate.scene import Church
from clerestory.simulate.shoot import Shot, shoot, write_frame
from running import run

SHARED = Path(__file__).parents[3] / "shared" / "data" / "raws"


def digests(folder: Path) -> dict[str, str]:
    """Contents of a folder's files."""
    return {p.name: hashlib.blake2b(p.read_bytes()).hexdigest() for p in folder.iterdir() if p.is_file()}


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two leaning views of the modelled church and one of every kind of bad file."""
    root = tmp_path_factory.mktemp("visit")
    frames = root / "frames"
    frames.mkdir()
    body, church = SimulatedCamera(width=1296, height=972), Church(1)
    for n, (yaw, pitch, roll) in enumerate(((2, 9, 1.5), (-28, 14, -2.0))):
        pose = Pose(math.radians(yaw), math.radians(pitch), math.radians(roll), (0.2, 4.0 + 9 * n, 1.6))
        shot = Shot(pose, iso=400, seconds=1 / 60, shake_px=0.2, focus_m=None)
        frame = shoot(church, shot, body, seed=40 + n)
        object.__setattr__(frame.meta, "time", frame.meta.time.replace(minute=10 + 12 * n))
        write_frame(frame, frames / f"A{n}.dng", root)
    good = (frames / "A0.dng").read_bytes()
    (frames / "cut.dng").write_bytes(good[: len(good) // 3])
    (frames / "empty.dng").write_bytes(b"")
    (frames / "zeros.dng").write_bytes(bytes(5000))
    (frames / "letter.dng").write_text("This is no picture.", encoding="utf-8")
    (frames / "picture.cr2").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(300))
    return root


@pytest.fixture(scope="module")
def finished(visit: Path) -> tuple[Path, int, dict[str, str]]:
    """That visit finished once by the command; its status and the originals' digests before."""
    before = digests(visit / "frames")
    return visit, run("finish", str(visit), "--aspect", "own,16:9", "--workers", "1"), before


def test_pictures_stand_upright_by_the_truth(finished: tuple[Path, int, dict[str, str]]) -> None:
    visit, _, _ = finished
    accounts = [
        json.loads(p.read_text(encoding="utf-8")) for p in sorted((visit / ".clerestory" / "accounts").glob("*.json"))
    ]
    assert len(accounts) == 2
    for account in accounts:
        truth = json.loads((visit / (Path(account["pick"]).stem + ".truth.json")).read_text(encoding="utf-8"))
        assert account["verdict"] == "sure" and account["plumb"] > 0.9
        # Frames a quarter of the real size: their half-size grid holds 12 pixels a degree.
        assert angle_between(account["up"], truth["up"]) < min(0.25, 2 * account["lean_bound"])
        assert account["aspects"]["16:9"]["kept"] < account["aspects"]["own"]["kept"] < 1
        assert account["exposed"]["stone_snr"] > 1 and any("glass" in r for r in account["remarks"])


def test_nothing_from_outside_the_frame_is_shown(finished: tuple[Path, int, dict[str, str]]) -> None:
    visit, _, _ = finished
    for path in sorted((visit / "pictures").glob("view-*.jpg")):
        edge = np.asarray(Image.open(path)).astype(float)
        borders = np.concatenate([edge[0], edge[-1], edge[:, 0], edge[:, -1]])
        flat = (borders.max(axis=-1) < 2).mean() + (borders.min(axis=-1) > 253).mean()
        assert flat < 0.02, path.name
        if "16x9" in path.name:
            assert abs(edge.shape[1] / edge.shape[0] - 16 / 9) < 0.01


def test_bad_files_are_named_and_the_rest_goes_on(
    finished: tuple[Path, int, dict[str, str]], capsys: pytest.CaptureFixture[str]
) -> None:
    visit, status, before = finished
    assert status == 1
    assert digests(visit / "frames") == before
    assert run("finish", str(visit), "--aspect", "own,16:9", "--workers", "1") == 1
    told = capsys.readouterr()
    for name in ("cut.dng", "empty.dng", "zeros.dng", "letter.dng", "picture.cr2"):
        assert name in told.err
    assert "Traceback" not in told.err + told.out
    assert "2 already finished before" in told.out


def test_a_changed_recipe_is_finished_anew_and_a_wrong_one_is_named(
    finished: tuple[Path, int, dict[str, str]], capsys: pytest.CaptureFixture[str]
) -> None:
    visit, _, _ = finished
    recipes = visit / "recipes"
    recipes.mkdir(exist_ok=True)
    was = digests(visit / "pictures")
    (recipes / "view-01.toml").write_text("exposure = 0.5\nplumb = 0.0\nmixed_light = 0.8\n", encoding="utf-8")
    (recipes / "view-02.toml").write_text("exposure = 50\n", encoding="utf-8")
    assert run("finish", str(visit), "--aspect", "own,16:9", "--workers", "1") == 1
    told = capsys.readouterr()
    assert "view-02.toml" in told.err and "exposure" in told.err
    now = digests(visit / "pictures")
    assert now["view-01.jpg"] != was["view-01.jpg"] and now["view-02.jpg"] == was["view-02.jpg"]
    account = json.loads((visit / ".clerestory" / "accounts" / "view-01.json").read_text(encoding="utf-8"))
    assert account["aspects"]["own"]["kept"] > 0.97
    for path in recipes.iterdir():
        path.unlink()


def test_same_bytes_on_one_worker_and_two(visit: Path, tmp_path: Path) -> None:
    """Both views finished again by two workers in another folder: the pictures are the same to the byte."""
    (tmp_path / "frames").mkdir()
    for name in ("A0.dng", "A1.dng"):
        os.link(visit / "frames" / name, tmp_path / "frames" / name)
    assert run("finish", str(tmp_path), "--workers", "2") == 0
    two = digests(tmp_path / "pictures")
    for record in (tmp_path / ".clerestory" / "accounts").iterdir():
        record.unlink()
    assert run("finish", str(tmp_path), "--workers", "1") == 0
    one = digests(tmp_path / "pictures")
    assert {k: v for k, v in one.items() if k.startswith("view")} == {
        k: v for k, v in two.items() if k.startswith("view")
    }


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process alone on Windows")
def test_stopped_by_hand_and_gone_on(visit: Path, tmp_path: Path) -> None:
    """Ctrl-C in the middle leaves no half file; the same command again ends well."""
    (tmp_path / "frames").mkdir()
    for name in ("A0.dng", "A1.dng"):
        os.link(visit / "frames" / name, tmp_path / "frames" / name)
    command = [
        sys.executable,
        "-c",
        # A test run that a shell put in the background inherits an ignored Ctrl-C; a person's terminal does not.
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler); "
        "from clerestory.cli import main; main()",
        "finish",
        str(tmp_path),
        "--workers",
        "1",
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    pictures = tmp_path / "pictures"
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline and process.poll() is None and not list(pictures.glob("view-*.jpg")):
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert "Traceback" not in err
    assert process.returncode == 130
    assert not [p for p in tmp_path.rglob("*.part") if p.is_file()]
    (whole,) = pictures.glob("view-*.jpg")
    Image.open(whole).load()
    assert run("finish", str(tmp_path), "--workers", "1") == 0
    assert len(list(pictures.glob("view-*.jpg"))) == 2


def test_no_focal_length_is_said_marked_and_left_as_held(visit: Path, tmp_path: Path) -> None:
    """A frame with the focal length taken out of its EXIF: the report says so, the picture carries the mark.

    Too small to tell the focal length by its lines, it is not straightened either.
    """
    path = tmp_path / "A0.dng"
    path.write_bytes((visit / "frames" / "A0.dng").read_bytes())
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = image.exifData()
    for name in ("FocalLength", "FocalLengthIn35mmFilm", "FocalPlaneXResolution", "FocalPlaneYResolution"):
        del exif[f"Exif.Photo.{name}"]
    image.writeMetadata()
    assert run("finish", str(tmp_path), "--workers", "1") == 0
    (record,) = (tmp_path / ".clerestory" / "accounts").glob("*.json")
    account = json.loads(record.read_text(encoding="utf-8"))
    assert any("no focal length" in remark for remark in account["remarks"])
    picture = exiv2.ImageFactory.open(str(next((tmp_path / "pictures").glob("view-*.jpg"))))
    picture.readMetadata()
    assert any(datum.key() == "Xmp.clerestory.Doubt" for datum in picture.xmpData())
    assert account["plumb"] == 0


@pytest.mark.skipif(not SHARED.is_dir(), reason=f"open data is absent: {SHARED}")
@pytest.mark.parametrize("name", ["CRW_0304.CRW", "P003908.KDC"])
def test_real_raws_finish(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Open camera raws (CC0, see SOURCES.md), one without a usable white balance, one without a focal length."""
    (tmp_path / name).write_bytes((SHARED / name).read_bytes())
    before = digests(tmp_path)
    assert run("finish", str(tmp_path), "--workers", "1") == 0
    assert {k: v for k, v in digests(tmp_path).items() if k in before} == before
    (picture,) = (tmp_path / "pictures").glob("view-*.jpg")
    pixels = np.asarray(Image.open(picture)).astype(float)
    level = pixels.mean(axis=(0, 1))
    assert 60 < level.mean() < 200 and np.ptp(level) < 30


def test_wrong_options_get_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for arguments, message in (
        (("finish", str(tmp_path / "nowhere")), "no such folder"),
        (("finish", str(tmp_path)), "no frames"),
        (("finish", str(tmp_path), "--aspect", "5:4"), "5:4"),
        (("finish", str(tmp_path), "--shape", "16:9"), "--aspect 16:9"),
        (("finish", str(tmp_path), "--space", "cmyk"), "cmyk"),
    ):
        assert run(*arguments) == 1
        told = capsys.readouterr().err
        assert message in told and "Traceback" not in told
