"""What differs between Linux, macOS and Windows in running things: processes, their ends, output, ports.

Each difference is told by `sys.platform` inside a function, which the type checker follows for all three systems.
"""

from __future__ import annotations

import contextlib
import io
import multiprocessing
import os
import signal
import socket
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    if sys.platform == "win32":
        from multiprocessing.connection import PipeConnection as Pipe
    else:
        from multiprocessing.connection import Connection as Pipe

    __all__ = ["Pipe"]

SPAWN = multiprocessing.get_context("spawn")
"""How worker processes begin, the same everywhere: anew, with nothing of the parent's but what they are given. A fork
would copy locks that threads of OpenCV and NumPy hold, and Windows has none."""
_CRASHES = 0xC0000000  # Windows: exit codes from here on are errors of NTSTATUS (Microsoft, [MS-ERREF] 2.3)


def limit_memory(megabytes: int) -> None:
    """Allow this process `megabytes` beyond the address space it has already taken.

    Linux only. macOS takes such a limit and does not keep it, and Windows has none for a process by itself: there a
    task that bloats is stopped by its time, or by the system.
    """
    if sys.platform == "linux":
        import resource

        taken = 0
        with contextlib.suppress(OSError, ValueError, IndexError):
            pages = Path("/proc/self/statm").read_text(encoding="ascii").split()[0]
            taken = int(pages) * os.sysconf("SC_PAGE_SIZE")
        limit = taken + (megabytes << 20)
        _, hard = resource.getrlimit(resource.RLIMIT_AS)
        if hard == resource.RLIM_INFINITY or limit < hard:
            resource.setrlimit(resource.RLIMIT_AS, (limit, limit))


def leave_no_core() -> None:
    """Let this process end without a file of its memory, which for a frame would be gigabytes. Not on Windows, which
    writes none unless it is told to."""
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


# Niceness of long work behind the pages: what is under the hand comes first; merges, exact pictures and films share
# what is left. Set with `bench/web.py desk`: at 3, for exact pictures alone, lines drawn took 59 to 65 ms to be seen.
BEHIND = 10


def let_others_first() -> None:
    """Let others go first: BEHIND steps of niceness (POSIX), or the class below normal (Windows)."""
    if sys.platform == "win32":
        import ctypes
        import subprocess

        kernel = ctypes.WinDLL("kernel32")
        kernel.GetCurrentProcess.restype = ctypes.c_void_p
        kernel.SetPriorityClass(ctypes.c_void_p(kernel.GetCurrentProcess()), subprocess.BELOW_NORMAL_PRIORITY_CLASS)
    else:
        os.nice(BEHIND)


def leave_interrupt_to_parent() -> None:
    """Ctrl-C, which reaches every process of a terminal, is the parent's to act on."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def hush() -> None:
    """Send what decoders complain of on standard error nowhere."""
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 2)
    os.close(quiet)


def crash_of(code: int | None) -> str:
    """The name of the crash that a process' exit code tells of, such as SIGSEGV; '' when it ended by itself."""
    if code is not None and code < 0:
        with contextlib.suppress(ValueError):
            return signal.Signals(-code).name
    if sys.platform == "win32" and code is not None and code >= _CRASHES:
        return f"0x{code:08X}"
    return ""


def hold_port(listener: socket.socket) -> None:
    """Before binding: the port is this program's alone, and free again as soon as the program has ended.

    On Windows an address that may be reused may be taken by a second program while the first still listens.
    """
    if sys.platform == "win32":
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
    else:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)


def forgiving_output() -> None:
    """Letters that the terminal or file behind standard output cannot hold are shown as '?' and stop nothing."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")


def write_exactly(text: str) -> None:
    """A text to standard output: into a file or another program as UTF-8, its ends of lines as they are."""
    if isinstance(sys.stdout, io.TextIOWrapper) and not sys.stdout.isatty():
        sys.stdout.flush()
        sys.stdout.buffer.write(text.encode())
        sys.stdout.buffer.flush()
    else:
        sys.stdout.write(text)
