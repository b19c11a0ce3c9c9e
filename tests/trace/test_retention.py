from __future__ import annotations

import itertools
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from monitor.contract.entries import LotArgs
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState, Point
from monitor.run.effects import Happened, RowDue
from monitor.run.press_record import RunEntry
from monitor.runtime.settings import load
from monitor.trace import retention, store
from monitor.trace import season as seasons
from monitor.trace.database import Database
from monitor.trace.retention import Keep, Retention
from monitor.trace.store import TraceReader

ON_BOTH_DATABASES = True
DAY_S = 86_400.0
HOUR_S = 3600.0
SPRING = datetime(2026, 3, 1, 6, 0, tzinfo=UTC)
MONTH = Keep(readings_s=30 * DAY_S)
SET, UNSET = ClockState.SYNCHRONISED, ClockState.UNSET


class Season:
    """Fills a store with hours instead of seconds, and lets old ones go."""

    def __init__(self, bench: Any) -> None:
        self.bench = bench
        self.writer = bench.opened()
        self._seq = itertools.count(1)

    def hour(
        self,
        boot: str,
        mono_s: float,
        *,
        time: datetime | None,
        clock: ClockState = SET,
        elapsed_s: float | None = None,
    ) -> None:
        """Keep one reading and one second."""
        stamp = {"boot": boot, "time": time, "clock": clock}
        reading = self.bench.reading(next(self._seq), mono_ms=round(1000 * mono_s), **stamp)
        self.writer.keep_reading(Point.OUTLET, reading, arrived_mono_s=mono_s)
        self.writer.keep_effect(RowDue(self.bench.row(mono_s=mono_s, elapsed_s=elapsed_s, **stamp)))

    def hours(self, boot: str, *, from_time: datetime | None, hours: int, clock: ClockState = SET) -> None:
        """Keep an hour each from the start of ``boot`` on; without a time its clock is unset."""
        for hour in range(hours):
            time = None if from_time is None else from_time + timedelta(hours=hour)
            state = UNSET if time is None else clock
            self.hour(boot, 100.0 + hour * HOUR_S, time=time, clock=state)
            if hour % 500 == 0:
                self.writer.flush()
        self.writer.flush()

    def run(self, name: str, boot: str, mono_s: float, *, started: datetime, seconds: int = 20) -> None:
        """Keep a closed run whose first five seconds were before it was opened."""
        for second in range(5):
            self.hour(boot, mono_s + second, time=started + timedelta(seconds=second))
        self.writer.flush()
        opened = self.bench.run_opened(name, boot=boot, started_mono_s=mono_s, started=started)
        self.writer.keep_effect(opened)
        for second in range(5, seconds):
            time = started + timedelta(seconds=second)
            self.hour(boot, mono_s + second, time=time, elapsed_s=float(second))
        end = {"ended_mono_s": mono_s + seconds, "ended": started + timedelta(seconds=seconds)}
        self.writer.keep_effect(self.bench.run_closed(name, boot=boot, elapsed_s=float(seconds), **end))
        self.writer.flush()

    def show(self, name: str) -> None:
        """Keep what the run showed, as the monitor does once it has looked back."""
        self.writer.keep_shown(RunEntry(run=name, volume_l=12.5, room_l=3.0, hot_flow_l_min=4.0))
        self.writer.flush()

    def tend(self, keep: Keep) -> int:
        """Let go of everything that is too old; return how many rows went."""
        self.writer.close()
        database = Database(self.bench.url)
        database.open()
        tended = Retention(database, keep)
        gone = sum(self._steps(tended))
        database.close()
        return gone

    @staticmethod
    def _steps(tended: Retention) -> Iterator[int]:
        for _ in range(10_000):
            yield tended.go_on(0.0)
            if tended.go_on(0.0) == 0 and tended.go_on(0.0) == 0:
                return


@pytest.fixture
def season(bench: Any) -> Season:
    return Season(bench)


