"""Who is let in, and which files are shown. Requests are written by hand, so that nothing tidies them up.

Sources: RFC 9110 (Host), RFC 6454 (Origin), RFC 6265bis (SameSite), Fetch standard (Sec-Fetch-Site); attacks as in
the OWASP pages on path traversal and DNS rebinding.
"""

from __future__ import annotations

import io
import os
import socket
import wave
from pathlib import Path
from typing import Any

import pytest
from websockets.exceptions import InvalidStatus
from websockets.sync.client import connect

from clerestory.errors import UserError
from clerestory.visit.folder import VisitFolder
from clerestory.visit.journal import Journal
from clerestory.web.film_desk import FilmDesk
from clerestory.web.paths import plain_file
from clerestory.web.views import from_sorting


def ask(
    served: Any, path: str, method: str = "GET", body: bytes = b"", **headers: str | None
) -> tuple[int, str, bytes]:
    """Status, head and body of one request; headers given as None are left out."""
    lines: dict[str, str | None] = {"Host": f"127.0.0.1:{served.port}", "Cookie": served.cookie}
    lines["Connection"] = "close"
    lines |= {name.replace("_", "-"): value for name, value in headers.items()}
    if body:
        lines["Content-Length"] = str(len(body))
    head = f"{method} {path} HTTP/1.1\r\n" + "".join(f"{k}: {v}\r\n" for k, v in lines.items() if v is not None)
    with socket.create_connection(("127.0.0.1", served.port), 20) as line:
        line.sendall(head.encode("latin-1") + b"\r\n" + body)
        data = b""
        while block := line.recv(65536):
            data += block
    top, _, rest = data.partition(b"\r\n\r\n")
    return int(top.split()[1]), top.decode("latin-1"), rest


def test_the_own_browser_is_let_in(served: Any) -> None:
    status, head, body = ask(served, "/sort")
    assert status == 200 and b"<main" in body
    policy = next(line for line in head.splitlines() if line.lower().startswith("content-security-policy"))
    assert "default-src 'none'" in policy and "unsafe-inline" not in policy


def test_the_printed_address_gives_a_strict_cookie(served: Any) -> None:
    status, head, _ = ask(served, f"/?token={served.token}", Cookie=None)
    assert status == 303 and "location: /\r\n" in head.lower() + "\r\n"
    cookie = next(line for line in head.lower().splitlines() if line.startswith("set-cookie"))
    assert "httponly" in cookie and "samesite=strict" in cookie


@pytest.mark.parametrize("path", ["/", "/sort", "/assets/main.js", "/small/HM0001.dng", "/kept/pictures/report.html"])
def test_without_the_key_nothing_is_shown(served: Any, path: str) -> None:
    assert ask(served, path, Cookie=None)[0] == 403
    assert ask(served, path, Cookie=f"clerestory-{served.port}=guess")[0] == 403
    assert ask(served, f"{path}?token={'x' * 32}", Cookie=None)[0] == 403


@pytest.mark.parametrize(
    "host", ["harrowmere.example", "127.0.0.1", "127.0.0.1:1", "localhost.example:{}", "0.0.0.0:{}", "[::1]:{}", ""]
)
def test_a_foreign_host_is_refused(served: Any, host: str) -> None:
    assert ask(served, "/sort", Host=host.format(served.port))[0] in (400, 403)


@pytest.mark.parametrize("origin", ["https://harrowmere.example", "null", "http://127.0.0.1:1", "http://127.0.0.1"])
def test_a_foreign_page_is_refused(served: Any, origin: str) -> None:
    assert ask(served, "/sort", Origin=origin)[0] == 403
    assert ask(served, "/take/a.wav", "PUT", b"RIFF", Origin=origin)[0] == 403


def test_another_site_cannot_lead_in(served: Any) -> None:
    assert ask(served, "/sort", Sec_Fetch_Site="cross-site")[0] == 403
    assert ask(served, "/sort", Sec_Fetch_Site="same-site")[0] == 403  # another port of this computer


def test_writing_needs_an_origin_and_only_takes_are_taken(served: Any) -> None:
    own = f"http://127.0.0.1:{served.port}"
    assert ask(served, "/take/a.wav", "PUT", b"RIFF")[0] == 403
    assert ask(served, "/take/a.wav", "PUT", b"RIFF", Origin=own)[0] == 400
    for path in ("/sort", "/kept/film/preview.mp4", "/small/HM0001.dng"):
        for method in ("POST", "PUT", "DELETE"):
            assert ask(served, path, method, b"x", Origin=own)[0] == 405


