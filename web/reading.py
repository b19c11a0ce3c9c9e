"""The door of a page that is not for everybody: a phone is asked for the device's code, once.

A plain ASGI middleware before every route, so that a new one is closed until it is listed here. What a
phone is given is a random number with its seal, made with the hash of the code as the key (HMAC, RFC
2104): nothing is kept here, a restart forgets nobody, and a new code shuts every phone out.
"""

from __future__ import annotations

from http import HTTPStatus
from urllib.parse import urlencode

from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from web.security import Code
from web.viewer import KEPT_S

DOOR = "/door"
OPEN_PATHS = frozenset({DOOR, "/card"})
"""The door itself, and the card that hangs on it."""
OPEN_FOLDER = "/static/"
"""Styles and scripts, which anybody can read in the program's source."""
PLAIN_COOKIE, SECURE_COOKIE = "reading", "__Host-reading"
"""Two names: over http a browser can neither send nor replace what it was given over https."""


class ReadingDoor:
    """Lets a request of a phone that knows the code through; sends any other to the door."""

    def __init__(self, app: ASGIApp, *, code: Code) -> None:
        self._app = app
        self._code = code

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or answer it at the door."""
        if scope["type"] != "http" or _is_open(scope["path"]) or self._admits(scope):
            await self._app(scope, receive, self._while_admitted(scope, send))
            return
        await _to_the_door(Request(scope))(scope, receive, send)

    def _admits(self, scope: Scope) -> bool:
        return any(self._code.has_sealed(token) for token in _tokens(Request(scope)))

    def _while_admitted(self, scope: Scope, send: Send) -> Send:
        """Return what ends an open stream once a new code was made: the old one lets nobody read on."""
        if scope["type"] != "http" or _is_open(scope["path"]):
            return send
        ended = False

        async def checked(message: Message) -> None:
            nonlocal ended
            if ended:
                return
            if message["type"] == "http.response.body" and not self._admits(scope):
                ended = True
                message = {"type": "http.response.body", "body": b"", "more_body": False}
            await send(message)

        return checked


def admit(answer: Response, *, code: Code, secure: bool) -> None:
    """Let the phone that is given ``answer`` read from now on, as long as browsers keep a cookie."""
    answer.set_cookie(
        SECURE_COOKIE if secure else PLAIN_COOKIE,
        code.token(),
        max_age=KEPT_S,
        httponly=True,
        secure=secure,
        # Not "strict": the address behind the QR code is opened from the camera's app.
        samesite="lax",
    )


def _is_open(path: str) -> bool:
    return path in OPEN_PATHS or path.startswith(OPEN_FOLDER)


def _tokens(request: Request) -> list[str]:
    given = request.cookies
    return [given[name] for name in (SECURE_COOKIE, PLAIN_COOKIE) if name in given]


def _to_the_door(request: Request) -> Response:
    """Send a person to the door; tell a program that it is closed."""
    if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
        back = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"{DOOR}?{urlencode({'back': back})}", status_code=HTTPStatus.SEE_OTHER)
    return PlainTextResponse("reading asks for the device's code\n", status_code=HTTPStatus.UNAUTHORIZED)
