"""The page as one ASGI application: every address, and nothing that judges.

:func:`create_app` is given all it needs, so that it runs over a real broker and store in
service and without either in a test of its own.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable
from http import HTTPStatus

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import HTMLResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect

from monitor.contract.errors import RunNotFound, StoreError
from web import act_posts, door_pages, live_pages, record_pages, run_pages, still_pages
from web.address import own_names
from web.guard import Guard
from web.page import STATIC, page
from web.reading import ReadingDoor
from web.rooms import Rooms

Handler = Callable[[Request, Exception], Awaitable[Response]]


def create_app(rooms: Rooms) -> FastAPI:
    """Return the application over ``rooms``."""
    app = FastAPI(title="niterwatch", docs_url=None, redoc_url=None, openapi_url=None)
    for routes in (live_pages, act_posts, record_pages, run_pages, still_pages, door_pages):
        app.include_router(routes.router(rooms))
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    handler = _trouble(rooms)
    for kind in (HTTPException, RequestValidationError, StoreError, RunNotFound):
        app.add_exception_handler(kind, handler)
    app.add_exception_handler(ClientDisconnect, _gone)
    if rooms.settings.web.reading == "code":
        app.add_middleware(ReadingDoor, code=rooms.desk.code)
    app.add_middleware(Guard, hosts=own_names() | set(rooms.settings.web.allowed_hosts))
    return app


async def _gone(request: Request, error: Exception) -> Response:
    """Answer somebody who hung up in the middle of a request: nobody hears it, and the log stays short."""
    return Response(status_code=HTTPStatus.BAD_REQUEST)


def _trouble(rooms: Rooms) -> Handler:
    """Return the handler of everything that is not here or cannot be read: a page that says so."""

    async def handle(request: Request, error: Exception) -> Response:
        status, why, headers = _judged(error)
        choice = rooms.choice(request)
        text = page(
            "trouble",
            choice=choice,
            here="/",
            why=choice.figures().words("page.not_found") if why is None else why,
            unreadable=isinstance(error, StoreError),
            invented=rooms.invented,
        )
        return HTMLResponse(text, status_code=status, headers=headers)

    return handle


def _judged(error: Exception) -> tuple[int, str | None, dict[str, str] | None]:
    """Return the status of ``error``, its words where they help, and its headers."""
    if isinstance(error, StoreError):
        return HTTPStatus.SERVICE_UNAVAILABLE, str(error), None
    if isinstance(error, HTTPException):
        return error.status_code, None, dict(error.headers or {})
    if isinstance(error, RequestValidationError):
        return HTTPStatus.UNPROCESSABLE_ENTITY, None, None
    return HTTPStatus.NOT_FOUND, None, None
