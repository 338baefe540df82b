"""An icon on each system, forced on this one, and away again."""

from __future__ import annotations

import configparser
import os
import plistlib
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from clerestory.errors import UserError
from clerestory.files import shortcut


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setattr(Path, "home", lambda: tmp_path)
    monkeypatch.setattr(shortcut, "user_data_path", lambda: tmp_path / "data")
    monkeypatch.setattr(shortcut, "user_desktop_path", lambda: tmp_path / "Desktop")
    return tmp_path


def test_in_the_menu_of_a_linux_desktop(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "linux")
    shortcut.add_shortcut()
    entry = home / "data" / "applications" / "clerestory.desktop"
    read = configparser.RawConfigParser()
    read.read_string(entry.read_text(encoding="utf-8"))
    keys = read["Desktop Entry"]
    assert keys["type"] == "Application" and keys["terminal"] == "false" and keys["name"] == "Clerestory"
    assert Path(keys["icon"]).read_bytes().startswith(b"<svg")
    assert shlex.split(keys["exec"]) == shortcut.command()
    if validator := shutil.which("desktop-file-validate"):  # freedesktop.org's own
        subprocess.run([validator, entry], check=True)
    assert len(shortcut.remove_shortcut()) == 2 and not entry.exists()
    assert shortcut.remove_shortcut() == ["There was no shortcut."]


def test_arguments_are_quoted_as_the_specification_says() -> None:
    """Desktop Entry Specification 1.5, The Exec key: its own example, a literal $ is `\\\\$` in the file, a literal
    backslash in quotes four of them; %% stands for a percent sign."""
    assert shortcut.quoted("/opt/two words") == '"/opt/two words"'
    assert shortcut.quoted("$") == r'"\\$"' and shortcut.quoted("\\") == r'"\\\\"'
    assert shortcut.quoted("5%") == '"5%%"' and shortcut.quoted('"') == r'"\\""'


def test_a_bundle_among_the_applications_of_macos(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", "darwin")
    shortcut.add_shortcut()
    bundle = home / "Applications" / "Clerestory.app"
    facts = plistlib.loads((bundle / "Contents" / "Info.plist").read_bytes())
    program = bundle / "Contents" / "MacOS" / facts["CFBundleExecutable"]
    assert os.access(program, os.X_OK) and shlex.join(shortcut.command()) in program.read_text(encoding="utf-8")
    shortcut.remove_shortcut()
    assert not bundle.exists()
    bundle.mkdir()  # somebody else's of the same name
    with pytest.raises(UserError, match="left as it is"):
        shortcut.remove_shortcut()


def test_on_the_desktop_of_windows(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[list[str], dict[str, str]]] = []

    def run(words: list[str], env: dict[str, str], **_: Any) -> None:
        asked.append((words, env))
        Path(env["CLERESTORY_LINK"]).touch()

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(subprocess, "run", run)
    shortcut.add_shortcut()
    words, given = asked[0]
    assert words[0] == "powershell.exe" and "WScript.Shell" in words[-1] and str(home) not in words[-1]
    assert given["CLERESTORY_LINK"].endswith("Clerestory.lnk") and given["CLERESTORY_TARGET"]
    assert len(shortcut.remove_shortcut()) == 1


def test_without_powershell_a_bat_file_does(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def run(*_: Any, **__: Any) -> None:
        raise FileNotFoundError("powershell.exe")

    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(shortcut, "command", lambda: [r"C:\50% off\pythonw.exe", "-m", "clerestory.web.launch"])
    shortcut.add_shortcut()
    text = (home / "Desktop" / "Clerestory.bat").read_bytes().decode()
    assert 'start "" "C:\\50%% off\\pythonw.exe" -m clerestory.web.launch\r\n' in text
    shortcut.remove_shortcut()
    assert not list((home / "Desktop").iterdir())
