"""Lets old seconds go, a little at a time; what is known of a run as a whole is kept for ever.

Raw readings go, and the seconds that belong to no run; by a setting of its own, the seconds of
closed runs. A row's age is told by the monotonic time of its boot and the first trusted clock of that
boot, so a clock that is set wrong in mid-boot lets nothing go. A boot that never knew the time is as
old as the next one that did: what was kept before that one cannot be younger.
"""

from __future__ import annotations

import logging
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from monitor.contract.readings import ClockState
from monitor.trace import schema
from monitor.trace.database import Database

BATCH_ROWS = 1_000
"""Rows that go in one transaction; a commit that must wait for it waits some milliseconds."""
LOOK_EVERY_S = 600.0
"""Time between two looks for what has become too old [s]."""
STEPPED_US = 86_400_000_000
"""A clock that is so far from where its boot should have it was set anew, and is not believed [us]."""
TRUSTED = (ClockState.SYNCHRONISED, ClockState.PHONE)
"""A saved clock stood still while the board was off: it tells no age."""
LOT = "lot"
"""What an entry of a lot is called (:data:`monitor.contract.events.EntryName`)."""

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Keep:
    """How long seconds are kept [s]; null is for ever."""

    readings_s: float | None = None
    """Raw readings, and the seconds that belong to no run."""
    seconds_s: float | None = None
    """Seconds of closed runs, from the run's end."""


FOR_EVER = Keep()


@dataclass(frozen=True, slots=True)
class _Known:
    """At ``mono_s`` of a boot it was ``time_us``."""

    mono_s: float
    time_us: int


class Retention:
    """What may go from one store; asked by its writer, on the writer's thread, while no run is open."""

    def __init__(self, database: Database, keep: Keep) -> None:
        self._database = database
        self._keep = keep
        self._due_s = 0.0
        self._steps: Iterator[int] | None = None

    def go_on(self, now_s: float) -> int:
        """Do one transaction's worth if there is something to do; return how many rows went.

        ``now_s`` is any steady clock. Whatever fails is undone, logged, and tried again at the next look.
        """
        if self._keep == FOR_EVER or (self._steps is None and now_s < self._due_s):
            return 0
        if self._steps is None:
            self._steps = self._look()
        try:
            gone = next(self._steps, None)
        except Exception as error:
            # The writer itself meets whatever is wrong with the disk at its next commit.
            _LOG.warning("old seconds stay for now: %s", self._database.complaint(error).text)
            self._database.release()
            gone = None
        if gone is None:
            self._steps, self._due_s = None, now_s + LOOK_EVERY_S
        return gone or 0

    def _look(self) -> Iterator[int]:
        """Do one transaction a step; give how many rows went in it."""
        with self._database.begin() as connection:
            dates = _Dates(connection)
            now_us = dates.now_us(connection)
        if now_us is None:
            return
        if self._keep.readings_s is not None:
            before_us = now_us - round(self._keep.readings_s * 1e6)
            yield from self._drop_readings(dates, before_us)
            yield from self._drop_idle_seconds(dates, before_us)
        if self._keep.seconds_s is not None:
            yield from self._drop_runs(dates, now_us - round(self._keep.seconds_s * 1e6))

    def _drop_readings(self, dates: _Dates, before_us: int) -> Iterator[int]:
        reading = schema.reading
        oldest = sa.select(reading.c.id, reading.c.boot_id, reading.c.mono_ms).order_by(reading.c.id)
        while True:
            with self._database.begin() as connection:
                last = None
                for row in connection.execute(oldest.limit(BATCH_ROWS)):
                    if not dates.is_before(before_us, row.boot_id, row.mono_ms / 1000.0):
                        break
                    last = row.id
                if last is None:
                    return
                gone = connection.execute(sa.delete(reading).where(reading.c.id <= last)).rowcount
            yield gone

    def _drop_idle_seconds(self, dates: _Dates, before_us: int) -> Iterator[int]:
        moment = schema.moment
        idle = sa.select(moment.c.id, moment.c.boot_id, moment.c.mono_s).where(moment.c.run_id.is_(None))
        with self._database.begin() as connection:
            leads = _leads(connection)
        after = 0
        while True:
            with self._database.begin() as connection:
                page = idle.where(moment.c.id > after).order_by(moment.c.id).limit(BATCH_ROWS)
                rows = connection.execute(page).all()
                old = [row for row in rows if dates.is_before(before_us, row.boot_id, row.mono_s)]
                going = [row.id for row in old if not _leads_in(leads, row)]
                gone = connection.execute(sa.delete(moment).where(moment.c.id.in_(going))).rowcount
            yield gone
            if not rows or len(old) < len(rows):
                return
            after = rows[-1].id

    def _drop_runs(self, dates: _Dates, before_us: int) -> Iterator[int]:
        """Drop the seconds of a run in one transaction: they are all there, or none is."""
        with self._database.begin() as connection:
            ended = connection.execute(_tellable_runs()).all()
        for run in ended:
            if dates.is_before(before_us, run.boot_id, run.ended_mono_s):
                with self._database.begin() as connection:
                    gone = drop_seconds(connection, run.run_id)
                _LOG.info("run %s: its seconds are no longer kept; its sheet and entries are", run.name)
                yield gone


