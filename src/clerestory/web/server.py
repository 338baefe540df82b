"""The server of the pages: addresses, files, start and end. Bound to this computer alone."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import secrets
import socket
import threading
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket

from clerestory.errors import UserError
from clerestory.files.lock import Taken
from clerestory.run.system import hold_port
from clerestory.visit.folder import VisitFolder
from clerestory.web import stills
from clerestory.web.desk import Desk
from clerestory.web.gate import Gate
from clerestory.web.paths import TAKE_BYTES, plain_file
from clerestory.web.session import Session, read_session, write_session
from clerestory.web.talk import Hub, Talk

if TYPE_CHECKING:
    from clerestory.web.film_desk import FilmDesk
    from clerestory.web.plan_desk import PlanDesk

PAGES = ("plan", "sort", "finish", "film")
KINDS = {".js": "text/javascript", ".css": "text/css", ".html": "text/html", ".svg": "image/svg+xml"}
# The field card and reports carry their own styles and scripts: they are shown as strangers, with nothing to reach.
STRANGER = (
    "sandbox allow-scripts allow-popups; default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; "
    "img-src data:; frame-ancestors 'none'"
)
# Folders of the visit from which finished things are shown, and what kinds of file.
SHOWN = {
    "plan": (".pdf", ".html", ".ics"),
    "pictures": (".jpg", ".jpeg", ".html"),
    "film": (".mp4", ".jpg", ".vtt", ".srt"),
    "film/narration": (".wav",),
}
WARM_AFTER = 1.5  # seconds: the first page goes first
log = logging.getLogger("clerestory.web")
Handler = Callable[[Request], Awaitable[Response]]


class _Pages:
    """What each address answers."""

    def __init__(self, visit: Path) -> None:
        self.hub = Hub()
        self.desk = Desk(visit, self.hub)
        self.assets = _assets()
        self._lock = threading.Lock()
        self._plan: PlanDesk | None = None
        self._film: FilmDesk | None = None

    @property
    def plan(self) -> PlanDesk:
        """The plan page's work; loaded when first asked for."""
        from clerestory.web.plan_desk import PlanDesk

        with self._lock:
            if self._plan is None:
                self._plan = PlanDesk(self.desk.root, self.desk.journal, self.hub)
            return self._plan

    @property
    def film(self) -> FilmDesk:
        """The film page's work; loaded when first asked for."""
        from clerestory.web.film_desk import FilmDesk

        with self._lock:
            if self._film is None:
                self._film = FilmDesk(self.desk.root, self.desk.journal, self.hub)
            return self._film

    def close(self) -> None:
        """End what goes on in the background; nothing half-written is left."""
        self.desk.close()
        if self._film is not None:
            self._film.stop()

    def warm(self) -> None:
        """Load what decodes and finishes, so that the first view opened does not wait for it."""
        time.sleep(WARM_AFTER)
        self.desk.darkroom()

    async def first(self, request: Request) -> Response:
        """The first page: the sort page where there are frames, else the plan."""
        has_frames = self.desk.table.views or self.desk.sorting.get("state") == "reading"
        return RedirectResponse("/sort" if has_frames else "/plan", 303)

    async def page(self, request: Request) -> Response:
        """One of the four pages: all share one frame."""
        return self._asset("page.html")

    async def asset(self, request: Request) -> Response:
        """A script, a style or a drawing of the program's own."""
        return self._asset(request.path_params["name"])

    def _asset(self, name: str) -> Response:
        data = self.assets.get(name)
        if data is None:
            return PlainTextResponse("No such page.\n", 404)
        return Response(data, media_type=KINDS[Path(name).suffix])

    async def small(self, request: Request) -> Response:
        """A frame's small picture."""
        path = self.desk.frame(request.path_params["name"])
        return await self._made(stills.thumbnail, self.desk.visit, path)

    async def small_picture(self, request: Request) -> Response:
        """A finished picture, small."""
        path = plain_file(self.desk.root, "pictures", request.path_params["name"])
        if path is None:
            return PlainTextResponse("No such file.\n", 404)
        return await self._made(stills.small_picture, self.desk.visit, path)

    async def full_frame(self, request: Request) -> Response:
        """A frame at full size."""
        return await self._made(self.desk.full_frame, request.path_params["name"])

    async def full_picture(self, request: Request) -> Response:
        """A picture at full size as it would be written."""
        return await self._made(self.desk.full_picture, request.path_params["name"])

    async def as_shot(self, request: Request) -> Response:
        """A view's frame as it came."""
        name = request.path_params["name"]
        data = await asyncio.get_running_loop().run_in_executor(
            self.desk.slow, lambda: self.desk.opened(name).as_shot()
        )
        return Response(data, media_type="image/jpeg")

    async def _made(self, work: Callable[..., Path], *args: Any) -> Response:
        path = await asyncio.get_running_loop().run_in_executor(self.desk.slow, work, *args)
        return FileResponse(path, media_type="image/jpeg", headers={"cache-control": "private, max-age=3600"})

    async def kept(self, request: Request) -> Response:
        """A file that the program wrote into the visit: a picture, the card, the film."""
        folder, name = request.path_params["folder"], request.path_params["name"]
        if folder == "narration":
            folder = "film/narration"
        suffix = Path(name).suffix.lower()
        path = plain_file(self.desk.root, folder, name) if suffix in SHOWN.get(folder, ()) else None
        if path is None:
            return PlainTextResponse("No such file.\n", 404)
        if suffix == ".html":
            return Response(path.read_bytes(), media_type="text/html", headers={"content-security-policy": STRANGER})
        # The browser's own reader of PDF is a page with styles of its own.
        headers = {"content-security-policy": "frame-ancestors 'none'"} if suffix == ".pdf" else None
        return FileResponse(path, content_disposition_type="inline", headers=headers)

    async def keep_take(self, request: Request) -> Response:
        """A narration recording from the film page."""
        size = request.headers.get("content-length", "")
        if not size.isdigit() or int(size) > TAKE_BYTES:
            return JSONResponse({"error": "This recording is too long."}, 413)
        data = bytearray()
        async for block in request.stream():
            data += block
            if len(data) > TAKE_BYTES:
                return JSONResponse({"error": "This recording is too long."}, 413)
        name = request.path_params["name"]
        kept = await asyncio.get_running_loop().run_in_executor(
            self.desk.pen, lambda: self.film.keep_take(name, bytes(data))
        )
        return JSONResponse({"kept": kept})

    async def talk(self, websocket: WebSocket) -> None:
        """One open page's conversation."""
        await Talk(websocket, self.hub, self).run()


