"""The second page of a press, the list of runs, one run, and its package."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool

from monitor.contract.errors import RunNotFound, StoreError
from web import containers
from web.columns import Span
from web.figures import Units
from web.page import page, part, parts
from web.rooms import LONGEST_MIN, Minute, Press, Rooms, RunName
from web.runs import TraceView, file_name
from web.view import LiveView
from web.viewer import Choice

ZIP = "application/zip"


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of runs."""
    routes = APIRouter(default_response_class=HTMLResponse)
    book = rooms.book

    @routes.get("/press/{press}/run")
    async def open_run(request: Request, press: Press) -> HTMLResponse:
        choice = rooms.choice(request)
        view = rooms.view(press, choice)
        return HTMLResponse(
            page(
                "run",
                choice=choice,
                here=f"/press/{press}/run",
                press=press,
                v=view,
                parts=parts(view, press=press, choice=choice),
                sizes=containers.sizes(choice.units),
                total_unit=containers.total_unit(choice.figures()),
                traces=await run_in_threadpool(_open_traces, rooms, view, None, choice),
                acts_open=rooms.desk.open,
                invented=rooms.is_invented(view),
            )
        )

    @routes.get("/press/{press}/traces")
    async def open_traces(request: Request, press: Press, last: Minute = None) -> HTMLResponse:
        choice = rooms.choice(request)
        view = rooms.view(press, choice)
        traces = await run_in_threadpool(_open_traces, rooms, view, last, choice)
        return HTMLResponse(part("traces", choice=choice, traces=traces))

    @routes.get("/runs")
    async def list_runs(request: Request) -> HTMLResponse:
        choice = rooms.choice(request)
        found = await run_in_threadpool(book.runs, figures=choice.figures())
        return HTMLResponse(page("runs", choice=choice, here="/runs", runs=found, invented=rooms.invented))

    @routes.get("/runs/{run}")
    async def one_run(
        request: Request,
        run: RunName,
        start: Annotated[float | None, Query(alias="from", ge=0, le=LONGEST_MIN, allow_inf_nan=False)] = None,
        end: Annotated[float | None, Query(alias="to", ge=0, le=LONGEST_MIN, allow_inf_nan=False)] = None,
    ) -> HTMLResponse:
        choice = rooms.choice(request)
        text = await run_in_threadpool(_run_page, rooms, run, _span(start, end), choice)
        return HTMLResponse(text)

    @routes.get("/runs/{run}/package.zip")
    async def package(run: RunName, units: Units = Units.US) -> Response:
        content = await run_in_threadpool(book.package, run, units)
        headers = {"Content-Disposition": f'attachment; filename="{file_name(run, units)}"'}
        return Response(content, media_type=ZIP, headers=headers)

    return routes


def _open_traces(rooms: Rooms, view: LiveView | None, last: float | None, choice: Choice) -> TraceView | None:
    """Return the traces of the open run or its last minutes; null if there is nothing to draw."""
    if view is None or view.run is None:
        return None
    figures, elapsed_s = choice.figures(), view.elapsed_s or 0.0
    span = Span() if last is None else Span(start_s=max(0.0, elapsed_s - 60.0 * last))
    try:
        return rooms.book.traces(view.run, span=span, length_s=elapsed_s, figures=figures)
    except (RunNotFound, StoreError):
        # The live page goes on without its traces; the health page says what is wrong.
        return None


def _run_page(rooms: Rooms, run: str, span: Span, choice: Choice) -> str:
    book, figures = rooms.book, choice.figures()
    shown = book.run(run, figures=figures)
    traces, events = book.traces(run, span=span, figures=figures), book.events(run, figures=figures)
    return page(
        "one_run",
        choice=choice,
        here=f"/runs/{run}",
        run=shown,
        damaged=book.reader.damaged(run),
        limits=book.limits(run, figures=figures),
        traces=traces,
        events=events,
        invented=shown.invented or rooms.invented,
    )


def _span(start: float | None, end: float | None) -> Span:
    """Return the stretch between two minutes; one that ends before it starts is the whole."""
    start_s = 60.0 * (start or 0.0)
    if end is None or 60.0 * end <= start_s:
        return Span(start_s=start_s)
    return Span(start_s=start_s, end_s=60.0 * end)
