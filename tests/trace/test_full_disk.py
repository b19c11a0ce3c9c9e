from __future__ import annotations

import errno
import logging
import resource
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.readings import Point
from monitor.run.effects import RowDue
from monitor.trace import store
from monitor.trace.complaint import TEXT_LIMIT
from monitor.trace.store import TraceReader, TraceWriter

SHOWN_WITHIN_S = 5.0


@contextmanager
def file_size_limit(size_bytes: int) -> Iterator[None]:
    """Make every write beyond ``size_bytes`` of a file fail, as a failing disk would."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def fill(disk: Path) -> Path:
    """Write a file until the disk takes no more."""
    filler = disk / "filler"
    try:
        with filler.open("wb", buffering=0) as file:
            while file.write(b"x" * 4096):
                pass
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
    return filler


def keep_until_problem(bench: Any, writer: TraceWriter) -> int:
    """Keep rows until the writer says that it cannot write; return how many there were."""
    count = 0
    while writer.problem is None:
        assert count < 20_000
        for _ in range(100):
            writer.keep_effect(RowDue(bench.row(mono_s=float(count))))
            count += 1
        writer.flush()
    return count


def test_a_full_disk_is_said_at_once_and_nothing_is_lost_when_there_is_room_again(
    bench: Any, small_disk: Path, wait_until: Any
) -> None:
    said: list[tuple[float, str | None]] = []
    url = f"sqlite:///{small_disk}/trace.db"
    writer = bench.opened(url, problem_changed=lambda problem: said.append((time.monotonic(), problem)))
    filler = fill(small_disk)
    began_s = time.monotonic()
    for second in range(2000):
        writer.keep_effect(RowDue(bench.row(mono_s=float(second))))
    wait_until(lambda: bool(said), within_s=SHOWN_WITHIN_S)
    assert said[0][0] - began_s <= SHOWN_WITHIN_S
    assert "is full: free some space" in (writer.problem or "")
    for second in range(2000, 2500):
        writer.keep_effect(RowDue(bench.row(mono_s=float(second))))
    writer.flush()
    assert writer.problem is not None
    filler.unlink()
    wait_until(lambda: writer.problem is None)
    writer.flush()
    bench.path = small_disk / "trace.db"
    assert bench.ask("SELECT count(*), count(DISTINCT mono_s) FROM moment") == [(2500, 2500)]
    assert bench.is_whole()
    assert writer.lost == 0
    writer.close()
    assert [problem is None for _, problem in said] == [False, True]


def test_a_disk_that_is_full_from_the_start_is_refused_in_one_line(bench: Any, small_disk: Path) -> None:
    fill(small_disk)
    with pytest.raises(store.StoreUnwritable, match="is full") as refusal:
        bench.writer(f"sqlite:///{small_disk}/trace.db").open()
    assert "\n" not in str(refusal.value)


def test_a_failing_disk_keeps_the_rows_in_memory_and_tries_again(bench: Any, wait_until: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer)
    with file_size_limit(200_000):
        count = keep_until_problem(bench, writer)
        assert "check the card" in (writer.problem or "")
        assert len(writer.problem or "") <= TEXT_LIMIT
        writer.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=0.0)
        readable = len(list(TraceReader(bench.url).rows("run-1")))
    wait_until(lambda: writer.problem is None)
    writer.flush()
    assert readable == 5
    assert bench.count("moment") == count + 5
    assert bench.count("reading") == 1
    assert writer.lost == 0
    assert bench.is_whole()


def test_events_do_not_hurry_a_disk_that_takes_nothing(
    bench: Any, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.DEBUG, logger="monitor.trace.store")
    writer = bench.opened()
    with file_size_limit(4096):  # not even one page of the log
        keep_until_problem(bench, writer)
        monkeypatch.setattr(store, "COMMIT_INTERVAL_S", 3600.0)
        writer.flush()
        tries = caplog.text.count("the write failed")
        for number in range(50):
            writer.keep_effect(bench.run_opened(f"run-{number}"))
        writer.flush()
        assert caplog.text.count("the write failed") == tries + 1
    writer.flush()
    assert writer.problem is None
    assert bench.count("run") == 50


def test_the_problem_of_a_long_path_still_fits_the_status(bench: Any, tmp_path: Path) -> None:
    deep = tmp_path / ("d" * 100) / ("e" * 100)
    deep.mkdir(parents=True)
    url = f"sqlite:///{deep}/trace.db"
    writer = bench.opened(url)
    with file_size_limit(200_000):
        keep_until_problem(bench, writer)
        assert 0 < len(writer.problem or "") <= TEXT_LIMIT
    writer.flush()
