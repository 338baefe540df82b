"""What goes with a film: posters, captions in languages, descriptions; square and upright cuts; other codecs."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import opentimelineio as otio
import pytest
from PIL import Image

from clerestory import film
from clerestory.errors import UserError
from clerestory.film import parts, produce
from clerestory.film.levels import planes_of
from film.test_film import read_by_ffmpeg
from teaching import put

SIZE = (320, 180)
TOML = """title = "A day"

[[shots]]
picture = "wide"
seconds = 4
subject = [0.86, 0.45, 0.94, 0.55]
words = "Look to the right."
description = "A long wall with one lamp at its end"
[shots.words_in]
fra = "Regardez à droite."

[[shots]]
picture = "wide"
seconds = 4.5
towards = [1.0, 0.5]
words = "All of it."
[[shots.point]]
at = [0.9, 0.5]
word = "Lamp"
"""


@pytest.fixture
def visit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setitem(produce.SIZES, "1080p", SIZE)
    monkeypatch.setattr(produce, "POSTERS", (160, 80))
    y, x = np.mgrid[:400, :1200]
    wall = np.where(np.hypot(x - 1080, y - 200) < 25, 0.95, 0.2 + 0.1 * ((x // 40 + y // 40) % 2))
    put(tmp_path, "wide", np.repeat(wall[..., None], 3, axis=2))
    (tmp_path / "film").mkdir()
    (tmp_path / "film" / "film.toml").write_text(TOML, encoding="utf-8")
    return tmp_path


def frames_of(path: Path) -> list[np.ndarray]:
    """The film's pictures as luma code values 0 to 1."""
    with av.open(path) as container:
        return [(planes_of(frame)[0].astype(float) - 16) / 219 for frame in container.decode(video=0)]


def test_posters_languages_descriptions_and_markers_lie_beside_the_film(visit: Path) -> None:
    result = film.make(visit)
    folder = visit / "film"
    sizes = [Image.open(folder / name).size for name in ("poster.jpg", "poster-160.jpg", "poster-80.jpg")]
    assert sizes == [(320, 180), (160, 90), (80, 45)]
    assert [text for _, _, text in read_by_ffmpeg(folder / "film.fra.vtt")] == ["Regardez à droite."]
    ((begin, end, seen),) = read_by_ffmpeg(folder / "film.descriptions.vtt")
    shot = next(scene for scene in film.plan_film(visit).scenes if scene.number == 1)
    assert seen == "A long wall with one lamp at its end"
    assert (begin, end) == pytest.approx(((shot.start + shot.lead) / 25, (shot.end - shot.tail) / 25), abs=0.002)
    assert "Captions in fra are missing in shot 2 (wide)." in result.warnings
    with av.open(result.film) as container:
        assert [stream.language for stream in container.streams.subtitles] == ["eng", "fra"]
    timeline = otio.adapters.read_from_file(str(folder / "film.otio"))
    markers = {m.metadata["clerestory"]["kind"]: m for m in timeline.video_tracks()[0].markers}
    assert markers["point"].name == "Lamp" and markers["caption"].name == "All of it."
    point, second = markers["point"].marked_range, film.plan_film(visit).scenes[3]
    assert second.start <= point.start_time.value < point.end_time_exclusive().value <= second.end
    (folder / "film.toml").write_text(TOML.split("description")[0], encoding="utf-8")
    film.make(visit)
    assert not list(folder.glob("film.fra.*")) and not (folder / "film.descriptions.vtt").exists()


@pytest.mark.parametrize(("shape", "size"), [("square", (180, 180)), ("upright", (180, 320))])
def test_square_and_upright_cuts_keep_the_subject_and_share_the_parts_folder(
    visit: Path, shape: produce.Shape, size: tuple[int, int]
) -> None:
    wide = film.make(visit)
    cut = film.make(visit, shape=shape)
    assert cut.film.name == f"film-{shape}.mp4" and film.make(visit).parts_made == 0 < wide.parts
    shot = next(scene for scene in film.plan_film(visit, shape=shape).scenes if scene.number == 1)
    frame = frames_of(cut.film)[shot.start + shot.lead + 5]
    assert frame.shape == size[::-1]
    ys, xs = np.nonzero(frame > 0.8)
    assert abs(ys.mean() - size[1] / 2) < 3 and 20 < xs.mean() < size[0] - 20  # all of the lamp, none of it cut off
    assert np.ptp(xs) == pytest.approx(np.ptp(ys), abs=2)


@pytest.mark.parametrize("codec", ["hevc", "av1"])
def test_other_codecs_hold_every_frame_and_give_the_same_bytes(visit: Path, codec: parts.Codec) -> None:
    if not parts.has_encoder(codec):
        pytest.skip("PyAV was built without this encoder")
    toml = '[[shots]]\npicture = "wide"\nseconds = 3\nmove = "push"\namount = 1.5\nstill = false\n'
    (visit / "film" / "film.toml").write_text(toml, encoding="utf-8")
    plain, made = frames_of(film.make(visit).film), film.make(visit, codec=codec).film
    with av.open(made) as container:
        assert container.streams.video[0].codec_context.name in (codec, "libdav1d")
        times = [packet.pts for packet in container.demux(video=0) if packet.size]
    assert sorted(times) == times and len(set(np.diff(times))) == 1
    others = frames_of(made)
    assert len(others) == len(plain) == film.plan_film(visit).frames
    assert max(np.abs(a - b).mean() for a, b in zip(plain, others, strict=True)) < 0.02
    data = made.read_bytes()
    for part in (visit / ".clerestory" / "film").glob("*.mp4"):
        part.unlink()
    assert film.make(visit, codec=codec).film.read_bytes() == data


def test_a_shape_or_codec_that_cannot_be_had_is_one_sentence(visit: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(
        UserError, match="'round' is not a shape the film can be made in; choose wide, square, upright"
    ):
        film.make(visit, shape="round")
    monkeypatch.setitem(parts.ENCODERS, "av1", "no such encoder")
    with pytest.raises(UserError, match="has no encoder for av1; leave the codec at h264"):
        film.make(visit, codec="av1")
