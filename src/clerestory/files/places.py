"""Folders of the user that the program may keep things in, and drives, each where the system has them."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path

from platformdirs import user_cache_path, user_data_path, user_pictures_path


def cache_folder() -> Path:
    """The user's folder for what can be made again; neither it nor its parents need be there yet.

    Linux: ~/.cache/clerestory or below $XDG_CACHE_HOME (XDG Base Directory Specification); macOS: Library/Caches;
    Windows: AppData/Local.
    """
    return user_cache_path("clerestory", appauthor=False)


def data_folder() -> Path:
    """The user's folder for what the program remembers between two starts; it need not be there yet.

    Linux: ~/.local/share/clerestory or below $XDG_DATA_HOME; macOS: Library/Application Support; Windows:
    AppData/Local.
    """
    return user_data_path("clerestory", appauthor=False)


def pictures_folder() -> Path:
    """Where the user keeps pictures, as the system has it; the home folder where there is no such folder."""
    try:
        found = user_pictures_path()
    except (OSError, KeyError, ValueError):
        return Path.home()
    return found if found.is_dir() else Path.home()


@dataclass(frozen=True)
class Drive:
    """A disk, stick or card: where it is, what it is called, whether it can be taken out."""

    path: Path
    name: str
    removable: bool

    @property
    def card(self) -> bool:
        """Whether a camera has written on it: it has a folder DCIM (CIPA DC-009, Design rule for Camera File
        system)."""
        try:
            return any(entry.name.upper() == "DCIM" and entry.is_dir() for entry in os.scandir(self.path))
        except OSError:
            return False


def _mount_roots() -> list[Path]:
    """Folders below which the system puts drives: those of a desktop (by the user's name) and the plain ones."""
    if sys.platform == "darwin":
        return [Path("/Volumes")]
    name = os.environ.get("USER") or os.environ.get("LOGNAME") or Path.home().name
    return [Path("/run/media") / name, Path("/media") / name, Path("/media"), Path("/mnt")]


def drives() -> list[Drive]:
    """The drives that are there now, beside the one that the home folder is on.

    Linux: what is mounted below /run/media, /media (both for what can be taken out) and /mnt; macOS: what lies below
    /Volumes; Windows: the drives with a letter.
    """
    if sys.platform == "win32":
        return _lettered()
    out: dict[Path, Drive] = {}
    for root in _mount_roots():
        try:
            below = sorted(root.iterdir())
        except OSError:
            continue
        for path in below:
            # macOS has the system's own disk there as a link.
            if not path.is_symlink() and _mounted(path):
                out.setdefault(path, Drive(path, path.name, root.name != "mnt"))
    return list(out.values())


def _mounted(path: Path) -> bool:
    try:
        return path.is_dir() and os.path.ismount(path)
    except OSError:
        return False


def _lettered() -> list[Drive]:
    """Windows' drives with a letter; which can be taken out by GetDriveTypeW (Microsoft, fileapi.h: 2 removable, 5
    a disc)."""
    if sys.platform != "win32":
        return []
    import ctypes

    kernel = ctypes.WinDLL("kernel32")
    there = int(kernel.GetLogicalDrives())
    out = []
    for number in range(26):
        if there >> number & 1:
            root = f"{chr(65 + number)}:\\"
            kind = int(kernel.GetDriveTypeW(root))
            if kind > 1:
                out.append(Drive(Path(root), root[:2], kind in (2, 5)))
    return out
