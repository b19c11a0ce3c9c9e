from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateTable

from monitor.contract.errors import SettingsError, StoreError, StoreUnreadable, StoreUnwritable
from monitor.contract.readings import Point
from monitor.run.effects import RowDue
from monitor.trace import database_file, schema, store
from monitor.trace.store import TraceReader
from tests.trace.conftest import FACTS

CHILD = Path(__file__).with_name("writing_child.py")


def damaged_files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if ".damaged-" in path.name)


def test_a_second_writer_is_refused_until_the_first_is_gone(bench: Any) -> None:
    first = bench.opened()
    second = bench.writer()
    with pytest.raises(StoreUnwritable, match="another writer"):
        second.open()
    first.close()
    assert second.open() is None


def test_a_killed_writer_leaves_no_lock(bench: Any) -> None:
    with subprocess.Popen([sys.executable, CHILD, bench.url], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        child.stdout.readline()
        with pytest.raises(StoreUnwritable, match="another writer"):
            bench.writer().open()
        child.send_signal(signal.SIGKILL)
    bench.opened()


def test_a_file_marked_read_only_is_refused_and_left_as_it_is(bench: Any) -> None:
    bench.keep_run(bench.opened())
    bench.close()
    before = bench.path.read_bytes()
    bench.path.chmod(0o444)
    with pytest.raises(StoreUnwritable, match="read-only") as refusal:
        bench.writer().open()
    assert "\n" not in str(refusal.value)
    assert bench.path.read_bytes() == before
    assert len(list(TraceReader(bench.url).rows("run-1"))) == 5


def test_a_store_on_a_read_only_disk_is_refused_but_read(
    bench: Any, small_disk: Path, remount: Callable[[str], None]
) -> None:
    url = f"sqlite:///{small_disk}/trace.db"
    writer = bench.opened(url)
    rows = bench.keep_run(writer)
    writer.close()
    remount("ro")
    with pytest.raises(StoreUnwritable, match="check the folder"):
        bench.writer(url).open()
    assert list(TraceReader(url).rows("run-1")) == rows


def test_a_folder_that_is_not_there_is_said(tmp_path: Path, bench: Any) -> None:
    with pytest.raises(StoreUnwritable, match="No such file or directory; check the folder"):
        bench.writer(f"sqlite:///{tmp_path}/nowhere/trace.db").open()


@pytest.mark.parametrize("url", ["", "nonsense", "sqlite://", "sqlite:///:memory:", "nosuch://x/y"])
def test_a_url_that_names_no_database_is_refused(bench: Any, url: str) -> None:
    for use in (TraceReader, lambda url: bench.writer(url or "://")):
        with pytest.raises(SettingsError, match=r"store\.url"):
            use(url)


def test_another_programs_database_is_refused_and_left_alone(bench: Any) -> None:
    with closing(sqlite3.connect(bench.path)) as other:
        other.execute("CREATE TABLE recipe (name TEXT)")
    before = bench.path.read_bytes()
    with pytest.raises(StoreUnreadable, match="another program"):
        bench.writer().open()
    assert bench.path.read_bytes() == before


def test_a_database_of_a_newer_version_is_refused_and_left_alone(bench: Any) -> None:
    bench.keep_run(bench.opened())
    bench.close()
    with closing(sqlite3.connect(bench.path)) as connection:
        connection.execute("UPDATE alembic_version SET version_num = '9999'")
        connection.execute("ALTER TABLE run ADD COLUMN taste TEXT")
        connection.commit()
    with pytest.raises(StoreUnreadable, match="newer version"):
        bench.writer().open()
    assert bench.count("moment") == 5


@pytest.mark.parametrize("word", ["000T", "0014", "", "00\x004"])
def test_a_damaged_word_for_the_version_is_not_taken_for_a_newer_one(
    bench: Any, tmp_path: Path, word: str
) -> None:
    bench.keep_run(bench.opened())
    bench.close()
    with closing(sqlite3.connect(bench.path)) as connection, connection:
        connection.execute("UPDATE alembic_version SET version_num = ?", (word,))
    notice = bench.writer().open()
    assert notice is not None
    assert "is set aside" in notice
    aside = next(file for file in damaged_files(tmp_path) if not file.name.endswith(("-wal", "-shm")))
    with closing(sqlite3.connect(aside)) as connection:
        assert connection.execute("SELECT count(*) FROM moment").fetchone() == (5,)


def test_a_file_that_is_no_database_is_set_aside_with_its_content(bench: Any, tmp_path: Path) -> None:
    bench.path.write_text("notes on the season\n")
    notice = bench.writer().open()
    (aside,) = damaged_files(tmp_path)
    assert notice is not None
    assert aside.name in notice
    assert "\n" not in notice
    assert aside.read_text() == "notes on the season\n"
    assert TraceReader(bench.url).runs() == []


def test_a_damaged_file_takes_its_log_with_it(bench: Any, tmp_path: Path) -> None:
    with subprocess.Popen([sys.executable, CHILD, bench.url], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        child.stdout.readline()
        child.send_signal(signal.SIGKILL)
    log = bench.path.with_name("trace.db-wal").read_bytes()
    assert log
    content = bytearray(bench.path.read_bytes() or b"\0" * 4096)
    content[:16] = b"x" * 16
    bench.path.write_bytes(content)
    assert bench.writer().open() is not None
    names = [path.name for path in damaged_files(tmp_path)]
    assert [name.rpartition("Z")[2] for name in names] == ["", "-shm", "-wal"]
    assert damaged_files(tmp_path)[2].read_bytes() == log


def test_an_open_run_with_a_damaged_word_is_set_aside_and_a_new_file_begun(
    bench: Any, tmp_path: Path
) -> None:
    writer = bench.opened()
    writer.keep_effect(bench.run_opened("run-1"))
    writer.close()
    with closing(sqlite3.connect(bench.path)) as store, store:
        store.execute("UPDATE run SET clock = 'raved'")
    notice = bench.writer().open()
    (aside,) = [path for path in damaged_files(tmp_path) if path.suffix.endswith("Z")]
    assert notice is not None
    assert aside.name in notice
    assert TraceReader(bench.url).runs() == []
    with closing(sqlite3.connect(aside)) as store:
        assert store.execute("SELECT name FROM run").fetchall() == [("run-1",)]


def test_two_files_set_aside_in_one_second_are_both_kept(bench: Any, tmp_path: Path) -> None:
    for text in ("one", "two"):
        bench.path.write_text(text)
        writer = bench.writer()
        assert writer.open() is not None
        writer.close()
        for side in ("", "-wal", "-shm"):
            bench.path.with_name(f"trace.db{side}").unlink(missing_ok=True)
    assert sorted(path.read_text() for path in damaged_files(tmp_path)) == ["one", "two"]


@pytest.fixture(scope="module")
def sound_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A closed store with 400 readings, as many rows, and a run."""
    folder = tmp_path_factory.mktemp("sound")
    subprocess.run(
        [sys.executable, CHILD, f"sqlite:///{folder}/trace.db", "400"], check=True, stdout=subprocess.DEVNULL
    )
    return folder / "trace.db"


@pytest.mark.parametrize("seed", range(30))
def test_flipped_bytes_are_noticed_or_harmless_never_silently_empty(
    bench: Any, sound_file: Path, seed: int, tmp_path: Path
) -> None:
    chance = random.Random(seed)  # noqa: S311 - a test's repeatable dice
    content = bytearray(sound_file.read_bytes())
    # A third of the cases aims at the header and the schema, where a flip hurts most.
    end = 4096 if seed % 3 == 0 else len(content)
    for _ in range(chance.choice((1, 4, 64))):
        content[chance.randrange(end)] ^= 1 << chance.randrange(8)
    bench.path.write_bytes(content)
    writer = bench.writer()
    try:
        notice = writer.open()
    except StoreError as refusal:  # refused aloud, and the file is as it was
        refused = str(refusal)
    else:
        refused = ""
    if refused:
        assert "\n" not in refused
        assert bench.path.read_bytes() == bytes(content)
        return
    writer.keep_effect(bench.run_opened("after"))
    writer.flush()
    writer.flush()
    if notice or writer.notice:
        assert damaged_files(tmp_path)
    else:
        assert bench.count("reading") == 400
        assert bench.count("moment") == 400
    assert "after" in {name for (name,) in bench.ask("SELECT name FROM run")}


def test_damage_met_while_running_is_set_aside_and_the_open_run_goes_on(
    bench: Any, tmp_path: Path, wait_until: Any
) -> None:
    said: list[str | None] = []
    writer = bench.opened(problem_changed=said.append)
    bench.keep_run(writer)
    with closing(sqlite3.connect(bench.path)) as other:
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        with bench.path.open("r+b") as file:
            file.seek(4096)
            file.write(b"\xa5" * (bench.path.stat().st_size - 4096))
        other.execute("PRAGMA user_version = 1")  # so that the writer reads its pages again
    bench.keep_run(writer, "run-2")
    wait_until(lambda: len(said) == 2)
    assert "set aside" in (said[0] or "")
    assert said[-1] is None
    assert damaged_files(tmp_path)
    assert bench.is_whole()
    assert len(list(TraceReader(bench.url).rows("run-2"))) == 5


def test_a_file_removed_under_the_writer_is_begun_anew_and_said(bench: Any, wait_until: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer)
    for side in ("", "-wal", "-shm"):
        bench.path.with_name(f"trace.db{side}").unlink()
    writer.flush()
    assert "was removed" in (writer.notice or "")
    assert TraceReader(bench.url).run("run-1").closed_by is None


def test_the_check_of_a_large_file_is_cut_short(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.keep_run(bench.opened(), seconds=2500)
    bench.close()
    monkeypatch.setattr(database_file, "CHECK_LIMIT_S", -1.0)
    bench.opened()
    assert bench.count("moment") == 2500


def test_a_copy_of_the_whole_folder_opens_as_it_was(bench: Any, tmp_path: Path) -> None:
    rows = bench.keep_run(bench.opened())
    other = tmp_path / "copy"
    other.mkdir()
    for path in tmp_path.glob("trace.db*"):
        shutil.copy(path, other)
    assert list(TraceReader(f"sqlite:///{other}/trace.db").rows("run-1")) == rows


def test_the_revisions_make_the_tables_of_the_schema(bench: Any) -> None:
    bench.opened()
    engine = sa.create_engine(bench.url)
    with engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), schema.METADATA) == []
    engine.dispose()


def test_the_schema_uses_types_of_postgresql_that_hold_as_much() -> None:
    made = {
        name: str(CreateTable(table).compile(dialect=postgresql.dialect()))
        for name, table in schema.METADATA.tables.items()
    }
    assert "mono_ms BIGINT" in made["reading"]
    assert "value DOUBLE PRECISION" in made["reading"]
    assert "state BYTEA" in made["snapshot"]
    assert "id BIGSERIAL" in made["moment"]
    assert not any("STRICT" in sql for sql in made.values())


def test_a_reader_says_that_there_is_no_store_yet(bench: Any) -> None:
    with pytest.raises(StoreUnreadable, match="start the monitor"):
        TraceReader(bench.url).runs()
    bench.path.touch()
    with pytest.raises(StoreUnreadable, match="no such table"):
        TraceReader(bench.url).runs()
    assert os.listdir(bench.path.parent) == ["trace.db"]  # noqa: PTH208 - names only


def test_a_folder_that_may_not_be_entered_is_said(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    closed.mkdir(mode=0o000)
    root = os.geteuid() == 0
    if root:
        os.seteuid(65534)
    try:
        with pytest.raises(StoreUnreadable, match=r"may not enter|cannot be read"):
            TraceReader(f"sqlite:///{closed / 'trace.db'}").runs()
    finally:
        if root:
            os.seteuid(0)
        closed.chmod(0o700)


def test_keeping_never_waits_for_the_disk(bench: Any) -> None:
    writer = bench.opened()
    blocker = sqlite3.connect(bench.path, isolation_level=None)
    blocker.execute("BEGIN IMMEDIATE")
    done = threading.Event()

    def keep() -> None:
        for seq in range(500):
            writer.keep_reading(Point.OUTLET, bench.reading(seq), arrived_mono_s=0.0)
        done.set()

    threading.Thread(target=keep, daemon=True).start()
    assert done.wait(5.0)
    blocker.close()
    writer.flush()
    writer.flush()
    assert bench.count("reading") == 500


def test_every_table_is_strict_and_the_log_is_written_ahead(bench: Any) -> None:
    bench.opened()
    tables = bench.ask("SELECT name, sql FROM sqlite_master WHERE type = 'table'")
    assert {name for name, sql in tables if not sql.rstrip().endswith("STRICT")} == {"alembic_version"}
    assert bench.ask("PRAGMA journal_mode") == [("wal",)]
    assert "reading" in {name for name, _ in tables}


def test_rowids_are_the_append_order(bench: Any) -> None:
    bench.keep_run(bench.opened(), seconds=4)
    ids = [number for (number,) in bench.ask("SELECT rowid FROM moment ORDER BY mono_s")]
    assert ids == [1, 2, 3, 4]


def test_a_reader_cannot_write(bench: Any) -> None:
    bench.keep_run(bench.opened())
    bench.close()
    before = bench.path.read_bytes()
    reader = TraceReader(bench.url)
    reader.runs()
    list(reader.rows("run-1"))
    assert bench.path.read_bytes() == before


def test_a_file_begun_anew_has_the_open_run_of_every_press(bench: Any) -> None:
    writer = bench.opened()
    main, north = writer.press("main"), writer.press("north")
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


def test_two_hundred_presses_are_one_commit(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store, "COMMIT_INTERVAL_S", 3600.0)
    writer = bench.writer()
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
