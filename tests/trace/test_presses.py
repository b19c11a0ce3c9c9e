"""Many presses in one store: told apart, each with its own run, and none at another's cost."""

from __future__ import annotations

import importlib
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations

from monitor.contract.commands import MarkKind
from monitor.contract.errors import RunNotFound, StoreUnreadable
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState, Point
from monitor.run.effects import Happened, RowDue
from monitor.trace import backlog, schema, store
from monitor.trace.store import PressWriter, TraceReader, TraceWriter
from tests.trace.conftest import FACTS

NORTH = {"press": {"name": "north", "frames": 7}, "invented": False}


@pytest.fixture
def writer(bench: Any) -> Iterator[TraceWriter]:
    writer = TraceWriter(bench.url, software="0.1.0")
    yield writer
    writer.close()


@pytest.fixture
def presses(writer: TraceWriter) -> tuple[PressWriter, PressWriter]:
    """Two presses of one board, so of one boot."""
    writer.open()
    return writer.press("main", facts=FACTS), writer.press("north", facts=NORTH)


def mark(press: str, entry: str, **more: Any) -> Happened:
    fields = {"name": "note", "who": "Ada", "entry": entry, "text": press} | more
    return Happened(Mark(press=press, seq=1, boot="boot-a", mono_ms=5, clock=ClockState.SAVED, **fields))


def test_the_same_reading_of_two_presses_is_two(bench: Any, presses: Any) -> None:
    for number, press in enumerate(presses):
        press.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=float(number))
        press.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=9.0)
    presses[0].flush()
    reader = TraceReader(bench.url)
    found = {
        name: [arrived for _, _, arrived in reader.of(name).readings_since(boot="boot-a", mono_s=0.0)]
        for name in ("main", "north", "south")
    }
    assert found == {"main": [0.0], "north": [1.0], "south": []}
    assert len(list(reader.readings_since(boot="boot-a", mono_s=0.0))) == 2


def test_rows_before_a_run_are_of_its_own_press(bench: Any, presses: Any) -> None:
    main, north = presses
    for mono_s in (999.0, 1000.0):
        main.keep_effect(RowDue(bench.row(mono_s=mono_s, outlet_c=80.0)))
        north.keep_effect(RowDue(bench.row(mono_s=mono_s, outlet_c=20.0)))
    north.keep_effect(bench.run_opened("north-1", started_mono_s=998.0))
    north.keep_effect(RowDue(bench.row(mono_s=1001.0, elapsed_s=3.0, outlet_c=20.0)))
    main.keep_effect(RowDue(bench.row(mono_s=1001.0, outlet_c=80.0)))
    main.flush()
    rows = list(TraceReader(bench.url).rows("north-1"))
    assert [(row.mono_s, row.outlet_c) for row in rows] == [(999.0, 20.0), (1000.0, 20.0), (1001.0, 20.0)]


def test_each_press_has_its_own_open_run_also_after_a_restart(bench: Any, presses: Any) -> None:
    main, north = presses
    main.keep_effect(bench.run_opened("main-1"))
    north.keep_effect(bench.run_opened("north-1"))
    main.keep_effect(bench.run_closed("main-1"))
    main.keep_effect(bench.run_opened("main-2"))
    main._store.close()
    again = TraceWriter(bench.url, software="0.1.0")
    known = again.press("main", facts=FACTS)
    again.open()
    late = again.press("north", facts=NORTH)  # asks the open store
    for press in (known, late):
        press.keep_effect(RowDue(bench.row(mono_s=1003.0, elapsed_s=3.0)))
    again.close()
    reader = TraceReader(bench.url)
    assert {name: len(list(reader.rows(name))) for name in ("main-1", "main-2", "north-1")} == {
        "main-1": 0, "main-2": 1, "north-1": 1,
    }  # fmt: skip


def test_a_reader_of_one_press_sees_its_own(bench: Any, presses: Any) -> None:
    for press, entry in zip(presses, ("a" * 8, "b" * 8), strict=True):
        name = press.name
        press.keep_effect(bench.run_opened(f"{name}-1"))
        press.keep_effect(mark(name, entry, run=f"{name}-1"))
        total = mark(name, "c" * 8, name=MarkKind.TOTAL_VOLUME, run=f"{name}-1", volume_l=len(name))
        press.keep_effect(total)
        press.keep_snapshot(name.encode())
    presses[0].flush()
    every = TraceReader(bench.url)
    for name in ("main", "north"):
        own = every.of(name)
        assert [record.run for record in own.runs()] == [f"{name}-1"]
        assert own.runs()[0].press == name
        assert [found.text for found in own.entries().values()] == [name]
        assert own.totals() == {f"{name}-1": float(len(name))}
        assert own.snapshot() == name.encode()
        assert len(own.events(f"{name}-1")) == 2
        with own.held() as still:
            assert [record.run for record in still.runs()] == [f"{name}-1"]
    assert [record.run for record in every.runs()] == ["north-1", "main-1"]
    assert every.runs()[0].facts == NORTH
    assert len(every.entries()) == 2
    with pytest.raises(RunNotFound):
        every.of("main").run("north-1")
    with pytest.raises(RunNotFound):
        list(every.of("main").rows("north-1"))
    assert every.of("main").events("north-1") == []
    with pytest.raises(ValueError, match="name it"):
        every.snapshot()


