"""Where a visit's pages are served and with which key, kept so that a server started again takes open pages back."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from clerestory.visit.folder import VisitFolder


@dataclass(frozen=True)
class Session:
    """The key that pages must hold, and the port on this computer's loopback address."""

    token: str
    port: int

    @property
    def address(self) -> str:
        """The address to open, key and all."""
        return f"http://127.0.0.1:{self.port}/?token={self.token}"


def _file(kept_in: VisitFolder | Path) -> Path:
    return (kept_in.hidden if isinstance(kept_in, VisitFolder) else kept_in) / "pages.json"


def read_session(kept_in: VisitFolder | Path) -> Session | None:
    """That of the last server on this visit (or kept in this folder), where its file is there, whole, and this
    user's alone."""
    path = _file(kept_in)
    try:
        if path.is_symlink() or (os.name == "posix" and path.stat().st_mode & 0o077):
            return None  # others could have read or written it
        found = json.loads(path.read_text(encoding="utf-8"))
        session = Session(str(found["token"]), int(found["port"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return session if len(session.token) >= 24 and 0 < session.port < 65536 else None


def write_session(kept_in: VisitFolder | Path, session: Session) -> None:
    """Keep it, readable by this user alone. Where it cannot be kept so, the next server has another key."""
    path = _file(kept_in)
    with contextlib.suppress(OSError):
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            if os.name == "posix" and os.fstat(file.fileno()).st_mode & 0o077:
                path.unlink()  # a disk that keeps no rights, such as a card: others could read it
            else:
                json.dump(asdict(session), file)
