"""Probe checks in ice slush and boiling water: the form, what was found, and when the next is due."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from monitor.contract.entries import CheckArgs
from monitor.contract.readings import Point
from monitor.contract.units import Dimension
from monitor.run.probe_check import settings_lines, tolerance_now_c
from monitor.trace.season import ProbeCheck, Season
from web.cakes import correcting
from web.entries import entry_lines
from web.entry_forms import ALTITUDES, BAROMETERS, POINTS
from web.figures import Figures, Units
from web.page import page
from web.press_records import PressRecords
from web.rooms import Rooms
from web.typed import Field
from web.viewer import Choice

DUE_DAYS = 30
"""A check is due again after this many days of a season (judgement)."""
Entry = Annotated[str, Query(max_length=32)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PointView:
    """How the check of one probe stands."""

    name: str
    standing: str
    due: bool
    facts: tuple[tuple[str, str], ...]
    paste: tuple[str, ...]
    """Lines for the settings file; none where the settings have them already."""


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the address of the probe checks."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/probe-checks")
    async def show_checks(request: Request, correct: Entry = "") -> HTMLResponse:
        choice = rooms.choice(request)
        return HTMLResponse(await run_in_threadpool(_checks_page, rooms, records, correct, choice))

    return routes


def _checks_page(rooms: Rooms, records: PressRecords, correct: str, choice: Choice) -> str:
    figures = choice.figures()
    heard = rooms.hub.heard(rooms.settings.press.name)
    # The board's own word on what day it is: a clock that was never set dates nothing.
    now = None if heard is None else heard.status.time

    def read(season: Season) -> tuple[dict[Point, ProbeCheck], Sequence[ProbeCheck]]:
        return season.last_checks(), season.probe_checks()

    last, counting = records.ask(read)
    marks = [mark for mark in rooms.book.reader.entries().values() if mark.run is None]
    old = correcting(marks, correct if correct in {check.entry for check in counting} else "")
    given = old.given if old is not None and isinstance(old.given, CheckArgs) else None
    return page(
        "probe_checks",
        choice=choice,
        here="/probe-checks" + (f"?correct={correct}" if given is not None else ""),
        press=rooms.settings.press.name,
        acts_open=rooms.desk.open,
        points=_points(rooms, last, now=now, figures=figures),
        lines=entry_lines(marks, figures=figures, kinds=("probe check",)),
        fields=_fields(given, note="" if old is None else old.text, figures=figures),
        entry=correct if given is not None else "",
        invented=rooms.invented,
    )


def _points(
    rooms: Rooms, last: dict[Point, ProbeCheck], *, now: datetime | None, figures: Figures
) -> list[PointView]:
    """Return every probe that is fitted or was ever checked."""
    rules = rooms.settings.rules()
    known = [point for point in POINTS if point in rules.points or point in last or point is Point.OUTLET]
    return [_point(rooms, point, last.get(point), now=now, figures=figures) for point in known]


def _point(
    rooms: Rooms, point: Point, check: ProbeCheck | None, *, now: datetime | None, figures: Figures
) -> PointView:
    words = figures.words
    name = words(f"point.{point}")
    if check is None:
        return PointView(name=name, standing=words("checks.never"), due=True, facts=(), paste=())
    tuning = rooms.settings.rules().tuning(point)
    days = None if now is None or check.time is None else (now - check.time).days
    due = days is not None and days >= DUE_DAYS
    standing = words(
        "checks.on", day=words("point.unknown") if check.time is None else figures.day(check.time)
    )
    if days is not None:
        standing += ", " + words("checks.due" if due else "checks.days", days=days)
    found = check.found
    tolerance_c = tolerance_now_c(found, tuning=tuning)
    used = words("checks.no_tolerance")
    if tolerance_c is not None:
        used = figures.temperature_difference(tolerance_c, digits=2)
    if tuning.tolerance is not None:
        used = words("checks.set", error=figures.temperature_difference(tuning.tolerance, digits=2))
    left = figures.temperature_difference(found.left_c, digits=2)
    pasted = tolerance_c is not None and tolerance_c - (found.tolerance_c or 0.0) < 1e-3
    return PointView(
        name=name,
        standing=standing,
        due=due,
        facts=((words("checks.left"), left), (words("checks.tolerance"), used)),
        paste=() if pasted else settings_lines(found, point=point),
    )


def _fields(given: CheckArgs | None, *, note: str, figures: Figures) -> list[Field]:
    """Return the form of a check, filled with ``given`` where one is corrected."""
    words = figures.words
    unit = figures.unit(Dimension.TEMPERATURE)
    us = figures.units is Units.US

    def heat(value_c: float | None) -> str:
        if value_c is None:
            return ""
        return figures.number(figures.worth(value_c, Dimension.TEMPERATURE), digits=2)

    barometer, above = ("inHg", "ft") if us else ("hPa", "m")
    pressure = altitude = ""
    if given is not None and given.pressure_kpa is not None:
        pressure = figures.number(given.pressure_kpa / BAROMETERS[barometer], digits=2 if us else 1)
    if given is not None and given.altitude_m is not None:
        altitude = figures.number(given.altitude_m / ALTITUDES[above])
    points = tuple((point.value, words(f"point.{point}")) for point in POINTS)
    return [
        Field(
            name="point",
            label=words("checks.point"),
            options=points,
            value=Point.OUTLET if given is None else given.point,
            kind="picks",
        ),
        Field(
            name="ice",
            label=words("checks.ice", unit=unit),
            value=heat(None if given is None else given.ice_c),
        ),
        Field(
            name="boiling",
            label=words("checks.boiling", unit=unit),
            value=heat(None if given is None else given.boiling_c),
        ),
        Field(
            name="pressure",
            label=words("checks.pressure"),
            value=pressure,
            hint=words("checks.pressure_hint"),
        ),
        Field(
            name="barometer",
            label=words("checks.barometer"),
            options=tuple((name, name) for name in BAROMETERS),
            value=barometer,
            kind="picks",
        ),
        Field(
            name="altitude",
            label=words("checks.altitude"),
            value=altitude,
            hint=words("checks.altitude_hint"),
        ),
        Field(
            name="altitude_unit",
            label=words("checks.altitude_unit"),
            options=tuple((name, name) for name in ALTITUDES),
            value=above,
            kind="picks",
        ),
        Field(name="note", label=words("cakes.note"), value=note, kind="text"),
    ]
