"""The page as somebody in the network sees it who wishes it no good: raw bytes to the real server."""

from __future__ import annotations

import contextlib
import re
import socket
from collections.abc import Iterator
from typing import Any

import pytest

from tests.integration.services import until
from tests.web.conftest import RUN
from web import connections, guard

HEAD = b"Host: localhost\r\nConnection: close\r\n\r\n"


def told(board: Any, raw: bytes, *, address: str = "127.0.0.1") -> bytes:
    """Return everything the page says to ``raw``."""
    with socket.create_connection(("127.0.0.1", board.port), timeout=20, source_address=(address, 0)) as line:
        line.sendall(raw)
        said = b""
        with contextlib.suppress(ConnectionResetError):
            while more := line.recv(65536):
                said += more
        return said


def status(said: bytes) -> int:
    found = re.match(rb"HTTP/1\.1 (\d{3}) ", said)
    assert found, said[:80]
    return int(found[1])


NAMES = [
    b"..%2f..%2f..%2f..%2fetc%2fpasswd",
    b"%2e%2e/%2e%2e/%2e%2e/etc/passwd",
    b"../../../../etc/passwd",
    b"%00", b"%0d%0aset-cookie:%20a=b",
    b"%ff%fe",
    b"..\\..\\etc\\passwd",
    b"file:%2f%2f%2fetc%2fpasswd",
    b"%27%3b%20drop%20table%20run%3b--",
    b"%7b%7b7*7%7d%7d",
    b"a" * 5000,
]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(
    "way",
    [
        b"/runs/%s",
        b"/runs/%s/package.zip",
        b"/runs/%s/sheet",
        b"/press/%s",
        b"/static/%s",
        b"/live/%s",
        b"/lots?q=%s",
    ],
)
def test_no_name_leads_to_a_file_or_a_fault(board: Any, way: bytes, name: bytes) -> None:
    said = told(board, b"GET " + (way % name) + b" HTTP/1.1\r\n" + HEAD)
    assert status(said) in ({200} if way.startswith(b"/lots") else set()) | {400, 404, 422}
    head = said.partition(b"\r\n\r\n")[0].lower()
    assert b"root:" not in said
    assert b"set-cookie: a=b" not in head
    assert b">49<" not in said
    assert status(said) == 400 or b"content-security-policy:" in head


def test_the_runs_are_all_there_afterwards(board: Any) -> None:
    assert RUN.encode() in told(board, b"GET /runs HTTP/1.1\r\n" + HEAD)


@pytest.mark.parametrize(
    "raw",
    [
        b"GET /runs HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\n\r\n",
        b"GET /runs HTTP/1.1\r\n\r\n",
        b"POST /choice HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nContent-Length: 6\r\n\r\nabcdef",
        b"POST /choice HTTP/1.1\r\nHost: localhost\r\nContent-Length: -1\r\n\r\n",
        b"GET /runs HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 200_000 + b"\r\n\r\n",
        b"\0" * 300 + b"\r\n\r\n",
    ],
)
def test_a_request_of_two_meanings_is_refused(board: Any, raw: bytes) -> None:
    said = told(board, raw)
    assert status(said) == 400
    assert RUN.encode() not in said


def test_a_request_for_another_site_by_way_of_us_is_refused(board: Any) -> None:
    head = b"Host: evil.example\r\nConnection: close\r\n\r\n"
    assert status(told(board, b"GET http://localhost/runs HTTP/1.1\r\n" + head)) == 421
    assert status(told(board, b"GET http://evil.example/runs HTTP/1.1\r\n" + HEAD)) == 404


@pytest.mark.parametrize("method", [b"PUT", b"DELETE", b"PATCH", b"OPTIONS", b"TRACE", b"CONNECT", b"FOO"])
@pytest.mark.parametrize("path", [b"/runs", b"/press/main/act/start", b"/static/page.css"])
def test_other_methods_do_nothing(board: Any, method: bytes, path: bytes) -> None:
    said = told(board, method + b" " + path + b" HTTP/1.1\r\n" + HEAD)
    assert status(said) in {404, 405}
    assert b"x-content-type-options: nosniff" in said.lower()
    assert board.scene.sent == []


