"""Time as the services see it."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.contract.readings import ClockState
from monitor.runtime import clock as clock_module
from monitor.runtime.clock import BOOT_ID_FILE, Clock, ManualClock, SystemClock, WallTime


def test_the_board_s_clock_is_the_monotonic_one_of_the_kernel() -> None:
    before_s = time.clock_gettime(time.CLOCK_MONOTONIC)
    now_s = SystemClock().monotonic()
    assert before_s <= now_s <= time.clock_gettime(time.CLOCK_MONOTONIC)


def test_the_boot_is_the_kernel_s_own_name_for_it() -> None:
    assert SystemClock().boot == BOOT_ID_FILE.read_text().strip()
    assert len(SystemClock().boot) == 36


def test_a_board_without_a_boot_id_still_has_a_name(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(clock_module, "BOOT_ID_FILE", tmp_path / "none")
    assert SystemClock().boot == "unknown-boot"


def test_a_fast_clock_is_never_taken_for_the_board_s() -> None:
    fast = SystemClock(speed=60.0)
    assert fast.boot != SystemClock().boot
    assert len(fast.boot) <= 64, "the wire's limit"


def test_a_fast_clock_runs_by_its_factor() -> None:
    fast = SystemClock(speed=100.0)
    real_s, began_s = time.monotonic(), fast.monotonic()
    wall = fast.wall().time
    fast.pause(5.0)
    passed_s, later = fast.monotonic() - began_s, fast.wall().time
    most_s = 100.0 * (time.monotonic() - real_s)
    assert 5.0 <= passed_s <= most_s
    assert wall is not None
    assert later is not None
    assert 5.0 <= (later - wall).total_seconds() <= most_s


async def test_sleep_and_pause_wait_in_the_clock_s_own_seconds() -> None:
    fast = SystemClock(speed=100.0)
    began_s = fast.monotonic()
    await fast.sleep(2.0)
    fast.pause(2.0)
    assert fast.monotonic() - began_s >= 4.0
    await fast.sleep(-1.0)
    fast.pause(-1.0)


@pytest.mark.parametrize("speed", [0.0, -1.0, 1001.0, float("nan"), float("inf")])
def test_an_impossible_speed_is_refused(speed: float) -> None:
    with pytest.raises(ValueError, match="speed"):
        SystemClock(speed=speed)


def test_only_a_synchronised_clock_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    mark = tmp_path / "synchronized"
    monkeypatch.setattr(clock_module, "SYNCHRONISED_FILE", mark)
    assert SystemClock().wall().state is ClockState.SAVED
    mark.touch()
    wall = SystemClock().wall()
    assert wall.state is ClockState.SYNCHRONISED
    assert wall.time is not None
    assert abs(wall.time - datetime.now(UTC)) < timedelta(seconds=5)


def test_a_clock_before_the_software_was_written_is_unset(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(clock_module, "EARLIEST", datetime.now(UTC) + timedelta(days=1))
    assert SystemClock().wall() == WallTime(None, ClockState.UNSET)


async def test_a_manual_clock_moves_when_told_and_only_then() -> None:
    clock = ManualClock(now_s=10.0)
    noon = clock.wall().time
    assert noon is not None
    assert clock.monotonic() == clock.monotonic() == 10.0
    clock.advance(1.5)
    await clock.sleep(0.5)
    clock.pause(2.0)
    assert clock.monotonic() == 14.0
    assert clock.wall().time == noon + timedelta(seconds=4.0)


async def test_a_manual_sleep_lets_the_other_tasks_run() -> None:
    clock = ManualClock()
    ran: list[float] = []

    async def other() -> None:
        ran.append(clock.monotonic())

    task = asyncio.create_task(other())
    await clock.sleep(1.0)
    assert ran == [clock.monotonic()]
    await task


def test_an_unset_manual_clock_stays_unset() -> None:
    clock = ManualClock(wall_time=WallTime(None, ClockState.UNSET))
    clock.advance(3600.0)
    assert clock.wall() == WallTime(None, ClockState.UNSET)


def test_both_clocks_are_clocks() -> None:
    clocks: list[Clock] = [SystemClock(), ManualClock()]
    for clock in clocks:
        first, second = clock.monotonic(), clock.monotonic()
        assert second >= first
