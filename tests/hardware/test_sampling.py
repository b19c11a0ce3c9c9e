from __future__ import annotations

import asyncio
import itertools
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.sampling import in_thread, rounds, wait_until
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


class StallingClock(ManualClock):
    """A clock of a machine so busy that its sleeps last longer than asked."""

    def __init__(self, stalls_s: list[float]) -> None:
        super().__init__()
        self._stalls_s = list(stalls_s)

    def pause(self, seconds: float, *, until: threading.Event | None = None) -> None:
        super().pause(seconds + (self._stalls_s.pop() if self._stalls_s else 0.0), until=until)


def begun(clock: ManualClock, *, count: int, work_s: float = 0.0) -> list[float]:
    """Return when ``count`` rounds of one second began, since the first was due."""
    stop, due_s, moments = threading.Event(), clock.now_s, []
    for _ in rounds(1.0, begin_s=due_s, clock=clock, stop=stop):
        moments.append(clock.now_s - due_s)
        clock.advance(work_s)
        if len(moments) == count:
            stop.set()
    return moments


def test_rounds_keep_their_beat_however_long_the_work_of_each_takes() -> None:
    assert begun(ManualClock(), count=4, work_s=0.75) == pytest.approx([0.0, 1.0, 2.0, 3.0])
    assert begun(ManualClock(), count=4, work_s=1.5) == pytest.approx([0.0, 1.5, 3.0, 4.5])


@given(st.lists(st.floats(0.0, 5.0), max_size=40))
def test_rounds_after_a_stall_never_crowd_and_miss_no_more_than_the_stall(stalls_s: list[float]) -> None:
    moments = begun(StallingClock(stalls_s), count=12)
    apart_s = [later - sooner for sooner, later in itertools.pairwise(moments)]
    assert min(apart_s) >= 0.5 - 1e-6
    assert moments[-1] <= 11.0 + sum(stalls_s)