@pytest.mark.parametrize(
    "path", [b"/press/main/act/start", b"/press/main/entry/charge", b"/choice", b"/door"]
)
def test_a_body_of_any_make_is_bounded(board: Any, path: bytes) -> None:
    lines = b"POST " + path + b" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n"
    lines += b"Content-Type: application/json\r\n"
    large = b"Content-Length: 999999999999\r\n\r\n"
    assert status(told(board, lines + large)) == 413
    chunks = b"1000\r\n" + b"x" * 4096 + b"\r\n"
    assert (
        status(told(board, lines + b"Transfer-Encoding: chunked\r\n\r\n" + chunks * 5 + b"0\r\n\r\n")) == 413
    )
    deep = b"[" * 8000
    said = told(board, lines + b"Content-Length: %d\r\n\r\n" % len(deep) + deep)
    assert status(said) in {303, 401, 422}
    assert board.scene.sent == []


@pytest.fixture
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(connections, "REQUEST_S", 0.5)
    monkeypatch.setattr(guard, "BODY_S", 0.5)


def ends(line: socket.socket) -> bytes:
    said = b""
    with contextlib.suppress(ConnectionResetError):
        while more := line.recv(1000):
            said += more
    return said


@pytest.mark.parametrize(
    "begun",
    [b"", b"GET /runs HTTP/1.1\r\nHost: loc", b"GET /safety HTTP/1.1\r\nHost: localhost\r\n\r\nGET /sa"],
)
@pytest.mark.usefixtures("hasty")
def test_a_request_that_does_not_come_is_not_waited_for(new_board: Any, begun: bytes) -> None:
    board = new_board()
    with socket.create_connection(("127.0.0.1", board.port), timeout=20) as line:
        line.sendall(begun)
        said = ends(line)
    assert said.count(b"HTTP/1.1 200") == (1 if b"/safety" in begun else 0)


@pytest.mark.usefixtures("hasty")
def test_a_body_that_does_not_come_is_not_waited_for(new_board: Any) -> None:
    board = new_board()
    with socket.create_connection(("127.0.0.1", board.port), timeout=20) as line:
        line.sendall(
            b"POST /choice HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: 50\r\n\r\nun"
        )
        assert status(ends(line)) == 400


@pytest.mark.usefixtures("hasty")
def test_an_open_stream_is_no_request_that_does_not_come(new_board: Any, states: Any) -> None:
    board = new_board()
    with socket.create_connection(("127.0.0.1", board.port), timeout=20) as line:
        line.sendall(b"GET /live/main HTTP/1.1\r\nHost: localhost\r\n\r\n")
        lines = line.makefile("rb")
        assert lines.readline().startswith(b"HTTP/1.1 200")
        board.tell(states["ready"])
        until(lambda: b"Ready to bottle" in lines.readline(), what="the status")
        # Three times as long as a request may take to come.
        line.settimeout(1.5)
        with contextlib.suppress(TimeoutError):
            assert lines.readline() != b""


@contextlib.contextmanager
def held(board: Any, count: int, *, address: str) -> Iterator[list[socket.socket]]:
    with contextlib.ExitStack() as stack:
        source = (address, 0)
        yield [
            stack.enter_context(
                socket.create_connection(("127.0.0.1", board.port), timeout=20, source_address=source)
            )
            for _ in range(count)
        ]


def test_one_machine_cannot_take_every_connection(new_board: Any) -> None:
    board = new_board()
    with held(board, 250, address="127.0.0.5") as lines:
        for line in lines[connections.ONE_ADDRESS + 5 :]:
            assert ends(line) == b""
        assert status(told(board, b"GET /safety HTTP/1.1\r\n" + HEAD, address="127.0.0.6")) == 200


def test_the_words_of_the_policy_name_no_other_site(board: Any) -> None:
    said = told(board, b"GET / HTTP/1.1\r\n" + HEAD).decode("utf-8", "replace")
    policy = re.search(r"content-security-policy: ([^\r]+)", said)
    assert policy
    assert "unsafe" not in policy[1]
    assert "http" not in policy[1]
    assert "*" not in policy[1]
    for header in (
        "x-frame-options: DENY",
        "cross-origin-opener-policy: same-origin",
        "cache-control: no-store",
    ):
        assert header in said
    assert "server:" not in said.lower().partition("\r\n\r\n")[0]
