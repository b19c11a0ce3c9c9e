"""After a run: its cakes, and why its syrup was cloudy."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from monitor.contract.entries import CakeArgs, ChargeArgs
from monitor.run.cake import SetEnd
from monitor.run.records import standing
from monitor.trace.descriptor import seconds_gone
from monitor.trace.run_rules import run_rules
from web import cakes
from web.cloudy import cloudy_view
from web.entries import entry_lines
from web.page import page
from web.press_records import PressRecords
from web.rooms import Rooms, RunName
from web.runs import limits_of, run_view
from web.viewer import Choice

Entry = Annotated[str, Query(max_length=32)]
"""An entry that is to be corrected; one that is not there is as none."""


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the addresses of what is looked at after a run."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/runs/{run}/cloudy")
    async def show_cloudy(request: Request, run: RunName) -> HTMLResponse:
        return HTMLResponse(await run_in_threadpool(_cloudy_page, rooms, records, run, rooms.choice(request)))

    @routes.get("/runs/{run}/cakes")
    async def show_cakes(request: Request, run: RunName, correct: Entry = "") -> HTMLResponse:
        choice = rooms.choice(request)
        return HTMLResponse(await run_in_threadpool(_cakes_page, rooms, records, run, correct, choice))

    return routes


def _cloudy_page(rooms: Rooms, records: PressRecords, run: str, choice: Choice) -> str:
    figures = choice.figures()
    with rooms.book.reader.held() as reader:
        record = reader.run(run)
        rows, events = list(reader.rows(run)), reader.events(run)
    thresholds = run_rules(record, otherwise=rooms.settings.rules()).thresholds
    view = cloudy_view(
        rows,
        events,
        thresholds=thresholds,
        limits=limits_of(record.thresholds),
        cake=records.ask(lambda season: season.cake(run)),
        end=SetEnd(end_kpa=_highest_kpa(rooms, run), cutoff_kpa=thresholds.cutoff_kpa),
        figures=figures,
    )
    return page(
        "cloudy",
        choice=choice,
        here=f"/runs/{run}/cloudy",
        run=run_view(record, figures=figures),
        v=view,
        gone=seconds_gone(record, stored=bool(rows)),
        invented=record.invented or rooms.invented,
    )


def _cakes_page(rooms: Rooms, records: PressRecords, run: str, correct: str, choice: Choice) -> str:
    figures = choice.figures()
    record = rooms.book.reader.run(run)
    rules = run_rules(record, otherwise=rooms.settings.rules())
    marks = records.ask(lambda season: season.entries(run))
    counting = standing(marks)
    reading = records.ask(lambda season: season.cake(run))
    charges = [mark.given for mark in counting if isinstance(mark.given, ChargeArgs)]
    charge = charges[-1] if charges else None
    known = records.ask(lambda season: season.lesson()).known
    old = cakes.correcting(counting, correct)
    old_cake = old.given if old is not None and isinstance(old.given, CakeArgs) else None
    old_charge = old.given if old is not None and isinstance(old.given, ChargeArgs) else None
    note = "" if old is None else old.text
    end = SetEnd(
        end_kpa=_highest_kpa(rooms, run),
        cutoff_kpa=rules.thresholds.cutoff_kpa,
        sand_share=cakes.sand_share(known, charge=charge),
    )
    return page(
        "cakes",
        choice=choice,
        here=f"/runs/{run}/cakes" + (f"?correct={correct}" if old is not None else ""),
        press=record.press,
        acts_open=rooms.desk.open,
        run=run_view(record, figures=figures),
        sayings=cakes.sayings(reading, end=end, figures=figures),
        known=cakes.known_now(known, press=rules.press, charge=charge, figures=figures),
        lines=entry_lines(marks, figures=figures, kinds=("cake", "charge")),
        cake=cakes.cake_fields(
            old_cake, note=note if old_cake else "", frames=rules.press.frames, figures=figures
        ),
        cake_entry=correct if old_cake is not None else "",
        charge=cakes.charge_fields(old_charge, note=note if old_charge else "", figures=figures),
        charge_entry=correct if old_charge is not None else "",
        invented=record.invented or rooms.invented,
    )


def _highest_kpa(rooms: Rooms, run: str) -> float | None:
    lines = (row.line_kpa for row in rooms.book.reader.rows(run))
    return max((line_kpa for line_kpa in lines if line_kpa is not None), default=None)
