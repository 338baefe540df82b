"""The catalogue: an index over a visit's files in SQLite. A cache: it may be deleted, and is made again."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import sqlite3
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass, fields
from datetime import datetime
from pathlib import Path
from typing import Any

from clerestory.errors import UserError
from clerestory.files.store import replace

BUSY_SECONDS = 20.0
# Each step takes a catalogue from the version of its index to the next; never change one that has been released.
MIGRATIONS: tuple[str, ...] = (
    """
    CREATE TABLE frames (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE, digest TEXT NOT NULL, bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL,
        time TEXT, make TEXT NOT NULL, model TEXT NOT NULL, lens TEXT NOT NULL, serial TEXT NOT NULL,
        focal_mm REAL, equivalent_mm REAL, f_number REAL, seconds REAL, iso REAL,
        width INTEGER NOT NULL, height INTEGER NOT NULL,
        sharpness REAL, brightness REAL, clipped REAL, view TEXT NOT NULL, refused TEXT NOT NULL
    );
    CREATE INDEX frames_time ON frames (time);
    CREATE INDEX frames_view ON frames (view, time);
    CREATE INDEX frames_lens ON frames (lens, time);
    CREATE INDEX frames_sharpness ON frames (sharpness);
    CREATE TABLE views (
        name TEXT PRIMARY KEY, kind TEXT NOT NULL, pick TEXT NOT NULL, why TEXT NOT NULL,
        title TEXT NOT NULL, caption TEXT NOT NULL, place TEXT NOT NULL, creator TEXT NOT NULL, rights TEXT NOT NULL,
        permit TEXT NOT NULL, keywords TEXT NOT NULL
    ) WITHOUT ROWID;
    CREATE VIRTUAL TABLE words USING fts5 (name UNINDEXED, text, tokenize = 'unicode61 remove_diacritics 2');
    """,
    """
    CREATE TABLE finished (
        stage TEXT NOT NULL, item TEXT NOT NULL, key TEXT NOT NULL, result TEXT NOT NULL,
        PRIMARY KEY (stage, item)
    ) WITHOUT ROWID;
    """,
)


@dataclass(frozen=True)
class FrameRow:
    """One original in the catalogue. `time` ISO 8601 by the camera's clock; `clipped` share in every channel;
    `refused` why it cannot be used, '' when it can."""

    name: str
    digest: str
    bytes: int
    mtime_ns: int
    time: str | None = None
    make: str = ""
    model: str = ""
    lens: str = ""
    serial: str = ""
    focal_mm: float | None = None
    equivalent_mm: float | None = None
    f_number: float | None = None
    seconds: float | None = None
    iso: float | None = None
    width: int = 0
    height: int = 0
    sharpness: float | None = None
    brightness: float | None = None
    clipped: float | None = None
    view: str = ""
    refused: str = ""


@dataclass(frozen=True)
class ViewRow:
    """One view in the catalogue, with what is said of it; `pick` is a frame's name."""

    name: str
    kind: str
    pick: str
    why: str
    title: str = ""
    caption: str = ""
    place: str = ""
    creator: str = ""
    rights: str = ""
    permit: str = ""
    keywords: str = ""


_FRAME = tuple(f.name for f in fields(FrameRow))
_VIEW = tuple(f.name for f in fields(ViewRow))


def _insert(table: str, names: Sequence[str]) -> str:
    """An upsert by name: a replaced row keeps its id, by which the full-text index knows it."""
    changes = ", ".join(f"{n} = excluded.{n}" for n in names if n != "name")
    return (
        f"INSERT INTO {table} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))}) "
        f"ON CONFLICT (name) DO UPDATE SET {changes}"
    )


def _to_wal(base: sqlite3.Connection) -> None:
    """Turn on write-ahead logging. SQLite does not wait its busy time for this one lock, so we do."""
    deadline = time.monotonic() + BUSY_SECONDS
    while True:
        try:
            base.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as problem:
            if "locked" not in str(problem) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)


