"""Every change to a visit's small text files, so that each can be undone: an append-only list beside the catalogue.

A change is written to the journal and synced before the file itself is replaced, so a crash between the two is made
good at the next start. Where a file then cannot be written, the change is struck out of the journal again: what was
refused never comes back. The files are the truth; without the journal only the way back is lost.
"""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.store import digest_bytes, in_words, write_atomic

Texts = dict[str, str | None]
Coming = Callable[[Texts], None]


def no_one(_: Texts) -> None:
    """Hears of what is coming and does nothing."""


def revision_of(text: str | None) -> str:
    """A short name for a text: two texts of one revision are the same text. '' for none."""
    return "" if text is None else digest_bytes(text.encode())[:16]


@dataclass(frozen=True)
class Change:
    """One step: what was done in words, and the text of each file (by its path in the visit) before and after."""

    number: int
    scope: str
    said: str
    before: Texts
    after: Texts
    gesture: str = ""
    place: str = ""


@dataclass
class _Stacks:
    done: list[Change] = field(default_factory=list)
    undone: list[Change] = field(default_factory=list)


class Journal:
    """The journal of one visit folder. Safe to call from several threads."""

    def __init__(self, root: Path, to_write: bool = True) -> None:
        """Read what is there, and, unless it is only to be read, finish a change that a crash cut short."""
        self.root = root
        self.path = root / ".clerestory" / "journal.jsonl"
        self.number = 0
        self._stacks: dict[str, _Stacks] = {}
        self._keys: set[str] = set()
        self._asked = threading.local()
        self._lock = threading.RLock()
        self._read(to_write)

    @contextlib.contextmanager
    def asked(self, key: str) -> Iterator[None]:
        """What this thread commits meanwhile answers the request of that key, which is remembered."""
        self._asked.key = key
        try:
            yield
        finally:
            self._asked.key = ""

    def knows(self, key: str) -> bool:
        """Whether a request was carried out already, by this server or by one before it."""
        with self._lock:
            return key in self._keys

    def steps_of(self, name: str) -> list[Change]:
        """The steps that stand (none that was undone) in which a file was written, the first one first."""
        with self._lock:
            return sorted(
                (c for s in self._stacks.values() for c in s.done if name in c.after), key=lambda c: c.number
            )

    def last_gesture(self, scope: str) -> str:
        """The gesture of the last step of a scope, '' where it was none."""
        with self._lock:
            stacks = self._stacks.get(scope, _Stacks())
            return stacks.done[-1].gesture if stacks.done else ""

    def commit(
        self, scope: str, said: str, texts: Mapping[str, str | None], gesture: str = "", place: str = ""
    ) -> bool:
        """Write files (None deletes one) as one step that can be undone; False when nothing would change.

        Steps of one `gesture` in a row are one step. `place` says where on the pages it happened.
        """
        with self._lock:
            before = {name: self._text(name) for name in texts}
            after = dict(texts)
            if before == after:
                return False
            change = Change(self.number + 1, scope, said, before, after, gesture, place)
            self._done({"do": "change", **vars(change)}, before, after)
            self._take(change)
            return True

    def undo(self, scope: str, coming: Coming = no_one) -> Change | None:
        """Take back the last step of a scope; None when there is none. `coming` hears what the files will hold before
        anything is written: all that can forbid the step is then looked at, but for the disk."""
        return self._step(scope, True, coming)

    def redo(self, scope: str, coming: Coming = no_one) -> Change | None:
        """Do again the step that was taken back last; None when there is none. `coming`: as of `undo`."""
        return self._step(scope, False, coming)

    def ahead(self, scope: str) -> dict[str, str]:
        """What undo and redo would do, in words ('' where there is nothing to do)."""
        with self._lock:
            stacks = self._stacks.get(scope, _Stacks())
            return {
                "undo": stacks.done[-1].said if stacks.done else "",
                "redo": stacks.undone[-1].said if stacks.undone else "",
            }

    def _step(self, scope: str, back: bool, coming: Coming) -> Change | None:
        with self._lock:
            stacks = self._stacks.get(scope, _Stacks())
            source = stacks.done if back else stacks.undone
            if not source:
                return None
            change = source[-1]
            expected, wanted = (change.after, change.before) if back else (change.before, change.after)
            for name, text in expected.items():
                if self._text(name) != text:
                    raise UserError(f"{name} has been changed outside this page since; that change is kept, and this "
                                    "step cannot be undone or redone over it.")  # fmt: skip
            coming(wanted)
            record = {"do": "undo" if back else "redo", "scope": scope, "number": self.number + 1}
            self._done(record, expected, wanted)
            self._move(scope, back)
            return change

    def _done(
        self, record: Mapping[str, Any], before: Mapping[str, str | None], after: Mapping[str, str | None]
    ) -> None:
        """A step into the journal and into the files; into neither where a file cannot be written (UserError)."""
        size = self.path.stat().st_size if self.path.exists() else 0
        self._append(record)
        key = getattr(self._asked, "key", "")
        try:
            self._write(after)
        except (OSError, UserError) as problem:
            with contextlib.suppress(OSError, UserError):
                self._write({n: t for n, t in before.items() if self._text(n) != t})
            with self.path.open("r+b") as file:
                file.truncate(size)
                file.flush()
                os.fsync(file.fileno())
            if isinstance(problem, UserError):
                raise
            where = next(iter(after))
            raise UserError(f"{where}: cannot be written ({problem.strerror or problem}); nothing was changed.") \
                from problem  # fmt: skip
        if key:
            self._keys.add(key)

    def _take(self, change: Change) -> None:
        stacks = self._stacks.setdefault(change.scope, _Stacks())
        self.number = change.number
        stacks.undone.clear()
        last = stacks.done[-1] if stacks.done else None
        if last and change.gesture and last.gesture == change.gesture and last.after == change.before:
            stacks.done[-1] = replace(change, before=last.before)
        else:
            stacks.done.append(change)

    def _move(self, scope: str, back: bool) -> None:
        stacks = self._stacks.setdefault(scope, _Stacks())
        source, target = (stacks.done, stacks.undone) if back else (stacks.undone, stacks.done)
        target.append(replace(source.pop(), gesture=""))
        self.number += 1

    def revision(self, name: str) -> str:
        """What names the text of a file as it now stands; '' where there is no such file."""
        return revision_of(self._text(name))

    def text_of(self, name: str) -> str | None:
        """The text of a file in the visit; None where there is none. UserError where it cannot be read."""
        with self._lock:
            return self._text(name)

    def _text(self, name: str) -> str | None:
        try:
            return (self.root / name).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        except (OSError, UnicodeDecodeError) as problem:
            raise UserError(f"{name}: cannot be read ({problem}); correct or move it.") from problem

    def _write(self, texts: Mapping[str, str | None]) -> None:
        for name, text in texts.items():
            path = self.root / name
            if text is None:
                path.unlink(missing_ok=True)
                continue
            path.parent.mkdir(parents=True, exist_ok=True)
            write_atomic(path, text)

    def _append(self, record: Mapping[str, Any]) -> None:
        key = getattr(self._asked, "key", "")
        line = (
            json.dumps({**record, **({"key": key} if key else {})}, ensure_ascii=False, separators=(",", ":")) + "\n"
        )
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab") as file:
                file.write(line.encode())
                file.flush()
                os.fsync(file.fileno())
        except OSError as problem:
            raise UserError(f"{in_words(self.path, problem)} So nothing was changed.") from problem

    def _read(self, to_write: bool) -> None:
        try:
            data = self.path.read_bytes()
        except OSError:
            return
        whole = data.rfind(b"\n") + 1
        if to_write and whole < len(data):  # a line that a crash cut short
            with self.path.open("r+b") as file:
                file.truncate(whole)
        last: tuple[Texts, Texts] | None = None
        for line in data[:whole].splitlines():
            try:
                last = self._replay(json.loads(line))
            except (ValueError, KeyError, TypeError, IndexError):
                self._stacks.clear()  # a damaged line: what came before it cannot be taken back
                last = None
        if to_write and last is not None:
            expected, wanted = last
            with contextlib.suppress(
                OSError, UserError
            ):  # a folder that cannot be written to is told when it matters
                self._write({n: t for n, t in wanted.items() if self._text(n) == expected[n]})

    def _replay(self, record: dict[str, Any]) -> tuple[Texts, Texts]:
        """Take a line up; returns the texts it replaced and those it put there."""
        kind = record.pop("do")
        if key := record.pop("key", ""):
            self._keys.add(key)
        if kind == "change":
            change = Change(**record)
            self._take(change)
            return change.before, change.after
        back = kind == "undo"
        stacks = self._stacks[record["scope"]]
        change = (stacks.done if back else stacks.undone)[-1]
        self._move(record["scope"], back)
        return (change.after, change.before) if back else (change.before, change.after)
