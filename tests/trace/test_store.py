from __future__ import annotations

import dataclasses
import threading
from datetime import timedelta
from typing import Any

import pytest

from monitor.contract.events import Mark, PhaseMove
from monitor.contract.names import Phase, PumpKind
from monitor.contract.readings import ClockState, Point, Quality, Reason
from monitor.rules.thresholds import Press, Pump
from monitor.run.effects import Happened, RowDue
from monitor.trace import backlog, store
from monitor.trace.store import TraceReader

ON_BOTH_DATABASES = True


def phase_move(seq: int = 1, *, run: str | None = "run-1") -> PhaseMove:
    return PhaseMove(
        press="main",
        run=run,
        seq=seq,
        boot="boot-a",
        mono_ms=1_000_000,
        clock=ClockState.UNSET,
        before=Phase.IDLE,
        state=Phase.RECIRCULATING,
        cause="pressure",
    )


def test_a_reading_comes_back_as_it_was_kept(bench: Any) -> None:
    writer = bench.opened()
    full = bench.reading(
        value=310.25, unit="kPa", low=300.0, high=322.5, strokes=2,
        strokes_per_min=71.5, stroke_regularity=0.9, stroke_confidence=0.8,
    )  # fmt: skip
    bad = bench.reading(2, value=None, tolerance=None, quality=Quality.BAD, reason=Reason.CRC, time=None)
    writer.keep_reading(Point.LINE, full, arrived_mono_s=1001.5)
    writer.keep_reading(Point.OUTLET, bad, arrived_mono_s=1002.5)
    writer.flush()
    assert list(TraceReader(bench.url).readings_since(boot="boot-a", mono_s=0.0)) == [
        (Point.LINE, full, 1001.5),
        (Point.OUTLET, bad, 1002.5),
    ]


def test_readings_since_gives_those_of_the_boot_from_the_moment_on(bench: Any) -> None:
    writer = bench.opened()
    for seq in range(1, 6):
        writer.keep_reading(Point.OUTLET, bench.reading(seq), arrived_mono_s=0.0)
        writer.keep_reading(Point.OUTLET, bench.reading(seq, boot="boot-b"), arrived_mono_s=0.0)
    writer.flush()
    found = list(TraceReader(bench.url).readings_since(boot="boot-a", mono_s=1004.0))
    assert [reading.seq for _, reading, _ in found] == [4, 5]
    assert {reading.boot for _, reading, _ in found} == {"boot-a"}
    assert list(TraceReader(bench.url).readings_since(boot="never", mono_s=0.0)) == []


def test_a_reading_that_is_delivered_again_is_stored_once(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=1001.5)
    writer.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=1001.6)
    writer.flush()
    writer.close()
    again = bench.opened()
    again.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=1009.0)
    again.flush()
    assert bench.ask("SELECT seq, arrived_mono_s FROM reading") == [(1, 1001.5)]


def test_a_sequence_that_starts_anew_is_no_repetition(bench: Any) -> None:
    writer = bench.opened()
    for mono_ms in (5000, 9000):
        writer.keep_reading(Point.OUTLET, bench.reading(0, mono_ms=mono_ms), arrived_mono_s=9.5)
    writer.keep_reading(Point.PAN, bench.reading(0, mono_ms=5000), arrived_mono_s=9.5)
    writer.flush()
    assert bench.count("reading") == 3


def test_an_event_is_on_the_disk_at_once(
    bench: Any, monkeypatch: pytest.MonkeyPatch, wait_until: Any
) -> None:
    monkeypatch.setattr(store, "COMMIT_INTERVAL_S", 3600.0)
    writer = bench.opened()
    writer.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=1001.5)
    writer.keep_effect(Happened(phase_move()))
    wait_until(lambda: bench.count("event") == 1)
    assert bench.count("reading") == 1


def test_a_reading_is_on_the_disk_soon_without_being_asked_for(bench: Any, wait_until: Any) -> None:
    writer = bench.opened()
    writer.keep_reading(Point.OUTLET, bench.reading(), arrived_mono_s=1001.5)
    wait_until(lambda: bench.count("reading") == 1)


def test_what_was_kept_before_the_store_opened_is_kept(bench: Any) -> None:
    writer = bench.writer()
    bench_rows = [bench.row(mono_s=float(second)) for second in range(3)]
    for row in bench_rows:
        writer.keep_effect(RowDue(row))
    writer.open()
    writer.flush()
    assert bench.count("moment") == 3


