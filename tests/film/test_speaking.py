"""Spoken takes: what departs from the script is marked where it does, the cleanest of several is chosen."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from clerestory.film.sound import read_sound
from clerestory.film.speaking import Take, best_of, sentences, taken
from film.test_film import talk

WORDS = (
    "The builders of this nave had no drawings, only rope and chalk. The piers stand true. Look up to the vault,"
    " which closes above them in four bays. It was never finished."
)
PIECES = [(4.4, 0.7), (1.6, 0.7), (4.3, 0.7), (1.6, 0.5)]  # seconds spoken and silent: 0.37 s a word


def take(path: Path, pieces: list[tuple[float, float]], **more: object) -> Take:
    talk(path, pieces, **more)
    return taken(read_sound(path), WORDS)


def test_a_take_is_marked_where_a_sentence_is_missing_long_or_halts(tmp_path: Path) -> None:
    assert sentences(WORDS) == [(0, 11), (12, 15), (16, 27), (28, 31)]
    true = take(tmp_path / "true.wav", PIECES)
    assert true.marks == () and 0.4 < true.begin < 0.6 and 13 < true.end < 15 and 120 < true.pace < 180
    short = take(tmp_path / "short.wav", [*PIECES[:2], (1.8, 0.7), PIECES[3]])
    assert [(m.first, m.last) for m in short.marks] == [(16, 27)] and "may be missing" in short.marks[0].said
    long = take(tmp_path / "long.wav", [(4.4, 0.7), (4.0, 0.7), *PIECES[2:]])
    assert [(m.first, m.last) for m in long.marks] == [(12, 15)] and "may be added" in long.marks[0].said
    halted = take(tmp_path / "halted.wav", [(2.2, 1.6), (2.2, 0.7), *PIECES[1:]])
    (mark,) = halted.marks
    assert 4 <= mark.first <= 7 and "a pause of 1.6 s" in mark.said  # in the midst of the first sentence


def test_the_best_take_is_the_clean_one_that_keeps_to_its_words(tmp_path: Path) -> None:
    halted = take(tmp_path / "halted.wav", [(2.2, 1.6), (2.2, 0.7), *PIECES[1:]])
    clipped = take(tmp_path / "clipped.wav", PIECES, clip=True)
    true = take(tmp_path / "true.wav", PIECES)
    faint = take(tmp_path / "faint.wav", PIECES, level=0.0001)
    assert clipped.faults and clipped.clipped > 0.002 and faint.faults
    assert best_of([halted, clipped, true, faint]) == 2
    assert best_of([clipped, faint]) is None


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="espeak-ng is not installed")
def test_a_real_voice_that_leaves_out_a_sentence_or_says_more_is_marked(tmp_path: Path) -> None:
    first, second, third, fourth = (WORDS.split(". ")[k].rstrip(".") + "." for k in range(4))
    said = {
        "true": ([first, second, third, fourth], []),
        "short": ([first, second, fourth], [(16, 27)]),
        "long": ([first, second, second[:-1] + ", and so on and so forth, true.", third, fourth], [(16, 27)]),
    }
    for name, (parts, expected) in said.items():
        path = tmp_path / f"{name}.wav"
        subprocess.run(["espeak-ng", "-s", "130", "-g", "3", "-w", str(path), " ".join(parts)], check=True)
        assert [(m.first, m.last) for m in taken(read_sound(path), WORDS).marks] == expected, name
