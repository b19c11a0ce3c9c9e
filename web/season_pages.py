"""The season as charts, as a list, and as a file."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Sequence
from enum import StrEnum

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from starlette.concurrency import run_in_threadpool

from monitor.trace.reader import TraceReader
from monitor.trace.season import Season
from web import season as seasons
from web import season_picture
from web.figures import Figures, Units
from web.page import page
from web.press_records import PressRecords
from web.rooms import Rooms
from web.season import MEASURES, MOST_DRAWN, Happened, RunFigures
from web.viewer import Choice

REMEMBERED = 5_000
"""Closed runs whose events are not read again."""


class Presses(StrEnum):
    """Whose runs are shown: those of this page's press, or of every press in its store."""

    OWN = "own"
    ALL = "all"


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the addresses of the season."""
    routes = APIRouter(default_response_class=HTMLResponse)
    told = _Told(rooms.book.reader)
    every = PressRecords(
        Season(
            rooms.book.reader,
            rules=rooms.settings.rules(),
            owner=rooms.settings.plan_rules(),
            invented=rooms.invented,
            every_press=True,
        )
    )
    seasons_of = {Presses.OWN: records, Presses.ALL: every}

    def runs_of(presses: Presses) -> list[RunFigures]:
        return _runs(rooms, seasons_of[presses], told, presses)

    @routes.get("/season")
    async def show_season(request: Request, presses: Presses = Presses.OWN) -> HTMLResponse:
        choice = rooms.choice(request)
        runs = await run_in_threadpool(runs_of, presses)
        return HTMLResponse(await run_in_threadpool(_season_page, rooms, runs, presses, choice))

    @routes.get("/season.csv")
    async def season_file(units: Units = Units.US, presses: Presses = Presses.OWN) -> Response:
        runs = await run_in_threadpool(runs_of, presses)
        name = f"season-{units}.csv" if presses is Presses.OWN else f"season-all-{units}.csv"
        headers = {"Content-Disposition": f'attachment; filename="{name}"'}
        return Response(seasons.table(runs, units=units), media_type="text/csv", headers=headers)

    return routes


class _Told:
    """What the events of closed runs tell; usable from any thread."""

    def __init__(self, reader: TraceReader) -> None:
        self._reader = reader
        self._kept: OrderedDict[str, Happened] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, run: str) -> Happened:
        """Return what the events of the closed ``run`` tell."""
        with self._lock:
            kept = self._kept.get(run)
        if kept is None:
            kept = seasons.happened(self._reader.events(run))
            with self._lock:
                self._kept[run] = kept
                if len(self._kept) > REMEMBERED:
                    self._kept.popitem(last=False)
        return kept


def _runs(rooms: Rooms, records: PressRecords, told: _Told, presses: Presses) -> list[RunFigures]:
    runs = records.ask(lambda season: season.runs())
    # Sand and cake are of one press: runs of several teach nothing together.
    owner = rooms.settings.plan_rules() if presses is Presses.OWN else None
    return seasons.run_figures(runs, events=told.of, owner=owner)


def _several(rooms: Rooms) -> bool:
    """Tell whether the newest runs in the store are of more than one press."""
    return len({run.press for run in rooms.book.reader.runs() if run.invented == rooms.invented}) > 1


def _season_page(rooms: Rooms, runs: Sequence[RunFigures], presses: Presses, choice: Choice) -> str:
    figures = choice.figures()
    return page(
        "season",
        choice=choice,
        here="/season" if presses is Presses.OWN else f"/season?presses={presses}",
        press=rooms.settings.press.name,
        every_press=presses is Presses.ALL,
        several=_several(rooms),
        charts=_charts(runs[-MOST_DRAWN:], figures),
        left_out=max(0, len(runs) - MOST_DRAWN),
        changes=seasons.changes(runs, figures=figures),
        years=seasons.years(runs)[-2:],
        runs=[_line(run, figures) for run in reversed(runs[-MOST_DRAWN:])],
        invented=rooms.invented,
    )


def _charts(runs: Sequence[RunFigures], figures: Figures) -> list[tuple[str, str, str]]:
    """Return title, drawing and a line of explanation for every measure that any run has."""
    words = figures.words
    drawn = []
    for measure in MEASURES:
        values = [measure.of(run) for run in runs]
        if not any(value is not None for value in values):
            continue
        worth, unit = seasons.drawn_in(measure, figures)
        posts = [
            season_picture.Post(
                year=None if run.day is None else run.day.year,
                value=None if value is None else worth(value),
            )
            for run, value in zip(runs, values, strict=True)
        ]
        known = [value for value in values if value is not None]
        title = words(
            "season.title",
            what=words(f"season.{measure.key}"),
            count=len(known),
            least=seasons.written(measure, min(known), figures=figures),
            most=seasons.written(measure, max(known), figures=figures),
        )
        heading = words(f"season.{measure.key}")
        svg = season_picture.draw(posts, key=measure.key, title=title, whole=measure.counted, figures=figures)
        drawn.append((f"{heading}, {unit}" if unit else heading, svg, words(f"season.{measure.key}_more")))
    return drawn


def _line(run: RunFigures, figures: Figures) -> dict[str, object]:
    """Return a run in the list: its name, whether it has a page, and what is known of it."""
    said = [
        f"{figures.words(f'season.{measure.key}')} {seasons.written(measure, value, figures=figures)}"
        for measure in MEASURES
        if (value := measure.of(run)) is not None and not (measure.key == "chatters" and value == 0)
    ]
    return {"run": run.run, "stored": run.stored, "said": "; ".join(said)}
