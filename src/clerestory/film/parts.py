"""A film in parts, each encoded once and kept: a part is made again only when something in it has changed."""

from __future__ import annotations

import hashlib
import os
import queue
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from importlib.metadata import version
from pathlib import Path
from typing import BinaryIO, Literal, cast

import av
import cv2
import numpy as np
from av.packet import Packet
from av.stream import Stream
from av.video.frame import PictureType

from clerestory.files.store import atomic
from clerestory.film.light import Renderer
from clerestory.film.moves import eased
from clerestory.film.pictures import file_digest
from clerestory.film.scenes import RATE, Lit, Plan, Scene, Showing
from clerestory.film.stage import (
    Drawn,
    Look,
    Span,
    copy_frame,
    joint,
    layer_of,
    letter,
    light_scene,
    looks,
    scene_path,
    spans_of,
    through_dark,
    wipe_frames,
    words_meet,
)

MADE_BY = "7"  # raise when frames would come out differently from the same words
GOP = 25  # frames in the loop that a still stretch is made of
STILL = 2 * GOP  # a shorter still stretch is not worth a part of its own
_AVX2 = 11  # CV_CPU_AVX2 of opencv2/core/cvdef.h
DELAY = 2  # frames that decoding runs ahead of showing, with B-frames used for reference
Codec = Literal["h264", "hevc", "av1"]
ENCODERS: dict[Codec, str] = {"h264": "libx264", "hevc": "libx265", "av1": "libsvtav1"}
_TAGS: dict[Codec, str] = {"h264": "avc1", "hevc": "hvc1", "av1": "av01"}  # with the headers beside the frames


def has_encoder(codec: Codec) -> bool:
    """Whether the video library at hand can encode in a codec."""
    try:
        return bool(av.codec.Codec(ENCODERS[codec], "w").is_encoder)
    except ValueError:
        return False


@dataclass(frozen=True)
class Coding:
    """How frames are encoded."""

    width: int
    height: int
    preset: str = "faster"
    crf: float = 17.0
    codec: Codec = "h264"

    @property
    def delay(self) -> int:
        """Frames that decoding runs ahead of showing; the other codecs' frames come in the order they are shown."""
        return DELAY if self.codec == "h264" else 0

    def options(self) -> dict[str, str]:
        """The encoder's options, such that the same frames give the same bytes.

        The bytes depend on the number of threads, so it is fixed; and, of x264, on the processor's instructions:
        wider ones than AVX2 are left alone, because with them the same frames came out otherwise from run to run.
        """
        if self.codec == "hevc":
            kept = "keyint=125:min-keyint=12:open-gop=0:bframes=0:pools=1:frame-threads=1:log-level=error"
            return {"preset": "fast", "crf": str(self.crf + 3), "forced-idr": "1", "x265-params": kept}
        if self.codec == "av1":
            kept = "keyint=125:pred-struct=1:lp=1:enable-overlays=0"
            return {"preset": "9", "crf": str(round(self.crf + 11)), "svtav1-params": kept}
        pinned = ":asm=avx2" if cv2.checkHardwareSupport(_AVX2) else ""
        return {
            "preset": self.preset,
            "crf": str(self.crf),
            "threads": "4",
            "forced-idr": "1",
            "x264-params": "keyint=125:min-keyint=12:open-gop=0:bframes=3:b-pyramid=normal" + pinned,
        }


@dataclass(frozen=True)
class Part:
    """Frames first to last of a scene; or, with `joined`, the frames it shares with the scene before."""

    scene: int
    first: int
    last: int
    joined: bool = False
    still: bool = False
    key: str = ""

    @property
    def frames(self) -> int:
        return self.last - self.first


def _still_runs(states: list[tuple[object, ...]]) -> Iterator[tuple[int, int, bool]]:
    """Stretches of frames: (first, last, still), where still ones are long and all alike."""
    moving_from = 0
    at = 0
    while at < len(states):
        to = at + 1
        while to < len(states) and states[to] == states[at]:
            to += 1
        if to - at >= STILL:
            if moving_from < at:
                yield moving_from, at, False
            yield at, to, True
            moving_from = to
        at = to
    if moving_from < len(states):
        yield moving_from, len(states), False


class Digests:
    """Digests of picture files, each read once."""

    def __init__(self) -> None:
        self._known: dict[Path, str] = {}

    def of(self, path: Path | None) -> str:
        if path is None:
            return ""
        if path not in self._known:
            self._known[path] = file_digest(path)
        return self._known[path]


