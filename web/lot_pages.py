"""Lots: what was packed from a run, and the search for one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from monitor.contract.entries import LotArgs
from monitor.contract.events import Mark
from monitor.contract.units import Dimension
from monitor.run.lot import LotRecord, Packing
from monitor.run.records import standing
from web.cakes import correcting, method_field
from web.entries import entry_lines
from web.entry_forms import SIZES
from web.figures import Figures
from web.language import slug
from web.page import page
from web.plan_view import size
from web.press_records import PressRecords
from web.rooms import Rooms, RunName
from web.runs import run_view
from web.typed import Field
from web.viewer import Choice

MOST_LOTS = 200
"""Lots of a list; a search finds older ones."""
Lines = tuple[tuple[str, str], ...]
Words = Annotated[str, Query(max_length=100)]
Entry = Annotated[str, Query(max_length=32)]


@dataclass(frozen=True, slots=True, kw_only=True)
class LotView:
    """A lot as its run's page shows it."""

    code: str
    facts: Lines
    containers: tuple[tuple[str, str, str], ...]
    """Size, count, and what each takes hot."""


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the addresses of lots."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/runs/{run}/lot")
    async def show_lot(request: Request, run: RunName, correct: Entry = "") -> HTMLResponse:
        choice = rooms.choice(request)
        return HTMLResponse(await run_in_threadpool(_lot_page, rooms, records, run, correct, choice))

    @routes.get("/lots")
    async def show_lots(request: Request, q: Words = "") -> HTMLResponse:
        choice = rooms.choice(request)
        found = await run_in_threadpool(records.ask, lambda season: season.lots(q)[: MOST_LOTS + 1])
        return HTMLResponse(
            page(
                "lots",
                choice=choice,
                here="/lots",
                q=q,
                lots=found[:MOST_LOTS],
                more=len(found) > MOST_LOTS,
                invented=rooms.invented,
            )
        )

    return routes


def _lot_page(rooms: Rooms, records: PressRecords, run: str, correct: str, choice: Choice) -> str:
    figures = choice.figures()
    record = rooms.book.reader.run(run)
    marks = records.ask(lambda season: season.entries(run))
    made = records.ask(lambda season: season.lot_records(run))
    old = correcting(standing(marks), correct)
    given = old.given if old is not None and isinstance(old.given, LotArgs) else None
    return page(
        "lot",
        choice=choice,
        here=f"/runs/{run}/lot" + (f"?correct={correct}" if given is not None else ""),
        press=record.press,
        acts_open=rooms.desk.open,
        run=run_view(record, figures=figures),
        lots=[lot_view(lot, figures=figures) for lot in made],
        lines=entry_lines(marks, figures=figures, kinds=("lot",)),
        **_form(given, old, rooms.settings.lot.containers, figures),
        entry=correct if given is not None else "",
        invented=record.invented or rooms.invented,
    )


def lot_view(lot: LotRecord, *, figures: Figures) -> LotView:
    """Return ``lot`` in words."""
    words = figures.words
    unknown = words("point.unknown")
    density = unknown
    if lot.density.sugar is not None:
        density = f"{figures.brix(lot.density.sugar)}, {words(f'lot.method_{slug(lot.density.method)}')}"
    lines = [
        (words("lot.packed"), lot.packed.isoformat()),
        (words("lot.from"), unknown if lot.started is None else figures.time(lot.started)),
        (words("lot.to"), unknown if lot.ended is None else figures.time(lot.ended)),
        *_heat(lot.outlet, "outlet", figures),
        *(_heat(lot.filler, "filler", figures) if lot.filler.seen_s > 0.0 else ()),
        (words("lot.density"), density),
        (words("lot.volume"), figures.volume(lot.volume_l)),
        (words("lot.initials"), lot.initials or unknown),
    ]
    if lot.note:
        lines.append((words("cakes.note"), lot.note))
    return LotView(
        code=lot.code,
        facts=tuple(lines),
        containers=tuple(
            (
                size(kind.size_l, figures),
                str(kind.count),
                unknown if kind.hot_fill_l is None else size(kind.hot_fill_l, figures),
            )
            for kind in lot.containers
        ),
    )


def _heat(packing: Packing, point: str, figures: Figures) -> Lines:
    """Return the temperatures of a point while it was bottled."""
    words = figures.words
    name = words(f"point.{point}")
    if packing.least_c is None or packing.mean_c is None or packing.most_c is None:
        return ((name, words("point.unknown")),)
    heat = words(
        "lot.heat",
        least=figures.temperature(packing.least_c),
        mean=figures.temperature(packing.mean_c),
        most=figures.temperature(packing.most_c),
    )
    outside = words(
        "lot.outside_for",
        time=figures.duration(packing.outside_s),
        cold=figures.duration(packing.cold_s),
        hot=figures.duration(packing.hot_s),
    )
    lines = [(name, heat), (words("lot.outside"), outside if packing.outside_s > 0.0 else words("lot.never"))]
    if packing.unseen_s > 0.0:
        lines.append((words("lot.unseen"), figures.duration(packing.unseen_s)))
    return tuple(lines)


def _form(
    given: LotArgs | None, old: Mark | None, sizes_l: Sequence[float], figures: Figures
) -> dict[str, object]:
    """Return the fields of a lot, filled with ``given`` where one is corrected."""
    words = figures.words
    unit = figures.unit(Dimension.VOLUME)

    def number(value: float | None, digits: int) -> str:
        return "" if value is None else figures.number(value, digits=digits)

    filled = [] if given is None else [(kind.size_l, str(kind.count)) for kind in given.containers]
    offered = [(size_l, "") for size_l in sizes_l if size_l not in dict(filled)]
    rows = [
        (number(figures.worth(size_l, Dimension.VOLUME), 4).rstrip("0").rstrip(".,"), count)
        for size_l, count in [*filled, *offered][:SIZES]
    ]
    rows += [("", "")] * (SIZES - len(rows))
    sugar = None if given is None or given.sugar is None else 100.0 * given.sugar
    packed = "" if given is None or given.packed is None else given.packed.isoformat()
    return {
        "fields": [
            Field(
                name="packed",
                label=words("lot.packed"),
                value=packed,
                kind="date",
                hint=words("lot.day_hint"),
            ),
            Field(
                name="code",
                label=words("lot.code"),
                value="" if given is None else given.code or "",
                kind="text",
                hint=words("lot.code_hint"),
            ),
            Field(name="density", label=words("plan.density"), value=number(sugar, 1)),
            method_field(None if given is None else given.method, figures=figures),
        ],
        "rows": rows,
        "rows_label": words("lot.containers", volume=unit),
        "rest": [
            Field(
                name="initials",
                label=words("lot.initials"),
                value="" if given is None else given.initials,
                kind="text",
            ),
            Field(name="note", label=words("cakes.note"), value="" if old is None else old.text, kind="text"),
        ],
    }
