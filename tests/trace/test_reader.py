from __future__ import annotations

import threading
from typing import Any

import pytest

from monitor.contract.errors import RunNotFound, StoreUnreadable
from monitor.run.effects import RowDue
from monitor.trace.store import TraceReader

ON_BOTH_DATABASES = True


def test_a_run_that_is_not_stored_is_said(bench: Any) -> None:
    bench.opened()
    reader = TraceReader(bench.url)
    with pytest.raises(RunNotFound, match="run-9"):
        reader.run("run-9")
    with pytest.raises(RunNotFound, match="run-9"):
        list(reader.rows("run-9"))
    assert reader.events("run-9") == []
    assert reader.runs() == []


def test_a_reader_in_the_middle_of_a_run_does_not_hold_up_the_writer(bench: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer, seconds=50)
    reading = TraceReader(bench.url).rows("run-1")
    assert next(reading).elapsed_s == 0.0
    for second in range(50, 100):
        writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, elapsed_s=float(second))))
    writer.flush()
    assert writer.problem is None
    assert bench.count("moment") == 100
    assert len(list(reading)) == 49


def test_a_held_reader_sees_one_state_however_long_it_reads(bench: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer)
    with TraceReader(bench.url).held() as still:
        assert still.run("run-1").closed_by is None
        writer.keep_effect(RowDue(bench.row(mono_s=1005.0, elapsed_s=5.0)))
        writer.keep_effect(bench.run_closed())
        writer.flush()
        assert still.run("run-1").closed_by is None
        assert len(list(still.rows("run-1"))) == 5
    assert TraceReader(bench.url).run("run-1").closed_by == "Ada"
    assert len(list(TraceReader(bench.url).rows("run-1"))) == 6


def test_an_error_inside_a_held_read_is_not_mistaken_for_damage(bench: Any) -> None:
    bench.keep_run(bench.opened())
    with pytest.raises(ValueError, match="of the caller"), TraceReader(bench.url).held():
        raise ValueError("of the caller")


def test_three_readers_in_threads_read_the_same_rows_while_the_run_goes_on(bench: Any) -> None:
    writer = bench.opened()
    rows = bench.keep_run(writer, seconds=300)
    reader = TraceReader(bench.url)
    seen: list[Any] = []

    def read() -> None:
        seen.append(list(reader.rows("run-1"))[:300])

    threads = [threading.Thread(target=read) for _ in range(3)]
    for thread in threads:
        thread.start()
    for second in range(300, 340):
        writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, elapsed_s=float(second))))
        writer.flush()
    for thread in threads:
        thread.join()
    assert seen == [rows, rows, rows]


def test_a_word_outside_the_contract_is_reported_as_damage(bench: Any) -> None:
    bench.keep_run(bench.opened())
    bench.execute("UPDATE moment SET phase = 'bottlinh' WHERE id = 3")
    with pytest.raises(StoreUnreadable, match="cannot be read"):
        list(TraceReader(bench.url).rows("run-1"))
