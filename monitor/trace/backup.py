"""Backs the store up into one file and takes such a file back; nothing is lost on either way.

A backup may be made at any time. A restore needs the monitor stopped: what it keeps meanwhile
would be in the file that is set aside.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import sqlalchemy as sa

from monitor.contract.errors import StoreError, StoreInUse, StoreUnreadable, StoreUnwritable
from monitor.trace import schema
from monitor.trace.complaint import short
from monitor.trace.database import file_of, migrating_engine, parse_url
from monitor.trace.database_file import connect_read_only, damage_of, take_lock
from monitor.trace.migration import is_known, migrate, stored_revision
from monitor.trace.reader import TraceReader
from monitor.trace.store_copy import SIDE_FILES, check_whole, copy_store, own_like, put_in_place

MOST_RUNS = 5_000
"""More than a lifetime of seasons."""
RESTORING = "restoring"
"""How the name of a store ends that is about to take the place of another."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Restored:
    """What a restore did: runs in the store now, and the name of the file that was there before."""

    runs: int
    aside: Path | None


def back_up(url: str, file: Path, *, replace: bool = False) -> int:
    """Write the store at ``url`` as it is now into ``file``; return how many runs it holds.

    Safe while the monitor writes. ``file`` appears whole and checked, or not at all. Raises
    :class:`StoreUnwritable` and :class:`StoreUnreadable`.
    """
    path = _file(url, does="niterwatch backup")
    if _same(path, file):
        raise StoreUnwritable(f"{short(file)} is the store itself: choose another name")
    if file.is_dir():
        raise StoreUnwritable(f"{short(file)} is a folder: say the name of the file too")
    if "?" in str(file.absolute()):
        raise StoreUnwritable(f"{short(file)} cannot be read back with a ? in its name: choose another")
    copy_store(path, file, replace=replace, check=_check)
    return _count(file)


def restore(url: str, file: Path) -> Restored:
    """Put the backup ``file`` in the place of the store at ``url``, brought up to this version.

    The store that was there is kept beside it under a name of its own. Nothing is changed unless all
    of it can be done. Raises :class:`StoreInUse` while a monitor runs, :class:`StoreUnreadable` for a
    file that is damaged, no store or of a newer version, and :class:`StoreUnwritable`.
    """
    path = _file(url, does="niterwatch restore")
    if _same(path, file):
        raise StoreUnreadable(f"{short(file)} is the store itself: give the backup's name")
    _check(file)
    new = path.with_name(f"{path.name}.{RESTORING}")
    with _alone(path):
        try:
            copy_store(file, new, replace=True, check=_check)
            _bring_up(new, url=url, name=short(file))
            runs = _count(new)
            own_like(path, new)
            aside = put_in_place(new, path, aside=f"replaced-{datetime.now(UTC):%Y%m%dT%H%M%SZ}")
        except BaseException as error:
            for side in ("", *SIDE_FILES):
                new.with_name(new.name + side).unlink(missing_ok=True)
            if isinstance(error, OSError) and not isinstance(error, StoreError):
                raise StoreUnwritable(f"{short(path)} cannot be replaced: {error.strerror}") from None
            raise
    return Restored(runs=runs, aside=aside)


def _file(url: str, *, does: str) -> Path:
    path = file_of(parse_url(url))
    if path is None:
        raise StoreUnwritable(
            f"{does} is for a store in a file: for PostgreSQL use pg_dump and pg_restore, which are its own"
        )
    return path


@contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Hold the writer's lock of the store."""
    try:
        descriptor = take_lock(path)
    except StoreInUse:
        raise StoreInUse(
            f"{short(path)} is written to by a running monitor: stop it first, nothing was changed"
        ) from None
    try:
        yield
    finally:
        os.close(descriptor)


def _check(path: Path) -> None:
    """Raise :class:`StoreUnreadable` unless the file is a whole store that this version can read."""
    if not path.exists():
        raise StoreUnreadable(f"{short(path)} does not exist: check its name")
    if not path.is_file() or path.stat().st_size == 0:
        raise StoreUnreadable(f"{short(path)} is no store: give the file that niterwatch backup wrote")
    check_whole(path)
    try:
        why = damage_of(path)
    except StoreUnreadable:
        raise StoreUnreadable(
            f"{short(path)} is another program's database: give the file that niterwatch backup wrote"
        ) from None
    revision = stored_revision(path) if why is None else None
    if why is not None or revision is None:
        raise StoreUnreadable(f"{short(path)} is no whole store: {why or 'it has no tables'}")
    if not is_known(revision):
        raise StoreUnreadable(
            f"{short(path)} was made by a newer version of this program: install that version"
        )
    if revision == schema.REVISION:
        _runs(path)


def _runs(path: Path) -> list[str]:
    """Return the runs in the file at ``path``, as any other reader sees them."""
    url = sa.URL.create("sqlite", database=str(path.absolute()))
    return [record.run for record in TraceReader(url.render_as_string()).runs(limit=MOST_RUNS)]


def _count(path: Path) -> int:
    """Return how many runs the file at ``path`` holds, of whatever revision it is."""
    with closing(connect_read_only(path)) as connection:
        return int(connection.execute("SELECT count(*) FROM run").fetchone()[0])


def _bring_up(path: Path, *, url: str, name: str) -> None:
    """Bring the file at ``path`` to this version's revision."""
    engine = migrating_engine(parse_url(url), path)
    try:
        migrate(engine, path=None, name=name)
    finally:
        engine.dispose()


def _same(path: Path, file: Path) -> bool:
    return path.exists() and file.exists() and path.samefile(file)
