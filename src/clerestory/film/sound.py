"""The film's sound: recordings read and checked, a long take cut at its silences, everything mixed in blocks."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryFile

import av
import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.film.loudness import AFTER, BEFORE, CEILING, RATE, TARGET, Meter, limiter_gain, measured

Floats = NDArray[np.float32]

_FRAME = RATE // 50  # 20 ms, the fineness at which speech is told from silence
_BLOCK = 10 * RATE
EMPTY_PEAK = 10 ** (-50 / 20)  # a recording that never gets louder holds no speech
HEADROOM = 0.7  # dB kept under the ceiling, for what lossy coding adds to peaks


@dataclass(frozen=True)
class Recording:
    """A sound file at 48 kHz, float32 channels x N, and what is wrong with it."""

    path: Path
    samples: Floats
    clipped: float
    """Seconds that stand flat at full scale."""

    @property
    def seconds(self) -> float:
        return self.samples.shape[1] / RATE


_FULL = {"u8": 128.0, "s16": 32768.0, "s32": 2147483648.0, "flt": 1.0, "dbl": 1.0}


def _as_float(frame: av.AudioFrame) -> Floats:
    """A decoded frame as float32 channels x N."""
    kind = frame.format.name.removesuffix("p")
    data = frame.to_ndarray().astype(np.float32)
    if kind == "u8":
        data -= np.float32(128)
    if not frame.format.is_planar:
        data = data.reshape(-1, frame.layout.nb_channels).T
    out: Floats = data / np.float32(_FULL.get(kind, 1.0))
    return out


def _flat_samples(block: Floats) -> int:
    """Samples that lie in runs of three or more at full scale."""
    worst = 0
    for channel in block:
        high = np.abs(channel) >= 0.9995
        run = high[2:] & high[1:-1] & high[:-2] & (np.abs(np.diff(channel, 2)) < 1e-3)
        worst = max(worst, int(run.sum()))
    return worst


def read_sound(path: Path) -> Recording:
    """A WAV, FLAC, MP3 or other sound file; mono stays mono, more than two channels become two.

    The samples lie in a temporary file, so that an hour of speech takes no memory.
    """
    if not path.is_file():
        raise UserError(f"there is no recording {path}")
    file = TemporaryFile()  # noqa: SIM115 - it lives as long as the samples do
    flat, rate, channels, count = 0, RATE, 1, 0

    def keep(out: av.AudioFrame) -> int:
        block = out.to_ndarray().astype(np.float32, copy=False)
        file.write(np.ascontiguousarray(block.T).tobytes())
        return block.shape[1]

    try:
        with av.open(path) as container:
            if not container.streams.audio:
                raise UserError(f"{path} has no audio in it")
            stream = container.streams.audio[0]
            rate = stream.rate or RATE
            channels = 1 if stream.channels == 1 else 2
            resampler = av.AudioResampler(format="fltp", layout="mono" if channels == 1 else "stereo", rate=RATE)
            for frame in container.decode(stream):
                flat += _flat_samples(_as_float(frame))
                frame.pts = None
                count += sum(keep(out) for out in resampler.resample(frame))
            count += sum(keep(out) for out in resampler.resample(None))
    except av.error.FFmpegError as error:
        raise UserError(f"{path} cannot be read as audio: {error.strerror or error}") from None
    except (UnicodeDecodeError, AttributeError, ValueError) as error:  # tags and streams that PyAV cannot express
        raise UserError(f"{path} cannot be read as audio: {error}") from None
    if not count:
        return Recording(path, np.zeros((1, 0), np.float32), 0.0)
    file.flush()
    samples = np.memmap(file, np.float32, "r", shape=(count, channels)).T
    return Recording(path, samples, flat / rate)


def _blocks(samples: Floats) -> Iterator[Floats]:
    """Samples in lots of ten seconds."""
    for first in range(0, samples.shape[1], _BLOCK):
        yield samples[:, first : first + _BLOCK]


def faults(recording: Recording) -> list[str]:
    """What makes a recording unfit, as sentences' ends: empty, or clipped."""
    if recording.seconds < 0.2:
        return [f"{recording.path.name} is empty ({recording.seconds:.2f} s long)"]
    peak = max(float(np.abs(block).max()) for block in _blocks(recording.samples))
    if peak < EMPTY_PEAK or not spoken(recording.samples):
        return [f"{recording.path.name} has no speech in it: nothing rises above its background noise"]
    if recording.clipped > 0.002:
        ms = recording.clipped * 1000
        return [f"{recording.path.name} is clipped for {ms:.0f} ms; record it again at a lower level"]
    return []


