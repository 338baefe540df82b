"""The film for any editor: an OpenTimelineIO timeline of the pictures and recordings, media named relatively."""

from __future__ import annotations

from pathlib import Path

import opentimelineio as otio

from clerestory.files.names import relative_url
from clerestory.film.captions import Cue
from clerestory.film.footage import Stretch
from clerestory.film.mux import chapters_of
from clerestory.film.scenes import RATE, Plan, Scene


def _time(frames: float, rate: float = RATE) -> otio.opentime.RationalTime:
    return otio.opentime.RationalTime(frames, rate)


def _span(start: float, length: float) -> otio.opentime.TimeRange:
    return otio.opentime.TimeRange(_time(start), _time(length))


def _reference(path: Path, film: Path, length: float) -> otio.schema.ExternalReference:
    return otio.schema.ExternalReference(target_url=relative_url(path, film), available_range=_span(0, length))


def _clip(scene: Scene, film: Path) -> otio.schema.Clip | otio.schema.Gap:
    """A scene from the middle of the join before it to the middle of the join after it."""
    cut_in, cut_out = scene.lead // 2, scene.frames - (scene.tail - scene.tail // 2)
    begin = scene.showing.start * RATE if isinstance(scene.showing, Stretch) else 0.0
    used = _span(begin + cut_in, cut_out - cut_in)
    if scene.picture is None or (scene.showing and scene.showing.drawn_here):  # drawn here: no file shows it
        name = scene.card.heading if scene.card else ""
        return otio.schema.Gap(name=name or scene.label, source_range=used)
    clip = otio.schema.Clip(
        name=scene.picture.name,
        media_reference=_reference(scene.picture.path, film, begin + scene.frames),
        source_range=used,
    )
    shot = scene.shot
    assert shot
    clip.metadata["clerestory"] = {
        "kind": shot.kind, "move": shot.move, "caption": scene.caption, "settings": scene.settings,
        "words": shot.words,
    }  # fmt: skip
    return clip


def _pictures(plan: Plan, film: Path) -> otio.schema.Track:
    track = otio.schema.Track("Pictures", kind=otio.schema.TrackKind.Video)
    for scene in plan.scenes:
        if scene.lead:
            # The cut lies at lead // 2 of this scene: that much of it comes early, the rest of the other stays on.
            track.append(
                otio.schema.Transition(
                    transition_type=otio.schema.TransitionTypes.SMPTE_Dissolve,
                    in_offset=_time(scene.lead // 2),
                    out_offset=_time(scene.lead - scene.lead // 2),
                )
            )
        clip = _clip(scene, film)
        if clip.source_range.duration.value > 0:
            track.append(clip)
    return track


def _narration(plan: Plan, film: Path) -> otio.schema.Track | None:
    track = otio.schema.Track("Narration", kind=otio.schema.TrackKind.Audio)
    at = 0.0
    for scene in plan.scenes:
        speech = scene.speech
        if speech is None or speech.recording is None:
            continue
        start = speech.start * RATE
        if start > at:
            track.append(otio.schema.Gap(source_range=_span(0, start - at)))
        length = speech.seconds * RATE
        reference = _reference(speech.recording, film, speech.offset * RATE + length)
        track.append(
            otio.schema.Clip(
                name=scene.label, media_reference=reference, source_range=_span(speech.offset * RATE, length)
            )
        )
        at = start + length
    return track if len(track) else None


def timeline_of(plan: Plan, cues: list[Cue], film: Path) -> str:
    """The timeline as OpenTimelineIO JSON; `film` is the folder it will lie in."""
    timeline = otio.schema.Timeline(name=plan.title or "film")
    pictures = _pictures(plan, film)
    for chapter in chapters_of(plan):
        marked = _span(round(chapter.start * RATE), 0)
        pictures.markers.append(otio.schema.Marker(name=chapter.title, marked_range=marked))
    timeline.tracks.append(pictures)
    narration = _narration(plan, film)
    if narration is not None:
        timeline.tracks.append(narration)
    timeline.metadata["clerestory"] = {"captions": [[cue.start, cue.end, cue.text] for cue in cues]}
    return str(otio.adapters.write_to_string(timeline, "otio_json")) + "\n"
