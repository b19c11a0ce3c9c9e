"""What an exported package and a run sheet take: ``python -m tests.bench.records``.

An invented run is replayed and its rows and events are kept in a real store, once as they are and once
until eight hours are full. The bare way writes the same rows with the csv module alone.
"""

from __future__ import annotations

import csv
import dataclasses
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from monitor.contract.readings import ClockState
from monitor.run.effects import Happened, RowDue, RunOpened
from monitor.run.row import TraceRow
from monitor.runtime.settings import Settings, load
from monitor.trace.export import export_package
from monitor.trace.reader import TraceReader
from monitor.trace.replay import BOOT, Replayed, replay
from monitor.trace.store import TraceWriter
from monitor.trace.trace_file import read_trace
from tests.bench.engine import TRACE, rules_of
from tests.bench.table import Row, in_turns, lines
from web.figures import Units
from web.sheet_pages import sheet_file

HOUR_S = 3600
LENGTHS_H = (1, 8)
PACKAGE_LIMIT_S = {1: 0.5, 8: 3.0}
SHEET_LIMIT_S = 1.0
FLUSH_EVERY = 500
TURNS = 5


def rows() -> Iterable[Row]:
    """Measure."""
    settings = load()
    replayed = replay(read_trace(TRACE), rules=rules_of(TRACE))
    seconds = [second for second in replayed if second.row is not None]
    for hours in LENGTHS_H:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            reader = TraceReader(kept(folder, seconds, hours=hours))
            yield from timed(reader, settings, folder, hours=hours)


def timed(reader: TraceReader, settings: Settings, folder: Path, *, hours: int) -> Iterable[Row]:
    """Time package and sheet of the run of so many ``hours`` against the rows written bare."""
    every = list(reader.rows("run"))
    assert len(every) == hours * HOUR_S
    bare, package, sheet = (
        min(turns)
        for turns in in_turns(
            once(lambda: write_bare(every, folder / "bare.csv")),
            once(lambda: export_package(reader, "run", units="us", to=folder)),
            once(lambda: sheet_file(reader, "run", settings=settings, units=Units.US)),
            rounds=TURNS,
        )
    )
    assert (folder / "run" / "trace.csv").read_bytes().count(b"\n") == len(every) + 1
    for what, took_s, limit_s in (
        ("export package", package, PACKAGE_LIMIT_S[hours]),
        ("run sheet", sheet, SHEET_LIMIT_S),
    ):
        yield Row(
            what=f"{what} of {hours} h",
            measured=took_s,
            unit="s",
            bare=bare,
            bare_way="the same rows by csv.writer",
            limit=limit_s,
        )


def once(work: Callable[[], object]) -> Callable[[], float]:
    """Return what times ``work`` [s]."""

    def taken_s() -> float:
        began_s = time.perf_counter()
        work()
        return time.perf_counter() - began_s

    return taken_s


def write_bare(every: list[TraceRow], file: Path) -> None:
    """Write ``every`` row as it is."""
    names = [field.name for field in dataclasses.fields(TraceRow)]
    with file.open("w", newline="", encoding="utf-8") as out:
        writer = csv.writer(out)
        writer.writerow(names)
        writer.writerows([getattr(row, name) for name in names] for row in every)


def kept(folder: Path, seconds: list[Replayed], *, hours: int) -> str:
    """Keep a run of so many ``hours`` in a store of its own and return the store's URL."""
    url = f"sqlite:///{folder}/store.db"
    writer = TraceWriter(url, software="bench")
    writer.open()
    press = writer.press("main")
    press.keep_effect(
        RunOpened(run="run", boot=BOOT, started_mono_s=0.0, started=None, clock=ClockState.UNSET, by="bench")
    )
    for second, (row, of_row) in enumerate(repeated(seconds, count=hours * HOUR_S)):
        moment = float(second)
        press.keep_effect(RowDue(dataclasses.replace(row, mono_s=moment, elapsed_s=moment)))
        for event in of_row.events if second < len(seconds) else ():
            press.keep_effect(Happened(event.model_copy(update={"run": "run"})))
        if second % FLUSH_EVERY == 0:
            writer.flush()
    writer.close()
    return url


def repeated(seconds: list[Replayed], *, count: int) -> Iterator[tuple[TraceRow, Replayed]]:
    """Give ``count`` rows, the run over and over."""
    for index in range(count):
        second = seconds[index % len(seconds)]
        assert second.row is not None
        yield second.row, second


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in lines(rows()))
