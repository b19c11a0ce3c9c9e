from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.errors import RunNotFound, StoreUnreadable
from monitor.contract.events import FlagChange
from monitor.contract.names import Flag
from monitor.contract.readings import ClockState
from monitor.run.effects import Happened, RowDue
from monitor.trace.export import export_package
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


def flag_change(number: int) -> FlagChange:
    return FlagChange(
        press="main", seq=number, run="run-1", boot="boot-a", mono_ms=1_000_000 + number,
        elapsed_s=float(number), clock=ClockState.UNSET, name=Flag.STILL_RECIRCULATING, state="raised",
    )  # fmt: skip


def test_what_a_flipped_bit_made_unreadable_is_left_out_and_counted(bench: Any, tmp_path: Path) -> None:
    writer = bench.opened()
    rows = bench.keep_run(writer)
    for number in range(2):
        writer.keep_effect(Happened(flag_change(number)))
    writer.flush()
    reader = TraceReader(bench.url)
    events = reader.events("run-1")
    assert (list(reader.rows("run-1")), reader.damaged("run-1")) == (rows, 0)
    bench.execute("UPDATE moment SET phase = 'bottlinh' WHERE id = 3")
    bench.execute("UPDATE event SET body = replace(body, 'kind', 'kinc') WHERE id = 1")
    assert list(reader.rows("run-1")) == [row for number, row in enumerate(rows, 1) if number != 3]
    assert reader.damaged("run-1") == 1
    assert reader.events("run-1") == events[1:]
    assert reader.damaged("run-1") == 2
    folder = export_package(reader, "run-1", units="us", to=tmp_path / "out")
    assert json.loads((folder / "run.json").read_text())["left_out_damaged"] == 2


def test_a_run_whose_own_words_are_damaged_is_reported_so(bench: Any) -> None:
    bench.keep_run(bench.opened())
    bench.execute("UPDATE run SET clock = 'savee'")
    with pytest.raises(StoreUnreadable, match="cannot be read"):
        TraceReader(bench.url).run("run-1")
