"""Reads a trace file, metric or US, row by row, in base units."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from pathlib import Path

from monitor.contract.errors import TraceError
from monitor.contract.readings import RANGE_OF, UNIT_OF, Point
from monitor.contract.record import record
from monitor.contract.status import Standing
from monitor.contract.units import Dimension, Unit, unit

STROKE_LIMIT = 100
"""Strokes in a second beyond which no pump is believed; a reading carries no more."""
_ROUNDING = 1e-5
"""What six decimals of a psi, degF or gal/min may add to a value at the end of its range."""

_COLUMNS: dict[str, tuple[str, Point, str, Dimension]] = {
    "outlet_degC": ("outlet_c", Point.OUTLET, "degC", Dimension.TEMPERATURE),
    "outlet_degF": ("outlet_c", Point.OUTLET, "degF", Dimension.TEMPERATURE),
    "line_kPa": ("line_kpa", Point.LINE, "kPa", Dimension.PRESSURE),
    "line_psi": ("line_kpa", Point.LINE, "psi", Dimension.PRESSURE),
    "line_high_kPa": ("line_high_kpa", Point.LINE, "kPa", Dimension.PRESSURE),
    "line_high_psi": ("line_high_kpa", Point.LINE, "psi", Dimension.PRESSURE),
    "flow_L_min": ("flow_l_min", Point.FLOW, "L/min", Dimension.FLOW),
    "flow_gal_min": ("flow_l_min", Point.FLOW, "gal/min", Dimension.FLOW),
    "pan_degC": ("pan_c", Point.PAN, "degC", Dimension.TEMPERATURE),
    "pan_degF": ("pan_c", Point.PAN, "degF", Dimension.TEMPERATURE),
    "filler_degC": ("filler_c", Point.FILLER, "degC", Dimension.TEMPERATURE),
    "filler_degF": ("filler_c", Point.FILLER, "degF", Dimension.TEMPERATURE),
}
"""Column to the field it fills, where it is measured, its unit and dimension."""
_VALUED = frozenset({Standing.GOOD, Standing.UNCERTAIN})
_STANDINGS = {standing.value: standing for standing in Standing}

Cells = Sequence[str]
Number = Callable[[Cells], float | None]


@record(frozen=True, slots=True, kw_only=True)
class TraceLine:
    """One row of a trace file. Units: s, degC, kPa, L/min; null is unknown.

    A value is null unless its standing is good or uncertain. ``line_no`` is the file's line.
    """

    elapsed_s: float
    time: datetime | None
    outlet_c: float | None
    outlet_standing: Standing
    line_kpa: float | None
    line_high_kpa: float | None
    line_standing: Standing
    strokes: int | None
    flow_l_min: float | None
    pan_c: float | None
    filler_c: float | None
    line_no: int


def read_trace(path: Path) -> Iterator[TraceLine]:
    """Give the rows of the trace file at ``path``.

    Raises :class:`TraceError`, with the file's line, where a row cannot be replayed.
    """
    line_no = 1
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            rows = csv.reader(file, strict=True)
            try:
                header = next(rows, None)
                if not header:
                    raise ValueError("the file is empty")
                row_reader = _RowReader([name.strip() for name in header])
                for cells in rows:
                    line_no = rows.line_num
                    if cells:
                        yield row_reader.read(cells, line_no=line_no)
            except csv.Error as error:
                line_no = max(1, rows.line_num)
                raise ValueError(f"not a CSV file: {error}") from None
    except UnicodeDecodeError:
        raise TraceError(f"{path}: not a CSV file: it is not UTF-8 text") from None
    except TraceError:
        raise
    except ValueError as error:
        raise TraceError(f"{path} line {line_no}: {error}") from None
    except OSError as error:
        raise TraceError(f"{path} cannot be read: {error.strerror}; check the path") from None


class _RowReader:
    """Turns the cells under one header into lines; remembers the time of the row before."""

    def __init__(self, header: list[str]) -> None:
        if len(set(header)) != len(header):
            twice = next(name for name in header if header.count(name) > 1)
            raise ValueError(f"column {twice!r} is there twice")
        self._width = len(header)
        self._index = {name: index for index, name in enumerate(header)}
        if "elapsed_s" not in self._index:
            raise ValueError("no column elapsed_s: this is no trace file")
        self._elapsed_index = self._index["elapsed_s"]
        self._time_index = self._index.get("time")
        self._strokes_index = self._index.get("strokes")
        self._outlet = self._number("outlet_c", needed=True)
        self._line = self._number("line_kpa", needed=True)
        self._line_high = self._number("line_high_kpa")
        self._flow = self._number("flow_l_min")
        self._pan = self._number("pan_c")
        self._filler = self._number("filler_c")
        self._outlet_quality = self._index.get("outlet_quality")
        self._line_quality = self._index.get("line_quality")
        self._before_s = 0.0

    def read(self, cells: Cells, *, line_no: int) -> TraceLine:
        """Return the line that ``cells`` hold; raise ValueError with what is wrong."""
        if len(cells) != self._width:
            raise ValueError(f"{len(cells)} cells under {self._width} columns")
        outlet_c, line_kpa = self._outlet(cells), self._line(cells)
        outlet_standing = _standing(cells, self._outlet_quality, value=outlet_c)
        line_standing = _standing(cells, self._line_quality, value=line_kpa)
        line_known = line_standing in _VALUED
        return TraceLine(
            elapsed_s=self._elapsed(cells),
            time=self._time(cells),
            outlet_c=outlet_c if outlet_standing in _VALUED else None,
            outlet_standing=outlet_standing,
            line_kpa=line_kpa if line_known else None,
            line_high_kpa=self._line_high(cells) if line_known else None,
            line_standing=line_standing,
            strokes=self._strokes(cells),
            flow_l_min=self._flow(cells),
            pan_c=self._pan(cells),
            filler_c=self._filler(cells),
            line_no=line_no,
        )

    def _elapsed(self, cells: Cells) -> float:
        text = cells[self._elapsed_index]
        elapsed_s = _parsed(text, column="elapsed_s")
        if elapsed_s < self._before_s:
            raise ValueError(f"elapsed_s goes back from {self._before_s:g} to {elapsed_s:g}")
        self._before_s = elapsed_s
        return elapsed_s

    def _time(self, cells: Cells) -> datetime | None:
        if self._time_index is None or not cells[self._time_index]:
            return None
        try:
            return datetime.fromisoformat(cells[self._time_index])
        except ValueError:
            raise ValueError(f"time {cells[self._time_index][:40]!r} is no RFC 3339 time") from None

    def _strokes(self, cells: Cells) -> int | None:
        if self._strokes_index is None or not cells[self._strokes_index]:
            return None
        strokes = _parsed(cells[self._strokes_index], column="strokes")
        if not 0 <= strokes <= STROKE_LIMIT or strokes != int(strokes):
            raise ValueError(f"strokes {strokes:g} is no whole number from 0 to {STROKE_LIMIT}")
        return int(strokes)

    def _number(self, field: str, *, needed: bool = False) -> Number:
        """Return what reads the column that fills ``field``, whichever unit it is in."""
        names = [name for name, (filled, *_) in _COLUMNS.items() if filled == field]
        there = [name for name in names if name in self._index]
        if len(there) > 1:
            raise ValueError(f"columns {there[0]} and {there[1]} say the same: keep one")
        if not there:
            if needed:
                raise ValueError(f"no column {' or '.join(names)}")
            return _unknown
        _, point, unit_name, dimension = _COLUMNS[there[0]]
        return _number_reader(
            there[0], index=self._index[there[0]], point=point, unit=unit(unit_name, dimension=dimension)
        )


def _number_reader(column: str, *, index: int, point: Point, unit: Unit) -> Number:
    factor, offset = unit.factor, unit.offset
    bottom, top = RANGE_OF[UNIT_OF[point]]

    def read(cells: Cells) -> float | None:
        text = cells[index]
        if not text:
            return None
        value = _parsed(text, column=column) * factor + offset
        if bottom <= value <= top:
            return value
        if bottom - _ROUNDING <= value <= top + _ROUNDING:
            return min(max(value, bottom), top)
        raise ValueError(f"{column} {text[:40]} is no value this point can have")

    return read


def _parsed(text: str, *, column: str) -> float:
    try:
        value = float("" if "_" in text else text)  # Python reads 1_000, nobody else does
    except ValueError:
        what = f"{text[:40]!r} is not a number" if text else "is empty"
        raise ValueError(f"{column} {what}") from None
    if not math.isfinite(value):
        raise ValueError(f"{column} {text[:40]!r} is not a finite number")
    return value


def _standing(cells: Cells, index: int | None, *, value: float | None) -> Standing:
    """Return how far a value is to be trusted; without a word for it, a value that is there is good."""
    text = cells[index] if index is not None else ""
    if not text:
        return Standing.BAD if value is None else Standing.GOOD
    standing = _STANDINGS.get(text)
    if standing is None:
        raise ValueError(f"quality {text[:40]!r} is none of {', '.join(_STANDINGS)}")
    return Standing.BAD if value is None and standing in _VALUED else standing


def _unknown(_cells: Cells) -> float | None:
    return None