def _look_key(scene: Scene, size: tuple[int, int], digests: Digests) -> tuple[object, ...]:
    """Everything a scene's frames depend on."""
    picture, whole = (p.path if p else None for p in (scene.picture, scene.whole))
    pictures = (picture, scene.before, whole, *(scene.showing.files if scene.showing else ()))
    return (
        scene.card,
        scene_path(scene, size) if scene.picture else None,
        wipe_frames(scene) if scene.before else None,
        spans_of(scene),
        scene.caption,
        scene.settings,
        scene.speech is not None,
        scene.region,
        scene.facts,
        (scene.shot.point, scene.shot.still) if scene.shot else None,
        _without_paths(scene.showing),
        [digests.of(path) for path in pictures],
    )


def _without_paths(showing: Showing | None) -> object:
    """What a scene shows as it counts for its key: where its files lie does not."""
    return None if showing is None else {k: v for k, v in vars(showing).items() if not isinstance(v, Path)}


def parts_of(plan: Plan, coding: Coding, digests: Digests) -> list[Part]:
    """The whole film's parts in order, each with the key of everything its frames depend on."""
    size = (coding.width, coding.height)
    common = (MADE_BY, coding, coding.options(), av.library_versions["libavcodec"], np.__version__, version("typst"))
    keys = [_look_key(scene, size, digests) for scene in plan.scenes]
    out: list[Part] = []
    for i, scene in enumerate(plan.scenes):
        if scene.lead:
            both = (common, "joined", keys[i - 1], plan.scenes[i - 1].frames, keys[i], scene.lead)
            out.append(Part(i, 0, scene.lead, joined=True, key=_digest(both)))
        state = looks(scene, size)
        body = range(scene.lead, scene.frames - scene.tail)
        for first, last, still in _still_runs([state(f) for f in body]):
            part = Part(i, body[0] + first, body[0] + last, still=still)
            out.append(replace(part, key=_digest((common, keys[i], part))))
    return out


def _digest(values: tuple[object, ...]) -> str:
    return hashlib.blake2b(repr(values).encode(), digest_size=16).hexdigest()


class Encoder:
    """A part's file being written; frames are encoded on a thread of their own."""

    def __init__(self, file: BinaryIO, coding: Coding) -> None:
        if coding.codec == "av1":
            os.environ.setdefault("SVT_LOG", "1")  # its encoder tells of errors alone
        self._container = av.open(file, "w", format="mp4", options={"fflags": "+bitexact"})
        added = self._container.add_stream(ENCODERS[coding.codec], rate=RATE, options=coding.options())
        stream = cast(av.VideoStream, added)
        stream.width, stream.height, stream.pix_fmt = coding.width, coding.height, "yuv420p"
        context = stream.codec_context
        context.color_range, context.colorspace, context.color_primaries, context.color_trc = 1, 1, 1, 1
        context.time_base = Fraction(1, RATE)
        context.codec_tag = _TAGS[coding.codec]
        context.flags |= av.codec.context.Flags.global_header
        self._stream = stream
        self._queue: queue.Queue[tuple[av.VideoFrame, int, bool] | None] = queue.Queue(maxsize=2)
        self._failed: BaseException | None = None
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        """Encode until told to end; after a failure go on emptying the queue, so that nobody waits."""
        ended = False
        while not ended:
            item = self._queue.get()
            ended = item is None
            if self._failed is None:
                try:
                    self._encode(item)
                except BaseException as error:
                    self._failed = error

    def _encode(self, item: tuple[av.VideoFrame, int, bool] | None) -> None:
        """One frame, or what the codec still holds."""
        if item is None:
            self._container.mux(self._stream.encode())
            return
        frame, pts, key = item
        frame.pts, frame.time_base = pts, Fraction(1, RATE)
        frame.pict_type = PictureType.I if key else PictureType.NONE
        self._container.mux(self._stream.encode(frame))

    def put(self, frame: av.VideoFrame, pts: int, key: bool = False) -> None:
        """Hand over a frame; do not draw into it again before `slots` other frames were put."""
        self._queue.put((frame, pts, key))

    slots = 4  # frames in the queue, in the encoder, and being drawn

    def close(self) -> None:
        self._queue.put(None)
        self._thread.join()
        self._container.close()
        if self._failed:
            raise self._failed


