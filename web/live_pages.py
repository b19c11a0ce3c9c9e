"""The live page of a press, the overview of several, and the streams that renew them."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from fastapi.sse import EventSourceResponse, ServerSentEvent

from web.page import page, part, parts, version
from web.rooms import Press, Rooms
from web.sentence import Mood
from web.view import Glance, LiveView
from web.viewer import Choice

LOOK_S = 1.0
"""How often an idle stream looks whether its press has gone silent [s]."""
OVERVIEW_APART_S = 0.5
"""The overview is told of many presses at once, at most this often [s]: each has news every second."""


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of what is live."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/")
    async def start(request: Request) -> HTMLResponse:
        presses = rooms.hub.presses
        if len(presses) > 1:
            return HTMLResponse(_overview_page(rooms, rooms.choice(request)))
        press = presses[0] if presses else rooms.settings.press.name
        return HTMLResponse(_live_page(rooms, press, rooms.choice(request), here="/"))

    @routes.get("/press/{press}")
    async def one_press(request: Request, press: Press) -> HTMLResponse:
        return HTMLResponse(_live_page(rooms, press, rooms.choice(request), here=f"/press/{press}"))

    @routes.get("/live/{press}", response_class=EventSourceResponse, include_in_schema=False)
    async def stream(request: Request, press: Press) -> AsyncIterator[ServerSentEvent]:
        choice = rooms.choice(request)
        before: dict[str, str] = {}
        async for _ in _news(rooms, press):
            view = rooms.view(press, choice)
            now = parts(view, press=view.press if view else "", choice=choice)
            yield ServerSentEvent(data=_told(view) | {"parts": _changed(now, before)})
            before = now

    @routes.get("/live", response_class=EventSourceResponse, include_in_schema=False)
    async def stream_of_all(request: Request) -> AsyncIterator[ServerSentEvent]:
        choice = rooms.choice(request)
        async for _ in _news(rooms, None):
            yield ServerSentEvent(data=_told_of_all(rooms.glances(choice), choice))
            await asyncio.sleep(OVERVIEW_APART_S)

    return routes


async def _news(rooms: Rooms, press: str | None) -> AsyncIterator[None]:
    """Yield at once, at each new status, and when a press has gone silent; end at the hub's end."""
    with rooms.hub.viewer(press) as viewer:
        yield
        lived = _lives(rooms, press)
        while (news := await viewer.news(LOOK_S)) is not False:
            lives = _lives(rooms, press)
            if news or lives != lived:
                yield
            lived = lives


def _lives(rooms: Rooms, press: str | None) -> list[bool]:
    names = rooms.hub.presses if press is None else [press]
    return [heard is not None and heard.live for heard in map(rooms.hub.heard, names)]


def _live_page(rooms: Rooms, press: str, choice: Choice, *, here: str) -> str:
    view = rooms.view(press, choice)
    return page(
        "live",
        choice=choice,
        here=here,
        press=press,
        v=view,
        parts=parts(view, press=press, choice=choice),
        acts_open=rooms.desk.open,
        invented=rooms.is_invented(view),
    )


def _overview_page(rooms: Rooms, choice: Choice) -> str:
    views = rooms.glances(choice)
    invented = any(rooms.is_invented(view) for _, view in views)
    return page("overview", choice=choice, here="/", views=views, invented=invented)


def _changed(now: dict[str, str], before: dict[str, str]) -> dict[str, str]:
    return {name: html for name, html in now.items() if html != before.get(name)}


def _told(view: LiveView | None) -> dict[str, object]:
    """Return what one event of a live page's stream says beside its parts."""
    if view is None:
        return {"version": version(), "live": False, "mood": Mood.SILENT}
    return {
        "version": version(),
        "live": view.live,
        "mood": view.sentence.mood,
        "phase": view.phase,
        "run": view.run,
        "boot": view.boot,
        "seq": view.seq,
        "sound": view.sound,
        "prompts": view.prompt_count,
    }


def _told_of_all(views: list[tuple[str, Glance | None]], choice: Choice) -> dict[str, object]:
    """Return one event of the overview's stream."""
    lively = any(view is not None and view.live for _, view in views)
    return {
        "version": version(),
        "live": lively,
        "mood": Mood.STEADY if lively else Mood.SILENT,
        "parts": {"overview": part("overview", choice=choice, views=views)},
    }
