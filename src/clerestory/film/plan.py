"""From what film.toml asks for to scenes with frames; everything wrong is named before anything is encoded."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.mistakes import Loc, line_map
from clerestory.files.toml import read_text
from clerestory.film import facts as claims
from clerestory.film.captions import Cue, cues, seconds_needed, word_count
from clerestory.film.detail import find_region
from clerestory.film.footage import Footage, Stretch, read_footage
from clerestory.film.lettering import Card
from clerestory.film.loudness import RATE as SAMPLES
from clerestory.film.model import QUIET_SECONDS, WORDS_A_MINUTE, Film, Shot, plain_picture
from clerestory.film.moves import path_of
from clerestory.film.pictures import Picture, folder_pictures, named_picture, raw_rendering, read_picture
from clerestory.film.pointing import holds, place_in_frame
from clerestory.film.scenes import RATE, Plan, Scene, Showing, Speech
from clerestory.film.shown import Ask, LeftOutError, showing_of
from clerestory.film.sound import Recording, cut_take, faults, read_sound, spoken
from clerestory.film.stage import spans_of

_IN, _OUT = 0.4, 0.7  # seconds of quiet before and after the words of a shot
_BRIEF = 3.6  # seconds a picture is seen at the least, however few the words
_CARD_JOIN = 20
_ACROSS = 7.0  # seconds a point takes to cross the frame in an unhurried pan; common practice ("seven-second rule")


@dataclass
class _Desk:
    """What is known while a film is planned."""

    film: Film
    visit: Path
    size: tuple[int, int]
    problems: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    recordings: dict[Path, Recording] = field(default_factory=dict)
    facts: dict[str, claims.Fact] = field(default_factory=dict)
    lines: dict[Loc, int] = field(default_factory=dict)

    def at(self, number: int, shot: Shot, *keys: str | int) -> str:
        """A shot's label with the line of film.toml that a key of it stands on, where there is one."""
        near: Loc = ("shots", number - 1, *keys)
        while near and near not in self.lines:
            near = near[:-1]
        return _label(number, shot) + (f", line {self.lines[near]}" if near else "")

    def sound(self, name: str, where: str) -> Recording | None:
        """A recording, read once; None when it cannot be used, and why is noted."""
        path = (self.visit / "film" / name).resolve()
        if path not in self.recordings:
            try:
                recording = read_sound(path)
            except UserError as error:
                self.problems.append(f"{where}: {error}")
                return None
            found = faults(recording)
            if found:
                self.problems.extend(f"{where}: {fault}" for fault in found)
                return None
            self.recordings[path] = recording
        return self.recordings[path]


@dataclass(frozen=True)
class _Spoken:
    """Where a shot's words are in a recording."""

    recording: Recording | None
    offset: float
    """Seconds into the recording, or, of words spoken in a clip, into the shot."""
    seconds: float


def _label(number: int, shot: Shot) -> str:
    return f"shot {number} ({shot.picture})"


def _from_take(desk: _Desk) -> dict[int, _Spoken]:
    """The long take's pieces by shot number."""
    texts = [
        (i, shot) for i, shot in enumerate(desk.film.shots, 1) if shot.words and not (shot.narration or shot.spoken)
    ]
    if not desk.film.narration:
        return {}
    if not texts:
        desk.problems.append(f"{desk.film.narration}: is recorded narration, but no shot has words to match it to")
        return {}
    take = desk.sound(desk.film.narration, "narration")
    if take is None:
        return {}
    try:
        pieces = cut_take(take.samples, [max(1, word_count(shot.words)) for _, shot in texts])
    except ValueError as error:
        desk.problems.append(f"narration: {desk.film.narration} {error}; leave a clear pause between shots")
        return {}
    return {number: _Spoken(take, a, b - a) for (number, _), (a, b) in zip(texts, pieces, strict=True)}