class Studio:
    """Draws and encodes parts, keeping at most the two scenes at hand in memory."""

    def __init__(self, plan: Plan, coding: Coding, threads: int) -> None:
        self._plan, self._coding = plan, coding
        self._renderer = Renderer(coding.width, coding.height, threads)
        self._lit: dict[int, Lit] = {}
        self._layers: dict[int, list[tuple[Span, Drawn]]] = {}
        self._slots = [av.VideoFrame(coding.width, coding.height, "yuv420p") for _ in range(Encoder.slots)]
        self._plain = av.VideoFrame(coding.width, coding.height, "yuv420p")
        self._mixing = [np.empty((coding.height, 3 * coding.width), np.float32) for _ in range(2)]

    def close(self) -> None:
        self._renderer.close()

    def _scene(self, index: int) -> Lit:
        if index not in self._lit:
            for old in [k for k in self._lit if k < index - 1]:
                del self._lit[old]
                self._layers.pop(old, None)
            self._lit[index] = light_scene(self._plan.scenes[index], self._renderer)
        return self._lit[index]

    def _layers_of(self, index: int) -> list[tuple[Span, Drawn]]:
        if index not in self._layers:
            scene, size = self._plan.scenes[index], (self._coding.width, self._coding.height)
            self._layers[index] = [(span, layer_of(span, scene, size)) for span in spans_of(scene)]
        return self._layers[index]

    def encode(self, part: Part, file: BinaryIO) -> None:
        """Draw a part's frames and write them as an MP4 of video alone."""
        encoder = Encoder(file, self._coding)
        try:
            if part.joined:
                self._join(part, encoder)
            elif part.still:
                self._hold(part, encoder)
            else:
                self._run(part, encoder)
        finally:
            encoder.close()

    def _join(self, part: Part, encoder: Encoder) -> None:
        first = self._plan.scenes[part.scene - 1].frames - part.frames
        for i in range(part.frames):
            a, b = self._mixing
            self._scene(part.scene - 1).linear(first + i, a)
            self._scene(part.scene).linear(i, b)
            share = (i + 1) / (part.frames + 1)
            if words_meet(self._plan.scenes[part.scene - 1], self._plan.scenes[part.scene]):
                through_dark(a, b, share, self._renderer)  # words over other words or lines could not be read
            else:
                joint(a, b, eased(share, 0.5), self._renderer)
            slot = self._slots[i % len(self._slots)]
            self._renderer.levels(a, slot)
            encoder.put(slot, i)

    def _hold(self, part: Part, encoder: Encoder) -> None:
        """One loop of a still stretch, and what is left over after whole loops; `packets` repeats the loop."""
        slot = self._slots[0]
        self._scene(part.scene).video(part.first, slot)
        letter(self._layers_of(part.scene), part.first, slot)
        for i in range(GOP + part.frames % GOP):
            encoder.put(slot, i, key=i in (0, GOP))

    def _run(self, part: Part, encoder: Encoder) -> None:
        state = looks(self._plan.scenes[part.scene], (self._coding.width, self._coding.height))
        seen: tuple[Look, Look] | None = None
        kept: Look | None = None  # the look of the picture in `_plain`, which has no letters on it
        slot, used = self._slots[0], 0
        for i, frame in enumerate(range(part.first, part.last)):
            look, letters = state(frame)
            if (look, letters) != seen:
                slot, used, seen = self._slots[used % len(self._slots)], used + 1, (look, letters)
                if not any(letters):
                    self._scene(part.scene).video(frame, slot)
                else:
                    if look != kept:
                        self._scene(part.scene).video(frame, self._plain)
                        kept = look
                    copy_frame(self._plain, slot)
                    letter(self._layers_of(part.scene), frame, slot)
            encoder.put(slot, i)


def make_parts(
    plan: Plan, coding: Coding, parts: list[Part], folder: Path, threads: int, progress: Callable[[int, int], None]
) -> int:
    """Encode the parts that are not in `folder` yet; how many. `progress` hears frames done, of how many."""
    studio = Studio(plan, coding, threads)
    done, made, total = 0, 0, sum(part.frames for part in parts)
    try:
        for part in parts:
            path = folder / f"{part.key}.mp4"
            if not path.exists():
                with atomic(path) as file:
                    studio.encode(part, file)
                made += 1
            done += part.frames
            progress(done, total)
    finally:
        studio.close()
    return made


def packets_of(part: Part, folder: Path, begin: int, delay: int = DELAY) -> Iterator[Packet[Stream]]:
    """A part's packets with their times in the film, in frames; a still stretch's loop repeated as often as asked."""
    with av.open(folder / f"{part.key}.mp4") as container:
        packets = [packet for packet in container.demux(video=0) if packet.size]
    shown = sorted(packet.pts or 0 for packet in packets)
    place = {pts: i for i, pts in enumerate(shown)}
    entries = [(bytes(packet), place[packet.pts or 0], packet.is_keyframe) for packet in packets]
    if part.still:
        loop, rest = entries[:GOP], entries[GOP:]
        times = part.frames // GOP
        entries = [(data, at + k * GOP, key) for k in range(times) for data, at, key in loop]
        entries += [(data, at + (times - 1) * GOP, key) for data, at, key in rest]
    for i, (data, at, key) in enumerate(entries):
        packet = av.Packet(data)
        packet.pts, packet.dts, packet.duration = begin + at, begin + i - delay, 1
        packet.time_base = Fraction(1, RATE)
        packet.is_keyframe = key
        yield packet
