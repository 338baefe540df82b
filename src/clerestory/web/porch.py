"""The addresses of the start and import pages, and the way on to the pages of the visit that is open."""

from __future__ import annotations

import asyncio
import contextlib
import logging
from collections.abc import AsyncIterator, Awaitable, Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route, WebSocketRoute
from starlette.types import Receive, Scope, Send
from starlette.websockets import WebSocket

from clerestory.errors import UserError
from clerestory.languages import marked, speaking
from clerestory.web.gate import Once
from clerestory.web.house import House
from clerestory.web.paths import STRANGER, plain_file
from clerestory.web.records import PAGE, catalogue, catalogue_file
from clerestory.web.start import folders_in, places, small_picture
from clerestory.web.talk import ANOTHER, Call, Conversation
from clerestory.web.tongue import language_of, words

WARM_AFTER = 1.5  # seconds until what is needed later is loaded: the first page goes first
PAGES = ("plan", "sort", "finish", "export", "film")
log = logging.getLogger("clerestory.web")
KINDS = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
Handler = Callable[[Request], Awaitable[Response]]


def all_assets() -> dict[str, bytes]:
    """The program's own files for the browser, all read at the start: nothing else can be asked for."""
    folder = files("clerestory.web").joinpath("assets")
    return {f.name: f.read_bytes() for f in folder.iterdir() if Path(f.name).suffix in KINDS}


def answering(handler: Handler) -> Handler:
    """Refusals meant for a person, as an answer."""

    async def answer(request: Request) -> Response:
        try:
            return await handler(request)
        except UserError as problem:
            return JSONResponse({"error": str(problem)}, 400)
        except asyncio.CancelledError:  # the server is being stopped
            return JSONResponse({"error": "The server stopped."}, 503)
        except Exception as problem:
            log.exception("%s", request.url.path)
            return JSONResponse({"error": f"A fault of ours ({type(problem).__name__})."}, 500)

    return answer