def _in_clip(desk: _Desk, scene: Scene, shot: Shot) -> _Spoken | None:
    """Where words are spoken in a clip that a shot shows; None where nobody speaks, and why is noted."""
    assert isinstance(scene.showing, Stretch)
    where = desk.at(scene.number, shot, "spoken")
    if scene.showing.footage.sound is None:
        desk.problems.append(f"{where}: the clip has no sound, so nobody is heard to speak in it")
        return None
    first, samples = scene.showing.first_sample(SAMPLES), read_sound(scene.showing.footage.path).samples
    begin, last = max(0, first), first + round((shot.seconds or 0) * SAMPLES)
    runs = spoken(samples[:, begin:last])
    if not runs:
        desk.problems.append(f"{where}: nobody is heard to speak in this stretch of the clip")
        return None
    return _Spoken(None, runs[0][0] + (begin - first) / SAMPLES, runs[-1][1] - runs[0][0])


def _recorded(desk: _Desk, outline: list[Scene]) -> dict[int, _Spoken]:
    """Recorded words by shot number."""
    out = _from_take(desk)
    for scene in outline:
        if scene.shot and scene.shot.spoken and (piece := _in_clip(desk, scene, scene.shot)):
            out[scene.number] = piece
    for number, shot in enumerate(desk.film.shots, 1):
        if not shot.narration:
            continue
        recording = desk.sound(shot.narration, _label(number, shot))
        if recording is not None:
            if not shot.words:
                desk.notes.append(f"{_label(number, shot)}: has a recording but no words, so it has no captions.")
            runs = spoken(recording.samples)
            out[number] = _Spoken(recording, runs[0][0], runs[-1][1] - runs[0][0])
    return out


def _speed(desk: _Desk, recorded: dict[int, _Spoken]) -> float:
    """Words a minute: asked for, or as the recordings have it, or common practice."""
    if desk.film.words_a_minute:
        return desk.film.words_a_minute
    written = {number: word_count(desk.film.shots[number - 1].words) for number in recorded}
    words = sum(written.values())
    seconds = sum(piece.seconds for number, piece in recorded.items() if written[number])
    if words < 20 or seconds <= 0:
        return float(WORDS_A_MINUTE)
    return min(max(60 * words / seconds, 60.0), 260.0)


@dataclass(frozen=True)
class _Sources:
    picture: Picture
    before: Path | None = None
    whole: Picture | None = None
    region: tuple[float, float, float, float] | None = None


def _footage(desk: _Desk, number: int, shot: Shot) -> tuple[Footage, Shot] | None:
    """A shot's clip, and the shot as long as the stretch of it; None where it cannot be had, and why is noted."""
    where = desk.at(number, shot, "clip")
    try:
        footage = read_footage((desk.visit / "film" / shot.clip).resolve())
    except UserError as error:
        desk.problems.append(f"{where}: {error}")
        return None
    if shot.still:
        desk.problems.append(f"{where}: a clip moves, which still = true forbids; remove one of the two")
        return None
    begin = shot.in_seconds or 0.0
    left = min(footage.seconds, shot.out_seconds or footage.seconds) - begin
    if left < 0.2 or (shot.out_seconds or 0) > footage.seconds + 0.05 or (shot.seconds or 0) > left + 0.05:
        desk.problems.append(
            f"{where}: the clip is {footage.seconds:.1f} s long, which does not hold what is asked; change"
            " in_seconds, out_seconds or seconds"
        )
        return None
    return footage, shot.model_copy(update={"seconds": min(shot.seconds or left, left)})