def test_events_of_two_presses_never_mix_whatever_run_they_name(bench: Any, presses: Any) -> None:
    main, north = presses
    main.keep_effect(bench.run_opened("main-1"))
    north.keep_effect(mark("north", "b" * 8, run="main-1"))
    north.keep_effect(bench.run_closed("main-1", by="Bo"))
    north.keep_effect(RowDue(bench.row(mono_s=1003.0, elapsed_s=3.0)))
    main.keep_effect(mark("main", "a" * 8, run="main-1"))
    main.flush()
    reader = TraceReader(bench.url)
    assert [found.text for found in reader.events("main-1") if isinstance(found, Mark)] == ["main"]
    assert reader.run("main-1").closed_by is None


def test_one_flooding_press_costs_another_nothing(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(backlog, "_LIMITS", {backlog.Queue.READINGS: 50})
    monkeypatch.setattr(backlog, "FULL_PRESSES", 2)
    writer = TraceWriter(bench.url, software="0.1.0")
    quiet, *loud = (writer.press(name) for name in ("quiet", "loud", "louder"))
    for seq in range(20):
        quiet.keep_reading(Point.OUTLET, bench.reading(seq), arrived_mono_s=0.0)
    for seq in range(60):
        for press in loud:
            press.keep_reading(Point.OUTLET, bench.reading(seq), arrived_mono_s=0.0)
    writer.open()
    writer.close()
    kept = dict(bench.ask("SELECT press, count(*) FROM reading JOIN boot ON boot.id = boot_id GROUP BY 1"))
    assert kept["quiet"] == 20
    assert sum(kept.values()) == 100
    assert abs(kept["loud"] - kept["louder"]) <= 1
    assert (quiet.lost, writer.lost) == (0, 40)
    newest = bench.ask("SELECT max(seq) FROM reading JOIN boot ON boot.id = boot_id WHERE press = 'loud'")
    assert newest == [(59,)], "the oldest go first"


def test_an_entry_that_fits_no_table_is_lost_alone_and_counted_for_its_press(
    bench: Any, presses: Any
) -> None:
    main, north = presses
    broken = bench.reading().model_copy(update={"seq": 2**70})
    for press in presses:
        press.keep_reading(Point.PAN, bench.reading(7), arrived_mono_s=0.0)
    north.keep_reading(Point.OUTLET, broken, arrived_mono_s=0.0)
    main.flush()
    assert bench.ask("SELECT count(*) FROM reading") == [(2,)]
    assert (main.lost, north.lost) == (0, 1)


def test_a_file_begun_anew_has_the_open_run_of_every_press(
    bench: Any, writer: TraceWriter, presses: Any
) -> None:
    main, north = presses
    main.keep_effect(bench.run_opened("main-1"))
    main.know(FACTS | {"invented": False})  # for the runs after it
    north.keep_effect(bench.run_opened("north-1"))
    main.flush()
    for side in ("", "-wal", "-shm"):
        bench.path.with_name(f"trace.db{side}").unlink()
    main.flush()
    runs = {record.run: record for record in TraceReader(bench.url).runs()}
    assert {name: record.press for name, record in runs.items()} == {"main-1": "main", "north-1": "north"}
    assert runs["main-1"].facts == FACTS
    assert writer.lost == 0


def test_two_hundred_presses_are_one_commit(
    bench: Any, writer: TraceWriter, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "COMMIT_INTERVAL_S", 3600.0)
    many = [writer.press(f"press-{number}") for number in range(200)]
    writer.open()
    with closing(sqlite3.connect(bench.path)) as watch:
        before = watch.execute("PRAGMA data_version").fetchone()
        for press in many:
            press.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=0.0)
            press.keep_effect(RowDue(bench.row()))
            press.keep_snapshot(b"{}")
        writer.flush()
        assert watch.execute("PRAGMA data_version").fetchone()[0] == before[0] + 1
    assert bench.ask("SELECT count(DISTINCT boot_id), count(*) FROM moment") == [(200, 200)]


# The file of an older version.