def _levels(samples: Floats) -> NDArray[np.float64]:
    """Level in dB of every 20 ms."""
    powers = [np.zeros(0)]
    for block in _blocks(samples):
        count = block.shape[1] // _FRAME
        cut = block[:, : count * _FRAME].reshape(block.shape[0], count, _FRAME)
        powers.append(np.einsum("cns,cns->n", cut, cut, dtype=np.float64) / (_FRAME * block.shape[0]))
    power = np.concatenate(powers)
    out: NDArray[np.float64] = 10 * np.log10(np.maximum(power, 1e-12))
    return out


def spoken(samples: Floats, pause: float = 0.22) -> list[tuple[float, float]]:
    """Stretches of speech in samples (c, n) at 48 kHz, as (from, to) in seconds; gaps below `pause` belong to them.

    Speech is what stands above the recording's own floor by 40 % of the way to its loud parts.
    """
    levels = _levels(samples)
    if not levels.size:
        return []
    floor, top = max(float(np.percentile(levels, 8)), -90.0), float(np.percentile(levels, 96))
    if top < -60 or top - floor < 3:
        return [(0.0, samples.shape[1] / RATE)] if top > -45 else []
    loud = levels > floor + max(3.0, 0.4 * (top - floor))
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(np.int8)))
    out: list[list[float]] = []
    for a, b in edges.reshape(-1, 2) * (_FRAME / RATE):
        if out and a - out[-1][1] < pause:
            out[-1][1] = float(b)
        else:
            out.append([float(a), float(b)])
    return [(a, b) for a, b in out if b - a >= 0.06]


def cut_take(samples: Floats, words: list[int]) -> list[tuple[float, float]]:
    """One long take cut into as many pieces as there are texts, at its silences, in order.

    `samples` (c, n) at 48 kHz; `words` is the number of words of each text; out come (from, to) in seconds.
    Of all ways to choose the cuts, the one in which each piece's share of speech comes nearest its share of words,
    long pauses preferred. Raises ValueError when there are too few.
    """
    runs = spoken(samples)
    need = len(words)
    if len(runs) < need:
        raise ValueError(f"has {len(runs)} stretches of speech between pauses, but {need} shots have narration")
    lengths = np.array([b - a for a, b in runs])
    sums = np.concatenate([[0.0], np.cumsum(lengths)])
    expected = np.asarray(words, float) / sum(words) * sums[-1]
    pauses = np.array([runs[i + 1][0] - runs[i][1] for i in range(len(runs) - 1)] + [1.0])
    bonus = np.log(np.maximum(pauses, 0.05) / 0.2)
    best = np.full((need + 1, len(runs) + 1), np.inf)
    back = np.zeros((need + 1, len(runs) + 1), int)
    best[0, 0] = 0.0
    for k in range(1, need + 1):
        for j in range(k, len(runs) + 1):
            held = sums[j] - sums[:j]
            misfit = 6 * np.log(np.maximum(held, 0.05) / expected[k - 1]) ** 2
            cost = best[k - 1, :j] + misfit - (bonus[j - 1] if j < len(runs) else 0.0)
            back[k, j] = int(np.argmin(cost))
            best[k, j] = cost[back[k, j]]
    cuts = [len(runs)]
    for k in range(need, 0, -1):
        cuts.append(int(back[k, cuts[-1]]))
    cuts.reverse()
    return [(runs[a][0], runs[b - 1][1]) for a, b in pairwise(cuts)]


