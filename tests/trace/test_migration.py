"""A change of the tables that fails, is killed, or succeeds: the store is never in between."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.errors import StoreUnreadable, StoreUnwritable
from monitor.trace import migration, schema
from monitor.trace.backup import back_up, restore
from monitor.trace.store import TraceReader, TraceWriter

ROOM = Path(__file__).parents[2]
NEXT = """
import time
import sqlalchemy as sa
from alembic import op

revision = "9001"
down_revision = "{before}"
branch_labels = None
depends_on = None


def upgrade():
    op.add_column("run", sa.Column("weather", sa.Text()))
    op.execute("UPDATE run SET opened_by = 'nobody'")
{rest}
"""
OPEN = """
import sys
from pathlib import Path
from monitor.trace import migration, schema
migration.FOLDERS.append(Path(sys.argv[1]))
schema.REVISION = "9001"
sys.argv = ["niterwatch", *sys.argv[2:]]
from monitor.cli import main
main()
"""
"""The command line of a version that has one more revision."""


@pytest.fixture
def next_version(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str], Path]:
    """Give what makes this a version with one more revision, which ends with the given lines."""
    before = schema.REVISION

    def make(rest: str) -> Path:
        folder = tmp_path / "revisions"
        folder.mkdir(exist_ok=True)
        lines = "\n".join(f"    {line}" for line in rest.splitlines())
        (folder / "v9001_weather.py").write_text(NEXT.format(before=before, rest=lines))
        monkeypatch.setattr(migration, "FOLDERS", [*migration.FOLDERS[:1], folder])
        monkeypatch.setattr(schema, "REVISION", "9001")
        return folder

    return make


def content(path: Path) -> list[str]:
    """Return every word of the file, as SQLite's own dump gives it."""
    with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as store:
        return list(store.iterdump())


def copies(path: Path) -> list[Path]:
    return sorted(path.parent.glob(f"{path.name}.before-*"))


@pytest.fixture
def old(bench: Any) -> list[str]:
    """Keep a run with the version of today; return all that the file holds."""
    bench.keep_run(bench.opened(), seconds=200)
    bench.close()
    return content(bench.path)


FAILURES = {
    "it raises": ("raise ValueError('no weather here\\nnor there')", "no weather here"),
    "the database refuses": ("op.execute('DELETE FROM nowhere')", "no such table: nowhere"),
    "it ends the program": ("raise SystemExit(3)", None),
    "it commits before its end": (
        "do = op.get_bind().exec_driver_sql\ndo('DELETE FROM reading')\ndo('COMMIT')\nraise OSError('late')",
        "late",
    ),
}


@pytest.mark.parametrize("failure", FAILURES)
def test_a_change_that_fails_leaves_the_store_as_it_was(
    bench: Any, old: list[str], next_version: Callable[[str], Path], failure: str
) -> None:
    rest, says = FAILURES[failure]
    next_version(rest)
    with pytest.raises(SystemExit if says is None else StoreUnwritable) as refusal:
        bench.writer().open()
    if says is not None:
        assert "cannot be brought up to this version, it is as it was: " in str(refusal.value)
        assert says in str(refusal.value)
        assert "\n" not in str(refusal.value)
    assert content(bench.path) == old
    assert bench.is_whole()
    assert not list(bench.path.parent.glob("*.undoing*"))


