"""Reads the store beside its writer, which never waits for it."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Self

import sqlalchemy as sa

from monitor.contract.commands import MarkKind
from monitor.contract.errors import RunNotFound, StoreUnreadable
from monitor.contract.events import ENTRY_NAMES, Event, Mark
from monitor.contract.readings import ClockState, Point, Reading
from monitor.run.row import TraceRow
from monitor.trace import entries
from monitor.trace.complaint import complaint_of
from monitor.trace.database import file_of, name_of, parse_url, reading_engine
from monitor.trace.migration import revision_of
from monitor.trace.schema import (
    REVISION,
    boot,
    clock_offset,
    event,
    moment,
    reading,
    run,
    run_base,
    run_end,
    run_shown,
    snapshot,
)

_PAGE_ROWS = 1000
"""Rows fetched at a time, so that a long run needs no long memory."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRecord:
    """A stored run. A run without ``closed_by`` is open, or its monitor died in it."""

    run: str
    press: str
    boot: str
    started_mono_s: float
    started: datetime | None
    clock: ClockState
    """State of the clock when the run began."""
    ended: datetime | None
    elapsed_s: float | None
    volume_l: float | None
    opened_by: str
    closed_by: str | None
    software: str
    thresholds: Mapping[str, object]
    """Thresholds in force, base units in their names."""
    invented: bool
    """True for a run of the demo's made-up press."""
    facts: Mapping[str, object]
    """All that was kept with the run when it was opened."""
    ended_boot: str | None = None
    ended_mono_s: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """What the seconds of a run show: syrup [L], growth [1/m2], clean papers [1/m], hot flow [L/min]."""

    volume_l: float | None
    growth_per_m2: float | None
    clean_per_m: float | None
    hot_flow_l_min: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockOffset:
    """At ``mono_s`` of ``boot`` the wall clock showed ``time``; dates rows of an unset clock."""

    boot: str
    mono_s: float
    time: datetime
    clock: ClockState


