"""The store's database: where it is, who may write it, whether it is sound.

A file of SQLite has one writer (an advisory lock on ``<file>.writer``), is checked when it
is opened, and is set aside, never overwritten, when it is damaged. A database on a server of
PostgreSQL is its administrator's to keep, and has a writer for each press.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.pool import NullPool, QueuePool

from monitor.contract.errors import SettingsError, StoreUnreadable, StoreUnwritable
from monitor.trace.complaint import Complaint, complaint_of, short
from monitor.trace.database_file import (
    LOCK_WAIT_S,
    PAGE_BYTES,
    connect_read_only,
    damage_of,
    set_aside,
    take_lock,
)
from monitor.trace.database_server import (
    CommitInDoubt,
    Line,
    server_migrating_engine,
    server_name,
    server_reading_engine,
    server_url,
    server_writing_engine,
)
from monitor.trace.migration import damaged_revision, migrate, repack

WAL_LIMIT_BYTES = 16 * 1024 * 1024
"""A write-ahead log that a long reader let grow is cut back to this."""
CHECKPOINT_BYTES = 4 * 1024 * 1024
"""The log is brought into the file whenever it is so long, as SQLite does with its usual pages."""
_MIGRATING = (
    f"page_size = {PAGE_BYTES}",  # of a file that is new
    "journal_mode = WAL",
    "synchronous = FULL",  # NORMAL may lose the last commits when the power goes (sqlite.org/pragma.html)
    f"journal_size_limit = {WAL_LIMIT_BYTES}",
    f"wal_autocheckpoint = {CHECKPOINT_BYTES // PAGE_BYTES}",
)
_WRITING = (*_MIGRATING, "foreign_keys = ON")


class Database:
    """The database as its one writer holds it. Not for several threads at once."""

    def __init__(self, url: str) -> None:
        self.url = parse_url(url)
        self.path = file_of(self.url)
        self.name = name_of(self.url)
        self._engine: sa.Engine | None = None
        self._line: Line | None = None
        self._lock: int | None = None
        self._inode = 0

    def open(self) -> str | None:
        """Lock, check and migrate; return what was set aside, in one line, or None.

        Raises :class:`StoreUnwritable` or :class:`StoreUnreadable`.
        """
        try:
            notice = self._open_file(self.path) if self.path else None
            self._engine = writing_engine(self.url, self.path)
            self._migrate()
            if self.path:
                self._inode = self.path.stat().st_ino
            elif self._line is None:
                self._line = Line(self._engine)
        except BaseException:
            self.close()
            raise
        return notice

    @contextmanager
    def begin(self) -> Iterator[sa.Connection]:
        """Give a connection in a transaction that commits at the end, or not at all.

        Raises :class:`CommitInDoubt` when a server was lost while the commit was on its way.
        """
        if self._engine is None:
            raise StoreUnwritable(f"{self.name} is not open")
        with self._engine.begin() if self._line is None else self._line.begin() as connection:
            yield connection

    def was_committed(self, doubt: CommitInDoubt) -> bool:
        """Tell what became of the transaction in ``doubt``; raise while the server has not decided."""
        if self._line is None:
            raise StoreUnwritable(f"{self.name} is not open")
        return self._line.was_committed(doubt.number)

    def complaint(self, error: Exception) -> Complaint:
        """Return what ``error`` of this database means."""
        return complaint_of(error, name=self.name)

    def is_gone(self) -> bool:
        """Return whether the file was removed or replaced under the open database."""
        if self.path is None or self._engine is None:
            return False
        try:
            return self.path.stat().st_ino != self._inode
        except OSError:
            return True

    def release(self) -> None:
        """Drop the connections; the next transaction makes a new one."""
        if self._engine is not None:
            self._engine.dispose()

    def set_aside(self, why: str) -> str:
        """Rename the damaged file and its side files; return the sentence that says so."""
        if self.path is None:
            raise StoreUnreadable(f"{self.name} is damaged: {why}")
        self.release()
        return set_aside(self.path, why)

    def close(self) -> None:
        """Close and unlock; may be called twice."""
        self.release()
        self._engine = None
        if self._line is not None:
            self._line.close()
            self._line = None
        if self._lock is not None:
            os.close(self._lock)
            self._lock = None

    def _open_file(self, path: Path) -> str | None:
        if self._lock is None:
            self._lock = take_lock(path)
        if not path.exists():
            return None
        if not path.stat().st_mode & 0o222 or not os.access(path, os.W_OK):
            raise StoreUnwritable(f"{self.name} is read-only: check its owner and permissions")
        why = damage_of(path) or damaged_revision(path)
        if why:
            return set_aside(path, why)
        repack(path)
        return None

    def _migrate(self) -> None:
        engine = migrating_engine(self.url, self.path)
        try:
            migrate(engine, path=self.path, name=self.name)
        except sa.exc.SQLAlchemyError as error:
            raise StoreUnwritable(self.complaint(error).text) from None
        finally:
            engine.dispose()


def parse_url(url: str) -> sa.URL:
    """Return ``url`` as SQLAlchemy reads it; raise :class:`SettingsError` if it is none of ours."""
    try:
        parsed = sa.make_url(url)
        known = parsed.get_backend_name() in ("sqlite", "postgresql")
    except (sa.exc.ArgumentError, ValueError):
        known = False
    if not known:
        raise SettingsError("store.url is no database this can use: try sqlite:///niterwatch.db") from None
    if parsed.get_backend_name() == "postgresql":
        return server_url(parsed)
    if parsed.get_backend_name() == "sqlite" and parsed.database in (None, "", ":memory:"):
        raise SettingsError("store.url names no file: try sqlite:///niterwatch.db")
    return parsed


def name_of(url: sa.URL) -> str:
    """Return what people call the database at ``url``; holds no secret."""
    path = file_of(url)
    return short(path) if path else server_name(url)


def file_of(url: sa.URL) -> Path | None:
    """Return the file of an SQLite URL, None for another database."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def writing_engine(url: sa.URL, path: Path | None) -> sa.Engine:
    """Return an engine whose one connection writes through to the disk at each commit."""
    return server_writing_engine(url) if path is None else _writing(path, _WRITING)


def migrating_engine(url: sa.URL, path: Path | None) -> sa.Engine:
    """Return a writing engine for a change of the tables.

    SQLite alters a table by making it anew, which its foreign keys forbid while others point to it
    (sqlite.org/lang_altertable.html, section 7); they cannot be switched off inside a transaction.
    """
    return server_migrating_engine(url) if path is None else _writing(path, _MIGRATING)


def _writing(path: Path, pragmas: Sequence[str]) -> sa.Engine:
    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(path, timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False)
        try:
            for pragma in pragmas:
                connection.execute(f"PRAGMA {pragma}")
        except BaseException:
            connection.close()
            raise
        return connection

    return _engine_over(connect, pool=QueuePool, begin="BEGIN IMMEDIATE")


def reading_engine(url: sa.URL, path: Path | None) -> sa.Engine:
    """Return an engine that only reads, each transaction from one state of the database."""
    if path is None:
        return server_reading_engine(url)
    return _engine_over(lambda: connect_read_only(path), pool=NullPool, begin="BEGIN")


def _engine_over(connect: Callable[[], sqlite3.Connection], *, pool: type[sa.Pool], begin: str) -> sa.Engine:
    sizes = {"pool_size": 1, "max_overflow": 0} if pool is QueuePool else {}
    engine = sa.create_engine("sqlite://", creator=connect, poolclass=pool, **sizes)

    # Python's sqlite3 would begin a transaction only before some statements, and never
    # around a SELECT; with isolation_level None it is ours to begin.
    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine
