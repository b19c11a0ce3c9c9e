"""The columns of a trace file in both systems of units: name, unit and how a row fills them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Literal

from monitor.contract.names import Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.contract.units import Dimension, convert
from monitor.run.row import TraceRow
from monitor.trace.entries import FLAG_SEPARATOR

Units = Literal["us", "metric"]
FieldType = Literal["number", "integer", "datetime", "string"]

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""A spreadsheet may run a text that begins so (OWASP ASVS 5.0, 1.2.10); line feed and the wide forms
of the four signs from memory of OWASP's page on CSV injection."""
_ELAPSED_DECIMALS = 3
"""Readings are dated to the millisecond."""
_CONVERTED_DECIMALS = 6
"""Far finer than any sensor, coarse enough that 193 degF is written as 193.0."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """A column of trace.csv. ``unit`` is a UCUM code, null for words; ``words`` are all it may hold."""

    name: str
    type: FieldType
    title: str
    cell: Callable[[TraceRow], str]
    unit: str | None = None
    words: tuple[str, ...] = ()


def trace_columns(units: Units) -> tuple[Column, ...]:
    """Return the columns in their order in the file."""
    return (
        _number("elapsed_s", "Time since the run began", "s", lambda row: row.elapsed_s, _elapsed_text),
        Column(name="time", type="datetime", title="Wall time, UTC", cell=lambda row: time_text(row.time)),
        _words("clock", "State of the clock", tuple(ClockState), lambda row: row.clock),
        _temperature("outlet", "Syrup leaving the press", units, lambda row: row.outlet_c),
        _words("outlet_quality", "Standing of the outlet", tuple(Standing), lambda row: row.outlet_standing),
        _pressure("line", "Line pressure, mean of the second", units, lambda row: row.line_kpa),
        _pressure("line_high", "Line pressure, peak of the second", units, lambda row: row.line_high_kpa),
        _words("line_quality", "Standing of the line", tuple(Standing), lambda row: row.line_standing),
        Column(
            name="strokes",
            type="integer",
            title="Pump strokes in the second",
            unit="1",
            cell=lambda row: "" if row.strokes is None else str(row.strokes),
        ),
        _flow(units),
        _volume(units),
        _temperature("pan", "Syrup in the pan", units, lambda row: row.pan_c),
        _temperature("filler", "Syrup at the filler", units, lambda row: row.filler_c),
        _words("phase", "Phase of the run", tuple(Phase), lambda row: row.phase),
        Column(
            name="flags",
            type="string",
            title="Flags raised, joined by semicolons",
            cell=lambda row: text_cell(FLAG_SEPARATOR.join(row.flags)),
        ),
    )


def text_cell(text: str) -> str:
    """Return ``text`` so that no spreadsheet takes it for a formula. For words, never for numbers.

    >>> text_cell("=1+1")
    "'=1+1"
    """
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def number_cell(value: float | None) -> str:
    """Return ``value`` so that reading it gives the same number; unknown or not finite is empty."""
    return "" if value is None or not math.isfinite(value) else repr(value)


def time_text(time: datetime | None) -> str:
    """Return ``time`` in UTC as RFC 3339 writes it, to the millisecond; unknown is empty."""
    if time is None:
        return ""
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


Value = Callable[[TraceRow], float | None]


def _number(name: str, title: str, unit: str, value: Value, text: Callable[[float | None], str]) -> Column:
    return Column(name=name, type="number", title=title, unit=unit, cell=lambda row: text(value(row)))


def _words(name: str, title: str, words: tuple[str, ...], word: Callable[[TraceRow], str]) -> Column:
    return Column(
        name=name, type="string", title=title, words=words, cell=lambda row: text_cell(str(word(row)))
    )


def _temperature(place: str, title: str, units: Units, value: Value) -> Column:
    if units == "metric":
        return _number(f"{place}_degC", f"{title} (degC)", "Cel", value, number_cell)
    return _number(f"{place}_degF", f"{title} (degF)", "[degF]", value, _into("degF", Dimension.TEMPERATURE))


def _pressure(place: str, title: str, units: Units, value: Value) -> Column:
    if units == "metric":
        return _number(f"{place}_kPa", f"{title} (kPa)", "kPa", value, number_cell)
    return _number(f"{place}_psi", f"{title} (psi)", "[psi]", value, _into("psi", Dimension.PRESSURE))


def _flow(units: Units) -> Column:
    if units == "metric":
        return _number("flow_L_min", "Flow (L/min)", "L/min", lambda row: row.flow_l_min, number_cell)
    text = _into("gal/min", Dimension.FLOW)
    return _number("flow_gal_min", "Flow (US gal/min)", "[gal_us]/min", lambda row: row.flow_l_min, text)


def _volume(units: Units) -> Column:
    title = "Volume since the start"
    if units == "metric":
        return _number("volume_L", f"{title} (L)", "L", lambda row: row.volume_l, number_cell)
    text = _into("gal", Dimension.VOLUME)
    return _number("volume_gal", f"{title} (US gal)", "[gal_us]", lambda row: row.volume_l, text)


def _into(name: str, dimension: Dimension) -> Callable[[float | None], str]:
    def text(value: float | None) -> str:
        if value is None:
            return ""
        return number_cell(round(convert(value, dimension=dimension, into=name), _CONVERTED_DECIMALS))

    return text


def _elapsed_text(elapsed_s: float | None) -> str:
    return number_cell(None if elapsed_s is None else round(elapsed_s, _ELAPSED_DECIMALS))