def _assets() -> dict[str, bytes]:
    """The program's own files for the browser, all read at the start: nothing else can be asked for."""
    folder = files("clerestory.web").joinpath("assets")
    return {f.name: f.read_bytes() for f in folder.iterdir() if Path(f.name).suffix in KINDS}


def _say(handler: Handler) -> Handler:
    """Refusals meant for a person, as an answer."""

    async def answering(request: Request) -> Response:
        try:
            return await handler(request)
        except UserError as problem:
            return JSONResponse({"error": str(problem)}, 400)
        except asyncio.CancelledError:  # the server is being stopped
            return JSONResponse({"error": "The server stopped."}, 503)
        except Exception as problem:
            log.exception("%s", request.url.path)
            return JSONResponse({"error": f"A fault of ours ({type(problem).__name__})."}, 500)

    return answering


def _faults_to(visit: Path) -> None:
    """Faults of ours go to a file beside the catalogue: no one reading the terminal has use for them."""
    (visit / ".clerestory").mkdir(exist_ok=True)
    keep = logging.FileHandler(visit / ".clerestory" / "faults.log", encoding="utf-8", delay=True)
    keep.setFormatter(logging.Formatter("%(asctime)s %(message)s"))
    log.addHandler(keep)
    log.propagate = False


def app(visit: Path, token: str, started: Callable[[], None] | None = None) -> ASGIApp:
    """The pages of one visit as an ASGI application; only those who hold `token` are let in."""
    pages = _Pages(visit)

    @contextlib.asynccontextmanager
    async def lifespan(_: Starlette) -> AsyncIterator[None]:
        pages.desk.begin()
        threading.Thread(target=pages.warm, name="clerestory-warm", daemon=True).start()
        if started is not None:
            started()
        yield
        pages.close()

    routes = [
        Route("/", _say(pages.first)),
        *[Route(f"/{name}", _say(pages.page)) for name in PAGES],
        Route("/assets/{name}", _say(pages.asset)),
        Route("/small/{name}", _say(pages.small)),
        Route("/small-picture/{name}", _say(pages.small_picture)),
        Route("/frame/{name}", _say(pages.full_frame)),
        Route("/picture/{name}", _say(pages.full_picture)),
        Route("/as-shot/{name}", _say(pages.as_shot)),
        Route("/kept/{folder}/{name}", _say(pages.kept)),
        Route("/take/{name}", _say(pages.keep_take), methods=["PUT"]),
        WebSocketRoute("/talk", pages.talk),
    ]
    return Gate(Starlette(routes=routes, lifespan=lifespan), token)


def serve(folder: Path, port: int = 0, ready: Callable[[str], None] | None = None) -> None:
    """Serve the pages on a visit until interrupted. `port` 0 takes that of last time, else a free one.

    `ready` hears the address to open. Listens on this computer's loopback address only. A server started again on the
    same folder has the same key, and the same port where it is free, so that open pages find it again. Raises
    UserError where the folder or the port cannot be had, or the folder's pages are open already.
    """
    visit = VisitFolder.open(Path(folder))
    try:
        with visit.serving():
            _serve(visit, port, ready)
    except Taken as problem:
        known = read_session(visit)
        where = f"; open {known.address}, or end that program" if known is not None else "; end that program first"
        raise UserError(f"{str(problem).removesuffix('.')}{where}.") from problem


def _serve(visit: VisitFolder, port: int, ready: Callable[[str], None] | None) -> None:
    known = read_session(visit)
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    with listener:
        hold_port(listener)
        _bind(listener, port, known)
        listener.listen(64)
        session = Session(known.token if known else secrets.token_urlsafe(24), listener.getsockname()[1])
        write_session(visit, session)
        _faults_to(visit.root)
        application = app(visit.root, session.token, (lambda: ready(session.address)) if ready is not None else None)
        config = uvicorn.Config(
            application, log_level="critical", access_log=False, ws="websockets-sansio", server_header=False,
            ws_max_size=4_000_000, timeout_graceful_shutdown=2,
        )  # fmt: skip
        uvicorn.Server(config).run(sockets=[listener])


def _bind(listener: socket.socket, port: int, known: Session | None) -> None:
    """The port asked for, else that of last time, where open pages still look for the server, else a free one."""
    if not port and known is not None:
        with contextlib.suppress(OSError):
            listener.bind(("127.0.0.1", known.port))
            return
    try:
        listener.bind(("127.0.0.1", port))
    except OSError as problem:
        raise UserError(f"Port {port} is not available ({problem.strerror}); choose another, or leave it out.") \
            from problem  # fmt: skip
