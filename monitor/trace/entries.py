"""Readings, rows, events and runs as columns of the tables, and back."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from typing import Any

from monitor.contract.events import EVENT, Event
from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState, Point, Quality, Reading, Reason, UnitCode
from monitor.contract.status import Standing
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.run.row import TraceRow

Columns = dict[str, Any]
"""Column name to what the database takes; SQLAlchemy's own rows are as loose."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
FLAG_SEPARATOR = ";"


def microseconds(time: datetime | None) -> int | None:
    """Return wall time as microseconds since 1970-01-01 UTC; a time without a zone is UTC.

    >>> microseconds(datetime(1970, 1, 1, 0, 0, 2, tzinfo=UTC))
    2000000
    """
    if time is None:
        return None
    aware = time if time.tzinfo else time.replace(tzinfo=UTC)
    return (aware - _EPOCH) // _MICROSECOND


def wall_time(time_us: int | None) -> datetime | None:
    """Return the wall time of :func:`microseconds`, in UTC."""
    return None if time_us is None else _EPOCH + timedelta(microseconds=time_us)


def reading_columns(point: Point, reading: Reading, *, boot_id: int, arrived_mono_s: float) -> Columns:
    """Return the columns of one reading."""
    return {
        "boot_id": boot_id,
        "mono_ms": reading.mono_ms,
        "point": point.value,
        "seq": reading.seq,
        "arrived_mono_s": arrived_mono_s,
        "time_us": microseconds(reading.time),
        "clock": reading.clock.value,
        "value": reading.value,
        "unit": reading.unit.value,
        "tolerance": reading.tolerance,
        "quality": reading.quality.value,
        "reason": reading.reason and reading.reason.value,
        "low": reading.low,
        "high": reading.high,
        "strokes": reading.strokes,
        "strokes_per_min": reading.strokes_per_min,
        "stroke_regularity": reading.stroke_regularity,
        "stroke_confidence": reading.stroke_confidence,
    }


def reading_of(columns: Any, *, boot: str) -> tuple[Point, Reading, float]:
    """Return the point, its reading and the arrival [s] that ``columns`` hold."""
    reading = Reading(
        seq=columns.seq,
        boot=boot,
        mono_ms=columns.mono_ms,
        time=wall_time(columns.time_us),
        clock=ClockState(columns.clock),
        value=columns.value,
        unit=UnitCode(columns.unit),
        tolerance=columns.tolerance,
        quality=Quality(columns.quality),
        reason=columns.reason and Reason(columns.reason),
        low=columns.low,
        high=columns.high,
        strokes=columns.strokes,
        strokes_per_min=columns.strokes_per_min,
        stroke_regularity=columns.stroke_regularity,
        stroke_confidence=columns.stroke_confidence,
    )
    return Point(columns.point), reading, columns.arrived_mono_s


def row_columns(row: TraceRow, *, run_id: int | None, boot_id: int) -> Columns:
    """Return the columns of one second; a number that is none becomes null."""
    return {
        "run_id": run_id,
        "boot_id": boot_id,
        "mono_s": row.mono_s,
        "time_us": microseconds(row.time),
        "clock": row.clock.value,
        "elapsed_s": _finite(row.elapsed_s),
        "outlet_c": _finite(row.outlet_c),
        "outlet_standing": row.outlet_standing.value,
        "line_kpa": _finite(row.line_kpa),
        "line_high_kpa": _finite(row.line_high_kpa),
        "line_standing": row.line_standing.value,
        "strokes": row.strokes,
        "flow_l_min": _finite(row.flow_l_min),
        "volume_l": _finite(row.volume_l),
        "pan_c": _finite(row.pan_c),
        "filler_c": _finite(row.filler_c),
        "phase": row.phase.value,
        "flags": FLAG_SEPARATOR.join(row.flags),
    }


def row_of(columns: Any, *, boot: str, zero_mono_s: float | None) -> TraceRow:
    """Return the second that ``columns`` hold; elapsed time that is missing counts from ``zero_mono_s``."""
    elapsed_s = columns.elapsed_s
    if elapsed_s is None and zero_mono_s is not None:
        elapsed_s = round(columns.mono_s - zero_mono_s, 3)
    return TraceRow(
        boot=boot,
        mono_s=columns.mono_s,
        time=wall_time(columns.time_us),
        clock=ClockState(columns.clock),
        elapsed_s=elapsed_s,
        outlet_c=columns.outlet_c,
        outlet_standing=Standing(columns.outlet_standing),
        line_kpa=columns.line_kpa,
        line_high_kpa=columns.line_high_kpa,
        line_standing=Standing(columns.line_standing),
        strokes=columns.strokes,
        flow_l_min=columns.flow_l_min,
        volume_l=columns.volume_l,
        pan_c=columns.pan_c,
        filler_c=columns.filler_c,
        phase=Phase(columns.phase),
        flags=_flags(columns.flags),
    )


def event_columns(event: Event, *, boot_id: int) -> Columns:
    """Return the columns of one event."""
    return {
        "run": event.run,
        "boot_id": boot_id,
        "mono_ms": event.mono_ms,
        "kind": event.kind,
        "name": str(event.name),
        "state": str(event.state),
        "body": EVENT.dump_json(event, exclude_none=True).decode(),
    }


def event_of(columns: Any) -> Event:
    """Return the event that ``columns`` hold."""
    return EVENT.validate_json(columns.body)


def run_columns(opened: RunOpened, *, boot_id: int, software: str, facts: str) -> Columns:
    """Return the columns of a run that was opened."""
    return {
        "name": opened.run,
        "boot_id": boot_id,
        "started_mono_s": opened.started_mono_s,
        "started_us": microseconds(opened.started),
        "clock": opened.clock.value,
        "opened_by": opened.by,
        "software": software,
        "facts": facts,
    }


def end_columns(closed: RunClosed, *, run_id: int, boot_id: int) -> Columns:
    """Return the columns of a run's end."""
    return {
        "run_id": run_id,
        "boot_id": boot_id,
        "ended_mono_s": closed.ended_mono_s,
        "ended_us": microseconds(closed.ended),
        "elapsed_s": closed.elapsed_s,
        "volume_l": _finite(closed.volume_l),
        "closed_by": closed.by,
    }


def shown_columns(entry: RunEntry, *, run_id: int, software: str) -> Columns:
    """Return the columns of what a run showed by itself."""
    return {
        "run_id": run_id,
        "volume_l": _finite(entry.volume_l),
        "growth_per_m2": _finite(entry.growth_per_m2),
        "clean_per_m": _finite(entry.clean_per_m),
        "hot_flow_l_min": _finite(entry.hot_flow_l_min),
        "software": software,
    }


def facts_text(facts: Mapping[str, object]) -> str:
    """Return ``facts`` as JSON; dataclasses among them become objects."""
    return json.dumps(facts, default=_plain, allow_nan=False)


@lru_cache(maxsize=256)
def _flags(text: str) -> tuple[Flag, ...]:
    return tuple(Flag(name) for name in text.split(FLAG_SEPARATOR) if name)


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return dict(value)
    raise TypeError(f"a run's facts hold a {type(value).__name__}, which JSON has no word for")


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None
