"""One visit's pages: what each address answers. Loaded when a visit is opened: most of the program comes with it."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Route, WebSocketRoute
from starlette.types import ASGIApp
from starlette.websockets import WebSocket

from clerestory.errors import UserError
from clerestory.languages import marked, speaking
from clerestory.web import stills
from clerestory.web.desk import Desk
from clerestory.web.drawings import DRAWING_BYTES, keep_drawing
from clerestory.web.faults import faults_to, log
from clerestory.web.paths import STRANGER, TAKE_BYTES, plain_file
from clerestory.web.porch import PAGES, WARM_AFTER, answering
from clerestory.web.start import key_of_folder
from clerestory.web.talk import Hub, Talk
from clerestory.web.tongue import language_of

if TYPE_CHECKING:
    from clerestory.web.export_desk import ExportDesk
    from clerestory.web.film_desk import FilmDesk
    from clerestory.web.phone import Phone
    from clerestory.web.plan_desk import PlanDesk

# Folders of the visit from which finished things are shown, and what kinds of file.
SHOWN = {
    "plan": (".pdf", ".html", ".ics"),
    "pictures": (".jpg", ".jpeg", ".html"),
    "film": (".mp4", ".jpg", ".vtt", ".srt"),
    "film/narration": (".wav",),
    "drawings": (".jpg",),
}
SUFFIX_OF_A_PICTURE = (".jpg", ".tif", ".avif", ".jxl")


class VisitPages:
    """One visit's pages: what each address answers."""

    def __init__(self, visit: Path, assets: Mapping[str, bytes]) -> None:
        self.hub = Hub()
        self.desk = Desk(visit, self.hub)
        self.key = key_of_folder(visit.resolve())
        self.assets = assets
        self.app: ASGIApp = Starlette(routes=self._routes())
        self._faults = faults_to(visit / ".clerestory")
        self._lock = threading.Lock()
        self.tiles = ThreadPoolExecutor(2, "clerestory-tiles")
        self._plan: PlanDesk | None = None
        self._film: FilmDesk | None = None
        self._phone: Phone | None = None
        self._exports: ExportDesk | None = None

    @property
    def plan(self) -> PlanDesk:
        """The plan page's work; loaded when first asked for."""
        from clerestory.web.plan_desk import PlanDesk

        with self._lock:
            if self._plan is None:
                self._plan = PlanDesk(self.desk.root, self.desk.journal, self.hub)
            return self._plan

    @property
    def phone(self) -> Phone:
        """The card handed to a phone; loaded when first asked for."""
        from clerestory.web.phone import Phone

        with self._lock:
            if self._phone is None:
                self._phone = Phone(self.hub)
            return self._phone

    @property
    def exports(self) -> ExportDesk:
        """The export page's work; loaded when first asked for."""
        from clerestory.web.export_desk import ExportDesk

        with self._lock:
            if self._exports is None:
                self._exports = ExportDesk(self.desk)
            return self._exports

    @property
    def film(self) -> FilmDesk:
        """The film page's work; loaded when first asked for."""
        from clerestory.web.film_desk import FilmDesk

        with self._lock:
            if self._film is None:
                self._film = FilmDesk(self.desk.root, self.desk.journal, self.hub)
            return self._film

    def begin(self) -> None:
        """Show what is there, and load in the background what the first view needs."""
        self.desk.begin()
        threading.Thread(target=self.warm, name="clerestory-warm", daemon=True).start()

    def close(self) -> None:
        """End what goes on in the background; nothing half-written is left."""
        self.desk.stop_reading()
        self.desk.close()
        self.tiles.shutdown(wait=False, cancel_futures=True)
        if self._film is not None:
            self._film.stop()
        if self._exports is not None:
            self._exports.stop()
        if self._phone is not None:
            self._phone.end()
        log.removeHandler(self._faults)
        self._faults.close()

    def busy(self) -> list[str]:
        """What is under way that may not be cut short, in words."""
        out = []
        if any(state in ("waiting", "writing") for state in list(self.desk.queue.values())):
            out.append("pictures are being saved")
        if self._exports is not None and self._exports.busy:
            out.append("pictures are being exported")
        if self._film is not None and self._film.state.get("state") == "making":
            out.append("the film is being made")
        return out

    @property
    def reading(self) -> bool:
        """Whether frames are being read, which goes on from there the next time, or the card is handed to a phone."""
        return (self._phone is not None and self._phone.on) or self.desk.sorting.get("state") == "reading"

    def warm(self) -> None:
        """Load what decodes and finishes, so that the first view opened does not wait for it."""
        time.sleep(WARM_AFTER)
        self.desk.darkroom()

    async def first(self, request: Request) -> Response:
        """The first page: the sort page where there are frames, else the plan."""
        frames = self.desk.table.views or self.desk.sorting.get("state") != "sorted"
        return RedirectResponse("/sort" if frames else "/plan", 303)

    async def page(self, request: Request) -> Response:
        """One of a visit's pages: all share one frame."""
        with speaking(language_of(request)):
            return Response(marked(self.assets["page.html"].decode("utf-8")), media_type="text/html")

    def _routes(self) -> list[BaseRoute]:
        return [
            Route("/", answering(self.first)),
            *[Route(f"/{name}", answering(self.page)) for name in PAGES],
            Route("/small/{name}", answering(self.small)),
            Route("/small-picture/{name}", answering(self.small_picture)),
            Route("/frame/{name}", answering(self.full_frame)),
            Route("/proof/{key}/{level:int}/{column:int}/{row:int}", answering(self.proof)),
            Route("/proof/{key}/fitted/{width:int}/{height:int}", answering(self.fitted)),
            Route("/proof/{key}/paper/{width:int}/{height:int}", answering(self.on_paper)),
            Route("/profile/{name}", answering(self.keep_paper), methods=["PUT"]),
            Route("/as-shot/{name}", answering(self.as_shot)),
            Route("/kept/{folder}/{name}", answering(self.kept)),
            Route("/exported/{folder}/{name}", answering(self.exported)),
            Route("/take/{name}", answering(self.keep_take), methods=["PUT"]),
            Route("/drawing", answering(self.keep_drawing), methods=["PUT"]),
            WebSocketRoute("/talk", self.talk),
        ]

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

    async def proof(self, request: Request) -> Response:
        """A part of a picture exactly as it will be written."""
        at = request.path_params
        return await self._part(self.desk.proofs.tile, at["key"], at["level"], at["column"], at["row"])

    async def fitted(self, request: Request) -> Response:
        """All of such a picture, reduced to a size."""
        at = request.path_params
        return await self._part(self.desk.proofs.fitted, at["key"], at["width"], at["height"])

    async def on_paper(self, request: Request) -> Response:
        """All of such a picture as a paper will show it; the header tells the share that it cannot show."""
        from clerestory.web.papers import on_paper

        at, asked = request.path_params, dict(request.query_params)
        proof = self.desk.proofs.kept(at["key"])
        size = (at["width"], at["height"])
        data, share = await asyncio.get_running_loop().run_in_executor(
            self.tiles, on_paper, self.desk.root, proof, size, asked.get("profile", ""), asked
        )
        return Response(data, media_type="image/png", headers={"x-outside": f"{share:.5f}"})

    async def keep_paper(self, request: Request) -> Response:
        """A printer's or a paper's profile from the finish page."""
        from clerestory.web.papers import PROFILE_BYTES, keep_paper

        data = await _sent(request, PROFILE_BYTES)
        if data is None:
            return JSONResponse({"error": "This file is too large for a profile."}, 413)
        return await self._kept_by(keep_paper, self.desk.root, request.path_params["name"], data)

    async def _kept_by(self, work: Callable[..., dict[str, Any]], *args: Any) -> Response:
        """What was kept of a file that a page sent, or `error`: why it cannot be; that is an answer, not a fault."""
        try:
            kept = await asyncio.get_running_loop().run_in_executor(self.desk.slow, work, *args)
        except UserError as problem:
            kept = {"error": str(problem)}
        return JSONResponse(kept)

    async def _part(self, work: Callable[..., bytes], *args: Any) -> Response:
        data = await asyncio.get_running_loop().run_in_executor(self.tiles, work, *args)
        return Response(data, media_type="image/png", headers={"cache-control": "private, max-age=3600"})

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

    async def exported(self, request: Request) -> Response:
        """A picture that was exported."""
        folder, name = request.path_params["folder"], request.path_params["name"]
        plain = "/" not in folder and not folder.startswith(".") and Path(name).suffix in SUFFIX_OF_A_PICTURE
        path = plain_file(self.desk.root, f"exports/{folder}", name) if plain else None
        if path is None:
            return PlainTextResponse("No such file.\n", 404)
        return FileResponse(path, content_disposition_type="inline")

    async def keep_drawing(self, request: Request) -> Response:
        """A scanned floor plan from the plan page."""
        data = await _sent(request, DRAWING_BYTES)
        if data is None:
            return JSONResponse({"error": "This picture is too large: at most 40 MB."}, 413)
        return await self._kept_by(keep_drawing, self.desk.root, data)

    async def keep_take(self, request: Request) -> Response:
        """A narration recording from the film page."""
        data = await _sent(request, TAKE_BYTES)
        if data is None:
            return JSONResponse({"error": "This recording is too long."}, 413)
        name = request.path_params["name"]
        kept = await asyncio.get_running_loop().run_in_executor(
            self.desk.pen, lambda: self.film.keep_take(name, data)
        )
        return JSONResponse({"kept": kept})

    async def talk(self, websocket: WebSocket) -> None:
        """One open page's conversation."""
        await Talk(websocket, self.hub, self).run()


async def _sent(request: Request, most: int) -> bytes | None:
    """What a page sends; None where it is more than so many bytes."""
    size = request.headers.get("content-length", "")
    if not size.isdigit() or int(size) > most:
        return None
    data = bytearray()
    async for block in request.stream():
        data += block
        if len(data) > most:
            return None
    return bytes(data)
