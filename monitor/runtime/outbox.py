"""What waits to be sent: bounded, in order, and only the newest of what the broker keeps anyway."""

from __future__ import annotations

import asyncio
import itertools
from collections import deque
from collections.abc import Callable, Coroutine

from monitor.runtime.inbox import Message

OUTBOX_LIMIT = 600
"""Two minutes of five readings a second."""
IN_FLIGHT_LIMIT = 8
"""Messages on their way at once: so many may come twice after a broken line, and with many
presses none waits for the answer to the one before."""

Publish = Callable[[Message], Coroutine[None, None, None]]


class Outbox:
    """A bounded queue that remembers what is on its way until that has been acknowledged."""

    def __init__(self, *, limit: int = OUTBOX_LIMIT) -> None:
        self.limit = limit
        self.dropped = 0
        self._waiting: dict[str | int, Message] = {}
        """By retained topic, or by a number; the oldest first."""
        self._under_way: deque[Message] = deque()
        self._numbers = itertools.count()
        self._filled = asyncio.Event()

    def __len__(self) -> int:
        return len(self._waiting) + len(self._under_way)

    def put(self, message: Message) -> None:
        """Append ``message``, dropping the oldest of a full queue.

        A retained one takes the place of its forerunner that still waits: the broker keeps the newest.
        """
        place = message.topic if message.retain else next(self._numbers)
        if place not in self._waiting and len(self._waiting) >= self.limit:
            self._pop()
            self.dropped += 1
        self._waiting[place] = message
        self._filled.set()

    async def send_all(self, publish: Publish) -> None:
        """Send whatever comes, until ``publish`` raises."""
        while True:
            await self.send(publish)
            self._filled.clear()
            await self._filled.wait()

    async def send(self, publish: Publish) -> None:
        """Send what waits, in order, a few at once; what ``publish`` did not finish stays first in line."""
        running = deque(asyncio.create_task(publish(message)) for message in self._under_way)
        try:
            while running or self._waiting:
                while self._waiting and len(running) < IN_FLIGHT_LIMIT:
                    self._under_way.append(self._pop())
                    running.append(asyncio.create_task(publish(self._under_way[-1])))
                await _end_of(running[0])
                running.popleft()
                self._under_way.popleft()
        finally:
            for each in running:
                each.cancel()
            if running:
                await asyncio.wait(running)

    def _pop(self) -> Message:
        return self._waiting.pop(next(iter(self._waiting)))


async def _end_of(task: asyncio.Task[None]) -> None:
    """Wait for ``task`` and raise its error.

    Not awaited outright: a cancellation would reach it before it began, and only those after it be sent.
    """
    await asyncio.wait({task})
    task.result()
