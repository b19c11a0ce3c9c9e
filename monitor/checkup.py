"""What ``niterwatch check`` asks of broker, store and clock; hardware looks at its own parts."""

from __future__ import annotations

from datetime import date

from monitor.contract.errors import NiterwatchError, StoreInUse
from monitor.contract.readings import ClockState, Point
from monitor.rules.freshness import TEMPERATURE_POINTS
from monitor.rules.thresholds import PointTuning
from monitor.run.probe_check import left_c, settings_lines
from monitor.runtime.broker import reachable
from monitor.runtime.clock import Clock
from monitor.runtime.finding import Finding
from monitor.runtime.settings import BrokerSection, Settings
from monitor.trace.reader import TraceReader
from monitor.trace.season import ProbeCheck, Season
from monitor.trace.store import TraceWriter

SEASON_DAYS = 270
"""An older check is of another season (judgement: a season is over within four months)."""
NOT_WORTH_C = 0.05
"""A correction under half a step of the display is not worth pasting [degC]."""


async def inspect(settings: Settings, *, clock: Clock) -> list[Finding]:
    """Return a finding for broker, store, probe checks and clock; never raises for what it finds."""
    return [
        await inspect_broker(settings.broker),
        inspect_store(settings.store.url),
        inspect_probe_checks(settings, today=_today(clock)),
        inspect_clock(clock),
    ]


async def inspect_broker(settings: BrokerSection) -> Finding:
    """Knock at the broker."""
    try:
        await reachable(settings)
    except NiterwatchError as error:
        return Finding("broker", False, str(error))
    return Finding("broker", True, f"answers at {settings.host}:{settings.port}")


def inspect_store(url: str) -> Finding:
    """Open the store as the monitor would; one that a running monitor holds is read instead."""
    writer = TraceWriter(url, software="check")
    try:
        notice = writer.open()
    except StoreInUse:
        return Finding("store", True, f"{_count(url)}, a running monitor writes to it")
    except NiterwatchError as error:
        return Finding("store", False, str(error))
    writer.close()
    return Finding("store", notice is None, notice or f"{_count(url)}, can be written to")


def inspect_probe_checks(settings: Settings, *, today: date | None) -> Finding:
    """Tell when each probe was last held into ice and boiling water, and what it asks of the settings."""
    rules = settings.rules()
    try:
        season = Season(TraceReader(settings.store.url), rules=rules, owner=settings.plan_rules())
        last = season.last_checks()
    except NiterwatchError as error:
        return Finding("probe checks", False, str(error))
    points = [point for point in rules.points if point in TEMPERATURE_POINTS]
    told = (_probe_check(point, last.get(point), rules.tuning(point), today=today) for point in points)
    return Finding("probe checks", True, "; ".join(told))


def inspect_clock(clock: Clock) -> Finding:
    """Tell what is known of the time of day."""
    wall = clock.wall()
    if wall.time is None:
        return Finding("clock", False, "the time of day is not set: connect a network or set it by hand")
    shown = f"{wall.time:%Y-%m-%d %H:%M} UTC"
    if wall.state is ClockState.SAVED:
        return Finding("clock", True, f"{shown}, not confirmed by a time server")
    return Finding("clock", True, f"{shown}, {wall.state}")


def _probe_check(point: Point, check: ProbeCheck | None, tuning: PointTuning, *, today: date | None) -> str:
    if check is None:
        return f"{point} never checked (niterwatch probe {point})"
    day = None if check.time is None else check.time.astimezone().date()
    told = f"{point} checked {day or 'once'}"
    if day is not None and today is not None and (today - day).days > SEASON_DAYS:
        told += ", check it before this season"
    if left_c(check.found, tuning=tuning) > NOT_WORTH_C:
        told += f", not in the settings yet: {', '.join(settings_lines(check.found, point=point)[1:])}"
    return told


def _today(clock: Clock) -> date | None:
    now = clock.wall().time
    return None if now is None else now.astimezone().date()


def _count(url: str) -> str:
    runs = len(TraceReader(url).runs())
    return f"{runs} run{'' if runs == 1 else 's'} kept"
