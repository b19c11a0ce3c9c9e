"""The run sheet as a page, and as a file of its own for the exported package."""

from __future__ import annotations

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from monitor.contract.entries import CheckArgs
from monitor.contract.events import Mark
from monitor.rules.thresholds import RunRules
from monitor.run.records import standing
from monitor.runtime.settings import Settings
from monitor.trace.reader import TraceReader
from monitor.trace.run_rules import run_rules
from web.figures import Units
from web.language import Language
from web.page import STATIC, page
from web.press_records import PressRecords
from web.rooms import Rooms, RunName
from web.sheet import SheetView, sheet_view
from web.viewer import Choice

FILE_NAME = "run-sheet.html"
"""Name of the sheet in a package."""


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the address of the run sheet."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/runs/{run}/sheet")
    async def show_sheet(request: Request, run: RunName) -> HTMLResponse:
        choice = rooms.choice(request)
        rules = rooms.settings.rules()
        view = await run_in_threadpool(
            sheet_of, rooms.book.reader, run, rules=rules, choice=choice, invented=rooms.invented
        )
        here = f"/runs/{run}/sheet"
        return HTMLResponse(page("sheet", choice=choice, here=here, s=view, invented=view.invented))

    return routes


def sheet_of(
    reader: TraceReader, run: str, *, rules: RunRules, choice: Choice, invented: bool = False
) -> SheetView:
    """Return the sheet of ``run``, all from one state of the store; raise :class:`RunNotFound`."""
    with reader.held() as still:
        record = still.run(run)
        rows, events = list(still.rows(run)), still.events(run)
        return sheet_view(
            record,
            rows,
            events,
            thresholds=run_rules(record, otherwise=rules).thresholds,
            checks=_checks(still),
            invented=invented,
            damaged=still.damaged(run),
            figures=choice.figures(),
        )


def sheet_file(reader: TraceReader, run: str, *, settings: Settings, units: Units) -> bytes:
    """Return the sheet of ``run`` as a file that needs no other, in the settings' language."""
    choice = Choice(units, Language(settings.display.language))
    view = sheet_of(reader, run, rules=settings.rules(), choice=choice)
    style = "\n".join((STATIC / name).read_text(encoding="utf-8") for name in ("page.css", "sheet.css"))
    return page("sheet_file", choice=choice, here="", s=view, style=style, invented=view.invented).encode()


def _checks(reader: TraceReader) -> tuple[Mark, ...]:
    """Return the probe checks that count, oldest first."""
    return tuple(mark for mark in standing(reader.entries().values()) if isinstance(mark.given, CheckArgs))
