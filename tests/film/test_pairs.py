"""Two pictures in one frame: the line rests in the middle, an older picture lies on today's, what cannot is named."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.film.model import film_of, film_toml
from teaching import drawn, plan_of, put, shot_of

SIZE = (640, 360)
TURN = np.array([[0.9, 0.03, 30.0], [-0.02, 0.95, 18.0], [2e-5, -1e-5, 1.0]])  # today's pixels to the older one's


def wall(seed: int) -> np.ndarray:
    """A wall of stones, each of its own grey, with some windows: 640 x 480."""
    rng = np.random.default_rng(seed)
    stones = np.kron(rng.random((24, 32)), np.ones((20, 20)))
    out = 0.3 + 0.3 * cv2.GaussianBlur(stones, (0, 0), 1.0)
    for _ in range(40):
        x, y = int(rng.integers(30, 600)), int(rng.integers(30, 440))
        cv2.circle(out, (x, y), int(rng.integers(5, 16)), float(rng.random()), -1, cv2.LINE_AA)
    return np.repeat(out[..., None], 3, axis=2)


def shift(a: np.ndarray, b: np.ndarray) -> float:
    """By how many pixels two pieces of the same wall are apart."""
    window = np.outer(np.hanning(a.shape[0]), np.hanning(a.shape[1]))
    (x, y), _ = cv2.phaseCorrelate((a - a.mean()).astype(np.float64), (b - b.mean()).astype(np.float64), window)
    return float(np.hypot(x, y))


@pytest.mark.parametrize("told", [False, True])
def test_an_older_picture_lies_on_todays_to_a_pixel(tmp_path: Path, told: bool) -> None:
    today = wall(1)
    put(tmp_path, "nave", today)
    faded = cv2.warpPerspective(today.astype(np.float32), TURN, (620, 480)) * 0.6 + 0.15
    put(tmp_path, "old/nave-1910", faded if not told else np.flip(faded, axis=2))
    pairs = ""
    if told:  # four places of the building, as a user reads them off
        here = np.array([[100.0, 80.0], [550.0, 90.0], [530.0, 400.0], [110.0, 390.0]])
        there = cv2.perspectiveTransform(here[None], TURN)[0]
        pairs = "".join(
            f"[[shots.match]]\nhere = {(a / [640, 480]).tolist()}\nthere = {(b / [620, 480]).tolist()}\n"
            for a, b in zip(here, there, strict=True)
        )
    toml = f'[[shots]]\npicture = "nave"\nolder = "old/nave-1910"\nother = "1910"\nseconds = 8\n{pairs}'
    scene = shot_of(plan_of(tmp_path, toml, SIZE))
    span = scene.showing.end - scene.showing.begin
    first, half, last = (scene.showing.begin + round(share * span) for share in (0.05, 0.5, 0.97))
    older, both, ours = drawn(scene, [first, half, last], SIZE, letters=False)
    for y, x in ((60, 150), (60, 420), (220, 150), (220, 420)):
        piece = np.s_[y : y + 96, x : x + 96]
        assert shift(older[piece], ours[piece]) < 1
    assert np.abs(both[:, :310] - ours[:, :310]).max() < 0.02 < np.abs(both[:, 330:] - ours[:, 330:]).max()
    assert scene.showing.line(half) == scene.showing.line(half + 20) == 0.5  # the line is held
    assert scene.showing.words() == (("", "Left: nave\nRight: 1910"),)


def test_what_does_not_show_the_same_building_is_one_sentence_with_shot_and_line(tmp_path: Path) -> None:
    put(tmp_path, "nave", wall(1))
    put(tmp_path, "other", wall(2))
    toml = '[[shots]]\npicture = "nave"\nolder = "other"\n'
    with pytest.raises(
        UserError, match=r"shot 1 \(nave\), line 3: other.tif and nave.tif do not share enough"
    ) as error:
        plan_of(tmp_path, toml, SIZE)
    assert "[[shots.match]]" in str(error.value)
    with pytest.raises(UserError, match="line 3: there is no picture oldest in pictures/ or film/"):
        plan_of(tmp_path, toml.replace("other", "oldest"), SIZE)
    with pytest.raises(UserError, match="two pictures by wipe are held; remove move"):
        plan_of(tmp_path, '[[shots]]\npicture = "nave"\nwipe = "other"\nmove = "push"\n', SIZE)
    with pytest.raises(UserError, match="pairs its picture once; remove beside or wipe"):
        plan_of(tmp_path, '[[shots]]\npicture = "nave"\nwipe = "other"\nbeside = "other"\n', SIZE)


def test_side_by_side_each_picture_fills_its_half_and_still_holds_the_line(tmp_path: Path) -> None:
    put(tmp_path, "dark", np.full((360, 640, 3), 0.2))
    put(tmp_path, "light", np.full((720, 400, 3), 0.7))
    text = (
        '[[shots]]\npicture = "dark"\nbeside = "light"\nseconds = 5\n\n[[shots]]\npicture = "dark"\nwipe = "light"\n'
    )
    plan = plan_of(tmp_path, text + "still = true\n", SIZE)
    scene = shot_of(plan)
    (luma,) = drawn(scene, [60], SIZE, letters=False)
    assert np.abs(luma[:, :310] - 0.2).max() < 0.01 and np.abs(luma[:, 330:] - 0.7).max() < 0.01
    held = shot_of(plan, 2)
    frames = drawn(held, [held.lead, held.frames // 2, held.frames - held.tail - 1], SIZE, letters=False)
    assert all(np.array_equal(frames[0], other) for other in frames)
    film = film_of(text, tmp_path / "film.toml")
    assert film_of(film_toml(film), tmp_path / "film.toml") == film
