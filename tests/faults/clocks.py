"""Family 7: the wall clock jumps; delays, ages, shelving and alarms must not notice.

In process the engine is given another wall time between two seconds. Around the real
monitor ``libfaketime`` changes what it reads as wall time while it runs, and leaves its
monotonic clock alone. (The hardware service cannot run under it: version 0.9.10 refuses the
absolute monotonic sleeps of Python 3.11. Its wall time goes into readings and nowhere else.)
"""

from __future__ import annotations

import itertools
import os
import random
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.contract.commands import Command, ShelveArgs, SilenceArgs
from monitor.contract.names import Alarm, AlarmState, Flag
from monitor.contract.readings import UNIT_OF, ClockState, Point, Quality, Reading
from monitor.contract.units import Dimension, quantity
from monitor.run.engine import step
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, Stamp, Tick
from monitor.run.seconds import raised
from monitor.run.state import State, fresh
from monitor.runtime.clock import EARLIEST, ManualClock, WallTime
from monitor.runtime.settings import load
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant
from tests.integration.services import Program

JUMPS = (
    datetime(1970, 1, 1, tzinfo=UTC),
    datetime(2038, 1, 19, 3, 14, 8, tzinfo=UTC),
    timedelta(hours=1),
    timedelta(hours=-1),
)
"""To the epoch, to the second after which 32 bits of time are used up, an hour either way."""
ON_DELAY_S, SHELVED_S, SILENCED_S = 5.0, 60.0, 120.0
"""Of the requirements: over temperature comes on after 5 s, silence ends after 2 min."""
TICK_S = 1.0
FAKETIME = Path("/usr/lib") / f"{os.uname().machine}-linux-gnu" / "faketime" / "libfaketimeMT.so.1"
REAL_DELAY_LIMIT_S = ON_DELAY_S + 3.0
SETTLE_S = 3.0


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Jump in process, then around the real processes."""
    yield from in_process(counts)
    yield from real(counts, directory)


@dataclass
class Bench:
    """The engine on a clock whose wall time jumps at random."""

    chance: random.Random
    clock: ManualClock = field(default_factory=ManualClock)
    state: State = field(init=False)
    outlet_c: float = 85.0
    jump_share: float = 0.3
    seq: int = 0

    def __post_init__(self) -> None:
        self.rules = load(overrides=["point.outlet.time_constant=0 s"]).rules()
        self.state = fresh(boot=self.clock.boot, mono_s=self.clock.now_s, rules=self.rules)

    def stamp(self) -> Stamp:
        wall = self.clock.wall()
        return Stamp(boot=self.clock.boot, mono_s=self.clock.now_s, time=wall.time, clock=wall.state)

    def enter(self, entered: Input) -> None:
        self.state, _ = step(self.state, entered, rules=self.rules)

    def second(self) -> None:
        """Let a second pass with both points read; perhaps the wall clock jumps in it."""
        self.clock.advance(TICK_S)
        if self.chance.random() < self.jump_share:
            self.clock.wall_time = jumped(self.clock.wall_time, self.chance)
        self._read(Point.OUTLET, self.outlet_c + self.chance.gauss(0.0, 0.05))
        self._read(Point.LINE, 240.0 + self.chance.gauss(0.0, 2.0))
        self.enter(Tick(stamp=self.stamp()))

    def seconds_until(self, alarm: Alarm, *states: AlarmState, limit_s: float) -> float:
        """Let seconds pass until ``alarm`` is in one of ``states``; return how many it took."""
        began_s = self.clock.now_s
        while self.state.alarms[alarm].state not in states:
            if self.clock.now_s - began_s > limit_s:
                return float("inf")
            self.second()
        return self.clock.now_s - began_s

    def act(self, args: ShelveArgs | SilenceArgs) -> None:
        command = Command(id=f"{self.chance.getrandbits(64):016x}", who="press hand", args=args)
        self.enter(CommandArrived(stamp=self.stamp(), command=command))

    def _read(self, point: Point, value: float) -> None:
        self.seq += 1
        wall = self.clock.wall()
        reading = Reading(
            seq=self.seq,
            boot=self.clock.boot,
            mono_ms=round(self.clock.now_s * 1000),
            time=wall.time,
            clock=wall.state,
            value=value,
            unit=UNIT_OF[point],
            quality=Quality.GOOD,
        )
        self.enter(ReadingArrived(stamp=self.stamp(), point=point, reading=reading))


def jumped(wall: WallTime, chance: random.Random) -> WallTime:
    """Return ``wall`` after one of the jumps, judged as the board's own clock judges it."""
    to = chance.choice(JUMPS)
    now = wall.time or datetime(2026, 3, 20, tzinfo=UTC)
    then = now + to if isinstance(to, timedelta) else to
    if then < EARLIEST:
        return WallTime(None, ClockState.UNSET)
    return WallTime(then, ClockState.SAVED)


