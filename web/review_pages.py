"""After a run: why it was cloudy."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from web.cloudy import cloudy_view
from web.page import page
from web.rooms import Rooms, RunName
from web.run_limits import thresholds_of
from web.runs import limits_of, run_view
from web.viewer import Choice


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of what is looked at after a run."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/runs/{run}/cloudy")
    async def show_cloudy(request: Request, run: RunName) -> HTMLResponse:
        return HTMLResponse(await run_in_threadpool(_cloudy_page, rooms, run, rooms.choice(request)))

    return routes


def _cloudy_page(rooms: Rooms, run: str, choice: Choice) -> str:
    figures = choice.figures()
    with rooms.book.reader.held() as reader:
        record = reader.run(run)
        rows, events = list(reader.rows(run)), reader.events(run)
    view = cloudy_view(
        rows,
        events,
        thresholds=thresholds_of(record.thresholds, now=rooms.settings.rules().thresholds),
        limits=limits_of(record.thresholds),
        cake=None,
        figures=figures,
    )
    return page(
        "cloudy",
        choice=choice,
        here=f"/runs/{run}/cloudy",
        run=run_view(record, figures=figures),
        v=view,
        invented=record.invented or rooms.invented,
    )
