"""Blocking reads kept off the event loop: one thread a sensor, told to stop and soon gone."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator

from monitor.contract.readings import Reading
from monitor.runtime.clock import Clock

Sink = Callable[[Reading], None]
"""Takes a finished reading; called in the sensor's thread."""

BRIEF_S = 0.1
"""A wait up to this long is slept through, which costs less; a longer one ends when told to."""
THREAD_END_S = 2.0
"""How long a stopped thread may take: a conversion of 0.75 s must end first; a hung one is left."""


def wait_until(moment_s: float, *, clock: Clock, stop: threading.Event) -> bool:
    """Block until ``moment_s`` of ``clock``; return False as soon as ``stop`` is set."""
    while not stop.is_set():
        left_s = moment_s - clock.monotonic()
        if left_s <= 0.0:
            return True
        clock.pause(left_s, until=None if left_s <= BRIEF_S else stop)
    return False


def rounds(every_s: float, *, begin_s: float, clock: Clock, stop: threading.Event) -> Iterator[None]:
    """Block until each round is due, ``every_s`` apart, and give it, until ``stop`` is set.

    After a stall the rounds that were missed are left out, and the next comes half an interval
    after the late one at the soonest: two readings of one moment would say one thing twice.
    """
    due_s = begin_s
    while wait_until(due_s, clock=clock, stop=stop):
        began_s = clock.monotonic()
        yield
        due_s = max(due_s + every_s, began_s + every_s / 2)


async def in_thread(work: Callable[[threading.Event], None], *, name: str) -> None:
    """Run ``work(stop)`` in a thread of its own until it returns; on cancellation set ``stop`` and wait.

    What ``work`` raises is raised here. The thread is a daemon: a read that the kernel never
    answers must not keep the program from ending.
    """
    loop = asyncio.get_running_loop()
    ended: asyncio.Future[None] = loop.create_future()
    stop = threading.Event()

    def settle(error: BaseException | None) -> None:
        if not ended.done():
            if error is None:
                ended.set_result(None)
            else:
                ended.set_exception(error)

    def body() -> None:
        error: BaseException | None = None
        try:
            work(stop)
        except BaseException as raised:
            # Handed to the awaiting task, whatever it is.
            error = raised
        # The loop may have closed before a hung read came back.
        if not loop.is_closed():
            loop.call_soon_threadsafe(settle, error)

    threading.Thread(target=body, name=name, daemon=True).start()
    try:
        await asyncio.shield(ended)
    except asyncio.CancelledError:
        stop.set()
        await asyncio.wait((ended,), timeout=THREAD_END_S)
        if ended.done() and not ended.cancelled():
            ended.exception()
        raise
