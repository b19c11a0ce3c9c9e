"""Takes a run into the store from its package, and takes one out; only while no monitor writes there.

Both take the writer's place for themselves, so a running monitor refuses them in one line. Raw
readings belong to the boot and not to the run: they stay.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

import sqlalchemy as sa

from monitor.contract.entries import EarlierRun
from monitor.contract.errors import StoreError, StoreUnreadable, StoreUnwritable, TraceError
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.inputs import Stamp
from monitor.run.press_record import RunEntry
from monitor.trace import entries, schema
from monitor.trace.database import Database
from monitor.trace.lease import Leases
from monitor.trace.package import WholeRun
from monitor.trace.reader import TraceReader
from monitor.trace.retention import drop_seconds

_CHUNK_ROWS = 1_000
_PRESS_LETTERS = 32
"""Of a press's name, as topics allow it."""
UNNAMED = "main"
"""The press of a package that names none: what the settings call one by default."""


def import_run(url: str, run: WholeRun) -> None:
    """Keep ``run`` in the store at ``url``, in one transaction.

    Raises :class:`TraceError` if a run of that name is there, :class:`StoreInUse` while a monitor
    runs, and the other errors of a store.
    """
    with _writing(url, press_of(run)) as connection:
        if _run_id(connection, run.file.run) is not None:
            raise TraceError(f"run {run.file.run} is in the store already: nothing was imported")
        _keep(connection, run)


def forget_run(url: str, name: str) -> None:
    """Delete the run called ``name`` with its seconds, events and entries.

    Raises :class:`RunNotFound`, :class:`TraceError` for a run that is still open, :class:`StoreInUse`
    while a monitor runs, and the other errors of a store.
    """
    record = TraceReader(url).run(name)
    state = TraceReader(url).snapshot(record.press)
    if state is not None and _open_run(state) == name:
        raise TraceError(f"run {name} is still open: end it first")
    with _writing(url, record.press) as connection:
        run_id = _run_id(connection, name)
        if run_id is not None:
            _delete(connection, name, run_id)


def import_notes(url: str, runs: Sequence[RunEntry], *, press: str, who: str, stamp: Stamp) -> int:
    """Keep the runs of a notebook as entries; return how many were not there already.

    A line that was imported before is known by its content, so that a notebook may be imported
    again after lines were added.
    """
    marks = _notebook_marks(runs, press=press, who=who, stamp=stamp)
    with _writing(url, press) as connection:
        event = schema.event.c
        notes = sa.select(event.body).where(event.kind == "mark", event.name == "earlier run")
        known = {json.loads(body).get("entry") for body in connection.execute(notes).scalars()}
        new = [mark for mark in marks if mark.entry not in known]
        boot_id = _boot_id(connection, press, stamp.boot) if new else 0
        _insert(connection, schema.event, [entries.event_columns(mark, boot_id=boot_id) for mark in new])
    return len(new)


def _notebook_marks(runs: Sequence[RunEntry], *, press: str, who: str, stamp: Stamp) -> Iterator[Mark]:
    seen: Counter[str] = Counter()
    for run in runs:
        earlier = _earlier(run)
        content = earlier.model_dump_json(exclude={"line"})
        seen[content] += 1
        digest = hashlib.sha256(f"{press}\n{content}\n{seen[content]}".encode()).hexdigest()
        yield Mark(
            press=press,
            seq=0,
            boot=stamp.boot,
            mono_ms=max(0, round(1000.0 * stamp.mono_s)),
            time=stamp.time,
            clock=stamp.clock,
            name="earlier run",
            who=who,
            text=run.cake.note if run.cake is not None else "",
            entry=digest[:32],
            earlier=earlier,
        )


def _earlier(run: RunEntry) -> EarlierRun:
    day, _, line = run.run.partition(" line ")
    cake = run.cake
    return EarlierRun.model_validate(
        {
            "day": day,
            "line": int(line),
            "volume_l": run.volume_l,
            "dose_kg_m3": run.dose_kg_m3,
            "room_l": run.room_l,
            "fill": None if cake is None else cake.fill,
            "amount": None if cake is None else cake.amount,
            "limit": run.limit,
        }
    )


@contextmanager
def _writing(url: str, press: str) -> Iterator[sa.Connection]:
    """Give a connection that alone writes ``press``; what fails in it is one line, and nothing is kept."""
    database, leases = Database(url), Leases(url, holder="archive")
    try:
        database.open()
        leases.take(press)
        with database.begin() as connection:
            # Locked until the commit, however long it takes: no monitor gets the press meanwhile.
            leases.confirm(connection, {press}, renew=True)
            yield connection
    except sa.exc.SQLAlchemyError as error:
        complaint = database.complaint(error)
        kind = StoreUnwritable if complaint.unwritable else StoreUnreadable
        raise kind(complaint.text) from None
    finally:
        with suppress(StoreError):  # else it runs out by itself
            leases.release(leases.held)
        leases.close()
        database.close()


def press_of(run: WholeRun) -> str:
    """Return the press that ``run`` is of."""
    return run.file.press[:_PRESS_LETTERS] or UNNAMED


