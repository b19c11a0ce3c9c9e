"""Stores of older versions: brought up on opening, and no riddle to whoever reads them before."""

from __future__ import annotations

import importlib
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.migration import MigrationContext
from alembic.operations import Operations

from monitor.contract.errors import StoreUnreadable
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState
from monitor.trace import schema
from monitor.trace.store import TraceReader

ON_BOTH_DATABASES = True
VERSIONS = "monitor.trace.migrations.versions"
SECONDS = """INSERT INTO moment
    (id, run_id, boot_id, mono_s, clock, outlet_standing, line_standing, phase, flags) VALUES
    (1, 1, 3, 1.0, 'unset', 'good', 'good', 'bottling', ''),
    (2, 2, 5, 2.0, 'unset', 'good', 'good', 'bottling', ''),
    (3, NULL, 6, 3.0, 'unset', 'good', 'good', 'bottling', ''),
    (4, NULL, 7, 4.0, 'unset', 'good', 'good', 'bottling', '')"""
RUNS = """INSERT INTO run VALUES
    (1, 'sugarbush-1', 3, 0.0, NULL, 'unset', 'x', '0', '{"press": {"name": "sugarbush"}}'),
    (2, 'guest-1', 5, 0.0, NULL, 'unset', 'x', '0', '{"press": {"name": "guest"}}')"""
STATE = {"sqlite": "x'7b7d'", "postgresql": "'{}'"}
"""Two bytes, as each database writes them."""


@pytest.fixture
def older(bench: Any) -> Any:
    """A store of the second revision, made by its own revisions: four boots, two runs, a note."""
    engine = sa.create_engine(bench.url)
    with engine.begin() as connection:
        with Operations.context(MigrationContext.configure(connection)):
            for name in ("v0001_first_tables", "v0002_shown_by_runs"):
                importlib.import_module(f"{VERSIONS}.{name}").upgrade()
        connection.exec_driver_sql("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL)")
        connection.exec_driver_sql("INSERT INTO alembic_version VALUES ('0002')")
    engine.dispose()
    note = Mark(
        press="shed", seq=1, boot="d", mono_ms=5, clock=ClockState.SAVED, name="note", who="Ada",
        entry="a" * 8, text="shed",
    )  # fmt: skip
    body = note.model_dump_json(exclude_none=True)
    for statement in (
        "INSERT INTO boot (id, name) VALUES (3, 'a'), (5, 'b'), (6, 'c'), (7, 'd')",
        RUNS,
        "INSERT INTO run_base VALUES (1, 1, 3, 0.0), (2, 2, 5, 0.0)",
        SECONDS,
        f"INSERT INTO event VALUES (1, NULL, 7, 5, 'mark', 'note', 'noted', '{body}')",  # noqa: S608 - ours
    ):
        bench.execute(statement)
    return bench


def boots(bench: Any) -> dict[str, str]:
    return dict(bench.ask("SELECT name, press FROM boot"))


def keep_states(bench: Any, *presses: str) -> None:
    state = STATE[sa.make_url(bench.url).get_backend_name()]
    for press in presses:
        bench.execute(f"INSERT INTO snapshot VALUES ('{press}', {state})")  # noqa: S608 - a test's own word


def test_an_older_store_gets_its_presses_from_what_it_holds(older: Any) -> None:
    keep_states(older, "sugarbush")
    older.opened()
    assert boots(older) == {"a": "sugarbush", "b": "guest", "c": "sugarbush", "d": "shed"}
    assert older.ask("SELECT id FROM boot ORDER BY id") == [(3,), (5,), (6,), (7,)]
    reader = TraceReader(older.url)
    assert {record.run: record.press for record in reader.runs()} == {
        "sugarbush-1": "sugarbush", "guest-1": "guest",
    }  # fmt: skip
    assert len(list(reader.rows("sugarbush-1"))) == 1
    assert reader.of("sugarbush").snapshot() == b"{}"
    assert [found.text for found in reader.of("shed").entries().values()] == ["shed"]


def test_a_file_that_was_brought_up_is_strict_and_whole(older: Any) -> None:
    older.opened()
    if sa.make_url(older.url).get_backend_name() == "sqlite":
        assert older.ask("PRAGMA foreign_key_check") == []
        (made,) = older.ask("SELECT sql FROM sqlite_master WHERE name = 'boot'")
        assert made[0].rstrip().endswith("STRICT")
    with pytest.raises(Exception, match=r"(?i)unique"):
        older.execute("INSERT INTO boot VALUES (9, 'a', 'guest'), (10, 'a', 'guest')")


@pytest.mark.parametrize(
    ("change", "states", "own"),
    [
        (None, (), "guest"),  # of the newest run
        (None, ("one", "two"), "guest"),
        ("UPDATE run SET facts = '{}'", (), "main"),
        ("UPDATE run SET facts = 'torn'", (), "main"),
        ('UPDATE run SET facts = \'{"press": "Not a name"}\'', (), "main"),
    ],
)
def test_an_older_store_with_no_single_state_is_of_its_newest_runs_press(
    older: Any, change: str | None, states: tuple[str, ...], own: str
) -> None:
    if change:
        older.execute(change)
    keep_states(older, *states)
    older.opened()
    assert boots(older)["c"] == own


def test_an_older_store_is_no_riddle_to_who_reads_it_first(older: Any) -> None:
    reader = TraceReader(older.url)
    own = reader.of("sugarbush")
    for ask in (reader.runs, own.entries, own.shown, lambda: reader.events("sugarbush-1")):
        with pytest.raises(StoreUnreadable, match=r"older version: start the monitor once"):
            ask()
    older.opened()
    assert len(reader.runs()) == 2


def test_a_newer_store_is_no_riddle_either(older: Any) -> None:
    older.execute("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(StoreUnreadable, match="newer version"):
        TraceReader(older.url).runs()
    with pytest.raises(StoreUnreadable, match="newer version"):
        older.writer().open()


def test_the_revision_of_the_schema_is_the_last_one() -> None:
    versions = Path(importlib.import_module(VERSIONS).__path__[0])
    assert max(path.name for path in versions.glob("v*.py")).startswith(f"v{schema.REVISION}_")
