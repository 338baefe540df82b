"""The demo's film: every kind of shot there is, of the invented church, its words, facts and files all invented.

Where the system has espeak-ng, a machine's voice speaks the words; without it the film is silent but for its clip.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from clerestory.errors import UserError
from clerestory.files.store import write_atomic
from clerestory.film.model import Film, Shot, film_from, film_toml
from clerestory.film.pictures import named_picture
from clerestory.visit.about import read_abouts

VOICE = "espeak-ng"
RATE = 25
_SPEED = "140"  # words a minute of the voice
_STEP = 0.62  # seconds from footfall to footfall of an easy walk

FACTS = """# What the film's words rest on. Church, rolls and people are invented.

[[fact]]
name = "begun"
statement = "The nave was begun in 1182"
source = "A. Marrow, The Fabric Rolls of Saint Osmerin's"
page = 41

[[fact]]
name = "bays"
statement = "The nave has 8 bays"
source = "Counted on the floor"
date = 2027-04-20
"""

# Each shot's fields; a name in braces is the planned view whose picture stands there.
SHOTS: tuple[Mapping[str, object], ...] = (
    {
        "standpoint": "{nave}", "chapter": "The nave", "words": "We stand at the west door, and look to the altar.",
        "description": "A floor plan with the standing point at its west end",
    },
    {
        "picture": "{nave}", "move": "push", "amount": 1.25, "towards": [0.5, 0.42],
        "caption": "The nave, looking east",
        "words": "The nave was begun in eleven eighty-two. Beyond the screen the glass still glows.",
        "words_in": {"fra": "La nef fut commencée en 1182. Derrière le jubé, les vitraux luisent encore."},
        "fact": ["begun"], "subject": [0.38, 0.15, 0.62, 0.65],
        "point": [{"at": [0.498, 0.59], "radius": 0.06, "word": "Screen", "said": "screen"}],
        "description": "A long nave of round piers, a rose window at its far end",
    },
    {
        "straightening": "{arcade}", "chapter": "Upright",
        "words": "The camera looked up, so the walls lean. Turned back, they stand; corners are lost.",
    },
    {"distance": "{west end}", "words": "From far with a long lens, or near with a short one: the room changes."},
    {"walk": "{sanctuary}", "walk_from": "{nave}", "chapter": "Light", "words": "We walk up to the screen."},
    {"exposures": "{sanctuary}", "words": "One frame for the glass, one between, one for the stone; then all."},
    {"merge": "{north aisle}", "words": "In the shade the grain of one frame gives way to the merge of the run."},
    {"focus": "{capital}", "words": "It was focused on the capital. What lies in the band is sharp."},
    {
        "picture": "{capital}", "within": "{nave}", "region": [0.62, 0.3, 0.74, 0.44],
        "caption": "A capital of the arcade",
        "point": [{"mark": "arrow", "at": [0.645, 0.47], "radius": 0.05, "word": "Carved leaf"}], "seconds": 6,
    },
    {
        "picture": "{vault}", "still": True, "seconds": 6, "caption": "The vault",
        "point": [{"mark": "light", "at": [0.5, 0.565], "radius": 0.07, "word": "Boss"}],
    },
    {
        "picture": "{west end}", "before": True, "chapter": "Then and now", "seconds": 8, "caption": "The west end",
    },
    {"picture": "{nave}", "beside": "{west end}", "other": "West", "caption": "East", "seconds": 7},
    {
        "picture": "{south aisle}", "wipe": "{north aisle}", "other": "North aisle", "caption": "South aisle",
        "seconds": 8,
    },
    {
        "picture": "{west end}", "older": "older.jpg", "other": "An older print", "caption": "Today", "seconds": 9,
        "match": [
            {"here": [0.25, 0.25], "there": [0.25, 0.25]}, {"here": [0.75, 0.25], "there": [0.75, 0.25]},
            {"here": [0.75, 0.75], "there": [0.75, 0.75]}, {"here": [0.25, 0.75], "there": [0.25, 0.75]},
        ],
    },
    {"picture": "{south side}", "move": "pan", "seconds": 10, "words": "Of the eight bays, each has its window.",
     "fact": ["bays"]},
    {"clip": "walk.mp4", "sound": "duck", "caption": "Walking west", "words": "So one walks out again."},
    {"clip": "talk.mp4", "spoken": True, "words": "I stood here for an hour, and nobody came by."},
)  # fmt: skip


def write_demo_film(folder: Path) -> Path:
    """Write film/film.toml of the demo, its facts, clips, older picture and recordings; a film there is kept."""
    target = folder / "film" / "film.toml"
    if target.exists():
        return target
    pictures = _pictures(folder)
    target.parent.mkdir(exist_ok=True)
    shots = [dict(_named(shot, pictures)) for shot in SHOTS]
    _older(pictures["west end"], folder / "film" / "older.jpg")
    voice = shutil.which(VOICE)
    _clip(pictures["west end"], folder / "film" / "walk.mp4", _steps(4.0), nearer=1.1)
    if voice is None:
        shots = [shot for shot in shots if not shot.get("spoken")]
    else:
        _spoken(voice, folder, shots, pictures["south arcade"])
    write_atomic(folder / "film" / "facts.toml", FACTS)
    head = {"title": "St Osmerin's, an afternoon", "subtitle": "An invented church, a true light"}
    film = film_from({**head, "credits": ["Photographs: A. N. Other"], "shots": shots}, target)
    write_atomic(target, film_toml(film))
    return target


def kinds_of(film: Film) -> set[str]:
    """Every kind of shot, mark and addition that a film uses."""
    found = {shot.kind for shot in film.shots} | {point.mark for shot in film.shots for point in shot.point}
    for key in ("before", "within", "fact", "spoken", "still", "words_in", "description", "subject", "match"):
        found |= {key} if any(getattr(shot, key) for shot in film.shots) else set()
    return found | {shot.move for shot in film.shots}


def _pictures(folder: Path) -> dict[str, Path]:
    """The demo's pictures by their planned views, at 16:9 where there are such."""
    out = {}
    for name, about in read_abouts(folder / "about.toml").views.items():
        path = named_picture(folder / "pictures", f"{name}_16x9") or named_picture(folder / "pictures", name)
        if path is not None and about.planned:
            out[about.planned] = path
    missing = {word for shot in SHOTS for word in _braced(shot)} - set(out)
    if missing:
        raise UserError(f"{folder}: the demo's film needs pictures of {', '.join(sorted(missing))}; finish it first.")
    return out


