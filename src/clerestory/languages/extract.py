"""The words that can be said in another language, gathered from the source into `NAME.po` beside this file.

`python -m clerestory.languages.extract de` adds what is new, drops what is said no longer, keeps what is translated.
Needs a copy of the source that can be written to.
"""

from __future__ import annotations

import io
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po

from clerestory.languages import sentences

PACKAGE = Path(__file__).resolve().parent.parent
KEYWORDS: dict[str, dict[str, Any]] = {
    "python": {"_": None, "later": None, "few": (1, 2)},
    "javascript": {"say": None, "few": (1, 2)},
}
OPTIONS: dict[str, dict[str, Any]] = {"python": {}, "javascript": {"parse_template_string": True}}
PAGES = ("plan/card.html", "web/assets/start.html", "web/assets/page.html")


def said() -> Iterator[tuple[str, str | tuple[str, ...]]]:
    """Every text marked for translation, with the file it is in."""
    sources = [(path, "python") for path in sorted((PACKAGE / "plan").glob("*.py"))]
    sources += [(path, "javascript") for path in sorted((PACKAGE / "web" / "assets").glob("*.js"))]
    for path, form in sources:
        name = path.relative_to(PACKAGE).as_posix()
        found_in = extract(form, io.BytesIO(path.read_bytes()), keywords=KEYWORDS[form], options=OPTIONS[form])
        for _line, text, _comments, _context in found_in:
            yield name, text if isinstance(text, str) else tuple(text)
    for name in PAGES:
        for found in re.finditer(r"<!--=(.+?)-->", (PACKAGE / name).read_text(encoding="utf-8")):
            yield name, found[1]
    for sentence in sentences():
        yield "languages/told.txt", sentence


def template() -> Catalog:
    """All texts, none of them translated yet."""
    out = Catalog(project="clerestory", charset="utf-8")
    for name, text in said():
        out.add(text, locations=[(name, 0)])
    return out


def catalogue_at(path: Path, language: str) -> Catalog:
    """The catalogue in a file, brought up to the source; a new one where there is no such file."""
    held = read_po(io.BytesIO(path.read_bytes()), locale=language) if path.exists() else Catalog(language)
    held.update(template(), no_fuzzy_matching=True)
    held.obsolete.clear()
    return held


def main() -> None:
    """Bring the catalogue of a language up to the source."""
    language = sys.argv[1]
    path = Path(__file__).resolve().parent / f"{language}.po"
    held, out = catalogue_at(path, language), io.BytesIO()
    write_po(out, held, width=118, sort_by_file=True, omit_header=True, include_lineno=False)
    path.write_bytes(out.getvalue())
    missing = sum(not message.string or not all(message.string) for message in held if message.id)
    print(f"{path.name}: {len(held)} texts, {missing} still to be said")


if __name__ == "__main__":
    main()
