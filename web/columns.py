"""A trace made narrow: the least and the most of every channel in each column of a picture.

One pass over the rows, memory for the columns only: a run of ten hours and one of a minute
make pictures of the same size. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from monitor.contract.names import Flag

MOST = 480
"""Columns of a picture: as many as a phone has points across."""


class Row(Protocol):
    """The part of a stored second that is drawn; null is unknown. degC, kPa, L."""

    @property
    def elapsed_s(self) -> float | None:
        """Seconds since the run began."""

    @property
    def outlet_c(self) -> float | None:
        """Outlet temperature."""

    @property
    def line_kpa(self) -> float | None:
        """Mean line pressure."""

    @property
    def line_high_kpa(self) -> float | None:
        """Its peak in that second."""

    @property
    def volume_l(self) -> float | None:
        """Volume filtered."""

    @property
    def flags(self) -> tuple[Flag, ...]:
        """Flags raised."""


@dataclass(slots=True)
class Reach:
    """Least and most of one channel in one column, null where every row was unknown."""

    least: float | None = None
    most: float | None = None

    def add(self, value: float | None) -> None:
        """Widen to take in ``value``."""
        if value is None:
            return
        self.least = value if self.least is None else min(self.least, value)
        self.most = value if self.most is None else max(self.most, value)


@dataclass(slots=True)
class Column:
    """One column: how many rows fell in it, and what they reached."""

    rows: int = 0
    outlet: Reach = field(default_factory=Reach)
    line: Reach = field(default_factory=Reach)
    peak: Reach = field(default_factory=Reach)
    volume: Reach = field(default_factory=Reach)
    flags: set[Flag] = field(default_factory=set)

    def add(self, row: Row) -> None:
        """Take in ``row``."""
        self.rows += 1
        self.outlet.add(row.outlet_c)
        self.line.add(row.line_kpa)
        self.peak.add(row.line_high_kpa)
        self.volume.add(row.volume_l)
        self.flags.update(row.flags)


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """The stretch of a run that is drawn [s]; ``end_s`` null means to its end."""

    start_s: float = 0.0
    end_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Narrowed:
    """The columns of the stretch from ``start_s`` to ``end_s`` [s]."""

    start_s: float
    end_s: float
    columns: Sequence[Column]

    @property
    def empty(self) -> bool:
        """No row fell into the stretch."""
        return not any(column.rows for column in self.columns)


def narrow(rows: Iterable[Row], *, span: Span, length_s: float) -> Narrowed:
    """Return ``rows`` of a run ``length_s`` long, cut to ``span`` and narrowed to columns."""
    start_s = max(0.0, span.start_s)
    end_s = length_s if span.end_s is None else min(span.end_s, length_s)
    end_s = max(end_s, start_s + 1.0)
    count = min(MOST, max(1, math.ceil(end_s - start_s)))
    columns = [Column() for _ in range(count)]
    for row in rows:
        if row.elapsed_s is None or not start_s <= row.elapsed_s <= end_s:
            continue
        index = min(count - 1, int((row.elapsed_s - start_s) / (end_s - start_s) * count))
        columns[index].add(row)
    return Narrowed(start_s=start_s, end_s=end_s, columns=columns)
