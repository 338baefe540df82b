"""Folders of the user that the program may keep things in, each where the system wants it."""

from __future__ import annotations

from pathlib import Path

from platformdirs import user_cache_path


def cache_folder() -> Path:
    """The user's folder for what can be made again; neither it nor its parents need be there yet.

    Linux: ~/.cache/clerestory or below $XDG_CACHE_HOME (XDG Base Directory Specification); macOS: Library/Caches;
    Windows: AppData/Local.
    """
    return user_cache_path("clerestory", appauthor=False)
