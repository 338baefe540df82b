"""A film from a Markdown script: headings are chapters, pictures are shots, paragraphs are what is said."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote

from clerestory.errors import UserError
from clerestory.film.model import KINDS, Film, film_from

_PICTURE = re.compile(r"^!\[(?P<caption>[^\]]*)\]\(\s*<?(?P<target>[^)\s>]+)>?(?:\s+\"(?P<how>[^\"]*)\")?\s*\)\s*$")
_HEADING = re.compile(r"^(#{1,6})\s+(.*?)\s*#*$")
_MARKS = re.compile(r"(\*\*|__|\*|_(?=\w)|(?<=\w)_|`)")
_CREDITS = ("credits", "sources")


# Words followed by a name, and the field of a shot that takes it.
_NAMING = {
    "within": "within", "narration": "narration", "from": "walk_from", "standing": "station", "beside": "beside",
    "wipe": "wipe", "older": "older", "called": "other",
}  # fmt: skip


def _how(text: str, line: int, source: Path) -> dict[str, Any]:
    """'push, 8 s, cut' as a shot's fields."""
    out: dict[str, Any] = {}
    for plain in (part.strip() for part in re.split(r"[,;]", text) if part.strip()):
        word, name = plain.lower(), plain.partition(" ")[2].strip()
        number = re.fullmatch(r"(\d+(?:\.\d+)?)\s*(?:s|sec|seconds)", word)
        move, _, way = word.partition(" ")
        if number:
            out["seconds"] = float(number[1])
        elif move in ("hold", "push", "pull", "pan", "tilt"):
            out["move"] = move
            if way:
                out["direction"] = way
        elif word in KINDS:
            out["kind"] = word
        elif word in ("cut", "dissolve"):
            out["join"] = word
        elif word in ("whole", "before", "still", "spoken"):
            out[word] = True
        elif word == "no settings":
            out["settings"] = False
        elif way and move in _NAMING:
            out[_NAMING[move]] = name
        elif number_of := re.fullmatch(r"focused at (\d+(?:\.\d+)?)\s*m", word):
            out["focus_m"] = float(number_of[1])
        elif move == "fact" and way:
            out.setdefault("fact", []).append(name)
        else:
            raise UserError(
                f"{source}, line {line}: '{word}' is not a shot setting; use a length (8 s), hold, push, pull, pan or"
                " tilt with a direction, cut, dissolve, whole, before, still, spoken, no settings, fact NAME,"
                f" {', '.join(f'{word} NAME' for word in _NAMING)}, focused at 5 m, or {', '.join(KINDS)}."
            )
    return out


def _name(target: str) -> str:
    """The picture's name from a link such as ../pictures/nave.tif."""
    path = Path(unquote(target))
    parts = path.parts
    return str(Path(*parts[parts.index("pictures") + 1 :])) if "pictures" in parts[:-1] else path.name


def _front(lines: list[str]) -> tuple[dict[str, Any], int]:
    """`key: value` lines between two lines of three dashes at the top."""
    if not lines or lines[0].strip() != "---":
        return {}, 0
    out: dict[str, Any] = {}
    for i, line in enumerate(lines[1:], 1):
        if line.strip() == "---":
            return out, i + 1
        key, _, value = line.partition(":")
        if value.strip():
            name = key.strip()
            out[name] = value.strip()
    return {}, 0


class _Reader:
    """Goes through a script line by line."""

    def __init__(self, source: Path) -> None:
        self.source = source
        self.values: dict[str, Any] = {"shots": [], "credits": []}
        self._chapter = ""
        self._credits = False
        self._said: list[str] = []

    def close(self) -> None:
        """Give the words read so far to the shot they stand under."""
        text = " ".join(self._said).strip()
        self._said = []
        if not text:
            return
        shots = self.values["shots"]
        if shots:
            shots[-1]["words"] = f"{shots[-1].get('words', '')} {text}".strip()
        else:
            self.values.setdefault("subtitle", text)

    def heading(self, level: int, text: str) -> None:
        self.close()
        if level == 1 and "title" not in self.values:
            self.values["title"] = text
            return
        self._credits = text.lower() in _CREDITS
        if not self._credits:
            self._chapter = text

    def picture(self, match: re.Match[str], line: int) -> None:
        self.close()
        shot: dict[str, Any] = {"picture": _name(match["target"]), "caption": match["caption"].strip()}
        shot.update(_how(match["how"] or "", line, self.source))
        if kind := shot.pop("kind", ""):
            shot[kind] = shot["picture"]
        if self._chapter:
            shot["chapter"], self._chapter = self._chapter, ""
        self.values["shots"].append(shot)

    def text(self, line: str) -> None:
        plain = _MARKS.sub("", re.sub(r"\[([^\[\]]*)\]\([^()]*\)", r"\1", line)).strip()
        if self._credits:
            if plain:
                self.values["credits"].append(plain.lstrip("-*+ "))
        else:
            self._said.append(plain)


def read_script(path: Path) -> Film:
    """A Markdown script as a Film.

    `# Title`, a paragraph under it (the subtitle), `## Chapter`, `![caption](../pictures/NAME.tif "push, 8 s")`, and
    under each picture what is said over it. Lines under a heading "Credits" or "Sources" are credits. Between two
    lines of dashes at the top, `key: value` for words_a_minute, narration, music, loudness, language, poster.
    """
    try:
        lines = path.read_text("utf-8-sig").splitlines()
    except UnicodeDecodeError:
        raise UserError(f"{path}: not UTF-8 text; save it as UTF-8.") from None
    front, skip = _front(lines)
    reader = _Reader(path)
    comment = False
    for number, line in enumerate(lines[skip:], skip + 1):
        comment = comment or line.lstrip().startswith("<!--")
        heading, picture = _HEADING.match(line), _PICTURE.match(line.strip())
        if comment:
            comment = "-->" not in line
        elif heading:
            reader.heading(len(heading[1]), heading[2])
        elif picture:
            reader.picture(picture, number)
        else:
            reader.text(line)
    reader.close()
    if not reader.values["shots"]:
        raise UserError(f"{path}: the script has no pictures; add one as ![caption](../pictures/NAME.tif).")
    return film_from(reader.values | front, path)
