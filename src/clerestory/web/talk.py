"""One page's conversation with the server over its websocket."""

from __future__ import annotations

import asyncio
import base64
import json
import logging
import struct
import threading
from collections.abc import Callable
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any, Protocol

from starlette.websockets import WebSocket, WebSocketDisconnect

from clerestory.errors import Mistakes, UserError
from clerestory.languages import speaking
from clerestory.run.progress import BrokenOff
from clerestory.web.conflict import Conflict
from clerestory.web.tongue import language_of

if TYPE_CHECKING:
    from clerestory.web.desk import Desk
    from clerestory.web.export_desk import ExportDesk
    from clerestory.web.film_desk import FilmDesk
    from clerestory.web.phone import Phone
    from clerestory.web.plan_desk import PlanDesk

log = logging.getLogger("clerestory.web")
WIDTHS = (320, 2400)  # of previews, pixels
EYE_FIRST = 0.1  # seconds at most that a change is written later, so that the picture it asks for is drawn first
ANOTHER = 4001  # the code with which a page's line is closed when its visit is no longer the one that is open
Call = tuple[Executor, Callable[[], Any]]


Outbox = asyncio.Queue["str | bytes | None"]  # None: the line is closed


class Hub:
    """Passes what happens, from any thread, to every open page."""

    def __init__(self) -> None:
        self._pages: dict[int, Outbox] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lock = threading.Lock()

    def __call__(self, event: str, **facts: Any) -> None:
        text = json.dumps({"event": event, **facts}, ensure_ascii=False)
        with self._lock:
            loop, pages = self._loop, list(self._pages.values())
        if loop is not None and not loop.is_closed():
            for page in pages:
                loop.call_soon_threadsafe(page.put_nowait, text)

    def count(self) -> int:
        """How many pages are open."""
        with self._lock:
            return len(self._pages)

    def part(self) -> None:
        """Close every page's line: what it showed is no longer what is open."""
        with self._lock:
            loop, pages = self._loop, list(self._pages.values())
        if loop is not None and not loop.is_closed():
            for page in pages:
                loop.call_soon_threadsafe(page.put_nowait, None)

    def join(self, outbox: Outbox) -> None:
        with self._lock:
            self._loop = asyncio.get_running_loop()
            self._pages[id(outbox)] = outbox

    def leave(self, outbox: Outbox) -> None:
        with self._lock:
            self._pages.pop(id(outbox), None)


def _wide(width: Any) -> int:
    """A preview's width as asked for, within bounds."""
    return min(max(int(width), WIDTHS[0]), WIDTHS[1])


def packed(header: dict[str, Any], data: bytes) -> bytes:
    """A header and bytes in one message: four bytes of the header's length (big-endian), JSON, then the data."""
    head = json.dumps(header).encode()
    return struct.pack(">I", len(head)) + head + data


class Visit(Protocol):
    """What a conversation is about."""

    @property
    def desk(self) -> Desk: ...
    @property
    def plan(self) -> PlanDesk: ...
    @property
    def film(self) -> FilmDesk: ...
    @property
    def exports(self) -> ExportDesk: ...
    @property
    def phone(self) -> Phone: ...


