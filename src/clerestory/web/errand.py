"""One long work in a process of its own, with how far it is, and a way to break it off."""

from __future__ import annotations

import contextlib
import logging
import threading
import time
import traceback
from collections.abc import Callable
from multiprocessing.process import BaseProcess
from typing import TYPE_CHECKING, Any

from clerestory.errors import UserError
from clerestory.run import system
from clerestory.run.progress import BrokenOff

if TYPE_CHECKING:
    from clerestory.run.system import Pipe

log = logging.getLogger("clerestory.web")
GRACE = 8.0  # seconds in which the work may end by itself when it is broken off


class Errand:
    """`state`: {'state': 'idle', 'under way', 'done', 'failed' or 'stopped', ...}, told to `say` at each change."""

    def __init__(self, say: Callable[[dict[str, Any]], None]) -> None:
        self.say = say
        self.state: dict[str, Any] = {"state": "idle"}
        self.result: Any = None  # what the work gave, once it is done
        self._process: BaseProcess | None = None
        self._wish: Pipe | None = None
        self._stopped = False
        self._lock = threading.Lock()

    @property
    def busy(self) -> bool:
        """Whether it is under way."""
        return self.state["state"] == "under way"

    def begin(
        self, work: Callable[..., Any], *args: Any, after: Callable[[], None] | None = None, **facts: Any
    ) -> None:
        """Call `work(*args, on_progress)` in the other process; `after()` here when it has come to its end.

        `facts` are told along. UserError where it is under way already.
        """
        with self._lock:
            if self.busy:
                raise UserError("This is under way already.")
            self._stopped = False
            here, there = system.SPAWN.Pipe()
            self._wish = here
            self._process = system.SPAWN.Process(target=_do, args=(there, work, args), name="clerestory-errand")
            self._told("under way", what="", done=0, total=None, **facts)
            self._process.start()
        there.close()
        threading.Thread(target=self._follow, args=(here, self._process, after, facts), daemon=True).start()

    def stop(self) -> None:
        """Break it off; what it has made so far stays."""
        self._stopped = True
        with contextlib.suppress(OSError, AttributeError):
            self._wish.send("stop")  # type: ignore[union-attr]
        process = self._process
        if process is not None:
            threading.Thread(target=_end, args=(process,), daemon=True).start()

    def _told(self, state: str, **facts: Any) -> None:
        self.state = {"state": state, **facts}
        self.say(self.state)

    def _follow(
        self, heard: Pipe, process: BaseProcess, after: Callable[[], None] | None, facts: dict[str, Any]
    ) -> None:
        last: tuple[str, Any] = ("", None)
        with contextlib.suppress(EOFError, OSError):
            while True:
                last = heard.recv()
                if last[0] == "at":
                    what, done, total = last[1]
                    self._told("under way", what=what, done=done, total=total, **facts)
        process.join()
        self._process = None
        if last[0] == "fault":
            log.error("errand\n%s", last[1])
        if last[0] == "done":
            self.result = last[1]
            self._told("done", **facts)
            if after is not None:
                after()
        elif self._stopped:
            self._told("stopped", said="Broken off. What was made so far stays; begun again, it goes on from there.",
                       **facts)  # fmt: skip
        else:
            said = last[1] if last[0] == "refused" else "A fault of ours stopped it; what was made so far stays."
            self._told("failed", said=said, **facts)


def _end(process: BaseProcess) -> None:
    process.join(GRACE)
    if process.is_alive():
        process.terminate()


def _do(pipe: Pipe, work: Callable[..., Any], args: tuple[Any, ...]) -> None:
    """The other process: works, and says how it goes a few times a second; ends when nobody listens."""
    system.leave_interrupt_to_parent()
    last_what, last_time = "", 0.0

    def on_progress(what: str, done: int, total: int | None) -> None:
        nonlocal last_what, last_time
        if pipe.poll():
            raise BrokenOff
        now = time.monotonic()
        if what != last_what or now - last_time > 0.2 or done == total:
            last_what, last_time = what, now
            pipe.send(("at", (what, done, total)))

    with contextlib.suppress(BrokenPipeError, OSError):
        try:
            result = work(*args, on_progress=on_progress)
            pipe.send(("done", result))
        except (BrokenOff, EOFError, BrokenPipeError):
            pipe.send(("stopped", None))
        except UserError as problem:
            pipe.send(("refused", str(problem)))
        except OSError as problem:
            pipe.send(("refused", f"{problem.filename or 'The disk'}: {problem.strerror or problem}."))
        except Exception:
            pipe.send(("fault", traceback.format_exc()))
