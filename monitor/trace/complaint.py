"""What an error of the database means: wait and try again, set the file aside, or drop one entry."""

from __future__ import annotations

import errno
import sqlite3
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

import sqlalchemy as sa

TEXT_LIMIT = 200
"""Characters: the status carries the line, and no more of it."""
_PATH_LIMIT = 80


class Kind(Enum):
    """What to do about it."""

    UNWRITABLE = "keep the rows and try again"
    DAMAGED = "set the file aside"
    ENTRY = "one of the entries cannot be kept"
    UNKNOWN = "say so and try again"


@dataclass(frozen=True, slots=True)
class Complaint:
    """An error in one line of at most ``TEXT_LIMIT`` characters."""

    kind: Kind
    text: str

    @property
    def unwritable(self) -> bool:
        """Whether trying again may help."""
        return self.kind is Kind.UNWRITABLE


_UNWRITABLE = {
    sqlite3.SQLITE_FULL: "the disk of {name} is full: free some space",
    sqlite3.SQLITE_READONLY: "{name} is read-only: check its owner and the card",
    sqlite3.SQLITE_IOERR: "{name} cannot be written, the disk reports an error: check the card",
    sqlite3.SQLITE_BUSY: "{name} is held by another program: close it",
    sqlite3.SQLITE_LOCKED: "{name} is held by another program: close it",
    sqlite3.SQLITE_PROTOCOL: "{name} is held by another program: close it",
    sqlite3.SQLITE_CANTOPEN: "{name} cannot be opened: check the folder and its owner",
    sqlite3.SQLITE_PERM: "{name} cannot be opened: check the folder and its owner",
    sqlite3.SQLITE_AUTH: "{name} cannot be opened: check the folder and its owner",
    sqlite3.SQLITE_NOMEM: "{name} cannot be written: the memory is full",
    sqlite3.SQLITE_INTERRUPT: "{name} was interrupted",
}
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
_ENTRY = {sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_RANGE}


def complaint_of(error: Exception, *, name: str) -> Complaint:
    """Return what ``error``, met at the database called ``name``, means."""
    cause = error.orig if isinstance(error, sa.exc.DBAPIError) and error.orig is not None else error
    if isinstance(cause, sqlite3.Error):
        return _of_sqlite(cause, name=name)
    if isinstance(cause, OSError) and cause.errno == errno.ENOSPC:
        return _complaint(Kind.UNWRITABLE, _UNWRITABLE[sqlite3.SQLITE_FULL], name)
    if isinstance(cause, OSError) or isinstance(error, (sa.exc.OperationalError, sa.exc.InternalError)):
        return _complaint(Kind.UNWRITABLE, f"{{name}} cannot be used: {_first_line(cause)}", name)
    return _complaint(Kind.ENTRY, f"{{name}} refused an entry: {_first_line(cause)}", name)


def short(path: Path) -> str:
    """Return ``path``, its beginning left out where it is long."""
    text = str(path)
    return text if len(text) <= _PATH_LIMIT else f"…{text[1 - _PATH_LIMIT :]}"


def _of_sqlite(error: sqlite3.Error, *, name: str) -> Complaint:
    code = getattr(error, "sqlite_errorcode", None)  # absent when Python itself refused a value
    primary = sqlite3.SQLITE_MISMATCH if code is None else code & 0xFF
    if primary in _UNWRITABLE:
        return _complaint(Kind.UNWRITABLE, _UNWRITABLE[primary], name)
    # Our statements never change, so a name that is missing was there when the file was made.
    lost_name = primary == sqlite3.SQLITE_ERROR and str(error).startswith(("no such ", "table "))
    damaged = primary in _DAMAGED or lost_name
    kind = Kind.ENTRY if primary in _ENTRY else Kind.DAMAGED if damaged else Kind.UNKNOWN
    return _complaint(kind, f"{{name}}: {_first_line(error)}", name)


def _complaint(kind: Kind, text: str, name: str) -> Complaint:
    return Complaint(kind, text.replace("{name}", name)[:TEXT_LIMIT])


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
