"""What the film claims and where that stands: facts.toml beside film.toml, and the numbers that no fact is behind.

Nothing here writes a fact. A fact is a statement with its source, which a person has looked up.
"""

from __future__ import annotations

import datetime
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from clerestory.errors import Mistake, Mistakes
from clerestory.files.mistakes import Complaints, Loc
from clerestory.files.toml import parse_toml, read_text

FILE = "facts.toml"
_Text = Annotated[str, Field(min_length=1)]


class Fact(BaseModel):
    """One statement, and where it can be looked up."""

    model_config = ConfigDict(extra="forbid", str_strip_whitespace=True, frozen=True)

    name: _Text
    """What a shot cites it by."""
    statement: _Text
    source: _Text
    """A book, a record, a page on the net, an inscription, a person who was asked."""
    page: str = ""
    date: str = ""
    """When the source was read, seen or asked, or when it was made."""

    @field_validator("page", "date", mode="before")
    @classmethod
    def _as_text(cls, value: Any) -> Any:
        if isinstance(value, datetime.date):
            return value.isoformat()
        return str(value) if isinstance(value, int) and not isinstance(value, bool) else value

    @property
    def cited(self) -> str:
        """The source with its page or date, as it is printed."""
        page = f"p. {self.page}" if self.page[:1].isdigit() else self.page
        return ", ".join(part for part in (self.source, page, _day(self.date)) if part)


def _day(date: str) -> str:
    """A date as it is read: 2027-04-20 as 20 April 2027; anything else as it is written."""
    try:
        day = datetime.date.fromisoformat(date)
    except ValueError:
        return date
    return f"{day.day} {day:%B %Y}"


class _Facts(BaseModel):
    """The whole file."""

    model_config = ConfigDict(extra="forbid")

    fact: tuple[Fact, ...] = ()


_SOURCE = 'has no source; write source = "..." (a book, a record, an inscription, who was asked) under it'
_PLACE = 'has neither page nor date; write page = "..." or date = "..." (when it was read, seen or asked) under it'


def read_facts(path: Path) -> dict[str, Fact]:
    """The facts of a facts.toml by name; none where there is no such file.

    `Mistakes` with every line that is wrong: a fact without a source is refused, with what to write.
    """
    text = read_text(path)
    return {} if text is None else facts_of(text, path)


def facts_of(text: str, path: Path) -> dict[str, Fact]:
    """The facts in a TOML text; `path` is for messages. Errors as of `read_facts`."""
    data, complaints = parse_toml(text, path), Complaints(path, text)
    try:
        facts = _Facts.model_validate(data).fact
    except ValidationError as error:
        complaints.add_all(error, _Facts)
        raise Mistakes(path, [_sourced(m) for m in complaints.found]) from None
    names = [fact.name for fact in facts]
    for k, fact in enumerate(facts):
        at: Loc = ("fact", k)
        if not fact.page and not fact.date:
            complaints.add(at, _PLACE)
        if fact.name in names[:k]:
            complaints.add((*at, "name"), f"{fact.name!r} is used twice; give each fact its own name")
    complaints.check()
    return {fact.name: fact for fact in facts}


def _sourced(mistake: Mistake) -> Mistake:
    """A missing or empty source, said so that one knows what counts as one."""
    if not mistake.place.endswith(", source") or not re.match("is (missing|empty)", mistake.what):
        return mistake
    return Mistake(mistake.line, mistake.place.removesuffix(", source"), _SOURCE)


# ---- numbers in words that are spoken (English)

_UNITS_TEXT = """zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen
seventeen eighteen nineteen"""
_TENS_TEXT = "twenty thirty forty fifty sixty seventy eighty ninety"
_UNITS = _UNITS_TEXT.split()
_TENS = {word: 10 * k for k, word in enumerate(_TENS_TEXT.split(), 2)}
_SMALL = {word: k for k, word in enumerate(_UNITS)} | _TENS
_LARGE = {"hundred": 100, "thousand": 1000, "million": 1_000_000}
_ORDINAL = {
    "third": 3, "fourth": 4, "fifth": 5, "sixth": 6, "seventh": 7, "eighth": 8, "ninth": 9, "tenth": 10,
    "eleventh": 11, "twelfth": 12, **{f"{word}th": k for k, word in enumerate(_UNITS) if k >= 13},
    **{word.replace("y", "ieth"): k for word, k in _TENS.items()},
}  # fmt: skip
_PLURAL = {"hundreds": "hundred", "thousands": "thousand", "millions": "million"}
# Words that are numbers and seldom claim one: "one stands here", "the second bay", "two" in "the two of us" does.
_LOOSE = frozenset({"one", "zero"})
_WORD = re.compile(r"\d{1,3}(?:[,\u202f\u00a0]\d{3})+(?:\.\d+)?|\d+(?:\.\d+)?|[A-Za-z]+")


def numbers_in(text: str) -> list[tuple[str, float]]:
    """Numbers and years in a text, in digits or in English words: as they stand there, and their value.

    "1,182", "eleven eighty-two" and "eleven hundred and eighty-two" are all 1182; "the twelfth century" is 12.
    "One" and the ordinals first and second are left alone: they seldom claim a number.
    """
    out: list[tuple[str, float]] = []
    run: list[re.Match[str]] = []
    for match in _WORD.finditer(text):
        word = match[0].lower()
        if match[0][0].isdigit():
            out.extend(_spoken(run, text))
            run = []
            out.append((match[0], float(re.sub("[,\u202f\u00a0]", "", match[0]))))
        elif _numeral(word) or (word == "and" and run and run[-1][0].lower() in _LARGE):
            if run and re.search(r"[.;:!?,]", text[run[-1].end() : match.start()]):
                out.extend(_spoken(run, text))
                run = []
            run.append(match)
        else:
            out.extend(_spoken(run, text))
            run = []
    return [*out, *_spoken(run, text)] if run else out


def _numeral(word: str) -> bool:
    return word in _SMALL or word in _LARGE or word in _ORDINAL or word in _PLURAL


def _spoken(run: list[re.Match[str]], text: str) -> list[tuple[str, float]]:
    """The number that a run of number words says; nothing for a run that claims none."""
    while run and run[-1][0].lower() == "and":
        run = run[:-1]
    words = [_PLURAL.get(m[0].lower(), m[0].lower()) for m in run]
    words = [w for w in words if w != "and"]
    if not words or (len(words) == 1 and (words[0] in _LOOSE or words[0] in _LARGE)):
        return []
    return [(text[run[0].start() : run[-1].end()], _value(words))]


def _value(words: list[str]) -> float:
    """The value of number words in a row; two groups below a hundred are a year (eleven eighty-two)."""
    whole, part = 0, 0
    for word in words:
        if word in _LARGE and _LARGE[word] > 100:
            whole, part = whole + max(part, 1) * _LARGE[word], 0
        elif word in _LARGE:
            part = max(part, 1) * 100
        else:
            value = _SMALL.get(word, _ORDINAL.get(word, 0))
            fits = part == 0 or part % 100 == 0 or (part % 100 >= 20 and part % 10 == 0 and value < 10)
            part = part + value if fits else part * 100 + value
    return float(whole + part)


def unbacked(words: str, facts: Iterable[Fact]) -> list[str]:
    """The numbers and years of spoken words that none of the facts' statements holds, as they are spoken."""
    backed = {value for fact in facts for _, value in numbers_in(fact.statement)}
    return list(dict.fromkeys(said for said, value in numbers_in(words) if value not in backed))