def test_close_writes_what_is_left_and_may_be_called_twice(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(RowDue(bench.row()))
    writer.close()
    writer.close()
    assert bench.count("moment") == 1


def test_rows_of_a_run_come_back_in_order_and_equal(bench: Any) -> None:
    rows = bench.keep_run(bench.opened(), seconds=7)
    assert list(TraceReader(bench.url).rows("run-1")) == rows


def test_rows_before_a_back_dated_start_belong_to_the_run(bench: Any) -> None:
    writer = bench.opened()
    for mono_s in (997.0, 998.0, 999.0, 1000.0):
        writer.keep_effect(RowDue(bench.row(mono_s=mono_s)))
    writer.keep_effect(bench.run_opened(started_mono_s=998.5))
    writer.keep_effect(RowDue(bench.row(mono_s=1001.0, elapsed_s=2.5)))
    writer.keep_effect(bench.run_closed())
    writer.keep_effect(RowDue(bench.row(mono_s=1002.0)))
    writer.flush()
    rows = list(TraceReader(bench.url).rows("run-1"))
    assert [(row.mono_s, row.elapsed_s) for row in rows] == [(999.0, 0.5), (1000.0, 1.5), (1001.0, 2.5)]


def test_a_run_goes_on_in_another_boot_after_a_restart(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(bench.run_opened())
    writer.keep_effect(RowDue(bench.row(mono_s=1003.0, elapsed_s=3.0)))
    writer.close()
    again = bench.opened()
    again.keep_effect(RowDue(bench.row(boot="boot-b", mono_s=20.0, elapsed_s=63.0)))
    again.keep_effect(bench.run_closed(boot="boot-b", ended_mono_s=21.0, elapsed_s=64.0))
    again.flush()
    rows = list(TraceReader(bench.url).rows("run-1"))
    assert [(row.boot, row.elapsed_s) for row in rows] == [("boot-a", 3.0), ("boot-b", 63.0)]
    assert bench.ask("SELECT name, zero_mono_s FROM run_base JOIN boot ON boot.id = boot_id ORDER BY 1") == [
        ("boot-a", 1000.0),
        ("boot-b", -43.0),
    ]


def test_rows_after_a_run_that_lost_its_monitor_are_not_its_own(bench: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer, seconds=3)
    writer.close()
    again = bench.opened()
    again.keep_effect(RowDue(bench.row(mono_s=1500.0)))
    again.flush()
    assert len(list(TraceReader(bench.url).rows("run-1"))) == 3
    record = TraceReader(bench.url).run("run-1")
    assert (record.ended, record.elapsed_s, record.closed_by) == (None, None, None)


def test_runs_are_listed_newest_first_with_their_facts(bench: Any) -> None:
    writer = bench.opened()
    for number in (1, 2, 3):
        writer.keep_effect(bench.run_opened(f"run-{number}"))
        writer.keep_effect(bench.run_closed(f"run-{number}"))
    writer.flush()
    runs = TraceReader(bench.url).runs()
    assert [record.run for record in runs] == ["run-3", "run-2", "run-1"]
    assert [record.run for record in TraceReader(bench.url).runs(limit=1)] == ["run-3"]
    newest = runs[0]
    assert (newest.press, newest.software, newest.invented) == ("main", "0.1.0", True)
    assert newest.thresholds == {"ready_c": 82.25, "cutoff_kpa": 551.5}
    assert (newest.elapsed_s, newest.volume_l) == (60.0, 12.5)
    assert (newest.opened_by, newest.closed_by) == ("pressure", "Ada")
    assert newest.started is not None
    assert newest.ended == newest.started + timedelta(seconds=60)


def test_a_run_that_is_closed_or_opened_twice_keeps_its_first_word(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(bench.run_opened())
    writer.keep_effect(bench.run_opened(by="Bo"))
    writer.keep_effect(bench.run_closed())
    writer.keep_effect(bench.run_closed(by="Bo"))
    writer.flush()
    record = TraceReader(bench.url).run("run-1")
    assert (record.opened_by, record.closed_by) == ("pressure", "Ada")


def test_events_come_back_also_those_added_after_the_end(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(bench.run_opened())
    move = phase_move()
    writer.keep_effect(Happened(move))
    writer.keep_effect(bench.run_closed())
    cake = Mark(
        press="main", run="run-1", seq=9, boot="boot-b", mono_ms=5, clock=ClockState.PHONE,
        name="cake", who="Ada", fill=0.8, text="=firm, dry",
    )  # fmt: skip
    writer.keep_effect(Happened(cake))
    writer.keep_effect(Happened(phase_move(run=None)))
    writer.flush()
    assert TraceReader(bench.url).events("run-1") == [move, cake]


def test_the_facts_of_a_run_may_be_the_rules_own_dataclasses(bench: Any) -> None:
    press = Press(
        name="little", frames=3, frame_side_m=0.16, frame_thickness_m=0.02,
        paper_area_m2=0.15, full_volume_l=None,
    )  # fmt: skip
    pump = Pump(kind=PumpKind.GEAR, displacement_l=None)
    writer = bench.opened(press="little", facts={"press": press, "pump": pump})
    bench.keep_run(writer)
    record = TraceReader(bench.url).run("run-1")
    assert record.press == "little"
    assert record.facts["pump"] == {"kind": "gear", "displacement_l": None, "at_cutoff": "stop"}
    assert dataclasses.asdict(press) == record.facts["press"]


def test_only_the_newest_snapshot_of_a_press_is_kept(bench: Any) -> None:
    writer = bench.opened()
    for state in (b"one", b"two", b"\x00three"):
        writer.keep_snapshot(state)
        writer.flush()
    assert TraceReader(bench.url).snapshot("main") == b"\x00three"
    assert TraceReader(bench.url).snapshot("other") is None
    assert bench.count("snapshot") == 1


def test_a_clock_that_is_set_later_adds_one_offset_and_rewrites_nothing(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(bench.run_opened(started=None, clock=ClockState.UNSET))
    unset = {"time": None, "clock": ClockState.UNSET}
    for second in range(4):
        later = {} if second >= 2 else unset
        writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, elapsed_s=float(second), **later)))
        writer.flush()
    (offset,) = TraceReader(bench.url).clock_offsets("run-1")
    assert (offset.boot, offset.mono_s, offset.clock) == ("boot-a", 1002.0, ClockState.SYNCHRONISED)
    clocks = [row.clock.value for row in TraceReader(bench.url).rows("run-1")]
    assert clocks == ["unset", "unset", "synchronised", "synchronised"]


def test_a_number_that_is_none_is_kept_as_unknown(bench: Any) -> None:
    writer = bench.opened()
    writer.keep_effect(RowDue(bench.row(volume_l=float("nan"), line_kpa=float("inf"))))
    writer.flush()
    assert bench.ask("SELECT volume_l, line_kpa, filler_c FROM moment") == [(None, None, 82.0)]


def test_an_entry_that_fits_no_table_is_lost_alone(bench: Any) -> None:
    writer = bench.opened()
    for seq in (1, 2**70, 3):  # beyond what a 64-bit column holds; the wire refuses it already
        reading = bench.reading(1, mono_ms=5, time=None).model_copy(update={"seq": seq})
        writer.keep_reading(Point.OUTLET, reading, arrived_mono_s=1001.5)
    writer.keep_effect(RowDue(bench.row()))
    writer.flush()
    assert bench.ask("SELECT seq FROM reading ORDER BY id") == [(1,), (3,)]
    assert (bench.count("moment"), writer.lost, writer.problem) == (1, 1, None)


def test_a_full_queue_drops_the_oldest_readings_and_counts_them(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    writer = bench.writer()
    for seq in range(backlog.READING_LIMIT + 5):
        writer.keep_reading(Point.OUTLET, bench.reading(seq), arrived_mono_s=0.0)
    writer.open()
    writer.flush()
    assert bench.ask("SELECT count(*), min(seq) FROM reading") == [(backlog.READING_LIMIT, 5)]
    assert writer.lost == 5


def test_nobody_waits_for_a_writer_that_is_gone(bench: Any) -> None:
    """One who asks while it closes is let go when it has, not after the longest wait of all."""
    for _ in range(30):
        writer = bench.opened()
        asking = [threading.Thread(target=writer.flush) for _ in range(8)]
        closing = threading.Thread(target=writer.close)
        for thread in (*asking[:4], closing, *asking[4:]):
            thread.start()
        for thread in (*asking, closing):
            thread.join(5.0)
            assert not thread.is_alive()
