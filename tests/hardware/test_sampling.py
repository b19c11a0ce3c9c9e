from __future__ import annotations

import asyncio
import threading
import time

import pytest

from hardware.sampling import in_thread, wait_until
from monitor.runtime.clock import ManualClock, SystemClock


async def test_a_thread_ends_soon_after_its_task_is_cancelled() -> None:
    began, ended = threading.Event(), threading.Event()

    def work(stop: threading.Event) -> None:
        began.set()
        wait_until(clock.monotonic() + 3600.0, clock=clock, stop=stop)
        ended.set()

    clock = SystemClock()
    task = asyncio.create_task(in_thread(work, name="long wait"))
    await asyncio.to_thread(began.wait, 5.0)
    cancelled_s = time.monotonic()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert ended.is_set()
    assert time.monotonic() - cancelled_s < 1.0


async def test_what_the_work_raises_reaches_the_task() -> None:
    def work(_: threading.Event) -> None:
        raise ZeroDivisionError("at work")

    with pytest.raises(ZeroDivisionError, match="at work"):
        await in_thread(work, name="failing")


async def test_the_loop_goes_on_while_a_thread_blocks() -> None:
    release, turns = threading.Event(), 0
    task = asyncio.create_task(in_thread(lambda _: release.wait(5.0) and None, name="blocked"))
    for _ in range(100):
        await asyncio.sleep(0)
        turns += 1
    release.set()
    await task
    assert turns == 100


def test_waiting_is_in_the_clocks_time_and_over_at_once_when_stopped() -> None:
    clock, stop = ManualClock(), threading.Event()
    assert wait_until(clock.now_s + 5.0, clock=clock, stop=stop)
    assert clock.now_s == pytest.approx(1005.0)
    assert wait_until(clock.now_s - 1.0, clock=clock, stop=stop)
    stop.set()
    assert not wait_until(clock.now_s + 5.0, clock=clock, stop=stop)
    assert clock.now_s == pytest.approx(1005.0)
