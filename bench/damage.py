"""Damaged files by the thousand: frames, sound and every text a visit holds.

    python bench/damage.py [--frames 4000] [--forms 2000] [--sound 1500] [--texts 14500] [--seed 1]

`--forms`: raws that are no Bayer mosaics, of two calibrations, with requests to their reader, and phones' pictures.

Prints how the readers ended. Must be none: a crash of the main process, an error that is no clear line, a text that
takes longer than `TEXT_SECONDS`, a file opened for writing outside the visit. What failed in a way worth keeping is
named by its kind and seed in faults_seeds.json and is tried again first at every run.
"""

from __future__ import annotations

import argparse
import collections
import io
import json
import os
import random
import struct
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime
from importlib.resources import files
from pathlib import Path
from typing import Any

import av
import numpy as np
import pillow_heif
import tifffile
from PIL import Image

from clerestory.building.model import read_footprint
from clerestory.develop.wide_demosaic import CELL
from clerestory.errors import UserError
from clerestory.files.tiff import RATIONAL, SHORT, SRATIONAL, UNDEFINED, numbers, rationals
from clerestory.film.model import read_film
from clerestory.film.script import read_script
from clerestory.film.sound import faults as sound_faults
from clerestory.film.sound import read_sound
from clerestory.finish.bright import with_gain_map
from clerestory.finish.recipe import read_recipe
from clerestory.finish.source import full_size, read_source
from clerestory.plan.model import read_learned, read_visit
from clerestory.raw.describe import described
from clerestory.raw.dng import DngMeta, write_dng
from clerestory.raw.inspect import inspect_file
from clerestory.run.isolated import map_isolated
from clerestory.visit.about import read_abouts
from clerestory.visit.folder import read_digests
from clerestory.visit.hand import read_hand
from faults import small_dng

RAWS = Path(__file__).resolve().parents[2] / "shared" / "data" / "raws"
SEEDS = Path(__file__).with_name("faults_seeds.json")
TEXT_SECONDS = 5.0
SECONDS = 30.0  # a frame or recording; longer counts as a hang
Kinds = list[tuple[str, bytes]]


def bases(folder: Path) -> list[tuple[str, bytes]]:
    """Good files to damage: invented ones, and real raws where they are at hand."""
    small_dng(folder / "base.dng", 7)
    out = [("dng", (folder / "base.dng").read_bytes())] * 6
    grey = (np.random.default_rng(2).random((90, 120, 3)) * 255).astype(np.uint8)
    jpeg = io.BytesIO()
    Image.fromarray(grey).save(jpeg, "JPEG")
    tifffile.imwrite(folder / "base.tif", grey.astype(np.uint16) * 257, photometric="rgb")
    out += [("jpg", jpeg.getvalue()), ("tif", (folder / "base.tif").read_bytes())]
    if RAWS.is_dir():
        out += [(p.suffix[1:].lower(), p.read_bytes()) for p in sorted(RAWS.glob("*.*"))]
    return out


