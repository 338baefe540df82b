"""Other languages: texts have their words, with the same gaps; dates, decimal signs and units are the place's."""

from __future__ import annotations

import ast
import re
from datetime import date
from pathlib import Path

import pytest

import clerestory
from clerestory import languages
from clerestory.languages import _, day_words, decimal, length, marked, speaking, users_language, words_of
from clerestory.languages.extract import catalogue_at, said

PACKAGE = Path(clerestory.__path__[0])
OTHERS = [language for language in languages.LANGUAGES if not language.startswith("en")]


def gaps(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_translated_has_the_same_gaps_and_hardly_anything_is_not(language: str) -> None:
    """Whoever adds a text need not know every language: it is said in English until somebody does."""
    texts = [message for message in catalogue_at(PACKAGE / "languages" / f"{language}.po", language) if message.id]
    done = 0
    for message in texts:
        ours, theirs = ([t] if isinstance(t, str) else list(t) for t in (message.id, message.string))
        if all(theirs):
            done += 1
            assert {g for t in ours for g in gaps(t)} == {g for t in theirs for g in gaps(t)}
    assert done >= 0.95 * len(texts)


def test_no_text_is_hidden_from_the_catalogue() -> None:
    """A text inside an f-string's braces is said, but not gathered; it has to stand outside."""
    gathered = {text for _file, text in said() if isinstance(text, str)}
    asked = {
        node.args[0].value
        for path in (PACKAGE / "plan").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("_", "later")
        if isinstance(node.args[0], ast.Constant)
    }
    assert len(asked) > 100 and asked <= gathered


def test_dates_numbers_and_lengths_are_those_of_the_place() -> None:
    """Day and decimal sign as CLDR has them; a foot is 0.3048 m (NIST SP 811)."""
    day = date(2027, 4, 20)
    assert (day_words(day), decimal(1.25, 2), length(30.48)) == ("Tuesday 20 April 2027", "1.25", "30 m")
    with speaking("de"):
        assert (day_words(day), decimal(1.25, 2), length(2.5, 1)) == ("Dienstag, 20. April 2027", "1,25", "2,5 m")
    with speaking("en-US"):
        assert (day_words(day), length(30.48), _("Eyes")) == ("Tuesday, April 20, 2027", "100 ft", "Eyes")


def test_a_page_is_said_in_the_language_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CLERESTORY_LANGUAGE", "de")
    with speaking(users_language()):
        assert marked('<html lang="en"><!--=Visits-->') == '<html lang="de">Besuche'
    assert words_of("de")["New visit"] == "Neuer Besuch" and words_of("en") == {}
    monkeypatch.setenv("CLERESTORY_LANGUAGE", "xx")
    assert users_language() == "en"
