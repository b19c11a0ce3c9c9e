from __future__ import annotations

import os
import select
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.errors import StoreInUse, StoreUnreadable, StoreUnwritable
from monitor.trace import store_copy
from monitor.trace.backup import back_up, restore
from monitor.trace.store import TraceReader

CHILD = Path(__file__).with_name("writing_child.py")
DISK_S = 20.0
"""How long a disk that others keep busy may take for a commit [s]; most take a hundredth of a second."""
ACT = "import sys, pathlib; from monitor.trace.backup import {0}; {0}(sys.argv[1], pathlib.Path(sys.argv[2]))"
KILLS = 8


def url_of(path: Path) -> str:
    return f"sqlite:///{path}"


def is_whole(path: Path) -> bool:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store:
        return store.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def rows_in(path: Path) -> int:
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store:
        return int(store.execute("SELECT count(*) FROM moment").fetchone()[0])


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


@pytest.fixture
def stick(tmp_path: Path) -> Path:
    folder = tmp_path / "stick"
    folder.mkdir()
    return folder


@contextmanager
def writing(url: str) -> Iterator[subprocess.Popen[bytes]]:
    with subprocess.Popen([sys.executable, CHILD, url], stdout=subprocess.PIPE, bufsize=0) as child:
        try:
            yield child
        finally:
            child.kill()


def said(child: subprocess.Popen[bytes], *, wait_s: float) -> int:
    """Return the newest count of rows that the child says are on the disk, nought where it says nothing."""
    assert child.stdout is not None
    text, until_s = b"", time.monotonic() + wait_s
    # A line may come in two pieces; half a number is another number.
    while not text.endswith(b"\n") or select.select([child.stdout], [], [], 0.0)[0]:
        if not select.select([child.stdout], [], [], max(0.0, until_s - time.monotonic()))[0]:
            return 0
        piece = os.read(child.stdout.fileno(), 65536)
        assert piece, "the child has ended"
        text += piece
    return int(text.split()[-1])


def test_a_backup_holds_every_row_that_was_committed_before_it_began(bench: Any, stick: Path) -> None:
    with writing(bench.url) as child:
        safe = said(child, wait_s=DISK_S)
        assert safe, "the writer never began"
        for number in range(10):
            file = stick / f"{number}.db"
            back_up(bench.url, file)
            assert rows_in(file) >= safe
            assert is_whole(file)
            now = said(child, wait_s=DISK_S)
            assert now > safe, "the writer was held up"
            safe = now
    assert names(stick) == {f"{number}.db" for number in range(10)}


def test_a_backup_is_read_like_the_store_itself_also_where_nothing_can_be_written(
    bench: Any, stick: Path
) -> None:
    rows = bench.keep_run(bench.opened(), seconds=50)
    assert back_up(bench.url, stick / "a.db") == 1
    stick.chmod(0o555)
    (stick / "a.db").chmod(0o444)
    assert list(TraceReader(url_of(stick / "a.db")).rows("run-1")) == rows
    assert names(stick) == {"a.db"}
    stick.chmod(0o755)


def test_a_backup_leaves_out_what_was_forgotten(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), seconds=4000)
    bench.close()
    with closing(sqlite3.connect(bench.path)) as store, store:
        store.execute("DELETE FROM moment WHERE id > 10")
    back_up(bench.url, stick / "a.db")
    assert (stick / "a.db").stat().st_size < bench.path.stat().st_size / 3
    assert rows_in(stick / "a.db") == 10


def test_a_backup_takes_the_place_of_another_only_when_told_to(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened())
    (stick / "a.db").write_text("mine")
    with pytest.raises(StoreUnwritable, match=r"there already.*--replace"):
        back_up(bench.url, stick / "a.db")
    assert (stick / "a.db").read_text() == "mine"
    back_up(bench.url, stick / "a.db", replace=True)
    assert is_whole(stick / "a.db")


def test_a_backup_over_the_store_itself_is_refused(bench: Any) -> None:
    bench.keep_run(bench.opened())
    with pytest.raises(StoreUnwritable, match="is the store itself"):
        back_up(bench.url, bench.path, replace=True)
    assert rows_in(bench.path) == 5


