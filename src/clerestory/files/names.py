"""Names of files and folders that every system takes, made from words.

The strictest rules are Windows' (Microsoft, "Naming Files, Paths, and Namespaces"): none of `<>:"/\\|?*` nor control
characters, no space or full stop at the end, and none of the names that mean a device, with or without an ending.
Windows and macOS do not tell capitals from small letters, and macOS not composed letters from letters with accents
set beside them (Unicode normal forms C and D), so that names which differ only so are one name there.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Container
from pathlib import Path
from urllib.parse import quote

LONGEST = 120
"""Bytes of UTF-8 in a name made from words: file systems take 255 (ext4, APFS; NTFS counts UTF-16 units), from which
endings, the marks of temporary files, and on Windows the folders before it (260 characters in all) are left room."""
_ILLEGAL = re.compile(r'[<>:"/\\|?*\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]+')
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", "conin$", "conout$"}
    | {f"{port}{n}" for port in ("com", "lpt") for n in "123456789¹²³"}
)


def cut(text: str, most: int) -> str:
    """The start of a text that takes at most `most` bytes as UTF-8; no letter is cut in two."""
    return text.encode("utf-8", "surrogatepass")[:most].decode("utf-8", "ignore")


def legal_name(words: str) -> str:
    """Words as a name that every system takes; words that are such a name already come back as they are.

    What no name may hold becomes a hyphen. A full stop in front, which hides a file, is taken off. Different words
    may give one name: see `folded`.
    """
    name = _ILLEGAL.sub("-", unicodedata.normalize("NFC", words))
    name = re.sub(r"[\s.]+$", "", cut(re.sub(r"^[\s.]+", "", name), LONGEST))
    stem, dot, ending = name.partition(".")
    if stem.rstrip().casefold() in _DEVICES:
        name = f"{stem.rstrip()}_{dot}{ending}"
    return name or "unnamed"


def in_count(name: str) -> str:
    """A name to sort by, so that numbers in names count: "nave 2" before "nave 10", which "nave 1" is before."""
    return re.sub(r"[0-9]+", lambda number: number.group().zfill(20), name)


def folded(name: str) -> str:
    """What two names have in common that are one name on some system."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFD", name).casefold())


def free_name(name: str, taken: Container[str]) -> str:
    """The name, or with -2, -3 and so on before its ending, so that it is not among `taken`, which are `folded`."""
    stem, dot, ending = name.rpartition(".")
    if not stem:
        stem, dot, ending = name, "", ""
    tried, number = name, 1
    while folded(tried) in taken:
        number += 1
        tried = f"{stem}-{number}{dot}{ending}"
    return tried


def relative_url(path: Path, folder: Path) -> str:
    """A file as a URL reference from a folder (RFC 3986); a whole file: URL where it lies on another drive."""
    path = path.resolve()
    try:
        return quote(os.path.relpath(path, folder.resolve()).replace(os.sep, "/"))
    except ValueError:  # Windows: no way leads from one drive to another
        return path.as_uri()