def test_the_version_of_before_goes_on_after_a_change_that_failed(
    bench: Any, old: list[str], next_version: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    next_version("raise ValueError")
    with pytest.raises(StoreUnwritable):
        bench.writer().open()
    monkeypatch.undo()
    bench.keep_run(bench.opened(), "run-2")
    assert len(TraceReader(bench.url).runs()) == 2


def test_a_change_that_succeeds_keeps_one_copy_that_the_version_of_before_reads(
    bench: Any, old: list[str], next_version: Callable[[str], Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.path.with_name("trace.db.before-0001").write_text("an older one")
    next_version("pass")
    bench.opened()
    assert bench.ask("SELECT name, weather, opened_by FROM run") == [("run-1", None, "nobody")]
    (copy,) = copies(bench.path)
    assert copy.name == f"trace.db.before-{migration.stored_revision(copy)}"
    assert content(copy) == old
    bench.close()
    monkeypatch.undo()
    restore(bench.url, copy)
    bench.opened()
    assert content(bench.path) == old


def test_a_start_without_a_change_makes_no_copy(bench: Any, old: list[str]) -> None:
    bench.opened()
    assert copies(bench.path) == []


def test_a_new_store_makes_no_copy(bench: Any) -> None:
    bench.opened()
    assert copies(bench.path) == []


def test_stores_that_are_made_at_the_same_time_are_all_whole(tmp_path: Path) -> None:
    """Alembic keeps the change under way in a module of its own."""
    files = [tmp_path / f"{number}.db" for number in range(8)]
    begin = threading.Barrier(len(files))

    def make(file: Path) -> None:
        begin.wait(10.0)
        writer = TraceWriter(f"sqlite:///{file}", software="1")
        writer.open()
        writer.close()

    with ThreadPoolExecutor(len(files)) as threads:
        list(threads.map(make, files))
    first, *others = (content(file) for file in files)
    assert any("CREATE TABLE" in line for line in first)
    assert all(other == first for other in others)


def test_a_store_that_cannot_be_copied_first_is_not_changed(
    bench: Any, small_disk: Path, next_version: Callable[[str], Path]
) -> None:
    bench.path = small_disk / "trace.db"
    bench.url = f"sqlite:///{bench.path}"
    bench.keep_run(bench.opened(), seconds=7000)
    bench.close()
    before = content(bench.path)
    next_version("pass")
    with pytest.raises(StoreUnwritable, match=r"cannot be copied before it is changed: .*full") as refusal:
        bench.writer().open()
    assert "\n" not in str(refusal.value)
    assert content(bench.path) == before
    assert copies(bench.path) == []


def test_a_backup_of_an_older_version_is_restored_and_brought_up(
    bench: Any, old: list[str], next_version: Callable[[str], Path], tmp_path: Path
) -> None:
    back_up(bench.url, tmp_path / "a.db")
    next_version("pass")
    assert restore(bench.url, tmp_path / "a.db").runs == 1
    assert bench.ask("SELECT opened_by FROM run") == [("nobody",)]


def test_a_backup_whose_change_fails_is_not_put_in_place(
    bench: Any, old: list[str], next_version: Callable[[str], Path], tmp_path: Path
) -> None:
    back_up(bench.url, tmp_path / "a.db")
    next_version("raise ValueError('no weather here')")
    with pytest.raises(StoreUnwritable, match="no weather here"):
        restore(bench.url, tmp_path / "a.db")
    assert content(bench.path) == old
    assert not list(tmp_path.glob("*.restoring*"))


def monitor(folder: Path, bench: Any) -> list[str]:
    settings = ["--set", f"store.url={bench.url}", "--set", "broker.port=1"]
    return [sys.executable, "-c", OPEN, str(folder), "monitor", *settings]


def test_the_monitor_says_a_failed_change_in_one_line_and_ends(
    bench: Any, old: list[str], next_version: Callable[[str], Path]
) -> None:
    folder = next_version("raise ValueError('no weather here')")
    done = subprocess.run(
        monitor(folder, bench),
        capture_output=True,
        text=True,
        check=False,
        timeout=30.0,
        env=os.environ | {"PYTHONPATH": str(ROOM)},
    )
    assert done.returncode == 1
    (said,) = [line for line in done.stderr.splitlines() if "weather" in line]
    assert said.startswith("niterwatch: ")
    assert said.endswith("/trace.db cannot be brought up to this version, it is as it was: no weather here")
    assert "Traceback" not in done.stderr
    assert content(bench.path) == old


def test_a_monitor_killed_in_the_middle_of_a_change_starts_again_and_finishes_it(
    bench: Any, old: list[str], next_version: Callable[[str], Path], tmp_path: Path
) -> None:
    mark = tmp_path / "in-the-middle"
    folder = next_version(
        "\n".join(["op.execute('DELETE FROM moment')", f"open({str(mark)!r}, 'w').close()", "time.sleep(60)"])
    )
    with subprocess.Popen(
        monitor(folder, bench), stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONPATH": str(ROOM)}
    ) as child:
        deadline = time.monotonic() + 20.0
        while not mark.exists():
            assert time.monotonic() < deadline
            assert child.poll() is None
            time.sleep(0.01)
        child.send_signal(signal.SIGKILL)
    assert content(bench.path) == old
    next_version("pass")
    bench.opened()
    assert bench.ask("SELECT opened_by FROM run") == [("nobody",)]
    assert bench.count("moment") == 200
    (copy,) = copies(bench.path)
    assert content(copy) == old


def test_a_store_of_a_newer_version_is_refused_before_anything_is_copied(bench: Any, old: list[str]) -> None:
    with closing(sqlite3.connect(bench.path)) as store, store:
        store.execute("UPDATE alembic_version SET version_num = '9999'")
        store.execute("ALTER TABLE run ADD COLUMN taste TEXT")
    with pytest.raises(StoreUnreadable, match="newer version"):
        bench.writer().open()
    assert copies(bench.path) == []


@pytest.mark.parametrize("page_bytes", [1024, 4096])
def test_a_store_of_large_pages_gets_small_ones_and_keeps_every_word(
    bench: Any, old: list[str], page_bytes: int
) -> None:
    enlarge(bench.path, page_bytes)
    bench.path.chmod(0o640)
    bench.opened()
    assert bench.ask("PRAGMA page_size") == [(512,)]
    assert content(bench.path) == old
    assert bench.path.stat().st_mode & 0o777 == 0o640
    assert not list(bench.path.parent.glob("*.repacking*"))


def test_a_store_that_is_being_read_keeps_its_pages_and_is_written_to(bench: Any, old: list[str]) -> None:
    enlarge(bench.path, 4096)
    with closing(sqlite3.connect(bench.path)) as store:
        store.execute("PRAGMA journal_mode = WAL")
        store.execute("BEGIN")
        store.execute("SELECT count(*) FROM run").fetchone()
        writer = bench.opened()
        bench.keep_run(writer, "run-2")
        assert bench.count("run") == 2
    assert bench.ask("PRAGMA page_size") == [(4096,)]


def enlarge(path: Path, page_bytes: int) -> None:
    with closing(sqlite3.connect(path, isolation_level=None)) as store:
        store.execute("PRAGMA journal_mode = DELETE")
        store.execute(f"PRAGMA page_size = {page_bytes}")
        store.execute("VACUUM")


def test_a_change_that_fails_again_and_again_copies_the_store_only_while_it_changes(
    bench: Any, old: list[str], next_version: Callable[[str], Path]
) -> None:
    next_version("raise ValueError")
    inodes = []
    for _ in range(5):
        with pytest.raises(StoreUnwritable):
            bench.writer().open()
        (copy,) = copies(bench.path)
        inodes.append(copy.stat().st_ino)
    assert len(set(inodes[1:])) == 1
    with closing(sqlite3.connect(bench.path)) as store, store:
        store.execute("DELETE FROM moment WHERE id > 100")
    with pytest.raises(StoreUnwritable):
        bench.writer().open()
    assert content(copies(bench.path)[0]) == content(bench.path) != old
