from __future__ import annotations

import dataclasses
import itertools
import os
import sqlite3
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from psycopg import sql

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState, Quality, Reading, UnitCode
from monitor.contract.status import Standing
from monitor.run.effects import RowDue, RunClosed, RunOpened
from monitor.run.row import TraceRow
from monitor.trace.database_server import close_readers
from monitor.trace.store import TraceWriter
from tests.postgres import PostgresServer, postgres_server

NOON = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)

PLAIN_ROW = TraceRow(
    boot="boot-a",
    mono_s=1000.0,
    time=NOON,
    clock=ClockState.SYNCHRONISED,
    elapsed_s=None,
    outlet_c=84.5625,
    outlet_standing=Standing.GOOD,
    line_kpa=310.25,
    line_high_kpa=322.5,
    line_standing=Standing.GOOD,
    strokes=1,
    flow_l_min=None,
    volume_l=12.125,
    pan_c=None,
    filler_c=82.0,
    phase=Phase.BOTTLING,
    flags=(Flag.READY_TO_BOTTLE, Flag.STIR_DUE),
)
FACTS = {
    "press": {"name": "main", "frames": 5},
    "thresholds": {"ready_c": 82.25, "cutoff_kpa": 551.5},
    "invented": True,
}


class OnePress(TraceWriter):
    """A writer with the methods of its one press beside its own."""

    def __init__(self, url: str, *, facts: Any = FACTS, press: str = "main", **options: Any) -> None:
        super().__init__(url, software="0.1.0", **options)
        own = self.press(press, facts=facts)
        self.keep_reading, self.keep_effect, self.keep_shown = (
            own.keep_reading,
            own.keep_effect,
            own.keep_shown,
        )
        self.keep_snapshot, self.know = own.keep_snapshot, own.know


class Bench:
    """What the tests build: rows, readings, runs, and writers that are closed at the end."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "trace.db"
        self.url = f"sqlite:///{self.path}"
        self._writers: list[OnePress] = []
        self._numbers = itertools.count(1)

    def writer(self, url: str | None = None, **options: Any) -> OnePress:
        writer = OnePress(url or self.url, **options)
        self._writers.append(writer)
        return writer

    def opened(self, url: str | None = None, **options: Any) -> OnePress:
        writer = self.writer(url, **options)
        assert writer.open() is None
        return writer

    def shared_writer(self) -> OnePress:
        """Return one open writer, however often it is asked for."""
        if not self._writers:
            self.opened()
        return self._writers[0]

    def next(self) -> int:
        """Return a number that was not given before."""
        return next(self._numbers)

    def close(self) -> None:
        for writer in self._writers:
            writer.close()

    @staticmethod
    def row(**changes: Any) -> TraceRow:
        return dataclasses.replace(PLAIN_ROW, **changes)

    @staticmethod
    def reading(seq: int = 1, **changes: Any) -> Reading:
        fields: dict[str, Any] = {
            "seq": seq,
            "boot": "boot-a",
            "mono_ms": 1_000_000 + 1000 * seq,
            "time": NOON + timedelta(seconds=seq % 3600),
            "clock": ClockState.SYNCHRONISED,
            "value": 84.5625,
            "unit": UnitCode.CELSIUS,
            "tolerance": 0.5,
            "quality": Quality.GOOD,
        }
        return Reading.model_validate(fields | changes)

    @staticmethod
    def run_opened(run: str = "run-1", **changes: Any) -> RunOpened:
        fields: dict[str, Any] = {
            "boot": "boot-a",
            "started_mono_s": 1000.0,
            "started": NOON,
            "clock": ClockState.SYNCHRONISED,
            "by": "pressure",
        }
        return RunOpened(run=run, **fields | changes)

    @staticmethod
    def run_closed(run: str = "run-1", **changes: Any) -> RunClosed:
        fields: dict[str, Any] = {
            "boot": "boot-a",
            "ended_mono_s": 1060.0,
            "ended": NOON + timedelta(seconds=60),
            "elapsed_s": 60.0,
            "volume_l": 12.5,
            "by": "Ada",
        }
        return RunClosed(run=run, **fields | changes)

    def keep_run(self, writer: OnePress, run: str = "run-1", *, seconds: int = 5) -> list[TraceRow]:
        """Keep a short run; return its rows."""
        writer.keep_effect(self.run_opened(run))
        rows = [
            self.row(
                mono_s=1000.0 + second,
                elapsed_s=float(second),
                time=NOON + timedelta(seconds=second),
                outlet_c=80.0 + second % 160 / 16,
            )
            for second in range(seconds)
        ]
        for row in rows:
            writer.keep_effect(RowDue(row))
            if len(rows) > 1000 and row.elapsed_s and row.elapsed_s % 1000 == 0:
                writer.flush()
        writer.flush()
        return rows

    def ask(self, query: str) -> list[Any]:
        """Read with plain sqlite3, as a second reader that shares no code with ours."""
        with closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True)) as connection:
            return connection.execute(query).fetchall()

    def count(self, table: str) -> int:
        return int(self.ask(f"SELECT count(*) FROM {table}")[0][0])  # noqa: S608 - a test's own word

    def table(self, name: str) -> list[dict[str, Any]]:
        """Return a table's rows by column."""
        with closing(sqlite3.connect(f"file:{self.path}?mode=ro", uri=True)) as connection:
            connection.row_factory = sqlite3.Row
            return [dict(row) for row in connection.execute(f"SELECT * FROM {name}")]  # noqa: S608 - ours

    def execute(self, statement: str) -> None:
        """Change the store behind the program's back."""
        with closing(sqlite3.connect(self.path)) as connection, connection:
            connection.execute(statement)

    def is_whole(self) -> bool:
        return self.ask("PRAGMA integrity_check") == [("ok",)]