def drop_seconds(connection: sa.Connection, run_id: int) -> int:
    """Delete the seconds of a run, also those before it was opened; return how many."""
    moment, run = schema.moment, schema.run
    own = moment.alias()
    first = sa.select(sa.func.min(own.c.id)).where(own.c.run_id == run_id).scalar_subquery()
    start = sa.select(run.c.started_mono_s).where(run.c.id == run_id).scalar_subquery()
    boot_id = sa.select(run.c.boot_id).where(run.c.id == run_id).scalar_subquery()
    lead = (
        sa.delete(moment)
        .where(moment.c.run_id.is_(None), moment.c.boot_id == boot_id)
        .where(moment.c.mono_s >= start, moment.c.id < first)
    )
    gone = connection.execute(lead).rowcount
    return gone + connection.execute(sa.delete(moment).where(moment.c.run_id == run_id)).rowcount


class _Dates:
    """When the rows of a store were made, as surely as it can tell."""

    def __init__(self, connection: sa.Connection) -> None:
        offset, boot, reading = schema.clock_offset, schema.boot, schema.reading
        known = sa.select(offset.c.boot_id, offset.c.mono_s, offset.c.time_us).order_by(offset.c.id)
        self._known: dict[int, list[_Known]] = defaultdict(list)
        for row in connection.execute(known.where(offset.c.clock.in_(TRUSTED))):
            self._known[row.boot_id].append(_Known(row.mono_s, row.time_us))
        # A boot that came with an imported run has no readings here, and no place in their order.
        here = sa.select(boot.c.id).where(sa.exists().where(reading.c.boot_id == boot.c.id))
        self._order = sorted(id_ for id_ in connection.execute(here).scalars() if id_ in self._known)

    def now_us(self, connection: sa.Connection) -> int | None:
        """Return the time of the newest second; null while it cannot be believed."""
        moment = schema.moment
        columns = (moment.c.boot_id, moment.c.mono_s, moment.c.time_us, moment.c.clock)
        newest = connection.execute(sa.select(*columns).order_by(moment.c.id.desc()).limit(1)).first()
        if newest is None or newest.time_us is None or newest.clock not in TRUSTED:
            return None
        time_us = self._own(newest.boot_id, newest.mono_s)
        if time_us is None or abs(time_us - newest.time_us) > STEPPED_US:
            return None
        return time_us

    def is_before(self, time_us: int, boot_id: int, mono_s: float) -> bool:
        """Tell whether what ``boot_id`` kept at ``mono_s`` is surely older than ``time_us``."""
        own_us = self._own(boot_id, mono_s)
        if own_us is not None:
            return own_us < time_us
        later = bisect_right(self._order, boot_id)
        return later < len(self._order) and self._known[self._order[later]][0].time_us < time_us

    def _own(self, boot_id: int, mono_s: float) -> int | None:
        known = self._known.get(boot_id)
        if not known:
            return None
        at = next((each for each in reversed(known) if each.mono_s <= mono_s), known[0])
        return at.time_us + round((mono_s - at.mono_s) * 1e6)


def _leads(connection: sa.Connection) -> dict[int, list[tuple[float, int]]]:
    """Return by boot where the back-dated start of each run is, and the first second that names it."""
    run, moment = schema.run, schema.moment
    first = sa.select(sa.func.min(moment.c.id)).where(moment.c.run_id == run.c.id).scalar_subquery()
    found: dict[int, list[tuple[float, int]]] = defaultdict(list)
    for row in connection.execute(sa.select(run.c.boot_id, run.c.started_mono_s, first.label("first"))):
        if row.first is not None:
            found[row.boot_id].append((row.started_mono_s, row.first))
    return found


def _leads_in(leads: dict[int, list[tuple[float, int]]], row: Any) -> bool:
    """Tell whether a second without a run is one of those before a run was opened that belong to it."""
    return any(row.mono_s >= start_s and row.id < first for start_s, first in leads.get(row.boot_id, ()))


def _tellable_runs() -> sa.Select[tuple[int, str, int, float]]:
    """Ask for closed runs that can do without their seconds: what they showed is kept, no lot is of them.

    How hot a lot was packed is worked out from the seconds, and may be asked years later.
    """
    run, end, shown, moment, event = (
        schema.run,
        schema.run_end,
        schema.run_shown,
        schema.moment,
        schema.event,
    )
    boot, packed_in = schema.boot, schema.boot.alias()
    lots = (
        sa.select(event.c.id)
        .join(packed_in, packed_in.c.id == event.c.boot_id)
        .where(event.c.run == run.c.name, event.c.kind == "mark", event.c.name == LOT)
        .where(packed_in.c.press == boot.c.press)
    )
    return (
        sa.select(run.c.id.label("run_id"), run.c.name, end.c.boot_id, end.c.ended_mono_s)
        .join(end, end.c.run_id == run.c.id)
        .join(shown, shown.c.run_id == run.c.id)
        .join(boot, boot.c.id == run.c.boot_id)
        .where(sa.exists().where(moment.c.run_id == run.c.id), ~lots.exists())
        .order_by(run.c.id)
    )