def _sources(desk: _Desk, number: int, shot: Shot) -> _Sources | None:
    """The pictures a shot needs; None when one is missing, and why is noted."""
    folder, label = desk.visit / "pictures", _label(number, shot)
    path = named_picture(folder, shot.picture)
    if path is None:
        names = ", ".join(p.stem for p in folder_pictures(folder)) or "none"
        desk.problems.append(f"{label}: no picture of that name in {folder} (it has: {names})")
        return None
    try:
        picture = read_picture(path)
    except UserError as error:
        desk.problems.append(f"{label}: {error}")
        return None
    if min(picture.width, picture.height) < 64:
        desk.problems.append(f"{label}: {picture.width} x {picture.height} pixels: too few pixels for a film")
        return None
    before = raw_rendering(folder, picture) if shot.before else None
    if shot.before and before is None:
        desk.problems.append(f"{label}: no raw rendering in {folder / 'before'} to wipe from; finish it again")
        return None
    if not shot.within:
        return _Sources(picture, before)
    whole = named_picture(folder, shot.within)
    if whole is None:
        desk.problems.append(f"{label}: no picture {shot.within} to show where the detail is")
        return None
    region = shot.region or find_region(path, whole)
    if region is None:
        desk.problems.append(f"{label}: the detail was not found in {shot.within}; give its region")
        return None
    return _Sources(picture, before, read_picture(whole), region)


def _frames(seconds: float) -> int:
    return max(1, round(seconds * RATE))


def _speech_seconds(shot: Shot, piece: _Spoken | None, speed: float) -> float:
    if piece is not None:
        return piece.seconds
    return 60 * word_count(shot.words) / speed if shot.words else 0.0


def _length(desk: _Desk, scene: Scene, shot: Shot, piece: _Spoken | None, speed: float) -> int:
    """Frames of a shot: as asked, or as long as its words take, or an unhurried look."""
    speech = _speech_seconds(shot, piece, speed)
    shared = (scene.lead + scene.tail) / RATE
    reading = seconds_needed(shot.words) if shot.words else 0.0
    if shot.seconds is None:
        least = _unhurried(shot, scene, desk.size)
        if speech:
            return _frames(max(shared + _IN + max(speech, reading) + _OUT, _BRIEF + shared, least + shared / 2))
        return _frames(max(QUIET_SECONDS, least) + shared / 2)
    room = shot.seconds - shared - 0.2
    if speech and not shot.spoken and max(speech, reading) > room:
        what = "speaking them" if speech >= reading else "reading their captions"
        desk.problems.append(
            f"{scene.label}: too many words for the shot: {what} takes {max(speech, reading):.1f} s, and there are"
            f" {max(room, 0):.1f} s between its dissolves; make it {max(speech, reading) + shared + 0.2:.1f} s long"
            " or cut some words"
        )
    if shot.seconds < shared + 0.2:
        desk.problems.append(
            f"{scene.label}: {shot.seconds:g} s is shorter than its dissolves; lengthen it, or use cuts"
        )
    return _frames(shot.seconds)


def _unhurried(shot: Shot, scene: Scene, size: tuple[int, int]) -> float:
    """Seconds a move takes at which nothing crosses the frame too fast to be looked at."""
    assert scene.picture
    path = path_of(shot, (scene.picture.width, scene.picture.height), size, 250)
    across = abs(path.end.left - path.start.left) / path.closest()
    down = abs(path.end.top - path.start.top) / path.closest()
    if scene.showing is not None:
        return scene.showing.seconds
    if shot.move not in ("pan", "tilt"):
        return 0.0
    return min(24.0, 1.5 + 1.25 * _ACROSS * (across + down))


def _chapter_card(shot: Shot) -> Scene:
    return Scene(shot.chapter, 0, _frames(3.4), _CARD_JOIN, card=Card(shot.chapter, size=40.0), chapter=shot.chapter)


def _cited(desk: _Desk, number: int, shot: Shot) -> tuple[claims.Fact, ...]:
    """The facts that a shot cites; one that is not there is a problem, a number without one a note."""
    known = ", ".join(desk.facts) or "none"
    missing = [name for name in shot.fact if name not in desk.facts]
    for name in missing:
        where = desk.at(number, shot, "fact")
        desk.problems.append(f"{where}: no fact is called '{name}' in film/{claims.FILE} (it has: {known})")
    facts = tuple(desk.facts[name] for name in shot.fact if name in desk.facts)
    bare = [] if missing else claims.unbacked(shot.words, facts)
    if bare:
        said = ", ".join(f"'{word}'" for word in bare)
        desk.notes.append(
            f"{_label(number, shot)}: no fact is behind {said}; look it up, write it into film/{claims.FILE} and cite"
            " it in the shot."
        )
    return facts


