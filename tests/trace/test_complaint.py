from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa

from monitor.trace.complaint import TEXT_LIMIT, Kind, complaint_of


def error_of(connection: sqlite3.Connection, statement: str) -> sqlite3.Error:
    with pytest.raises(sqlite3.Error) as raised:
        connection.execute(statement)
    return raised.value


def test_errors_of_a_real_file_are_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "trace.db"
    with closing(sqlite3.connect(path, isolation_level=None, timeout=0.0)) as connection:
        connection.execute("CREATE TABLE press (frames INTEGER NOT NULL) STRICT")
        constraint = error_of(connection, "INSERT INTO press VALUES (NULL)")
        lost = error_of(connection, "INSERT INTO prest VALUES (1)")
        syntax = error_of(connection, "INSERT INTO")
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            busy = error_of(connection, "INSERT INTO press VALUES (1)")
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as reader:
        read_only = error_of(reader, "INSERT INTO press VALUES (1)")
    path.write_bytes(b"no database at all, but longer than a header of one hundred bytes" * 4)
    with closing(sqlite3.connect(path)) as connection:
        foreign = error_of(connection, "SELECT * FROM press")
    met = (constraint, lost, syntax, busy, read_only, foreign)
    assert [complaint_of(error, name="x").kind for error in met] == [
        Kind.ENTRY, Kind.DAMAGED, Kind.UNKNOWN, Kind.UNWRITABLE, Kind.UNWRITABLE, Kind.DAMAGED,
    ]  # fmt: skip
    assert complaint_of(busy, name="x").text == "x is held by another program: close it"


def test_an_error_through_sqlalchemy_is_read_like_its_cause() -> None:
    with closing(sqlite3.connect(":memory:")) as connection:
        cause = error_of(connection, "SELECT * FROM press")
    wrapped = sa.exc.OperationalError("SELECT", None, cause)
    assert complaint_of(wrapped, name="x") == complaint_of(cause, name="x")


def test_a_complaint_is_one_short_line() -> None:
    complaint = complaint_of(OSError(5, "Input/output error\nand more" * 40), name="x" * 300)
    assert len(complaint.text) <= TEXT_LIMIT
    assert "\n" not in complaint.text
    assert complaint.unwritable