def forms(folder: Path) -> list[tuple[str, bytes]]:
    """Good files of every other form: monochrome, three values a pixel, 6 x 6, two calibrations, bad pixels and black
    by row asked for, a JPEG with a gain map, HEIC."""
    rng, grey = np.random.default_rng(5), [0.8, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6]
    names = ("Fennimark", "Alder", "17", "Fennimark 13-37 mm", datetime(2031, 6, 1, 10))
    more: dict[str, list[Any]] = {
        "two": [numbers(50779, SHORT, 17), rationals(50722, SRATIONAL, *grey), rationals(50727, RATIONAL, 1, 1, 1),
                *(rationals(tag, SRATIONAL, *np.eye(3).ravel()) for tag in (50723, 50724)),
                *(rationals(tag, SRATIONAL, *(np.eye(3) * [0.9642, 1, 0.8249]).ravel()) for tag in (50964, 50965))],
        "asks": [(51008, UNDEFINED, 48, struct.pack(">12I", 1, 5, 0x01030000, 1, 28, 0, 2, 0, 9, 9, 4, 4)),
                 rationals(50716, SRATIONAL, *np.linspace(-2, 2, 240))],
    }  # fmt: skip
    cells = {"mono": None, "linear": None, "6x6": CELL.tolist(), "two": ((0, 1), (1, 2)), "asks": ((0, 1), (1, 2))}
    out = []
    for name, cell in cells.items():
        shape = (240, 320, 3) if name == "linear" else (240, 320)
        raw = np.clip(rng.normal(800, 60, shape) + np.linspace(0, 900, 320).reshape(1, 320, *[1] * (len(shape) - 2)),
                      64, 4095).astype(np.uint16)  # fmt: skip
        meta = DngMeta(*names, 1 / 50, 4.0, 800, 12.0, 24.0, 64, 4095, np.reshape(grey, (3, 3)).tolist(),
                       (0.5, 1.0, 0.6), (17.3, 13.0), pattern=cell, more=more.get(name, ()))  # fmt: skip
        write_dng(folder / f"{name}.dng", raw, meta)
        out.append(("dng", (folder / f"{name}.dng").read_bytes()))
    picture, jpeg = Image.fromarray((rng.random((90, 120, 3)) * 255).astype(np.uint8)), io.BytesIO()
    picture.save(jpeg, "JPEG")
    out.append(("jpg", with_gain_map(jpeg.getvalue(), (rng.random((90, 120, 3)) * 255).astype(np.uint8))))
    pillow_heif.from_pillow(picture).save(folder / "base.heic")
    return [*out, ("heic", (folder / "base.heic").read_bytes())]


def developed(path: Path) -> tuple[int, ...]:
    """Looked at, described, and developed to linear colour, which is as far as a file of strangers can reach."""
    inspect_file(path)
    described(path)
    source = read_source(path)
    balance = source.mosaic.as_shot if source.mosaic is not None else None
    return full_size(source, balance or (1.0, 1.0, 1.0), 1.0, "fast", lambda _: None).shape


def _flip(data: bytearray, rng: random.Random) -> None:
    reach = min(len(data), rng.choice((512, 4096, len(data))))
    for _ in range(rng.choice((1, 3, 12, 64))):
        data[rng.randrange(reach)] ^= 1 << rng.randrange(8)


def _cut(data: bytearray, rng: random.Random) -> None:
    del data[rng.randrange(len(data)) :]


def _swap(data: bytearray, rng: random.Random) -> None:
    """Exchange two directory entries' values (12 bytes each from byte 10 on in a plain TIFF)."""
    a, b = (10 + 12 * rng.randrange(30) for _ in range(2))
    data[a + 2 : a + 12], data[b + 2 : b + 12] = data[b + 2 : b + 12], data[a + 2 : a + 12]


def _giant(data: bytearray, rng: random.Random) -> None:
    """A directory value (or any aligned word of the head) becomes huge."""
    place = 10 + 12 * rng.randrange(30) + 8
    data[place : place + 4] = struct.pack("<I", rng.choice((0, 1, 65535, 100_000, 0x7FFFFFFF, 0xFFFFFFFF)))


def _blank(data: bytearray, rng: random.Random) -> None:
    start = rng.randrange(len(data))
    size = rng.choice((16, 512, 65536))
    data[start : start + size] = bytes([rng.choice((0, 255))]) * len(data[start : start + size])


def damaged(kinds: list[tuple[str, bytes]], seed: int) -> tuple[str, bytes]:
    """The file of one seed: its ending and its bytes."""
    rng = random.Random(seed)
    ending, whole = kinds[rng.randrange(len(kinds))]
    data = bytearray(whole)
    for _ in range(rng.choice((1, 1, 2))):
        rng.choice((_flip, _flip, _cut, _swap, _giant, _blank))(data, rng)
    return ending, bytes(data)


def how(reason: str) -> str:
    """The class of one ending."""
    for word, name in (("crashed", "decoder crashed"), ("longer than", "over time"), ("MB allowed", "over memory"),
                       ("decoder stopped", "decoder stopped")):  # fmt: skip
        if word in reason:
            return name
    return "NOT FORESEEN" if "cannot be read (" in reason and "Error:" in reason else "refused with a reason"


