"""What is committed in a store's file, seen by plain sqlite3 as any other program would see it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

TABLES = {
    "moment": "id, boot_id, mono_s, outlet_c, line_kpa, phase, flags",
    "reading": "id, boot_id, mono_ms, point, seq, value, quality",
    "event": "id, boot_id, mono_ms, kind, name, state, body",
    "run": "id, name, boot_id, started_mono_s",
}
COMPARED = 300
"""Newest rows of a table that are compared whole; of the older ones the number is."""


@dataclass(frozen=True, slots=True)
class Committed:
    """Per table: how many rows, and the newest of them."""

    counts: dict[str, int]
    rows: dict[str, tuple[tuple[object, ...], ...]]

    def lost_in(self, path: Path) -> int:
        """Return how many of these rows ``path`` does not hold any more, unchanged."""
        lost = 0
        with closing(connect(path)) as connection:
            for table, columns in TABLES.items():
                kept = self.rows[table]
                if not kept:
                    continue
                # The tables' columns are above, in this file.
                query = f"SELECT {columns} FROM {table} WHERE id BETWEEN ? AND ?"  # noqa: S608
                found = set(connection.execute(query, (kept[-1][0], kept[0][0])))
                lost += len(set(kept) - found)
                below = f"SELECT count(*) FROM {table} WHERE id <= ?"  # noqa: S608 - likewise
                lost += max(0, self.counts[table] - connection.execute(below, (kept[0][0],)).fetchone()[0])
        return lost


def connect(path: Path) -> sqlite3.Connection:
    """Return a connection that only reads."""
    return sqlite3.connect(f"file:{quote(str(path))}?mode=ro", uri=True, timeout=5.0)


def committed(path: Path) -> Committed:
    """Return what ``path`` holds now."""
    counts, rows = {}, {}
    with closing(connect(path)) as connection:
        connection.execute("BEGIN")
        for table, columns in TABLES.items():
            newest = f"SELECT {columns} FROM {table} ORDER BY id DESC LIMIT {COMPARED}"  # noqa: S608 - ours
            rows[table] = tuple(connection.execute(newest))
            counts[table] = connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
    return Committed(counts, rows)


def is_whole(path: Path) -> bool:
    """Tell whether SQLite finds nothing wrong with the file."""
    with closing(connect(path)) as connection:
        return connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def twice(path: Path, *, table: str, by: str) -> int:
    """Return how many rows of ``table`` repeat another in the columns ``by``."""
    query = f"SELECT count(*) FROM (SELECT 1 FROM {table} GROUP BY {by} HAVING count(*) > 1)"  # noqa: S608
    with closing(connect(path)) as connection:
        return int(connection.execute(query).fetchone()[0])