class TraceReader:
    """Reads one store, every press in it; usable from any thread.

    Raises :class:`StoreUnreadable` when it cannot.
    """

    def __init__(self, url: str) -> None:
        parsed = parse_url(url)
        path = file_of(parsed)
        self._name = name_of(parsed)
        self._engine = reading_engine(parsed, path)
        self._held: sa.Connection | None = None
        self._press: str | None = None
        self._damaged: dict[tuple[str, str], int] = {}

    @contextmanager
    def held(self) -> Iterator[Self]:
        """Give a reader for one thread that sees one state of the store, however long it reads."""
        with self._engine.connect() as connection:
            still = copy.copy(self)
            still._held = connection
            yield still

    def of(self, press: str) -> Self:
        """Return a reader that sees nothing but ``press``."""
        own = copy.copy(self)
        own._press = press
        return own

    def runs(self, *, limit: int = 200) -> list[RunRecord]:
        """Return the newest ``limit`` runs, newest first."""
        with self._connection() as connection:
            return [_record(columns) for columns in connection.execute(self._own(_runs()).limit(limit))]

    def run(self, name: str) -> RunRecord:
        """Return the run called ``name``; raise :class:`RunNotFound` if there is none."""
        with self._connection() as connection:
            columns = connection.execute(self._own(_runs()).where(run.c.name == name)).first()
            if columns is None:
                raise RunNotFound(f"no run is called {name[:80]!r}: list them with `niterwatch runs`")
            return _record(columns)

    def rows(self, name: str) -> Iterator[TraceRow]:
        """Give the seconds of a run in order, also those before it was opened that belong to it.

        ``elapsed_s`` of each is filled. What cannot be read is left out: ask :meth:`damaged` afterwards.
        Raises :class:`RunNotFound` at the first step.
        """
        damaged = 0
        with self._connection() as connection:
            found = connection.execute(
                self._own(sa.select(run.c.id).join(boot)).where(run.c.name == name)
            ).scalar()
            if found is None:
                raise RunNotFound(f"no run is called {name[:80]!r}: list them with `niterwatch runs`")
            zeros = {base.boot_id: base for base in connection.execute(_bases(found))}
            for query in (_rows_before(found), _rows_of(found)):
                for columns in _paged(connection, query):
                    base = zeros[columns.boot_id]
                    try:
                        row = entries.row_of(columns, boot=base.boot, zero_mono_s=base.zero_mono_s)
                    except ValueError:
                        damaged += 1
                    else:
                        yield row
        self._damaged[name, "rows"] = damaged

    def events(self, name: str) -> list[Event]:
        """Return the events of a run in order, those added after its end too.

        What cannot be read is left out: ask :meth:`damaged` afterwards.
        """
        own = boot.alias()
        press = sa.select(own.c.press).join(run, run.c.boot_id == own.c.id).where(run.c.name == name)
        query = self._own(sa.select(event.c.body).join(boot).where(event.c.run == name))
        query = query.where(boot.c.press == press.scalar_subquery())
        found: list[Event] = []
        damaged = 0
        with self._connection() as connection:
            for columns in connection.execute(query.order_by(event.c.id)):
                try:
                    found.append(entries.event_of(columns))
                except ValueError:
                    damaged += 1
        self._damaged[name, "events"] = damaged
        return found

    def damaged(self, name: str) -> int:
        """Return how many seconds and events of a run could not be read, as far as they have been.

        One flipped bit of a file that is otherwise whole makes a word that means nothing.
        """
        return self._damaged.get((name, "rows"), 0) + self._damaged.get((name, "events"), 0)

    def entries(self) -> dict[str, Mark]:
        """Return what people entered before and after runs, by id and in order, old entries too."""
        found = self._marks(ENTRY_NAMES)
        return {mark.entry: mark for mark in found if mark.entry is not None}

    def totals(self) -> dict[str, float]:
        """Return the true total [L] that somebody tapped in, by run; the last one where there are several."""
        found = self._marks((MarkKind.TOTAL_VOLUME.value,))
        return {mark.run: mark.volume_l for mark in found if mark.run and mark.volume_l}

    def shown(self) -> dict[str, Shown]:
        """Return what closed runs showed by themselves, by run, as far as it was kept."""
        query = sa.select(run_shown, run.c.name).join(run, run.c.id == run_shown.c.run_id).join(boot, _OF_RUN)
        with self._connection() as connection:
            return {columns.name: _shown(columns) for columns in connection.execute(self._own(query))}

    def snapshot(self, press: str | None = None) -> bytes | None:
        """Return the engine's newest state of ``press``, or of this reader's own; None if none was kept."""
        press = press or self._press
        if press is None:
            raise ValueError("a state is of one press: name it")
        query = sa.select(snapshot.c.state).where(snapshot.c.press == press)
        with self._connection() as connection:
            state = connection.scalar(query)
            return None if state is None else bytes(state)

    def readings_since(self, *, boot: str, mono_s: float) -> Iterator[tuple[Point, Reading, float]]:
        """Give (point, reading, arrival [s]) of all readings taken in ``boot`` at or after ``mono_s``."""
        with self._connection() as connection:
            query = (
                sa.select(reading)
                .where(reading.c.boot_id.in_(self._boot_numbers(boot)), reading.c.mono_ms >= mono_s * 1000.0)
                .order_by(reading.c.boot_id, reading.c.mono_ms, reading.c.point, reading.c.seq)
            )
            for columns in _paged(connection, query):
                yield entries.reading_of(columns, boot=boot)

    def clock_offsets(self, name: str) -> list[ClockOffset]:
        """Return what is known of the clock in the boots that a run spans."""
        query = (
            sa.select(clock_offset, boot.c.name.label("boot"))
            .select_from(clock_offset)
            .join(boot)
            .join(run_base, run_base.c.boot_id == clock_offset.c.boot_id)
            .join(run, run.c.id == run_base.c.run_id)
            .where(run.c.name == name)
            .order_by(clock_offset.c.id)
        )
        with self._connection() as connection:
            return [_offset(columns) for columns in connection.execute(self._own(query))]

    def _own(self, query: sa.Select[Any]) -> sa.Select[Any]:
        """Narrow a query that has ``boot`` in it to the press of this reader, if it has one."""
        return query if self._press is None else query.where(boot.c.press == self._press)

    def _marks(self, names: Sequence[str]) -> list[Mark]:
        query = sa.select(event.c.body).join(boot).where(event.c.kind == "mark", event.c.name.in_(names))
        with self._connection() as connection:
            found = [
                entries.event_of(columns)
                for columns in connection.execute(self._own(query).order_by(event.c.id))
            ]
        return [mark for mark in found if isinstance(mark, Mark)]

    def _boot_numbers(self, name: str) -> sa.Select[Any]:
        return self._own(sa.select(boot.c.id).where(boot.c.name == name))

    @contextmanager
    def _connection(self) -> Iterator[sa.Connection]:
        try:
            if self._held is not None:
                yield self._held
                return
            with self._engine.connect() as connection:
                yield connection
        except (sa.exc.SQLAlchemyError, OSError) as error:
            if isinstance(error, StoreUnreadable):
                raise
            why = self._other_version() or complaint_of(error, name=self._name).text
            raise StoreUnreadable(why) from error
        except (ValueError, KeyError) as error:
            # Words outside the contract: flipped bytes that left the file's structure whole.
            raise StoreUnreadable(f"{self._name} holds an entry that cannot be read") from error

    def _other_version(self) -> str | None:
        """Return what to do about tables of another version, None if they are not the trouble."""
        try:
            with self._engine.connect() as connection:
                revision = revision_of(connection)
        except (sa.exc.SQLAlchemyError, OSError):
            return None
        if revision is None or revision == REVISION:
            return None
        if revision > REVISION:
            return f"{self._name} was made by a newer version of this program: install that version"
        return f"{self._name} was made by an older version: start the monitor once, it brings it up to date"


