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
_SERVER = {
    "08": "{name} cannot be reached: {why}; check store.url and the server",
    "28": "{name} refused the user or the password: check store.url and the password's file",
    "3D": "{name} does not exist: have it made, or check store.url",
    "40": "{name} is busy: {why}",
    "25": "{name} takes no entries here: {why}; is this a copy that only reads?",
    "42501": "{name} gives this user no right to its tables: {why}",
    "53100": "the disk of {name} is full: free some space on the server",
    "53": "{name} has no room left for this: {why}",
    "55": "{name} is held by another program: {why}",
    "57": "{name} went away: {why}",
    "58": "{name} cannot be written, its disk reports an error: {why}",
    "XX": "{name} reports damage: {why}; its administrator has the copies",
}
"""By SQLSTATE or its class (PostgreSQL's documentation, appendix A)."""
_SERVER_ENTRY = ("22", "23", "54")
"""Classes of errors that one entry makes: data that does not fit, a key or a rule broken, a limit."""
_UNREACHED = (
    ("password", "28"),
    ("authentication", "28"),
    ("no pg_hba.conf entry", "28"),
    ("does not exist", "3D"),
)
"""A connection that fails brings no SQLSTATE, only words; other words than these are passed on."""
_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT}
_ENTRY = {sqlite3.SQLITE_CONSTRAINT, sqlite3.SQLITE_MISMATCH, sqlite3.SQLITE_TOOBIG, sqlite3.SQLITE_RANGE}


def complaint_of(error: Exception, *, name: str) -> Complaint:
    """Return what ``error``, met at the database called ``name``, means."""
    cause = error.orig if isinstance(error, sa.exc.DBAPIError) and error.orig is not None else error
    if isinstance(cause, sqlite3.Error):
        return _of_sqlite(cause, name=name)
    if isinstance(error, sa.exc.TimeoutError):  # of the pool
        return _complaint(Kind.UNWRITABLE, "{name} is read by too many at once: try again", name)
    if hasattr(cause, "sqlstate"):
        return _of_server(error, cause, name=name)
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


def _of_server(error: Exception, cause: BaseException, *, name: str) -> Complaint:
    why = _first_line(cause).rpartition("failed: ")[2].removeprefix("FATAL:").strip()
    state: str | None = getattr(cause, "sqlstate", None)
    if state is None:
        if isinstance(error, sa.exc.DataError):  # the driver refused it: the server was not asked
            return _complaint(Kind.ENTRY, f"{{name}} refused an entry: {why}", name)
        state = next((found for words, found in _UNREACHED if words in why), "08")
    if state.startswith(_SERVER_ENTRY):
        return _complaint(Kind.ENTRY, f"{{name}} refused an entry: {why}", name)
    text = _SERVER.get(state) or _SERVER.get(state[:2])
    kind = Kind.UNKNOWN if text is None or state.startswith("XX") else Kind.UNWRITABLE
    return _complaint(kind, (text or "{name} cannot be used: {why}").replace("{why}", why), name)


def _complaint(kind: Kind, text: str, name: str) -> Complaint:
    return Complaint(kind, text.replace("{name}", name)[:TEXT_LIMIT])


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]