@dataclass(frozen=True)
class Clip:
    """A stretch of a recording in the film, samples."""

    recording: Recording
    first: int
    last: int
    at: int
    gain: float = 1.0
    ducked: bool = False
    """Gives way under the clips that are not."""

    @property
    def end(self) -> int:
        return self.at + self.last - self.first


def speech_gain(recording: Recording, runs: list[tuple[float, float]]) -> float:
    """Gain that brings a recording's speech to -20 LUFS, so that takes of different days sit together."""
    stretches = [recording.samples[:, int(a * RATE) : int(b * RATE)] for a, b in runs] or [recording.samples]
    meter = measured((block for part in stretches for block in _blocks(part)), recording.samples.shape[0])
    level = meter.integrated()
    if not np.isfinite(level):
        level = float(np.max(_levels(recording.samples), initial=-60.0))
    return float(10 ** ((-20 - level) / 20))


def quiet_stretch(recording: Recording) -> Floats | None:
    """The longest stretch of a recording in which nobody speaks: its room tone; None under 0.35 s."""
    runs = spoken(recording.samples, 0.0)
    edges = [0.0, *(t for run in runs for t in run), recording.seconds]
    gaps = [(edges[i + 1] - edges[i], edges[i]) for i in range(0, len(edges), 2)]
    length, begin = max(gaps)
    length -= 0.16
    if length < 0.35:
        return None
    first = int((begin + 0.08) * RATE)
    return recording.samples[:, first : first + int(min(length, 20.0) * RATE)]