class Conversation:
    """One open page: questions, each with one answer, and what is told to every page."""

    def __init__(self, socket: WebSocket, hub: Hub, call_of: Callable[[str, dict[str, Any]], Call | None]) -> None:
        """`call_of(kind, message)` says what to call, and in which pool, for a question; None: not known."""
        self.socket, self.hub, self.call_of = socket, hub, call_of
        self.outbox: Outbox = asyncio.Queue()
        self.language = language_of(socket)
        self._under_way: set[asyncio.Task[None]] = set()

    async def run(self) -> None:
        """Talk until the page closes."""
        await self.socket.accept()
        self.hub.join(self.outbox)
        tasks = [asyncio.create_task(self._send()), *self._beside()]
        try:
            while True:
                self._take(await self.socket.receive_text())
        except (WebSocketDisconnect, RuntimeError, KeyError):
            pass
        finally:
            self.hub.leave(self.outbox)
            for task in (*tasks, *self._under_way):
                task.cancel()

    def _beside(self) -> list[asyncio.Task[None]]:
        """What else goes on as long as the page is open."""
        return []

    def _take(self, text: str) -> None:
        try:
            message = json.loads(text)
            kind = str(message["do"])
        except (ValueError, TypeError, KeyError):
            return
        self._taken(kind, message)

    def _taken(self, kind: str, message: dict[str, Any]) -> None:
        task = asyncio.create_task(self._answer(message))
        self._under_way.add(task)
        task.add_done_callback(self._under_way.discard)

    async def _send(self) -> None:
        while True:
            message = await self.outbox.get()
            if message is None:
                await self.socket.close(ANOTHER)
                return
            if isinstance(message, bytes):
                await self.socket.send_bytes(message)
            else:
                await self.socket.send_text(message)

    def _say(self, **facts: Any) -> None:
        self.outbox.put_nowait(json.dumps(facts, ensure_ascii=False))

    async def _answer(self, message: dict[str, Any]) -> None:
        number = message.get("id")
        try:
            result = await self._do(message)
        except Conflict as problem:
            self._say(id=number, error=str(problem), conflict=problem.facts)
        except Mistakes as problem:
            told = [vars(mistake) for mistake in problem.found]
            self._say(id=number, error=str(problem), mistakes=told)
        except UserError as problem:
            self._say(id=number, error=str(problem))
        except (KeyError, TypeError, ValueError, AttributeError) as problem:
            self._say(id=number, error=f"This was not understood ({type(problem).__name__}); reload the page.")
        except OSError as problem:
            self._say(id=number, error=f"{problem.filename or 'The disk'}: {problem.strerror or problem}.")
        except Exception as problem:
            log.exception("%s", message.get("do"))
            self._say(id=number, error=f"A fault of ours ({type(problem).__name__}); what was done before is kept.")
        else:
            if isinstance(result, bytes):
                self.outbox.put_nowait(packed({"id": number}, result))
            else:
                self._say(id=number, result=result)

    async def _do(self, message: dict[str, Any]) -> Any:
        kind = str(message["do"])
        found = self.call_of(kind, message)
        if found is None:
            raise UserError(f"'{kind}' is not something this server does; reload the page.")
        pool, call = found
        key = str(message.get("key") or "")
        return await asyncio.get_running_loop().run_in_executor(pool, self._spoken, key, call)

    def _spoken(self, key: str, call: Callable[[], Any]) -> Any:
        """What is asked for, in the page's language as far as it is said through the catalogue."""
        with speaking(self.language):
            return self._once(key, call)

    def _once(self, key: str, call: Callable[[], Any]) -> Any:
        return call()


