"""A visit's film, whole: plan, parts, sound, captions, and the files beside them."""

from __future__ import annotations

import io
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from clerestory.errors import UserError
from clerestory.files.store import sweep, write_atomic
from clerestory.film import cautions
from clerestory.film.captions import subrip, webvtt, webvtt_chapters
from clerestory.film.description import description_of
from clerestory.film.draft import draft_film, write_draft
from clerestory.film.footage import Stretch
from clerestory.film.levels import code_values
from clerestory.film.light import Renderer
from clerestory.film.loudness import RATE as SAMPLES
from clerestory.film.model import Film, read_film
from clerestory.film.mux import chapters_of, write_film
from clerestory.film.parts import ENCODERS, Codec, Coding, Digests, has_encoder, make_parts, parts_of
from clerestory.film.plan import described, languages, plan_cues, plan_scenes, untold
from clerestory.film.scenes import RATE, Plan, Speech
from clerestory.film.script import read_script
from clerestory.film.sound import (
    Clip,
    Finished,
    Mix,
    Recording,
    finish_sound,
    looped,
    quiet_stretch,
    read_sound,
    speech_gain,
    spoken,
)
from clerestory.film.stage import light_scene
from clerestory.film.timeline import timeline_of
from clerestory.visit.folder import VisitFolder

Size = Literal["1080p", "2160p"]
SIZES: dict[str, tuple[int, int]] = {"1080p": (1920, 1080), "2160p": (3840, 2160)}
Shape = Literal["wide", "square", "upright"]
SHAPES: tuple[Shape, ...] = ("wide", "square", "upright")
POSTERS = (1280, 640)  # widths of the smaller posters, pixels; common practice, no source


def frame_of(size: Size, shape: Shape) -> tuple[int, int]:
    """Width and height of the film's frame, pixels."""
    width, height = SIZES[size]
    return {"wide": (width, height), "square": (height, height), "upright": (height, width)}[shape]


@dataclass
class FilmResult:
    """What was written, how long it took, and what is worth knowing."""

    film: Path
    written: list[Path] = field(default_factory=list)
    seconds: float = 0.0
    length: float = 0.0
    """Seconds the film lasts."""
    parts_made: int = 0
    parts: int = 0
    loudness: float = -np.inf
    true_peak: float = -np.inf
    warnings: list[str] = field(default_factory=list)
    cautions: list[str] = field(default_factory=list)


def load_film(visit: Path) -> Film:
    """The visit's film.toml, or its script.md."""
    toml, script = visit / "film" / "film.toml", visit / "film" / "script.md"
    if not toml.exists() and script.exists():
        return read_script(script)
    return read_film(toml)


def plan_film(visit: Path, size: Size = "1080p", shape: Shape = "wide") -> Plan:
    """The validated shot list of a visit's film.

    Raises UserError with every problem named by shot and reason; nothing is encoded.
    """
    return plan_scenes(load_film(visit), visit, frame_of(size, shape))[0]


