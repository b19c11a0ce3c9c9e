"""Brings a store to the tables of this version: all of it, or the store stays as it was.

Before a change the file is copied beside itself, as ``<file>.before-<revision>``; the newest such
copy is kept, for a return to the version that made it.
"""

from __future__ import annotations

import logging
import os
import re
import sqlite3
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

import sqlalchemy as sa

from monitor.contract.errors import StoreError, StoreUnreadable, StoreUnwritable
from monitor.trace import schema
from monitor.trace.complaint import complaint_of, short
from monitor.trace.database_file import PAGE_BYTES, connect_read_only
from monitor.trace.store_copy import copy_store, own_like, put_in_place

if TYPE_CHECKING:
    from alembic.config import Config

_LOG = logging.getLogger(__name__)

FOLDERS = [Path(__file__).parent / "migrations" / "versions"]
"""Where the revisions are."""
COPY, UNDOING, REPACKING = "before-", "undoing", "repacking"
"""How the name of a copy ends, and those of such as are about to take the file's place."""
_one_at_a_time = threading.Lock()
"""Alembic keeps the change under way in a module of its own, so that two in one process would mix."""


def migrate(engine: sa.Engine, *, path: Path | None, name: str) -> None:
    """Bring the database behind ``engine`` to the newest revision.

    ``path`` is its file, null for a database server, which undoes a failed change by itself. The
    caller holds the writer's lock. Raises :class:`StoreUnreadable` when the store is of a newer
    version, :class:`StoreUnwritable` when it could not be changed; it is then as it was before.
    """
    with engine.begin() as connection:
        before = revision_of(connection)
    if before == schema.REVISION:
        return
    if before is not None and not is_known(before):
        raise StoreUnreadable(f"{name} was made by a newer version of this program: install that version")
    if path is None or before is None:
        _change(engine, name=name, undo=lambda: True)
    else:
        _change_file(engine, path, before, name=name)


def repack(path: Path) -> None:
    """Give a store of an older version pages of today's size; one that is being read waits for another start.

    The caller holds the writer's lock. Whatever stands in the way is logged: it costs bytes, no more.
    """
    try:
        with closing(connect_read_only(path)) as connection:
            if int(connection.execute("PRAGMA page_size").fetchone()[0]) == PAGE_BYTES:
                return
            if connection.execute("SELECT 1 FROM sqlite_master").fetchone() is None:
                return
        new = copy_store(path, path.with_name(f"{path.name}.{REPACKING}"), replace=True)
        own_like(path, new)
        put_in_place(new, path)
    except (sqlite3.Error, OSError) as error:
        path.with_name(f"{path.name}.{REPACKING}").unlink(missing_ok=True)
        _LOG.warning("%s keeps its large pages for now: %s", short(path), error)


def is_known(revision: str) -> bool:
    """Tell whether ``revision`` is one that this version has, the newest or an older one."""
    from alembic.script import ScriptDirectory

    return revision in {script.revision for script in ScriptDirectory.from_config(_config()).walk_revisions()}


def damaged_revision(path: Path) -> str | None:
    """Return what is wrong with the word for the revision of the tables at ``path``; null if nothing is.

    A newer version has other words of the same form and other tables. A word that no version would
    write, or an unknown one over exactly the tables of this version, is a damaged one.
    """
    try:
        found = stored_revision(path)
        if found in (None, schema.REVISION) or is_known(found):
            return None
        if re.fullmatch(r"[0-9]{4}", found) and _tables(path) != _own_tables():
            return None
    except (sqlite3.Error, UnicodeDecodeError) as error:
        return str(error)
    return f"the revision of its tables is no word of this program: {found[:20]!r}"


def _tables(path: Path) -> dict[str, set[str]]:
    """Return the columns of each table in the file."""
    with closing(connect_read_only(path)) as connection:
        columns = connection.execute(
            "SELECT m.name, c.name FROM sqlite_master AS m, pragma_table_info(m.name) AS c "
            "WHERE m.type = 'table' AND m.name NOT LIKE 'sqlite_%'"
        ).fetchall()
    found: dict[str, set[str]] = {}
    for table, column in columns:
        found.setdefault(table, set()).add(column)
    return found


