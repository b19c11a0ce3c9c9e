"""Pages that stand still: health, safety, glossary, the door card; and the table of sounds."""

from __future__ import annotations

import ssl
from dataclasses import asdict
from datetime import UTC, datetime
from http import HTTPStatus
from importlib.metadata import PackageNotFoundError
from importlib.metadata import version as installed
from pathlib import Path

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from monitor.contract.errors import StoreError
from web import door_card, health, tones
from web.address import way
from web.page import page
from web.rooms import Rooms
from web.runs import RunBook
from web.viewer import Choice

AUTHORITY = "/authority.crt"
CERTIFICATE_TYPE = "application/x-x509-ca-cert"
"""What makes a phone offer to install a certificate rather than show it; no standard names it."""


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of pages that stand still."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/health")
    async def show_health(request: Request) -> HTMLResponse:
        store, runs = await run_in_threadpool(_store, rooms.book)
        return HTMLResponse(_health_page(rooms, rooms.choice(request), store=store, runs=runs))

    @routes.get("/safety")
    async def show_safety(request: Request) -> HTMLResponse:
        choice = rooms.choice(request)
        ready = choice.figures().limit(rooms.settings.thresholds.ready)
        return HTMLResponse(page("safety", choice=choice, here="/safety", ready=ready, invented=False))

    @routes.get("/glossary")
    async def show_glossary(request: Request) -> HTMLResponse:
        choice = rooms.choice(request)
        return HTMLResponse(page("glossary", choice=choice, here="/glossary", invented=False))

    @routes.get("/card")
    async def show_card(request: Request) -> HTMLResponse:
        choice = rooms.choice(request)
        return HTMLResponse(
            door_card.card_page(rooms.settings, choice, look=f"/static/{door_card.LOOK}", back="/health")
        )

    @routes.get(AUTHORITY)
    async def give_authority() -> Response:
        file = rooms.settings.web.authority
        if file is None:
            raise HTTPException(HTTPStatus.NOT_FOUND)
        return Response(await run_in_threadpool(_authority, file), media_type=CERTIFICATE_TYPE)

    @routes.get("/sounds.json")
    async def sounds() -> JSONResponse:
        return JSONResponse({signal: asdict(pattern) for signal, pattern in tones.PATTERNS.items()})

    return routes


def software() -> str:
    """Return the version of this software."""
    try:
        return installed("niterwatch")
    except PackageNotFoundError:
        return "unknown"


def _authority(file: Path) -> bytes:
    """Return the certificate in ``file``: never anything else that a mistaken setting may name."""
    try:
        return ssl.PEM_cert_to_DER_cert(file.read_text(encoding="ascii").strip())
    except (OSError, ValueError):
        raise HTTPException(HTTPStatus.NOT_FOUND) from None


def _store(book: RunBook) -> tuple[str | None, int]:
    """Return why the store cannot be read, null when it can, and how many runs it gave."""
    try:
        return None, book.count()
    except StoreError as error:
        return str(error), 0


def _health_page(rooms: Rooms, choice: Choice, *, store: str | None, runs: int) -> str:
    figures, hub = choice.figures(), rooms.hub
    state = health.Page(
        connected=rooms.connected(),
        dropped=rooms.dropped(),
        refused=hub.refused,
        viewers=hub.viewers,
        code_made=rooms.desk.open,
        software=software(),
        store=store,
        runs=runs,
        secure=rooms.secure is not None,
        certificate_until=rooms.secure.good_until() if rooms.secure else None,
        reading_open=rooms.settings.web.reading == "open",
        now=datetime.now(UTC),
    )
    names = hub.presses or [rooms.settings.press.name]
    presses = [
        (
            name,
            health.press_lines(
                name, hub.heard(name), hub.beats(name), software=state.software, figures=figures
            ),
        )
        for name in names
    ]
    lines = health.own_lines(state, figures=figures)
    return page(
        "health",
        choice=choice,
        here="/health",
        lines=lines,
        presses=presses,
        secure=way(rooms.settings.web).secure,
        authority=AUTHORITY if rooms.settings.web.authority else None,
        invented=rooms.invented,
    )