class Kept:
    """Seeds of what failed in a way worth keeping, by kind."""

    def __init__(self) -> None:
        found = json.loads(SEEDS.read_text()) if SEEDS.exists() else []
        self.seeds = {(str(k.get("kind", "frame")), int(k["seed"])): str(k["end"]) for k in found}

    def of(self, kind: str) -> list[int]:
        return [seed for known, seed in self.seeds if known == kind]

    def write(self) -> None:
        rows = [{"kind": k, "seed": s, "end": e} for (k, s), e in sorted(self.seeds.items())]
        SEEDS.write_text("[\n" + ",\n".join(json.dumps(row) for row in rows) + "\n]\n")


def sound_length(path: Path) -> float:
    """Seconds of a recording, read and checked as the film does."""
    recording = read_sound(path)
    sound_faults(recording)
    return recording.seconds


def sounds(folder: Path) -> Kinds:
    """Good recordings in the usual forms."""
    rng = np.random.default_rng(4)
    wave = (rng.standard_normal(48000) * 3000).astype(np.int16)
    out = []
    for name, codec in (("wav", "pcm_s16le"), ("flac", "flac"), ("mp3", "mp3"), ("m4a", "aac"), ("ogg", "libvorbis")):
        path = folder / f"base.{name}"
        try:
            with av.open(path, "w") as container:
                stream = container.add_stream(codec, rate=48000, layout="mono")
                resampler = av.AudioResampler(stream.format, "mono", 48000)
                frame = av.AudioFrame.from_ndarray(wave[None], format="s16", layout="mono")
                frame.sample_rate = 48000
                for part in resampler.resample(frame):
                    container.mux(stream.encode(part))
                container.mux(stream.encode(None))
        except (av.FFmpegError, ValueError):
            continue
        out.append((name, path.read_bytes()))
    return out


def decode(
    kind: str, kinds: Kinds, reader: Callable[..., Any], count: int, first: int, kept: Kept, folder: Path
) -> dict[str, int]:
    """Damaged files through a decoder in worker processes; how they ended."""
    ends: collections.Counter[str] = collections.Counter()
    for number, (ending, data) in enumerate(kinds):  # whole, so that a worker's time is not spent on compiling
        path = folder / f"good-{number}.{ending}"
        path.write_bytes(data)
        reader(path)
        path.unlink()
    seeds = [*kept.of(kind), *range(first, first + count)]
    for start in range(0, len(seeds), 200):
        batch, paths = seeds[start : start + 200], []
        for seed in batch:
            ending, data = damaged(kinds, seed)
            paths.append(folder / f"{seed}.{ending}")
            paths[-1].write_bytes(data)
        for outcome in map_isolated(reader, [(p,) for p in paths], 2, SECONDS, 1024):
            end = "read" if outcome.ok else how(outcome.reason)
            ends[end] += 1
            if end not in ("read", "refused with a reason"):
                kept.seeds[kind, batch[outcome.index]] = end
                if end == "NOT FORESEEN":
                    print(f"  {kind}, seed {batch[outcome.index]}: {outcome.reason}")
        for path in paths:
            path.unlink()
    return dict(ends)


