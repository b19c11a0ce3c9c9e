"""Lots read back: what was entered of one, put together with the seconds and marks of its run."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from monitor.contract.entries import LotArgs
from monitor.contract.errors import EntryRefused
from monitor.contract.events import Event, Mark
from monitor.rules.thresholds import Thresholds
from monitor.run.lot import LotRecord, MeasuredDensity, lot_record
from monitor.run.records import standing
from monitor.run.row import TraceRow
from monitor.trace.reader import RunRecord, TraceReader
from monitor.trace.run_rules import thresholds_of


@dataclass(frozen=True, slots=True, kw_only=True)
class LotLine:
    """A lot in a list."""

    entry: str
    code: str
    run: str
    packed: date
    initials: str
    note: str
    invented: bool

    def holds(self, words: str) -> bool:
        """Tell whether code, run, day, initials or note hold ``words``, whatever their case."""
        text = f"{self.code}\n{self.run}\n{self.packed}\n{self.initials}\n{self.note}"
        return words.strip().casefold() in text.casefold()


def lot_line(mark: Mark, *, record: RunRecord) -> LotLine | None:
    """Return ``mark`` as a line of a list; null if it is no lot."""
    lot = mark.given
    if not isinstance(lot, LotArgs) or lot.packed is None or lot.code is None or mark.entry is None:
        return None
    return LotLine(
        entry=mark.entry,
        code=lot.code,
        run=record.run,
        packed=lot.packed,
        initials=lot.initials,
        note=mark.text,
        invented=record.invented,
    )


def lots_of(reader: TraceReader, record: RunRecord) -> tuple[LotRecord, ...]:
    """Return the lots packed from the run of ``record``; reads its seconds only if there is one.

    A run that does not tell the limits it was judged by gives none: hot and cold are not known.
    """
    thresholds = thresholds_of(record)
    if thresholds is None:
        return ()
    events = reader.events(record.run)
    marks = [mark for mark in standing(entries_in(events)) if isinstance(mark.given, LotArgs)]
    rows = list(reader.rows(record.run)) if marks else []
    made = (_record(record, mark, rows=rows, events=events, thresholds=thresholds) for mark in marks)
    return tuple(lot for lot in made if lot is not None)


def entries_in(events: Iterable[Event]) -> tuple[Mark, ...]:
    """Return the entries among ``events``, one that was handed on once."""
    found = {event.entry: event for event in events if isinstance(event, Mark) and event.entry is not None}
    return tuple(found.values())


def _record(
    record: RunRecord,
    mark: Mark,
    *,
    rows: Sequence[TraceRow],
    events: Sequence[Event],
    thresholds: Thresholds,
) -> LotRecord | None:
    lot = mark.given
    if not isinstance(lot, LotArgs) or lot.packed is None:
        return None
    try:
        density = MeasuredDensity(sugar=lot.sugar, method=lot.method)
    except EntryRefused:
        density = MeasuredDensity()  # of an imported run: it was never entered here
    return lot_record(
        run=record.run,
        press=record.press,
        rows=rows,
        events=events,
        thresholds=thresholds,
        scheme="",
        code=lot.code,
        packed=lot.packed,
        today=lot.packed,
        number=lot.number or 1,
        filled={kind.size_l: kind.count for kind in lot.containers} or None,
        density=density,
        initials=lot.initials,
        note=mark.text,
        invented=record.invented,
    )
