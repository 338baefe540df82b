"""Files that are either the old or the new, never a half; digests that tell one from the other."""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import BinaryIO

from clerestory.errors import UserError
from clerestory.files.names import cut

DIGEST_BYTES = 32
PART = ".part"  # suffix of temporary files; any that a crash left behind may be deleted
_BLOCK = 1 << 20
_PATIENCE = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)  # seconds; virus scanners and indexers let go within one or two
# Windows' own codes where they tell more than the errno they are given (Microsoft, System Error Codes).
_WINDOWS = {
    19: "the disk is write-protected; choose another folder",
    21: "the disk is gone; was a disk or card taken out?",
    32: "another program has it open; close it there and run again",
    33: "another program has it open; close it there and run again",
}


def sync_folder(folder: Path) -> None:
    """Make renames in a folder durable: fsync of the directory (POSIX). Windows has none, and writes them itself."""
    if sys.platform != "win32":
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            with contextlib.suppress(OSError):  # some network file systems cannot sync a directory
                os.fsync(handle)
        finally:
            os.close(handle)


def sync_file(path: Path) -> None:
    """Make what was written to a file durable. It is opened for writing, which Windows asks for."""
    with path.open("r+b") as file:
        os.fsync(file.fileno())


def drop_from_cache(handle: int) -> None:
    """Let the system forget what it remembers of an open file, so that it is read from the disk. Linux only."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError):
            os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)


def replace(source: Path, target: Path) -> None:
    """Give a file the name `target`, in place of any that has it. On Windows that is refused while somebody reads
    that one, and tried again for a second and a half."""
    if sys.platform == "win32":
        for pause in _PATIENCE:
            try:
                source.replace(target)
                return
            except PermissionError:
                time.sleep(pause)
    source.replace(target)


def settle(temporary: Path, final: Path) -> None:
    """Make a file read-only and give it a name that no file has; FileExistsError when one has it."""
    if sys.platform == "win32":
        temporary.rename(final)  # refuses by itself; a read-only file could not lose its second name here
        final.chmod(0o444)
        return
    temporary.chmod(0o444)
    try:
        os.link(temporary, final)
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if final.exists():
            raise FileExistsError(errno.EEXIST, "File exists", str(final)) from None
        temporary.replace(final)
    sync_folder(final.parent)


def in_words(path: Path, problem: OSError) -> UserError:
    """The system's refusal to write, as one clear sentence."""
    reason = {
        errno.ENOSPC: "the disk is full; make room and try again",
        getattr(errno, "EDQUOT", -1): "the quota is used up; make room and try again",
        errno.EROFS: "the disk is read-only; choose another folder",
        errno.EACCES: "writing there is not allowed; choose another folder or change its permissions",
        errno.EPERM: "writing there is not allowed; choose another folder or change its permissions",
        errno.EIO: "the disk reports an error; check the disk or card and its cable",
        errno.ENOENT: "the folder is gone; was a disk or card taken out?",
        errno.ENODEV: "the disk is gone; was a disk or card taken out?",
        errno.ENOTDIR: "a part of this path is a file, not a folder",
    }.get(problem.errno or 0, problem.strerror or str(problem))
    reason = _WINDOWS.get(getattr(problem, "winerror", None) or 0, reason)
    return UserError(f"{path}: cannot be written: {reason}. Nothing half-written was left.")


@contextlib.contextmanager
def atomic(path: Path) -> Iterator[BinaryIO]:
    """A binary file to write; when the block ends well it is synced and takes the name `path`, else it is gone.

    Raises UserError with a clear sentence when the disk refuses.
    """
    path = Path(path)
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{cut(path.name, 100)}.", suffix=PART, dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        if sys.platform != "win32":  # there a file has the rights of its folder
            mask = os.umask(0)
            os.umask(mask)
            temporary.chmod(0o666 & ~mask)
        replace(temporary, path)
        temporary = None
        sync_folder(path.parent)
    except OSError as problem:
        raise in_words(path, problem) from problem
    finally:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()


def write_atomic(path: Path, data: bytes | str) -> None:
    """Write a whole file (text as UTF-8): a reader, or a crash at any moment, sees the old one or the new one."""
    with atomic(path) as file:
        file.write(data.encode() if isinstance(data, str) else data)


def digest_bytes(data: bytes) -> str:
    """BLAKE2b (RFC 7693), 32 bytes, in hexadecimal."""
    return hashlib.blake2b(data, digest_size=DIGEST_BYTES).hexdigest()


def digest_of(path: Path, on_progress: Callable[[int], None] | None = None) -> str:
    """BLAKE2b digest of a file's content; `on_progress` hears the number of bytes of each block read."""
    state = hashlib.blake2b(digest_size=DIGEST_BYTES)
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            state.update(block)
            if on_progress is not None:
                on_progress(len(block))
    return state.hexdigest()


def sweep(folder: Path, older_than: float = 3600.0) -> int:
    """Delete temporary files that a crash left in a folder (not below it), `older_than` seconds; how many.

    Younger ones may be another process's work in hand.
    """
    gone = 0
    if folder.is_dir():
        for path in leftovers(folder, older_than):
            with contextlib.suppress(OSError):
                path.unlink()
                gone += 1
    return gone


def leftovers(folder: Path, older_than: float = 3600.0) -> list[Path]:
    """Temporary files in a folder (not below it) not written to for `older_than` seconds."""
    out = []
    for path in sorted(folder.glob(f".*{PART}")):
        with contextlib.suppress(OSError):
            if time.time() - path.stat().st_mtime >= older_than:
                out.append(path)
    return out
