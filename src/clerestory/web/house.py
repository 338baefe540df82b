"""One server: the start page, and the visit that is opened from it. One visit at a time is open."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from starlette.types import ASGIApp

from clerestory import api
from clerestory.errors import UserError
from clerestory.files.lock import Taken
from clerestory.files.places import pictures_folder
from clerestory.visit.folder import VisitFolder
from clerestory.web.bring import Bringing
from clerestory.web.conflict import Conflict
from clerestory.web.errand import Errand
from clerestory.web.records import Records
from clerestory.web.session import Session, read_session, write_session
from clerestory.web.start import Recents, begin_visit, doubts_of, key_of_folder, plain_folder
from clerestory.web.talk import Hub

if TYPE_CHECKING:
    from clerestory.web.desk import Desk

DEMO = "Clerestory demo"


class Pages(Protocol):
    """The pages of one visit."""

    hub: Hub
    desk: Desk
    app: ASGIApp
    key: str

    @property
    def reading(self) -> bool: ...

    def begin(self) -> None: ...
    def close(self) -> None: ...
    def busy(self) -> list[str]: ...


class Running(UserError):  # noqa: N818 - a state, said in a sentence
    """This user's start page is served already, by `session`, where that is known."""

    def __init__(self, session: Session | None) -> None:
        super().__init__("Clerestory runs already; its pages are in your browser.")
        self.session = session


@dataclass
class Opened:
    """The visit that is open, and what holds it."""

    visit: VisitFolder
    pages: Pages
    held: contextlib.ExitStack