def hours_left(bench: Any) -> list[int]:
    return [mono // 3_600_000 for (mono,) in bench.ask("SELECT mono_ms FROM reading ORDER BY id")]


def test_readings_and_idle_seconds_older_than_their_time_go_and_nothing_younger(
    bench: Any, season: Season
) -> None:
    season.hours("boot-a", from_time=SPRING, hours=40 * 24)
    season.tend(MONTH)
    oldest = min(hours_left(bench))
    assert oldest == (40 - 30) * 24 - 1
    assert hours_left(bench) == list(range(oldest, 40 * 24))
    (first,) = bench.ask("SELECT min(mono_s) FROM moment")[0]
    assert first == 100.0 + oldest * HOUR_S


def test_by_default_of_the_writer_everything_is_kept(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=SPRING, hours=40 * 24)
    assert season.tend(Keep()) == 0
    assert bench.count("reading") == bench.count("moment") == 40 * 24


def test_only_a_little_goes_at_a_time(bench: Any, season: Season, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "BATCH_ROWS", 50)
    season.hours("boot-a", from_time=SPRING, hours=40 * 24)
    season.writer.close()
    database = Database(bench.url)
    database.open()
    tended = Retention(database, MONTH)
    steps = [tended.go_on(0.0) for _ in range(100)]
    database.close()
    assert max(steps) == 50
    assert sum(steps) == 2 * (10 * 24 - 1)
    assert steps[-1] == 0, "it looks again only after a while"


def test_a_run_keeps_its_seconds_also_those_before_it_was_opened(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=SPRING, hours=3)
    season.run("run-1", "boot-a", 20_000.0, started=SPRING + timedelta(seconds=19_900))
    before = list(TraceReader(bench.url).rows("run-1"))
    assert len(before) == 20
    season.hours("boot-b", from_time=SPRING + timedelta(days=60), hours=2)
    season.tend(MONTH)
    assert list(TraceReader(bench.url).rows("run-1")) == before
    assert bench.count("reading") == 2
    assert bench.count("moment") == 20 + 2


def test_a_boot_that_never_knew_the_time_is_as_old_as_the_next_that_did(bench: Any, season: Season) -> None:
    season.hours("no-clock", from_time=None, hours=5)
    season.hours("also-none", from_time=None, hours=5)
    season.hours("with-clock", from_time=SPRING, hours=5)
    season.hours("none-again", from_time=None, hours=5)
    season.hours("today", from_time=SPRING + timedelta(days=31), hours=1)
    season.tend(MONTH)
    boots = bench.ask("SELECT DISTINCT name FROM boot JOIN reading ON boot_id = boot.id")
    # What came after the last known time may be of yesterday, for all that is known.
    assert {name for (name,) in boots} == {"none-again", "today"}


@pytest.mark.parametrize("clock", [UNSET, ClockState.SAVED])
def test_nothing_goes_while_the_time_of_day_is_not_known(
    bench: Any, season: Season, clock: ClockState
) -> None:
    season.hours("boot-a", from_time=SPRING, hours=24)
    time = None if clock is UNSET else SPRING + timedelta(days=90)
    season.hours("today", from_time=time, hours=1, clock=clock)
    assert season.tend(MONTH) == 0
    assert bench.count("reading") == 25


def test_a_clock_that_jumps_into_the_future_takes_nothing_away(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=SPRING, hours=24)
    season.hour("boot-a", 100.0 + 24 * HOUR_S, time=datetime(2038, 1, 19, tzinfo=UTC))
    assert season.tend(MONTH) == 0
    assert bench.count("reading") == 25


def test_a_clock_in_the_past_takes_nothing_away(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=SPRING, hours=24)
    season.hours("boot-b", from_time=datetime(1970, 1, 1, 3, tzinfo=UTC), hours=2)
    assert season.tend(MONTH) == 0


def test_a_clock_that_is_set_in_mid_boot_dates_what_came_before_it(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=None, hours=24)
    season.hour("boot-a", 100.0 + 24 * HOUR_S, time=SPRING, clock=ClockState.PHONE)
    season.hours("boot-b", from_time=SPRING + timedelta(days=29, hours=12), hours=1)
    season.tend(MONTH)
    # Twelve hours of those before the clock was set are over thirty days old.
    assert hours_left(bench) == [*range(12, 25), 0]


YEAR = Keep(seconds_s=365 * DAY_S)


def test_seconds_of_a_closed_run_go_when_they_may_and_the_run_stays(bench: Any, season: Season) -> None:
    season.hours("boot-a", from_time=SPRING, hours=2)
    for number, mono_s in enumerate((10_000.0, 20_000.0, 30_000.0)):
        season.run(f"run-{number}", "boot-a", mono_s, started=SPRING + timedelta(seconds=mono_s))
    for name in ("run-0", "run-2"):
        season.show(name)
    season.hours("today", from_time=SPRING + timedelta(days=400), hours=1)
    season.tend(YEAR)
    reader = TraceReader(bench.url)
    assert [len(list(reader.rows(f"run-{number}"))) for number in range(3)] == [0, 20, 0]
    assert [run.elapsed_s for run in reader.runs()] == [20.0, 20.0, 20.0]
    told = seasons.Season(reader, rules=load().rules(), owner=load().plan_rules()).runs()
    assert [run.entry.volume_l for run in told] == [12.5, 12.125, 12.5]
    assert bench.count("reading") == bench.count("moment") - 20 + 2 * 20 + 20


def test_a_run_within_its_time_or_still_open_keeps_its_seconds(bench: Any, season: Season) -> None:
    season.run("old", "boot-a", 10_000.0, started=SPRING)
    season.run("new", "boot-b", 10_000.0, started=SPRING + timedelta(days=100))
    season.show("old")
    season.show("new")
    season.writer.keep_effect(season.bench.run_opened("open", boot="boot-b", started_mono_s=11_000.0))
    season.hour("boot-b", 11_001.0, time=SPRING + timedelta(days=100), elapsed_s=1.0)
    season.hours("today", from_time=SPRING + timedelta(days=400), hours=1)
    season.tend(YEAR)
    reader = TraceReader(bench.url)
    assert [len(list(reader.rows(name))) for name in ("old", "new", "open")] == [0, 20, 1]


def test_a_run_that_a_lot_was_packed_from_keeps_its_seconds(bench: Any, season: Season) -> None:
    for number in range(2):
        season.run(f"run-{number}", "boot-a", 10_000.0 * (number + 1), started=SPRING)
        season.show(f"run-{number}")
    lot = Mark(
        press="main", run="run-1", seq=1, boot="boot-a", mono_ms=30_000_000, time=SPRING, clock=SET,
        name="lot", who="Ada", entry="a1b2c3d4",
        given=LotArgs(run="run-1", packed=SPRING.date(), code="26-060-1", number=1),
    )  # fmt: skip
    season.writer.keep_effect(Happened(lot))
    season.hours("today", from_time=SPRING + timedelta(days=400), hours=1)
    season.tend(YEAR)
    reader = TraceReader(bench.url)
    assert [len(list(reader.rows(f"run-{number}"))) for number in range(2)] == [0, 20]


def test_a_writer_lets_old_seconds_go_by_itself_but_not_in_a_run(
    bench: Any, season: Season, wait_until: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(store, "COMMIT_INTERVAL_S", 0.02)
    season.hours("boot-a", from_time=SPRING, hours=24)
    season.hours("today", from_time=SPRING + timedelta(days=60), hours=1)
    season.writer.keep_effect(bench.run_opened("run-1", boot="today"))
    season.writer.close()
    writer = bench.opened(keep=MONTH)
    for _ in range(20):
        writer.flush()
    assert bench.count("reading") == 25
    writer.keep_effect(bench.run_closed("run-1", boot="today"))
    wait_until(lambda: bench.count("reading") == 1)
    wait_until(lambda: bench.count("moment") == 1)
    assert writer.problem is None
    assert writer.lost == 0
