from __future__ import annotations

import asyncio
import itertools
import logging
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

import pytest

from hardware.player import Player
from hardware.sound_patterns import Pattern
from hardware.sounder import RecordingSounder
from monitor.contract.errors import SounderFailed
from monitor.contract.names import Signal
from monitor.runtime.clock import SystemClock
from tests.hardware.statuses import status

SPEED = 20.0
JITTER_S = 0.6  # of the fast clock: 30 ms of real time on a busy machine


async def until(condition: Callable[[], object], *, within_s: float = 10.0) -> None:
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - looked at from outside
            await asyncio.sleep(0.002)


@asynccontextmanager
async def playing(player: Player) -> AsyncIterator[None]:
    task = asyncio.create_task(player.run())
    try:
        yield
    finally:
        task.cancel()
        await asyncio.wait((task,))
        assert task.cancelled(), task


class Monitor:
    """Says the same every second of the clock, as the monitor does, until silenced."""

    def __init__(self, player: Player, clock: SystemClock) -> None:
        self.player, self.clock = player, clock
        self.sound: Signal | None = None
        self.prompts = 0
        self.alarmed = False
        self._seq = 0

    async def run(self) -> None:
        while True:
            self.say()
            await self.clock.sleep(1.0)

    def say(self) -> None:
        self._seq += 1
        said = status(self._seq, sound=self.sound, prompts=self.prompts, alarmed=self.alarmed)
        self.player.hear(said, retained=False)


@pytest.fixture
def clock() -> SystemClock:
    return SystemClock(speed=SPEED)


@pytest.fixture
def sounder(clock: SystemClock) -> RecordingSounder:
    return RecordingSounder(clock=clock)


@pytest.fixture
def player(sounder: RecordingSounder, clock: SystemClock) -> Player:
    return Player(sounder, clock=clock)


@pytest.fixture
async def monitor(player: Player, clock: SystemClock) -> AsyncIterator[Monitor]:
    monitor = Monitor(player, clock)
    talking = asyncio.create_task(monitor.run())
    yield monitor
    talking.cancel()
    await asyncio.wait((talking,))


async def test_an_alarm_sounds_every_5_s_with_the_lamp_and_stops_when_silenced(
    player: Player, monitor: Monitor, sounder: RecordingSounder, clock: SystemClock
) -> None:
    monitor.sound = Signal.HIGH
    async with playing(player):
        await until(lambda: len(sounder.played) == 3)
        monitor.sound = None
        monitor.say()
        silenced_s = clock.monotonic()
        await clock.sleep(8.0)
    begins = [played.began_s for played in sounder.played]
    gaps = [later - sooner for sooner, later in itertools.pairwise(begins)]
    assert gaps == pytest.approx([5.0] * len(gaps), abs=JITTER_S)
    assert {played.signal for played in sounder.played} == {Signal.HIGH}
    assert begins[-1] <= silenced_s
    assert sounder.lamp[0][0] - begins[0] < JITTER_S
    assert sounder.lamp[-1][1] is False


async def test_no_lamp_flashes_faster_than_twice_a_second_whatever_comes(
    player: Player, monitor: Monitor, sounder: RecordingSounder, clock: SystemClock
) -> None:
    # WCAG 2.3.1 allows three flashes in any second; this project two.
    async with playing(player):
        for sound in (Signal.HIGH, None, Signal.MEDIUM, Signal.HIGH, None, Signal.HIGH) * 3:
            monitor.sound = sound
            monitor.say()
            await clock.sleep(0.7)
    lit = [moment for moment, is_lit in sounder.lamp if is_lit]
    assert len(lit) > 3
    assert all(later - sooner >= 0.5 for sooner, later in itertools.pairwise(lit))


