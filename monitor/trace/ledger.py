"""Writes what waits into the tables, in one transaction: whole or not at all."""

from __future__ import annotations

import itertools
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from monitor.contract.events import Event
from monitor.contract.readings import ClockState
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.run.row import TraceRow
from monitor.trace import entries, schema
from monitor.trace.backlog import Backlog, Batch, KeptReading, KeptRow, KeptRun
from monitor.trace.complaint import Kind
from monitor.trace.database import Database
from monitor.trace.lease import RENEW_S, Leases

if TYPE_CHECKING:
    from sqlalchemy.dialects import postgresql

CHUNK_ROWS = 1_000
"""Rows handed to the database at a time, so that a long backlog needs no second copy in memory."""
REMEMBERED = 10_000
"""Boots, runs and their bases whose numbers are remembered, each."""


class Ledger:
    """The tables as the one writer fills them; remembers the numbers of boots and runs."""

    def __init__(self, database: Database, *, software: str, leases: Leases) -> None:
        self._database = database
        self._leases = leases
        self._software = software
        self._boots: dict[tuple[str, str], int] = {}
        self._runs: dict[tuple[str, str], int | None] = {}
        self._bases: set[tuple[int, int]] = set()
        self._clocks: dict[int, ClockState] = {}

    def open_runs(self, press: str | None = None) -> dict[str, KeptRun]:
        """Return by press the newest stored run that has no end: of every press, or of ``press`` alone."""
        run, boot, end = schema.run, schema.boot, schema.run_end
        newest = (
            sa.select(sa.func.max(run.c.id)).join(boot, boot.c.id == run.c.boot_id).group_by(boot.c.press)
        )
        if press is not None:
            newest = newest.where(boot.c.press == press)
        query = (
            sa.select(run, boot.c.name.label("boot"), boot.c.press)
            .join(boot, boot.c.id == run.c.boot_id)
            .outerjoin(end, end.c.run_id == run.c.id)
            .where(run.c.id.in_(newest), end.c.run_id.is_(None))
        )
        with self._database.begin() as connection:
            return {found.press: _kept_run(found) for found in connection.execute(query)}

    def write(self, backlog: Backlog) -> None:
        """Commit ``backlog``, but nothing of another monitor's press; on any error nothing is kept."""
        with self._transaction(backlog) as (connection, presses):
            self._write(connection, presses)

    def write_singly(self, backlog: Backlog) -> Counter[str]:
        """Commit what can be kept of ``backlog``; return how many entries cannot, by press."""
        refused: Counter[str] = Counter()
        with self._transaction(backlog) as (connection, presses):
            for press, batch in presses.items():
                if self._written(connection, press, batch):
                    continue
                for single in batch.singly():
                    refused[press] += not self._written(connection, press, single)
        return refused

    @contextmanager
    def _transaction(self, backlog: Backlog) -> Iterator[tuple[sa.Connection, dict[str, Batch]]]:
        """Give a transaction and what of ``backlog`` may be written in it: that of the presses still held."""
        began_s, leases = time.monotonic(), self._leases
        renew = leases.due()
        asked = backlog.presses.keys() | (leases.held if renew else set())
        try:
            with self._database.begin() as connection:
                held = leases.confirm(connection, asked, renew=renew)
                yield connection, {press: batch for press, batch in backlog.presses.items() if press in held}
                ended_s = time.monotonic()
                if ended_s - began_s > RENEW_S:  # nobody could take them meanwhile, nor renew them
                    leases.confirm(connection, held, renew=True)
                    began_s, renew = ended_s, True
        except BaseException:
            self.forget()
            raise
        if renew:
            leases.renewed(began_s)

    def forget(self) -> None:
        """Drop what was remembered: it may be of a transaction that was undone."""
        self._boots.clear()
        self._runs.clear()
        self._bases.clear()
        self._clocks.clear()

    def _written(self, connection: sa.Connection, press: str, batch: Batch) -> bool:
        try:
            with connection.begin_nested():
                self._write(connection, {press: batch})
        except Exception as error:
            if self._database.complaint(error).kind is not Kind.ENTRY:
                raise
            self.forget()
            return False
        return True

    def _write(self, connection: sa.Connection, presses: Mapping[str, Batch]) -> None:
        """Write kind by kind, each of all presses together, in an order that the tables allow."""
        if max(len(self._boots), len(self._runs), len(self._bases)) > REMEMBERED:
            self.forget()
        known = presses.items()
        for press, batch in known:
            for run in batch.opened:
                self._open(connection, press, run)
        events = (self._event(connection, press, event) for press, batch in known for event in batch.events)
        _insert(connection, schema.event, events)
        readings = (
            self._reading(connection, press, kept) for press, batch in known for kept in batch.readings
        )
        _insert(connection, schema.reading, readings)
        rows = (self._row(connection, press, kept) for press, batch in known for kept in batch.rows)
        _insert(connection, schema.moment, rows)
        for press, batch in known:
            for closed in batch.closed:
                self._close(connection, press, closed)
            for entry in batch.shown:
                self._show(connection, press, entry)
        states = {press: batch.snapshot for press, batch in known if batch.snapshot is not None}
        self._renew(connection, states)

    def _open(self, connection: sa.Connection, press: str, run: KeptRun) -> None:
        opened = run.opened
        boot_id = self._boot(connection, press, opened.boot)
        columns = entries.run_columns(opened, boot_id=boot_id, software=self._software, facts=run.facts)
        _insert(connection, schema.run, [columns])
        self._runs.pop((press, opened.run), None)
        self._base(connection, press, opened.run, boot_id=boot_id, zero_mono_s=opened.started_mono_s)

    def _close(self, connection: sa.Connection, press: str, closed: RunClosed) -> None:
        run_id = self._run(connection, press, closed.run)
        if run_id is not None:
            boot_id = self._boot(connection, press, closed.boot)
            _insert(connection, schema.run_end, [entries.end_columns(closed, run_id=run_id, boot_id=boot_id)])

    def _show(self, connection: sa.Connection, press: str, entry: RunEntry) -> None:
        run_id = self._run(connection, press, entry.run)
        if run_id is not None:
            columns = entries.shown_columns(entry, run_id=run_id, software=self._software)
            _insert(connection, schema.run_shown, [columns])

    def _renew(self, connection: sa.Connection, snapshots: Mapping[str, bytes]) -> None:
        if not snapshots:
            return
        insert = _insert_into(connection, schema.snapshot)
        newest = insert.on_conflict_do_update(
            index_elements=["press"], set_={"state": insert.excluded["state"]}
        )
        connection.execute(newest, [{"press": press, "state": state} for press, state in snapshots.items()])

    def _event(self, connection: sa.Connection, press: str, event: Event) -> entries.Columns:
        return entries.event_columns(event, boot_id=self._boot(connection, press, event.boot))

    def _reading(self, connection: sa.Connection, press: str, kept: KeptReading) -> entries.Columns:
        boot_id = self._boot(connection, press, kept.reading.boot)
        return entries.reading_columns(
            kept.point, kept.reading, boot_id=boot_id, arrived_mono_s=kept.arrived_mono_s
        )

    def _row(self, connection: sa.Connection, press: str, kept: KeptRow) -> entries.Columns:
        row = kept.row
        boot_id = self._boot(connection, press, row.boot)
        self._note_clock(connection, row, boot_id=boot_id)
        run_id = None
        if kept.run is not None and row.elapsed_s is not None:
            zero_mono_s = row.mono_s - row.elapsed_s
            self._base(connection, press, kept.run, boot_id=boot_id, zero_mono_s=zero_mono_s)
            run_id = self._run(connection, press, kept.run)
        return entries.row_columns(row, run_id=run_id, boot_id=boot_id)

    def _base(
        self, connection: sa.Connection, press: str, run: str, *, boot_id: int, zero_mono_s: float
    ) -> None:
        run_id = self._run(connection, press, run)
        if run_id is None or (run_id, boot_id) in self._bases:
            return
        columns = {"run_id": run_id, "boot_id": boot_id, "zero_mono_s": zero_mono_s}
        _insert(connection, schema.run_base, [columns])
        self._bases.add((run_id, boot_id))

    def _note_clock(self, connection: sa.Connection, row: TraceRow, *, boot_id: int) -> None:
        if row.time is None or self._clocks.get(boot_id) is row.clock:
            return
        offset = schema.clock_offset
        known = sa.select(offset.c.clock).where(offset.c.boot_id == boot_id).order_by(offset.c.id.desc())
        if connection.scalar(known.limit(1)) != row.clock:
            columns = {"boot_id": boot_id, "mono_s": row.mono_s, "clock": row.clock.value}
            _insert(connection, offset, [columns | {"time_us": entries.microseconds(row.time)}])
        self._clocks[boot_id] = row.clock

    def _boot(self, connection: sa.Connection, press: str, name: str) -> int:
        known = self._boots.get((press, name))
        if known is None:
            _insert(connection, schema.boot, [{"press": press, "name": name}])
            boot = schema.boot.c
            found = sa.select(boot.id).where(boot.press == press, boot.name == name)
            known = self._boots[press, name] = connection.execute(found).scalar_one()
        return known

    def _run(self, connection: sa.Connection, press: str, name: str) -> int | None:
        if (press, name) not in self._runs:
            found = (
                sa.select(schema.run.c.id)
                .join(schema.boot, schema.boot.c.id == schema.run.c.boot_id)
                .where(schema.run.c.name == name, schema.boot.c.press == press)
            )
            self._runs[press, name] = connection.scalar(found)
        return self._runs[press, name]


def _kept_run(columns: Any) -> KeptRun:
    opened = RunOpened(
        run=columns.name,
        boot=columns.boot,
        started_mono_s=columns.started_mono_s,
        started=entries.wall_time(columns.started_us),
        clock=ClockState(columns.clock),
        by=columns.opened_by,
    )
    return KeptRun(opened, columns.facts)


def _insert(connection: sa.Connection, table: sa.Table, rows: Iterable[entries.Columns]) -> None:
    """Add ``rows``; one that is already there by a unique key is left as it is."""
    insert = _insert_into(connection, table).on_conflict_do_nothing()
    waiting = iter(rows)
    while chunk := list(itertools.islice(waiting, CHUNK_ROWS)):
        connection.execute(insert, chunk)


def _insert_into(connection: sa.Connection, table: sa.Table) -> sqlite.Insert | postgresql.Insert:
    if connection.dialect.name == "sqlite":
        return sqlite.insert(table)
    from sqlalchemy.dialects import postgresql  # a monitor that keeps a file does without: 2 MiB

    return postgresql.insert(table)
