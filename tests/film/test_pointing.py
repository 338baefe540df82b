"""Pointers: they keep to their place through a move, come with their word, and are refused outside their picture."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage

from clerestory.errors import UserError
from clerestory.film.model import Film, Shot, film_of, film_toml
from clerestory.film.plan import plan_cues
from clerestory.film.stage import spans_of, wipe_frames
from teaching import SIZE, contrast, drawn, luminance, plan_of, put, shot_of

AT = (0.62, 0.41)


def dotted(width: int = 960, height: int = 720) -> np.ndarray:
    """A grey picture with one bright dot at AT."""
    y, x = np.mgrid[:height, :width] + 0.5
    far = np.hypot(x - AT[0] * width, y - AT[1] * height)
    return np.repeat((0.25 + 0.6 * np.clip(9 - far, 0, 1))[..., None], 3, axis=2)


def middle(weight: np.ndarray) -> np.ndarray:
    return np.array(ndimage.center_of_mass(weight))


@pytest.mark.parametrize("move", ['move = "push"\namount = 2.0\ntowards = [0.7, 0.4]', 'move = "pan"\namount = 1.25'])
def test_a_ring_keeps_to_its_place_through_a_push_and_a_pan_to_a_pixel(tmp_path: Path, move: str) -> None:
    put(tmp_path, "nave", dotted())
    point = f"[[shots.point]]\nat = {list(AT)}\nradius = 0.08\n"
    scene = shot_of(plan_of(tmp_path, f'[[shots]]\npicture = "nave"\nseconds = 6\n{move}\n{point}'))
    (span,) = spans_of(scene)
    frames = [span.first + 12, (span.first + span.last) // 2, span.last - 12]
    plain, ringed = drawn(scene, frames, letters=False), drawn(scene, frames)
    places = []
    for without, with_it in zip(plain, ringed, strict=True):
        dot = middle(np.clip(without - 0.4, 0, 1))
        ring = middle(np.abs(with_it - without) > 0.05)
        assert np.abs(dot - ring).max() < 1
        places.append(dot)
    assert np.abs(places[0] - places[-1]).max() > 15  # the place itself moved across the frame


def test_a_pointer_comes_with_its_word(tmp_path: Path) -> None:
    put(tmp_path, "nave", dotted())
    words = "Look up, and to the left. There is a carved head above the arch, hidden in the shade of the vault."
    toml = f'[[shots]]\npicture = "nave"\nwords = "{words}"\n[[shots.point]]\nat = [0.5, 0.5]\nsaid = "carved head"\n'
    plan = plan_of(tmp_path, toml)
    scene = shot_of(plan)
    (span,) = spans_of(scene)
    cue = next(cue for cue in plan_cues(plan) if "carved" in cue.text.replace("\n", " "))
    risen = (scene.start + span.first + 12) / 25
    assert cue.start <= risen <= cue.end and span.last - span.first == pytest.approx(100, abs=1)
    with pytest.raises(UserError, match=r"shot 1 \(nave\), line 6: 'carved hand' is not among the shot's words"):
        plan_of(tmp_path, toml.replace('carved head"\n', 'carved hand"\n'))


def test_a_pointer_outside_its_picture_or_outside_what_is_shown_is_one_sentence(tmp_path: Path) -> None:
    put(tmp_path, "nave", dotted())
    toml = '[[shots]]\npicture = "nave"\nseconds = 5\n[[shots.point]]\nmark = "arrow"\nat = [0.5, 1.2]\n'
    with pytest.raises(UserError) as error:
        plan_of(tmp_path, toml)
    said = str(error.value)
    assert said.count("\n") == 0 and "line 6, shots 1, point 1, at: [0.5, 1.2] lies outside its picture" in said
    with pytest.raises(UserError, match=r"shot 1 \(nave\), line 6: points at a place that the shot does not show"):
        plan_of(tmp_path, toml.replace("1.2", "0.99"))  # in the picture, but cut away to fill the frame
    assert spans_of(shot_of(plan_of(tmp_path, toml.replace("1.2", "0.8"))))


@pytest.mark.parametrize("level", [0.0, 1.0])
@pytest.mark.parametrize("mark", ["ring", "arrow", "light"])
def test_a_pointers_word_passes_four_and_a_half_to_one_and_its_mark_three(
    tmp_path: Path, level: float, mark: str
) -> None:
    # WCAG 2.2: 4.5:1 for text (1.4.3), 3:1 for what is drawn (1.4.11).
    size = (1280, 720)
    put(tmp_path, "nave", np.full((360, 640, 3), level))
    toml = (
        f'[[shots]]\npicture = "nave"\nseconds = 6\nsettings = false\n[[shots.point]]\nmark = "{mark}"\n'
        'at = [0.3, 0.5]\nradius = 0.05\nword = "Carved head"\n'
    )
    scene = shot_of(plan_of(tmp_path, toml, size))
    (span,) = spans_of(scene)
    frame = luminance(drawn(scene, [(span.first + span.last) // 2], size)[0])
    word = frame[345:375, 560:660] if mark == "arrow" else frame[345:375, 470:570]
    assert contrast(np.quantile(word, 0.98), np.quantile(word, 0.4)) > 4.5
    row = frame[360]
    if mark == "ring":
        assert contrast(row[310:330].max(), row[310:330].min()) > 3
    elif mark == "light" and level:
        assert contrast(row[384], row[100]) > 3


def test_still_turns_a_wipe_into_a_dissolve(tmp_path: Path) -> None:
    put(tmp_path, "nave", np.full((360, 640, 3), 0.6))
    put(tmp_path, "before/nave", np.full((360, 640, 3), 0.2))
    toml = '[[shots]]\npicture = "nave"\nbefore = true\nseconds = 6\n'
    for head, flat in (("", False), ("still = true\n", True)):
        scene = shot_of(plan_of(tmp_path, head + toml))
        first, last = wipe_frames(scene)
        middle = drawn(scene, [(first + last) // 2], letters=False)[0]
        assert bool(np.ptp(middle) < 0.01) is flat  # no line goes across: all of the frame changes at once
        assert 0.25 < middle.mean() < 0.55


def test_points_survive_being_written_and_still_forbids_every_move(tmp_path: Path) -> None:
    shots = [Shot(picture="nave", move="push", fact="begun", point=({"at": (0.5, 0.25), "word": "Here"},))]
    film = Film(title="A day", shots=[*shots, Shot(picture="aisle")])
    assert film_of(film_toml(film), tmp_path / "film.toml") == film
    put(tmp_path, "nave", dotted())
    plan = plan_of(tmp_path, 'still = true\n[[shots]]\npicture = "nave"\nmove = "push"\namount = 2.0\nseconds = 4\n')
    first, *others = drawn(shot_of(plan), [0, 30, 60, 99], letters=False)
    assert all(np.array_equal(first, other) for other in others) and first.shape == SIZE[::-1]
    with pytest.raises(UserError, match="`still` forbids a push"):
        plan_of(tmp_path, '[[shots]]\npicture = "nave"\nmove = "push"\nstill = true\n')
