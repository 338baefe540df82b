"""Learning from frames: judged against what the simulator did, written for the plan, told in clear lines."""

from __future__ import annotations

import json
import math
import shutil
from importlib.resources import files
from pathlib import Path

import numpy as np
import pytest
from bench.learn import LENS, WHOLE, photograph
from scipy.ndimage import gaussian_filter

from clerestory.camera.steadiness import Hands, fit_hands
from clerestory.errors import UserError
from clerestory.learn import learn
from clerestory.learn.measure import STEPS, Learned, unmoved
from clerestory.plan.model import read_learned, read_visit
from clerestory.raw.inspect import blurred_sharpness
from clerestory.raw.read import Mosaic
from clerestory.raw.sort import sort_folder
from clerestory.visit.about import About, Abouts, write_abouts
from running import run

NAVE = "nave to the altar"  # a view of the example plan


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """36 frames of twelve views by unsteady hands, with a plan and its example's names."""
    root = tmp_path_factory.mktemp("learn") / "visit"
    (root / "frames").mkdir(parents=True)
    photograph(root / "frames", 36, Hands(), 2)
    (root / "truth").mkdir()
    for path in root.glob("*.truth.json"):
        path.rename(root / "truth" / path.name)
    return root


def mosaic_of(fine: np.ndarray) -> Mosaic:
    """A scene at four samples to the pixel, integrated over the pixels of a grey mosaic."""
    h, w = fine.shape[0] // 4, fine.shape[1] // 4
    raw = np.rint(64 + 3500 * fine.reshape(h, 4, w, 4).mean(axis=(1, 3))).astype(np.uint16)
    cfa = np.array([[0, 1], [3, 2]], np.int8)
    return Mosaic(raw, cfa, np.full(4, 64.0), np.full(4, 4095.0), None, None, None)


@pytest.mark.parametrize("blur", [0.4, 0.57, 1.0])
def test_a_frame_blurred_afterwards_is_as_sharp_as_one_blurred_before(blur: float) -> None:
    rng = np.random.default_rng(3)
    scene = gaussian_filter(0.2 + 0.5 * np.kron(rng.random((40, 60)), np.ones((32, 32))), 5.0)
    (before,) = blurred_sharpness(mosaic_of(gaussian_filter(scene, 4 * blur)), [0])  # scipy's, before it is sampled
    have, least = blurred_sharpness(mosaic_of(scene), [0, blur])
    assert least < 0.995 * have
    assert (have - least) / (have - before) == pytest.approx(1, abs=0.05)  # 0.04 stops of movement


def test_the_sharpness_of_a_still_frame_is_found_under_scatter() -> None:
    left = tuple(math.exp(-0.06 * s**2) for s in STEPS)
    off, rng = [], np.random.default_rng(8)
    for count in (3, 8, 25) * 8:
        movement = 2.0 ** rng.uniform(-2.5, 2.5, count)
        shown = np.interp(np.log2(movement), np.log2(STEPS), left) * rng.normal(1, 0.015, count)
        if movement.min() < 0.5:
            off.append(unmoved(1.7 * shown, left) / 1.7 - 1)
    assert abs(np.mean(off)) < 0.006 and np.std(off) < 0.012  # the limit itself leaves 6 per cent less


def test_frames_are_judged_as_the_simulator_moved_them(visit: Path) -> None:
    found = learn([sort_folder(visit / "frames", memory=visit / ".clerestory" / "looks")])
    truth = {p.name[:5]: json.loads(p.read_text(encoding="utf-8")) for p in (visit / "truth").glob("*.truth.json")}
    right = wrong = 0
    for judged in found.judged:
        true = truth[judged.path.stem]["shake_px"] / np.hypot(WHOLE.width, WHOLE.height) * 4000
        if not 0.75 < true < 1.33:
            right += judged.sharp == (true < 1)
            wrong += judged.sharp != (true < 1)
    assert right >= 20 and wrong <= 0.2 * right  # three frames a view: now and then none of them was still
    assert found.fit is not None
    off = found.fit.hands.t0_stops - (Hands().t0_stops + LENS.stabiliser_stops)
    assert abs(off) < 3 * found.fit.t0_error


