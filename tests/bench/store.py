"""How fast the store writes and exports, against bare sqlite3 in the same minute.

Run ``python tests/bench/store.py``. Only the ratios carry over to another machine. Leaves with
status 1 when one of the limits below is broken.
"""

from __future__ import annotations

import csv
import dataclasses
import sqlite3
import sys
import tempfile
import time
from collections.abc import Iterable
from contextlib import closing
from pathlib import Path

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.status import Standing
from monitor.run.effects import RowDue, RunOpened
from monitor.run.row import TraceRow
from monitor.trace.export import export_package
from monitor.trace.store import TraceReader, TraceWriter
from monitor.trace.trace_file import read_trace
from tests.bench.table import Row

ROWS = 28_800
"""Eight hours."""
BATCH = 500
EXPORT_LIMIT_S = 3.0
RATIO_LIMIT = 5.0
"""How many times slower than bare sqlite3 the store may insert; at six rows a second it matters to nobody."""

ROW = TraceRow(
    boot="boot-a", mono_s=0.0, time=None, clock=ClockState.UNSET, elapsed_s=0.0, outlet_c=84.5625,
    outlet_standing=Standing.GOOD, line_kpa=310.25, line_high_kpa=322.5, line_standing=Standing.GOOD,
    strokes=1, flow_l_min=None, volume_l=12.125, pan_c=98.0, filler_c=82.0, phase=Phase.BOTTLING,
    flags=(Flag.READY_TO_BOTTLE,),
)  # fmt: skip
READING = Reading(
    seq=0, boot="boot-a", mono_ms=0, clock=ClockState.UNSET, value=310.25, unit=UnitCode.KILOPASCAL,
    tolerance=0.5, quality=Quality.GOOD, low=300.0, high=322.5, strokes=1,
)  # fmt: skip


def bare_rows_per_s(folder: Path) -> float:
    """Return rows a second of plain sqlite3 with the same settings, columns, indexes and commits."""
    with closing(sqlite3.connect(folder / "bare.db", isolation_level=None)) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        names = [field.name for field in dataclasses.fields(TraceRow)]
        connection.execute(f"CREATE TABLE moment (id INTEGER PRIMARY KEY, run_id, {', '.join(names)})")
        connection.execute("CREATE INDEX moment_of_run ON moment (run_id, id)")
        connection.execute("CREATE INDEX moment_of_boot ON moment (boot, mono_s)")
        marks = ", ".join("?" * len(names))
        insert = f"INSERT INTO moment ({', '.join(names)}) VALUES ({marks})"  # noqa: S608 - our own names
        began_s = time.perf_counter()
        for first in range(0, ROWS, BATCH):
            connection.execute("BEGIN IMMEDIATE")
            connection.executemany(insert, [plain(second) for second in range(first, first + BATCH)])
            connection.execute("COMMIT")
        return ROWS / (time.perf_counter() - began_s)


def plain(second: int) -> tuple[object, ...]:
    """Return the cells of a row as sqlite3 takes them."""
    row = dataclasses.replace(ROW, mono_s=float(second), elapsed_s=float(second))
    cells = (getattr(row, field.name) for field in dataclasses.fields(row))
    return tuple(";".join(cell) if isinstance(cell, tuple) else cell for cell in cells)


def store_rows_per_s(writer: TraceWriter) -> float:
    """Return rows a second through the writer's queue, thread and tables, flushed as often."""
    press = writer.press("main")
    press.keep_effect(
        RunOpened(
            run="run-1", boot="boot-a", started_mono_s=0.0, started=None, clock=ClockState.UNSET, by="bench"
        )
    )
    began_s = time.perf_counter()
    for second in range(ROWS):
        press.keep_effect(RowDue(dataclasses.replace(ROW, mono_s=float(second), elapsed_s=float(second))))
        if second % BATCH == BATCH - 1:
            writer.flush()
    writer.flush()
    return ROWS / (time.perf_counter() - began_s)


def bytes_of_a_day(url: str, path: Path) -> float:
    """Return what a day of three points a second and one row adds to the file, from an hour of it."""
    writer = TraceWriter(url, software="bench")
    writer.open()
    press = writer.press("main")
    before = path.stat().st_size
    for second in range(3600):
        for point in (Point.LINE, Point.OUTLET, Point.PAN):
            reading = READING.model_copy(update={"seq": second, "mono_ms": 1000 * second + 1})
            press.keep_reading(point, reading, arrived_mono_s=float(second))
        press.keep_effect(RowDue(dataclasses.replace(ROW, mono_s=float(second), elapsed_s=None)))
        if second % BATCH == 0:
            writer.flush()
    writer.close()
    return 24.0 * (path.stat().st_size - before)


def timed_export(url: str, folder: Path) -> tuple[float, float]:
    """Return the seconds that the export of eight hours takes, and reading it back."""
    began_s = time.perf_counter()
    exported = export_package(TraceReader(url), "run-1", units="us", to=folder)
    export_s = time.perf_counter() - began_s
    with (exported / "trace.csv").open(newline="") as file:
        assert sum(1 for _ in csv.reader(file)) == ROWS + 1
    began_s = time.perf_counter()
    assert sum(1 for _ in read_trace(exported / "trace.csv")) == ROWS
    return export_s, time.perf_counter() - began_s


def rows() -> Iterable[Row]:
    """Measure what one row costs, and what a day adds to the file."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        writer = TraceWriter(f"sqlite:///{folder}/store.db", software="bench")
        writer.open()
        bare, store = bare_rows_per_s(folder), store_rows_per_s(writer)
        writer.close()
        day = bytes_of_a_day(f"sqlite:///{folder}/day.db", folder / "day.db")
    yield Row(
        what="store: a row in batches of 500",
        measured=1e6 / store,
        unit="us",
        bare=1e6 / bare,
        bare_way="sqlite3 alone",
        limit=RATIO_LIMIT * 1e6 / bare,
        limit_words=f"{RATIO_LIMIT:g}x bare",
    )
    yield Row(what="store: a day of 3 points in the file", measured=day / 1e6, unit="MB")


def main() -> int:
    """Measure, print, and return the exit status."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        url = f"sqlite:///{folder}/store.db"
        writer = TraceWriter(url, software="bench")
        writer.open()
        bare, store = bare_rows_per_s(folder), store_rows_per_s(writer)
        writer.close()
        export_s, read_s = timed_export(url, folder)
        day = bytes_of_a_day(f"sqlite:///{folder}/day.db", folder / "day.db")
    say = sys.stdout.write
    say(f"bare sqlite3      {bare:10.0f} rows/s\n")
    say(f"store             {store:10.0f} rows/s, {bare / store:.1f} times slower (limit {RATIO_LIMIT:g})\n")
    say(f"export of 8 h     {export_s:10.2f} s (limit {EXPORT_LIMIT_S:g})\n")
    say(f"reading it back   {read_s:10.2f} s, an hour of it {1000 * read_s / 8:.0f} ms\n")
    say(f"a day of 3 points {day / 1e6:10.0f} MB in the file\n")
    return int(bare / store > RATIO_LIMIT or export_s > EXPORT_LIMIT_S)


if __name__ == "__main__":
    raise SystemExit(main())