def _own_tables() -> dict[str, set[str]]:
    own = {table.name: set(table.columns.keys()) for table in schema.METADATA.tables.values()}
    return own | {"alembic_version": {"version_num"}}


def revision_of(connection: sa.Connection) -> str | None:
    """Return the revision of the tables in the database, null where none were made yet."""
    if not sa.inspect(connection).has_table("alembic_version"):
        return None
    found = connection.scalar(sa.text("SELECT version_num FROM alembic_version"))
    return None if found is None else str(found)


def stored_revision(path: Path) -> str | None:
    """Return the revision of the tables in the file at ``path``; null where there are none."""
    with closing(connect_read_only(path)) as connection:
        there = connection.execute("SELECT 1 FROM sqlite_master WHERE name = 'alembic_version'").fetchone()
        found = connection.execute("SELECT version_num FROM alembic_version").fetchone() if there else None
    return None if found is None else str(found[0])


def _change_file(engine: sa.Engine, path: Path, before: str, *, name: str) -> None:
    engine.dispose()
    copy = path.with_name(f"{path.name}.{COPY}{before}")
    try:
        _copy_once(path, copy)
    except StoreError as error:
        raise StoreUnwritable(f"{name} cannot be copied before it is changed: {error}") from None
    watch = connect_read_only(path)
    with closing(watch):
        known = _commits(watch)

        def undo() -> bool:
            engine.dispose()
            untouched = _commits(watch) == known
            watch.close()
            return untouched or _put_back(copy, path)

        _change(engine, name=name, undo=undo)
    _LOG.warning("%s was brought up to this version; as it was before it is kept as %s", name, copy.name)
    for old in path.parent.glob(f"{path.name}.{COPY}*"):
        if old != copy:
            old.unlink(missing_ok=True)


def _copy_once(path: Path, copy: Path) -> None:
    """Copy the file unless the copy is of this very state: a service that fails starts every second.

    The copy bears the date of the file's last write to tell by, which no clock that was set back repeats.
    """
    log = path.with_name(f"{path.name}-wal")
    state_ns = path.stat().st_mtime_ns
    if copy.exists() and copy.stat().st_mtime_ns == state_ns and not (log.exists() and log.stat().st_size):
        return
    copy_store(path, copy, replace=True)
    os.utime(copy, ns=(state_ns, state_ns))


def _change(engine: sa.Engine, *, name: str, undo: Callable[[], bool]) -> None:
    # Alembic costs a fifth of a second and some megabytes, which most starts do not need.
    from alembic import command

    config = _config()
    try:
        with _one_at_a_time, engine.begin() as connection:
            config.attributes["connection"] = connection
            command.upgrade(config, "head")
    except Exception as error:
        # A revision is code of its own and may fail in any way.
        left = "it is as it was" if undo() else "take the copy beside it"
        why = _first_line(error, name=name)
        raise StoreUnwritable(f"{name} cannot be brought up to this version, {left}: {why}") from error


def _first_line(error: Exception, *, name: str) -> str:
    cause = error.orig if isinstance(error, sa.exc.DBAPIError) and error.orig is not None else error
    complaint = complaint_of(error, name=name)
    told = complaint.text if complaint.unwritable else str(cause)
    return (told.splitlines() or [type(error).__name__])[0]


def _put_back(copy: Path, path: Path) -> bool:
    """Put the copy in the place of a file that was changed in part; tell whether it is there.

    The change is one transaction and undoes itself, but a revision may commit before its end.
    """
    try:
        new = copy_store(copy, path.with_name(f"{path.name}.{UNDOING}"), replace=True)
        own_like(path, new)
        put_in_place(new, path)
    except (sqlite3.Error, OSError):
        _LOG.exception("%s cannot be put back as it was", short(path))
        return False
    return True


def _commits(connection: sqlite3.Connection) -> int:
    """Return a number that changes when another connection commits (sqlite.org/pragma.html)."""
    return int(connection.execute("PRAGMA data_version").fetchone()[0])


def _config() -> Config:
    from alembic.config import Config

    config = Config()
    config.set_main_option("script_location", "monitor.trace:migrations")
    config.set_main_option("path_separator", "os")
    folders = os.pathsep.join(str(folder) for folder in FOLDERS)
    config.set_main_option("version_locations", folders.replace("%", "%%"))
    return config
