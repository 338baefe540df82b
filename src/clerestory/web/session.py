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


def _file(visit: VisitFolder) -> Path:
    return visit.hidden / "pages.json"


def read_session(visit: VisitFolder) -> Session | None:
    """That of the last server on this visit, where its file is there, whole, and this user's alone."""
    path = _file(visit)
    try:
        if path.is_symlink() or (os.name == "posix" and path.stat().st_mode & 0o077):
            return None  # others could have read or written it
        found = json.loads(path.read_text(encoding="utf-8"))
        session = Session(str(found["token"]), int(found["port"]))
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return session if len(session.token) >= 24 and 0 < session.port < 65536 else None


def write_session(visit: VisitFolder, session: Session) -> None:
    """Keep it, readable by this user alone. Where it cannot be kept, the next server has another key."""
    with contextlib.suppress(OSError):
        visit.hidden.mkdir(exist_ok=True)
        path = _file(visit)
        path.unlink(missing_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
            json.dump(asdict(session), file)
