"""What has arrived and waits to be read: bounded, and fair between topics when it overflows."""

from __future__ import annotations

import asyncio
import math
import time
from collections import Counter, deque
from dataclasses import dataclass

INBOX_LIMIT = 1000
"""Messages of at most 8 KiB: some 8 MB at worst, minutes of ordinary traffic."""


@dataclass(frozen=True, slots=True)
class Message:
    """What came in, or is to go out, on ``topic``; ``retain`` marks the broker's kept copy."""

    topic: str
    payload: bytes
    retain: bool


class Inbox:
    """A bounded queue; when it is full the busiest topic keeps only its newest message."""

    def __init__(self, *, limit: int = INBOX_LIMIT) -> None:
        self.limit = limit
        self.dropped = 0
        self.heard_s = -math.inf
        """When the last message came [s of the system's monotonic clock]."""
        self._kept: deque[Message] = deque()
        self._filled = asyncio.Event()

    def keep(self, message: Message) -> None:
        """Append ``message``, making room first if there is none."""
        self.heard_s = time.monotonic()
        if len(self._kept) >= self.limit:
            self._make_room(message)
        self._kept.append(message)
        self._filled.set()

    async def take(self) -> Message:
        """Return the oldest message, waiting for one."""
        while not self._kept:
            self._filled.clear()
            await self._filled.wait()
        return self._kept.popleft()

    def _make_room(self, newest: Message) -> None:
        """Thin the busiest topic, so that a flood on one never costs a command on another."""
        before = len(self._kept)
        topics = Counter(message.topic for message in (*self._kept, newest))
        busiest, count = topics.most_common(1)[0]
        if count == 1:
            self._kept.popleft()
        else:
            last = next(each for each in (newest, *reversed(self._kept)) if each.topic == busiest)
            self._kept = deque(each for each in self._kept if each.topic != busiest or each is last)
        self.dropped += before - len(self._kept)