@pytest.mark.parametrize(
    "path",
    [
        "/kept/film/..%2f..%2fvisit.toml", "/kept/film/../../etc/passwd", "/kept/../frames/HM0001.dng",
        "/kept/%2e%2e/visit.toml", "/kept/film/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "/kept/film/..%5c..%5cvisit.toml",
        "/kept/film/%252e%252e%252fvisit.toml", "/assets/..%2fserver.py", "/assets/../server.py",
        "/kept/frames/HM0001.dng", "/kept/.clerestory/journal.jsonl", "/kept/film/.secret.mp4", "//etc/passwd",
        "/kept/film//etc/passwd", "/small/..%2f..%2fetc%2fpasswd", "/small/%00", "/kept/film/film.toml",
        "/kept/recipes/view-01.toml", "/frame/../../etc/passwd", "/kept/film/x%00.mp4",
    ],
)  # fmt: skip
def test_crooked_paths_show_nothing(served: Any, path: str) -> None:
    status, _, body = ask(served, path)
    assert status in (400, 404)
    assert b"root:" not in body and len(body) < 300


def test_links_are_not_followed(served: Any, tmp_path: Path) -> None:
    outside = tmp_path / "outside.mp4"
    outside.write_bytes(b"not of this visit")
    film = served.folder / "film"
    film.mkdir(exist_ok=True)
    (film / "linked.mp4").symlink_to(outside)
    (film / "own.mp4").write_bytes(b"of this visit")
    try:
        assert ask(served, "/kept/film/linked.mp4")[0] == 404
        assert ask(served, "/kept/film/own.mp4")[2] == b"of this visit"
    finally:
        (film / "linked.mp4").unlink()
        (film / "own.mp4").unlink()


def test_a_linked_folder_is_not_followed(tmp_path: Path) -> None:
    elsewhere, root = tmp_path / "elsewhere", tmp_path / "visit"
    (elsewhere / "narration").mkdir(parents=True)
    (elsewhere / "narration" / "a.wav").write_bytes(b"x")
    root.mkdir()
    (root / "film").symlink_to(elsewhere)
    assert plain_file(root, "film/narration", "a.wav") is None
    (root / "pictures").mkdir()
    if hasattr(os, "mkfifo"):
        os.mkfifo(root / "pictures" / "pipe.jpg")
        assert plain_file(root, "pictures", "pipe.jpg") is None


def test_linked_frames_are_not_shown(photographed: Path, tmp_path: Path) -> None:
    frames = tmp_path / "visit" / "frames"
    frames.mkdir(parents=True)
    (frames / "own.dng").write_bytes((photographed / "frames" / "HM0001.dng").read_bytes())
    (frames / "linked.dng").symlink_to(photographed / "frames" / "HM0002.dng")
    table = from_sorting(VisitFolder(tmp_path / "visit"), lambda *_: None)
    assert list(table.paths) == ["own.dng"] and [len(v.frames) for v in table.views] == [1]
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "frames").symlink_to(frames)
    with pytest.raises(UserError, match="a link"):
        from_sorting(VisitFolder(tmp_path / "other"), lambda *_: None)


def socket_status(served: Any, **headers: str) -> int:
    extra = {"Cookie": served.cookie, **headers}
    try:
        with connect(f"ws://127.0.0.1:{served.port}/talk", additional_headers=extra, open_timeout=10):
            return 101
    except InvalidStatus as refusal:
        return refusal.response.status_code


def test_the_conversation_is_as_guarded(served: Any) -> None:
    own = f"http://127.0.0.1:{served.port}"
    assert socket_status(served, Origin=own) == 101
    assert socket_status(served) == 403
    assert socket_status(served, Origin="https://harrowmere.example") == 403
    assert socket_status(served, Origin=own, Cookie="") == 403


def take(seconds: float = 1.0, channels: int = 1, width: int = 2, rate: int = 48_000) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as sound:
        sound.setnchannels(channels)
        sound.setsampwidth(width)
        sound.setframerate(rate)
        sound.writeframes(b"\0" * (int(seconds * rate) * channels * width))
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "data"),
    [
        ("../x.wav", take()), ("X.wav", take()), (".wav", take()), ("a.mp3", take()), ("a.wav", b"RIFF"),
        ("a.wav", take(channels=2)), ("a.wav", take(width=1)), ("a.wav", take(rate=8000)), ("a.wav", take(0.05)),
        ("a.wav", take()[:-1000]), ("a.wav", b""),
    ],
)  # fmt: skip
def test_only_whole_plain_takes_are_kept(tmp_path: Path, name: str, data: bytes) -> None:
    desk = FilmDesk(tmp_path, Journal(tmp_path), lambda *_, **__: None)
    with pytest.raises(UserError):
        desk.keep_take(name, data)
    assert not list(tmp_path.rglob("*.wav"))
    assert desk.keep_take("nave-1.wav", take()) == "narration/nave-1.wav"
