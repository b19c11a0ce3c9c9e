"""The store's database: where it is, who may write it, whether it is sound.

A file of SQLite has one writer (an advisory lock on ``<file>.writer``), is checked when it
is opened, and is set aside, never overwritten, when it is damaged. A URL of another
database goes to SQLAlchemy as it stands.
"""

from __future__ import annotations

import fcntl
import itertools
import logging
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa
from sqlalchemy.pool import NullPool, QueuePool

from monitor.contract.errors import SettingsError, StoreError, StoreUnreadable, StoreUnwritable
from monitor.trace.complaint import Complaint, complaint_of, short
from monitor.trace.schema import METADATA

_LOG = logging.getLogger(__name__)

CHECK_LIMIT_S = 3.0
"""Longest integrity check at the start: a larger file counts as sound if nothing was found by
then, because a monitor that stands still in a run is worse. (Our judgement; half a gigabyte
took 0.4 s from memory.)"""
LOCK_WAIT_S = 1.0
"""Longest wait for another program that holds the file, so that it is told of in time."""
WAL_LIMIT_BYTES = 16 * 1024 * 1024
"""A write-ahead log that a long reader let grow is cut back to this."""
_WRITING = (
    "journal_mode = WAL",
    "synchronous = FULL",  # NORMAL may lose the last commits when the power goes (sqlite.org/pragma.html)
    "foreign_keys = ON",
    f"journal_size_limit = {WAL_LIMIT_BYTES}",
)
_SIDE_FILES = ("-wal", "-shm")


class Database:
    """The database as its one writer holds it. Not for several threads at once."""

    def __init__(self, url: str) -> None:
        self.url = parse_url(url)
        self.path = file_of(self.url)
        self.name = short(self.path) if self.path else self.url.render_as_string(hide_password=True)
        self._engine: sa.Engine | None = None
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
        except BaseException:
            self.close()
            raise
        return notice

    @contextmanager
    def begin(self) -> Iterator[sa.Connection]:
        """Give a connection in a transaction that commits at the end, or not at all."""
        if self._engine is None:
            raise StoreUnwritable(f"{self.name} is not open")
        with self._engine.begin() as connection:
            yield connection

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
        why = damage_of(path)
        return set_aside(path, why) if why else None

    def _migrate(self) -> None:
        # Alembic costs a fifth of a second and some megabytes that no reader needs.
        from alembic import command
        from alembic.config import Config
        from alembic.util import CommandError

        config = Config()
        config.set_main_option("script_location", "monitor.trace:migrations")
        config.set_main_option("path_separator", "os")
        try:
            with self.begin() as connection:
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
        except CommandError:
            raise StoreUnreadable(
                f"{self.name} was made by a newer version of this program: install that version"
            ) from None
        except sa.exc.SQLAlchemyError as error:
            raise StoreUnwritable(self.complaint(error).text) from None


def parse_url(url: str) -> sa.URL:
    """Return ``url`` as SQLAlchemy reads it; raise :class:`SettingsError` if it cannot."""
    try:
        parsed = sa.make_url(url)
        parsed.get_dialect()
    except (sa.exc.ArgumentError, ImportError):  # NoSuchModuleError is an ArgumentError
        raise SettingsError("store.url is no database this can use: try sqlite:///niterwatch.db") from None
    if parsed.get_backend_name() == "sqlite" and parsed.database in (None, "", ":memory:"):
        raise SettingsError("store.url names no file: try sqlite:///niterwatch.db")
    return parsed


def file_of(url: sa.URL) -> Path | None:
    """Return the file of an SQLite URL, None for another database."""
    return Path(url.database or "") if url.get_backend_name() == "sqlite" else None


def writing_engine(url: sa.URL, path: Path | None) -> sa.Engine:
    """Return an engine whose one connection writes through to the disk at each commit."""
    if path is None:
        return sa.create_engine(url, pool_size=1, max_overflow=0)

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(path, timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False)
        try:
            for pragma in _WRITING:
                connection.execute(f"PRAGMA {pragma}")
        except BaseException:
            connection.close()
            raise
        return connection

    return _engine_over(connect, pool=QueuePool, begin="BEGIN IMMEDIATE")


