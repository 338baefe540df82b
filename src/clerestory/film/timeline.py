"""The film for any editor: an OpenTimelineIO timeline of the pictures and recordings, media named relatively."""

from __future__ import annotations

from pathlib import Path

import opentimelineio as otio

from clerestory.files.names import relative_url
from clerestory.film.captions import Cue
from clerestory.film.footage import Stretch
from clerestory.film.mux import chapters_of
from clerestory.film.scenes import RATE, Plan, Scene
from clerestory.film.stage import spans_of


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
    if scene.picture is None or scene.drawn:
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


def _sounds(plan: Plan, film: Path) -> otio.schema.Track | None:
    """The clips' own sounds, each under its picture."""
    track = otio.schema.Track("Clip sound", kind=otio.schema.TrackKind.Audio)
    at = 0.0
    for scene in plan.scenes:
        showing = scene.showing
        if not isinstance(showing, Stretch) or showing.sound == "mute" or showing.footage.sound is None:
            continue
        start = float(scene.start)
        if start > at:
            track.append(otio.schema.Gap(source_range=_span(0, start - at)))
        begin = showing.start * RATE
        reference = _reference(showing.footage.path, film, begin + scene.frames)
        span = _span(begin, scene.frames)
        clip = otio.schema.Clip(name=scene.label, media_reference=reference, source_range=span)
        clip.metadata["clerestory"] = {"sound": showing.sound}
        track.append(clip)
        at = start + scene.frames
    return track if len(track) else None


def _markers(plan: Plan, cues: list[Cue]) -> list[otio.schema.Marker]:
    """Chapters, what is pointed at, facts, and captions, each a marker of its own colour at its time."""
    out = []

    def mark(name: str, start: float, length: float, colour: str, kind: str) -> None:
        marker = otio.schema.Marker(name=name, marked_range=_span(round(start), round(length)), color=colour)
        marker.metadata["clerestory"] = {"kind": kind}
        out.append(marker)

    for chapter in chapters_of(plan):
        mark(chapter.title, chapter.start * RATE, 0, "GREEN", "chapter")
    for scene in plan.scenes:
        for span in spans_of(scene):
            if span.what == "point" and scene.shot:
                point = scene.shot.point[span.number]
                mark(point.word or point.mark, scene.start + span.first, span.last - span.first, "ORANGE", "point")
            if span.what == "fact":
                fact = scene.facts[span.number]
                said = f"{fact.statement}: {fact.cited}"
                mark(said, scene.start + span.first, span.last - span.first, "YELLOW", "fact")
    for cue in cues:
        mark(cue.text.replace("\n", " "), cue.start * RATE, (cue.end - cue.start) * RATE, "WHITE", "caption")
    return out


def timeline_of(plan: Plan, cues: list[Cue], film: Path) -> str:
    """The timeline as OpenTimelineIO JSON; `film` is the folder it will lie in."""
    timeline = otio.schema.Timeline(name=plan.title or "film")
    pictures = _pictures(plan, film)
    pictures.markers.extend(_markers(plan, cues))
    for track in (pictures, _narration(plan, film), _sounds(plan, film)):
        if track is not None:
            timeline.tracks.append(track)
    timeline.metadata["clerestory"] = {"captions": [[cue.start, cue.end, cue.text] for cue in cues]}
    return str(otio.adapters.write_to_string(timeline, "otio_json")) + "\n"
