"""Clips: picture and sound stay in step at any frame rate, upright by their metadata, and what cannot be is named."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.film.plan import plan_cues, plan_scenes
from clerestory.film.produce import _mix, load_film
from teaching import drawn, plan_of, shot_of

SMALL = (64, 36)
SOUND = 48000
BEATS = (0.9, 21.4, 40.3, 58.7)  # seconds at which it flashes and beeps, over a minute


def footage(path: Path, rate: Fraction, seconds: float = 60.0) -> Path:
    """A grey clip that flashes white, and beeps, at each of the beats: as near to it as its frame rate allows."""
    path.parent.mkdir(parents=True, exist_ok=True)
    beats = [Fraction(round(beat * rate)) / rate for beat in BEATS]
    with av.open(path, "w", format="matroska") as container:
        video = container.add_stream("mpeg4", rate=rate)
        video.width, video.height, video.pix_fmt = 160, 90, "yuv420p"
        audio = container.add_stream("pcm_s16le", rate=SOUND, layout="mono")
        sound = np.zeros(round(seconds * SOUND), np.int16)
        for beat in beats:
            at = round(float(beat) * SOUND)
            sound[at : at + 9600] = (12000 * np.sin(np.arange(9600) / 8)).astype(np.int16)[: sound.size - at]
        for k in range(round(seconds * rate)):
            lit = any(beat <= Fraction(k) / rate < beat + Fraction(1, 4) for beat in beats)
            frame = av.VideoFrame.from_ndarray(np.full((90, 160, 3), 220 if lit else 60, np.uint8), format="rgb24")
            frame.pts, frame.time_base = k, 1 / rate
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        for first in range(0, sound.size, SOUND):
            block = av.AudioFrame.from_ndarray(sound[None, first : first + SOUND], format="s16", layout="mono")
            block.sample_rate, block.pts, block.time_base = SOUND, first, Fraction(1, SOUND)
            container.mux(audio.encode(block))
        container.mux(audio.encode(None))
    return path


@pytest.mark.parametrize("rate", [Fraction(24000, 1001), Fraction(25), Fraction(30000, 1001), Fraction(50)])
def test_a_clips_sound_stays_in_step_to_20_ms_over_a_minute(tmp_path: Path, rate: Fraction) -> None:
    footage(tmp_path / "film" / "walk.mkv", rate)
    plan = plan_of(tmp_path, '[[shots]]\nclip = "walk.mkv"\nin_seconds = 0.5\nout_seconds = 59.5\n', SMALL)
    scene = shot_of(plan)
    film = load_film(tmp_path)
    mix = _mix(plan, film, tmp_path, plan_scenes(film, tmp_path, SMALL)[1])
    for beat in BEATS:
        near = round((beat - 0.5) * 25)
        frames = list(range(near - 4, near + 5))
        levels = [luma.mean() for luma in drawn(scene, frames, SMALL, letters=False)]
        seen = (scene.start + frames[next(k for k, level in enumerate(levels) if level > 0.5)]) / 25
        first = round((scene.start / 25 + beat - 0.7) * SOUND)
        sound = np.abs(mix.block(first, first + SOUND // 2)[0])
        heard = (first + int(np.argmax(sound > 0.2 * sound.max()))) / SOUND
        assert abs(seen - heard) <= 0.0205


def test_a_clip_is_upright_by_its_own_rotation(tmp_path: Path) -> None:
    path = tmp_path / "film" / "held.mp4"
    path.parent.mkdir()
    with av.open(path, "w") as container:
        video = container.add_stream("libx264", rate=25)
        video.width, video.height, video.pix_fmt = 160, 90, "yuv420p"
        picture = np.full((90, 160, 3), 40, np.uint8)
        picture[:45] = 220  # light above
        for k in range(60):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            frame.pts, frame.time_base = k, Fraction(1, 25)
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
    # The track header's matrix (ISO/IEC 14496-12, 8.3.2): 40 bytes behind its version; a quarter turn to
    # the right.
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 40
    assert struct.unpack(">9i", data[at : at + 36])[0] == 1 << 16
    data[at : at + 36] = struct.pack(">9i", 0, 1 << 16, 0, -(1 << 16), 0, 0, 0, 0, 1 << 30)
    path.write_bytes(bytes(data))
    scene = shot_of(plan_of(tmp_path, '[[shots]]\nclip = "held.mp4"\nseconds = 2.2\n', SMALL))
    assert (scene.picture.width, scene.picture.height) == (90, 160)
    (luma,) = drawn(scene, [30], SMALL, letters=False)
    assert luma[:, 40:].mean() > 0.7 and luma[:, :24].mean() < 0.3


def test_sound_is_kept_ducked_under_words_or_muted(tmp_path: Path) -> None:
    footage(tmp_path / "film" / "walk.mkv", Fraction(25), 3.0)

    def own(sound: str) -> list[bool]:
        toml = f'[[shots]]\nclip = "walk.mkv"\nsound = "{sound}"\n'
        plan = plan_of(tmp_path, toml, SMALL)
        return [clip.ducked for clip in _mix(plan, load_film(tmp_path), tmp_path, {}).clips]

    assert (own("keep"), own("duck"), own("mute")) == ([False], [True], [])


def test_a_clip_that_cannot_be_decoded_or_is_too_short_is_one_sentence_with_shot_and_line(tmp_path: Path) -> None:
    footage(tmp_path / "film" / "walk.mkv", Fraction(25), 2.0)
    (tmp_path / "film" / "broken.mp4").write_bytes(b"no video at all")
    toml = '[[shots]]\nclip = "broken.mp4"\n'
    with pytest.raises(UserError, match=r"shot 1 \(broken.mp4\), line 2: .*broken.mp4 cannot be decoded as video"):
        plan_of(tmp_path, toml, SMALL)
    toml = '[[shots]]\nclip = "walk.mkv"\nin_seconds = 1.5\nseconds = 3\n'
    with pytest.raises(UserError, match=r"line 2: the clip is 2\.0 s long, which does not hold what is asked"):
        plan_of(tmp_path, toml, SMALL)
    with pytest.raises(UserError, match="the clip ends before it begins"):
        plan_of(tmp_path, '[[shots]]\nclip = "walk.mkv"\nin_seconds = 2\nout_seconds = 1\n', SMALL)


def test_words_spoken_in_a_clip_are_its_captions_where_it_speaks(tmp_path: Path) -> None:
    # A tone stands in for a voice: silent for a while, then from 21.4 s to 21.6 s of the clip's own clock.
    footage(tmp_path / "film" / "talk.mkv", Fraction(25), 23.0)
    toml = (
        '[[shots]]\nclip = "talk.mkv"\nin_seconds = 20\nout_seconds = 23\nspoken = true\nwords = "Here I stand."\n'
        '[[shots]]\nclip = "talk.mkv"\nin_seconds = 4\nout_seconds = 8\n'
    )
    plan = plan_of(tmp_path, toml, SMALL)
    scene = shot_of(plan)
    assert scene.speech
    assert scene.speech.start - scene.start / 25 == pytest.approx(1.4, abs=0.03)
    assert plan_cues(plan)[0].text == "Here I stand." and plan_cues(plan)[0].start == scene.speech.start
    with pytest.raises(UserError, match=r"shot 1 \(talk.mkv\), line 5: nobody is heard to speak in this stretch"):
        plan_of(tmp_path, toml.replace("= 20", "= 10").replace("= 23", "= 12"), SMALL)
    with pytest.raises(UserError, match="a spoken clip needs its words"):
        plan_of(tmp_path, toml.replace('words = "Here I stand."\n', ""), SMALL)