@pytest.fixture
def older(bench: Any) -> Path:
    """A store of the second revision, made by its own revisions: two boots, a run, a state, a note."""
    versions = "monitor.trace.migrations.versions"
    engine = sa.create_engine(bench.url)
    with engine.begin() as connection:
        with Operations.context(MigrationContext.configure(connection)):
            for name in ("v0001_first_tables", "v0002_shown_by_runs"):
                importlib.import_module(f"{versions}.{name}").upgrade()
        connection.exec_driver_sql("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL)")
        connection.exec_driver_sql("INSERT INTO alembic_version VALUES ('0002')")
    engine.dispose()
    with closing(sqlite3.connect(bench.path)) as made, made:
        made.execute("INSERT INTO boot (id, name) VALUES (3, 'a'), (5, 'b'), (6, 'c'), (7, 'd')")
        made.execute(
            "INSERT INTO run VALUES (1, 'sugarbush-1', 3, 0.0, NULL, 'unset', 'x', '0', "
            """'{"press": {"name": "sugarbush"}}'), (2, 'guest-1', 5, 0.0, NULL, 'unset', 'x', '0', """
            """'{"press": {"name": "guest"}}')"""
        )
        made.execute("INSERT INTO run_base VALUES (1, 1, 3, 0.0), (2, 2, 5, 0.0)")
        made.executemany(
            "INSERT INTO moment "
            "(run_id, boot_id, mono_s, clock, outlet_standing, line_standing, phase, flags) "
            "VALUES (?, ?, ?, 'unset', 'good', 'good', 'bottling', '')",
            [(1, 3, 1.0), (2, 5, 2.0), (None, 6, 3.0), (None, 7, 4.0)],
        )
        body = mark("shed", "a" * 8).event.model_dump_json(exclude_none=True)
        made.execute("INSERT INTO event VALUES (1, NULL, 7, 5, 'mark', 'note', 'noted', ?)", (body,))
    return Path(bench.path)


def boots(path: Path) -> dict[str, str]:
    with closing(sqlite3.connect(path)) as connection:
        return dict(connection.execute("SELECT name, press FROM boot"))


def test_an_older_file_gets_its_presses_from_what_it_holds(bench: Any, older: Path) -> None:
    with closing(sqlite3.connect(older)) as made, made:
        made.execute("INSERT INTO snapshot VALUES ('sugarbush', x'7b7d')")
    bench.opened()
    assert boots(older) == {"a": "sugarbush", "b": "guest", "c": "sugarbush", "d": "shed"}
    assert bench.ask("PRAGMA foreign_key_check") == []
    assert bench.ask("SELECT id FROM boot ORDER BY id") == [(3,), (5,), (6,), (7,)]
    (made,) = bench.ask("SELECT sql FROM sqlite_master WHERE name = 'boot'")
    assert made[0].rstrip().endswith("STRICT")
    reader = TraceReader(bench.url)
    assert {record.run: record.press for record in reader.runs()} == {
        "sugarbush-1": "sugarbush", "guest-1": "guest",
    }  # fmt: skip
    assert len(list(reader.rows("sugarbush-1"))) == 1
    assert reader.of("sugarbush").snapshot() == b"{}"
    assert [found.text for found in reader.of("shed").entries().values()] == ["shed"]


@pytest.mark.parametrize(
    ("change", "own"),
    [
        ("", "guest"),  # of the newest run
        ("UPDATE run SET facts = '{}'", "main"),
        ("UPDATE run SET facts = 'torn'", "main"),
        ('UPDATE run SET facts = \'{"press": "Not a name"}\'', "main"),
        ("INSERT INTO snapshot VALUES ('one', x'7b7d'), ('two', x'7b7d')", "guest"),
    ],
)
def test_an_older_file_with_no_single_state_is_of_its_newest_runs_press(
    bench: Any, older: Path, change: str, own: str
) -> None:
    with closing(sqlite3.connect(older)) as made, made:
        made.execute(change)
    bench.opened()
    assert boots(older)["c"] == own


def test_an_older_file_is_no_riddle_to_who_reads_it_first(bench: Any, older: Path) -> None:
    reader = TraceReader(bench.url)
    own = reader.of("sugarbush")
    for ask in (reader.runs, own.entries, own.shown, lambda: reader.events("sugarbush-1")):
        with pytest.raises(StoreUnreadable, match=r"older version: start the monitor once"):
            ask()
    bench.opened()
    assert len(reader.runs()) == 2


def test_a_newer_file_is_no_riddle_either(bench: Any, older: Path) -> None:
    with closing(sqlite3.connect(older)) as made, made:
        made.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreUnreadable, match="newer version"):
        TraceReader(bench.url).runs()


def test_the_revision_of_the_schema_is_the_last_one() -> None:
    versions = Path(importlib.import_module("monitor.trace.migrations.versions").__path__[0])
    assert max(path.name for path in versions.glob("v*.py")).startswith(f"v{schema.REVISION}_")
