"""The store's file: its lock, its soundness, and how a damaged one is set aside."""

from __future__ import annotations

import fcntl
import itertools
import logging
import os
import sqlite3
import time
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from monitor.contract.errors import StoreError, StoreInUse, StoreUnreadable, StoreUnwritable
from monitor.trace.complaint import complaint_of, short
from monitor.trace.schema import METADATA

_LOG = logging.getLogger(__name__)

CHECK_LIMIT_S = 3.0
"""Longest integrity check at the start: a larger file counts as sound if nothing was found by
then, because a monitor that stands still in a run is worse. (Our judgement; half a gigabyte
took 0.4 s from memory.)"""
LOCK_WAIT_S = 1.0
"""Longest wait for another program that holds the file, so that it is told of in time."""
PAGE_BYTES = 512
"""Size of a page. Each commit writes every page it touches anew, five for a second of a run, so small
pages wear a card less: 44.5 MB an hour where SQLite's usual 4096 took 101, for a file larger by a fifth."""
_SIDE_FILES = ("-wal", "-shm")


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Return a connection that cannot write, also where nothing near the file can be written."""
    try:
        there = path.exists()
    except PermissionError:
        raise StoreUnreadable(
            f"{short(path)} is in a folder this user may not enter: ask as its owner, or check store.url"
        ) from None
    if not there:
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
        raise StoreInUse(
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