def test_what_is_learned_feeds_the_next_plan(visit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copy(str(files("clerestory.plan").joinpath("example.toml")), visit / "visit.toml")
    write_abouts(visit / "about.toml", Abouts(views={"view-01": About(title=NAVE.upper())}))
    (visit / "plan").mkdir()
    settings = {"seconds": 1 / 60, "iso": 400, "chance": 0.83}
    view = {"name": NAVE, "framing": {"focal": 14}, "focus": {"f_number": 4}, "settings": settings}
    (visit / "plan" / "plan.json").write_text(json.dumps({"views": [view]}), encoding="utf-8")
    assert run("learn", str(visit), "--into", str(tmp_path / "mine")) == 0
    assert "frames judged" in capsys.readouterr().out
    learned = read_learned(tmp_path / "mine" / "learned.toml")
    assert learned.hands is not None and learned.hands.frames > 30
    camera = learned.camera[0]
    assert camera.name == WHOLE.model
    page = (tmp_path / "mine" / "learned.html").read_text(encoding="utf-8")
    assert page.count("<svg") >= 3 and "Planned and measured" in page and "src=" not in page
    assert f"<td>{NAVE}</td><td>14 mm  f/4  1/60  ISO 400</td><td>83 %</td><td>12 mm  f/5.6" in page
    text = (visit / "visit.toml").read_text(encoding="utf-8")
    text = text.replace("[hands]\n", '[hands]\nlearned = "mine/learned.toml"\n')
    (tmp_path / "visit.toml").write_text(text, encoding="utf-8")
    planned = read_visit(tmp_path / "visit.toml")
    assert planned.hands.hands == Hands(learned.hands.t0_stops, learned.hands.slope, stabilised=True)
    seen = learned.view[0]
    nave = next(v for v in planned.view if v.name == seen.name)
    assert (nave.stone_cd_m2, nave.glass_cd_m2 is None) == (seen.stone_cd_m2, False)
    noise = camera.noise[-1]
    assert planned.body[0].noise(noise.iso, noise.range).gain == pytest.approx(noise.gain)
    assert planned.body[0].noise(2 * noise.iso, noise.range).gain == pytest.approx([2 * g for g in noise.gain])
    (tmp_path / "visit.toml").write_text(text.replace("mine/learned.toml", "lost.toml"), encoding="utf-8")
    assert run("plan", str(tmp_path / "visit.toml")) == 1
    assert "there is no such learned file" in capsys.readouterr().err


def test_hands_that_the_frames_do_not_tell_of_are_not_written() -> None:
    stops = np.tile(np.arange(-2.0, 3.0), 12)
    seconds, focal = 2.0**stops / 50, np.full(60, 50.0)
    for sharp, told in ((stops < 0.5, True), (stops > -1.5, False)):  # the longer, the sharper: a support, or chance
        found = Learned(fit=fit_hands(seconds, focal, sharp))
        assert ("t0_stops =" in found.toml()) == told
        assert ("they do not tell how steady" in found.lines()[0]) != told


def test_nothing_to_learn_from_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run("learn", str(tmp_path)) == 1
    assert "no raw frames to learn from" in capsys.readouterr().err


def test_hands_that_an_earlier_learning_could_not_tell_are_not_believed(tmp_path: Path) -> None:
    path = tmp_path / "learned.toml"
    path.write_text("[hands]\nt0_stops = 22.5\nslope = 1.2\nt0_error = 148.8\nframes = 8\nsharp = 8\n")
    with pytest.raises(UserError, match=r"learned\.toml: hands: .* \(t0_error 148\.8 stops\); delete that table"):
        read_learned(path)
