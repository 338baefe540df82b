"""The server of the pages: addresses, files, start and end. Bound to this computer alone."""

from __future__ import annotations

import contextlib
import importlib
import secrets
import socket
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn

from clerestory import api
from clerestory.errors import UserError
from clerestory.files.lock import Taken
from clerestory.files.lock import held as lock_held
from clerestory.files.places import data_folder
from clerestory.run.system import hold_port
from clerestory.visit.folder import VisitFolder
from clerestory.web.conflict import Conflict
from clerestory.web.faults import faults_to, log
from clerestory.web.gate import Gate, Once
from clerestory.web.house import House, Pages, Running, when_left
from clerestory.web.porch import WARM_AFTER, Porch, all_assets
from clerestory.web.session import Session, read_session, write_session
from clerestory.web.start import Recents

if TYPE_CHECKING:
    pass


@dataclass(frozen=True)
class Serving:
    """How a server is started. `folder`: the visit that is open at first; None for the start page. `ready` hears the
    address to open and an address that opens a single time, for handing to a browser. `minutes`: it ends by itself
    so long after its last page was closed; None: it stays. `demo`: makes the demo's visit."""

    folder: Path | None = None
    port: int = 0
    ready: Callable[[str, str], None] | None = None
    minutes: float | None = None
    demo: Callable[..., Any] | None = None


def serve(
    folder: Path, port: int = 0, ready: Callable[[str], None] | None = None, minutes: float | None = None
) -> None:
    """Serve the pages on a visit until interrupted. `port` 0 takes that of last time, else a free one.

    `ready` hears the address to open. Listens on this computer's loopback address only. A server started again on the
    same folder has the same key, and the same port where it is free, so that open pages find it again. Raises
    UserError where the folder or the port cannot be had, or the folder's pages are open already.
    """
    begin(Serving(Path(folder), port, (lambda address, _: ready(address)) if ready is not None else None, minutes))


def begin(asked: Serving) -> None:
    """Serve the start page, or a visit at once, until interrupted or left. `Running` where this user's start page is
    served already."""
    data = data_folder()
    with contextlib.ExitStack() as held:
        if asked.folder is None:
            try:
                held.enter_context(lock_held(data / "pages.lock", "showing the start page", "It runs already", 0.5))
            except Taken as problem:
                raise Running(read_session(data)) from problem
            known = read_session(data)
        else:
            known = read_session(VisitFolder.open(asked.folder))
        assets = all_assets()
        house = House(lambda root: _pages(root, assets), Recents(data / "visits.json"), asked.demo or api.make_demo)
        listener = held.enter_context(socket.socket(socket.AF_INET, socket.SOCK_STREAM))
        held.callback(house.close)
        if asked.folder is not None:
            _open_first(house, asked.folder.resolve())
        hold_port(listener)
        _bind(listener, asked.port, known)
        listener.listen(64)
        house.serving_at(Session(known.token if known else secrets.token_urlsafe(24), listener.getsockname()[1]))
        if asked.folder is None:
            assert house.session is not None
            write_session(data, house.session)
        _run(house, Porch(house, assets), listener, asked)


def _pages(root: Path, assets: Mapping[str, bytes]) -> Pages:
    from clerestory.web.pages import VisitPages  # most of the program comes with it

    return VisitPages(root, assets)


def _open_first(house: House, folder: Path) -> None:
    try:
        house.open(folder)
    except Conflict as problem:
        address = problem.facts["address"]
        raise UserError(f"{problem.facts['held']}; {f'open {address}, or ' if address else ''}end that program"
                        f"{'' if address else ' first'}.") from problem  # fmt: skip


def _run(house: House, porch: Porch, listener: socket.socket, asked: Serving) -> None:
    """Answer until interrupted, or left alone for long enough."""
    assert house.session is not None
    session, once = house.session, Once()

    def started() -> None:
        if asked.folder is None:  # what a visit's pages need is loaded while the start page is looked at
            later = threading.Timer(WARM_AFTER, lambda: importlib.import_module("clerestory.web.pages"))
            later.daemon = True
            later.start()
        if asked.ready is not None:
            asked.ready(session.address, Session(once.fresh(), session.port).address)

    def end() -> None:
        server.should_exit = True

    minutes = asked.minutes
    watch = (lambda: when_left(house, end, 60 * minutes)) if minutes is not None else None
    faults = faults_to(data_folder()) if asked.folder is None else None
    config = uvicorn.Config(
        Gate(porch.app(started, watch, once), session.token, once), log_level="critical", access_log=False,
        ws="websockets-sansio", server_header=False, ws_max_size=4_000_000, timeout_graceful_shutdown=2,
        ws_per_message_deflate=False,  # pictures are JPEG: packing them once more took 4 ms of each preview
    )  # fmt: skip
    server = uvicorn.Server(config)
    try:
        server.run(sockets=[listener])
    finally:
        if faults is not None:
            log.removeHandler(faults)
            faults.close()


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
