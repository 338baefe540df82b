"""A visit packed to be kept for decades: plain files, a plain account of them, and digests in two algorithms.

The package is a bag as of RFC 8493 (BagIt 1.0): payload under data/, manifests of SHA-256 and SHA-512 that any later
program can verify, without this one and without the visit. What is made again from the rest (catalogue, previews) is
left out.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from urllib.parse import quote, unquote

from clerestory import __version__
from clerestory.errors import UserError
from clerestory.files.store import atomic, drop_from_cache, in_words, sweep, write_atomic
from clerestory.run.progress import OnProgress, quiet
from clerestory.visit.check import Difference
from clerestory.visit.folder import VisitFolder

ALGORITHMS = ("sha256", "sha512")
ACCOUNT = "WHAT-IS-WHAT.txt"
DECLARATION = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
_BLOCK = 1 << 20
# What lies where in a visit, for a reader who has never heard of the program.
_KINDS = (
    ("frames", "Original photographs as the camera wrote them (raw files). Never changed."),
    (
        "pictures",
        "Finished pictures, made from the originals: JPEG, and TIFF where asked. Words and rights are inside.",
    ),
    ("exports", "Pictures for a purpose (print, a page, an archive), in a folder for each set of exports.toml."),
    ("recipes", "How each picture was made: plain text, one file a view."),
    ("profiles", "ICC profiles of the papers that the pictures were looked at for."),
    ("film", "The film, its captions, chapters, narration and the text it was made from."),
    ("plan", "The plan of the visit: report, field card, calendar, numbers."),
    ("visit.toml", "The plan's text: building, windows, standing points, views, kit."),
    ("about.toml", "What is said of the pictures: titles, captions, place, maker, rights, leave given, keywords."),
    ("views.toml", "Frames put together or left out by hand."),
    ("exports.toml", "What pictures are exported as: shapes, sizes, colours, names."),
    ("versions.toml", "Recipes kept by name, and controls put on many views."),
    ("facts.toml", "Statements made in the film, with their sources."),
    ("frames.b2sum", "Digests of the originals (BLAKE2b, 256 bits), as b2sum reads them."),
    ("frames.crc32", "Check values of each 16 kB of the originals, by which damage is found."),
    ("learned.toml", "What was learnt of the hands and the cameras' noise."),
)


@dataclass(frozen=True)
class Kept:
    """Packages that were written, each a folder; how many files and bytes they hold, how many were there before."""

    bags: tuple[Path, ...]
    files: int
    bytes: int
    already: int


def _payload(visit: VisitFolder) -> list[Path]:
    """Everything of a visit that is kept, as paths within it, in order."""
    out = []
    for name, _ in _KINDS:
        top = visit.root / name
        found = sorted(top.rglob("*")) if top.is_dir() else [top]
        out += [p for p in found if p.is_file() and not p.is_symlink() and not _passing(p.relative_to(visit.root))]
    if not (visit.root / "frames").is_dir():  # a plain folder of raw files
        out += [
            p for p in sorted(visit.root.iterdir()) if p.is_file() and not p.name.startswith(".") and p not in out
        ]
    return [p.relative_to(visit.root) for p in out]


def _passing(path: Path) -> bool:
    return any(part.startswith(".") for part in path.parts)


def _parts(visit: VisitFolder, files: Sequence[Path], most: int | None) -> list[list[Path]]:
    """Files in as many parts as are needed for none to hold more than `most` bytes; one file is never divided."""
    parts: list[list[Path]] = [[]]
    held = 0
    for path in files:
        size = (visit.root / path).stat().st_size
        if most is not None and parts[-1] and held + size > most:
            parts.append([])
            held = 0
        parts[-1].append(path)
        held += size
    return parts


def keep(
    visit: VisitFolder, target: Path, title: str, part_bytes: int | None = None, on_progress: OnProgress = quiet
) -> Kept:
    """Write the visit as one package, or as several of at most `part_bytes` payload bytes each, and verify it.

    `target`: the package's folder (with -1, -2 ... for several). What is there already and the same is not copied
    again, so that a run broken off goes on; everything is read back from the disk afterwards. UserError where a place
    holds something else, the disk refuses, or gives back other bytes than were written.
    """
    files = _payload(visit)
    if not files:
        raise UserError(f"{visit.root}: holds nothing to be kept; give the folder of a visit.")
    inside = target.resolve()
    if inside == visit.root.resolve() or visit.root.resolve() in inside.parents:
        raise UserError(f"{target}: lies in the visit itself; choose a folder elsewhere, best on another disk.")
    parts = _parts(visit, files, part_bytes)
    total, done, already, size = len(files), 0, 0, 0
    bags = []
    for number, part in enumerate(parts, 1):
        bag = target if len(parts) == 1 else target.with_name(f"{target.name}-{number}")
        digests: dict[Path, tuple[str, ...]] = {}
        _begin(bag)
        for path in part:
            digests[path], fresh = _copied(visit.root / path, bag / "data" / path)
            done, already, size = done + 1, already + (not fresh), size + (visit.root / path).stat().st_size
            on_progress("Packing", done, total)
        _close(bag, title, digests, (number, len(parts)), visit)
        bags.append(bag)
    faults = [fault for bag in bags for fault in verify(bag, on_progress)]
    if faults:
        raise UserError(f"What the disk gives back is not what was written: {faults[0]}. Check the disk.")
    return Kept(tuple(bags), total, size, already)


def _begin(bag: Path) -> None:
    there = [p for p in bag.iterdir() if not p.name.startswith(".")] if bag.is_dir() else []
    if there and not is_bag(bag):
        raise UserError(f"{bag}: is a folder with other things in it; choose a new one.")
    try:
        bag.mkdir(parents=True, exist_ok=True)
        sweep(bag, 0)
        write_atomic(bag / "bagit.txt", DECLARATION)
        (bag / "data").mkdir(exist_ok=True)
    except OSError as problem:
        raise in_words(bag, problem) from problem
    for name in [f"tagmanifest-{a}.txt" for a in ALGORITHMS] + [f"manifest-{a}.txt" for a in ALGORITHMS]:
        (bag / name).unlink(missing_ok=True)  # until it is whole again it says nothing: the last word goes first


def _hashes(path: Path, from_disk: bool = False) -> tuple[str, ...]:
    """Digests of a file by each of ALGORITHMS."""
    states = [hashlib.new(name) for name in ALGORITHMS]
    with path.open("rb") as file:
        if from_disk:
            drop_from_cache(file.fileno())
        while block := file.read(_BLOCK):
            for state in states:
                state.update(block)
    return tuple(state.hexdigest() for state in states)


def _copied(source: Path, copy: Path) -> tuple[tuple[str, ...], bool]:
    """A file's digests, and whether it had to be copied."""
    try:
        wanted = _hashes(source)
        if copy.exists() and copy.stat().st_size == source.stat().st_size and _hashes(copy) == wanted:
            return wanted, False
        copy.parent.mkdir(parents=True, exist_ok=True)
        sweep(copy.parent, 0)
        with source.open("rb") as given, atomic(copy) as out:
            while block := given.read(_BLOCK):
                out.write(block)
        stat = source.stat()
        os.utime(copy, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    except OSError as problem:
        raise in_words(copy, problem) from problem
    return wanted, True


def _close(
    bag: Path, title: str, digests: dict[Path, tuple[str, ...]], count: tuple[int, int], visit: VisitFolder
) -> None:
    """The account, the manifests and the tag files; the last written is what makes the package valid."""
    account = Path(ACCOUNT)
    write_atomic(bag / "data" / account, _account(title, list(digests), count))
    digests = {**digests, account: _hashes(bag / "data" / account)}
    extra = {p for p in (bag / "data").rglob("*") if p.is_file()} - {bag / "data" / p for p in digests}
    for path in extra:  # what was kept by an earlier run and is in the visit no more
        path.unlink()
    for k, algorithm in enumerate(ALGORITHMS):
        lines = "".join(f"{d[k]}  data/{_encoded(p)}\n" for p, d in sorted(digests.items()))
        write_atomic(bag / f"manifest-{algorithm}.txt", lines)
    octets = sum((bag / "data" / p).stat().st_size for p in digests)
    info = {
        "External-Description": title,
        "Bagging-Date": date.today().isoformat(),
        "Payload-Oxum": f"{octets}.{len(digests)}",
        "Bag-Software-Agent": f"Clerestory {__version__}",
    }
    if count[1] > 1:
        info |= {"Bag-Group-Identifier": visit.root.resolve().name, "Bag-Count": f"{count[0]} of {count[1]}"}
    write_atomic(bag / "bag-info.txt", "".join(f"{name}: {value}\n" for name, value in info.items()))
    tags = ["bagit.txt", "bag-info.txt", *(f"manifest-{a}.txt" for a in ALGORITHMS)]
    for k, algorithm in enumerate(ALGORITHMS):
        lines = "".join(f"{_hashes(bag / tag)[k]}  {tag}\n" for tag in tags)
        write_atomic(bag / f"tagmanifest-{algorithm}.txt", lines)


def _encoded(path: Path) -> str:
    """A path as a manifest has it: / between parts; line ends and per cent signs encoded (RFC 8493, 2.1.3)."""
    return re.sub(r"[%\r\n]", lambda found: quote(found[0]), path.as_posix())


def _account(title: str, files: Sequence[Path], count: tuple[int, int]) -> str:
    """What is what, for someone who finds this in fifty years."""
    tops = {path.parts[0] for path in files}
    lines = [
        title,
        "=" * len(title),
        "",
        "Photographs of the inside of a building, with all that was made of them and how.",
        f"Packed on {date.today().isoformat()} by Clerestory {__version__}."
        + (f" This is part {count[0]} of {count[1]}." if count[1] > 1 else ""),
        "",
        *(f"{name}\n    {words}" for name, words in _KINDS if name in tops),
        "",
        "How to see that nothing is lost: in the folder above this one, run  sha256sum -c manifest-sha256.txt  (or",
        "sha512sum -c manifest-sha512.txt), or any program that verifies bags (RFC 8493). The .toml files are plain",
        "text. The raw files are opened by most raw converters; LibRaw is one library that reads them.",
        "",
        f"{len(files)} files:",
        *(f"    {path.as_posix()}" for path in files),
        "",
    ]
    return "\n".join(lines)


# ---- years later


def is_bag(folder: Path) -> bool:
    """Whether a folder says that it is such a package."""
    return (folder / "bagit.txt").is_file()


def _manifest(path: Path) -> dict[str, str]:
    out = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        digest, _, name = line.partition(" ")
        out[unquote(name.lstrip(" *"))] = digest.lower()
    return out


def verify(bag: Path, on_progress: OnProgress = quiet) -> list[Difference]:
    """Everything in a package that is not as its manifests say; empty when all of it is whole. Nothing is changed."""
    return list(_faults(bag, on_progress))


def _faults(bag: Path, on_progress: OnProgress) -> Iterator[Difference]:
    found = [a for a in ALGORITHMS if (bag / f"manifest-{a}.txt").is_file()]
    if not found:
        yield Difference(bag, "has no manifest: it was never finished; pack the visit again into it", grave=True)
        return
    try:
        lists = {a: _manifest(bag / f"manifest-{a}.txt") for a in found}
        tags = {a: _manifest(path) for a in found if (path := bag / f"tagmanifest-{a}.txt").is_file()}
    except (OSError, UnicodeDecodeError) as problem:
        yield Difference(bag, f"a manifest cannot be read ({problem}); bring it back from a copy", grave=True)
        return
    names = sorted({name for listed in (*lists.values(), *tags.values()) for name in listed})
    for done, name in enumerate(names, 1):
        path = bag / name
        if ".." in Path(name).parts or Path(name).is_absolute():
            yield Difference(bag, f"its manifest names {name}, which lies outside", grave=True)
        elif not path.is_file():
            yield Difference(path, "is missing; bring it back from a copy", grave=True)
        else:
            try:
                now = dict(zip(ALGORITHMS, _hashes(path, from_disk=True), strict=True))
            except OSError as problem:
                yield Difference(path, f"cannot be read ({problem.strerror}); bring it back from a copy", grave=True)
                continue
            said = {a: listed[name] for each in (lists, tags) for a, listed in each.items() if name in listed}
            if any(now[a] != digest for a, digest in said.items()):
                yield Difference(path, "is not what it was when it was packed; bring it back from a copy", grave=True)
        on_progress("Verifying", done, len(names))
    listed = set(names)
    for path in sorted((bag / "data").rglob("*")):
        if path.is_file() and path.relative_to(bag).as_posix() not in listed:
            yield Difference(path, "is in no manifest: it was laid here afterwards")
