"""A whole small film: made, read back with FFmpeg's libraries, changed, made again."""

from __future__ import annotations

import errno
import io
import json
import re
import shutil
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import opentimelineio as otio
import pyloudnorm
import pytest
import tifffile

from clerestory import film
from clerestory.errors import UserError
from clerestory.files import lock
from clerestory.film import cautions, produce
from clerestory.film.captions import FASTEST, Chapter, Cue, phrases, webvtt, webvtt_chapters
from clerestory.film.draft import draft_film
from clerestory.film.levels import planes_of
from clerestory.film.loudness import measured
from clerestory.film.model import read_film
from clerestory.film.mux import chapters_of
from clerestory.film.parts import Coding, Encoder
from clerestory.film.plan import plan_cues
from clerestory.film.script import read_script
from clerestory.finish.write import Record, encoded, with_metadata
from clerestory.visit.about import About
from clerestory.visit.folder import VisitFolder

SIZE = (320, 180)
RATE = 48000


@pytest.fixture(scope="module", autouse=True)
def small() -> object:
    """Films of 320 x 180, so that tests take seconds."""
    patch = pytest.MonkeyPatch()
    patch.setitem(produce.SIZES, "1080p", SIZE)
    yield patch
    patch.undo()


def light(width: int, height: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    coarse = rng.random((height // 60 + 1, width // 60 + 1, 3))
    return np.kron(coarse, np.ones((60, 60, 1)))[:height, :width].astype(np.float32) * 0.8


def put(path: Path, picture: np.ndarray, title: str = "", message: str = "", place: str = "") -> None:
    kind = "tiff" if path.suffix == ".tif" else "jpeg"
    size = (picture.shape[1], picture.shape[0])
    path.parent.mkdir(parents=True, exist_ok=True)
    caption, record = About(title, message, place), Record({"View": path.stem})
    path.write_bytes(with_metadata(encoded(picture, kind), None, caption, record, size))


def talk(path: Path, stretches: list[tuple[float, float]], level: float = 0.1, clip: bool = False) -> None:
    """A 16-bit WAV of bursts of noise: (seconds of speech, seconds of silence), over a faint room."""
    rng = np.random.default_rng(4)
    parts = [np.zeros(RATE // 2)]
    for speech, pause in stretches:
        dull = np.convolve(rng.standard_normal(int(speech * RATE) + 23), np.ones(24) / 5, "valid")
        parts += [dull * level, np.zeros(int(pause * RATE))]
    sound = np.concatenate(parts)
    sound = sound + rng.standard_normal(sound.size) * level * 0.003
    if clip:
        sound[RATE : RATE + 2000] = 1.5 * np.sign(np.sin(np.arange(2000) / 40))
    data = (np.clip(sound, -1, 1) * 32767).astype(np.int16)
    with av.open(path, "w") as container:
        stream = container.add_stream("pcm_s16le", rate=RATE, layout="mono")
        frame = av.AudioFrame.from_ndarray(data[None], format="s16", layout="mono")
        frame.sample_rate = RATE
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))


SCRIPT = """# Saint Ælfwyn's, an afternoon

Light by the hour

## The nave
![The nave, looking east](../pictures/nave.tif "push")
The builders of this nave had no drawings, only rope & chalk; yet the piers stand true,
and the vault closes above them.

![North aisle](../pictures/aisle.jpg "pan right, cut")
A long wall, and seven windows in it.

## The tower
![Under the tower](../pictures/tower.tif "tilt up")
Look up. The bell frame is of oak.

![](../pictures/nave.tif "hold, 3 s, before")

## Credits
- Photographs: A. Reader
"""


def make_visit(folder: Path) -> Path:
    put(folder / "pictures" / "nave.tif", light(960, 720, 1), "The nave")
    put(folder / "pictures" / "aisle.jpg", light(1200, 400, 2))
    put(folder / "pictures" / "tower.tif", light(480, 900, 3))
    put(folder / "pictures" / "before" / "nave.jpg", light(640, 480, 4))
    (folder / "film").mkdir()
    (folder / "film" / "script.md").write_text("---\nnarration: take.wav\n---\n" + SCRIPT, encoding="utf-8")
    talk(folder / "film" / "take.wav", [(7.0, 1.0), (2.6, 1.0), (2.4, 0.8)])
    return folder


@pytest.fixture(scope="module")
def visit(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = make_visit(tmp_path_factory.mktemp("visit"))
    result = film.make(folder)
    assert result.parts_made == result.parts > 8
    assert cautions.PUBLISHING in result.cautions  # a whole film may be shown to others, a preview is one's own
    return folder


def test_streams_colour_chapters_and_captions_read_back(visit: Path) -> None:
    plan = film.plan_film(visit)
    with av.open(visit / "film" / "film.mp4") as container:
        video, audio, text = (container.streams.get({kind: 0})[0] for kind in ("video", "audio", "subtitles"))
        context = video.codec_context
        assert (context.name, context.pix_fmt, context.width, context.height) == ("h264", "yuv420p", *SIZE)
        tags = (context.color_range, context.colorspace, context.color_primaries, context.color_trc)
        assert tags == (1, 1, 1, 1)  # limited range; BT.709 matrix, primaries and transfer (ISO/IEC 23091-2)
        assert (audio.codec_context.name, audio.rate, audio.codec_context.layout.name) == ("aac", RATE, "stereo")
        assert text.codec_context.name == "mov_text" and text.language == "eng"
        read = [(*(float(c[end] * c["time_base"]) for end in ("start", "end")), c["metadata"]["title"])
                for c in container.chapters()]  # fmt: skip
        nave, tower = (scene.start / 25 for scene in plan.scenes if scene.chapter)
        opening = (0.0, nave, "Saint Ælfwyn's, an afternoon")  # shorter than five seconds, and a chapter all the same
        expected = [opening, (nave, tower, "The nave"), (tower, plan.seconds, "The tower")]
        assert read == [
            (pytest.approx(a, abs=0.001), pytest.approx(b, abs=0.001), message) for a, b, message in expected
        ]
        message = [bytes(p)[2:].decode() for p in container.demux(text) if p.size > 2]
    cues = plan_cues(plan)
    assert message == [cue.text for cue in cues]
    with av.open(visit / "film" / "film.mp4") as container:
        frames = list(container.decode(video=0))
    assert [f.pts * f.time_base for f in frames] == [Fraction(i, 25) for i in range(plan.frames)]
    data = (visit / "film" / "film.mp4").read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")  # plays while it loads


def test_captions_can_be_read_and_lie_on_their_words(visit: Path) -> None:
    plan = film.plan_film(visit)
    cues = plan_cues(plan)
    assert max(cue.speed for cue in cues) <= FASTEST
    assert all(a.end <= b.start for a, b in pairwise(cues))
    assert len(cues) > 3 and all(len(line) <= 37 for cue in cues for line in cue.text.split("\n"))
    speeches = [scene.speech for scene in plan.scenes if scene.speech]
    assert len(speeches) == 3
    for speech in speeches:
        end = speech.start + speech.seconds
        own = [cue for cue in cues if speech.start <= cue.start < end]
        assert own[0].start == speech.start and abs(own[-1].end - end) < 1
    message = " ".join(cue.text.replace("\n", " ") for cue in cues)
    assert message.startswith("The builders of this nave had no drawings,")
    vtt = (visit / "film" / "film.vtt").read_text(encoding="utf-8")
    assert vtt.startswith("WEBVTT\n") and "rope &amp; chalk" in vtt
    with av.open(visit / "film" / "film.srt") as container:  # FFmpeg's own reader
        read = [(p.pts * p.time_base, bytes(p).decode()) for p in container.demux(subtitles=0) if p.size]
    assert [text for _, text in read] == [cue.text for cue in cues]
    assert [float(t) for t, _ in read] == pytest.approx([cue.start for cue in cues], abs=0.001)


def read_by_ffmpeg(path: Path) -> list[tuple[float, float, str]]:
    """Cues of a WebVTT file as (from, to, text), by FFmpeg's own reader."""
    with av.open(path) as container:
        packets = [p for p in container.demux(subtitles=0) if p.size]
        return [
            (float(p.pts * p.time_base), float((p.pts + p.duration) * p.time_base), bytes(p).decode())
            for p in packets
        ]


def test_chapters_lie_beside_the_film_as_another_reader_finds_them_and_go_when_it_has_none(
    visit: Path, tmp_path: Path
) -> None:
    chapters = chapters_of(film.plan_film(visit))
    path = visit / "film" / "film.chapters.vtt"
    assert read_by_ffmpeg(path) == [(pytest.approx(c.start), pytest.approx(c.end), c.title) for c in chapters]
    assert [chapter.title for chapter in chapters][1:] == ["The nave", "The tower"]
    put(tmp_path / "pictures" / "nave.tif", light(640, 480, 1))
    (tmp_path / "film").mkdir()
    for head, there in (('chapter = "East & west"\n', True), ("", False)):
        write_toml(tmp_path, f'[[shots]]\npicture = "nave"\nseconds = 2\n{head}')
        film.make(tmp_path)
        assert (tmp_path / "film" / "film.chapters.vtt").exists() == there


def test_no_chapter_is_too_short_to_be_one(tmp_path: Path) -> None:
    put(tmp_path / "pictures" / "nave.tif", light(640, 480, 1))
    (tmp_path / "film").mkdir()
    write_toml(tmp_path, "".join(f'[[shots]]\npicture = "nave"\nseconds = 2\nchapter = "{n}"\n' for n in (1, 2, 3)))
    chapters = chapters_of(film.plan_film(tmp_path))
    assert [chapter.title for chapter in chapters] == ["1", "2", "3"]
    assert all(chapter.end - chapter.start < 6 for chapter in chapters)
    assert all(a.end == b.start for a, b in pairwise(chapters))


# The grammar of W3C WebVTT, section 4.1, for files of plain cues, from memory: the head, then cues apart by empty
# lines; a cue's text holds no arrow, and '&' and '<' only in entities.
TIME = r"(?:\d{2,}:)?[0-5]\d:[0-5]\d\.\d{3}"
TEXT = r"(?:(?!-->)(?:[^&<\n\r]|&(?:amp|lt|gt|nbsp|lrm|rlm);))+"
GRAMMAR = re.compile(rf"WEBVTT(?:\n\n+{TIME} --> {TIME}\n{TEXT}(?:\n{TEXT})*)*\n*")


def test_webvtt_keeps_to_its_grammar_whatever_the_title() -> None:
    odd = "Nave --> choir & <b>tower</b>\n\nand crypt"
    chapters = webvtt_chapters([Chapter(0.0, 3.5, "Nave"), Chapter(3.5, 3600.25, odd)])
    captions = webvtt([Cue(0.0, 2.0, "Look up: a < b\nand & on"), Cue(2.25, 4.0, "then --> there")])
    assert GRAMMAR.fullmatch(chapters) and GRAMMAR.fullmatch(captions)
    assert not GRAMMAR.fullmatch(chapters.replace("&amp;", "&"))  # or the grammar shows nothing


def test_captions_break_at_phrases() -> None:
    text = "The font is Norman, cut from one block of Purbeck marble, and it was found in a garden."
    assert all(cue.endswith((",", ".")) for cue in phrases(text)) and len(phrases(text)) > 1
    bells = (
        "Look up. The bell frame is of oak, and the bells hang dead, because the tower could not bear their swing."
    )
    assert phrases(bells) == [
        "Look up. The bell frame is of oak,",
        "and the bells hang dead, because\nthe tower could not bear their swing.",
    ]


def test_sound_is_loud_as_asked_and_lies_under_its_pictures(visit: Path) -> None:
    plan = film.plan_film(visit)
    blocks = []
    with av.open(visit / "film" / "film.mp4") as container:
        for frame in container.decode(audio=0):
            blocks.append(frame.to_ndarray())
    sound = np.concatenate(blocks, axis=1)
    assert pyloudnorm.Meter(RATE).integrated_loudness(sound.T) == pytest.approx(-18, abs=0.2)
    assert measured([sound]).true_peak() < -1  # after the lossy coder, which moves peaks
    spoken = [(scene, scene.speech) for scene in plan.scenes if scene.speech]
    assert len(spoken) == 3
    for scene, speech in spoken:
        a = round(speech.start * RATE)
        inside = sound[:, a + 4800 : a + round(speech.seconds * RATE) - 4800]
        just_before = sound[:, a - 14400 : a - 7200]
        assert np.std(inside) > 20 * np.std(just_before)
        assert np.std(just_before) > 0  # room tone, not nothing
        assert scene.start / 25 < speech.start
        assert speech.start + speech.seconds < scene.end / 25


def test_frames_show_the_picture_at_its_own_values(visit: Path) -> None:
    plan = film.plan_film(visit)
    scene = next(s for s in plan.scenes if s.number == 2)  # a cut, so its first frame is the picture alone
    with av.open(visit / "film" / "film.mp4") as container:
        frame = next(f for f in container.decode(video=0) if f.pts * f.time_base == Fraction(scene.start, 25))
    luma, _, red = (plane.astype(float) for plane in planes_of(frame))
    from PIL import Image

    with Image.open(visit / "pictures" / "aisle.jpg") as image:
        wanted = np.asarray(image.crop((0, 0, 711, 400)).resize(SIZE, Image.Resampling.BOX), float) / 255
    y = wanted @ [0.2126, 0.7152, 0.0722]  # ITU-R BT.709, with its 8-bit levels
    cr = (wanted[..., 0] - y) / 1.5748
    # Edges of blocks differ, because light is averaged and not its code: so the middle of the differences.
    assert np.median(np.abs(luma - (16 + 219 * y))[:80]) <= 1.5
    assert np.median(np.abs(red - (128 + 224 * cr)[::2, ::2])[:40]) <= 1.5


def stop_after(parts: int) -> Callable[[int, int], None]:
    """A progress that is broken off after so many parts."""
    seen: list[int] = []

    def progress(done: int, total: int) -> None:
        seen.append(done)
        if len(seen) == parts:
            raise KeyboardInterrupt

    return progress


def test_only_what_changed_is_encoded_again_and_bytes_repeat(visit: Path, tmp_path: Path) -> None:
    first = (visit / "film" / "film.mp4").read_bytes()
    again = film.make(visit)
    assert again.parts_made == 0
    assert (visit / "film" / "film.mp4").read_bytes() == first
    other = make_visit(tmp_path / "other")
    with pytest.raises(KeyboardInterrupt):
        film.make(other, progress=stop_after(4))
    resumed = film.make(other)
    assert resumed.parts_made == resumed.parts - 4
    assert (other / "film" / "film.mp4").read_bytes() == first
    put(other / "pictures" / "tower.tif", light(480, 900, 9))
    changed = film.make(other)
    assert 1 <= changed.parts_made <= 5 < changed.parts  # the shot and its joins
    assert (other / "film" / "film.mp4").read_bytes() != first


def test_two_runs_at_once_take_turns(visit: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(lock, "WAIT_SECONDS", 60.0)
    other = make_visit(tmp_path / "other")
    with ThreadPoolExecutor(2) as pool:
        made = list(pool.map(lambda _: film.make(other).parts_made, range(2)))
    assert min(made) == 0 < max(made)  # the second found every part of the first
    for name in ("film.mp4", "film.srt", "film.otio", "poster.jpg"):
        assert (other / "film" / name).read_bytes() == (visit / "film" / name).read_bytes()
    monkeypatch.setattr(lock, "WAIT_SECONDS", 0.1)
    with (
        VisitFolder(other).writing("film"),
        pytest.raises(lock.Taken, match="making its film since"),
    ):
        film.make(other)


def test_timeline_opens_with_the_reference_library(visit: Path) -> None:
    plan = film.plan_film(visit)
    timeline = otio.adapters.read_from_file(str(visit / "film" / "film.otio"))
    pictures, narration = timeline.tracks
    clips = list(pictures.find_clips())
    assert [c.media_reference.target_url for c in clips] == [
        "../pictures/nave.tif", "../pictures/aisle.jpg", "../pictures/tower.tif", "../pictures/nave.tif"
    ]  # fmt: skip
    assert all((visit / "film" / c.media_reference.target_url).exists() for c in clips)
    assert timeline.duration().to_seconds() == pytest.approx(plan.seconds)
    for clip, scene in zip(clips, (s for s in plan.scenes if s.picture), strict=True):
        begins = clip.transformed_time(otio.opentime.RationalTime(clip.source_range.start_time.value, 25), pictures)
        assert begins.value == scene.start + scene.lead // 2
    spoken = list(narration.find_clips())
    chapters = ["Saint Ælfwyn's, an afternoon", "The nave", "The tower"]
    names: dict[str, list[str]] = {}
    for marker in pictures.markers:
        names.setdefault(marker.metadata["clerestory"]["kind"], []).append(marker.name)
    captions = [cue.text.replace("\n", " ") for cue in plan_cues(plan)]
    assert names == {"chapter": chapters, "caption": captions} and len(spoken) == 3
    speeches = [s.speech for s in plan.scenes if s.speech]
    for clip, speech in zip(spoken, speeches, strict=True):
        assert clip.media_reference.target_url == "take.wav"
        at = clip.transformed_time(clip.source_range.start_time, narration)
        assert at.to_seconds() == pytest.approx(speech.start, abs=0.001)
        assert clip.source_range.start_time.to_seconds() == pytest.approx(speech.offset, abs=0.001)


def write_toml(visit: Path, shots: str, head: str = "") -> None:
    (visit / "film" / "film.toml").write_text(head + shots, encoding="utf-8")


def test_what_is_wrong_is_named_before_anything_is_encoded(tmp_path: Path) -> None:
    visit = tmp_path
    put(visit / "pictures" / "nave.tif", light(640, 480, 1))
    (visit / "film").mkdir()
    talk(visit / "film" / "clipped.wav", [(2.0, 0.5)], clip=True)
    talk(visit / "film" / "silent.wav", [(0.0, 2.0)], level=1e-5)
    (visit / "film" / "broken.wav").write_bytes(b"RIFFnothing")
    write_toml(
        visit,
        '[[shots]]\npicture = "gone"\n'
        '[[shots]]\npicture = "nave"\nnarration = "clipped.wav"\nwords = "Some words"\n'
        '[[shots]]\npicture = "nave"\nnarration = "silent.wav"\nwords = "Some words"\n'
        '[[shots]]\npicture = "nave"\nnarration = "broken.wav"\nwords = "Some words"\n'
        '[[shots]]\npicture = "nave"\nnarration = "absent.wav"\nwords = "Some words"\n'
        f'[[shots]]\npicture = "nave"\nseconds = 4\nwords = "{"many words " * 20}"\n'
        '[[shots]]\npicture = "nave"\nbefore = true\n'
        '[[shots]]\npicture = "short"\n',
    )
    whole = (visit / "pictures" / "nave.tif").read_bytes()
    (visit / "pictures" / "short.tif").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(UserError) as error:
        film.make(visit)
    lines = str(error.value).splitlines()
    for shot, reason in {
        "shot 1 (gone)": "no picture of that name", "shot 2 (nave)": "clipped", "shot 3 (nave)": "no speech",
        "shot 4 (nave)": "cannot be read", "shot 5 (nave)": "no recording", "shot 6 (nave)": "too many words",
        "shot 7 (nave)": "no raw rendering", "shot 8 (short)": "cut short",
    }.items():  # fmt: skip
        assert any(shot in line and reason in line for line in lines), (shot, reason, lines)
    assert not (visit / ".clerestory").exists() and not (visit / "film" / "film.mp4").exists()
    write_toml(visit, '[[shots]]\npicture = "nave"\nmove = "zoom"\n')
    with pytest.raises(UserError, match=r"shots 1, move"):
        film.plan_film(visit)


def test_a_draft_wipes_the_view_that_leaned_most_and_no_joined_one(tmp_path: Path) -> None:
    visit = make_visit(tmp_path / "visit")
    accounts = visit / ".clerestory" / "accounts"
    accounts.mkdir(parents=True)
    for i, (kind, pitch, plumb) in enumerate(
        (("single", 3, 1), ("panorama", 25, 1), ("burst", 14, 0.9), ("single", 20, 0))
    ):
        put(visit / "pictures" / f"room-{i}.tif", light(960, 720, i))
        put(visit / "pictures" / "before" / f"room-{i}.jpg", light(640, 480, i))
        account = {"kind": kind, "plumb": plumb, "lean_before": {"pitch": pitch, "roll": 0.5}}
        (accounts / f"room-{i}.json").write_text(json.dumps(account), encoding="utf-8")
    assert [shot.picture for shot in draft_film(visit).shots if shot.before] == ["room-2"]


def test_a_draft_is_made_from_pictures_alone_and_never_over_an_edit(tmp_path: Path) -> None:
    visit = make_visit(tmp_path / "visit")
    shutil.rmtree(visit / "film")
    result = film.make(visit, draft=True, preview=True)
    assert result.film.name == "preview.mp4" and result.film.exists()
    assert cautions.PUBLISHING not in result.cautions
    drafted = read_film(visit / "film" / "film.toml")
    moves = {shot.picture: (shot.move, shot.before) for shot in drafted.shots}
    assert moves["aisle"][0] == "pan" and moves["tower"][0] == "tilt" and moves["nave"][1]
    assert not any(shot.chapter for shot in drafted.shots)
    put(visit / "pictures" / "nave.tif", light(960, 720, 1), "Looking east", "The piers are Norman.", "The nave")
    put(visit / "pictures" / "tower.tif", light(480, 900, 3), "", "", "The tower")
    film.make(visit, draft=True, preview=True)  # a draft nobody touched may be drafted again
    drafted = read_film(visit / "film" / "film.toml")
    chapters = {shot.picture: (shot.chapter, shot.caption, shot.words) for shot in drafted.shots}
    assert chapters["nave"] == ("The nave", "Looking east", "The piers are Norman.")
    assert chapters["tower"][0] == "The tower"
    path = visit / "film" / "film.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("tilt", "hold"))
    with pytest.raises(UserError, match="edited by hand"):
        film.make(visit, draft=True, preview=True)


def test_a_tiff_and_a_jpeg_of_the_same_light_are_read_alike(tmp_path: Path) -> None:
    from clerestory.film.pictures import load_linear

    picture = light(64, 48, 5)
    put(tmp_path / "a.tif", picture)
    put(tmp_path / "b.jpg", picture)
    assert np.abs(load_linear(tmp_path / "a.tif") - load_linear(tmp_path / "b.jpg")).mean() < 0.01
    assert tifffile.imread(tmp_path / "a.tif").dtype == np.uint16
    wide = encoded(picture, "tiff", space="display-p3")  # the same light in another space's numbers
    (tmp_path / "c.tif").write_bytes(wide)
    assert np.abs(tifffile.imread(tmp_path / "c.tif") - tifffile.imread(tmp_path / "a.tif").astype(float)).max() > 500
    assert np.abs(load_linear(tmp_path / "a.tif") - load_linear(tmp_path / "c.tif")).mean() < 0.002


class Full(io.BytesIO):
    """A file on a disk that has no room left."""

    def write(self, _: object) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("frames", [1, 400])  # the codec meets the full disk at its very end, or on the way
def test_a_disk_that_fills_up_ends_the_encoding(frames: int) -> None:
    picture = av.VideoFrame.from_ndarray(np.zeros((90 * 3 // 2, 160), np.uint8), "yuv420p")

    ended: list[str] = []

    def encode() -> None:
        encoder = Encoder(Full(), Coding(160, 90))
        for i in range(frames):
            encoder.put(picture, i)
        with pytest.raises(OSError, match="space"):
            encoder.close()
        ended.append("with an error")

    thread = threading.Thread(target=encode, daemon=True)
    thread.start()
    thread.join(60)
    assert ended


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    put(tmp_path / "pictures" / "nave.tif", light(320, 240, 1))
    (tmp_path / "film").mkdir()
    write_toml(tmp_path, '[[shots]]\npicture = "nave"\nseconds = 3\n')
    (tmp_path / ".clerestory").write_text("in the way", encoding="utf-8")
    with pytest.raises(UserError, match="cannot be written"):
        film.make(tmp_path)


def test_a_script_of_brackets_is_read_and_a_wrong_speed_named(tmp_path: Path) -> None:
    path = tmp_path / "script.md"
    path.write_text(
        "![Nave](nave.tif)\n" + "[" * 200_000 + "\n", encoding="utf-8"
    )  # in a time that grows with its length
    assert read_script(path).shots[0].picture == "nave.tif"
    path.write_text("---\nwords_a_minute: fast\n---\n![Nave](nave.tif)\n", encoding="utf-8")
    with pytest.raises(UserError, match="words_a_minute"):
        read_script(path)
