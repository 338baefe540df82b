"""The field card handed to a phone: one document, on the local net, for as long as asked; nothing else is there.

A listener of its own, apart from the pages' server, which never leaves this computer. It answers one address alone,
whose path holds a key of 128 random bits; everything else, known or not, gets one and the same refusal.
"""

from __future__ import annotations

import contextlib
import hmac
import ipaddress
import logging
import secrets
import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import segno
import uvicorn
from starlette.datastructures import Headers
from starlette.types import Receive, Scope, Send

from clerestory.errors import UserError
from clerestory.run.system import hold_port
from clerestory.web.paths import STRANGER

log = logging.getLogger("clerestory.web")
MINUTES = (10, 30, 60)  # for how long a card may be handed out
AT_ONCE = 8  # connections; a phone needs one or two
BORDER = 4  # modules of clear ground round a QR code (ISO/IEC 18004, quiet zone)
HEADERS = {
    "content-security-policy": STRANGER,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "private, max-age=604800",  # so that the phone may still show it where there is no net
}


def local_address() -> str:
    """This computer's IPv4 address on the net it is on. UserError where it is on none, or where that address can be
    reached from the whole internet: the card names people and times."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asked:
        try:
            asked.connect(("192.0.2.1", 9))  # nothing is sent: the system only says by which way it would go
            found = str(asked.getsockname()[0])
        except OSError:
            found = "127.0.0.1"
    address = ipaddress.ip_address(found)
    cable = "or put plan/card.html onto the phone by cable"
    if address.is_loopback or address.is_unspecified:
        raise UserError("This computer is on no net that a phone could be on too. Join both to one wireless net, "
                        f"{cable}.")  # fmt: skip
    if address.is_global:
        raise UserError(f"This computer's address here ({found}) can be reached from outside, so the card is not "
                        f"handed out. Use a net of your own, {cable}.")  # fmt: skip
    return found


def qr_rows(text: str) -> list[str]:
    """A QR code (ISO/IEC 18004, correction level M) as rows of 0 and 1, its clear border included."""
    code = segno.make_qr(text, error="m")
    return ["".join("1" if dark else "0" for dark in row) for row in code.matrix_iter(border=BORDER)]


def hand_out(document: str, minutes: int, say: Callable[[str], None]) -> None:
    """Hand a document out from a terminal, which `say` draws the code on, until its time is over or Ctrl-C."""
    phone = Phone(lambda event, **facts: None)
    facts = phone.begin(document, minutes)
    # Two rows of modules in one of letters, light on dark ground as most terminals are.
    rows = facts["qr"]
    for upper, lower in zip(rows[::2], [*rows[1::2], "0" * len(rows[0])], strict=False):
        say("".join({"00": "█", "01": "▀", "10": "▄", "11": " "}[u + v] for u, v in zip(upper, lower, strict=True)))
    say(f"Handed out for {minutes} minutes on the net where this computer is {facts['net']}: {facts['address']}")
    say("The card alone is there. Stop with Ctrl-C.")
    try:
        phone.until_over()
    finally:
        phone.end()


class OneDocument:
    """An application that answers GET and HEAD of one path, under one Host, and nothing else."""

    def __init__(
        self, path: str, host: str, document: bytes, read: Callable[[], None], over: threading.Event
    ) -> None:
        """`read` is called each time it was given out; once `over` is set it is given no more."""
        self.path, self.host, self.document, self.read, self.over = path, host, document, read, over

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return
        wanted = self._wanted(scope)
        body = self.document if wanted else b"There is nothing here.\n"
        headers = (
            {**HEADERS, "content-type": "text/html; charset=utf-8"} if wanted else {"content-type": "text/plain"}
        )
        headers |= {"content-length": str(len(body)), "connection": "close"}
        await send({"type": "http.response.start", "status": 200 if wanted else 404,
                    "headers": [(k.encode(), v.encode()) for k, v in headers.items()]})  # fmt: skip
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})
        if wanted and scope["method"] == "GET":
            self.read()

    def _wanted(self, scope: Scope) -> bool:
        path = scope.get("raw_path") or b""
        host = Headers(scope=scope).getlist("host") == [self.host]
        plain = scope["method"] in ("GET", "HEAD") and not scope.get("query_string")
        return hmac.compare_digest(path, self.path.encode()) and host and plain and not self.over.is_set()


@dataclass
class _Handed:
    server: uvicorn.Server
    listener: socket.socket
    address: str
    ends: float
    over: threading.Event
    read: int = 0


class Phone:
    """Hands the card out, and says so; `tell` hears of every change."""

    def __init__(self, tell: Callable[..., None]) -> None:
        self.tell = tell
        self._lock = threading.Lock()
        self._now: _Handed | None = None

    @property
    def on(self) -> bool:
        """Whether the card is handed out at this moment."""
        return self._now is not None

    def facts(self) -> dict[str, Any]:
        """Where the card can be read, as text and as a QR code, until when, and how often it has been."""
        now = self._now
        if now is None:
            return {"on": False}
        left = max(0.0, now.ends - time.monotonic())
        net = now.address.split("/")[2].split(":")[0]
        return {"on": True, "address": now.address, "net": net, "left": round(left), "read": now.read,
                "qr": qr_rows(now.address)}  # fmt: skip

    def begin(self, document: str, minutes: int) -> dict[str, Any]:
        """Hand a document out for some minutes (one of `MINUTES`); in place of one that is handed out already."""
        if minutes not in MINUTES:
            raise UserError(f"The card is handed out for {', '.join(map(str, MINUTES))} minutes; choose one of them.")
        host = local_address()
        self.end()
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            hold_port(listener)
            listener.bind((host, 0))
            listener.listen(AT_ONCE)
        except OSError as problem:
            listener.close()
            raise UserError(f"{host}: this computer's system refuses it ({problem.strerror}).") from problem
        name, path = f"{host}:{listener.getsockname()[1]}", f"/{secrets.token_urlsafe(16)}"
        over = threading.Event()
        app = OneDocument(path, name, document.encode(), self._was_read, over)
        config = uvicorn.Config(app, log_config=None, access_log=False, ws="none", lifespan="off", http="h11",
                                server_header=False, limit_concurrency=AT_ONCE, timeout_keep_alive=2,
                                timeout_graceful_shutdown=1, h11_max_incomplete_event_size=8192)  # fmt: skip
        now = _Handed(uvicorn.Server(config), listener, f"http://{name}{path}", time.monotonic() + 60 * minutes, over)
        with self._lock:
            self._now = now
        threading.Thread(target=self._serve, args=(now,), name="clerestory-phone", daemon=True).start()
        threading.Thread(target=self._watch, args=(now,), name="clerestory-phone-end", daemon=True).start()
        self._told()
        return self.facts()

    def end(self) -> None:
        """Hand it out no longer; the address is gone at once."""
        with self._lock:
            now, self._now = self._now, None
        if now is not None:
            now.over.set()
            now.server.should_exit = now.server.force_exit = True
            with contextlib.suppress(OSError):
                now.listener.close()
            self._told()

    def until_over(self) -> None:
        """Wait until it is handed out no longer."""
        while (now := self._now) is not None:
            now.over.wait(0.25)

    def _told(self) -> None:
        self.tell("phone", **self.facts())

    def _was_read(self) -> None:
        with self._lock:
            if self._now is not None:
                self._now.read += 1
        self._told()

    def _serve(self, now: _Handed) -> None:
        try:
            now.server.run(sockets=[now.listener])
        except Exception:
            log.exception("handing out the card")
        with self._lock:
            mine = self._now is now
        if mine:
            self.end()

    def _watch(self, now: _Handed) -> None:
        while self._now is now and time.monotonic() < now.ends:
            now.over.wait(0.25)
        if self._now is now:
            self.end()