class House:
    """What is open, what goes on, and how to open something else.

    `make` gives a visit's pages; `demo` makes the demo's visit (another in tests, where the real one takes minutes).
    """

    def __init__(
        self, make: Callable[[Path], Pages], recents: Recents, demo: Callable[..., Any] = api.make_demo
    ) -> None:
        self.make, self.recents, self.demo = make, recents, demo
        self.hub = Hub()
        self.session: Session | None = None  # known once the port is
        self.opened: Opened | None = None
        self.errand = Errand(lambda facts: self.hub("demo", **facts))
        self.bringing = Bringing(self._bringing_told)
        self.records = Records(self.hub)
        self._lock = threading.RLock()

    @property
    def visit(self) -> VisitFolder | None:
        """The open visit's folder."""
        return self.opened.visit if self.opened is not None else None

    def pages_open(self) -> int:
        """How many pages, in all windows, talk with this server."""
        return self.hub.count() + (self.opened.pages.hub.count() if self.opened is not None else 0)

    def busy(self) -> list[str]:
        """What is under way that may not be cut short, in words."""
        out = self.opened.pages.busy() if self.opened is not None else []
        if self.bringing.busy:
            out.append("frames are being imported")
        return out

    def at_work(self) -> bool:
        """Whether anything is under way for which the program stays though no page is open."""
        reading = self.opened is not None and self.opened.pages.reading
        return reading or bool(self.busy()) or self.errand.busy or self.records.busy

    def serving_at(self, session: Session) -> None:
        """The port is known: keep it where a visit's pages are looked for."""
        self.session = session
        if self.visit is not None:
            write_session(self.visit, session)

    # ---- opening

    def open(self, folder: Path) -> None:
        """Put a visit on the desk, and take away the one that lay there.

        `Conflict` with the address where another server has it open; UserError while work on the open one is under
        way, or where the folder cannot be had.
        """
        with self._lock:
            root = plain_folder(str(folder))
            if self.visit is not None and self.visit.root == root:
                self.recents.add(root)
                return
            if self.opened is not None and (under_way := self.busy()):
                raise UserError(f"{self.opened.visit.root.name}: {' and '.join(under_way)}. Wait for it, or break it "
                                "off, before another visit is opened.")  # fmt: skip
            new = self._taken(root)
            self._put_away()
            self.opened = new
            self.bringing.forget()
            new.pages.begin()
            self.recents.add(root)
        self.hub("opened", **self.open_facts())

    def _taken(self, root: Path) -> Opened:
        visit = VisitFolder.open(root)
        with contextlib.ExitStack() as held:
            with _as_conflict(visit):
                held.enter_context(visit.serving())
            if self.session is not None:
                write_session(visit, self.session)
            return Opened(visit, self.make(root), held.pop_all())

    def _put_away(self) -> None:
        """Let go of the open visit: its pages are told, what they have sent is done first."""
        old, self.opened = self.opened, None
        if old is not None:
            with contextlib.suppress(RuntimeError, TimeoutError):
                old.pages.desk.pen.submit(lambda: None).result(5)
            old.pages.hub.part()
            old.pages.close()
            old.held.close()
            self.recents.add(old.visit.root)  # its picture may be another by now

    def close(self) -> None:
        """The server ends: nothing half-written is left, and the visit is let go."""
        self.errand.stop()
        self.bringing.stop()
        self.records.stop()
        with self._lock:
            self._put_away()

    # ---- what the start page asks for

    def open_facts(self) -> dict[str, Any]:
        """The open visit, for the pages; none where there is none."""
        visit = self.visit
        if visit is None:
            return {"visit": None}
        return {"visit": {"title": visit.root.name, "path": str(visit.root), "key": key_of_folder(visit.root)}}

    def facts(self) -> dict[str, Any]:
        """Everything the start page draws."""
        return {
            **self.open_facts(),
            "recents": self.recents.shown(),
            "place": str(pictures_folder().resolve()),
            "demo": self.errand.state,
            "importing": self.bringing.state,
        }

    def begin(self, name: str, place: str) -> dict[str, Any]:
        """A new visit, opened at its plan."""
        self.open(begin_visit(name, place))
        return {"go": "/plan"}

    def open_asked(self, path: str, anyway: bool) -> dict[str, Any]:
        """Open a folder that a person chose; what is doubtful about it comes back instead, unless `anyway`."""
        folder = plain_folder(path)
        doubt = None if anyway else doubts_of(folder)
        if doubt is not None:
            return {"doubt": doubt, "path": str(folder)}
        self.open(folder)
        return {"go": "/"}

    def open_recent(self, key: str) -> dict[str, Any]:
        """Open one of the visits opened lately."""
        recent = self.recents.find(key)
        if recent is None:
            raise UserError("This visit is no longer in the list; open its folder.")
        if not Path(recent.path).is_dir():
            raise UserError(f"{recent.path} is not there: put in the drive that it lies on, or open its folder where "
                            "it is now.")  # fmt: skip
        self.open(Path(recent.path))
        return {"go": "/"}

    def begin_demo(self) -> None:
        """Make the demo's visit in the background, and open it when it is made."""
        folder = pictures_folder().resolve() / DEMO
        self.errand.begin(_demo, self.demo, folder, after=lambda: self._demo_made(folder), path=str(folder))

    def _demo_made(self, folder: Path) -> None:
        try:
            self.open(folder)
        except UserError as problem:
            self.hub("trouble", key="demo", said=str(problem))
        else:
            self.hub("go", to="/")

    def begin_import(self, card: str, second: str) -> None:
        """Copy a card's frames into the open visit in the background; they are read into views afterwards."""
        opened = self.opened
        if opened is None:
            raise UserError("Open a visit first, or begin one: the frames are copied into it.")

        def after() -> None:
            if self.opened is opened:
                opened.pages.desk.sort_again()

        self.bringing.begin(card, second, opened.visit, after)

    def _bringing_told(self, facts: dict[str, Any]) -> None:
        self.hub("importing", **facts)
        if self.opened is not None:
            self.opened.pages.hub("importing", **facts)


def _demo(make: Callable[..., Any], folder: Path, on_progress: Any) -> None:
    """In the other process: two workers, as pages are to be looked at meanwhile."""
    make(folder, None, on_progress)


@contextlib.contextmanager
def _as_conflict(visit: VisitFolder) -> Iterator[None]:
    try:
        yield
    except Taken as problem:
        known = read_session(visit)
        who = str(problem).removesuffix(".")
        raise Conflict(f"{who}; go on there, or end that program first.", held=who,
                       address=known.address if known is not None else "") from problem  # fmt: skip


async def when_left(house: House, end: Callable[[], None], seconds: float, look: float = 1.0) -> None:
    """Call `end()` once no page has been open for so many seconds and nothing is under way."""
    loop = asyncio.get_running_loop()
    since = loop.time()
    while True:
        await asyncio.sleep(min(look, seconds / 4))
        if house.pages_open() or house.at_work():
            since = loop.time()
        elif loop.time() - since >= seconds:
            end()
            return