def _braced(shot: Mapping[str, object]) -> list[str]:
    return [value[1:-1] for value in shot.values() if isinstance(value, str) and value.startswith("{")]


def _named(shot: Mapping[str, object], pictures: Mapping[str, Path]) -> Mapping[str, object]:
    def filled(value: object) -> object:
        braced = isinstance(value, str) and value.startswith("{")
        return pictures[str(value)[1:-1]].stem if braced else value

    return {key: filled(value) for key, value in shot.items()}


def _older(picture: Path, target: Path) -> None:
    """A faded print of a picture: grey, brown, grainy."""
    image = cv2.imread(str(picture), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise UserError(f"{picture}: cannot be read as a picture.")
    height, width = image.shape
    small = cv2.resize(image, (1280, round(1280 * height / width)), interpolation=cv2.INTER_AREA).astype(np.float32)
    grain = np.random.default_rng(7).normal(0, 9, small.shape).astype(np.float32)
    faded = 50 + 0.62 * small + cv2.GaussianBlur(grain, (0, 0), 0.8)
    brown = faded[..., None] * np.array([0.78, 0.93, 1.0], np.float32)  # blue, green, red
    cv2.imwrite(str(target), np.clip(brown, 0, 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 90])


def _steps(seconds: float) -> NDArray[np.float32]:
    """Footfalls on stone, 48 kHz, one channel."""
    rng = np.random.default_rng(3)
    out = rng.normal(0, 0.002, round(seconds * 48000)).astype(np.float32)
    fall = (rng.normal(0, 1, 4800) * np.exp(-np.arange(4800) / 500)).astype(np.float32)
    dull = np.convolve(fall, np.ones(60) / 60, "same").astype(np.float32)
    for at in np.arange(0.3, seconds - 0.2, _STEP):
        first = round(at * 48000)
        out[first : first + 4800] += 1.2 * dull[: len(out) - first]
    return out


def _clip(picture: Path, target: Path, sound: NDArray[np.float32], nearer: float = 1.0) -> None:
    """A video file of 29.97 frames a second: a picture seen from a hand, with a sound (48 kHz) as long as it.

    `nearer`: how much larger the picture stands at its end than at its beginning, as if one walked up to it.
    """
    image = cv2.imread(str(picture))
    if image is None:
        raise UserError(f"{picture}: cannot be read as a picture.")
    rate, seconds = Fraction(30000, 1001), len(sound) / 48000
    height = min(1080, image.shape[0]) & ~1
    width = round(height * 16 / 9) & ~1
    scale = max(width / image.shape[1], height / image.shape[0]) * 1.06  # the hand needs room
    image = cv2.resize(image, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    count = round(seconds * rate)
    with av.open(str(target), "w") as container:
        video = container.add_stream("libx264", rate=rate, options={"crf": "20", "threads": "2"})
        video.width, video.height, video.pix_fmt = width, height, "yuv420p"
        audio = container.add_stream("aac", rate=48000, layout="mono")
        for k in range(count):
            part = _held(image, (width, height), k / float(rate), nearer ** (k / count))
            frame = av.VideoFrame.from_ndarray(part, format="bgr24")
            frame.pts, frame.time_base = k, 1 / rate
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        for first in range(0, len(sound), 48000):
            block = av.AudioFrame.from_ndarray(sound[None, first : first + 48000], format="fltp", layout="mono")
            block.sample_rate, block.pts, block.time_base = 48000, first, Fraction(1, 48000)
            container.mux(audio.encode(block))
        container.mux(audio.encode(None))


def _held(image: NDArray[np.uint8], size: tuple[int, int], time: float, larger: float) -> NDArray[np.uint8]:
    """What a hand-held camera sees of a picture (H x W x 3) at a time in seconds: `size` pixels of it, enlarged.

    It sways by parts of a pixel from frame to frame, never by whole ones, which would be seen as jolts.
    """
    width, height = size
    sway = 0.008 * height * np.array([math.sin(1.9 * time), 0.5 * math.sin(2 * math.pi * time / _STEP)])
    x, y = np.array([image.shape[1], image.shape[0]]) / 2 + sway / larger
    turn = np.array([[larger, 0, width / 2 - larger * x], [0, larger, height / 2 - larger * y]])
    return np.asarray(cv2.warpAffine(image, turn, size, flags=cv2.INTER_CUBIC), np.uint8)


def _said(voice: str, words: str, target: Path) -> None:
    subprocess.run([voice, "-s", _SPEED, "-g", "2", "-a", "70", "-w", str(target), words], check=True)


def _spoken(voice: str, folder: Path, shots: list[dict[str, object]], picture: Path) -> None:
    """The words of each shot as a recording beside the film, and the spoken clip."""
    from clerestory.film.sound import read_sound

    (folder / "film" / "narration").mkdir(exist_ok=True)
    for number, shot in enumerate(shots, 1):
        words = str(shot.get("words", ""))
        if not words:
            continue
        name = f"narration/shot-{number:02d}.wav"
        _said(voice, words, folder / "film" / name)
        if not shot.get("spoken"):
            shot["narration"] = name
            continue
        heard = read_sound(folder / "film" / name).samples[0]
        quiet = np.random.default_rng(5).normal(0, 0.001, len(heard) + 96000).astype(np.float32)
        quiet[48000 : 48000 + len(heard)] += heard
        _clip(picture, folder / "film" / "talk.mp4", quiet)
        (folder / "film" / name).unlink()


def demo_shots() -> list[Shot]:
    """The shots with a stand-in for each picture, to be looked at without a demo."""
    names = {word: Path(f"{word.replace(' ', '-')}.jpg") for shot in SHOTS for word in _braced(shot)}
    return [Shot.model_validate(_named(shot, names)) for shot in SHOTS]
