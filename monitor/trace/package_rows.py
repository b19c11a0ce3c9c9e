"""The seconds of a run, read back from the trace.csv of its package with nothing lost."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.contract.units import Dimension, Unit, unit
from monitor.run.row import TraceRow
from monitor.trace.columns import Units, trace_columns
from monitor.trace.entries import FLAG_SEPARATOR

MOST_STROKES = 1_000
"""Far more than a pump makes in a second."""

_NUMBERS: dict[str, tuple[str, Dimension, Mapping[Units, str]]] = {
    "outlet": ("outlet_c", Dimension.TEMPERATURE, {"metric": "degC", "us": "degF"}),
    "line": ("line_kpa", Dimension.PRESSURE, {"metric": "kPa", "us": "psi"}),
    "line_high": ("line_high_kpa", Dimension.PRESSURE, {"metric": "kPa", "us": "psi"}),
    "flow": ("flow_l_min", Dimension.FLOW, {"metric": "L/min", "us": "gal/min"}),
    "volume": ("volume_l", Dimension.VOLUME, {"metric": "L", "us": "gal"}),
    "pan": ("pan_c", Dimension.TEMPERATURE, {"metric": "degC", "us": "degF"}),
    "filler": ("filler_c", Dimension.TEMPERATURE, {"metric": "degC", "us": "degF"}),
}
"""What a column is of: the field it fills, its dimension and its unit in both systems."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Rows from ``first_row`` on were made in ``boot``, whose second ``zero_mono_s`` is the run's zero."""

    boot: str
    zero_mono_s: float
    first_row: int


def package_rows(content: bytes, *, spans: Sequence[Span]) -> tuple[TraceRow, ...]:
    """Return the rows in ``content`` of trace.csv; raise ValueError with the line that does not fit."""
    line_no = 1
    try:
        reader = csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True)
        units = _units(next(reader, []))
        read = _Reader(units, spans=spans)
        rows: list[TraceRow] = []
        for cells in reader:
            line_no = reader.line_num
            rows.append(read.row(cells, number=len(rows)))
    except UnicodeDecodeError:
        raise ValueError("trace.csv is no UTF-8 text") from None
    except csv.Error as error:
        raise ValueError(f"trace.csv line {line_no + 1}: {error}") from None
    except ValueError as error:
        raise ValueError(f"trace.csv line {line_no}: {error}") from None
    return tuple(rows)


class _Reader:
    """Turns cells into rows, each dated by the boot that it was made in."""

    def __init__(self, units: Units, *, spans: Sequence[Span]) -> None:
        if not spans or any(span.first_row < 0 for span in spans):
            raise ValueError("run.json does not say when the rows were made")
        self._spans = sorted(spans, key=lambda span: span.first_row)
        self._names = [column.name for column in trace_columns(units)]
        self._numbers: dict[str, tuple[str, Unit]] = {}
        for place, (field, dimension, names) in _NUMBERS.items():
            name = names[units]
            column = f"{place}_{name.replace('/', '_')}"
            self._numbers[column] = field, unit(name, dimension=dimension)

    def row(self, cells: Sequence[str], *, number: int) -> TraceRow:
        """Return the row that ``cells`` hold; raise ValueError with what is wrong."""
        if len(cells) != len(self._names):
            raise ValueError(f"{len(cells)} cells under {len(self._names)} columns")
        named = dict(zip(self._names, cells, strict=True))
        elapsed_s = _number(named["elapsed_s"])
        if elapsed_s is None:
            raise ValueError("elapsed_s is empty")
        span = self._span(number)
        values: dict[str, Any] = {
            field: _in_base(_number(named[column]), of) for column, (field, of) in self._numbers.items()
        }
        return TraceRow(
            boot=span.boot,
            mono_s=round(span.zero_mono_s + elapsed_s, 3),
            time=datetime.fromisoformat(named["time"]) if named["time"] else None,
            clock=_word(ClockState, named["clock"]),
            elapsed_s=elapsed_s,
            outlet_standing=_word(Standing, named["outlet_quality"]),
            line_standing=_word(Standing, named["line_quality"]),
            strokes=_strokes(named["strokes"]),
            phase=_word(Phase, named["phase"]),
            flags=tuple(_word(Flag, word) for word in named["flags"].split(FLAG_SEPARATOR) if word),
            **values,
        )

    def _span(self, number: int) -> Span:
        while len(self._spans) > 1 and self._spans[1].first_row <= number:
            self._spans = self._spans[1:]
        return self._spans[0]


def _units(header: Sequence[str]) -> Units:
    systems: tuple[Units, ...] = ("us", "metric")
    for units in systems:
        if list(header) == [column.name for column in trace_columns(units)]:
            return units
    raise ValueError("the columns are none of an exported trace")


def _in_base(value: float | None, of: Unit) -> float | None:
    return None if value is None else value * of.factor + of.offset


def _number(text: str) -> float | None:
    if not text:
        return None
    value = float("" if "_" in text else text)
    if not math.isfinite(value):
        raise ValueError(f"{text[:40]!r} is no number")
    return value


def _strokes(text: str) -> int | None:
    if not text:
        return None
    strokes = int(text)
    if not 0 <= strokes <= MOST_STROKES:
        raise ValueError(f"{text[:40]} strokes in a second cannot be")
    return strokes


def _word(words: Callable[[str], Any], text: str) -> Any:
    return words(text)
