"""Writes a batch of entries into the tables, in one transaction: whole or not at all."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from monitor.contract.events import Event
from monitor.contract.readings import ClockState, Point, Reading
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.run.row import TraceRow
from monitor.trace import entries, schema
from monitor.trace.complaint import Kind
from monitor.trace.database import Database

READING_LIMIT = 18_000
"""Readings kept in memory while the disk takes none: an hour of five points, some 20 MB."""
ROW_LIMIT = 14_400
"""Rows kept in memory: four hours."""
MARK_LIMIT = 10_000
"""Events and runs kept in memory, each."""


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading on its way to its table."""

    point: Point
    reading: Reading
    arrived_mono_s: float


@dataclass(frozen=True, slots=True)
class KeptRow:
    """A row on its way to its table, and the run it belongs to."""

    row: TraceRow
    run: str | None


@dataclass(frozen=True, slots=True)
class KeptShown:
    """What a closed run showed by itself, on its way to its table."""

    entry: RunEntry


@dataclass(slots=True)
class Batch:
    """Entries that wait to be written; each kind drops its oldest beyond its limit."""

    opened: deque[RunOpened] = field(default_factory=lambda: deque(maxlen=MARK_LIMIT))
    events: deque[Event] = field(default_factory=lambda: deque(maxlen=MARK_LIMIT))
    readings: deque[KeptReading] = field(default_factory=lambda: deque(maxlen=READING_LIMIT))
    rows: deque[KeptRow] = field(default_factory=lambda: deque(maxlen=ROW_LIMIT))
    closed: deque[RunClosed] = field(default_factory=lambda: deque(maxlen=MARK_LIMIT))
    shown: deque[KeptShown] = field(default_factory=lambda: deque(maxlen=MARK_LIMIT))
    snapshots: dict[str, bytes] = field(default_factory=dict)

    def __len__(self) -> int:
        return sum(len(kind) for kind in self._kinds()) + len(self.snapshots)

    def add(self, later: Batch) -> int:
        """Append what came later; return how many of the oldest were dropped for it."""
        before = len(self) + sum(len(kind) for kind in later._kinds()) - len(self.snapshots)
        for kind, more in zip(self._kinds(), later._kinds(), strict=True):
            kind.extend(more)
        self.snapshots |= later.snapshots
        return before - sum(len(kind) for kind in self._kinds())

    def singly(self) -> Iterator[Batch]:
        """Give each entry as a batch of its own, in an order that can be written."""
        for name in ("opened", "events", "readings", "rows", "closed", "shown"):
            for entry in getattr(self, name):
                single = Batch()
                getattr(single, name).append(entry)
                yield single
        for press, state in self.snapshots.items():
            yield Batch(snapshots={press: state})

    def _kinds(self) -> tuple[deque[Any], ...]:
        return self.opened, self.events, self.readings, self.rows, self.closed, self.shown


