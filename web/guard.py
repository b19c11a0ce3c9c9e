"""The door of the page: which host names it answers to, who may post, what every answer says.

A plain ASGI middleware, because a wrapped response would hold back the open streams.
Rules after OWASP ASVS 4.0.3 sections 13, 14.4 and 14.5.
"""

from __future__ import annotations

import asyncio
import ipaddress
from collections.abc import Iterable
from http import HTTPStatus

from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_LIMIT = 16_384
"""Bytes of a request's body; no act needs a tenth of it."""
BODY_S = 10.0
"""Longest each piece of a body may take to arrive [s]."""
SAFE_METHODS = frozenset({"GET", "HEAD"})
POLICY = "default-src 'self'; base-uri 'none'; object-src 'none'; form-action 'self'; frame-ancestors 'none'"
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    # "no-referrer" would make browsers post our own forms with the origin "null".
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"x-frame-options", b"DENY"),
)


class Guard:
    """Answers 421 to a foreign Host, 403 to a foreign Origin, 413 to a large body.

    A name that resolves to this board but is not its own is how a web site out on the net
    would reach it (DNS rebinding). An address is no such name: the one the connection came
    in on is always answered.
    """

    def __init__(self, app: ASGIApp, *, hosts: Iterable[str]) -> None:
        self._app = app
        self._hosts = frozenset(host.lower() for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or answer it at the door."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal is not None:
            await _answer(send, refusal)
            return
        # A stream listens for as long as it is open; a post is one short text.
        body = _Body(receive, limit_s=None if scope["method"] in SAFE_METHODS else BODY_S)

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                if body.too_large:
                    message["status"] = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
                message["headers"] = _dressed(message.get("headers", ()), scope["path"])
            await send(message)

        await self._app(scope, body, dressed)

    def _refusal(self, scope: Scope) -> HTTPStatus | None:
        headers = {key.decode("latin-1"): value.decode("latin-1") for key, value in scope["headers"]}
        host = headers.get("host", "")
        if not self._is_own(host_name(host), scope):
            return HTTPStatus.MISDIRECTED_REQUEST
        if scope["method"] not in SAFE_METHODS:
            if not _same_origin(headers, host):
                return HTTPStatus.FORBIDDEN
            length = headers.get("content-length", "0")
            if not length.isdecimal() or int(length) > BODY_LIMIT:
                return HTTPStatus.REQUEST_ENTITY_TOO_LARGE
        return None

    def _is_own(self, name: str, scope: Scope) -> bool:
        if name in self._hosts:
            return True
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return False
        server = scope.get("server")
        return address.is_loopback or (server is not None and name == str(server[0]).removeprefix("::ffff:"))


class _Body:
    """Passes the body on until it is too large or too late, then ends it."""

    def __init__(self, receive: Receive, *, limit_s: float | None) -> None:
        self._receive = receive
        self._limit_s = limit_s
        self._size = 0
        self.too_large = False

    async def __call__(self) -> Message:
        try:
            async with asyncio.timeout(self._limit_s):
                message = await self._receive()
        except TimeoutError:
            return {"type": "http.disconnect"}
        if message["type"] == "http.request":
            self._size += len(message.get("body", b""))
            if self._size > BODY_LIMIT:
                self.too_large = True
                return {"type": "http.request", "body": b"", "more_body": False}
        return message


def host_name(host: str) -> str:
    """Return the name or address in a Host header, without its port.

    >>> host_name("Sugar.local:8080"), host_name("[::1]:8080")
    ('sugar.local', '::1')
    """
    if host.startswith("["):
        return host[1:].partition("]")[0].lower()
    return host.partition(":")[0].lower().rstrip(".")


def _same_origin(headers: dict[str, str], host: str) -> bool:
    """Tell whether a post comes from our own page; a client that is no browser names no origin."""
    origin = headers.get("origin")
    if origin is not None:
        return origin.lower() in {f"http://{host.lower()}", f"https://{host.lower()}"}
    return headers.get("sec-fetch-site", "same-origin") in {"same-origin", "none"}


def _dressed(headers: Iterable[tuple[bytes, bytes]], path: str) -> list[tuple[bytes, bytes]]:
    own = [(key, value) for key, value in headers if key.lower() != b"cache-control"]
    # A stored page would show an old state as the present; the files are checked by their tags.
    kept = b"no-cache" if path.startswith("/static/") else b"no-store"
    return [*own, *HEADERS, (b"cache-control", kept)]


async def _answer(send: Send, status: HTTPStatus) -> None:
    body = f"{status.value} {status.phrase}\n".encode()
    headers = _dressed([(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close")], "")
    await send({"type": "http.response.start", "status": status.value, "headers": headers})
    await send({"type": "http.response.body", "body": body})
