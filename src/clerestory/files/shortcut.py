"""An icon that starts the program without a terminal: in the menu of applications, or on the desktop.

Linux: a file .desktop in the user's applications (freedesktop.org, Desktop Entry Specification 1.5; Desktop Menu
Specification for the categories; Icon Theme Specification for where the icon lies). macOS: an application bundle of
three files in ~/Applications (Apple, Bundle Programming Guide). Windows: a shortcut on the desktop by WScript.Shell
(Microsoft, Windows Script Host), or a .bat file where that cannot be had. All of it is the user's own: no rights of
an administrator are asked for, and taking it away leaves nothing.
"""

from __future__ import annotations

import os
import plistlib
import shlex
import shutil
import stat
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

from platformdirs import user_data_path, user_desktop_path

from clerestory.errors import UserError
from clerestory.files.store import in_words, write_atomic

NAME = "Clerestory"
COMMENT = "Plan and finish photographs of church interiors"
_ENTRY = "clerestory.desktop"
# The program's window module, where the script that the installation made is not beside this Python.
_MODULE = "clerestory.web.launch"
_SECONDS = 60  # for PowerShell, which is slow to begin on a cold machine


def command() -> list[str]:
    """What starts the program without a terminal: the installed script beside this Python, else the module."""
    ending = ".exe" if sys.platform == "win32" else ""
    script = Path(sys.executable).parent / f"clerestory-start{ending}"
    if script.exists():
        return [str(script)]
    python = Path(sys.executable)
    windowless = python.with_name("pythonw.exe")
    return [str(windowless if sys.platform == "win32" and windowless.exists() else python), "-m", _MODULE]


def add_shortcut() -> list[str]:
    """Put the icon where this system looks for it; what was done, in sentences. UserError where it cannot be put."""
    try:
        if sys.platform == "win32":
            return _add_windows()
        if sys.platform == "darwin":
            return _add_macos()
        return _add_linux()
    except OSError as problem:
        raise in_words(Path(problem.filename or NAME), problem) from problem


def remove_shortcut() -> list[str]:
    """Take the icon away again; what was done, in sentences."""
    gone = []
    try:
        for path in _places():
            if path.is_dir() and not path.is_symlink():
                if not (path / "Contents" / "MacOS" / "clerestory").exists():
                    raise UserError(f"{path}: was not made by clerestory shortcut; it is left as it is.")
                shutil.rmtree(path)
                gone.append(path)
            elif path.exists() or path.is_symlink():
                path.unlink()
                gone.append(path)
    except OSError as problem:
        raise in_words(Path(problem.filename or NAME), problem) from problem
    return [f"{path}: taken away." for path in gone] or ["There was no shortcut."]


def _places() -> list[Path]:
    """Every file or bundle that `add_shortcut` may have made on this system."""
    if sys.platform == "win32":
        return [user_desktop_path() / f"{NAME}.lnk", user_desktop_path() / f"{NAME}.bat"]
    if sys.platform == "darwin":
        return [Path.home() / "Applications" / f"{NAME}.app"]
    return [_applications() / _ENTRY, _icon()]


# ---- Linux


def _applications() -> Path:
    """$XDG_DATA_HOME/applications."""
    return user_data_path() / "applications"


def _icon() -> Path:
    return user_data_path() / "icons" / "hicolor" / "scalable" / "apps" / "clerestory.svg"


def quoted(argument: str) -> str:
    """An argument in the key Exec: in double quotes, with `"`, backtick, `$` and backslash escaped, and a percent
    sign doubled; then backslashes doubled once more, as in every string of the file (Desktop Entry Specification,
    "The Exec key" and "Possible value types")."""
    inner = "".join(f"\\{c}" if c in '"`$\\' else c for c in argument.replace("%", "%%"))
    return f'"{inner}"'.replace("\\", "\\\\")


def desktop_entry(arguments: list[str], icon: Path) -> str:
    """The text of the file .desktop."""
    return "\n".join(
        [
            "[Desktop Entry]",
            "Type=Application",
            "Version=1.5",
            f"Name={NAME}",
            f"Comment={COMMENT}",
            f"Exec={' '.join(quoted(a) for a in arguments)}",
            f"Icon={icon}".replace("\\", "\\\\"),
            "Terminal=false",
            "Categories=Graphics;Photography;",
            "Keywords=photograph;raw;church;",
            "",
        ]
    )


def _add_linux() -> list[str]:
    entry, icon = _applications() / _ENTRY, _icon()
    for path in (entry, icon):
        path.parent.mkdir(parents=True, exist_ok=True)
    write_atomic(icon, files("clerestory.web").joinpath("assets", "mark.svg").read_bytes())
    write_atomic(entry, desktop_entry(command(), icon).encode())
    return [f"{NAME} is in the menu of applications now ({entry}).", "clerestory shortcut --remove takes it away."]


# ---- macOS


def _add_macos() -> list[str]:
    bundle = Path.home() / "Applications" / f"{NAME}.app"
    program = bundle / "Contents" / "MacOS" / "clerestory"
    program.parent.mkdir(parents=True, exist_ok=True)
    facts = {
        "CFBundleName": NAME,
        "CFBundleDisplayName": NAME,
        "CFBundleIdentifier": "org.clerestory.start",
        "CFBundleExecutable": "clerestory",
        "CFBundlePackageType": "APPL",
        "CFBundleShortVersionString": "1",
        "LSUIElement": True,  # no window of its own: the pages are in the browser
    }
    write_atomic(bundle / "Contents" / "Info.plist", plistlib.dumps(facts))
    write_atomic(program, f"#!/bin/sh\nexec {shlex.join(command())}\n".encode())
    program.chmod(program.stat().st_mode | stat.S_IXUSR | stat.S_IXGRP | stat.S_IXOTH)
    return [f"{NAME} is in your Applications now ({bundle}).", "clerestory shortcut --remove takes it away."]


# ---- Windows

_SCRIPT = """$s = (New-Object -ComObject WScript.Shell).CreateShortcut($env:CLERESTORY_LINK)
$s.TargetPath = $env:CLERESTORY_TARGET
$s.Arguments = $env:CLERESTORY_ARGUMENTS
$s.WorkingDirectory = $env:CLERESTORY_HOME
$s.Description = $env:CLERESTORY_COMMENT
$s.Save()"""


def _add_windows() -> list[str]:
    desktop = user_desktop_path()
    desktop.mkdir(parents=True, exist_ok=True)
    link, (target, *arguments) = desktop / f"{NAME}.lnk", command()
    # The words go in by the environment: nothing in a path can be taken for a command.
    given = {
        "CLERESTORY_LINK": str(link),
        "CLERESTORY_TARGET": target,
        "CLERESTORY_ARGUMENTS": subprocess.list2cmdline(arguments),
        "CLERESTORY_HOME": str(Path.home()),
        "CLERESTORY_COMMENT": COMMENT,
    }
    ask = ["powershell.exe", "-NoProfile", "-NonInteractive", "-Command", _SCRIPT]
    try:
        subprocess.run(ask, check=True, capture_output=True, timeout=_SECONDS, env={**os.environ, **given})
    except (OSError, subprocess.SubprocessError):
        link = desktop / f"{NAME}.bat"
        line = subprocess.list2cmdline([target, *arguments]).replace("%", "%%")
        write_atomic(link, f'@echo off\r\nchcp 65001 >nul\r\nstart "" {line}\r\n'.encode())
    return [f"{NAME} is on your desktop now ({link}).", "clerestory shortcut --remove takes it away."]