def _rows(line: str) -> float:
    """Rows that a line takes on a card: a long one counts for more, one of two parts has room around it."""
    parts = line.split("\n")
    return sum(1 + len(part) // 66 for part in parts) + (0.5 if len(parts) > 1 else 0)


def _text_cards(label: str, heading: str, all_lines: list[str]) -> Iterator[Scene]:
    """Lines on cards, at most nine a card (a long one counts for more), each card long enough to be read."""
    cards: list[list[str]] = [[]]
    for line in all_lines:
        if cards[-1] and sum(map(_rows, [*cards[-1], line])) > 9:
            cards.append([])
        cards[-1].append(line)
    for i, lines in enumerate(tuple(card) for card in cards if card):
        seconds = max(4.0, 2.5 + sum(map(len, lines)) / 14)
        yield Scene(label, 0, _frames(seconds), _CARD_JOIN, card=Card(heading if i == 0 else "", lines, 34.0))


def _end_cards(film: Film, scenes: list[Scene]) -> Iterator[Scene]:
    """What the film's words rest on, each fact once in the order it is said; then the credits."""
    facts = dict.fromkeys(fact for scene in scenes for fact in scene.facts)
    yield from _text_cards("sources", "Sources", [f"{fact.statement}\n{fact.cited}" for fact in facts])
    yield from _text_cards("credits", "Credits", film.credits)


def _settings(picture: Picture, shot: Shot) -> str:
    """The line under the caption."""
    message = [picture.settings] if shot.settings and picture.settings else []
    return " · ".join(message + (["as shot, then finished"] if shot.before else []))


def _showing(
    desk: _Desk, number: int, shot: Shot, picture: Picture, footage: Footage | None, earlier: str
) -> Showing | None:
    """What a shot shows in place of a picture under a move; None also where it cannot, and why is a problem."""
    if footage is not None:
        cut = path_of(shot, (footage.width, footage.height), desk.size, 1).end
        return Stretch(footage, shot.in_seconds or 0.0, cut, shot.sound)
    try:
        return showing_of(Ask(desk.visit, desk.size, shot, picture, earlier))
    except UserError as error:
        desk.problems.append(f"{desk.at(number, shot, shot.kind)}: {error}")
        return None


def _outline(desk: _Desk) -> list[Scene]:
    """All scenes in order, with their joins but not yet their lengths."""
    film = desk.film
    scenes, earlier = [Scene("dark", 0, 0)], ""
    if film.title:
        lines = (film.subtitle,) if film.subtitle else ()
        scenes.append(Scene("title", 0, _frames(4.6), _CARD_JOIN, card=Card(film.title, lines)))
    for number, shot in enumerate(film.shots, 1):
        if shot.chapter:
            scenes.append(_chapter_card(shot))
        footage = None
        if shot.clip:
            found = _footage(desk, number, shot)
            if found is None:
                continue
            footage, shot = found
            sources: _Sources | None = _Sources(Picture(footage.path, footage.width, footage.height))
        else:
            sources = _sources(desk, number, shot)
        if sources is None:
            continue
        try:
            showing = _showing(desk, number, shot, sources.picture, footage, earlier)
        except LeftOutError as reason:
            said = "; its words are said over the picture" if shot.words else ""
            desk.notes.append(f"{_label(number, shot)}: left out, for {reason}{said}.")
            if not shot.words:
                continue
            shot, showing = plain_picture(shot), None
        earlier = earlier if footage else sources.picture.name
        lead = 0 if shot.join == "cut" and not shot.chapter and number > 1 else _frames(shot.join_seconds)
        scenes.append(
            Scene(
                _label(number, shot), 0, 0, lead, number=number, shot=shot, picture=sources.picture,
                before=sources.before, whole=sources.whole, region=sources.region,
                caption="" if shot.pair else shot.caption,
                settings="" if showing else _settings(sources.picture, shot), showing=showing,
                facts=_cited(desk, number, shot),
            )
        )  # fmt: skip
    scenes.extend(_end_cards(film, scenes))
    scenes.append(Scene("dark", 0, _frames(1.6), _frames(1.0)))
    tails = [scene.lead for scene in scenes[1:]] + [0]
    scenes = [replace(scene, tail=tail) for scene, tail in zip(scenes, tails, strict=True)]
    scenes[0] = replace(scenes[0], frames=scenes[0].tail)
    return scenes


def _placed(desk: _Desk, outline: list[Scene], recorded: dict[int, _Spoken], speed: float) -> list[Scene]:
    """Scenes with their frames and the times of their words."""
    out: list[Scene] = []
    at = 0
    for scene in outline:
        start = at - scene.lead if out else 0
        shot = scene.shot
        if shot is not None:
            piece = recorded.get(scene.number)
            scene = replace(scene, start=start, frames=_length(desk, scene, shot, piece, speed))
            if scene.showing is not None:
                showing = replace(scene.showing, begin=scene.lead, end=scene.frames - scene.tail)
                scene = replace(scene, showing=showing)
            if shot.words or piece:
                scene = replace(scene, speech=_speech(scene, shot, piece, speed, start))
            _check_move(desk, scene, shot)
            _check_points(desk, scene, shot)
        out.append(replace(scene, start=start))
        at = start + scene.frames
    return out


def _speech(scene: Scene, shot: Shot, piece: _Spoken | None, speed: float, start: int) -> Speech:
    seconds = _speech_seconds(shot, piece, speed)
    if shot.spoken and piece:
        return Speech(shot.words, start / RATE + piece.offset, seconds)
    free = (scene.frames - scene.lead - scene.tail) / RATE
    quiet = min(_IN, max(0.1, (free - seconds) / 2))
    begin = (start + scene.lead) / RATE + quiet
    recording = piece.recording.path if piece and piece.recording else None
    return Speech(shot.words, begin, seconds, recording, piece.offset if piece else 0.0)


def _check_move(desk: _Desk, scene: Scene, shot: Shot) -> None:
    """Notes on a move that is faster than one can look, or a picture too small for the frame."""
    assert scene.picture
    size = (scene.picture.width, scene.picture.height)
    path = path_of(shot, size, desk.size, scene.frames)
    if shot.move in ("pan", "tilt"):
        least = _unhurried(shot, scene, desk.size)
        if scene.frames / RATE < 0.7 * least:
            desk.notes.append(f"{scene.label}: this {shot.move} is rushed; give it {least:.0f} s.")
    if not shot.whole and not scene.drawn and path.closest() < desk.size[0] - 0.5:
        desk.notes.append(
            f"{scene.label}: {size[0]} x {size[1]} pixels do not fill a frame of {desk.size[0]} x {desk.size[1]};"
            " it is enlarged and will look soft."
        )
    elif shot.move in ("push", "pull") and abs(path.start.width / path.end.width - 1) < 0.01:
        desk.notes.append(f"{scene.label}: the picture has no pixels to spare for a {shot.move}, so it is a hold.")


def _check_points(desk: _Desk, scene: Scene, shot: Shot) -> None:
    """Pointers that come with a word nobody says, or point at what the shot does not show."""
    assert scene.picture
    size = (scene.picture.width, scene.picture.height)
    path = path_of(shot, size, desk.size, scene.frames)
    for k, point in enumerate(shot.point):
        if point.said and not holds(shot.words, point.said):
            where = desk.at(scene.number, shot, "point", k, "said")
            desk.problems.append(
                f"{where}: '{point.said}' is not among the shot's words, so no pointer can come with it"
            )
    shown = {span.number: span for span in spans_of(scene) if span.what == "point"}
    for k, point in enumerate(shot.point):
        span = shown.get(k)
        if span is None:
            where = desk.at(scene.number, shot, "point", k)
            desk.problems.append(
                f"{where}: the pointer has no time within its shot; change from_seconds or to_seconds"
            )
            continue
        for frame in (span.first, span.last):
            x, y, _ = place_in_frame(point, size, path.at(frame), desk.size[0])
            if not (0 <= x <= desk.size[0] and 0 <= y <= desk.size[1]):
                if desk.size[0] <= desk.size[1]:  # a narrower film than was planned may cut away what is pointed at
                    desk.notes.append(f"{scene.label}: what pointer {k + 1} points at is cut away in this shape.")
                    break
                where = desk.at(scene.number, shot, "point", k, "at")
                desk.problems.append(
                    f"{where}: points at a place that the shot does not show at {frame / RATE:.1f} s; move the"
                    " pointer, aim the shot there with towards, or show the picture whole"
                )
                break


def plan_scenes(film: Film, visit: Path, size: tuple[int, int]) -> tuple[Plan, dict[Path, Recording]]:
    """The film as checked scenes, and its recordings by path.

    Raises UserError with every problem, each naming its shot and the reason.
    """
    text = read_text(visit / "film" / "film.toml")
    lines = line_map(text) if text else {}
    if film.still:
        held = [shot.model_copy(update={"still": True, "move": "hold"}) for shot in film.shots]
        film = film.model_copy(update={"shots": held})
    desk = _Desk(film, visit, size, facts=claims.read_facts(visit / "film" / claims.FILE), lines=lines)
    outline = _outline(desk)
    recorded = _recorded(desk, outline)
    if film.music:
        desk.sound(film.music, "music")
    speed = _speed(desk, recorded)
    scenes = _placed(desk, outline, recorded, speed)
    if desk.problems:
        raise UserError("The film cannot be made yet:\n" + "\n".join(f"- {problem}." for problem in desk.problems))
    return Plan(film.title, tuple(scenes), tuple(desk.notes), speed), desk.recordings


def plan_cues(plan: Plan, language: str = "") -> list[Cue]:
    """All captions of the film, in order; in another `language` (ISO 639-2 code) where one is named."""
    out: list[Cue] = []
    for scene in plan.scenes:
        if scene.speech:
            limit = (scene.end - scene.tail) / RATE - 0.1
            words = scene.shot.words_in.get(language, "") if language and scene.shot else scene.speech.words
            out.extend(cues(words, scene.speech.start, scene.speech.seconds, limit))
    return out


def languages(plan: Plan) -> list[str]:
    """The other languages that captions are given in, in order of their codes."""
    return sorted({code for scene in plan.scenes if scene.shot for code in scene.shot.words_in})


def untold(plan: Plan) -> list[str]:
    """A note on each language that does not have all the words."""
    spoken_over = [scene for scene in plan.scenes if scene.speech and scene.speech.words and scene.shot]
    out = []
    for code in languages(plan):
        missing = [scene.label for scene in spoken_over if scene.shot and not scene.shot.words_in.get(code)]
        if missing:
            out.append(f"Captions in {code} are missing in {', '.join(missing)}.")
    return out


def described(plan: Plan) -> list[Cue]:
    """What is seen in each shot, for those who do not see it, as long as the shot is seen alone."""
    out = []
    for scene in plan.scenes:
        words = (scene.shot.description if scene.shot else "") or (scene.picture.description if scene.picture else "")
        begin, end = scene.start + scene.lead, scene.end - scene.tail
        if words and scene.shot and words != scene.shot.words and end > begin:
            out.append(Cue(begin / RATE, end / RATE, " ".join(words.split())))
    return out