class Catalogue:
    """An open catalogue. Several processes may hold one open; each write is one short transaction."""

    def __init__(self, path: Path) -> None:
        """Open or make the catalogue at `path`. One that is damaged is put aside and begun anew (`fresh` is True)."""
        self.path = path
        self.fresh = not path.exists()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._base = self._open()
        except OSError as problem:
            raise UserError(f"{path.parent}: cannot be made ({problem.strerror}).") from problem
        except sqlite3.DatabaseError as problem:
            if isinstance(problem, sqlite3.OperationalError):
                raise UserError(f"{path}: the catalogue cannot be opened ({problem}); is the disk full or "
                                "read-only?") from problem  # fmt: skip
            for suffix in ("", "-wal", "-shm"):
                with contextlib.suppress(OSError):
                    replace(Path(f"{path}{suffix}"), Path(f"{path}.damaged{suffix}"))
            self.fresh = True
            self._base = self._open()

    def _open(self) -> sqlite3.Connection:
        base = sqlite3.connect(self.path, timeout=BUSY_SECONDS, isolation_level=None)
        try:
            _to_wal(base)
            base.execute("PRAGMA synchronous = NORMAL")
            version = int(base.execute("PRAGMA user_version").fetchone()[0])
            if version > len(MIGRATIONS):
                raise UserError(f"{self.path}: was made by a newer version of this program; use that one, or delete "
                                f"the folder {self.path.parent}, which is made again.")  # fmt: skip
            if version < len(MIGRATIONS):
                self._migrate(base)
        except BaseException:
            base.close()
            raise
        return base

    @staticmethod
    def _migrate(base: sqlite3.Connection) -> None:
        base.execute("BEGIN IMMEDIATE")
        try:
            # Another process may have done it while this one waited for the lock.
            version = int(base.execute("PRAGMA user_version").fetchone()[0])
            for step in MIGRATIONS[version:]:
                for statement in step.split(";"):
                    if statement.strip():
                        base.execute(statement)
            base.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")
            base.execute("COMMIT")
        except BaseException:
            base.execute("ROLLBACK")
            raise

    def __enter__(self) -> Catalogue:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._base.close()

    @contextlib.contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        try:
            self._base.execute("BEGIN IMMEDIATE")
            try:
                yield self._base
                self._base.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):
                    self._base.execute("ROLLBACK")
                raise
        except sqlite3.OperationalError as problem:
            raise UserError(f"{self.path}: the catalogue cannot be written ({problem}); make room, or wait for the "
                            "other process, and run again.") from problem  # fmt: skip

    def put_frames(self, rows: Iterable[FrameRow]) -> None:
        """Add or replace frames by name."""
        with self._writing() as base:
            given = list(rows)
            base.executemany(_insert("frames", _FRAME), [[getattr(r, n) for n in _FRAME] for r in given])
            _index_words(base, [r.name for r in given])

    def replace_all(self, frames: Iterable[FrameRow], views: Iterable[ViewRow]) -> None:
        """The whole content, in one transaction: a reader sees the old or the new."""
        with self._writing() as base:
            base.execute("DELETE FROM frames")
            base.execute("DELETE FROM views")
            base.executemany(_insert("frames", _FRAME), ([getattr(r, n) for n in _FRAME] for r in frames))
            base.executemany(_insert("views", _VIEW), ([getattr(r, n) for n in _VIEW] for r in views))
            _index_words(base, None)

    def frame(self, name: str) -> FrameRow | None:
        """One frame by its file's name."""
        return next(self._frames("WHERE name = ?", [name]), None)

    def _frames(self, clause: str, values: Sequence[Any]) -> Iterator[FrameRow]:
        for row in self._base.execute(f"SELECT {', '.join(_FRAME)} FROM frames {clause}", values):
            yield FrameRow(*row)

    def find(
        self,
        view: str | None = None,
        lens: str | None = None,
        sharper_than: float | None = None,
        after: datetime | None = None,
        before: datetime | None = None,
        words: str | None = None,
        limit: int = 500,
        offset: int = 0,
    ) -> list[FrameRow]:
        """Frames that meet every condition given, in order of time (of sharpness, best first, when that is asked).

        `words`: all of them occur in the frame's, view's or lens's name, or in the view's title, caption, place or
        keywords; the beginning of a word is enough.
        """
        where, values = [], []
        for clause, value in (
            ("view = ?", view),
            ("lens = ?", lens),
            ("sharpness > ?", sharper_than),
            ("time >= ?", after.isoformat() if after else None),
            ("time < ?", before.isoformat() if before else None),
        ):
            if value is not None:
                where.append(clause)
                values.append(value)
        if words is not None and words.strip():
            where.append("id IN (SELECT rowid FROM words WHERE words MATCH ? LIMIT 20000)")
            values.append(" ".join('"' + w.replace('"', '""') + '"*' for w in words.split()))
        order = "sharpness DESC" if sharper_than is not None else "time"
        clause = f"{'WHERE ' + ' AND '.join(where) if where else ''} ORDER BY {order} LIMIT ? OFFSET ?"
        return list(self._frames(clause, [*values, limit, offset]))

    def all_frames(self) -> Iterator[FrameRow]:
        """Every frame, in order of name."""
        return self._frames("ORDER BY name", [])

    def views(self) -> list[ViewRow]:
        """Every view, in order of name."""
        return [ViewRow(*r) for r in self._base.execute(f"SELECT {', '.join(_VIEW)} FROM views ORDER BY name")]

    def count(self) -> int:
        """Number of frames."""
        return int(self._base.execute("SELECT count(*) FROM frames").fetchone()[0])

    def finished(self, stage: str, item: str, key: str) -> dict[str, Any] | None:
        """What a stage recorded for an item when it ended, if its inputs (`key`) are still the same."""
        row = self._base.execute(
            "SELECT result FROM finished WHERE stage = ? AND item = ? AND key = ?", (stage, item, key)
        ).fetchone()
        found: dict[str, Any] | None = json.loads(row[0]) if row else None
        return found

    def finish(self, stage: str, item: str, key: str, result: dict[str, Any]) -> None:
        """Record that a stage ended for an item: `key` is the digest of its inputs."""
        with self._writing() as base:
            base.execute(
                "INSERT OR REPLACE INTO finished (stage, item, key, result) VALUES (?, ?, ?, ?)",
                (stage, item, key, json.dumps(result, sort_keys=True)),
            )

    def faults(self) -> list[str]:
        """What SQLite's own check finds wrong with the file."""
        found = [str(r[0]) for r in self._base.execute("PRAGMA quick_check(20)")]
        return [] if found == ["ok"] else found

    def having(self, words: str) -> list[tuple[FrameRow, ViewRow | None]]:
        """Frames with their views, in order; of words given, only those in which each is found, whatever its case:
        in what is known of the frame, or is said of its view."""
        views = {v.name: v for v in self.views()}
        wanted = words.casefold().split()
        found = [(row, views.get(row.view)) for row in self.all_frames()]
        return [pair for pair in found if not wanted or _found_in(pair, wanted)]

    def as_json(self, words: str = "") -> str:
        """Everything, as JSON: {"views": [...], "frames": [...]}, in order of name; of `words` as by `having`."""
        found = self.having(words)
        kept = {row.view for row, _ in found}
        views = [asdict(v) for v in self.views() if not words or v.name in kept]
        return (
            json.dumps({"views": views, "frames": [asdict(f) for f, _ in found]}, indent=1, ensure_ascii=False) + "\n"
        )

    def as_csv(self, having: str = "") -> str:
        """The frames with their views' words, one a line, as CSV (RFC 4180); of words as by `having`."""
        out = io.StringIO()
        words = [n for n in _VIEW if n != "name"]
        table = csv.writer(out)
        table.writerow([*_FRAME, *(f"view_{n}" for n in words)])
        for row, view in self.having(having):
            cells = [getattr(row, n) for n in _FRAME] + [getattr(view, n) if view else "" for n in words]
            table.writerow(["" if c is None else c for c in cells])
        return out.getvalue()


def _found_in(pair: tuple[FrameRow, ViewRow | None], words: Sequence[str]) -> bool:
    """Whether every word, in small letters, is somewhere in a frame's row or its view's."""
    values = [v for row in pair if row is not None for v in asdict(row).values() if v not in (None, "")]
    text = " ".join(map(str, values)).casefold()
    return all(word in text for word in words)


def _index_words(base: sqlite3.Connection, names: Sequence[str] | None) -> None:
    """Bring the full-text index up to date, for some frames or (None) for all."""
    source = """
        SELECT f.id, f.name, f.name || ' ' || f.view || ' ' || f.lens || ' ' || f.model || ' ' ||
            coalesce(v.title || ' ' || v.caption || ' ' || v.place || ' ' || v.keywords, '')
        FROM frames f LEFT JOIN views v ON v.name = f.view
    """
    insert = f"INSERT INTO words (rowid, name, text) {source}"
    if names is None:
        base.execute("DELETE FROM words")
        base.execute(insert)
        return
    base.executemany("DELETE FROM words WHERE rowid IN (SELECT id FROM frames WHERE name = ?)", [(n,) for n in names])
    base.executemany(f"{insert} WHERE f.name = ?", [(n,) for n in names])