class ServerBench(Bench):
    """The same over an empty database of a PostgreSQL server."""

    def __init__(self, folder: Path, server: PostgresServer) -> None:
        super().__init__(folder)
        self.server = server
        self.database = server.new_database()
        self.url = server.url(self.database)

    def ask(self, query: str) -> list[Any]:
        """Read with plain psycopg, as a second reader that shares no code with ours."""
        return self.server.ask(self.database, query)

    def table(self, name: str) -> list[dict[str, Any]]:
        """Return a table's rows by column."""
        return self.server.table(self.database, name)

    def execute(self, statement: str) -> None:
        """Change the store behind the program's back."""
        self.server.execute(sql.SQL(statement), database=self.database)  # type: ignore[arg-type]

    def close(self) -> None:
        super().close()
        close_readers()
        self.server.drop(self.database)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Run the tests of a module that says so on both databases."""
    if getattr(metafunc.module, "ON_BOTH_DATABASES", False) and "bench" in metafunc.fixturenames:
        metafunc.parametrize("bench", ["sqlite", "postgresql"], indirect=True)


@pytest.fixture(scope="session")
def postgres() -> Iterator[PostgresServer]:
    """One server for the tests that leave it running."""
    with postgres_server() as server:
        yield server


@pytest.fixture
def bench(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Bench]:
    on_server = getattr(request, "param", "sqlite") == "postgresql"
    bench = ServerBench(tmp_path, request.getfixturevalue("postgres")) if on_server else Bench(tmp_path)
    yield bench
    bench.close()


@pytest.fixture
def wait_until() -> Callable[..., None]:
    def wait(condition: Callable[[], bool], *, within_s: float = 10.0) -> None:
        deadline = time.monotonic() + within_s
        while not condition():
            assert time.monotonic() < deadline, "it did not happen in time"
            time.sleep(0.01)

    return wait


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A disk of 2 MB of its own; needs the right to mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(folder)]
    if os.geteuid() != 0 or subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("only root may mount a small disk; the test of the file-size limit covers the path")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.fixture
def remount(small_disk: Path) -> Callable[[str], None]:
    def change(option: str) -> None:
        subprocess.run(["mount", "-o", f"remount,{option}", str(small_disk)], check=True)

    return change
