"""Words in the reader's language: messages by gettext, dates and numbers as written there, lengths in its units.

English stands in the code and is its own key. For another language `NAME.po` lies beside this file; what it does not
hold is said in English. Within `speaking("de")` the functions here answer in German, outside it in English, whoever
calls them; so a sentence is built by one code for every language.

    from clerestory.languages import _, speaking

    with speaking("de"):
        _("Take care")          # 'Bitte beachten'
"""

from __future__ import annotations

import contextlib
import gettext
import html
import io
import os
import re
from collections.abc import Iterator
from contextvars import ContextVar
from datetime import date
from functools import cache
from importlib.resources import files
from typing import Literal, get_args

Language = Literal["en", "en-US", "de"]
LANGUAGES: tuple[Language, ...] = get_args(Language)
# Feet are the measure of the United States alone among the languages here (CLDR, measurementData; from memory).
_IN_FEET = frozenset({"en-US"})
FOOT = 0.3048  # metres, exactly (NIST Special Publication 811, Appendix B)

_MARK = re.compile(r"<!--=(.+?)-->")
_spoken: ContextVar[Language] = ContextVar("language", default="en")


@contextlib.contextmanager
def speaking(language: Language) -> Iterator[None]:
    """Within it, everything here answers in `language`."""
    token = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(token)


def spoken() -> Language:
    """The language that is spoken now."""
    return _spoken.get()


@cache
def catalogue(language: Language) -> gettext.NullTranslations:
    """The words of a language; an empty catalogue, which gives back what it is asked, where it has none."""
    place = files(__name__).joinpath(f"{language}.po")
    if language.startswith("en") or not place.is_file():
        return gettext.NullTranslations()
    from babel.messages.mofile import write_mo
    from babel.messages.pofile import read_po

    compiled = io.BytesIO()
    write_mo(compiled, read_po(io.BytesIO(place.read_bytes()), locale=language))
    compiled.seek(0)
    return gettext.GNUTranslations(compiled)


def _(text: str) -> str:
    """A text in the language spoken; itself where that has no words for it."""
    return catalogue(spoken()).gettext(text)


def few(one: str, many: str, count: int) -> str:
    """The one of two texts that goes with a count, by the language's own rule."""
    return catalogue(spoken()).ngettext(one, many, count)


def day_words(day: date) -> str:
    """A date as it is said: Tuesday 20 April 2027; Tuesday, April 20, 2027; Dienstag, 20. April 2027."""
    if spoken() == "en":
        return f"{day:%A} {day.day} {day:%B %Y}"
    from babel.dates import format_date

    return format_date(day, "full", locale=spoken().replace("-", "_"))


def decimal(value: float, figures: int = 0) -> str:
    """A number with so many figures after the point, or the comma."""
    said = f"{value:.{figures}f}"
    if spoken().startswith("en"):
        return said
    from babel.numbers import get_decimal_symbol

    return said.replace(".", get_decimal_symbol(spoken().replace("-", "_")))


def length(metres: float, figures: int = 0) -> str:
    """A length given in metres, in the units of the place; in feet with one figure fewer."""
    if spoken() in _IN_FEET:
        return f"{decimal(metres / FOOT, max(figures - 1, 0))} ft"
    return f"{decimal(metres, figures)} m"


def later(text: str) -> str:
    """A text to be looked up when it is said, not where it stands: marks it for the catalogue, and is it."""
    return text


def marked(page: str) -> str:
    """A page of HTML with each `<!--=text-->` said in the language spoken, and the page said to be in it."""
    said = _MARK.sub(lambda found: html.escape(_(found[1]), quote=True), page)
    return said.replace('<html lang="en">', f'<html lang="{spoken()}">', 1)


def users_language() -> Language:
    """The language that the user wants the start page in: CLERESTORY_LANGUAGE where it names one that is known."""
    asked = os.environ.get("CLERESTORY_LANGUAGE", "")
    return next((language for language in LANGUAGES if language == asked), "en")


def words_of(language: Language) -> dict[str, str]:
    """All that a language has words for, by the English, for a page's scripts."""
    held = getattr(catalogue(language), "_catalog", {})
    return {text: said for text, said in held.items() if isinstance(text, str) and text}
