"""Captions: words cut at phrases into cues that can be read in time; SubRip and WebVTT text, chapters in WebVTT.

How much is shown and for how long follows F. Karamitroglou, "A Proposed Set of Subtitling Standards in Europe",
Translation Journal 2 (2), 1998, and the row of a teletext page (ETSI EN 300 706); the figures from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

LINE = 37  # characters a line: a teletext row of 40 less its three codes; Karamitroglou asks for about 35
LINES = 2
FASTEST = 180 / 60 * 5.7  # characters a second: Karamitroglou's 180 words a minute, an English word and its space 5.7
SHORTEST = 1.5  # seconds a cue stays, be it one word; Karamitroglou
GAP = 0.25  # seconds between cues, so that the eye sees that the words have changed; Karamitroglou

# Words before which a phrase may begin, and words that belong to what follows them (English).
_SMALL_TEXT = """and but or nor so for yet that which who whom whose where when while as if because until though
although than of in on at by with from to into onto over under above below between through across before after"""
_BINDING_TEXT = """a an the of in on at by with from to into and or but his her its their our my your this that these
those is was are were be been has have had not no very so as st saint mr mrs dr"""
_SMALL, _BINDING = frozenset(_SMALL_TEXT.split()), frozenset(_BINDING_TEXT.split())


@dataclass(frozen=True)
class Cue:
    """Words on screen from `start` to `end`, seconds of the film; `text` may hold one line break."""

    start: float
    end: float
    text: str

    @property
    def speed(self) -> float:
        """Characters a second, the line break counted as a space."""
        return len(self.text) / (self.end - self.start)


@dataclass(frozen=True)
class Chapter:
    """A part of the film with a title, from `start` to `end`, seconds of the film."""

    start: float
    end: float
    title: str


def _break_cost(before: str, after: str) -> float:
    """How bad it is to break between two words: 0 after a sentence, 1 in the middle of a phrase, more within one."""
    bare = before.rstrip("\"'’”)")
    if bare.endswith((".", "?", "!", "…")):
        return 0.0
    if bare.endswith((";", ":", "—", "–")):
        return 0.15
    if bare.endswith(","):
        return 0.25
    if before.lower().strip("\"'’”(“‘") in _BINDING:
        return 1.6
    if after.lower().strip("\"'’”(“‘") in _SMALL:
        return 0.6
    return 1.0


def _two_lines(words: list[str]) -> tuple[float, str] | None:
    """Words as one line, or two at the best place for a break, and how bad that is; None when they do not fit."""
    text = " ".join(words)
    if len(text) <= LINE:
        return 0.0, text
    best: tuple[float, str] | None = None
    for i in range(1, len(words)):
        first, second = " ".join(words[:i]), " ".join(words[i:])
        if len(first) > LINE or len(second) > LINE:
            continue
        cost = _break_cost(words[i - 1], words[i]) + abs(len(first) - len(second)) / LINE
        if best is None or cost < best[0]:
            best = (cost, f"{first}\n{second}")
    return best


def phrases(text: str) -> list[str]:
    """Text cut into cues of at most two lines, at the ends of sentences and phrases where it can be."""
    words = _fitting_words(text)
    count = len(words)
    best: list[tuple[float, int]] = [(0.0, 0)] + [(float("inf"), 0)] * count
    for end in range(1, count + 1):
        closing = _break_cost(words[end - 1], words[end]) if end < count else 0.0
        for begin in range(end - 1, -1, -1):
            length = len(" ".join(words[begin:end]))
            if length > LINE * LINES:
                break
            lines = _two_lines(words[begin:end])
            if best[begin][0] == float("inf") or lines is None:
                continue
            short = max(0.0, 1 - length / 24) ** 2
            cost = best[begin][0] + closing + 0.4 * lines[0] + 0.35 + 1.2 * short
            if cost < best[end][0]:
                best[end] = (cost, begin)
    cuts = [count]
    while cuts[-1] > 0:
        cuts.append(best[cuts[-1]][1])
    cuts.reverse()
    return [(_two_lines(words[a:b]) or (0.0, ""))[1] for a, b in pairwise(cuts)]


def _fitting_words(text: str) -> list[str]:
    """Words, those longer than a line cut."""
    return [word[i : i + LINE] for word in text.split() for i in range(0, len(word), LINE)]


def seconds_needed(text: str) -> float:
    """The least time in which the captions of a text can be read."""
    return sum(max(SHORTEST, len(cue) / (FASTEST - 0.5)) + GAP for cue in phrases(text))


def cues(text: str, start: float, seconds: float, limit: float) -> list[Cue]:
    """Cues of a text spoken from `start` for `seconds`; reading may run on until `limit`.

    Each cue gets time by its length, a pause after a sentence counted, never less than its reading needs.
    """
    texts = phrases(text)
    if not texts:
        return []
    weights = [len(t) + (9 if t.rstrip("\"'’”)").endswith((".", "?", "!")) else 3) for t in texts]
    need = [max(SHORTEST, len(t) / (FASTEST - 0.5)) + GAP for t in texts]
    whole = max(seconds, min(sum(need), limit - start))
    lengths = [whole * w / sum(weights) for w in weights]
    for _ in range(8):  # take from those with time to spare what the hurried ones lack
        lack = sum(max(0.0, n - length) for n, length in zip(need, lengths, strict=True))
        spare = sum(max(0.0, length - n) for n, length in zip(need, lengths, strict=True))
        if lack < 1e-6 or spare < 1e-6:
            break
        give = min(1.0, lack / spare)
        lengths = [n if length < n else length - give * (length - n) for n, length in zip(need, lengths, strict=True)]
    out, at = [], start
    for words, length in zip(texts, lengths, strict=True):
        out.append(Cue(at, at + length - GAP, words))
        at += length
    return out


def _stamp(seconds: float, mark: str) -> str:
    ms = round(seconds * 1000)
    return f"{ms // 3600000:02d}:{ms // 60000 % 60:02d}:{ms // 1000 % 60:02d}{mark}{ms % 1000:03d}"


def subrip(items: list[Cue]) -> str:
    """SubRip text."""
    return "\n".join(
        f"{i}\n{_stamp(cue.start, ',')} --> {_stamp(cue.end, ',')}\n{cue.text}\n" for i, cue in enumerate(items, 1)
    )


def _blocks(blocks: list[tuple[float, float, str]]) -> str:
    """A WebVTT file of (from, to, text): '&' and '<' are written as entities, and nothing reads as an arrow."""
    out = ["WEBVTT\n"]
    for start, end, text in blocks:
        safe = text.replace("&", "&amp;").replace("<", "&lt;").replace("-->", "--&gt;")
        out.append(f"{_stamp(start, '.')} --> {_stamp(end, '.')}\n{safe}\n")
    return "\n".join(out)


def webvtt(items: list[Cue]) -> str:
    """Captions as WebVTT text, for a track of kind `captions` (W3C WebVTT, section 4.1)."""
    return _blocks([(cue.start, cue.end, cue.text) for cue in items])


def webvtt_chapters(chapters: list[Chapter]) -> str:
    """Chapters as WebVTT text, for a track of kind `chapters` (W3C WebVTT, chapter title text): a cue a chapter."""
    return _blocks([(chapter.start, chapter.end, " ".join(chapter.title.split())) for chapter in chapters])


def word_count(text: str) -> int:
    """Spoken words in a text."""
    return len(re.findall(r"\w+(?:['’-]\w+)*", text))