def looped(tone: Floats, cross: int) -> Floats:
    """A stretch (c, n) made to repeat without a seam: its last `cross` samples faded into its first."""
    cross = min(cross, tone.shape[1] // 3)
    t = np.linspace(0, np.pi / 2, cross, dtype=np.float32)
    out = tone[:, : tone.shape[1] - cross].copy()
    out[:, :cross] = tone[:, :cross] * np.sin(t) + tone[:, -cross:] * np.cos(t)
    return out


def _stereo(samples: Floats) -> Floats:
    return np.repeat(samples, 2, axis=0) if samples.shape[0] == 1 else samples


def _repeated(loop: Floats, first: int, last: int) -> Floats:
    return loop[:, np.arange(first, last) % loop.shape[1]]


BED = -7.0  # dB of music against speech where nobody speaks; common practice, no source
UNDER = -19.0  # and under speech
_EDGE = RATE // 50  # samples over which a clip comes and goes


@dataclass(frozen=True)
class Mix:
    """Everything that sounds, and where."""

    samples: int
    clips: tuple[Clip, ...] = ()
    tone: Floats | None = None
    music: Floats | None = None
    """A seamless loop at -20 LUFS."""

    @property
    def silent(self) -> bool:
        return not self.clips and self.music is None

    def _presence(self, n: NDArray[np.int64], edge: int, early: int, ducked: bool = True) -> Floats:
        """1 where a clip sounds, 0 where none does, with raised-cosine edges `edge` samples long.

        Without `ducked`, clips that give way to others do not count.
        """
        out = np.zeros(n.size, np.float32)
        for clip in self.clips:
            a, b = clip.at - early, clip.end + early
            if clip.ducked and not ducked:
                continue
            if b + edge < n[0] or a - edge > n[-1]:
                continue
            share = np.clip(np.minimum(n - a, b - n) / edge, 0, 1)
            out = np.maximum(out, (0.5 - 0.5 * np.cos(np.pi * share)).astype(np.float32))
        return out

    def block(self, first: int, last: int) -> Floats:
        """The mix from first to last, float32 2 x N, before loudness is set; outside the film, silence."""
        n = np.arange(first, last)
        out = np.zeros((2, last - first), np.float32)
        for clip in self.clips:
            a, b = max(first, clip.at), min(last, clip.end)
            if a >= b:
                continue
            at = np.arange(a, b)
            edge = np.clip(np.minimum(at - clip.at, clip.end - 1 - at) / _EDGE, 0, 1).astype(np.float32)
            piece = clip.recording.samples[:, clip.first + a - clip.at : clip.first + b - clip.at]
            level = edge * np.float32(clip.gain)
            if clip.ducked:
                spoken_over = self._presence(at, RATE // 2, RATE // 4, ducked=False)
                level *= np.power(np.float32(10), (UNDER - BED) * spoken_over / 20, dtype=np.float32)
            out[:, a - first : b - first] += _stereo(piece) * level
        inside = ((n >= 0) & (n < self.samples)).astype(np.float32)
        fade = np.clip(np.minimum(n, self.samples - n) / RATE, 0, 1).astype(np.float32)
        if self.tone is not None:
            gap = 1 - self._presence(n, _EDGE, 0)
            out += _stereo(_repeated(self.tone, first, last)) * (gap * fade)
        if self.music is not None:
            under = self._presence(n, RATE // 2, RATE // 4) if self.clips else np.zeros(n.size, np.float32)
            level = np.power(np.float32(10), (BED + (UNDER - BED) * under) / 20, dtype=np.float32)
            end = np.clip((self.samples - n) / (3 * RATE), 0, 1).astype(np.float32)
            out += _stereo(_repeated(self.music, first, last)) * (level * fade * end)
        return out * inside


def _limited(mix: Mix, gain: float, ceiling: float) -> Iterator[Floats]:
    for first in range(0, mix.samples, _BLOCK):
        last = min(first + _BLOCK, mix.samples)
        wide = mix.block(first - BEFORE, last + AFTER) * np.float32(gain)
        held = wide * limiter_gain(wide, ceiling)
        yield np.ascontiguousarray(held[:, BEFORE : BEFORE + last - first])


@dataclass(frozen=True)
class Finished:
    """Sound at its final loudness, on disk; `read` gives any stretch of it."""

    read: Callable[[int, int], Floats]
    loudness: float
    true_peak: float


def _held(mix: Mix, gain: float, ceiling: float) -> tuple[Floats, float, float]:
    """The mix at a gain with its peaks held, as samples in a file; its loudness and true peak."""
    file = TemporaryFile()  # noqa: SIM115 - it lives as long as the map does
    held = np.memmap(file, np.float32, "w+", shape=(2, mix.samples))
    meter = Meter()
    at = 0
    for block in _limited(mix, gain, ceiling):
        held[:, at : at + block.shape[1]] = block
        meter.feed(block)
        at += block.shape[1]
    return held, meter.integrated(), meter.true_peak()


def finish_sound(mix: Mix, target: float = TARGET, ceiling: float = CEILING) -> Finished:
    """The mix brought to its loudness, peaks held, on disk: memory does not grow with the film."""
    if mix.silent:
        return Finished(lambda a, b: np.zeros((2, b - a), np.float32), -np.inf, -np.inf)
    top = 10 ** ((ceiling - HEADROOM) / 20)
    raw = measured(mix.block(a, min(a + _BLOCK, mix.samples)) for a in range(0, mix.samples, _BLOCK)).integrated()
    if not np.isfinite(raw):
        return Finished(lambda a, b: np.zeros((2, b - a), np.float32), -np.inf, -np.inf)
    asked, slope = target - raw, 1.0  # dB of gain, and how much of a change in it is heard
    tried: tuple[float, float] | None = None
    for _ in range(8):
        held, level, peak = _held(mix, 10 ** (asked / 20), top)
        if abs(level - target) < 0.03:
            break
        if tried and abs(asked - tried[0]) > 1e-3:
            slope = min(1.0, max(0.2, (level - tried[1]) / (asked - tried[0])))
        tried = (asked, level)
        asked += (target - level) / slope
    kept = held
    return Finished(lambda a, b: np.asarray(kept[:, a:b]), level, peak)
