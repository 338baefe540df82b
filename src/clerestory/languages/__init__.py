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
# The languages to choose from on a page, each by its own name.
NAMES: dict[Language, str] = {"en": "English", "de": "Deutsch"}

_MARK = re.compile(r"<!--=(.+?)-->")
_GAP = re.compile(r"\{\w+\}")
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
    said = said.replace("<!--languages-->", _choice(), 1)
    return said.replace('<html lang="en">', f'<html lang="{spoken()}">', 1)


def _choice() -> str:
    """The languages as options of a list, the one that is spoken chosen."""
    now = spoken().split("-")[0]
    return "".join(f'<option value="{tag}" title="{name}"{" selected" * (tag == now)}>{tag.upper()}</option>'
                   for tag, name in NAMES.items())  # fmt: skip


def users_language(chosen: str = "", accepted: str = "") -> Language:
    """The language that the user wants pages in.

    What was `chosen` on a page; else what CLERESTORY_LANGUAGE names; else the first that the browser has `accepted`,
    as its header Accept-Language says it (RFC 9110, 12.5.4); else English. What is not known is passed over.
    """
    for asked in (chosen, os.environ.get("CLERESTORY_LANGUAGE", "")):
        if asked in LANGUAGES:
            return asked
    return next((tag for wish in _wishes(accepted) for tag in NAMES if tag == wish), "en")


def _wishes(accepted: str) -> list[str]:
    """The languages of an Accept-Language header without their regions, the dearest first."""
    found = []
    for part in accepted.split(","):
        tag, _sign, weight = part.partition(";q=")
        with contextlib.suppress(ValueError):
            found.append((-float(weight or 1), tag.strip().lower().split("-")[0]))
    return [tag for weight, tag in sorted(found, key=lambda wish: wish[0]) if weight < 0]


def words_of(language: Language) -> dict[str, str | list[str]]:
    """All that a language has words for, by the English, for a page's scripts; of a text that goes with a count, all
    its forms."""
    out: dict[str, str | list[str]] = {}
    held: dict[str | tuple[str, int], str] = getattr(catalogue(language), "_catalog", {})
    for text, said in held.items():
        if isinstance(text, tuple):
            forms = out.setdefault(text[0], [])
            assert isinstance(forms, list)
            forms.append(said)
        elif text:
            out[text] = said
    return out


def sentences() -> list[str]:
    """What the server says in English and pages in their language, by the patterns that it is made by; those with the
    most words of their own first, as they fit the fewest sentences."""
    held = files(__name__).joinpath("told.txt").read_text(encoding="utf-8").splitlines()
    return sorted((line for line in held if not line.startswith("#")), key=lambda line: -len(_GAP.sub("", line)))
