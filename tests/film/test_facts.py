"""Facts: sources are asked for, numbers without a fact are named, and what is cited is shown and listed."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.film.description import clock, description_of
from clerestory.film.facts import FILE, Fact, facts_of, numbers_in
from clerestory.film.lettering import Card, Layer, card_light, note, unbroken
from clerestory.film.model import Film, Shot
from clerestory.film.stage import layer_of, spans_of
from clerestory.raw import srgb
from teaching import contrast, drawn, luminance, plan_of, put, shot_of

FACTS = """[[fact]]
name = "begun"
statement = "The nave was begun in 1182"
source = "A. Marrow, The Fabric Rolls of Saint Corvane's"
page = 41

[[fact]]
name = "height"
statement = "The vault stands 24 metres above the floor"
source = "Measured with a laser from the floor"
date = 2027-04-20
"""


@pytest.mark.parametrize(
    ("said", "values"),
    [
        ("begun in 1182, or 1,182 if you like", [1182, 1182]),
        ("begun in eleven eighty-two", [1182]),
        ("eleven hundred and eighty-two", [1182]),
        ("a twelfth century wall, with seven windows", [12, 7]),
        ("two thousand and five", [2005]),
        ("twenty-four metres; two bays", [24, 2]),
        ("one stands here, and the first of them sees hundreds", []),
        ("nineteen oh", [19]),
    ],
)
def test_numbers_are_found_in_digits_and_in_words(said: str, values: list[float]) -> None:
    assert [value for _, value in numbers_in(said)] == values


def test_a_fact_without_a_source_is_one_sentence_with_its_line_and_what_to_write(tmp_path: Path) -> None:
    text = FACTS.replace('source = "A. Marrow, The Fabric Rolls of Saint Corvane\'s"\n', "")
    with pytest.raises(UserError) as error:
        facts_of(text, tmp_path / FILE)
    assert str(error.value) == (
        f'{tmp_path / FILE}, line 1, fact 1: has no source; write source = "..." (a book, a record, an inscription,'
        " who was asked) under it"
    )
    with pytest.raises(UserError, match=r"line 1, fact 1: has neither page nor date; write page"):
        facts_of(FACTS.replace("page = 41\n", ""), tmp_path / FILE)


def test_numbers_that_no_cited_fact_holds_are_named_and_an_unknown_fact_is_refused(tmp_path: Path) -> None:
    put(tmp_path, "nave", np.full((180, 320, 3), 0.5))
    (tmp_path / "film").mkdir()
    (tmp_path / "film" / FILE).write_text(FACTS, encoding="utf-8")
    words = 'words = "Begun in eleven eighty-two, it has seven windows."\n'
    shot = f'[[shots]]\npicture = "nave"\n{words}'
    notes = [note for note in plan_of(tmp_path, shot).notes if "fact" in note]
    assert len(notes) == 1 and "'eleven eighty-two', 'seven'" in notes[0] and "shot 1 (nave)" in notes[0]
    notes = [note for note in plan_of(tmp_path, shot + 'fact = "begun"\n').notes if "fact" in note]
    assert len(notes) == 1 and "'seven'" in notes[0] and "eleven" not in notes[0]
    with pytest.raises(UserError, match=r"shot 1 \(nave\), line 4: no fact is called 'began' .*has: begun, height"):
        plan_of(tmp_path, shot + 'fact = "began"\n')


def test_a_cited_fact_is_shown_while_it_is_said_and_listed_at_the_end(tmp_path: Path) -> None:
    put(tmp_path, "nave", np.full((180, 320, 3), 0.5))
    (tmp_path / "film").mkdir()
    (tmp_path / "film" / FILE).write_text(FACTS, encoding="utf-8")
    words = 'words = "It was begun in 1182."\nfact = "begun"\nseconds = 8\n'
    plan = plan_of(tmp_path, f'[[shots]]\npicture = "nave"\n{words}' + '[[shots]]\npicture = "nave"\nseconds = 3\n')
    scene = shot_of(plan)
    (span,) = [span for span in spans_of(scene) if span.what == "fact"]
    assert scene.speech
    spoken = scene.speech.start * 25 - scene.start
    assert span.first <= spoken + 1 and spoken + scene.speech.seconds * 25 <= span.last < scene.frames
    middle = (span.first + span.last) // 2
    without, with_it = drawn(scene, [middle], letters=False)[0], drawn(scene, [middle])[0]
    assert np.abs(with_it - without)[:60, :200].max() > 0.3 and np.abs(with_it - without)[90:].max() < 0.01
    card = next(s.card for s in plan.scenes if s.label == "sources")
    line = "The nave was begun in 1182: A. Marrow, The Fabric Rolls of Saint Corvane's, p. 41"
    assert card and card.lines == (line.replace(": ", "\n"),)  # the source on a line of its own
    film = Film(title="A day", credits=["Photographs: A. Reader"], shots=[Shot(picture="nave")])
    text = description_of(plan, film)
    assert text == f"A day\n\nSources\n{line}\n\nCredits\nPhotographs: A. Reader\n"
    assert [clock(s) for s in (0, 61.9, 3723)] == ["0:00", "1:01", "1:02:03"]


@pytest.mark.parametrize("level", [0.0, 1.0])
def test_small_type_passes_four_and_a_half_to_one_over_the_darkest_and_the_brightest_picture(
    tmp_path: Path, level: float
) -> None:
    # WCAG 2.2, success criterion 1.4.3: 4.5:1 for text. Large enough that strokes are wider than a pixel.
    size = (1920, 1080)
    put(tmp_path, "nave", np.full((270, 480, 3), level))
    (tmp_path / "film").mkdir()
    (tmp_path / "film" / FILE).write_text(FACTS, encoding="utf-8")
    shot = '[[shots]]\npicture = "nave"\nfact = ["begun"]\nseconds = 6\ncaption = "The nave"\n'
    scene = shot_of(plan_of(tmp_path, shot, size))
    scene = replace(scene, settings="12 mm · f/4 · 1/15 s · ISO 400")
    frame = drawn(scene, [70], size)[0]
    layers = [layer_of(span, scene, size) for span in spans_of(scene)]
    lines = [line for layer in layers for line in lines_of(layer)]
    assert len(lines) == 4  # head and source of the fact, caption, settings
    for top, bottom, left, right in lines:
        block = frame[top:bottom, left:right]  # the brightest strokes against what lies between them
        ink, ground = luminance(np.quantile(block, 0.985)), luminance(np.quantile(block, 0.4))
        assert contrast(float(ink), float(ground)) > 4.5
        assert bottom - top > 0.008 * size[0]  # on a phone 390 points wide: small letters 3 points high, capitals 6


def test_titles_and_credits_can_be_read_on_a_phone() -> None:
    for card in (Card("A day", ("Light by the hour",)), Card("", ("Photographs: A. Reader",), 34.0)):
        code = srgb.encoded(card_light(card, (1920, 1080)))[:, ::3]
        ground, ink = luminance(np.median(code)), luminance(np.quantile(code[code > 0.4], 0.9))
        assert contrast(float(ink), float(ground)) > 4.5
        rows = np.flatnonzero((code > 0.4).any(axis=1))
        heights = [len(run) for run in np.split(rows, np.flatnonzero(np.diff(rows) > 8) + 1)]
        assert min(h for h in heights if h > 4) > 0.008 * 1920 + 8  # with their ascenders; a rule is thinner


def lines_of(layer: Layer) -> list[tuple[int, int, int, int]]:
    """Top, bottom, left, right of each line of type in a layer, frame pixels; a rule is none."""
    ink = layer.colour.max(axis=2) * layer.cover > 0.45
    rows = np.flatnonzero(ink.sum(axis=1) > 2)
    out = []
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 3) + 1):
        columns = np.flatnonzero(ink[run].any(axis=0))
        if len(run) > 8:
            out.append(
                (layer.top + run[0], layer.top + run[-1] + 1, layer.left + columns[0], layer.left + columns[-1])
            )
    return out


def test_a_page_number_stays_beside_its_p() -> None:
    """On cards and notes no line breaks between them."""
    said = "Vellingham Guide, p. 41, pp. 3-5, no. XII. The nave ends. Pp. 2 c. 1380, etc. 7"
    kept = "Vellingham Guide, p.~41, pp.~3-5, no.~XII. The nave ends. Pp. 2 c.~1380, etc. 7"
    assert unbroken(said) == kept.replace("~", "\u00a0")
    said, kept = (
        "St Osmerin's aisles' 7.5 m to 9 m, 74 % of 3 more",
        "St Osmerin’s aisles’ 7.5~m to 9~m, 74~% of 3 more",
    )
    assert unbroken(said) == kept.replace("~", "\u00a0")


def test_a_date_is_written_as_it_is_read() -> None:
    assert Fact(name="a", statement="b", source="Seen", date="2027-04-20").cited == "Seen, 20 April 2027"
    assert Fact(name="a", statement="b", source="Seen", date="Easter 1931").cited == "Seen, Easter 1931"


def test_lines_of_a_note_keep_apart() -> None:
    (first, second) = lines_of(note("", ("xxxx xxxx xxxx", "xxxx xxxx xxxx"), (1920, 1080)))
    assert second[0] - first[1] > 0.5 * (first[1] - first[0])


def test_two_lines_of_one_source_lie_nearer_to_each_other_than_to_the_next() -> None:
    light = card_light(Card("", ("xxx\nxxx", "xxx\nxxx"), small=34.0), (960, 540))
    gaps = [int(gap) for gap in np.diff(np.flatnonzero(light.max(axis=1) > 0.3)) if gap > 3]
    assert len(gaps) == 3 and max(gaps[0], gaps[2]) < 0.8 * gaps[1], gaps