GEO = {
    "type": "FeatureCollection",
    "features": [{"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [
        [[1.0, 52.0], [1.001, 52.0], [1.001, 52.0003], [1.0, 52.0003], [1.0, 52.0]]]}}],
}  # fmt: skip
SCRIPT = """---
narration: take.wav
words_a_minute: 130
---
# Saint Ælfwyn's, an afternoon

Light by the hour

## The nave
![The nave, looking east](../pictures/nave.tif "push, 8 s, cut")
The builders of this nave had no drawings, only rope & chalk.

![North aisle](../pictures/aisle.jpg "pan right")
## Credits
- Photographs: A. Reader
"""
FILM = """title = "An afternoon"
narration = "take.wav"
[[shots]]
picture = "nave"
words = "A long wall, and seven windows in it."
move = "push"
towards = [0.4, 0.5]
seconds = 9.5
[[shots]]
picture = "aisle"
join = "cut"
before = true
"""
RECIPE = """exposure = 0.3
window_hold = 3.0
plumb = 0.9
aspect = "16:9"
crop = [0.1, -0.2]
pick = "20310601-100000_P0000.dng"
"""
ABOUT = '[visit]\ntitle = "Nave"\nkeywords = ["a", "b"]\n[views.view-01]\ncaption = "x"\n'
HAND = 'nave = ["20310601-100000_P0000.dng", "20310601-100001_P0001.dng"]\n"view-02" = ["b.dng"]\n'
LEARNED = """[hands]
t0_stops = 1.9
slope = 0.6
t0_error = 0.1
frames = 300
sharp = 147
[[camera]]
name = "One"
[[camera.noise]]
iso = 200.0
range = 3839.0
gain = [0.2, 0.2, 0.2, 0.2]
read = [0.6, 0.8, 0.8, 0.7]
frames = 3
"""
DIGESTS = "".join(f"{i:064x}  frames/20310601-10000{i}_P000{i}.dng\n" for i in range(4))


def texts() -> dict[str, tuple[str, Callable[[Path], Any], str, int]]:
    """Kinds of text: the file's name, its reader, a good one, and its share of the count."""
    example = files("clerestory.plan").joinpath("example.toml").read_text()
    return {
        "visit": ("visit.toml", read_visit, example, 6),
        "about": ("about.toml", read_abouts, ABOUT, 3),
        "recipe": ("view-01.toml", read_recipe, RECIPE, 4),
        "hand": ("views.toml", lambda path: read_hand(path.parent), HAND, 2),
        "footprint": ("footprint.geojson", read_footprint, json.dumps(GEO), 4),
        "script": ("script.md", read_script, SCRIPT, 4),
        "film": ("film.toml", read_film, FILM, 4),
        "learned": ("learned.toml", read_learned, LEARNED, 1),
        "digests": ("frames.b2sum", read_digests, DIGESTS, 1),
    }


def _number(text: str, rng: random.Random) -> str:
    """A number becomes another, giant, none, or of another kind."""
    parts = [i for i, c in enumerate(text) if c.isdigit()]
    if not parts:
        return text
    at = rng.choice(parts)
    other = rng.choice(
        ("1e308", "-1", "0", "nan", "inf", "9" * 400, "1e-320", "true", '"x"', "[]", "{}", "0x7f", "null")
    )
    return text[:at] + other + text[at + 1 :]


