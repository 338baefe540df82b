"""The parts, the sound, the captions and the chapters into one MP4, without encoding a picture twice."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Iterator
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from av.packet import Packet
from av.stream import Stream
from av.subtitles.codeccontext import SubtitleCodecContext
from av.subtitles.subtitle import SubtitleSet
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.files.store import replace, sync_file
from clerestory.film.captions import Chapter, Cue
from clerestory.film.parts import DELAY, Part, packets_of
from clerestory.film.scenes import RATE, Plan

AUDIO_RATE = 48000
AAC_BITS = 256_000

# The text subtitle encoder wants the head of a subtitle script before it opens.
_STYLES = b"""[Script Info]
ScriptType: v4.00+
PlayResX: 384
PlayResY: 288

[V4+ Styles]
Format: Name, Fontname, Fontsize, PrimaryColour, SecondaryColour, OutlineColour, BackColour, Bold, Italic, \
Underline, StrikeOut, ScaleX, ScaleY, Spacing, Angle, BorderStyle, Outline, Shadow, Alignment, MarginL, MarginR, \
MarginV, Encoding
Style: Default,Sans,16,&Hffffff,&Hffffff,&H0,&H0,0,0,0,0,100,100,0,0,1,1,0,2,10,10,10,0

[Events]
Format: Layer, Start, End, Style, Name, MarginL, MarginR, MarginV, Effect, Text
"""

Words = dict[str, list[Cue]]
"""Captions by language (ISO 639-2 code)."""

Sound = Callable[[int, int], NDArray[np.float32]]
"""Samples from first to last (48 kHz) as float32 2 x N."""


def chapters_of(plan: Plan) -> list[Chapter]:
    """The film's chapters: each from its card to the next one's, the last to the end, however short.

    What stands before the first card is a chapter that bears the film's title: the chapter track of an MP4 runs
    without a gap from the film's start (QuickTime File Format Specification, "Chapter Lists"; from memory).
    """
    begun = [(scene.start, scene.chapter) for scene in plan.scenes if scene.chapter]
    if begun and begun[0][0] > 0:
        begun.insert(0, (0, plan.title or "Opening"))
    ends = [start for start, _ in begun[1:]] + [plan.frames]
    return [Chapter(a / RATE, b / RATE, title) for (a, title), b in zip(begun, ends, strict=False)]


def _video(parts: list[Part], folder: Path, delay: int) -> Iterator[Packet[Stream]]:
    begin = 0
    for part in parts:
        yield from packets_of(part, folder, begin, delay)
        begin += part.frames


def _audio(stream: av.AudioStream, sound: Sound, samples: int) -> Iterator[Packet[Stream]]:
    step = AUDIO_RATE
    for first in range(0, samples, step):
        block = sound(first, min(first + step, samples))
        frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(block), format="fltp", layout="stereo")
        frame.sample_rate, frame.pts, frame.time_base = AUDIO_RATE, first, Fraction(1, AUDIO_RATE)
        yield from stream.encode(frame)
    yield from stream.encode(None)


def _text(stream: Stream, cues: list[Cue]) -> Iterator[Packet[Stream]]:
    context = stream.codec_context
    assert isinstance(context, SubtitleCodecContext)
    for i, cue in enumerate(cues):
        words = cue.text.replace("\n", "\\N").encode()
        ms = round((cue.end - cue.start) * 1000)
        packet = context.encode_subtitle(SubtitleSet.create(b"%d,0,Default,,0,0,0,," % i + words, 0, ms))
        packet.time_base = Fraction(1, 1000)
        packet.pts = packet.dts = round(cue.start * 1000)
        packet.duration = ms
        yield packet


def _in_time(sources: list[tuple[Stream, Iterator[Packet[Stream]]]]) -> Iterator[Packet[Stream]]:
    """All streams' packets in the order of their times."""

    def timed(
        rank: int, stream: Stream, packets: Iterator[Packet[Stream]]
    ) -> Iterator[tuple[float, int, Packet[Stream]]]:
        for packet in packets:
            packet.stream = stream
            yield float((packet.dts or 0) * packet.time_base), rank, packet

    streams = [timed(rank, stream, packets) for rank, (stream, packets) in enumerate(sources)]
    for _, _, packet in heapq.merge(*streams, key=lambda item: item[:2]):
        yield packet


def write_film(
    path: Path, plan: Plan, parts: list[Part], folder: Path, sound: Sound, words: Words, delay: int = DELAY
) -> None:
    """The finished MP4, its index in front so that it plays while it loads.

    `parts`: encoded pictures in `folder`; `sound`: samples from first to last as float32 2 x n, 48 kHz; `words`:
    captions by language, that of the sound first. UserError, and no half-written file, where the disk refuses.
    """
    temporary = path.with_name(f".{path.name}.part")
    try:
        _write(temporary, plan, parts, folder, sound, words, delay)
        sync_file(temporary)
        replace(temporary, path)
    except OSError as error:
        raise UserError(f"{path}: cannot be written: {error.strerror or error}.") from error
    finally:
        temporary.unlink(missing_ok=True)


def _write(path: Path, plan: Plan, parts: list[Part], folder: Path, sound: Sound, words: Words, delay: int) -> None:
    options = {"movflags": "+faststart", "fflags": "+bitexact"}
    first = av.open(folder / f"{parts[0].key}.mp4")
    with first, av.open(path, "w", format="mp4", options=options) as out:
        if plan.title:
            out.metadata["title"] = plan.title
        video = out.add_stream_from_template(first.streams.video[0], opaque=True)
        video.time_base = Fraction(1, RATE)
        audio = out.add_stream("aac", rate=AUDIO_RATE, layout="stereo")
        audio.codec_context.bit_rate = AAC_BITS
        audio.codec_context.time_base = Fraction(1, AUDIO_RATE)
        audio.metadata["language"] = next(iter(words))
        sources: list[tuple[Stream, Iterator[Packet[Stream]]]] = [
            (video, _video(parts, folder, delay)),
            (audio, _audio(audio, sound, plan.frames * AUDIO_RATE // RATE)),
        ]
        for language, cues in words.items():
            if not cues:
                continue
            text = out.add_stream("mov_text")
            text.codec_context.time_base = Fraction(1, 1000)
            text.codec_context.subtitle_header = _STYLES
            text.metadata["language"] = language
            sources.append((text, _text(text, cues)))
        out.set_chapters(
            [
                {
                    "id": i,
                    "start": round(chapter.start * 1000),
                    "end": round(chapter.end * 1000),
                    "time_base": Fraction(1, 1000),
                    "metadata": {"title": chapter.title},
                }
                for i, chapter in enumerate(chapters_of(plan))
            ]
        )
        for packet in _in_time(sources):
            out.mux(packet)
