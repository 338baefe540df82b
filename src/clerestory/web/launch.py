"""Started without a command: the start page in the browser, from a terminal or from an icon."""

from __future__ import annotations

import html
import sys
import threading
import traceback
import urllib.request
import webbrowser
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from clerestory.errors import UserError
from clerestory.files.places import data_folder
from clerestory.web.house import Running
from clerestory.web.server import Serving, begin
from clerestory.web.session import Session

MINUTES = 10.0
"""How long after its last page was closed the program ends by itself: long enough to close a browser by mistake and
open it again, or to let the computer sleep over a short break; short enough not to be there still the next day."""
_LARGEST = 1 << 20  # bytes of the file of errors, after which it begins anew


def _open(address: str, wait: float = 0.0) -> None:
    """In the user's browser; in a thread, as some browsers hold whoever starts them. `wait`: seconds at most, for a
    program that ends then."""
    thread = threading.Thread(target=webbrowser.open, args=(address,), daemon=True)
    thread.start()
    thread.join(wait)


def launch(say: Callable[[str], None]) -> None:
    """Open the start page in the browser, and serve it until Ctrl-C, or until it is long closed.

    `say` hears what is told on a terminal. Where it runs already, the browser is shown that.
    """

    def ready(address: str, once: str) -> None:
        say(f"The start page opens in your browser; if it does not, open {address}")
        say(f"Stop with Ctrl-C. It ends by itself {MINUTES:.0f} minutes after its last page is closed.")
        _open(once)

    try:
        begin(Serving(ready=ready, minutes=MINUTES))
    except Running as problem:
        if problem.session is None:
            raise
        say(f"Clerestory runs already; its start page opens in your browser: {problem.session.address}")
        _open(_once_at(problem.session), 10.0)


def _once_at(session: Session) -> str:
    """An address of the program that runs already which opens a single time; its plain one where it does not say."""
    asked = urllib.request.Request(f"http://127.0.0.1:{session.port}/key")
    asked.add_header("Cookie", f"clerestory-{session.port}={session.token}")
    try:
        with urllib.request.urlopen(asked, timeout=5) as answer:
            return Session(answer.read().decode(), session.port).address
    except OSError:
        return session.address


def main() -> None:
    """The program without a terminal, as its icon starts it: what goes wrong goes into a file and onto a page."""
    data = data_folder()
    try:
        data.mkdir(parents=True, exist_ok=True)
        log = data / "errors.log"
        if log.exists() and log.stat().st_size > _LARGEST:
            log.unlink()
        # Without a terminal Windows gives no output at all (None), which libraries stumble over.
        sys.stdout = sys.stderr = log.open("a", encoding="utf-8", buffering=1)
    except OSError as problem:
        _page(Path.home() / "clerestory-error.html", f"{data}: cannot be written to ({problem.strerror}).", "")
        sys.exit(1)
    try:
        launch(lambda words: None)
    except KeyboardInterrupt:
        sys.exit(130)
    except UserError as problem:
        print(datetime.now().isoformat(timespec="seconds"), problem)
        _page(data / "error.html", str(problem), "")
        sys.exit(1)
    except Exception:
        fault = traceback.format_exc()
        print(datetime.now().isoformat(timespec="seconds"), fault)
        said = f"A fault of ours, not yours; your frames are untouched. The details are below, and in {log}."
        _page(data / "error.html", said, fault)
        sys.exit(70)


def _page(file: Path, said: str, details: str) -> None:
    """Show words where there is no terminal: a page in the browser, that nothing needs to be served for."""
    words = "".join(f"<p>{html.escape(line)}</p>" for line in said.splitlines())
    more = f"<pre>{html.escape(details)}</pre>" if details else ""
    file.write_text(
        '<!doctype html><html lang="en"><meta charset="utf-8"><meta name="color-scheme" content="light dark">'
        "<title>Clerestory could not begin</title><style>:root{color-scheme:light dark}body{"
        "background:light-dark(#f4f2ed,#1b1c1e);color:light-dark(#33312d,#c9c4ba);font:17px/1.5 "
        "system-ui,sans-serif;max-width:46rem;margin:10vh auto;padding:0 1.5rem}pre{white-space:pre-wrap;font-size:"
        f"13px}}h1{{font-weight:400}}</style><h1>Clerestory could not begin</h1>{words}{more}</html>",
        encoding="utf-8",
    )
    webbrowser.open(file.as_uri())


if __name__ == "__main__":
    main()