class Talk(Conversation):
    """One open page of a visit."""

    def __init__(self, socket: WebSocket, hub: Hub, visit: Visit) -> None:
        super().__init__(socket, hub, self._call)
        self.visit, self.desk = visit, visit.desk
        self.latest: dict[str, dict[str, Any]] = {}
        self.waiting = asyncio.Event()
        self.eye = threading.Event()  # set while no picture under the hand is asked for or drawn
        self.eye.set()

    def _beside(self) -> list[asyncio.Task[None]]:
        return [asyncio.create_task(self._render())]

    def _taken(self, kind: str, message: dict[str, Any]) -> None:
        if kind in ("preview", "reading"):  # only the latest of each matters
            settled = kind == "preview" and bool(message.get("settled", True))
            if kind == "preview" and not settled:
                self.latest.pop("settled", None)
                self.eye.clear()
            self.latest["settled" if settled else kind] = message
            self.waiting.set()
        else:
            super()._taken(kind, message)

    def _say(self, **facts: Any) -> None:
        for name in ("error", "said"):
            if name in facts:  # files are told as they lie in the visit
                facts[name] = str(facts[name]).replace(f"{self.desk.root}/", "")
        super()._say(**facts)

    def _call(self, kind: str, message: dict[str, Any]) -> Call | None:
        for work in (self._about_texts, self._about_views, self._about_recipes, self._about_versions,
                     self._about_plan, self._about_film, self._about_exports, self._about_phone):  # fmt: skip
            found = work(kind, message)
            if found is not None:
                return found
        return None

    def _once(self, key: str, call: Callable[[], Any]) -> Any:
        """What a page asks again after the server was started anew is not done twice."""
        journal = self.desk.journal
        if not key:
            return call()
        if journal.knows(key):
            return None
        with journal.asked(key):
            return call()

    def _about_texts(self, kind: str, m: dict[str, Any]) -> Call | None:
        texts, desk = self.desk.texts, self.desk
        calls: dict[str, Call] = {
            "text": (desk.pen, lambda: texts.read(m["name"])),
            "text save": (desk.pen, lambda: self._saved(m["name"], m["text"], m["based"])),
            "text drop": (desk.pen, lambda: self._dropped(m["name"], m["based"])),
        }
        return calls.get(kind)

    def _saved(self, name: str, text: str, based: str) -> dict[str, Any]:
        out = self.desk.texts.save(name, text, based)
        self.desk.texts_changed([name])
        return out

    def _dropped(self, name: str, based: str) -> None:
        self.desk.texts.own_again(name, based)
        self.desk.texts_changed([name])

    def _about_views(self, kind: str, m: dict[str, Any]) -> Call | None:
        desk = self.desk
        calls: dict[str, Call] = {
            "visit": (desk.pen, self._after_the_eye(desk.visit_facts)),
            "sort again": (desk.pen, desk.sort_again),
            "stop reading": (desk.pen, desk.stop_reading),
            "stop work": (desk.pen, lambda: desk.stop_away(m["what"])),
            "frames": (desk.slow, lambda: desk.frame_facts(m["view"])),
            "compared": (desk.slow, lambda: desk.compared(m["first"], m["second"])),
            "split": (desk.pen, lambda: desk.split(m["view"], m["frames"])),
            "join": (desk.pen, lambda: desk.join(m["view"], m["other"])),
            "leave out": (desk.pen, lambda: desk.leave_out(m["frames"])),
            "bring back": (desk.pen, lambda: desk.leave_out(m["frames"], back=True)),
            "words": (desk.pen, lambda: desk.words.facts([v.name for v in desk.table.views])),
            "say words": (desk.pen, lambda: self._say_words(m["views"], m["values"], m.get("was"))),
            "pick": (desk.pen, lambda: self._pick(m["view"], m["frame"])),
        }
        return calls.get(kind)

    def _pick(self, view: str, frame: str) -> None:
        own = self.desk.table.view(view).pick.name
        self.desk.set_recipe(view, {"pick": None if frame == own else frame}, "", "sort")
        self.desk.tell("views")

    def _about_recipes(self, kind: str, m: dict[str, Any]) -> Call | None:
        desk = self.desk
        calls: dict[str, Call] = {
            "recipe": (desk.pen, lambda: desk.recipe(m["view"]).model_dump(mode="json")),
            "set": (
                desk.pen,
                self._after_the_eye(
                    lambda: desk.set_recipe(
                        m["view"], m["values"], m.get("gesture", ""), was=m.get("was")
                    ).model_dump(mode="json")
                ),
            ),
            "copy": (desk.pen, lambda: desk.copy_recipe(m["view"], m["others"], m["what"])),
            "undo": (desk.pen, lambda: desk.step(m["scope"], True)),
            "redo": (desk.pen, lambda: desk.step(m["scope"], False)),
            "ahead": (desk.pen, self._after_the_eye(lambda: desk.journal.ahead(m["scope"]))),
            "open": (desk.slow, lambda: desk.opened(m["view"]).view.name),
            "edges": (desk.slow, lambda: desk.opened(m["view"]).edges()),
            "papers": (desk.quick, desk.papers),
            "proof": (desk.slow, lambda: desk.proof(m["view"], m.get("values") or {})),
            "before": (desk.quick, lambda: self._before(m["view"], m.get("values") or {}, m["width"])),
            "whole": (desk.quick, lambda: self._whole(m["view"], m.get("values") or {}, m["width"])),
            "marks": (desk.quick, lambda: self._marks(m["view"])),
            "export": (desk.pen, lambda: desk.export(m["views"], bool(m.get("tiff")), bool(m.get("better")))),
            "stop writing": (desk.pen, desk.stop_writing),
        }
        return calls.get(kind)

    def _after_the_eye(self, work: Callable[[], Any]) -> Callable[[], Any]:
        """Work that waits its turn, EYE_FIRST at most, while a picture under the hand is drawn. It waits in its pool,
        so that what is asked after it is still done after it."""

        def patient() -> Any:
            self.eye.wait(EYE_FIRST)
            return work()

        return patient

    def _about_versions(self, kind: str, m: dict[str, Any]) -> Call | None:
        desk, kept = self.desk, self.desk.kept
        calls: dict[str, Call] = {
            "versions": (desk.pen, lambda: kept.facts(m["view"])),
            "version": (desk.pen, lambda: kept.version(m["view"], m["name"])),
            "version keep": (desk.pen, lambda: kept.keep(m["view"], str(m["name"]))),
            "version take": (desk.pen, lambda: kept.take(m["view"], str(m["name"]))),
            "version drop": (desk.pen, lambda: kept.drop(str(m["view"]), str(m["name"]))),
            "set keep": (desk.pen, lambda: kept.keep_set(m["view"], str(m["name"]), m["what"])),
            "set put": (desk.pen, lambda: kept.put_set(str(m["name"]), m["views"])),
            "step back to": (desk.pen, lambda: kept.back_to(m["view"], int(m["number"]))),
            "still": (desk.quick, lambda: self._still(m["view"], m.get("values") or {}, m["width"])),
        }
        return calls.get(kind)

    def _still(self, view: str, values: dict[str, Any], width: int) -> bytes:
        opened, recipe = self.desk.opened(view), self.desk.as_shown(view, values)
        with opened.lock:
            return opened.still(recipe, _wide(width))

    def _say_words(self, names: list[str], values: dict[str, Any], was: dict[str, Any] | None) -> None:
        for name in names:
            self.desk.table.view(name)
        self.desk.words.say(names, values, was)

    def _before(self, view: str, values: dict[str, Any], width: int) -> bytes:
        opened, recipe = self.desk.opened(view), self.desk.as_shown(view, values)
        with opened.lock:
            return opened.before(recipe, _wide(width))

    def _whole(self, view: str, values: dict[str, Any], width: int) -> dict[str, Any]:
        opened, recipe = self.desk.opened(view), self.desk.as_shown(view, values)
        with opened.lock:
            facts, jpeg = opened.whole(recipe, _wide(width))
        return {**facts, "picture": f"data:image/jpeg;base64,{base64.b64encode(jpeg).decode()}"}

    def _marks(self, view: str) -> bytes:
        opened = self.desk.opened(view)
        with opened.lock:
            return opened.marks()

    def _about_plan(self, kind: str, m: dict[str, Any]) -> Call | None:
        if not kind.startswith("plan"):
            return None
        visit, desk = self.visit, self.desk  # the plan itself is loaded by whoever works on it
        calls: dict[str, Call] = {
            "plan": (desk.slow, lambda: visit.plan.facts()),
            "plan begin": (desk.pen, lambda: visit.plan.begin()),
            "plan day": (desk.slow, lambda: visit.plan.day(m["date"])),
            "plan write": (desk.slow, lambda: visit.plan.write()),
            "plan change": (desk.pen, lambda: visit.plan.drawing.change(m["changes"], m.get("gesture", ""))),
            "plan church": (desk.pen, lambda: visit.plan.drawing.begin(m["numbers"])),
            "plan live": (
                desk.slow,
                lambda: visit.plan.drawing.live(m["view"], m["changes"], m.get("station", "")),
            ),
            "plan window": (desk.slow, lambda: visit.plan.drawing.window(m["window"], m["changes"], m["date"])),
            "plan place": (
                desk.slow,
                lambda: visit.plan.drawing.place(desk.frame(m["frame"]), m.get("towards") or None),
            ),
            "plan picture": (
                desk.slow,
                lambda: visit.plan.drawing.picture(m["view"], m["changes"], m.get("station", ""), m.get("seconds")),
            ),
        }
        return calls.get(kind)

    def _about_film(self, kind: str, m: dict[str, Any]) -> Call | None:
        if not kind.startswith("film"):
            return None
        visit, desk = self.visit, self.desk
        calls: dict[str, Call] = {
            "film": (desk.slow, lambda: visit.film.facts()),
            "film draft": (desk.slow, lambda: visit.film.draft()),
            "film shot": (
                desk.pen,
                lambda: visit.film.set_shot(m["shot"], m["values"], m.get("gesture", ""), m.get("was")),
            ),
            "film title": (
                desk.pen,
                lambda: visit.film.set_film(m["values"], m.get("gesture", ""), m.get("was")),
            ),
            "film move": (desk.pen, lambda: visit.film.move_shot(m["shot"], m["to"])),
            "film drop": (desk.pen, lambda: visit.film.drop_shot(m["shot"])),
            "film takes": (desk.slow, lambda: visit.film.takes(m["shot"])),
            "film one take": (desk.pen, lambda: visit.film.one_take(m["name"])),
            "film stop": (desk.pen, lambda: visit.film.stop()),
            "film make": (desk.pen, lambda: visit.film.make(bool(m.get("preview", True)), m.get("shape", "wide"))),
        }
        return calls.get(kind)

    def _about_exports(self, kind: str, m: dict[str, Any]) -> Call | None:
        if not kind.startswith("exports"):
            return None
        visit, desk = self.visit, self.desk
        calls: dict[str, Call] = {
            "exports": (desk.slow, lambda: visit.exports.facts()),
            "exports names": (desk.slow, lambda: visit.exports.names(m["set"], m["views"])),
            "exports keep": (
                desk.pen,
                lambda: visit.exports.keep(m["set"], m.get("was"), str(m.get("former") or "")),
            ),
            "exports drop": (desk.pen, lambda: visit.exports.drop(str(m["name"]))),
            "exports begin": (desk.pen, lambda: visit.exports.export(m["set"], m["views"])),
            "exports again": (desk.pen, lambda: visit.exports.again()),
            "exports stop": (desk.pen, lambda: visit.exports.stop()),
            "exports clear": (desk.pen, lambda: visit.exports.clear()),
        }
        return calls.get(kind)

    def _about_phone(self, kind: str, m: dict[str, Any]) -> Call | None:
        if not kind.startswith("phone"):
            return None
        visit, desk = self.visit, self.desk
        calls: dict[str, Call] = {
            "phone": (desk.slow, lambda: visit.phone.facts()),
            "phone begin": (desk.slow, lambda: visit.phone.begin(visit.plan.phone_card(), int(m["minutes"]))),
            "phone end": (desk.slow, lambda: visit.phone.end()),
        }
        return calls.get(kind)

    # ---- previews and readings: the latest asked for, nothing in between

    async def _render(self) -> None:
        while True:
            await self.waiting.wait()
            self.waiting.clear()
            for kind, work in (("preview", self._preview), ("settled", self._preview), ("reading", self._reading)):
                message = self.latest.pop(kind, None)
                if message is None:
                    continue
                try:
                    await work(message)
                except UserError as problem:
                    self._say(event="unseen", view=message.get("view"), said=str(problem))
                except Exception as problem:
                    log.exception("%s", kind)
                    said = f"The preview could not be made ({problem})."
                    self._say(event="unseen", view=message.get("view"), said=said)
                finally:
                    if "preview" not in self.latest:
                        self.eye.set()

    async def _preview(self, m: dict[str, Any]) -> None:
        loop, desk = asyncio.get_running_loop(), self.desk
        name = str(m["view"])
        opened = desk.at_hand(name)
        if opened is None:
            opened = await loop.run_in_executor(desk.slow, desk.opened, name)
        width, enough = _wide(m.get("width", 1600)), _wide(m.get("enough", WIDTHS[1]))
        settled = bool(m.get("settled", True))
        found = opened

        def work() -> bytes:
            recipe, planned = desk.as_shown(name, m.get("values") or {}), desk.planned_aspect(name)
            with found.lock:
                shown = found.render(recipe, width, settled, enough, lambda: "preview" in self.latest)
            facts = {**shown.facts, "planned_aspect": planned}
            return packed({"event": "preview", "n": m.get("n"), **facts}, shown.jpeg)

        def ready() -> None:
            with found.lock:
                found.make_ready(desk.as_shown(name, m.get("values") or {}), enough)

        try:
            self.outbox.put_nowait(await loop.run_in_executor(desk.quick, work))
        except BrokenOff:
            return
        if settled and not self.latest:
            await loop.run_in_executor(desk.quick, ready)

    async def _reading(self, m: dict[str, Any]) -> None:
        opened = self.desk.at_hand(str(m["view"]))
        if opened is None:
            return
        found = opened

        def work() -> dict[str, float | bool]:
            with found.lock:
                return found.reading(float(m["x"]), float(m["y"]))

        facts = await asyncio.get_running_loop().run_in_executor(self.desk.quick, work)
        self._say(event="reading", view=m["view"], x=m["x"], y=m["y"], **facts)
