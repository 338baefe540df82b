"""The card for a phone: read by its QR code, and nothing else within reach of that address or that net."""

from __future__ import annotations

import http.client
import secrets
import socket
from collections.abc import Callable, Iterator
from typing import Any

import cv2
import numpy as np
import pytest

from clerestory.errors import UserError
from clerestory.web import phone as phones
from clerestory.web.phone import Phone, hand_out, local_address, qr_rows
from web.test_way import looked_through

CARD = "<!doctype html><title>Card</title><p>the card</p>"


@pytest.fixture
def handed(monkeypatch: pytest.MonkeyPatch) -> Iterator[Phone]:
    """A card handed out on an address of this computer's own."""
    monkeypatch.setattr(phones, "local_address", lambda: "127.0.0.1")
    phone = Phone(lambda event, **facts: None)
    phone.begin(CARD, 10)
    yield phone
    phone.end()


def ask(
    phone: Phone, path: str | None = None, method: str = "GET", **headers: str
) -> tuple[int, dict[str, str], str]:
    """Status, headers and text of one request to the listener; the card's own path when None."""
    host, port = phone.facts()["address"].split("/")[2].split(":")
    wanted = "/" + phone.facts()["address"].split("/", 3)[3] if path is None else path
    talk = http.client.HTTPConnection(host, int(port), timeout=5)
    talk.putrequest(method, wanted, skip_host="Host" in headers)
    for name, value in headers.items():
        for one in value.split("\n"):
            talk.putheader(name, one)
    talk.endheaders()
    answer = talk.getresponse()
    found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read().decode()
    talk.close()
    return found


def test_exactly_one_document_is_there(handed: Phone, wait: Any) -> None:
    status, headers, text = ask(handed)
    assert (status, text) == (200, CARD) and headers["content-security-policy"].startswith("sandbox")
    assert "set-cookie" not in headers and "access-control-allow-origin" not in headers
    wait(lambda: handed.facts()["read"] == 1)
    path = "/" + handed.facts()["address"].split("/", 3)[3]
    others = ["/", "/plan", "/sort", "/start", "/assets/main.js", "/kept/plan/card.html", "/small/x", "/talk",
              "/key", "/?token=x", path + "/", path + "/..", path[:-1], path + "?a=1", path.upper(), path + "%2e%2e",
              "//" + path[1:], path + "/../../etc/passwd"]  # fmt: skip
    refused = set()
    for other in others:
        status, headers, text = ask(handed, other)
        refused.add((status, text))
        assert "content-security-policy" not in headers
    assert refused == {(404, "There is nothing here.\n")}, "no address tells more than another"
    for method in ("POST", "PUT", "DELETE", "OPTIONS", "PATCH"):
        assert ask(handed, None, method)[0] == 404
    assert ask(handed, None, "HEAD")[::2] == (200, "")
    assert handed.facts()["read"] == 1


def test_another_hosts_name_is_refused(handed: Phone) -> None:
    """A stranger's page whose name was made to point here (DNS rebinding) reads nothing."""
    own = handed.facts()["address"].split("/")[2]
    for host in ("harrowmere.example", f"localhost:{own.split(':')[1]}", own.split(":")[0], f"{own}.", ""):
        assert ask(handed, None, Host=host)[0] == 404, host
    assert ask(handed, None, Host=f"{own}\nharrowmere.example")[0] in (400, 404)
    assert ask(handed, None, Host=own)[0] == 200


def test_no_websocket_is_spoken_and_the_pages_do_not_answer_there(handed: Phone) -> None:
    key = {
        "Upgrade": "websocket",
        "Connection": "Upgrade",
        "Sec-WebSocket-Key": "a" * 22 + "==",
        "Sec-WebSocket-Version": "13",
    }
    assert ask(handed, "/talk", **key)[0] == 404
    assert ask(handed, None, **key)[0] in (200, 400, 404)


def test_it_ends_by_the_button_and_by_its_time(handed: Phone, wait: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    first = handed.facts()["address"]
    host, port = first.split("/")[2].split(":")
    handed.begin(CARD, 30)
    second = handed.facts()["address"]
    assert second.rsplit("/", 1)[1] != first.rsplit("/", 1)[1] and len(second.rsplit("/", 1)[1]) >= 20

    def deaf(where: str) -> bool:
        with socket.socket() as line:
            line.settimeout(1)
            return line.connect_ex((host, int(where))) != 0

    wait(lambda: deaf(port))
    handed.end()
    wait(lambda: deaf(second.split("/")[2].split(":")[1]))
    assert handed.facts() == {"on": False}
    handed.begin(CARD, 10)
    handed._now.ends = 0  # type: ignore[union-attr]
    wait(lambda: not handed.on)
    with pytest.raises(UserError):
        handed.begin(CARD, 600)


def test_it_is_handed_out_on_a_net_of_ones_own_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    mine: list[str | None] = [None]

    class Line:
        def __init__(self, *_: Any) -> None: ...
        def __enter__(self) -> Line:
            return self

        def __exit__(self, *_: Any) -> None: ...
        def connect(self, where: Any) -> None:
            if mine[0] is None:
                raise OSError("no way there")

        def getsockname(self) -> tuple[str, int]:
            return str(mine[0]), 1

    monkeypatch.setattr(phones.socket, "socket", Line)
    for own in ("192.168.1.20", "10.0.0.7"):
        mine[0] = own
        assert local_address() == own
    for other, word in ((None, "no net"), ("127.0.0.1", "no net"), ("8.8.4.4", "from outside")):
        mine[0] = other
        with pytest.raises(UserError, match=word):
            local_address()


def read_by_phone(image: np.ndarray) -> str:
    """What a reader of QR codes makes of a picture (OpenCV's, as a phone's camera would).

    Of OpenCV's two, the one that takes its finder's squares for markers: the other does not see one in forty codes
    where they are drawn without any blur or slant, as no camera sees them, and reads them where they are turned.
    """
    return str(cv2.QRCodeDetectorAruco().detectAndDecode(image)[0])


def test_the_code_is_read_by_another_library(monkeypatch: pytest.MonkeyPatch) -> None:
    for _ in range(50):
        address = f"http://192.168.100.200:54321/{secrets.token_urlsafe(16)}"
        rows = np.array([[255 * (c == "0") for c in row] for row in qr_rows(address)], np.uint8)
        assert (rows[:4] == 255).all() and (rows[:, :4] == 255).all()
        assert read_by_phone(np.kron(rows, np.ones((6, 6), np.uint8))) == address
    monkeypatch.setattr(phones, "local_address", lambda: "127.0.0.1")
    monkeypatch.setattr(Phone, "until_over", lambda phone: None)
    said: list[str] = []
    hand_out(CARD, 10, said.append)
    drawn = [line for line in said if set(line) <= set("█▀▄ ")]
    dots = [[255 * (c in light) for c in line] for line in drawn for light in ("█▀", "█▄")]
    found = read_by_phone(np.kron(np.array(dots, np.uint8), np.ones((6, 6), np.uint8)))
    assert found.startswith("http://127.0.0.1:") and found in " ".join(said)


def test_from_the_plan_page(house: Any, shot: Callable[[Any, str], None], wait: Any) -> None:
    served, context, _ = house
    page = context.new_page()
    page.goto(f"{served.base}/plan")
    page.click("text=Hand it to a phone")
    page.wait_for_selector("dialog.phone >> text=Until then nothing is handed out")
    looked_through(page)
    page.click("text=For 10 minutes")
    try:
        page.wait_for_selector(".qr")
    except Exception:
        assert "no net" in page.inner_text("dialog.phone"), "a computer without a net says so"
        pytest.skip("this computer is on no net")
    wait(lambda: "for 9:" in page.inner_text("dialog.phone"))
    picture = cv2.imdecode(np.frombuffer(page.screenshot(), np.uint8), cv2.IMREAD_COLOR)
    address = read_by_phone(picture)
    assert address in page.inner_text("dialog.phone") and "127.0.0.1" not in address
    phone = page.request.get(address)
    assert phone.status == 200 and "Calculator" in phone.text()
    assert page.request.get(f"{served.base}/plan").status == 200
    base = address.rsplit("/", 1)[0]
    assert page.request.get(f"{base}/plan").status == 404
    with socket.socket() as line:  # the pages themselves stay on this computer
        line.settimeout(2)
        assert line.connect_ex((base.split("/")[2].split(":")[0], served.port)) != 0
    wait(lambda: "Read once" in page.inner_text("dialog.phone"))
    for width in (1440, 1024, 390):
        page.set_viewport_size({"width": width, "height": 900})
        assert page.evaluate(
            "document.querySelector('dialog').scrollWidth <= document.querySelector('dialog').clientWidth"
        )
        shot(page, f"phone-{width}")
    looked_through(page)
    page.click("text=Hand it out no longer")
    wait(lambda: page.locator(".qr").count() == 0)
    with pytest.raises(Exception, match=r"ECONNREFUSED|socket hang up|ECONNRESET"):
        page.request.get(address)
