"""The ways of the other systems, forced on this one: nothing of POSIX is needed to start, write or run."""

from __future__ import annotations

import builtins
import ctypes
import errno
import io
import os
import socket
import subprocess
import sys
import types
from pathlib import Path
from typing import Any

import pytest

from clerestory.files import store
from clerestory.files.places import cache_folder
from clerestory.run import system

# Everything is imported twice: first for the libraries, then our own modules as they would be read on Windows.
EVERY_MODULE = """
import importlib, os, pkgutil, sys
import clerestory

def everything():
    package = importlib.import_module("clerestory")
    names = [m.name for m in pkgutil.walk_packages(package.__path__, "clerestory.")]
    for name in names:
        if not name.endswith("__main__"):
            importlib.import_module(name)
    return names

assert len(everything()) > 100
for name in [n for n in sys.modules if n.split(".")[0] == "clerestory"]:
    del sys.modules[name]
for name in ("fcntl", "resource", "pwd", "grp", "termios"):
    sys.modules[name] = None
for name in ("nice", "fork", "sysconf", "posix_fadvise", "O_DIRECTORY", "getuid", "killpg", "sched_getaffinity"):
    if hasattr(os, name):
        delattr(os, name)
sys.platform = "win32"
everything()
"""


def test_every_module_is_read_without_anything_of_posix() -> None:
    done = subprocess.run([sys.executable, "-c", EVERY_MODULE], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def without(monkeypatch: pytest.MonkeyPatch, *modules: str) -> None:
    """Modules that cannot be imported from here on."""
    real = builtins.__import__

    def refusing(name: str, *rest: Any) -> types.ModuleType:
        if name in modules:
            raise ModuleNotFoundError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", refusing)


def test_files_are_written_the_windows_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("umask", "O_DIRECTORY", "posix_fadvise", "link"):
        monkeypatch.delattr(os, name, raising=False)
    monkeypatch.setattr(sys, "platform", "win32")
    store.write_atomic(tmp_path / "a.txt", "one\n")
    assert (tmp_path / "a.txt").read_bytes() == b"one\n"
    store.sync_folder(tmp_path)
    with (tmp_path / "a.txt").open("rb") as file:
        store.drop_from_cache(file.fileno())
    store.settle(tmp_path / "a.txt", tmp_path / "b.txt")
    assert not (tmp_path / "a.txt").exists() and not (tmp_path / "b.txt").stat().st_mode & 0o222
    (tmp_path / "b.txt").chmod(0o644)
    store.sync_file(tmp_path / "b.txt")


def test_a_file_that_somebody_reads_is_replaced_a_little_later(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real, refusals = Path.replace, [0]

    def busy(source: Path, target: Path) -> Path:
        refusals[0] += 1
        if refusals[0] <= most:
            problem = PermissionError(errno.EACCES, "The process cannot access the file")
            problem.winerror = 32  # type: ignore[attr-defined]
            raise problem
        return real(source, target)

    monkeypatch.setattr(Path, "replace", busy)
    monkeypatch.setattr(store.time, "sleep", lambda _: None)
    monkeypatch.setattr(sys, "platform", "win32")
    most = 3
    store.write_atomic(tmp_path / "a", "new")
    assert (tmp_path / "a").read_text(encoding="utf-8") == "new" and refusals[0] == 4
    most = 99
    with pytest.raises(store.UserError, match="another program has it open"):
        store.write_atomic(tmp_path / "a", "newer")
    assert (tmp_path / "a").read_text(encoding="utf-8") == "new" and len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("name", ["win32", "darwin"])
def test_there_is_no_limit_where_the_system_keeps_none(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "platform", name)
    if name == "win32":
        without(monkeypatch, "resource", "fcntl")
        system.leave_no_core()
    system.limit_memory(1)
    assert len(bytearray(64 << 20)) == 64 << 20


def test_priority_is_lowered_the_windows_way(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[tuple[int | None, int]] = []
    process = types.SimpleNamespace()

    class Kernel:
        def __init__(self, name: str) -> None:
            assert name == "kernel32"
            self.GetCurrentProcess = lambda: 2**64 - 1
            self.GetCurrentProcess.restype = process  # type: ignore[attr-defined]
            self.SetPriorityClass = lambda handle, kind: asked.append((handle.value, kind))

    monkeypatch.setattr(ctypes, "WinDLL", Kernel, raising=False)
    monkeypatch.setattr(subprocess, "BELOW_NORMAL_PRIORITY_CLASS", 0x4000, raising=False)
    monkeypatch.delattr(os, "nice", raising=False)
    monkeypatch.setattr(sys, "platform", "win32")
    system.let_others_first()
    assert asked == [(2**64 - 1, 0x4000)]


def test_crashes_have_names_on_every_system(monkeypatch: pytest.MonkeyPatch) -> None:
    assert system.crash_of(-11) == "SIGSEGV" and system.crash_of(3) == "" and system.crash_of(None) == ""
    monkeypatch.setattr(sys, "platform", "win32")
    assert system.crash_of(0xC0000005) == "0xC0000005"  # STATUS_ACCESS_VIOLATION, [MS-ERREF] 2.3.1
    assert system.crash_of(1) == ""


def test_a_port_is_held_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket() as first, socket.socket() as second:
        for listener in (first, second):
            system.hold_port(listener)
        first.bind(("127.0.0.1", 0))
        first.listen()
        with pytest.raises(OSError):
            second.bind(first.getsockname())
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.setattr(socket, "SO_EXCLUSIVEADDRUSE", -5, raising=False)
    asked: list[tuple[int, ...]] = []
    system.hold_port(types.SimpleNamespace(setsockopt=lambda *a: asked.append(a)))  # type: ignore[arg-type]
    assert asked == [(socket.SOL_SOCKET, -5, 1)]


def test_output_is_neither_stopped_nor_changed_by_what_lies_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    behind = io.BytesIO()
    monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(behind, encoding="cp1252", newline="\r\n"))
    system.forgiving_output()
    print("turned by 2\N{ANGLE}")
    system.write_exactly("name,view\r\n\N{ANGLE}.dng,nave\r\n")
    assert behind.getvalue() == b"turned by 2?\r\n" + "name,view\r\n\N{ANGLE}.dng,nave\r\n".encode()


def test_kept_things_lie_in_a_folder_of_the_user() -> None:
    assert cache_folder().is_absolute() and "clerestory" in cache_folder().parts
