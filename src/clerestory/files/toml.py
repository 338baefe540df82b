"""TOML from strangers: read within limits, refused with one clear sentence."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from clerestory.errors import UserError

LARGEST = 1 << 20  # bytes; a visit's files are some thousands
_DEEPEST = 400  # dots in one key: the time to read a key grows with the square of its parts


def read_toml(path: Path) -> dict[str, Any] | None:
    """The content of a TOML file; None when there is none. UserError when it cannot be read or is not TOML."""
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST + 1)
    except FileNotFoundError:
        return None
    except OSError as problem:
        raise UserError(f"{path}: cannot be read ({problem.strerror}).") from problem
    if len(data) > LARGEST:
        raise UserError(f"{path}: is larger than {LARGEST >> 20} MB, which no such file is; is it the right one?")
    try:
        return parse_toml(data.decode("utf-8-sig"), path)
    except UnicodeDecodeError as problem:
        raise UserError(f"{path}: is not valid TOML ({problem}); correct that line.") from problem


def parse_toml(text: str, path: Path) -> dict[str, Any]:
    """The content of a TOML text; `path` is for the message of the UserError when it is not TOML."""
    try:
        if max((part.count(".") for part in re.split("[\\n={,]", text)), default=0) > _DEEPEST:
            raise UserError(f"{path}: has a key of more than {_DEEPEST} parts; it is damaged.")
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise UserError(f"{path}: is not valid TOML ({problem}); correct that line.") from problem
