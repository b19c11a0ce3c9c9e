"""Many presses in one store: told apart, each with its own run, and none at another's cost."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from monitor.contract.commands import MarkKind
from monitor.contract.errors import RunNotFound
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState, Point
from monitor.run.effects import Happened, RowDue
from monitor.runtime.settings import load
from monitor.trace import backlog
from monitor.trace.season import Season
from monitor.trace.store import PressWriter, TraceReader, TraceWriter
from tests.trace.conftest import FACTS

NORTH = {"press": {"name": "north", "frames": 7}, "invented": False}

ON_BOTH_DATABASES = True


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


def test_a_season_is_of_one_press_or_of_every_one(bench: Any, presses: Any) -> None:
    for press, entry in zip(presses, ("a" * 8, "b" * 8), strict=True):
        name = press.name
        press.keep_effect(bench.run_opened(f"{name}-1"))
        press.keep_effect(RowDue(bench.row(mono_s=1001.0, elapsed_s=1.0)))
        press.keep_effect(bench.run_closed(f"{name}-1"))
        total = {"name": MarkKind.TOTAL_VOLUME, "run": f"{name}-1", "volume_l": float(len(name))}
        press.keep_effect(mark(name, entry, **total))
    presses[0].flush()
    found = {}
    for every in (False, True):
        settings = load(overrides=["press.name=north"])
        season = Season(
            TraceReader(bench.url), rules=settings.rules(), owner=settings.plan_rules(), every_press=every
        )
        found[every] = {run.entry.run: run.entry.volume_l for run in season.runs()}
    assert found == {False: {"north-1": 5.0}, True: {"main-1": 4.0, "north-1": 5.0}}