def reading_engine(url: sa.URL, path: Path | None) -> sa.Engine:
    """Return an engine that only reads, each transaction from one state of the database."""
    if path is None:
        return sa.create_engine(url, isolation_level="REPEATABLE READ", poolclass=NullPool)
    return _engine_over(lambda: connect_read_only(path), pool=NullPool, begin="BEGIN")


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Return a connection that cannot write, also where nothing near the file can be written."""
    if not path.exists():
        raise StoreUnreadable(f"{short(path)} does not exist: start the monitor, or check store.url")
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    connection = _reader(uri)
    try:
        connection.execute("SELECT count(*) FROM sqlite_master")
    except BaseException as error:
        connection.close()
        # With neither side file there is no writer and nothing to merge, so a file on a
        # read-only disk may be read as it lies (sqlite.org/wal.html, "Read-Only Databases").
        closed = isinstance(error, sqlite3.Error) and error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CANTOPEN
        if not closed or _side_file(path, "-wal").exists():
            raise
        return _reader(uri + "&immutable=1")
    return connection


def take_lock(path: Path) -> int:
    """Return the descriptor that holds the writer's lock; it is freed when the process ends."""
    lock = path.with_name(path.name + ".writer")
    try:
        descriptor = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
    except OSError as error:
        raise StoreUnwritable(
            f"{short(path)} cannot be kept there: {error.strerror}; check the folder and its owner"
        ) from None
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(descriptor)
        raise StoreUnwritable(
            f"{short(path)} has another writer: stop the other monitor, or give this one its own store.url"
        ) from None
    return descriptor


def damage_of(path: Path) -> str | None:
    """Return what is wrong with the file, None if it is sound, in at most ``CHECK_LIMIT_S``.

    Raises :class:`StoreUnreadable` for a sound database of another program, and
    :class:`StoreUnwritable` when the file cannot be read at all.
    """
    if path.stat().st_size == 0:
        return None
    try:
        header = _header(path)
        if not header.startswith(b"SQLite format 3\0"):
            return "it is no SQLite file"
        if set(header[18:20]) - {1, 2}:  # other numbers make SQLite call the file read-only
            return "its header is damaged"
        with closing(connect_read_only(path)) as connection:
            return _first_fault(connection) or _strange_tables(connection, path)
    except StoreError:
        raise
    except (sqlite3.DatabaseError, OSError) as error:
        complaint = complaint_of(error, name=short(path))
        if complaint.unwritable:
            raise StoreUnwritable(complaint.text) from None
        return str(error)
    except UnicodeDecodeError:  # the names in the file, or SQLite's own message about them
        return "its table of contents is damaged"


def set_aside(path: Path, why: str) -> str:
    """Rename the file and its side files to ``<name>.damaged-<time>``; return the sentence that says so."""
    stamp = f"{path.name}.damaged-{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    names = itertools.chain([stamp], (f"{stamp}-{number}" for number in itertools.count(2)))
    target = next(path.with_name(name) for name in names if not path.with_name(name).exists())
    try:
        path.rename(target)
        for side in _SIDE_FILES:
            if _side_file(path, side).exists():
                _side_file(path, side).rename(_side_file(target, side))
    except OSError as error:
        raise StoreUnreadable(
            f"{short(path)} is damaged ({why}) and cannot be set aside: {error.strerror}"
        ) from None
    sentence = f"{short(path)} was damaged and is set aside as {target.name}; a new one was begun"
    _LOG.warning("%s (%s)", sentence, why)
    return sentence


def _engine_over(
    connect: Callable[[], sqlite3.Connection], *, pool: type[sa.Pool], begin: str
) -> sa.Engine:
    sizes = {"pool_size": 1, "max_overflow": 0} if pool is QueuePool else {}
    engine = sa.create_engine("sqlite://", creator=connect, poolclass=pool, **sizes)

    # Python's sqlite3 would begin a transaction only before some statements, and never
    # around a SELECT; with isolation_level None it is ours to begin.
    @sa.event.listens_for(engine, "begin")
    def _begin(connection: sa.Connection) -> None:
        connection.exec_driver_sql(begin)

    return engine


def _reader(uri: str) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, timeout=LOCK_WAIT_S, isolation_level=None, check_same_thread=False)


def _side_file(path: Path, side: str) -> Path:
    return path.with_name(path.name + side)


def _header(path: Path) -> bytes:
    with path.open("rb") as file:
        return file.read(100)


def _first_fault(connection: sqlite3.Connection) -> str | None:
    deadline = time.monotonic() + CHECK_LIMIT_S
    connection.set_progress_handler(lambda: time.monotonic() > deadline, 10_000)
    try:
        found = str(connection.execute("PRAGMA quick_check(1)").fetchone()[0])
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
        return None
    finally:
        connection.set_progress_handler(None, 0)
    return None if found == "ok" else found.splitlines()[-1]


def _strange_tables(connection: sqlite3.Connection, path: Path) -> str | None:
    """Return which of our tables is missing or not as it should be."""
    found = {name for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    if not found:
        return None
    ours = set(METADATA.tables) | {"alembic_version"}
    if not found & ours:
        raise StoreUnreadable(f"{short(path)} is another program's database: check store.url")
    for name in sorted(found & set(METADATA.tables)):
        # Compare with what is there, not with METADATA: the columns may be an older revision's.
        connection.execute(f"SELECT * FROM {name} LIMIT 1").fetchall()  # noqa: S608 - our own names
    missing = sorted({"alembic_version", "run", "reading"} - found)
    return f"table {missing[0]} is missing" if missing else None
