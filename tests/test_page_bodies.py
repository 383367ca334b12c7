"""Requests that are too large, on the wire: refused by their head, before their body is sent, whoever asks."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from dashboard.mold_upload import LARGEST_BYTES as LARGEST_MOLD
from dashboard.web.access import Access
from dashboard.web.roles import TECHNICIAN
from dashboard.web.security import LARGEST, MOLD_PATH
from dashboard.web.serve import PageServer
from page_rig import PASSWORD, accounts_in, made, plain_services

UPDATE = "/_dash-update-component"


@pytest.fixture(scope="module")
def open_port() -> Iterator[int]:
    with PageServer(plain_services(), Access(port=0)) as server:
        yield server.port


@pytest.fixture(scope="module")
def closed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """A server at which people sign in."""
    accounts = accounts_in(tmp_path_factory.mktemp("accounts"))
    made(accounts, "Tam", TECHNICIAN)
    with PageServer(replace(plain_services(), accounts=accounts), Access(port=0)) as server:
        yield server.port


def ask(port: int, head: str, body: bytes = b"") -> str:
    """First line and headers of the answer to a request of which no more than this is sent."""
    with socket.create_connection(("127.0.0.1", port), timeout=60.0) as wire:
        wire.sendall(head.replace("\n", "\r\n").encode() + b"\r\n\r\n" + body)
        return wire.recv(65536).decode("latin-1")


def status(answer: str) -> int:
    return int(answer.split()[1])


def announced(port: int, path: str, size: int, *headers: str, method: str = "POST") -> int:
    """The answer to a head that announces so many bytes and waits to be asked for them: 100 where they are taken."""
    lines = [
        f"{method} {path} HTTP/1.1", f"Host: 127.0.0.1:{port}", f"Content-Length: {size}", "Expect: 100-continue",
        *headers,
    ]  # fmt: skip
    return status(ask(port, "\n".join(lines)))


def test_the_announced_size_is_judged_before_the_body_is_read(open_port: int) -> None:
    assert announced(open_port, UPDATE, LARGEST) == 100
    assert announced(open_port, UPDATE, LARGEST + 1) == 413
    for path in ("/plan", "/assets/icon.svg", "/no-such", f"{MOLD_PATH}/", f"/{MOLD_PATH}", "/PLAN/MOLD"):
        assert announced(open_port, path, LARGEST_MOLD) == 413, path
    assert announced(open_port, MOLD_PATH, LARGEST_MOLD) == 100
    assert announced(open_port, f"{MOLD_PATH}?name=a.stl", LARGEST_MOLD) == 100
    assert announced(open_port, MOLD_PATH, LARGEST_MOLD + 1) == 413
    assert announced(open_port, MOLD_PATH, LARGEST_MOLD, method="PUT") == 413


def test_a_body_in_chunks_is_cut_off_where_it_gets_too_large(open_port: int) -> None:
    head = f"POST {UPDATE} HTTP/1.1\nHost: 127.0.0.1:{open_port}\nTransfer-Encoding: chunked"
    chunk = f"{LARGEST + 1:x}\r\n".encode() + bytes(LARGEST + 1)  # without its end: nothing more is waited for
    assert status(ask(open_port, head, chunk)) == 413


def cookies_of(port: int, sign_in: bool) -> str:
    """The cookies of somebody who has looked at the page, signed in or not."""
    import http.client
    import re
    from urllib.parse import urlencode

    kept: dict[str, str] = {}

    def send(method: str, path: str, body: str | None = None) -> str:
        wire = http.client.HTTPConnection("127.0.0.1", port, timeout=60.0)
        headers = {"Cookie": "; ".join(f"{name}={value}" for name, value in kept.items()),
                   "Content-Type": "application/x-www-form-urlencoded"}  # fmt: skip
        wire.request(method, path, body, headers)
        answer = wire.getresponse()
        for line in answer.headers.get_all("Set-Cookie") or []:
            name, _, value = line.split(";")[0].partition("=")
            kept[name] = value
        text = answer.read().decode()
        wire.close()
        return text

    page = send("GET", "/sign-in")
    if sign_in:
        token = re.search(r'name="csrf_token"[^>]*value="([^"]+)"', page)
        assert token is not None
        send("POST", "/sign-in", urlencode({"csrf_token": token[1], "name": "Tam", "password": PASSWORD}))
    return "; ".join(f"{name}={value}" for name, value in kept.items())


def test_strangers_may_not_send_a_mold_at_all(closed: int) -> None:
    """Where people sign in, only a session of theirs opens the large limit; a forged or changed one does not."""
    assert announced(closed, MOLD_PATH, LARGEST + 1) == 413
    stranger = cookies_of(closed, sign_in=False)
    assert "pullcue_" in stranger, "strangers have a session too"
    assert announced(closed, MOLD_PATH, LARGEST + 1, f"Cookie: {stranger}") == 413
    tam = cookies_of(closed, sign_in=True)
    assert announced(closed, MOLD_PATH, LARGEST_MOLD, f"Cookie: {tam}") == 100
    assert announced(closed, UPDATE, LARGEST + 1, f"Cookie: {tam}") == 413
    for forged in (tam[:-3] + "xxx", "pullcue_=1", "\xff\xfe", "=;=;" * 50):
        assert announced(closed, MOLD_PATH, LARGEST + 1, f"Cookie: {forged}") == 413, forged


def test_an_upload_in_time_still_gets_through(open_port: int, tmp_path: Path) -> None:
    """More than other requests may have: it reaches the page, which asks for its token."""
    size = LARGEST + 1
    head = f"POST {MOLD_PATH}?name=a.csv HTTP/1.1\nHost: 127.0.0.1:{open_port}\nContent-Length: {size}"
    answer = ask(open_port, head, bytes(size))
    assert status(answer) == 400
    assert "413" not in answer.split("\r\n")[0]
