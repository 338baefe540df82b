"""Who may come in: this computer's own browser, with this start's token, from this server's own pages."""

from __future__ import annotations

import hmac
import re
import secrets
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

# Nothing from outside, nothing inline: all scripts, styles and pictures are this server's own.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; media-src 'self' blob:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=(self)",
    "cache-control": "no-store",
}
# An encoded slash, backslash, dot or zero byte has no business in any address this server gives out.
_CROOKED = re.compile(rb"(?i)%2e|%2f|%5c|%00|\\|//|/\.|%25")


class Once:
    """A key that lets in a single time: for an address that other users may see in the list of processes."""

    def __init__(self) -> None:
        self._key = ""

    def fresh(self) -> str:
        """A new one; the one before is no longer taken."""
        self._key = secrets.token_urlsafe(24)
        return self._key

    def take(self, given: str) -> bool:
        """Whether this is the key; it is used up then."""
        if not self._key or not hmac.compare_digest(given.encode(), self._key.encode()):
            return False
        self._key = ""
        return True


class Gate:
    """Refuses every request and websocket without the token, with a foreign Host or Origin, or a crooked path."""

    def __init__(self, inner: ASGIApp, token: str, once: Once | None = None) -> None:
        self.inner = inner
        self.token = token
        self.once = once or Once()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.inner(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is None:
            await self.inner(scope, receive, _with_headers(send) if scope["type"] == "http" else send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": "refused"})
        else:
            await refusal(scope, receive, _with_headers(send))

    def _refusal(self, scope: Scope) -> Response | None:
        """What to answer instead of letting the request in; None lets it in."""
        headers = Headers(scope=scope)
        port = scope["server"][1]
        hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}
        if headers.getlist("host") != [headers.get("host", "")] or headers.get("host") not in hosts:
            return _no(403, "This address is not one this server answers to.")
        unsafe = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        origins = headers.getlist("origin")
        if (unsafe and not origins) or any(origin != f"http://{headers['host']}" for origin in origins):
            return _no(403, "Another page may not ask this server for anything.")
        if headers.get("sec-fetch-site", "none") not in ("same-origin", "none"):
            return _no(403, "Another page may not ask this server for anything.")
        if _CROOKED.search(scope.get("raw_path") or b"") or ".." in scope["path"]:
            return _no(400, "No such page.")
        return self._stranger(scope, headers, port)

    def _stranger(self, scope: Scope, headers: Headers, port: int) -> Response | None:
        name = f"clerestory-{port}"
        if hmac.compare_digest(_cookie(headers, name).encode(), self.token.encode()):
            return None
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        if scope["type"] == "http" and scope["path"] == "/" and scope["method"] == "GET" and self._is_key(given):
            answer = RedirectResponse("/", 303)
            answer.set_cookie(name, self.token, path="/", httponly=True, samesite="strict")
            return answer
        return _no(403, "Open the address that clerestory printed when it started; it holds this start's key.")

    def _is_key(self, given: str) -> bool:
        return self.once.take(given) or hmac.compare_digest(given.encode(), self.token.encode())


def _no(status: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", status)


def _cookie(headers: Headers, name: str) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(name)
    except CookieError:
        return ""
    return found.value if found else ""


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name for name, _ in message["headers"]}
            extra = [(k.encode(), v.encode()) for k, v in HEADERS.items() if k.encode() not in there]
            message = {**message, "headers": [*message["headers"], *extra]}
        await send(message)

    return sending
