"""Other languages: texts have their words, with the same gaps; dates, decimal signs and units are the place's."""

from __future__ import annotations

import ast
import json
import re
from datetime import date
from pathlib import Path

import pytest

import clerestory
from clerestory import languages
from clerestory.finish.recipe import Recipe
from clerestory.languages import _, day_words, decimal, length, marked, sentences, speaking, users_language, words_of
from clerestory.languages.extract import catalogue_at, said

PACKAGE = Path(clerestory.__path__[0])
OTHERS = [language for language in languages.LANGUAGES if not language.startswith("en")]


SCRIPTS = sorted(path for path in (PACKAGE / "web" / "assets").glob("*.js") if path.name != "say.js")
SCRIPTS_TEXT = " ".join(path.read_text("utf-8") for path in SCRIPTS)
SAID = re.compile(r'(?<![.\w])(?:say|few)\(\s*"((?:[^"\\]|\\.)*)"')
_LITERAL = r'(?P<sign>["`])(?P<words>(?:(?!(?P=sign))[^\n])*)(?P=sign)'
SHOWN = [
    re.compile(r'(?:\btitle|\bplaceholder|\balt|\blabel|\btells|"aria-label"|"aria-valuetext"): ' + _LITERAL),
    re.compile(r'\b(?:el|svg)\("\w+", \{[^{}]*\}, ' + _LITERAL),
    re.compile(r"\bbutton\(" + _LITERAL),
    re.compile(r"\.(?:textContent|title|placeholder|alt) = " + _LITERAL),
    re.compile(r'setAttribute\("(?:aria-label|aria-valuetext|title|placeholder|alt)", ' + _LITERAL),
]


def gaps(text: str) -> set[str]:
    return set(re.findall(r"\{(\w+)\}", text))


@pytest.mark.parametrize("language", OTHERS)
def test_what_is_translated_has_the_same_gaps_and_the_pages_say_all_they_have(language: str) -> None:
    """Elsewhere whoever adds a text need not know every language: it is said in English until somebody does."""
    texts = [message for message in catalogue_at(PACKAGE / "languages" / f"{language}.po", language) if message.id]
    missing, others = [], 0
    for message in texts:
        ours, theirs = ([t] if isinstance(t, str) else list(t) for t in (message.id, message.string or ""))
        if all(theirs):
            assert {g for t in ours for g in gaps(t)} == {g for t in theirs for g in gaps(t)}
        elif any(name.startswith("web/") for name, _line in message.locations):
            missing.append(ours[0])
        else:
            others += 1
    assert not missing, f"say these, then: python -m clerestory.languages.extract {language}"
    assert others <= 0.05 * len(texts)


def test_no_text_is_hidden_from_the_catalogue() -> None:
    """A text inside an f-string's or a template's braces is said, but may not be gathered."""
    gathered = {t for _file, text in said() for t in ([text] if isinstance(text, str) else text)}
    asked = {
        node.args[0].value
        for path in (PACKAGE / "plan").glob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("_", "later")
        if isinstance(node.args[0], ast.Constant)
    }
    scripts = {json.loads(f'"{text}"') for script in SCRIPTS for text in SAID.findall(script.read_text("utf-8"))}
    assert len(asked) > 100 and asked <= gathered
    assert len(scripts) > 700 and scripts <= gathered


def test_no_script_of_a_page_shows_a_text_that_is_not_said_through_the_catalogue() -> None:
    """What an element holds, what a button says, and the attributes that are read out or shown."""
    for script in SCRIPTS:
        for form in SHOWN:
            for found in form.finditer(script.read_text("utf-8")):
                words = found["words"]
                while (less := re.sub(r"\$?\{[^{}]*\}", "", words)) != words:
                    words = less
                words = words.partition("${")[0]
                assert not re.search(r"[A-Za-z]{2}", words), f"{script.name}: {found[0]}"


def test_what_the_server_says_is_still_said_so() -> None:
    """Of each line in told.txt some words in a row stand in the code; a line of which none does is said no longer."""
    texts = [
        node.value
        for path in PACKAGE.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    ]
    code = " ".join(texts).replace("_", " ") + SCRIPTS_TEXT
    for line in sentences():
        runs = [piece.split() for piece in re.split(r"\{\w+\}", line) if re.search(r"[A-Za-z]{2}", piece)]
        found = [
            " ".join(run[k : k + 3]).strip(".,;:() ").removesuffix("s") in code
            for run in runs
            for k in range(max(len(run) - 2, 1))
        ]
        assert any(found) or not found, line


def test_every_key_of_a_recipe_is_said_where_undo_names_it() -> None:
    """Undo and a view's history name the keys; a line of told.txt each."""
    missing = {name.replace("_", " ") for name in Recipe.model_fields} - set(sentences())
    assert not missing, f"add to languages/told.txt, beside the other names of controls: {sorted(missing)}"


def test_dates_numbers_and_lengths_are_those_of_the_place() -> None:
    """Day and decimal sign as CLDR has them; a foot is 0.3048 m (NIST SP 811)."""
    day = date(2027, 4, 20)
    assert (day_words(day), decimal(1.25, 2), length(30.48)) == ("Tuesday 20 April 2027", "1.25", "30 m")
    with speaking("de"):
        assert (day_words(day), decimal(1.25, 2), length(2.5, 1)) == ("Dienstag, 20. April 2027", "1,25", "2,5 m")
    with speaking("en-US"):
        assert (day_words(day), length(30.48), _("Eyes")) == ("Tuesday, April 20, 2027", "100 ft", "Eyes")


def test_a_page_is_said_in_the_language_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Chosen on the page, else by the environment, else as the browser asks (RFC 9110, 12.5.4), else English."""
    monkeypatch.setenv("CLERESTORY_LANGUAGE", "de")
    with speaking(users_language()):
        assert marked('<html lang="en"><!--=Visits-->') == '<html lang="de">Besuche'
    words = words_of("de")
    assert words["New visit"] == "Neuer Besuch" and words["{n} shot"] == ["{n} Einstellung", "{n} Einstellungen"]
    assert words_of("en") == {}
    assert users_language("en", "de") == "en"
    monkeypatch.setenv("CLERESTORY_LANGUAGE", "xx")
    assert users_language() == "en" == users_language("", "fr, en-GB;q=0.8, de;q=0.5")
    assert users_language("", "de-AT;q=0.7,fr,en;q=0.3") == "de" and users_language("", "de;q=0,nonsense;q=x") == "en"