class Ledger:
    """The tables as the one writer fills them; remembers the numbers of boots and runs."""

    def __init__(self, database: Database, *, software: str, facts: Mapping[str, object]) -> None:
        self._database = database
        self._software = software
        self._facts = entries.facts_text(facts)
        self._boots: dict[str, int] = {}
        self._runs: dict[str, int | None] = {}
        self._bases: set[tuple[int, int]] = set()
        self._clock: tuple[int, ClockState] | None = None

    def know(self, facts: Mapping[str, object]) -> None:
        """Take ``facts`` for the runs that are opened from now on."""
        self._facts = entries.facts_text(facts)

    def open_run(self) -> RunOpened | None:
        """Return the newest stored run if it has no end."""
        query = (
            sa.select(schema.run, schema.boot.c.name.label("boot"), schema.run_end.c.run_id.label("ended"))
            .select_from(schema.run)
            .join(schema.boot, schema.boot.c.id == schema.run.c.boot_id)
            .outerjoin(schema.run_end, schema.run_end.c.run_id == schema.run.c.id)
            .order_by(schema.run.c.id.desc())
            .limit(1)
        )
        with self._database.begin() as connection:
            newest = connection.execute(query).first()
        if newest is None or newest.ended is not None:
            return None
        return RunOpened(
            run=newest.name,
            boot=newest.boot,
            started_mono_s=newest.started_mono_s,
            started=entries.wall_time(newest.started_us),
            clock=ClockState(newest.clock),
            by=newest.opened_by,
        )

    def write(self, batch: Batch) -> None:
        """Commit ``batch``; on any error nothing of it is kept."""
        try:
            with self._database.begin() as connection:
                self._write(connection, batch)
        except BaseException:
            self.forget()
            raise

    def write_singly(self, batch: Batch) -> int:
        """Commit what can be kept of ``batch``; return how many entries cannot."""
        refused = 0
        try:
            with self._database.begin() as connection:
                for single in batch.singly():
                    refused += not self._written(connection, single)
        except BaseException:
            self.forget()
            raise
        return refused

    def forget(self) -> None:
        """Drop what was remembered: it may be of a transaction that was undone."""
        self._boots.clear()
        self._runs.clear()
        self._bases.clear()
        self._clock = None

    def _written(self, connection: sa.Connection, single: Batch) -> bool:
        try:
            with connection.begin_nested():
                self._write(connection, single)
        except Exception as error:
            if self._database.complaint(error).kind is not Kind.ENTRY:
                raise
            self.forget()
            return False
        return True

    def _write(self, connection: sa.Connection, batch: Batch) -> None:
        for opened in batch.opened:
            self._open(connection, opened)
        _insert(connection, schema.event, [self._event(connection, event) for event in batch.events])
        _insert(connection, schema.reading, [self._reading(connection, kept) for kept in batch.readings])
        _insert(connection, schema.moment, [self._row(connection, kept) for kept in batch.rows])
        for closed in batch.closed:
            self._close(connection, closed)
        for kept in batch.shown:
            self._show(connection, kept.entry)
        for press, state in batch.snapshots.items():
            connection.execute(sa.delete(schema.snapshot).where(schema.snapshot.c.press == press))
            _insert(connection, schema.snapshot, [{"press": press, "state": state}])

    def _open(self, connection: sa.Connection, opened: RunOpened) -> None:
        boot_id = self._boot(connection, opened.boot)
        columns = entries.run_columns(opened, boot_id=boot_id, software=self._software, facts=self._facts)
        _insert(connection, schema.run, [columns])
        self._runs.pop(opened.run, None)
        self._base(connection, opened.run, boot_id=boot_id, zero_mono_s=opened.started_mono_s)

    def _close(self, connection: sa.Connection, closed: RunClosed) -> None:
        run_id = self._run(connection, closed.run)
        if run_id is not None:
            boot_id = self._boot(connection, closed.boot)
            _insert(connection, schema.run_end, [entries.end_columns(closed, run_id=run_id, boot_id=boot_id)])

    def _show(self, connection: sa.Connection, entry: RunEntry) -> None:
        run_id = self._run(connection, entry.run)
        if run_id is not None:
            columns = entries.shown_columns(entry, run_id=run_id, software=self._software)
            _insert(connection, schema.run_shown, [columns])

    def _event(self, connection: sa.Connection, event: Event) -> entries.Columns:
        return entries.event_columns(event, boot_id=self._boot(connection, event.boot))

    def _reading(self, connection: sa.Connection, kept: KeptReading) -> entries.Columns:
        boot_id = self._boot(connection, kept.reading.boot)
        return entries.reading_columns(
            kept.point, kept.reading, boot_id=boot_id, arrived_mono_s=kept.arrived_mono_s
        )

    def _row(self, connection: sa.Connection, kept: KeptRow) -> entries.Columns:
        row = kept.row
        boot_id = self._boot(connection, row.boot)
        self._note_clock(connection, row, boot_id=boot_id)
        run_id = None
        if kept.run is not None and row.elapsed_s is not None:
            self._base(connection, kept.run, boot_id=boot_id, zero_mono_s=row.mono_s - row.elapsed_s)
            run_id = self._run(connection, kept.run)
        return entries.row_columns(row, run_id=run_id, boot_id=boot_id)

    def _base(self, connection: sa.Connection, run: str, *, boot_id: int, zero_mono_s: float) -> None:
        run_id = self._run(connection, run)
        if run_id is None or (run_id, boot_id) in self._bases:
            return
        columns = {"run_id": run_id, "boot_id": boot_id, "zero_mono_s": zero_mono_s}
        _insert(connection, schema.run_base, [columns])
        self._bases.add((run_id, boot_id))

    def _note_clock(self, connection: sa.Connection, row: TraceRow, *, boot_id: int) -> None:
        if row.time is None or self._clock == (boot_id, row.clock):
            return
        offset = schema.clock_offset
        known = sa.select(offset.c.clock).where(offset.c.boot_id == boot_id).order_by(offset.c.id.desc())
        if connection.scalar(known.limit(1)) != row.clock:
            columns = {"boot_id": boot_id, "mono_s": row.mono_s, "clock": row.clock.value}
            _insert(connection, offset, [columns | {"time_us": entries.microseconds(row.time)}])
        self._clock = boot_id, row.clock

    def _boot(self, connection: sa.Connection, name: str) -> int:
        if name not in self._boots:
            _insert(connection, schema.boot, [{"name": name}])
            found = connection.execute(sa.select(schema.boot.c.id).where(schema.boot.c.name == name))
            self._boots[name] = found.scalar_one()
        return self._boots[name]

    def _run(self, connection: sa.Connection, name: str) -> int | None:
        if name not in self._runs:
            self._runs[name] = connection.scalar(sa.select(schema.run.c.id).where(schema.run.c.name == name))
        return self._runs[name]


def _insert(connection: sa.Connection, table: sa.Table, rows: list[entries.Columns]) -> None:
    """Add ``rows``; one that is already there by a unique key is left as it is."""
    if not rows:
        return
    insert: sqlite.Insert | postgresql.Insert
    insert = sqlite.insert(table) if connection.dialect.name == "sqlite" else postgresql.insert(table)
    connection.execute(insert.on_conflict_do_nothing(), rows)
