"""Copies a store's file while it is written to, and puts a copy in the place of the file.

The copy is made by ``VACUUM INTO`` (sqlite.org/lang_vacuum.html): one read transaction, so it is the
store of one instant however long it takes, and no writer waits for it. Unlike SQLite's page-by-page
backup it reads every row and so meets damage, leaves out free pages (and with them what was
forgotten), and needs no side file, so that it can be read from a stick that is write-protected.
"""

from __future__ import annotations

import fcntl
import itertools
import os
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

from monitor.contract.errors import StoreError, StoreInUse, StoreUnreadable, StoreUnwritable
from monitor.trace.complaint import complaint_of, short
from monitor.trace.database_file import PAGE_BYTES, connect_read_only, damage_of

UNFINISHED = ".unfinished"
"""Ends the name of a copy that is being made; one left by a power cut is written over by the next."""
HOLD_WAIT_S = 5.0
"""Longest wait for a page that reads the file which is to be replaced."""
LOOK_EVERY_S = 0.05
SIDE_FILES = ("-wal", "-shm", "-journal")


def copy_store(
    source: Path, target: Path, *, replace: bool, check: Callable[[Path], None] | None = None
) -> Path:
    """Copy the store at ``source`` to ``target``, which appears whole and checked or not at all.

    ``check``, in place of :func:`check_whole`, is given the finished copy before it gets its name,
    and raises if it is not good.
    Returns ``target``. Raises :class:`StoreUnreadable` for a source that cannot be copied,
    :class:`StoreUnwritable` where no copy can be written, or one is there and ``replace`` is False.
    """
    if not replace and target.exists():
        raise StoreUnwritable(f"{short(target)} is there already: choose another name, or say --replace")
    try:
        with _unfinished(target) as (unfinished, descriptor):
            _vacuum(source, unfinished)
            os.fsync(descriptor)
            (check or check_whole)(unfinished)
            _drop_sides(target)
            unfinished.replace(target)
            sync_folder(target.parent)
    except OSError as error:
        if isinstance(error, StoreError):
            raise
        raise StoreUnwritable(
            f"{short(target)} cannot be written: {error.strerror}; check the folder, its owner and free space"
        ) from None
    return target


def check_whole(path: Path) -> None:
    """Read every page and index of the file; raise :class:`StoreUnreadable` at the first fault."""
    try:
        with closing(connect_read_only(path)) as connection:
            found = str(connection.execute("PRAGMA integrity_check(1)").fetchone()[0])
    except (sqlite3.Error, UnicodeDecodeError) as error:
        found = str(error)
    if found != "ok":
        raise StoreUnreadable(f"{short(path)} is damaged: {found.splitlines()[-1]}")


def put_in_place(new: Path, path: Path, *, aside: str | None = None) -> Path | None:
    """Give ``new`` the name ``path`` in one step; what was there is kept under a name of its own.

    The file that was there is kept as ``<path>.<aside>``, with a number where that is taken, and its
    name is returned; without ``aside`` it is replaced. The caller holds the writer's lock. Raises
    :class:`StoreInUse` while another program has the file open, and nothing is changed then.
    """
    _close_log(new)
    kept = None if aside is None or not path.exists() else _free_name(path, aside)
    if path.exists() and _is_sound(path):
        _close_log(path)
    if kept is not None:
        _second_name(path, kept)
    for side in SIDE_FILES:
        # A log of the old file would be taken for the new one's: SQLite asks only for its name.
        side_file = path.with_name(path.name + side)
        if side_file.exists() and kept is not None:
            side_file.rename(kept.with_name(kept.name + side))
        side_file.unlink(missing_ok=True)
    new.replace(path)
    sync_folder(path.parent)
    return kept


def own_like(path: Path, new: Path) -> None:
    """Give ``new`` the owner and the permissions of the store that it replaces."""
    if not path.exists():
        return
    there = path.stat()
    new.chmod(stat.S_IMODE(there.st_mode))
    with suppress(PermissionError):  # only root gives files away
        os.chown(new, there.st_uid, there.st_gid)


def sync_folder(folder: Path) -> None:
    """See to it that the names in ``folder`` are on the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        with suppress(OSError):  # some file systems of sticks have no way to
            os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def _unfinished(target: Path) -> Iterator[tuple[Path, int]]:
    """Give an empty file beside ``target`` that is this process's alone, and its descriptor."""
    path = target.with_name(target.name + UNFINISHED)
    descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o640)
    try:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise StoreInUse(f"{short(target)} is being written by another command: wait for it") from None
        if not path.exists() or path.stat().st_ino != os.fstat(descriptor).st_ino:
            raise StoreInUse(f"{short(target)} was being written by another command: try again")
        os.truncate(descriptor, 0)
        _drop_sides(path)
        try:
            yield path, descriptor
        except BaseException:
            _drop_sides(path)
            path.unlink(missing_ok=True)
            raise
    finally:
        os.close(descriptor)


def _drop_sides(path: Path) -> None:
    """Remove the log of a file that is no more: SQLite would take it for the next one's of that name."""
    for side in SIDE_FILES:
        path.with_name(path.name + side).unlink(missing_ok=True)


def _vacuum(source: Path, target: Path) -> None:
    try:
        with closing(connect_read_only(source)) as connection:
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")  # of the copy
            connection.execute("VACUUM INTO ?", (str(target),))
    except (sqlite3.Error, UnicodeDecodeError) as error:
        told = complaint_of(error, name=short(source))
        if isinstance(error, sqlite3.Error) and error.sqlite_errorcode & 0xFF == sqlite3.SQLITE_FULL:
            raise StoreUnwritable(complaint_of(error, name=short(target)).text) from None
        raise (StoreUnwritable if told.unwritable else StoreUnreadable)(
            f"{short(source)} cannot be copied to {short(target)}: {error}"
        ) from None


def _close_log(path: Path) -> None:
    """Bring what is in the log into the file and end the log, which nobody else may have open."""
    deadline_s = time.monotonic() + HOLD_WAIT_S
    while True:
        try:
            with closing(sqlite3.connect(path, isolation_level=None)) as connection:
                connection.execute("PRAGMA synchronous = FULL")
                connection.execute("PRAGMA journal_mode = DELETE").fetchone()
            return
        except sqlite3.Error as error:
            if error.sqlite_errorcode & 0xFF not in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
                raise StoreUnwritable(complaint_of(error, name=short(path)).text) from None
            if time.monotonic() > deadline_s:
                raise StoreInUse(
                    f"{short(path)} is being read by another program: stop the page, then try again"
                ) from None
        time.sleep(LOOK_EVERY_S)  # SQLite itself does not wait for readers here


def _is_sound(path: Path) -> bool:
    """Tell whether SQLite may touch the file: one that is damaged is kept to the byte."""
    try:
        return damage_of(path) is None
    except StoreError:
        return True


def _free_name(path: Path, aside: str) -> Path:
    names = itertools.chain([aside], (f"{aside}-{number}" for number in itertools.count(2)))
    return next(p for name in names if not (p := path.with_name(f"{path.name}.{name}")).exists())


def _second_name(path: Path, kept: Path) -> None:
    """Let ``path`` be known as ``kept`` too, so that there is a store at every instant."""
    try:
        os.link(path, kept)
    except OSError:  # a file system without links
        path.rename(kept)
