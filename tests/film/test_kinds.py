"""A small film of every kind of shot: made whole, made again in parts, its timeline and description beside it."""

from __future__ import annotations

from fractions import Fraction
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from typing import get_args

import av
import cv2
import numpy as np
import opentimelineio as otio
import pytest

from clerestory import film
from clerestory.demo_film import _held, demo_shots, kinds_of
from clerestory.film import produce
from clerestory.film.facts import FILE
from clerestory.film.model import KINDS, PAIRS, Film, Point
from film.test_exposures import CAMERA, TURNED, frame
from film.test_facts import FACTS
from film.test_footage import footage
from film.test_straightening import marks, record
from teaching import SIZE, put

FILM = """title = "Of every kind"

[[shots]]
standpoint = "nave"
seconds = 3
chapter = "The nave"

[[shots]]
straightening = "nave"
seconds = 4

[[shots]]
exposures = "nave"
seconds = 4

[[shots]]
picture = "nave"
move = "push"
words = "It was begun in 1182."
fact = "begun"

[[shots.point]]
at = [0.5, 0.5]
word = "Here"

[[shots]]
clip = "walk.mkv"
seconds = 2.5

[[shots]]
merge = "nave"
seconds = 3

[[shots]]
picture = "nave"
wipe = "before/nave"
seconds = 3
"""


@pytest.fixture
def visit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setitem(produce.SIZES, "1080p", SIZE)
    plan = files("clerestory.plan").joinpath("example.toml").read_text(encoding="utf-8")
    (tmp_path / "visit.toml").write_text(plan, encoding="utf-8")
    (tmp_path / "about.toml").write_text('[views.nave]\nplanned = "west rose"\n', encoding="utf-8")
    names = ["a.dng", "b.dng"]
    for name, level in zip(names, (0.1, 0.2), strict=True):
        frame(tmp_path / "frames" / name, level, level / 3)
    put(tmp_path, "nave", np.full((450, 600, 3), 0.4))
    put(tmp_path, "before/nave", marks())
    record(tmp_path, "nave", CAMERA, TURNED, kind="bracket", frames=names)
    footage(tmp_path / "film" / "walk.mkv", Fraction(25), 3.0)
    (tmp_path / "film" / FILE).write_text(FACTS, encoding="utf-8")
    (tmp_path / "film" / "film.toml").write_text(FILM, encoding="utf-8")
    return tmp_path


def test_the_demos_film_uses_every_kind_there_is() -> None:
    used = kinds_of(Film(shots=demo_shots()))
    marks = set(get_args(Point.model_fields["mark"].annotation))
    assert used >= {*KINDS, *PAIRS, *marks, "picture", "before", "within", "fact", "spoken", "still", "words_in"}
    assert used >= {"hold", "push", "pan", "subject", "description"}


def test_the_demos_clips_move_evenly_by_parts_of_a_pixel() -> None:
    """Whole pixels would show as jolts: frames alike, then a step."""
    rng = np.random.default_rng(2)
    image = cv2.GaussianBlur(rng.integers(0, 256, (400, 640, 3)).astype(np.uint8), (0, 0), 2.0)
    seen = [_held(image, (480, 270), k / 29.97, 1.0 + 0.0008 * k).astype(int) for k in range(40)]
    steps = np.array([np.abs(b - a).mean() for a, b in pairwise(seen)])
    assert steps.min() > 0.2 * steps.max() > 0.05


def test_every_kind_is_made_the_same_again_and_only_what_changed_is_encoded(visit: Path) -> None:
    first = film.make(visit)
    assert first.parts_made == first.parts
    made = (visit / "film" / "film.mp4").read_bytes()
    with av.open(visit / "film" / "film.mp4") as container:
        assert sum(1 for _ in container.decode(video=0)) == film.plan_film(visit).frames
    timeline = otio.adapters.read_from_file(str(visit / "film" / "film.otio"))
    kinds = [clip.metadata["clerestory"]["kind"] for clip in timeline.video_tracks()[0].find_clips()]
    assert kinds == [
        "straightening",
        "exposures",
        "picture",
        "clip",
        "merge",
        "wipe",
    ]  # a plan is drawn: no file of it exists
    assert "0:03 The nave" in (text := (visit / "film" / "description.txt").read_text(encoding="utf-8")), text
    for part in (visit / ".clerestory" / "film").glob("*.mp4"):
        part.unlink()
    assert film.make(visit, preview=True).parts_made > 8  # every kind is drawn at another size, too
    again = film.make(visit)
    assert again.parts_made == again.parts and (visit / "film" / "film.mp4").read_bytes() == made
    (visit / "film" / "film.toml").write_text(FILM.replace('"Here"', '"There"'), encoding="utf-8")
    changed = film.make(visit)
    assert 0 < changed.parts_made <= 4 < changed.parts