async def test_what_a_status_asks_for_begins_and_gives_way_at_once_not_at_the_next_look() -> None:
    clock = SystemClock(speed=0.01)  # a look is a minute or more away
    player = Player(RecordingSounder(clock=clock), clock=clock)
    async with playing(player):
        for _ in range(10):  # turns of the loop: the first look is over
            await asyncio.sleep(0)
        player.hear(status(1, sound=Signal.MEDIUM), retained=False)
        await until(lambda: player.sounding is Signal.MEDIUM, within_s=2.0)
        player.hear(status(2, sound=Signal.HIGH), retained=False)
        await until(lambda: player.sounding is Signal.HIGH, within_s=2.0)
        player.hear(status(3), retained=False)
        await until(lambda: player.sounding is None, within_s=2.0)


async def test_high_cuts_a_lower_sound_short(
    player: Player, monitor: Monitor, sounder: RecordingSounder
) -> None:
    monitor.sound = Signal.MEDIUM
    async with playing(player):
        await until(lambda: player.sounding is Signal.MEDIUM)
        monitor.sound = Signal.HIGH
        monitor.say()
        await until(lambda: len(sounder.played) == 2)
    assert [played.signal for played in sounder.played] == [Signal.MEDIUM, Signal.HIGH]
    assert not sounder.played[0].whole


async def test_a_prompt_sounds_once_with_a_light(
    player: Player, monitor: Monitor, sounder: RecordingSounder, clock: SystemClock
) -> None:
    async with playing(player):
        await clock.sleep(1.0)
        monitor.prompts = 1
        await until(lambda: sounder.played)
        await clock.sleep(6.0)
    assert [(played.signal, played.whole) for played in sounder.played] == [(Signal.PROMPT, True)]
    assert any(is_lit for _, is_lit in sounder.lamp)


async def test_the_sounder_says_by_itself_that_the_monitor_is_silent(
    player: Player, sounder: RecordingSounder, clock: SystemClock
) -> None:
    async with playing(player):
        player.hear(status(1), retained=False)
        last_word_s = clock.monotonic()
        await until(lambda: len(sounder.played) == 2)
        player.hear(status(2), retained=False)
        count = len(sounder.played)
        await clock.sleep(8.0)
    assert {played.signal for played in sounder.played} == {Signal.MONITOR_SILENT}
    assert sounder.played[0].began_s - last_word_s == pytest.approx(10.0, abs=JITTER_S)
    assert len(sounder.played) == count


async def test_the_lamp_stays_lit_for_a_silenced_alarm_and_goes_out_at_the_end(
    player: Player, monitor: Monitor, sounder: RecordingSounder, clock: SystemClock
) -> None:
    monitor.alarmed = True
    async with playing(player):
        await until(lambda: sounder.lamp and sounder.lamp[-1][1])
        await clock.sleep(5.0)
        assert [is_lit for _, is_lit in sounder.lamp[-1:]] == [True]
    assert sounder.played == []
    assert sounder.lamp[-1][1] is False


class BrokenSounder(RecordingSounder):
    """A sounder whose output fails until mended."""

    broken = True

    async def play(self, pattern: Pattern) -> None:
        if self.broken:
            raise SounderFailed("alarm output failed: no card")
        await super().play(pattern)


async def test_a_failing_output_is_kept_in_sight_logged_once_and_tried_again(
    clock: SystemClock, caplog: pytest.LogCaptureFixture
) -> None:
    sounder = BrokenSounder(clock=clock)
    player = Player(sounder, clock=clock)
    monitor = Monitor(player, clock)
    monitor.sound = Signal.HIGH
    talking = asyncio.create_task(monitor.run())
    async with playing(player):
        await until(lambda: player.trouble)
        await clock.sleep(12.0)
        assert player.trouble == "alarm output failed: no card"
        assert [record.levelno for record in caplog.records].count(logging.ERROR) == 1
        assert any(is_lit for _, is_lit in sounder.lamp)
        sounder.broken = False
        await until(lambda: sounder.played)
        await until(lambda: player.trouble is None)
    talking.cancel()
    await asyncio.wait((talking,))