def _keep(connection: sa.Connection, run: WholeRun) -> None:
    file = run.file
    press = press_of(run)
    boots = {name: _boot_id(connection, press, name) for name in _boots_of(run)}
    opened = RunOpened(
        run=file.run,
        boot=file.boot,
        started_mono_s=file.started_mono_s,
        started=file.started,
        clock=file.clock,
        by=file.opened_by,
    )
    facts = entries.facts_text(file.facts)
    columns = entries.run_columns(opened, boot_id=boots[file.boot], software=file.software, facts=facts)
    _insert(connection, schema.run, [columns])
    run_id = _run_id(connection, file.run)
    if run_id is None:
        raise StoreUnwritable(f"run {file.run} could not be kept")
    zeros = {file.boot: file.started_mono_s} | {span.boot: span.zero_mono_s for span in file.boots}
    zeros[file.boot] = file.started_mono_s
    _insert(
        connection,
        schema.run_base,
        [{"run_id": run_id, "boot_id": boots[boot], "zero_mono_s": zero} for boot, zero in zeros.items()],
    )
    _insert(
        connection,
        schema.moment,
        [entries.row_columns(row, run_id=run_id, boot_id=boots[row.boot]) for row in run.rows],
    )
    _insert(
        connection,
        schema.event,
        [entries.event_columns(event, boot_id=boots[event.boot]) for event in run.events],
    )
    _keep_end(connection, run, run_id=run_id, boots=boots)
    _keep_offsets(connection, run, boots=boots)


def _keep_end(connection: sa.Connection, run: WholeRun, *, run_id: int, boots: dict[str, int]) -> None:
    file = run.file
    if file.closed_by is None or file.elapsed_s is None:
        return
    boot = file.ended_boot or file.boot
    closed = RunClosed(
        run=file.run,
        boot=boot,
        ended_mono_s=file.started_mono_s + file.elapsed_s if file.ended_mono_s is None else file.ended_mono_s,
        ended=file.ended,
        elapsed_s=file.elapsed_s,
        volume_l=file.volume_l,
        by=file.closed_by,
    )
    _insert(connection, schema.run_end, [entries.end_columns(closed, run_id=run_id, boot_id=boots[boot])])


def _keep_offsets(connection: sa.Connection, run: WholeRun, *, boots: dict[str, int]) -> None:
    """Keep what is known of the clocks, unless the store knows it of the same boot already."""
    table = schema.clock_offset
    for offset in run.file.clock_offsets:
        columns = {
            "boot_id": boots[offset.boot],
            "mono_s": offset.mono_s,
            "time_us": entries.microseconds(offset.time),
            "clock": ClockState(offset.clock).value,
        }
        there = sa.select(table.c.id).where(*(table.c[name] == value for name, value in columns.items()))
        if connection.scalar(there) is None:
            _insert(connection, table, [columns])


def _boots_of(run: WholeRun) -> list[str]:
    """Return the boots that anything in ``run`` names, each once, in order."""
    file = run.file
    named: list[str | None] = [file.boot, *(span.boot for span in file.boots), file.ended_boot]
    named += [offset.boot for offset in file.clock_offsets]
    named += [event.boot for event in run.events]
    return list(dict.fromkeys(name for name in named if name is not None))


def _delete(connection: sa.Connection, name: str, run_id: int) -> None:
    base, boot = schema.run, schema.boot
    drop_seconds(connection, run_id)
    for table in (schema.run_shown, schema.run_end, schema.run_base):
        connection.execute(sa.delete(table).where(table.c.run_id == run_id))
    theirs = boot.alias()
    owner = sa.select(theirs.c.press).join(base, base.c.boot_id == theirs.c.id).where(base.c.id == run_id)
    own_boots = sa.select(boot.c.id).where(boot.c.press == owner.scalar_subquery())
    event = schema.event
    connection.execute(sa.delete(event).where(event.c.run == name, event.c.boot_id.in_(own_boots)))
    connection.execute(sa.delete(schema.run).where(schema.run.c.id == run_id))


def _run_id(connection: sa.Connection, name: str) -> int | None:
    return connection.scalar(sa.select(schema.run.c.id).where(schema.run.c.name == name))


def _boot_id(connection: sa.Connection, press: str, name: str) -> int:
    table = schema.boot
    known = sa.select(table.c.id).where(table.c.press == press, table.c.name == name)
    found = connection.scalar(known)
    if found is None:
        _insert(connection, table, [{"press": press, "name": name}])
        found = connection.scalar(known)
    return int(found or 0)


def _insert(connection: sa.Connection, table: sa.Table, rows: Sequence[entries.Columns]) -> None:
    for start in range(0, len(rows), _CHUNK_ROWS):
        connection.execute(sa.insert(table), list(rows[start : start + _CHUNK_ROWS]))


def _open_run(state: bytes) -> str | None:
    """Return the run that the engine's stored state holds open."""
    try:
        run = json.loads(state).get("run")
    except (ValueError, AttributeError):
        return None
    return run.get("id") if isinstance(run, dict) else None