def test_a_killed_backup_leaves_no_half_file_and_the_next_one_clears_up(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), seconds=8000)
    killed_in_the_middle = 0
    for number in range(KILLS):
        file = stick / "a.db"
        with subprocess.Popen([sys.executable, "-c", ACT.format("back_up"), bench.url, file]) as child:
            deadline = time.monotonic() + 20.0
            # Later each time, from the first byte of the copy on.
            while child.poll() is None and size(file) <= number * 50_000:
                assert time.monotonic() < deadline
                time.sleep(0.0005)
            child.send_signal(signal.SIGKILL)
        killed_in_the_middle += (stick / "a.db.unfinished").exists()
        if file.exists():
            assert is_whole(file)
            assert rows_in(file) == 8000
            file.unlink()
    assert killed_in_the_middle >= KILLS // 3
    back_up(bench.url, stick / "a.db")
    assert names(stick) == {"a.db"}


def size(file: Path) -> int:
    try:
        return file.with_name(f"{file.name}.unfinished").stat().st_size
    except FileNotFoundError:
        return 0


def test_a_disk_that_is_full_is_said_and_nothing_is_left_there(bench: Any, small_disk: Path) -> None:
    bench.keep_run(bench.opened(), seconds=30_000)
    with pytest.raises(StoreUnwritable, match="full") as refusal:
        back_up(bench.url, small_disk / "a.db")
    assert "\n" not in str(refusal.value)
    assert names(small_disk) == set()


@pytest.mark.parametrize(
    ("where", "says"), [("nowhere/a.db", "No such file or directory"), ("", "is a folder")]
)
def test_a_backup_that_cannot_be_written_says_why(bench: Any, stick: Path, where: str, says: str) -> None:
    bench.keep_run(bench.opened())
    with pytest.raises(StoreUnwritable, match=says):
        back_up(bench.url, stick / where)


def test_a_damaged_store_gives_no_backup(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), seconds=2000)
    bench.close()
    content = bytearray(bench.path.read_bytes())
    for at in range(8192, len(content), 8192):
        content[at : at + 100] = b"\xa5" * 100
    bench.path.write_bytes(content)
    with pytest.raises(StoreUnreadable, match=r"malformed|damaged") as refusal:
        back_up(bench.url, stick / "a.db")
    assert "\n" not in str(refusal.value)
    assert names(stick) == set()


def test_a_copy_with_a_fault_in_an_index_is_refused(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), seconds=50)
    bench.close()
    back_up(bench.url, stick / "a.db")
    with closing(sqlite3.connect(stick / "a.db")) as store, store:
        store.execute("PRAGMA writable_schema = ON")
        store.execute(
            "UPDATE sqlite_master SET sql = replace(sql, '(boot_id, mono_s)', '(mono_s, boot_id)')"
            " WHERE name = 'moment_of_boot'"
        )
    with pytest.raises(StoreUnreadable, match="is damaged"):
        restore(bench.url, stick / "a.db")


def test_a_server_is_told_to_use_its_own_tools(stick: Path) -> None:
    for act in (back_up, restore):
        with pytest.raises(StoreUnwritable, match="pg_dump and pg_restore") as refusal:
            act("postgresql+psycopg://farm@127.0.0.1/runs", stick / "a.db")
        assert "\n" not in str(refusal.value)


def test_a_restore_brings_back_what_was_backed_up_and_keeps_what_was_there(
    bench: Any, stick: Path, tmp_path: Path
) -> None:
    rows = bench.keep_run(bench.opened(), "run-1", seconds=50)
    back_up(bench.url, stick / "a.db")
    before = (stick / "a.db").read_bytes()
    later = bench.keep_run(bench.shared_writer(), "run-2", seconds=20)
    bench.close()
    bench.path.chmod(0o640)
    restored = restore(bench.url, stick / "a.db")
    assert restored.runs == 1
    assert [run.run for run in TraceReader(bench.url).runs()] == ["run-1"]
    assert list(TraceReader(bench.url).rows("run-1")) == rows
    assert bench.path.stat().st_mode & 0o777 == 0o640
    assert restored.aside is not None
    assert list(TraceReader(url_of(restored.aside)).rows("run-2")) == later
    assert (stick / "a.db").read_bytes() == before
    assert names(tmp_path) == {"stick", "trace.db", "trace.db.writer", restored.aside.name}
    writer = bench.opened()
    bench.keep_run(writer, "run-3")
    assert len(TraceReader(bench.url).runs()) == 2


