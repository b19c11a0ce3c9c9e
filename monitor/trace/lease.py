"""Who writes which press: one monitor each, and another when that one is gone.

Several monitors may share one PostgreSQL database. Each holds a lease on the presses it writes,
timed by the database's own clock. The writer renews its leases inside the transactions that keep
its entries, and each of those transactions first asks, under lock, whether the press is still its
own: a monitor that stood still while another took over can write nothing when it wakes. A lease
that has run out and was not taken is still its holder's.

A file of SQLite has one writer by its own lock, so there every press is free to be claimed.
"""

from __future__ import annotations

import threading
import time
import uuid
from collections.abc import Collection, Iterable

import sqlalchemy as sa

from monitor.contract.errors import StoreError, StoreInUse, StoreUnreadable, StoreUnwritable
from monitor.trace.complaint import complaint_of
from monitor.trace.database import file_of, name_of, parse_url
from monitor.trace.database_server import Line, server_claiming_engine
from monitor.trace.schema import lease

LEASE_S = 9.0
"""A press is free for another monitor this long after its last renewal."""
RENEW_S = 3.0
"""Time between renewals: two may fail before the press is free."""
_NOW_S = sa.cast(sa.extract("epoch", sa.func.clock_timestamp()), sa.Double)
"""The clock itself; ``now()`` stands still while a transaction lasts."""


class Leases:
    """The presses that one monitor holds; for its own threads, all at once.

    ``holder`` is for people; every object is a holder of its own, so a monitor that was started
    again waits for the lease of the one before it to run out.
    """

    def __init__(self, url: str, *, holder: str) -> None:
        self._url = parse_url(url)
        self._name = name_of(self._url)
        self._on_server = file_of(self._url) is None
        self._holder = f"{holder[:64]} {uuid.uuid4()}"
        self._held: set[str] = set()
        self._lock = threading.Lock()
        self._renewed_s = time.monotonic()
        self._asking = threading.Lock()
        self._engine: sa.Engine | None = None
        self._line: Line | None = None

    @property
    def held(self) -> frozenset[str]:
        """The presses that are this monitor's, as far as it has heard."""
        with self._lock:
            return frozenset(self._held)

    def claim(self, presses: Iterable[str]) -> set[str]:
        """Take those of ``presses`` that are free; return those taken now, not those held before.

        Blocks; raises a :class:`StoreError` when the database cannot be asked. The tables must be
        there: open the writer first.
        """
        wanted = sorted(set(presses) - self.held)
        if not wanted:
            return set()
        taken = self._claim(wanted) if self._on_server else set(wanted)
        with self._lock:
            self._held |= taken
        return taken

    def take(self, press: str) -> None:
        """Claim ``press`` unless it is held; raise :class:`StoreInUse` where another holds it."""
        if press not in self.held | self.claim({press}):
            raise StoreInUse(
                f"press {press} of {self._name} has another writer: stop the other monitor, "
                f"or wait {LEASE_S:.0f} s if it was killed"
            )

    def release(self, presses: Collection[str]) -> None:
        """Let go of ``presses``, so that another monitor may claim them at once; raises as claiming does."""
        with self._lock:
            self._held -= set(presses)
        if presses and self._on_server:
            self._ask(sa.delete(lease).where(self._own(presses)).returning(lease.c.press))

    def due(self) -> bool:
        """Tell whether it is time to renew."""
        return self._on_server and time.monotonic() - self._renewed_s >= RENEW_S

    def confirm(self, connection: sa.Connection, presses: Collection[str], *, renew: bool) -> set[str]:
        """Return which of ``presses`` are still held; no other monitor gets them before the commit.

        ``renew`` begins the lease of each anew. What is not held any more is forgotten here.
        """
        if not presses:
            return set()
        if not self._on_server:
            return set(presses)
        if renew:
            until = sa.update(lease).where(self._own(presses)).values(until_s=_NOW_S + LEASE_S)
            found = connection.execute(until.returning(lease.c.press))
        else:
            own = sa.select(lease.c.press).where(self._own(presses))
            found = connection.execute(own.with_for_update(read=True))
        still = set(found.scalars())
        with self._lock:
            self._held -= set(presses) - still
        return still

    def renewed(self, at_s: float) -> None:
        """Take note that a renewal asked for at ``at_s`` (monotonic) was committed."""
        self._renewed_s = at_s

    def close(self) -> None:
        """Drop the line to the database; leases that are held run out by themselves."""
        with self._asking:
            self._drop_line()

    def _claim(self, wanted: list[str]) -> set[str]:
        # A monitor that keeps a file does without: 2 MiB.
        from sqlalchemy.dialects import postgresql

        until_s = _NOW_S + LEASE_S
        over = sa.select(lease.c.press).where(lease.c.press.in_(wanted), lease.c.until_s <= _NOW_S)
        # A row that another session has locked is in use, whatever its time says.
        free = over.with_for_update(skip_locked=True).cte("free")
        taken = sa.update(lease).where(lease.c.press == free.c.press)
        every = sa.select(
            sa.func.unnest(sa.literal(wanted, postgresql.ARRAY(sa.Text))), sa.literal(self._holder), until_s
        )
        first = postgresql.insert(lease).from_select(["press", "holder", "until_s"], every)
        return self._ask(
            taken.values(holder=self._holder, until_s=until_s).returning(lease.c.press),
            first.on_conflict_do_nothing().returning(lease.c.press),
        )

    def _ask(self, *statements: sa.Executable) -> set[str]:
        """Carry out ``statements`` in one transaction; return the presses that they give back."""
        found: set[str] = set()
        with self._asking:
            try:
                with self._open_line().begin() as connection:
                    for statement in statements:
                        found.update(connection.execute(statement).scalars())
            except sa.exc.SQLAlchemyError as error:
                self._drop_line()
                complaint = complaint_of(error, name=self._name)
                kind = StoreUnwritable if complaint.unwritable else StoreUnreadable
                raise kind(complaint.text) from None
            except StoreError:
                self._drop_line()
                raise
        return found

    def _open_line(self) -> Line:
        if self._line is None:
            self._engine = server_claiming_engine(self._url)
            self._line = Line(self._engine)
        return self._line

    def _drop_line(self) -> None:
        if self._line is not None and self._engine is not None:
            self._line.close()
            self._engine.dispose()
        self._line = self._engine = None

    def _own(self, presses: Collection[str]) -> sa.ColumnElement[bool]:
        return sa.and_(lease.c.holder == self._holder, lease.c.press.in_(sorted(presses)))