def _lines(text: str, rng: random.Random) -> str:
    """Lines exchanged, doubled or dropped: swapped and repeated keys and tables."""
    lines = text.split("\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.randrange(3)
    if what == 0:
        lines[a], lines[b] = lines[b], lines[a]
    elif what == 1:
        lines.insert(b, lines[a])
    else:
        del lines[a]
    return "\n".join(lines)


def _deep(text: str, rng: random.Random) -> str:
    """Nesting beyond reason."""
    depth = rng.choice((50, 1000, 20_000, 200_000))
    start, end = rng.choice(
        (("[", "]"), ('{"a":', "}"), ("a.", "b=1"), ("{a=", "}"), ("> ", ""), ("<!--", ""), ("![", "]"))
    )
    at = rng.randrange(len(text) + 1)
    return text[:at] + rng.choice(("", "\nx = ", "\n")) + start * depth + rng.choice((end, "")) + text[at:]


def _words(text: str, rng: random.Random) -> str:
    """Names that lead elsewhere, controls, signs no font has."""
    at = rng.randrange(len(text) + 1)
    word = rng.choice(("../../../../etc/passwd", "/dev/zero", "\0", "\ud7ff\uffff", "\u202e", "%s%n", "A" * 100_000,
                       "\r", "\t", '"', "'", '"""', "\\u0000", "\\", "\ufeff", "a" * 300 + ".tif"))  # fmt: skip
    return text[:at] + word + text[at:]


def damaged_text(good: str, seed: int) -> bytes:
    """The text of one seed."""
    rng = random.Random(seed)
    text = good
    for _ in range(rng.choice((1, 1, 2, 3))):
        text = rng.choice((_number, _number, _lines, _words, _deep))(text, rng) if text else good
    data = bytearray(text.encode("utf-8", "surrogatepass"))
    if rng.random() < 0.4 and data:
        rng.choice((_flip, _cut, _blank))(data, rng)
    return bytes(data)


class Watch:
    """Sees every file opened for writing, renamed or removed outside a folder."""

    def __init__(self, inside: Path) -> None:
        self.inside, self.on, self.outside = str(inside), False, []
        sys.addaudithook(self.heard)

    outside: list[str]

    def heard(self, event: str, arguments: tuple[Any, ...]) -> None:
        if not self.on:
            return
        writes = event == "open" and isinstance(arguments[2], int) and arguments[2] & (os.O_WRONLY | os.O_RDWR)
        if writes or event in ("os.rename", "os.remove", "os.mkdir", "os.link", "os.symlink", "shutil.rmtree"):
            path = "" if isinstance(arguments[0], int) else str(Path(os.fsdecode(arguments[0])).absolute())
            if path and not path.startswith(self.inside):
                self.outside.append(f"{event} {path}")


def read_texts(count: int, first: int, kept: Kept, folder: Path) -> dict[str, collections.Counter[str]]:
    """Damaged texts read in this very process; how they ended, by kind."""
    watch = Watch(folder)
    kinds = texts()
    whole = sum(share for *_, share in kinds.values())
    out = {}
    for kind, (name, reader, good, share) in kinds.items():
        ends: collections.Counter[str] = collections.Counter()
        path, slowest = folder / name, 0.0
        path.write_text(good)
        reader(path)  # the good one is
        for seed in [*kept.of(kind), *range(first, first + count * share // whole)]:
            path.write_bytes(damaged_text(good, seed))
            start = time.perf_counter()
            watch.on = True
            try:
                reader(path)
                end = "read"
            except UserError:
                end = "refused with a reason"
            except Exception as problem:
                end = "NOT FORESEEN"
                print(f"  {kind}, seed {seed}: {type(problem).__name__}: {str(problem)[:160]}")
            watch.on = False
            took = time.perf_counter() - start
            if took > TEXT_SECONDS:
                end = "OVER TIME"
                print(f"  {kind}, seed {seed}: {took:.1f} s")
            slowest = max(slowest, took)
            ends[end] += 1
            if end.isupper():
                kept.seeds[kind, seed] = end
        path.unlink()
        ends["slowest, ms"] = round(slowest * 1000)
        out[kind] = ends
    if watch.outside:
        print("  WRITTEN OUTSIDE:", *watch.outside[:20])
    out["written outside"] = collections.Counter({"WRITTEN OUTSIDE": len(watch.outside)})
    return out


def main() -> None:
    """Print the tables; exit status 1 when something that must be none is not."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--frames", type=int, default=4000)
    asked.add_argument("--forms", type=int, default=2000)
    asked.add_argument("--sound", type=int, default=1500)
    asked.add_argument("--texts", type=int, default=14500)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    first, kept, bad = given.seed * 1_000_000, Kept(), 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "visit"
        folder.mkdir()
        start = time.perf_counter()
        for kind, ends in read_texts(given.texts, first, kept, folder).items():
            print(f"{kind:>16}: {dict(ends)}", flush=True)
            bad += sum(n for end, n in ends.items() if end.isupper())
        print(f"texts in {time.perf_counter() - start:.0f} s", flush=True)
        for kind, made, reader, count in (
            ("form", forms, developed, given.forms),
            ("sound", sounds, sound_length, given.sound),
            ("frame", bases, inspect_file, given.frames),
        ):
            start = time.perf_counter()
            ends = decode(kind, made(folder), reader, count, first, kept, folder)
            print(f"{kind:>16}: {ends}, {time.perf_counter() - start:.0f} s", flush=True)
            bad += ends.get("NOT FORESEEN", 0)
    kept.write()
    print("crashes of the main process: 0")
    sys.exit(1 if bad else 0)


if __name__ == "__main__":
    main()