_OF_RUN = boot.c.id == run.c.boot_id


def _paged(connection: sa.Connection, query: sa.Select[Any]) -> Iterator[Any]:
    """Give rows a page at a time; a reader that stops half-way leaves no cursor open on a server."""
    with connection.execute(query, execution_options={"yield_per": _PAGE_ROWS}) as found:
        yield from found


def _runs() -> sa.Select[Any]:
    ends = (
        run_end.c.ended_us,
        run_end.c.elapsed_s,
        run_end.c.volume_l,
        run_end.c.closed_by,
        run_end.c.ended_mono_s,
    )
    end_boot = boot.alias()
    return (
        sa.select(run, boot.c.name.label("boot"), boot.c.press, end_boot.c.name.label("ended_boot"), *ends)
        .select_from(run)
        .join(boot, _OF_RUN)
        .outerjoin(run_end, run_end.c.run_id == run.c.id)
        .outerjoin(end_boot, end_boot.c.id == run_end.c.boot_id)
        .order_by(run.c.id.desc())
    )


def _bases(run_id: int) -> sa.Select[Any]:
    bases = sa.select(run_base, boot.c.name.label("boot")).select_from(run_base).join(boot)
    return bases.where(run_base.c.run_id == run_id)


def _rows_of(run_id: int) -> sa.Select[Any]:
    return sa.select(moment).where(moment.c.run_id == run_id).order_by(moment.c.id)


def _rows_before(run_id: int) -> sa.Select[Any]:
    """Rows that no run had when they were kept, from a run's back-dated start to its first own row."""
    first = sa.select(sa.func.min(moment.c.id)).where(moment.c.run_id == run_id).scalar_subquery()
    return (
        sa.select(moment)
        .join_from(moment, run, run.c.boot_id == moment.c.boot_id)
        .where(run.c.id == run_id, moment.c.mono_s >= run.c.started_mono_s)
        .where(moment.c.run_id.is_(None), moment.c.id < first)
        .order_by(moment.c.id)
    )


def _record(columns: Any) -> RunRecord:
    facts = json.loads(columns.facts)
    thresholds = facts.get("thresholds", {})
    return RunRecord(
        run=columns.name,
        press=columns.press,
        boot=columns.boot,
        started_mono_s=columns.started_mono_s,
        started=entries.wall_time(columns.started_us),
        clock=ClockState(columns.clock),
        ended=entries.wall_time(columns.ended_us),
        elapsed_s=columns.elapsed_s,
        volume_l=columns.volume_l,
        opened_by=columns.opened_by,
        closed_by=columns.closed_by,
        software=columns.software,
        thresholds=thresholds if isinstance(thresholds, dict) else {},
        invented=bool(facts.get("invented", False)),
        facts=facts,
        ended_boot=columns.ended_boot,
        ended_mono_s=columns.ended_mono_s,
    )


def _shown(columns: Any) -> Shown:
    return Shown(
        volume_l=columns.volume_l,
        growth_per_m2=columns.growth_per_m2,
        clean_per_m=columns.clean_per_m,
        hot_flow_l_min=columns.hot_flow_l_min,
    )


def _offset(columns: Any) -> ClockOffset:
    time = entries.wall_time(columns.time_us)
    if time is None:
        raise ValueError("a clock offset without a time")
    return ClockOffset(boot=columns.boot, mono_s=columns.mono_s, time=time, clock=ClockState(columns.clock))