class Porch:
    """What is there before a visit is open, and beside it."""

    def __init__(self, house: House, assets: Mapping[str, bytes]) -> None:
        self.house, self.assets = house, assets
        self.pool = ThreadPoolExecutor(6, "clerestory-porch")
        self.looks = ThreadPoolExecutor(1, "clerestory-card")  # a card is read by one at a time

    def app(self, started: Callable[[], None], watch: Callable[[], Awaitable[None]] | None, once: Once) -> Starlette:
        """All of it as an application; `started()` is called once it listens, `watch` runs as long as it does."""

        @contextlib.asynccontextmanager
        async def lifespan(_: Starlette) -> AsyncIterator[None]:
            watching = asyncio.ensure_future(watch()) if watch is not None else None
            started()
            yield
            if watching is not None:
                watching.cancel()
            self.house.close()
            for pool in (self.pool, self.looks):
                pool.shutdown(wait=False, cancel_futures=True)

        async def key(request: Request) -> Response:
            return PlainTextResponse(once.fresh())

        routes = [
            Route("/key", key),
            Route("/start", answering(self.page)),
            Route("/import", answering(self.page)),
            Route("/records", answering(self.page)),
            Route("/records/learned.html", answering(self.learned)),
            Route("/records/{name}", answering(self.catalogue)),
            Route("/words.json", answering(words)),
            Route("/assets/{name}", answering(self.asset)),
            Route("/recent/{key}", answering(self.recent)),
            Route("/card/{number:int}", answering(self.card)),
            WebSocketRoute("/door", self.door),
            Mount("/", self.visit_or_start),
        ]
        return Starlette(routes=routes, lifespan=lifespan)

    async def page(self, request: Request) -> Response:
        """The start page and the import page share one frame."""
        with speaking(language_of(request)):
            return Response(marked(self.assets["start.html"].decode("utf-8")), media_type="text/html")

    async def asset(self, request: Request) -> Response:
        """A script, a style or a drawing of the program's own."""
        name = request.path_params["name"]
        data = self.assets.get(name)
        if data is None:
            return PlainTextResponse("No such page.\n", 404)
        return Response(data, media_type=KINDS[Path(name).suffix])

    async def recent(self, request: Request) -> Response:
        """The picture of a visit that was open lately."""
        found = self.house.recents.find(request.path_params["key"])
        if found is None:
            return PlainTextResponse("No such visit.\n", 404)
        path = await self._in(self.pool, lambda: small_picture(Path(found.path)))
        return FileResponse(path, media_type="image/jpeg") if path else Response(status_code=204)

    async def learned(self, request: Request) -> Response:
        """The page that learning wrote, as a stranger: it carries its own styles."""
        visit = self.house.visit
        path = plain_file(visit.root, ".", PAGE) if visit is not None else None
        if path is None:
            return PlainTextResponse("No such page.\n", 404)
        return Response(path.read_bytes(), media_type="text/html", headers={"content-security-policy": STRANGER})

    async def catalogue(self, request: Request) -> Response:
        """The open visit's catalogue, to be saved."""
        visit, name = self.house.visit, request.path_params["name"]
        if visit is None:
            return PlainTextResponse("No visit is open.\n", 404)
        having = request.query_params.get("having", "")
        text = await self._in(self.pool, lambda: catalogue_file(visit, name, having))
        kind = "text/csv; charset=utf-8" if name.endswith(".csv") else "application/json"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(text.encode(), headers={**headers, "content-type": kind})

    async def card(self, request: Request) -> Response:
        """A frame on the card that was looked at, small."""
        number = request.path_params["number"]
        data = await self._in(self.looks, lambda: self.house.bringing.picture(number))
        return Response(data, media_type="image/jpeg") if data else Response(status_code=204)

    async def _in(self, pool: ThreadPoolExecutor, work: Callable[[], Any]) -> Any:
        return await asyncio.get_running_loop().run_in_executor(pool, work)

    async def door(self, websocket: WebSocket) -> None:
        """The conversation of a start or import page."""
        await Conversation(websocket, self.house.hub, self._call).run()

    def _call(self, kind: str, m: dict[str, Any]) -> Call | None:
        house = self.house
        calls: dict[str, Call] = {
            "start": (self.pool, house.facts),
            "places": (self.pool, places),
            "folders": (self.pool, lambda: folders_in(str(m["path"]))),
            "begin": (self.pool, lambda: house.begin(str(m["name"]), str(m["place"]))),
            "open": (self.pool, lambda: house.open_asked(str(m["path"]), bool(m.get("anyway")))),
            "open recent": (self.pool, lambda: house.open_recent(str(m["key"]))),
            "forget": (self.pool, lambda: house.recents.drop(str(m["key"]))),
            "demo": (self.pool, house.begin_demo),
            "stop demo": (self.pool, house.errand.stop),
            "records": (self.pool, lambda: house.records.facts(house.visit)),
            "record": (self.pool, lambda: house.records.begin(str(m["what"]), house.visit)),
            "stop record": (self.pool, lambda: house.records.stop(str(m["what"]))),
            "catalogue": (self.pool, lambda: catalogue(house.visit, str(m.get("having") or ""))),
            "look": (self.looks, lambda: house.bringing.look(str(m["card"]), house.visit)),
            "import": (self.pool, lambda: house.begin_import(str(m["card"]), str(m.get("second") or ""))),
            "stop import": (self.pool, house.bringing.stop),
        }
        return calls.get(kind)

    async def visit_or_start(self, scope: Scope, receive: Receive, send: Send) -> None:
        """The open visit's pages; where none is open, the way to the start page."""
        opened = self.house.opened
        if scope["type"] == "websocket" and (opened is None or _visit_of(scope) not in ("", opened.pages.key)):
            socket = WebSocket(scope, receive, send)
            await socket.accept()
            await socket.close(ANOTHER)
        elif opened is not None:
            await opened.pages.app(scope, receive, send)
        elif scope["path"] in ("/", *(f"/{name}" for name in PAGES)):
            await RedirectResponse("/start", 303)(scope, receive, send)
        else:
            await PlainTextResponse("No such page; no visit is open.\n", 404)(scope, receive, send)


def _visit_of(scope: Scope) -> str:
    """Which visit a page shows, as it says itself; '' where it does not know yet."""
    return parse_qs(scope.get("query_string", b"").decode("latin-1")).get("visit", [""])[0]