def in_process(counts: Counts) -> Iterator[Metric]:
    """Time the on-delay, a shelving and a silence while the wall clock jumps."""
    delays, shelvings, silences, wrong = [], [], [], 0
    for number in range(max(1, counts.broker_kills)):
        bench = Bench(random.Random(number))  # noqa: S311 - a test's repeatable dice
        for _ in range(30):
            bench.second()
            wrong += sum(
                record.state not in (AlarmState.NORMAL, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
                for record in bench.state.alarms.values()
            )
            wrong += Flag.UNKNOWN in raised(bench.state)
        over = Alarm.OVER_PRECIPITATION
        bench.outlet_c = quantity("197 degF", dimension=Dimension.TEMPERATURE)
        delays.append(bench.seconds_until(over, AlarmState.UNACKNOWLEDGED, limit_s=60.0))
        bench.act(SilenceArgs())
        began_s = bench.clock.now_s
        while bench.state.alarms[over].silenced_until_s > bench.state.now_s:
            bench.second()
        silences.append(bench.clock.now_s - began_s)
        bench.act(ShelveArgs(alarm=over, seconds=SHELVED_S))
        began_s = bench.clock.now_s
        assert bench.state.alarms[over].state is AlarmState.SHELVED
        while bench.state.alarms[over].state is AlarmState.SHELVED:
            bench.second()
        shelvings.append(bench.clock.now_s - began_s)
    times = len(delays)
    yield Metric(family=7, what=f"wrong alarms or unknowns in {times} jumpy runs", measured=wrong, limit=0)
    for what, seconds, wanted_s in (
        ("alarm's on-delay", delays, ON_DELAY_S),
        ("silence", silences, SILENCED_S),
        ("shelving", shelvings, SHELVED_S),
    ):
        off_s = max(abs(took_s - wanted_s) for took_s in seconds)
        yield Metric(family=7, what=f"{what} off its {wanted_s:g} s", measured=off_s, limit=TICK_S, unit="s")


def real(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Jump under the real processes: no wrong alarm, and an alarm on time after each jump."""
    if not FAKETIME.exists():
        pytest.fail("libfaketime is not installed: apt install faketime")
    wrong: set[str] = set()
    delays: list[float] = []
    with plant(directory) as press:
        offset = directory / "offset"
        offset.write_text("+0")
        services = press.services
        services.programs["monitor"] = Program(
            [sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(services.settings_file)],
            log=services.new_log("monitor"),
            environment=services.environment
            | {
                "LD_PRELOAD": str(FAKETIME),
                "FAKETIME_TIMESTAMP_FILE": str(offset),
                "FAKETIME_NO_CACHE": "1",
                "FAKETIME_DONT_FAKE_MONOTONIC": "1",
                "FAKETIME_DISABLE_SHM": "1",
            },
        )
        press.start("monitor", "hardware")
        press.open_run()
        steps = [_offset(jump) for jump, _ in zip(itertools.cycle(JUMPS), range(counts.jumps), strict=False)]
        for change in steps:
            offset.write_text(change)
            wrong |= _troubles(press)
        for change in steps[:: len(JUMPS)]:
            # The next jump comes in the middle of the alarm's delay.
            press.outlet_f = 197.0
            began_s = time.monotonic()
            time.sleep(ON_DELAY_S / 2)
            offset.write_text(change)
            press.await_flag(Flag.OVER_PRECIPITATION)
            delays.append(time.monotonic() - began_s)
            press.outlet_f = 150.0
            if change is not steps[-1]:
                seconds_until(lambda: not press.listener.says(Flag.OVER_PRECIPITATION), deadline_s=30.0)
        whole = ledger.is_whole(press.services.database)
        twice = ledger.twice(press.services.database, table="moment", by="boot_id, mono_s")
    yield Metric(
        family=7, what=f"real processes: wrong flags in {len(steps)} jumps", measured=len(wrong), limit=0
    )
    yield Metric(
        family=7,
        what="real processes: alarm across a jump (its delay of 5 s included)",
        measured=max(delays),
        limit=REAL_DELAY_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=7, what="real processes: file not whole, seconds twice", measured=(not whole) + twice, limit=0
    )


def _offset(jump: datetime | timedelta) -> str:
    """Return what libfaketime's file says for ``jump``, from the true time on."""
    if isinstance(jump, datetime):
        jump = jump - datetime.now(UTC)
    return f"{jump.total_seconds():+.0f}"


def _troubles(press: Plant) -> set[str]:
    """Return what the status says within a few seconds that it should not."""
    began_s = time.monotonic()
    found: set[str] = set()
    while time.monotonic() - began_s < SETTLE_S:
        status = press.listener.status(since_s=began_s)
        if status is not None:
            found |= {str(flag.name) for flag in status.flags} - {Flag.STILL_RECIRCULATING}
            found |= {str(alarm.name) for alarm in status.alarms}
        time.sleep(0.1)
    return found if status is not None else {"no status"}