def test_two_restores_in_one_second_keep_both_stores(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened())
    back_up(bench.url, stick / "a.db")
    bench.close()
    asides = {restore(bench.url, stick / "a.db").aside for _ in range(3)}
    assert len(asides) == 3
    assert all(aside is not None and aside.exists() for aside in asides)


def test_a_restore_begins_a_store_where_there_is_none(bench: Any, stick: Path, tmp_path: Path) -> None:
    bench.keep_run(bench.opened())
    back_up(bench.url, stick / "a.db")
    other = tmp_path / "other.db"
    assert restore(url_of(other), stick / "a.db").aside is None
    assert rows_in(other) == 5


def test_a_restore_is_refused_while_a_monitor_writes_and_changes_nothing(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), "run-1")
    back_up(bench.url, stick / "a.db")
    bench.keep_run(bench.shared_writer(), "run-2")
    with pytest.raises(StoreInUse, match="running monitor: stop it first, nothing was changed"):
        restore(bench.url, stick / "a.db")
    assert bench.shared_writer().problem is None
    assert len(TraceReader(bench.url).runs()) == 2


def test_a_restore_waits_for_no_reader_for_ever(
    bench: Any, stick: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.keep_run(bench.opened(), "run-1")
    back_up(bench.url, stick / "a.db")
    bench.keep_run(bench.shared_writer(), "run-2")
    bench.close()
    monkeypatch.setattr(store_copy, "HOLD_WAIT_S", 0.2)
    with TraceReader(bench.url).held() as reading:
        assert len(reading.runs()) == 2
        with pytest.raises(StoreInUse, match="stop the page"):
            restore(bench.url, stick / "a.db")
        assert len(reading.runs()) == 2
    assert len(TraceReader(bench.url).runs()) == 2
    assert not list(bench.path.parent.glob("*.restoring*"))


def test_a_restore_takes_the_place_of_a_damaged_store_with_its_log(
    bench: Any, stick: Path, tmp_path: Path
) -> None:
    rows = bench.keep_run(bench.opened(), seconds=50)
    back_up(bench.url, stick / "a.db")
    bench.close()
    with writing(bench.url) as child:
        said(child, wait_s=20.0)
    bench.path.write_bytes(b"\xa5" * 40_000)
    log = (tmp_path / "trace.db-wal").read_bytes()
    assert log
    restored = restore(bench.url, stick / "a.db")
    assert list(TraceReader(bench.url).rows("run-1")) == rows
    assert restored.aside is not None
    assert restored.aside.read_bytes() == b"\xa5" * 40_000
    assert restored.aside.with_name(f"{restored.aside.name}-wal").read_bytes() == log
    assert is_whole(bench.path)


def spoil_bytes(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[20_000:80_000] = b"\xa5" * 60_000
    path.write_bytes(content)


def cut_short(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:20_000])


def make_newer(path: Path) -> None:
    with closing(sqlite3.connect(path)) as store, store:
        store.execute("UPDATE alembic_version SET version_num = '9999'")


def make_foreign(path: Path) -> None:
    path.unlink()
    with closing(sqlite3.connect(path)) as store, store:
        store.execute("CREATE TABLE recipe (name TEXT)")


def drop_runs(path: Path) -> None:
    with closing(sqlite3.connect(path)) as store, store:
        store.execute("DROP TABLE run_shown")
        store.execute("ALTER TABLE reading RENAME TO writing")


def empty(path: Path) -> None:
    path.write_bytes(b"")


def notes(path: Path) -> None:
    path.write_text("notes on the season\n")


def nothing(path: Path) -> None:
    path.unlink()


@pytest.mark.parametrize(
    ("spoil", "says"),
    [
        (spoil_bytes, "damaged"),
        (cut_short, "damaged"),
        (make_newer, "newer version"),
        (make_foreign, "another program"),
        (drop_runs, "table reading is missing"),
        (empty, "is no store"),
        (notes, "not a database"),
        (nothing, "does not exist"),
    ],
)
def test_a_file_that_is_no_whole_backup_is_refused_and_the_store_left_as_it_is(
    bench: Any, stick: Path, tmp_path: Path, spoil: Any, says: str
) -> None:
    bench.keep_run(bench.opened(), seconds=400)
    back_up(bench.url, stick / "a.db")
    bench.close()
    spoil(stick / "a.db")
    before, there = bench.path.read_bytes(), names(tmp_path)
    with pytest.raises(StoreUnreadable, match=says) as refusal:
        restore(bench.url, stick / "a.db")
    assert "\n" not in str(refusal.value)
    assert bench.path.read_bytes() == before
    assert names(tmp_path) == there


def test_a_backup_with_a_log_beside_it_is_restored_with_what_the_log_holds(
    bench: Any, stick: Path, tmp_path: Path
) -> None:
    with writing(bench.url) as child:
        safe = said(child, wait_s=20.0)
        child.send_signal(signal.SIGSTOP)
        for side in ("", "-wal"):
            shutil.copy(f"{bench.path}{side}", stick)
        child.send_signal(signal.SIGCONT)
    other = tmp_path / "other.db"
    restore(url_of(other), stick / "trace.db")
    assert rows_in(other) >= safe


def test_a_killed_restore_leaves_the_old_store_or_the_new_one_never_less(
    bench: Any, stick: Path, tmp_path: Path
) -> None:
    bench.keep_run(bench.opened(), "run-1", seconds=3000)
    back_up(bench.url, stick / "a.db")
    bench.keep_run(bench.shared_writer(), "run-2", seconds=10)
    bench.close()
    shutil.copy(bench.path, tmp_path / "first.db")
    outcomes = []
    for number in range(KILLS):
        shutil.copy(tmp_path / "first.db", bench.path)
        with subprocess.Popen(
            [sys.executable, "-c", ACT.format("restore"), bench.url, stick / "a.db"]
        ) as child:
            deadline = time.monotonic() + 20.0
            while child.poll() is None and not list(tmp_path.glob("trace.db.restoring*")):
                assert time.monotonic() < deadline
                time.sleep(0.0005)
            time.sleep(number * 0.01)
            child.send_signal(signal.SIGKILL)
        writer = bench.writer()
        assert writer.open() is None
        writer.close()
        outcomes.append({run.run for run in TraceReader(bench.url).runs()})
        assert outcomes[-1] in ({"run-1", "run-2"}, {"run-1"})
        assert is_whole(bench.path)
    assert {"run-1", "run-2"} in outcomes
    restored = restore(bench.url, stick / "a.db")
    assert restored.aside is not None
    assert not list(tmp_path.glob("trace.db.restoring*"))


def test_a_restore_waits_until_a_page_has_read_what_it_reads(bench: Any, stick: Path) -> None:
    bench.keep_run(bench.opened(), "run-1")
    back_up(bench.url, stick / "a.db")
    bench.keep_run(bench.shared_writer(), "run-2")
    bench.close()
    restoring = bench.path.with_name("trace.db.restoring")
    child = subprocess.Popen([sys.executable, "-c", ACT.format("restore"), bench.url, stick / "a.db"])
    with TraceReader(bench.url).held() as reading:
        assert len(reading.runs()) == 2
        deadline = time.monotonic() + 20.0
        while not restoring.exists():
            assert time.monotonic() < deadline
            time.sleep(0.001)
        assert child.poll() is None
        assert len(reading.runs()) == 2
    assert child.wait(timeout=20.0) == 0
    assert [run.run for run in TraceReader(bench.url).runs()] == ["run-1"]