def _coding(size: Size, preview: bool, shape: Shape, codec: Codec) -> Coding:
    width, height = frame_of(size, shape)
    if preview:
        return Coding(width // 4 & ~1, height // 4 & ~1, preset="veryfast", crf=21.0)
    return Coding(width, height, codec=codec)


def _margins(speech: Speech, plan: Plan) -> tuple[float, float]:
    """Seconds of a recording kept before and after words, not so many that a neighbour's words are heard."""
    end = speech.offset + speech.seconds
    early, late = 0.12, 0.2
    for scene in plan.scenes:
        other = scene.speech
        if other is None or other is speech or other.recording != speech.recording:
            continue
        if other.offset >= end:
            late = min(late, (other.offset - end) / 2)
        elif other.offset + other.seconds <= speech.offset:
            early = min(early, (speech.offset - other.offset - other.seconds) / 2)
    return early, late


def _own_sounds(plan: Plan) -> list[Clip]:
    """The sounds of the film's clips: heard from the scene's first frame to its last, in step with the picture."""
    out = []
    for scene in plan.scenes:
        showing = scene.showing
        if not isinstance(showing, Stretch) or showing.sound == "mute" or showing.footage.sound is None:
            continue
        recording = read_sound(showing.footage.path)
        begin, at = showing.first_sample(SAMPLES), scene.start * SAMPLES // RATE
        first = max(0, begin)
        last = min(recording.samples.shape[1], begin + scene.frames * SAMPLES // RATE)
        if last > first:
            gain = speech_gain(recording, spoken(recording.samples) if scene.shot and scene.shot.spoken else [])
            out.append(Clip(recording, first, last, at + first - begin, gain, showing.sound == "duck"))
    return out


def _mix(plan: Plan, film: Film, visit: Path, recordings: dict[Path, Recording]) -> Mix:
    clips: list[Clip] = []
    gains: dict[Path, float] = {}
    for scene in plan.scenes:
        speech = scene.speech
        if speech is None or speech.recording is None:
            continue
        recording = recordings[speech.recording]
        if speech.recording not in gains:
            gains[speech.recording] = speech_gain(recording, spoken(recording.samples))
        early, late = _margins(speech, plan)
        first = max(0, round((speech.offset - early) * SAMPLES))
        last = min(recording.samples.shape[1], round((speech.offset + speech.seconds + late) * SAMPLES))
        at = round(speech.start * SAMPLES) - (round(speech.offset * SAMPLES) - first)
        clips.append(Clip(recording, first, last, at, gains[speech.recording]))
    clips.extend(_own_sounds(plan))
    tone = None
    for path, gain in gains.items():
        quiet = quiet_stretch(recordings[path])
        if quiet is not None and (tone is None or quiet.shape[1] > tone.shape[1]):
            tone = looped(quiet * np.float32(gain), SAMPLES // 4)
    music = None
    if film.music:
        bed = recordings[(visit / "film" / film.music).resolve()]
        music = looped(bed.samples * np.float32(speech_gain(bed, [])), 2 * SAMPLES)
    return Mix(plan.frames * SAMPLES // RATE, tuple(clips), tone, music)


def _posters(plan: Plan, film: Film, renderer: Renderer) -> dict[str, bytes]:
    """The poster frame as JPEGs of three sizes: the chosen picture, or the first, in the middle of its shot."""
    shown = [scene for scene in plan.scenes if scene.picture]
    chosen = next((s for s in shown if s.picture and film.poster in (s.picture.name, s.picture.path.name)), shown[0])
    light = np.empty((renderer.height, 3 * renderer.width), np.float32)
    light_scene(chosen, renderer).linear((3 * chosen.frames) // 4 if chosen.before else chosen.frames // 2, light)
    whole = light.reshape(renderer.height, renderer.width, 3)
    out = {"poster.jpg": _jpeg(whole)}
    for width in (w for w in POSTERS if w < renderer.width):
        size = (width, round(width * renderer.height / renderer.width))
        out[f"poster-{width}.jpg"] = _jpeg(cv2.resize(whole, size, interpolation=cv2.INTER_AREA))
    return out


def _jpeg(light: NDArray[np.float32]) -> bytes:
    """Linear light, float32 H x W x 3, as a JPEG's bytes."""
    values = code_values()[np.round(np.clip(light, 0, 1) * 65535).astype(np.int32)]
    image = Image.fromarray(np.round(values * 255).astype(np.uint8))
    out = io.BytesIO()
    image.save(out, "JPEG", quality=92, subsampling=0)
    return out.getvalue()


def _beside(plan: Plan, film: Film, folder: Path, coding: Coding, threads: int) -> list[Path]:
    """Captions, chapters, descriptions, posters and timeline beside the film."""
    cues = plan_cues(plan)
    renderer = Renderer(coding.width, coding.height, threads)
    try:
        texts: dict[str, bytes | str] = {**_posters(plan, film, renderer)}
    finally:
        renderer.close()
    texts["film.otio"] = timeline_of(plan, cues, folder)
    texts["description.txt"] = description_of(plan, film)
    if cues:
        texts["film.srt"], texts["film.vtt"] = subrip(cues), webvtt(cues)
    chapters = chapters_of(plan)
    if chapters:
        texts["film.chapters.vtt"] = webvtt_chapters(chapters)
    for code in languages(plan):
        other = plan_cues(plan, code)
        texts[f"film.{code}.srt"], texts[f"film.{code}.vtt"] = subrip(other), webvtt(other)
    if seen := described(plan):
        texts["film.descriptions.vtt"] = webvtt(seen)
    made = {path.name for kind in ("film*.srt", "film*.vtt", "poster-*.jpg") for path in folder.glob(kind)}
    for name in made - set(texts):
        (folder / name).unlink(missing_ok=True)  # those of a film that had words or chapters would speak of this one
    for name, text in texts.items():
        write_atomic(folder / name, text)
    return [folder / name for name in texts]


def make(
    visit: Path,
    draft: bool = False,
    preview: bool = False,
    size: Size = "1080p",
    progress: Callable[[int, int], None] | None = None,
    shape: Shape = "wide",
    codec: Codec = "h264",
) -> FilmResult:
    """Make a visit's film; parts that have not changed since last time are not encoded again.

    With `draft`, film.toml is first written from the pictures. With `preview`, film/preview.mp4 alone is made, at a
    quarter of the size. A `shape` other than wide, or a `codec` other than H.264, makes one more file, such as
    film/film-square-hevc.mp4; what lies beside the film serves them all. `progress` hears frames done, of how many.
    Raises UserError before anything is encoded when something is missing or cannot be.
    """
    begun = time.perf_counter()
    visit = Path(visit)
    folder = visit / "film"
    named = "-".join(["film", *([shape] if shape != "wide" else []), *([codec] if codec != "h264" else [])])
    result = FilmResult(folder / ("preview.mp4" if preview else f"{named}.mp4"))
    _known(size, shape, codec)
    if draft:
        result.written.append(write_draft(visit, draft_film(visit)))
    film = load_film(visit)
    plan, recordings = plan_scenes(film, visit, frame_of(size, shape))
    coding = _coding(size, preview, shape, codec)
    threads = max(1, min(8, os.cpu_count() or 1))
    parts = parts_of(plan, coding, Digests())
    cache = visit / ".clerestory" / "film"
    result.parts, result.length = len(parts), plan.seconds
    with VisitFolder(visit).writing("film"):
        try:
            cache.mkdir(parents=True, exist_ok=True)
            folder.mkdir(exist_ok=True)
        except OSError as error:
            raise UserError(f"{error.filename}: cannot be written: {error.strerror}.") from error
        sweep(cache, 0)  # nobody else is at it
        result.parts_made = make_parts(plan, coding, parts, cache, threads, progress or (lambda done, total: None))
        sound: Finished = finish_sound(_mix(plan, film, visit, recordings), film.loudness)
        result.loudness, result.true_peak = sound.loudness, sound.true_peak
        words = {film.language: plan_cues(plan), **{code: plan_cues(plan, code) for code in languages(plan)}}
        write_film(result.film, plan, parts, cache, sound.read, words, coding.delay)
        result.written.append(result.film)
        if not preview:
            if named == "film":
                result.written.extend(_beside(plan, film, folder, coding, threads))
            _forget(cache, named, {part.key for part in parts})
    result.warnings = [*plan.notes, *untold(plan), *_off_level(sound, film)]
    if not preview:
        result.cautions = [cautions.PUBLISHING, *([cautions.MUSIC] if film.music else [])]
    result.seconds = time.perf_counter() - begun
    return result


def _off_level(sound: Finished, film: Film) -> list[str]:
    """A note where the sound could not be brought to its loudness: within 0.5 LU, the tolerance of EBU R 128."""
    if not np.isfinite(sound.loudness) or abs(sound.loudness - film.loudness) <= 0.5:
        return []
    return [
        f"The sound is at {sound.loudness:.1f} LUFS, not the {film.loudness:g} LUFS set: its peaks leave no room."
    ]


def _known(size: str, shape: str, codec: Codec) -> None:
    """UserError for a size, shape or codec that the film cannot be made in."""
    for said, what, known in (
        (size, "size", tuple(SIZES)),
        (shape, "shape", SHAPES),
        (codec, "codec", tuple(ENCODERS)),
    ):
        if said not in known:
            raise UserError(f"'{said}' is not a {what} the film can be made in; choose {', '.join(known)}.")
    if not has_encoder(codec):
        raise UserError(f"The video library installed here has no encoder for {codec}; leave the codec at h264.")


def _forget(cache: Path, named: str, own: set[str]) -> None:
    """Delete parts that neither this film nor one of another shape or codec uses any longer."""
    write_atomic(cache / f"{named}.parts", "\n".join(sorted(own)))
    keys = {key for path in cache.glob("film*.parts") for key in path.read_text(encoding="ascii").split()}
    for path in cache.glob("*.mp4"):
        if path.stem not in keys:
            path.unlink(missing_ok=True)
