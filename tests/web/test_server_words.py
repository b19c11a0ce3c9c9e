"""What the page's server leaves in the log when clients misbehave."""

from __future__ import annotations

import logging
import socket
import urllib.error
import urllib.request
from typing import Any

import pytest

from tests.integration.services import until


def sent(port: int, raw: bytes) -> bytes:
    with socket.create_connection(("127.0.0.1", port), timeout=10) as line:
        line.sendall(raw)
        return line.recv(1000)


def test_nonsense_is_one_line_in_plain_words(new_board: Any, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO):
        board = new_board()
        answer = sent(board.port, b"\x16\x03\x01\x02\x00nonsense\r\n\r\n")
        assert b" 400 " in answer
        assert sent(board.port, b"GET /safety HTTP/1.1\r\nHost: localhost\r\n\r\n").startswith(
            b"HTTP/1.1 200"
        )
    said = [record.getMessage() for record in caplog.records if record.name == "uvicorn.error"]
    assert said == ["somebody sent the page what is no web request; it was refused"]


def test_another_kind_of_connection_is_refused_in_one_line(
    new_board: Any, caplog: pytest.LogCaptureFixture
) -> None:
    asked = (
        "GET /safety HTTP/1.1",
        "Host: localhost",
        "Connection: Upgrade",
        "Upgrade: websocket",
        "Sec-WebSocket-Version: 13",
        "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==",  # of RFC 6455, section 1.3
    )
    with caplog.at_level(logging.INFO):
        answer = sent(new_board().port, "".join(f"{line}\r\n" for line in (*asked, "")).encode())
        assert answer.startswith(b"HTTP/1.1 200")
    said = [record.getMessage() for record in caplog.records if record.name == "uvicorn.error"]
    assert said == ["somebody asked the page for another kind of connection; it was refused"]


def test_a_guesser_is_told_of_once_and_no_code_is(new_board: Any, caplog: pytest.LogCaptureFixture) -> None:
    board = new_board()
    with caplog.at_level(logging.INFO):
        for number in range(7):
            request = urllib.request.Request(  # noqa: S310 - our own page
                f"{board.address}/press/main/act/start",
                data=b"{}",
                headers={"Content-Type": "application/json", "X-Device-Code": f"9999000{number}"},
            )
            with pytest.raises(urllib.error.HTTPError):
                urllib.request.urlopen(request, timeout=10)  # noqa: S310 - likewise
    until(lambda: caplog.records, what="a line")
    said = [record.getMessage() for record in caplog.records]
    assert said == ["too many wrong codes, the last from 127.0.0.1: it must wait a minute"]
