"""What a store holds and whether it is sound, looked at without changing or mending anything."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import sqlalchemy as sa

from monitor.contract.errors import SettingsError, StoreUnreadable
from monitor.trace.complaint import complaint_of, short
from monitor.trace.database import file_of, parse_url, reading_engine
from monitor.trace.database_file import CHECK_LIMIT_S, damage_of

HIDDEN = "hidden"
MEGA = 1e6


def shown_url(url: str) -> str:
    """Return ``url`` without what may be secret: password and every option's value.

    >>> shown_url("postgresql+psycopg://ann:horse@db/runs?sslpassword=cat")
    'postgresql+psycopg://ann:***@db/runs?sslpassword=hidden'
    """
    try:
        parsed = sa.make_url(url)
        parsed = parsed.set(query=dict.fromkeys(parsed.query, HIDDEN))
        return parsed.render_as_string(hide_password=True)
    except (sa.exc.ArgumentError, ValueError, TypeError):
        return "no address of a database (not shown)"


def secrets_in(url: str) -> list[str]:
    """Return the password and the options' values in ``url``; none where it cannot be read."""
    try:
        parsed = sa.make_url(url)
    except (sa.exc.ArgumentError, ValueError, TypeError):
        return [url]
    given = [str(parsed.password)] if parsed.password else []
    for value in parsed.query.values():
        given += [value] if isinstance(value, str) else value
    return given


def files(url: str) -> Iterator[str]:
    """Yield a line for the store's file and each that lies beside it, and the room left on the disk."""
    path = _path(url)
    if path is None:
        yield "kept by a database server: its files are not here"
        return
    near = sorted(path.absolute().parent.glob(f"{path.name}*"))
    if path.absolute() not in near:
        yield f"{short(path)} is not there: start the monitor, or check store.url"
    for file in near:
        found = file.stat()
        yield f"{file.name}: {found.st_size / MEGA:.3f} MB, mode {found.st_mode & 0o7777:04o}"
    disk = shutil.disk_usage(path.absolute().parent)
    yield f"disk: {disk.free / MEGA:.0f} of {disk.total / MEGA:.0f} MB free"


def soundness(url: str) -> str:
    """Return what a quick check of the file finds; raise :class:`StoreError` where it cannot be looked at."""
    path = _path(url)
    if path is None:
        return "kept by a database server: not checked from here"
    if not path.exists():
        raise StoreUnreadable(f"{short(path)} is not there")
    damage = damage_of(path)
    return f"DAMAGED: {damage}" if damage else f"no damage found (quick check, {CHECK_LIMIT_S:.0f} s at most)"


def rows(url: str) -> Iterator[str]:
    """Yield each table's count of rows; raise :class:`StoreUnreadable` where they cannot be counted."""
    path = _path(url)
    engine = reading_engine(parse_url(url), path)
    try:
        with engine.connect() as connection:
            for name in sorted(sa.inspect(connection).get_table_names()):
                table = sa.table(name)
                count = connection.execute(sa.select(sa.func.count()).select_from(table)).scalar_one()
                yield f"{name}: {count}"
    except sa.exc.SQLAlchemyError as error:
        raise StoreUnreadable(complaint_of(error, name=short(path) if path else "the store").text) from None
    finally:
        engine.dispose()


def _path(url: str) -> Path | None:
    try:
        return file_of(parse_url(url))
    except SettingsError as error:
        raise StoreUnreadable(str(error)) from None
