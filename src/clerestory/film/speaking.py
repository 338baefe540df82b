"""A spoken take against its script: how loud, whether clipped, and where it departs, by lengths and pauses alone.

No word is recognised. Sentences are matched to the stretches of speech between pauses, and each is held against the
time that its words take at the take's own pace.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from clerestory.film.captions import word_count
from clerestory.film.loudness import measured
from clerestory.film.sound import Recording, cut_take, faults, spoken

# Set on an espeak-ng voice and on noise for words: a sentence of four left out, said twice, halted in its midst.
SHORT, LONG = 0.6, 1.4  # a sentence's time over what its words take, under and over which it is marked
HALT = 1.1  # seconds of silence within a sentence that are marked
SLOW, FAST = 80, 220  # words a minute within which a take is unhurried and not asleep; common practice, no source
_SENTENCE = re.compile(r"[^.!?…]+(?:[.!?…]+[\"'’”)]*|$)", re.DOTALL)


@dataclass(frozen=True)
class Mark:
    """Words of a script, first and last counted from 0, that a take departs from, and how."""

    first: int
    last: int
    said: str


@dataclass(frozen=True)
class Take:
    """What a recording of a script's words is like."""

    begin: float
    end: float
    """Where it is spoken, seconds: silence before and after is not used."""
    pace: float
    """Words a minute."""
    level: float
    """LUFS of what is spoken."""
    peak: float
    """dB of full scale."""
    clipped: float
    """Seconds that stand flat at full scale."""
    faults: tuple[str, ...]
    """Why it cannot be used."""
    marks: tuple[Mark, ...]

    @property
    def cost(self) -> float:
        """How far it is from a clean take that keeps to its script: the least of several is the best."""
        words = sum(mark.last - mark.first + 1 for mark in self.marks)
        hurried = max(0.0, self.pace / FAST - 1) + max(0.0, SLOW / max(self.pace, 1) - 1)
        return 1000.0 * len(self.faults) + 200.0 * self.clipped + words + 20 * hurried + max(0.0, -32 - self.level)


def sentences(text: str) -> list[tuple[int, int]]:
    """First and last word, counted from 0 as `split` has them, of each sentence of a text."""
    out: list[tuple[int, int]] = []
    at = 0
    for match in _SENTENCE.finditer(text):
        count = len(match[0].split())
        if count and word_count(match[0]):
            out.append((at, at + count - 1))
        elif count and out:  # what holds no spoken word belongs to the sentence before
            out[-1] = (out[-1][0], at + count - 1)
        at += count
    return out


def taken(recording: Recording, words: str) -> Take:
    """How a recording keeps to its words."""
    wrong = tuple(faults(recording))
    runs = spoken(recording.samples) if recording.samples.shape[1] else []
    if not runs:
        return Take(0.0, recording.seconds, 0.0, -np.inf, -np.inf, recording.clipped, wrong, ())
    begin, end = runs[0][0], runs[-1][1]
    part = recording.samples[:, round(begin * 48000) : round(end * 48000)]
    level = float(measured([np.ascontiguousarray(part)], part.shape[0]).integrated())
    peak = 20 * float(np.log10(max(float(np.abs(part).max()), 1e-6)))
    pace = 60 * word_count(words) / max(end - begin, 0.1)
    marks = tuple(_departures(recording, runs, words)) if words.strip() else ()
    return Take(begin, end, pace, level, peak, recording.clipped, wrong, marks)


def _departures(recording: Recording, runs: list[tuple[float, float]], words: str) -> list[Mark]:
    split = words.split()
    parts = sentences(words)
    counts = [max(1, word_count(" ".join(split[a : b + 1]))) for a, b in parts]
    try:
        pieces = cut_take(recording.samples, counts)
    except ValueError:
        if len(parts) > 2 * len(runs):
            return [Mark(0, len(split) - 1, "there are fewer pauses than sentences: some may be missing")]
        return []
    lengths = np.array([sum(max(0.0, min(d, b) - max(c, a)) for c, d in runs) for a, b in pieces])
    brisk, each = np.quantile(lengths / counts, (0.25, 0.5))  # seconds a word at the take's own pace
    out = []
    for (first, last), (a, b), length, count in zip(parts, pieces, lengths, counts, strict=True):
        if len(parts) > 1 and count > 2 and length < SHORT * each * count:
            out.append(Mark(first, last, f"{length:.1f} s is short for {count} words: something may be missing"))
        elif len(parts) > 1 and length > max(LONG * brisk * count, brisk * count + 1):
            out.append(Mark(first, last, f"{length:.1f} s is long for {count} words: something may be added"))
        within = [(c, d) for c, d in runs if a <= c and d <= b]
        halts = [(d, e) for (_, d), (e, _) in pairwise(within) if e - d > HALT]
        for halt, on in halts:
            said = sum(max(0.0, min(d, halt) - c) for c, d in within if c < halt)
            word = first + min(round((last - first) * said / max(length, 1e-6)), last - first)
            out.append(Mark(word, word, f"a pause of {on - halt:.1f} s within the sentence"))
    return out


def best_of(takes: list[Take]) -> int | None:
    """Which of several takes is cleanest and nearest to its script; None where none can be used."""
    able = [k for k, take in enumerate(takes) if not take.faults]
    return min(able, key=lambda k: (takes[k].cost, k), default=None)
